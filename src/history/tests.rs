//! History by tables and by properties, over rows held in memory.

use std::ops::Range;

use proptest::prelude::*;

use super::*;
use crate::calendar::{By, Interval, Zone, intervals};
use crate::flow::Row;
use crate::site::*;
use crate::units::{CENTIJOULES_PER_WH, Energy, ONE, Span, Stamp};

const MAINS_A: u32 = 0;
const MAINS_B: u32 = 1;
const HEATER: u32 = 2;
const PUMP: u32 = 3;
const GRID_SPLIT: u32 = 4;

const FEED: FigureKey = FigureKey::BusFeed(0);
const REST: FigureKey = FigureKey::BusUntracked(0);
const HEATER_CIRCUIT: FigureKey = FigureKey::Circuit(0);
const PUMP_CIRCUIT: FigureKey = FigureKey::Circuit(1);

fn denver() -> Zone {
    Zone::new("America/Denver").expect("a zone")
}

fn term(series: u32, factor: i64) -> Term {
    Term { series: SeriesIndex(series), part: Part::Net, millionths: factor * ONE }
}

fn split(part: Part) -> Term {
    Term { series: SeriesIndex(GRID_SPLIT), part, millionths: ONE }
}

/// Mains on two legs, a heater whose CT is doubled, a pump whose CT is reversed.
fn plan() -> Plan {
    let mains = vec![term(MAINS_A, 1), term(MAINS_B, 1)];
    let rest = vec![term(MAINS_A, 1), term(MAINS_B, 1), term(HEATER, -2), term(PUMP, 1)];
    let figure = |key, terms| Figure { key, terms };
    Plan {
        splits: vec![(0, SplitRule::Signed(mains.clone()))],
        figures: vec![
            figure(FigureKey::Grid, mains.clone()),
            figure(FigureKey::Import, vec![split(Part::In)]),
            figure(FigureKey::Export, vec![split(Part::Out)]),
            figure(FigureKey::Generation, vec![]),
            figure(FigureKey::Consumption, mains.clone()),
            figure(FigureKey::Tracked, vec![term(HEATER, 2), term(PUMP, -1)]),
            figure(FigureKey::Untracked, rest.clone()),
            figure(FigureKey::Surplus, mains.clone()),
            figure(FEED, mains),
            figure(REST, rest),
            figure(HEATER_CIRCUIT, vec![term(HEATER, 2)]),
            figure(PUMP_CIRCUIT, vec![term(PUMP, -1)]),
        ],
    }
}

/// The site under one plan for ever, or under several, each from its moment on.
fn site(later: Vec<(Stamp, Plan)>) -> Site {
    let mut epochs = vec![Epoch { span: Stamp::MIN..Stamp::MAX, plan: plan() }];
    for (from, plan) in later {
        let last = epochs.len() - 1;
        epochs[last].span.end = from;
        epochs.push(Epoch { span: from..Stamp::MAX, plan });
    }
    let channel = |key: &str| Channel { name: format!("house/{key}"), device: 0, key: key.into() };
    Site {
        id: "heron-lane".into(),
        name: "Heron Lane farmhouse".into(),
        time_zone: "America/Denver".into(),
        billing_day: 1,
        late_window: None,
        loading: Default::default(),
        service: Service { system: System::SplitPhase120_240, main_breaker_a: Some(200.0) },
        devices: vec![],
        channels: vec![channel("m1"), channel("m2"), channel("heater"), channel("pump")],
        buses: vec![],
        circuits: vec![],
        feeds: vec![],
        accepts: vec![],
        splits: vec!["grid".into()],
        epochs,
    }
}

/// A minute at a constant power (in 0.1 W), known for the first `seconds` of it.
fn minute(start: Stamp, power: i32, seconds: i64) -> Row {
    let covered = Span::from_seconds(seconds);
    let energy = Energy::of(i64::from(power), covered);
    let (energy_in, energy_out) = (energy.max(Energy::ZERO), (-energy).max(Energy::ZERO));
    Row { start, energy_in, energy_out, covered, min: power, max: power }
}

