//! The calendar against the facts of the IANA time-zone database, and against itself.
//!
//! The facts below are those of the IANA database (its source files name the laws and decrees);
//! `tests/e2e/day_lengths.rs` compares every zone with an independent reader of it.

use proptest::prelude::*;

use super::*;
use crate::units::{Span, Stamp};

fn zone(name: &str) -> Zone {
    Zone::new(name).expect("a zone of the database")
}

fn day(year: i16, month: i8, day: i8) -> LocalDay {
    LocalDay::from_civil(year, month, day).expect("a date")
}

fn hours_of(zone: &Zone, day: LocalDay) -> f64 {
    let range = zone.day_range(day);
    (range.end - range.start).as_seconds() / 3600.0
}

/// Start and length in minutes of each interval.
fn cut(name: &str, by: By, from: &str, to: &str) -> Vec<(String, i64)> {
    let zone = zone(name);
    let range = zone.parse(from).expect("from")..zone.parse(to).expect("to");
    let found = intervals(&zone, by, 1, range).expect("intervals");
    found.iter().map(|interval| (zone.rfc3339(interval.start), interval.span().0 / 600)).collect()
}

#[test]
fn days_are_as_long_as_the_clock_makes_them() {
    let check = |name, (year, month, number), hours| {
        assert_eq!(hours_of(&zone(name), day(year, month, number)), hours, "{name} {year}-{month}-{number}");
    };
    check("America/New_York", (2025, 3, 9), 23.0);
    check("America/New_York", (2025, 11, 2), 25.0);
    check("America/New_York", (2025, 11, 3), 24.0);
    check("Australia/Lord_Howe", (2025, 4, 6), 24.5);
    check("Australia/Lord_Howe", (2025, 10, 5), 23.5);
    // 23:00 comes twice on the 5th.
    check("America/Santiago", (2025, 4, 5), 25.0);
    check("America/Santiago", (2025, 4, 6), 24.0);
    // Samoa moved to the other side of the date line: the day did not happen.
    check("Pacific/Apia", (2011, 12, 29), 24.0);
    check("Pacific/Apia", (2011, 12, 30), 0.0);
    check("Pacific/Apia", (2011, 12, 31), 24.0);
    // Until November 2011 the clock of Newfoundland was changed at 00:01: forward, inside of the day.
    check("America/St_Johns", (2011, 3, 13), 23.0);
    check("Asia/Kathmandu", (2025, 3, 9), 24.0);
}

#[test]
fn days_without_a_midnight_start_when_the_clock_has_jumped() {
    let check = |name, date, start: &str| {
        let (year, month, number) = date;
        let zone = zone(name);
        assert_eq!(zone.rfc3339(zone.day_start(day(year, month, number))), start);
        assert_eq!(hours_of(&zone, day(year, month, number)), 23.0, "{name}");
    };
    check("America/Havana", (2025, 3, 9), "2025-03-09T01:00:00-04:00");
    check("America/Santiago", (2025, 9, 7), "2025-09-07T01:00:00-03:00");
    check("Asia/Beirut", (2025, 3, 30), "2025-03-30T01:00:00+03:00");
    check("Africa/Cairo", (2025, 4, 25), "2025-04-25T01:00:00+03:00");
}

#[test]
fn a_midnight_that_comes_twice_starts_the_day_once() {
    // Newfoundland put its clock back at 00:01 until 2010: 23:01 to 00:01 came twice.
    let zone = zone("America/St_Johns");
    let first = zone.day_start(day(2010, 11, 7));
    assert_eq!(zone.rfc3339(first), "2010-11-07T00:00:00-02:30");
    assert_eq!(hours_of(&zone, day(2010, 11, 6)), 24.0);
    assert_eq!(hours_of(&zone, day(2010, 11, 7)), 25.0);
    // Half past eleven for the second time: the clock shows the 6th, and the 7th has begun.
    let again = first + Span::from_seconds(31 * 60);
    assert_eq!(zone.rfc3339(again), "2010-11-06T23:31:00-03:30");
    assert_eq!(zone.day_of(again), day(2010, 11, 7));
    assert_eq!(zone.day_of(first), day(2010, 11, 7));
    assert_eq!(zone.day_of(first - Span(1)), day(2010, 11, 6));
}