fn fill(memory: &mut Memory, series: u32, range: Range<Stamp>, power: i32) {
    let mut at = range.start;
    while at < range.end {
        memory.add(SeriesIndex(series), minute(at, power, 60));
        at = at + Span::MINUTE;
    }
}

/// All four channels over the range: 2 kW on each leg, 2 × 600 W of heater, 500 W of pump.
fn filled(range: Range<Stamp>) -> Memory {
    let mut memory = Memory::new(denver());
    for (series, power) in [(MAINS_A, 20_000), (MAINS_B, 20_000), (HEATER, 6_000), (PUMP, -5_000)] {
        fill(&mut memory, series, range.clone(), power);
    }
    fill(&mut memory, GRID_SPLIT, range, 40_000);
    memory
}

fn at(text: &str) -> Stamp {
    denver().parse(text).expect("a time")
}

fn over(site: &Site, memory: &mut Memory, by: By, from: &str, to: &str) -> Vec<Summary> {
    let cut = intervals(&denver(), by, 1, at(from)..at(to)).expect("intervals");
    energy(site, &denver(), memory, &cut).unwrap_or_else(|never| match never {})
}

fn day(site: &Site, memory: &mut Memory) -> Summary {
    over(site, memory, By::Day, "2025-06-10", "2025-06-11").remove(0)
}

const DAY: (&str, &str) = ("2025-06-10", "2025-06-11");

#[test]
fn a_known_day_adds_up_and_closes() {
    let mut memory = filled(at(DAY.0)..at(DAY.1));
    let day = day(&site(vec![]), &mut memory);
    let check = |key, kwh| assert_eq!((day.kwh(key), day.coverage(key)), (Some(kwh), 1.0), "{key:?}");
    check(FigureKey::Grid, 96.0);
    check(FigureKey::Import, 96.0);
    check(FigureKey::Export, 0.0);
    check(HEATER_CIRCUIT, 28.8);
    check(PUMP_CIRCUIT, 12.0);
    check(FigureKey::Tracked, 40.8);
    check(REST, 55.2);
    // A house without PV generates a known nothing.
    check(FigureKey::Generation, 0.0);
    assert_eq!(day.totals_coverage(), 1.0);
    // The map says nothing of self-consumed; surplus is of the moment and not of a day.
    assert_eq!(day.kwh(FigureKey::SelfConsumed), None);
    assert!(day.figures.iter().all(|(key, _)| *key != FigureKey::Surplus));
}

#[test]
fn the_days_that_the_clock_shifts_have_their_own_length() {
    let check = |from, to, hours: i64| {
        let mut memory = filled(at(from)..at(to));
        let day = over(&site(vec![]), &mut memory, By::Day, from, to).remove(0);
        assert_eq!(day.get(FigureKey::Grid).map(|amount| amount.covered), Some(Span(Span::HOUR.0 * hours)));
        assert_eq!(day.kwh(FigureKey::Grid), Some(4.0 * hours as f64));
    };
    check("2025-03-09", "2025-03-10", 23);
    check("2025-11-02", "2025-11-03", 25);
}

#[test]
fn a_dead_channel_makes_sums_unknown_and_not_larger() {
    let mut memory = filled(at(DAY.0)..at(DAY.1));
    let mut partly = Memory::new(denver());
    for (series, row) in memory.rows(Level::Minute, at(DAY.0)..at(DAY.1)).unwrap_or_default() {
        if series != SeriesIndex(HEATER) || row.start < at("2025-06-10T06:07") {
            partly.add(series, row);
        }
    }
    let day = day(&site(vec![]), &mut partly);
    let hours = 6.0 + 7.0 / 60.0;
    let check = |key, kwh: f64, coverage: f64| {
        assert_eq!(day.kwh(key), Some((kwh * 1e6).round() / 1e6), "{key:?}");
        assert!((day.coverage(key) - coverage).abs() < 1e-9, "{key:?}");
    };
    check(FEED, 96.0, 1.0);
    check(PUMP_CIRCUIT, 12.0, 1.0);
    check(HEATER_CIRCUIT, 1.2 * hours, hours / 24.0);
    // Known only while the heater is, and then as large as it is.
    check(REST, 2.3 * hours, hours / 24.0);
    assert!((day.totals_coverage() - hours / 24.0).abs() < 1e-9);
}

#[test]
fn a_partly_covered_minute_counts_mean_powers_over_the_shortest_coverage() {
    let mut memory = Memory::new(denver());
    let start = at("2025-06-10T12:00");
    memory.add(SeriesIndex(MAINS_A), minute(start, 20_000, 60));
    memory.add(SeriesIndex(MAINS_B), minute(start, 20_000, 45));
    memory.add(SeriesIndex(HEATER), minute(start, 6_000, 30));
    memory.add(SeriesIndex(PUMP), minute(start, -5_000, 60));
    let day = day(&site(vec![]), &mut memory);
    let check = |key, watts: i64, seconds| {
        let energy = i128::from(Energy::of(watts * 10, Span::from_seconds(seconds)).0) * i128::from(ONE);
        assert_eq!(day.get(key), Some(Amount { energy, covered: Span::from_seconds(seconds) }), "{key:?}");
    };
    check(FEED, 4000, 45);
    check(HEATER_CIRCUIT, 1200, 30);
    check(FigureKey::Tracked, 1700, 30);
    check(REST, 2300, 30);
    // The split has no row, so the totals are not known for a moment.
    assert_eq!((day.kwh(FigureKey::Import), day.totals), (None, Span::ZERO));
}

#[test]
fn bridged_energy_is_known_for_its_own_series_only() {
    let (from, to) = (at(DAY.0), at(DAY.1));
    let mut memory = Memory::new(denver());
    for series in [MAINS_A, MAINS_B, PUMP] {
        fill(&mut memory, series, from..to, 1_000);
    }
    fill(&mut memory, HEATER, from..at("2025-06-10T12:00"), 6_000);
    // Half a minute of 600 W, then a gap that the counter bridged with 50 Wh in the same minute …
    let bridged = Energy(50 * CENTIJOULES_PER_WH);
    let mut half = minute(at("2025-06-10T12:00"), 6_000, 30);
    half.energy_in += bridged;
    memory.add(SeriesIndex(HEATER), half);
    // … and 950 Wh in the minutes after it.
    let rest = Energy(950 * CENTIJOULES_PER_WH);
    let gap = Row { energy_in: rest, ..Row::empty(at("2025-06-10T12:01")) };
    memory.add(SeriesIndex(HEATER), gap);

    let day = day(&site(vec![]), &mut memory);
    let known_s = 12 * 3600 + 30;
    let heater = day.get(HEATER_CIRCUIT).expect("known");
    assert_eq!(heater.covered, Span::from_seconds(known_s));
    let power = Energy::of(6_000, Span::from_seconds(known_s)) + bridged + rest;
    assert_eq!(heater.energy, i128::from(power.0) * i128::from(2 * ONE));
    // The minute with bridged energy in it is not known to a sum of several series.
    let sum = day.get(FigureKey::Tracked).expect("known");
    assert_eq!(sum.covered, Span::from_seconds(12 * 3600));
    assert_eq!(sum.energy, i128::from(Energy::of(12_000 - 1_000, sum.covered).0) * i128::from(ONE));
}

#[test]
fn energy_without_coverage_is_still_energy() {
    let mut memory = Memory::new(denver());
    let wh = Energy(1000 * CENTIJOULES_PER_WH);
    memory.add(SeriesIndex(PUMP), Row { energy_out: wh, ..Row::empty(at("2025-06-10T12:00")) });
    let day = day(&site(vec![]), &mut memory);
    assert_eq!((day.kwh(PUMP_CIRCUIT), day.coverage(PUMP_CIRCUIT)), (Some(1.0), 0.0));
    assert_eq!((day.kwh(FigureKey::Tracked), day.coverage(FigureKey::Tracked)), (None, 0.0));
}