#[test]
fn weeks_and_months_are_as_long_as_their_days() {
    let check = |name, by, from, to, expected: &[(&str, i64)]| {
        let found: Vec<(String, i64)> = cut(name, by, from, to)
            .into_iter()
            .map(|(start, minutes)| (start[..10].to_owned(), minutes - minutes / 1440 * 1440))
            .collect();
        // What is left over whole days of 24 h, in minutes.
        let found: Vec<(&str, i64)> = found.iter().map(|(start, left)| (start.as_str(), *left)).collect();
        assert_eq!(found, expected, "{name} {by}");
    };
    // A week of 167 h and one of 169 h; a month of 743 h; a year of 8,760 h has both shifts in it.
    check("America/New_York", By::Week, "2025-03-03", "2025-03-10", &[("2025-03-03", 1380)]);
    check("America/New_York", By::Week, "2025-10-27", "2025-11-03", &[("2025-10-27", 60)]);
    check("America/New_York", By::Month, "2025-03-01", "2025-04-01", &[("2025-03-01", 1380)]);
    check("America/New_York", By::Year, "2025-01-01", "2026-01-01", &[("2025-01-01", 0)]);
    check("Australia/Lord_Howe", By::Month, "2025-04-01", "2025-05-01", &[("2025-04-01", 30)]);
    // The week without a Friday.
    let week = cut("Pacific/Apia", By::Week, "2011-12-26", "2012-01-02");
    assert_eq!(week, [("2011-12-26T00:00:00-10:00".to_owned(), 6 * 1440)]);
    let year = cut("Pacific/Apia", By::Year, "2011-01-01", "2012-01-01");
    assert_eq!(year[0].1, 364 * 1440);
}

#[test]
fn newfoundland_changed_its_clock_at_a_minute_past_midnight() {
    // 00:01 became 01:01 on 2011-03-13: the day has its first minute, and then the jump.
    let zone = zone("America/St_Johns");
    let start = zone.day_start(day(2011, 3, 13));
    assert_eq!(zone.rfc3339(start), "2011-03-13T00:00:00-03:30");
    assert_eq!(zone.rfc3339(start + Span::MINUTE), "2011-03-13T01:01:00-02:30");
    let hours = cut("America/St_Johns", By::Hour, "2011-03-13", "2011-03-13T03:00");
    let expected = [
        ("2011-03-13T00:00:00-03:30", 1),
        ("2011-03-13T01:01:00-02:30", 59),
        ("2011-03-13T02:00:00-02:30", 60),
    ];
    assert_eq!(hours, expected.map(|(start, minutes)| (start.to_owned(), minutes)));
}

#[test]
fn quarters_of_kathmandu_are_those_of_its_clock() {
    let quarters = cut("Asia/Kathmandu", By::Quarter, "2025-01-01", "2025-01-02");
    assert_eq!(quarters.len(), 96);
    assert_eq!(quarters[0].0, "2025-01-01T00:00:00+05:45");
    assert_eq!(quarters[95].0, "2025-01-01T23:45:00+05:45");
}

#[test]
fn phoenix_and_kathmandu_never_shift() {
    for name in ["America/Phoenix", "Asia/Kathmandu"] {
        let zone = zone(name);
        let from = day(2000, 1, 1);
        assert!((0..9000).all(|n| hours_of(&zone, LocalDay(from.0 + n)) == 24.0), "{name}");
    }
    let kathmandu = zone("Asia/Kathmandu");
    assert_eq!(kathmandu.rfc3339(kathmandu.day_start(day(2025, 1, 1))), "2025-01-01T00:00:00+05:45");
}

#[test]
fn hours_are_cut_at_full_hours_and_at_shifts() {
    let check = |name, from, to, expected: &[(&str, i64)]| {
        let found = cut(name, By::Hour, from, to);
        let found: Vec<(&str, i64)> =
            found.iter().map(|(start, minutes)| (start.as_str(), *minutes)).collect();
        assert_eq!(found, expected, "{name}");
    };
    let second_one = "2025-11-02T01:00:00-05:00";
    check(
        "America/New_York",
        "2025-11-02T01:15",
        "2025-11-02T02:10",
        &[("2025-11-02T01:00:00-04:00", 60), (second_one, 60), ("2025-11-02T02:00:00-05:00", 60)],
    );
    check(
        "America/New_York",
        "2025-03-09T01:00",
        "2025-03-09T04:00",
        &[("2025-03-09T01:00:00-05:00", 60), ("2025-03-09T03:00:00-04:00", 60)],
    );
    check(
        "Australia/Lord_Howe",
        "2025-04-06T01:00",
        "2025-04-06T03:00",
        &[
            ("2025-04-06T01:00:00+11:00", 60),
            ("2025-04-06T01:30:00+10:30", 30),
            ("2025-04-06T02:00:00+10:30", 60),
        ],
    );
    check(
        "Australia/Lord_Howe",
        "2025-10-05T01:00",
        "2025-10-05T04:00",
        &[
            ("2025-10-05T01:00:00+10:30", 60),
            ("2025-10-05T02:30:00+11:00", 30),
            ("2025-10-05T03:00:00+11:00", 60),
        ],
    );
    check("Asia/Kathmandu", "2025-01-01T12:34", "2025-01-01T12:35", &[("2025-01-01T12:00:00+05:45", 60)]);
}

#[test]
fn ranges_snap_outwards() {
    let check = |by, from, to, expected: &[&str]| {
        let found: Vec<String> =
            cut("America/Denver", by, from, to).into_iter().map(|(start, _)| start).collect();
        assert_eq!(found, expected, "{by}");
    };
    check(By::Minute, "2025-06-01T00:00:30", "2025-06-01T00:01:00", &["2025-06-01T00:00:00-06:00"]);
    check(
        By::Quarter,
        "2025-06-01T00:20",
        "2025-06-01T00:31",
        &["2025-06-01T00:15:00-06:00", "2025-06-01T00:30:00-06:00"],
    );
    check(By::Day, "2025-06-01T12:00", "2025-06-02", &["2025-06-01T00:00:00-06:00"]);
    check(By::Week, "2025-06-01", "2025-06-03", &["2025-05-26T00:00:00-06:00", "2025-06-02T00:00:00-06:00"]);
    check(By::Month, "2025-03-31", "2025-04-02", &["2025-03-01T00:00:00-07:00", "2025-04-01T00:00:00-06:00"]);
    check(By::Year, "2024-06-01", "2025-01-01", &["2024-01-01T00:00:00-07:00"]);
}

#[test]
fn a_billing_month_starts_on_its_day() {
    let zone = zone("America/Denver");
    let check = |billing_day, from, to, expected: &[&str]| {
        let range = zone.parse(from).expect("from")..zone.parse(to).expect("to");
        let found = intervals(&zone, By::Billing, billing_day, range).expect("intervals");
        let found: Vec<String> =
            found.iter().map(|interval| zone.rfc3339(interval.start)[..10].to_owned()).collect();
        assert_eq!(found, expected, "day {billing_day}");
    };
    check(17, "2025-03-17", "2025-04-17", &["2025-03-17"]);
    check(17, "2025-03-16", "2025-04-18", &["2025-02-17", "2025-03-17", "2025-04-17"]);
    check(28, "2025-01-05", "2025-03-01", &["2024-12-28", "2025-01-28", "2025-02-28"]);
    check(1, "2025-01-05", "2025-01-06", &["2025-01-01"]);
}

#[test]
fn a_skipped_day_is_no_interval() {
    let found = cut("Pacific/Apia", By::Day, "2011-12-28", "2012-01-02");
    let expected = [
        ("2011-12-28T00:00:00-10:00", 1440),
        ("2011-12-29T00:00:00-10:00", 1440),
        ("2011-12-31T00:00:00+14:00", 1440),
        ("2012-01-01T00:00:00+14:00", 1440),
    ];
    assert_eq!(found, expected.map(|(start, minutes)| (start.to_owned(), minutes)));
}