#[test]
fn nothing_known_is_nothing_said() {
    let mut memory = Memory::new(denver());
    let day = day(&site(vec![]), &mut memory);
    for (key, _) in &day.figures {
        let zero = *key == FigureKey::Generation;
        assert_eq!(day.kwh(*key), zero.then_some(0.0), "{key:?}");
    }
    assert_eq!(day.totals_coverage(), 0.0);
}

#[test]
fn a_moved_ct_keeps_both_histories() {
    // From 12:00:30 on the heater's CT measures the pump, without doubling, and the pump's CT hangs free.
    let mut moved = plan();
    moved.figures.retain(|figure| figure.key != HEATER_CIRCUIT);
    for figure in &mut moved.figures {
        match figure.key {
            PUMP_CIRCUIT | FigureKey::Tracked => figure.terms = vec![term(HEATER, 1)],
            FigureKey::Untracked | REST => {
                figure.terms = vec![term(MAINS_A, 1), term(MAINS_B, 1), term(HEATER, -1)];
            }
            _ => {}
        }
    }
    let site = site(vec![(at("2025-06-10T12:00:30"), moved)]);
    let mut memory = filled(at("2025-06-01")..at("2025-07-01"));
    let check = |memory: &mut Memory, by, from, to, before_h: f64, after_h: f64| {
        let found = over(&site, memory, by, from, to).remove(0);
        let kwh = |watts_before: f64, watts_after: f64| {
            Some(((watts_before * before_h + watts_after * after_h) * 1e3).round() / 1e6)
        };
        assert_eq!(found.kwh(HEATER_CIRCUIT), kwh(1200.0, 0.0), "{by}");
        assert_eq!(found.kwh(PUMP_CIRCUIT), kwh(500.0, 600.0), "{by}");
        assert_eq!(found.kwh(REST), kwh(2300.0, 3400.0), "{by}");
        assert_eq!(found.kwh(FEED), kwh(4000.0, 4000.0), "{by}");
        assert!((found.coverage(HEATER_CIRCUIT) - before_h / (before_h + after_h)).abs() < 1e-9);
        assert_eq!(found.totals_coverage(), 1.0, "{by}");
    };
    let minute = 1.0 / 60.0;
    // The minute of the change counts by the map that held when it began.
    check(&mut memory, By::Day, DAY.0, DAY.1, 12.0 + minute, 12.0 - minute);
    check(
        &mut memory,
        By::Month,
        "2025-06-01",
        "2025-07-01",
        9.0 * 24.0 + 12.0 + minute,
        20.0 * 24.0 + 12.0 - minute,
    );
    check(&mut memory, By::Minute, "2025-06-10T12:00", "2025-06-10T12:01", minute, 0.0);
}

#[test]
fn a_series_that_the_map_forgot_is_passed_over() {
    let mut memory = filled(at(DAY.0)..at(DAY.1));
    fill(&mut memory, 9, at(DAY.0)..at(DAY.1), 1_000_000);
    assert_eq!(day(&site(vec![]), &mut memory).kwh(FEED), Some(96.0));
}

/// Counts what is asked of a source.
struct Asked<'a> {
    memory: &'a mut Memory,
    reads: Vec<Level>,
    most_rows: usize,
}

impl Source for Asked<'_> {
    type Error = std::convert::Infallible;

    fn rows(&mut self, level: Level, range: Range<Stamp>) -> Result<Vec<(SeriesIndex, Row)>, Self::Error> {
        self.reads.push(level);
        let rows = self.memory.rows(level, range)?;
        self.most_rows = self.most_rows.max(rows.len());
        Ok(rows)
    }
}