#[test]
fn too_much_and_nothing_are_refused() {
    let zone = zone("America/Denver");
    let at = |text| zone.parse(text).expect("a time");
    let check = |by, from, to, expected| {
        assert_eq!(intervals(&zone, by, 1, at(from)..at(to)), Err(expected));
    };
    check(By::Day, "2025-01-02", "2025-01-02", CalendarError::Backwards);
    check(By::Day, "2025-01-02", "2025-01-01", CalendarError::Backwards);
    let minutes = CalendarError::TooMany { by: By::Minute, bound: MAX_INTERVALS };
    check(By::Minute, "1900-01-03", "2199-12-30", minutes.clone());
    check(By::Minute, "2025-01-01", "2025-01-09", minutes);
    check(
        By::Hour,
        "2025-01-01",
        "2026-03-04",
        CalendarError::TooMany { by: By::Hour, bound: MAX_INTERVALS },
    );
    assert!(intervals(&zone, By::Hour, 1, at("2025-01-01")..at("2026-01-01")).is_ok());
    let endless = intervals(&zone, By::Year, 1, Stamp::MIN..Stamp::MAX);
    assert!(matches!(endless, Err(CalendarError::OutOfRange { .. })));
}

#[test]
fn an_unknown_zone_is_told_its_neighbour() {
    let error = Zone::new("America/Dever").expect_err("no such zone").to_string();
    assert!(error.contains("America/Denver"), "{error}");
    assert!(Zone::new("").is_err());
    assert!(Zone::names().len() > 400);
}

#[test]
fn the_ends_of_time_do_not_panic() {
    for name in ["UTC", "America/Denver", "Pacific/Apia"] {
        let zone = zone(name);
        for at in [Stamp::MIN, Stamp::MAX, Stamp(i64::MIN), Stamp(i64::MAX)] {
            let _ = (zone.day_of(at), zone.rfc3339(at), zone.offset_s(at), zone.next_shift(at));
        }
        let _ = (zone.day_range(LocalDay(-30_000_000)), zone.month_range(LocalMonth(1 << 20)));
    }
}

fn any_zone() -> impl Strategy<Value = Zone> {
    proptest::sample::select(Zone::names()).prop_map(|name| zone(&name))
}

/// Moments of 1972 (since when every offset is a whole number of minutes) to 2037.
fn any_moment() -> impl Strategy<Value = Stamp> {
    (63_072_000i64..2_145_916_800).prop_map(Stamp::from_seconds)
}

proptest! {
    #[test]
    fn every_moment_lies_in_its_day_and_month(zone in any_zone(), at in any_moment()) {
        let day = zone.day_of(at);
        prop_assert!(zone.day_range(day).contains(&at));
        prop_assert!(zone.month_range(zone.month_of(at)).contains(&at));
        prop_assert_eq!(zone.day_of(zone.day_start(day)), day);
    }

    #[test]
    fn intervals_follow_each_other_and_hold_the_range(
        zone in any_zone(), at in any_moment(), hours in 1i64..60 * 24, billing in 1u8..=28,
        by in proptest::sample::select(By::ALL.to_vec()),
    ) {
        let range = at..at + Span::from_seconds(if by == By::Minute { 60 } else { 3600 } * hours);
        let found = intervals(&zone, by, billing, range.clone()).expect("fewer than the bound");
        prop_assert!(found[0].start <= range.start && found[0].end > range.start);
        let last = found[found.len() - 1];
        prop_assert!(last.start < range.end && last.end >= range.end);
        prop_assert!(found.iter().all(|interval| interval.start < interval.end));
        prop_assert!(found.windows(2).all(|pair| pair[0].end == pair[1].start));
    }

    #[test]
    fn hours_tile_every_day(zone in any_zone(), at in any_moment()) {
        let day = zone.day_range(zone.day_of(at));
        let found = intervals(&zone, By::Hour, 1, day.clone()).expect("few");
        prop_assert_eq!(found[0].start, day.start);
        prop_assert_eq!(found[found.len() - 1].end, day.end);
        prop_assert!(found.iter().all(|interval| interval.span() <= Span::HOUR));
    }
}