#[test]
fn rows_are_read_as_coarse_as_they_can_be_and_in_bulk() {
    // The year lacks one minute of the heater on May 5th, 2024.
    let gap = at("2024-05-05T05:05");
    let mut memory = Memory::new(denver());
    let (from, to) = (at("2024-01-01"), at("2025-01-01"));
    for series in [MAINS_A, MAINS_B, PUMP, GRID_SPLIT] {
        fill(&mut memory, series, from..to, 1_000);
    }
    fill(&mut memory, HEATER, from..gap, 1_000);
    fill(&mut memory, HEATER, gap + Span::MINUTE..to, 1_000);
    let mut check = |by, from, to, expected: &[Level]| {
        let cut = intervals(&denver(), by, 1, at(from)..at(to)).expect("intervals");
        let mut asked = Asked { memory: &mut memory, reads: Vec::new(), most_rows: 0 };
        energy(&site(vec![]), &denver(), &mut asked, &cut).unwrap_or_else(|never| match never {});
        assert_eq!(asked.reads, expected, "{by} {from}");
        assert!(asked.most_rows <= 5 * 3000, "{}", asked.most_rows);
    };
    use Level::{Day, Hour, Minute, Month, Quarter};
    check(By::Month, "2024-07-01", "2025-01-01", &[Month]);
    // A month at a time; the last week ends in a seventh.
    check(By::Day, "2024-06-01", "2024-12-01", &[Day; 6]);
    check(By::Week, "2024-06-03", "2024-12-02", &[Day; 7]);
    check(By::Quarter, "2024-06-03", "2024-06-04", &[Quarter]);
    check(By::Hour, "2024-06-03", "2024-06-10", &[Hour]);
    check(By::Minute, "2024-06-03", "2024-06-05", &[Minute, Minute]);
    // The gap is looked up in finer rows, and nothing else is.
    check(By::Year, "2024-01-01", "2025-01-01", &[Month, Day, Hour, Quarter, Minute]);
}

/// Rows of some random minutes around the change to summer time: power, seconds covered.
fn days_of_minutes() -> impl Strategy<Value = Vec<(u32, i64, i32, i64)>> {
    let covered = prop_oneof![4 => Just(60i64), 1 => 0i64..60];
    proptest::collection::vec((0u32..5, 0..MINUTES, -30_000i32..30_000, covered), 0..400)
}

const PROPERTY: (&str, &str) = ("2025-03-08", "2025-03-11");
/// The second of the three days has 23 h.
const MINUTES: i64 = (24 + 23 + 24) * 60;

fn random(rows: &[(u32, i64, i32, i64)], background: bool) -> Memory {
    let from = at(PROPERTY.0);
    let mut memory = Memory::new(denver());
    let mut taken = std::collections::BTreeSet::new();
    for &(series, number, power, seconds) in rows {
        if taken.insert((series, number)) {
            let start = Stamp(from.0 + number * Span::MINUTE.0);
            memory.add(SeriesIndex(series), minute(start, power, seconds));
        }
    }
    if background {
        for series in 0..5 {
            for number in (0..MINUTES).filter(|number| !taken.contains(&(series, *number))) {
                memory.add(SeriesIndex(series), minute(Stamp(from.0 + number * Span::MINUTE.0), 700, 60));
            }
        }
    }
    memory
}

fn total(parts: &[Summary], key: FigureKey) -> Amount {
    let mut total = Amount::default();
    for part in parts {
        total +=
            part.figures.iter().find(|(other, _)| *other == key).map_or(Amount::default(), |found| found.1);
    }
    total
}

fn covers(rows: &Memory, by: By) -> Vec<Summary> {
    over(&site(vec![]), &mut rows.clone(), by, PROPERTY.0, PROPERTY.1)
}

proptest! {
    #![proptest_config(ProptestConfig::with_cases(16))]

    /// A coarse row is worth what its fine rows are, for every figure, to the integer.
    #[test]
    fn an_interval_is_the_sum_of_its_parts(rows in days_of_minutes(), background: bool) {
        let memory = random(&rows, background);
        let whole = covers(&memory, By::Month);
        for by in [By::Day, By::Hour, By::Quarter, By::Minute] {
            let parts = covers(&memory, by);
            for (key, _) in &whole[0].figures {
                if *key != FigureKey::Generation {
                    prop_assert_eq!(total(&parts, *key), total(&whole, *key), "{} {:?}", by, key);
                }
            }
            prop_assert_eq!(parts.iter().map(|part| part.totals.0).sum::<i64>(), whole[0].totals.0);
        }
    }

    /// feed = Σ circuits + untracked wherever all of it is known, to the integer.
    #[test]
    fn the_books_close(rows in days_of_minutes()) {
        let memory = random(&rows, true);
        for by in [By::Minute, By::Quarter, By::Day] {
            let known = covers(&memory, by).into_iter().filter(|part| part.coverage(REST) == 1.0);
            for part in known {
                let of = |key| part.get(key).map_or(0, |amount| amount.energy);
                prop_assert_eq!(of(FEED), of(HEATER_CIRCUIT) + of(PUMP_CIRCUIT) + of(REST));
            }
        }
    }

    /// The order in which rows came, and in which a map lists its terms, is nothing to a sum.
    #[test]
    fn order_is_nothing(rows in days_of_minutes()) {
        let mut seen = std::collections::BTreeSet::new();
        let rows: Vec<_> = rows.into_iter().filter(|row| seen.insert((row.0, row.1))).collect();
        let backwards: Vec<_> = rows.iter().rev().copied().collect();
        let mut turned = site(vec![]);
        for figure in &mut turned.epochs[0].plan.figures {
            figure.terms.reverse();
        }
        let mut memory = random(&backwards, false);
        let other = over(&turned, &mut memory, By::Day, PROPERTY.0, PROPERTY.1);
        prop_assert_eq!(covers(&random(&rows, false), By::Day), other);
    }

    /// Knowing less never gives more: neither energy of a load nor coverage.
    #[test]
    fn less_coverage_is_never_more_energy(
        rows in days_of_minutes(), lost in proptest::collection::vec(0i64..60, 400),
    ) {
        // Loads only, each with its sign: the heater's CT reads up, the pump's is reversed.
        let signed = rows.iter().map(|&(series, number, power, seconds)| {
            (series, number, if series == PUMP { -power.abs() } else { power.abs() }, seconds)
        });
        let full: Vec<_> = signed.collect();
        let less: Vec<_> =
            full.iter().zip(&lost).map(|(row, lost)| (row.0, row.1, row.2, (row.3 - lost).max(0))).collect();
        let (full, less) = (covers(&random(&full, false), By::Hour), covers(&random(&less, false), By::Hour));
        for (full, less) in full.iter().zip(&less) {
            for key in [FEED, HEATER_CIRCUIT, PUMP_CIRCUIT, FigureKey::Tracked, FigureKey::Import] {
                let of = |part: &Summary| part.get(key).unwrap_or_default();
                prop_assert!(of(less).energy <= of(full).energy, "{:?}", key);
                prop_assert!(of(less).covered <= of(full).covered, "{:?}", key);
            }
            prop_assert!(less.totals <= full.totals);
        }
    }

    /// Whatever the intervals, no figure is known for longer than they last.
    #[test]
    fn coverage_is_a_share(rows in days_of_minutes(), offset in 0..MINUTES, minutes in 1i64..3000) {
        let start = Stamp(at(PROPERTY.0).0 + offset * Span::MINUTE.0);
        let interval = Interval { start, end: Stamp(start.0 + minutes * Span::MINUTE.0) };
        let mut memory = random(&rows, true);
        let found = energy(&site(vec![]), &denver(), &mut memory, &[interval]).unwrap_or_else(|never| match never {});
        for (key, amount) in &found[0].figures {
            prop_assert!((0..=interval.span().0).contains(&amount.covered.0), "{:?}", key);
        }
    }
}
