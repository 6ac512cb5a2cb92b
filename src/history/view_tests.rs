//! Comparisons and rankings over rows held in memory.

use super::*;
use crate::calendar::{Against, By, Interval, Shift, Zone, intervals};
use crate::flow::Row;
use crate::site::{FigureKey, SeriesIndex, Site, parse};
use crate::units::{Energy, Span, Stamp};

/// Invented: mains on one leg each, a dryer, a lamp that came later, and a range without a CT.
const MAP: &str = r#"
site = "heron-lane"
time_zone = "America/Denver"
[service]
system = "split-phase 120/240"
[[device]]
id = "house"
topic = "heron-lane/{channel}"
unit = "W"
every_s = 1
[[feed]]
bus = "main"
channels = [{ channel = "house/m1", leg = "A" }, { channel = "house/m2", leg = "B" }]
measures = "panel"
[[circuit]]
id = "dryer"
label = "Dryer"
end_use = "laundry"
bus = "main"
spaces = [3]
channels = ["house/1"]
[[circuit]]
id = "lamp"
label = "Porch light"
end_use = "lighting"
bus = "main"
spaces = [5]
channels = ["house/2"]
from = 2025-06-08
[[circuit]]
id = "range"
label = "Range"
end_use = "cooking"
bus = "main"
spaces = [7]
channels = []
"#;

fn site() -> Site {
    let parsed = parse("heron-lane.toml", MAP);
    parsed.site.unwrap_or_else(|| panic!("{:#?}", parsed.findings))
}

fn zone() -> Zone {
    Zone::new("America/Denver").expect("a zone")
}

fn at(text: &str) -> Stamp {
    zone().parse(text).expect("a time")
}

/// A channel that draws `watts(minute)` W from one moment to another.
fn fill(memory: &mut Memory, site: &Site, channel: &str, range: (&str, &str), watts: impl Fn(i64) -> i32) {
    let series = SeriesIndex(site.channel(channel).expect("a channel").0);
    let (mut start, end) = (at(range.0), at(range.1));
    while start < end {
        let power = watts(start.0 / Span::MINUTE.0) * 10;
        let energy_in = Energy::of(i64::from(power), Span::MINUTE);
        memory.add(
            series,
            Row { energy_in, covered: Span::MINUTE, min: power, max: power, ..Row::empty(start) },
        );
        start = start + Span::MINUTE;
    }
}

/// Two weeks from 1 June: 2 kW from the grid; the dryer runs for the first half of each hour at 1.2 kW,
/// the lamp takes 100 W from the 8th on, and the dryer's CT is dead on the 3rd and 4th.
fn house(site: &Site) -> Memory {
    let mut memory = Memory::new(zone());
    let whole = ("2025-06-01", "2025-06-15");
    fill(&mut memory, site, "house/m1", whole, |_| 1500);
    fill(&mut memory, site, "house/m2", whole, |_| 500);
    let dryer = |minute: i64| if minute.rem_euclid(60) < 30 { 1200 } else { 0 };
    fill(&mut memory, site, "house/1", ("2025-06-01", "2025-06-03"), dryer);
    fill(&mut memory, site, "house/1", ("2025-06-05", "2025-06-15"), dryer);
    fill(&mut memory, site, "house/2", ("2025-06-08", "2025-06-15"), |_| 100);
    memory
}

fn days(from: &str, to: &str) -> Vec<Interval> {
    intervals(&zone(), By::Day, 1, at(from)..at(to)).expect("days")
}

#[test]
fn a_ct_that_came_late_and_one_that_was_dead_have_the_share_of_their_days() {
    let site = site();
    let found = rank(&site, &zone(), &mut house(&site), &days("2025-06-01", "2025-06-15"))
        .unwrap_or_else(|never| match never {});
    let shown: Vec<_> = found
        .places
        .iter()
        .map(|place| (place.of, place.share.map(|s| (s * 1e4).round() / 1e4), place.days))
        .collect();
    // Untracked: without the dryer's dead days, 5 days of 1.4 kW and 7 of 1.3 kW, of 2 kW.
    let untracked = (5.0f64 * 1.4 + 7.0 * 1.3) / 12.0 / 2.0;
    let expected = [
        (Rank::Untracked, Some((untracked * 1e4).round() / 1e4), 12),
        (Rank::Circuit(0), Some(0.3), 12),
        (Rank::Circuit(1), Some(0.05), 7),
    ];
    assert_eq!(shown, expected);
    assert_eq!(found.energy.kwh(), Some(14.0 * 48.0));
    let dryer = &found.places[1];
    assert!((dryer.coverage - 12.0 / 14.0).abs() < 1e-9);
    assert!((dryer.runs.run_share - 0.5).abs() < 1e-9, "{:?}", dryer.runs);
    // Every hour but the first of each of the two stretches, whose start was not seen.
    assert_eq!((dryer.runs.cycles, dryer.runs.minutes), (12 * 24 - 2, 12 * 1440));
    assert_eq!(dryer.runs.peak_quarter.map(|peak| peak.0), Some(1200.0));
    assert_eq!((found.places[2].runs.run_share, found.places[2].runs.cycles), (1.0, 0));
    assert_eq!(found.unmeasured, [2]);
    let uses: Vec<_> = found.end_uses.iter().map(|one| (one.end_use.as_str(), one.share)).collect();
    assert_eq!(uses[0].0, "laundry");
    assert!(uses[1].1.is_some_and(|share| (share - 0.05).abs() < 1e-9), "{uses:?}");
}

#[test]
fn minutes_are_read_a_day_at_a_time_and_days_a_year() {
    struct Most<'a>(&'a mut Memory, usize);
    impl Source for Most<'_> {
        type Error = std::convert::Infallible;
        fn rows(
            &mut self,
            level: Level,
            range: std::ops::Range<Stamp>,
        ) -> Result<Vec<(SeriesIndex, Row)>, Self::Error> {
            let rows = self.0.rows(level, range)?;
            self.1 = self.1.max(rows.len());
            Ok(rows)
        }
    }
    let site = site();
    let mut memory = house(&site);
    let mut source = Most(&mut memory, 0);
    rank(&site, &zone(), &mut source, &days("2023-06-16", "2025-06-15"))
        .unwrap_or_else(|never| match never {});
    assert!(source.1 <= 4 * 1440, "{}", source.1);
}

#[test]
fn an_interval_that_is_not_over_is_compared_as_far_as_it_has_come() {
    let site = site();
    let mut memory = house(&site);
    let mut ask = |by: By, against, from: &str, to: &str, now: &str| {
        let cut = intervals(&zone(), by, 1, at(from)..at(to)).expect("intervals");
        let shift = Shift::of(against, by, &zone(), &cut).expect("a shift");
        let summaries = energy(&site, &zone(), &mut memory, &cut).unwrap_or_else(|never| match never {});
        compare(&site, &zone(), &mut memory, (by, shift), &summaries, at(now))
            .unwrap_or_else(|never| match never {})
    };
    let change = |pair: &Pair| pair.change(FigureKey::Grid).expect("a change");
    // At 6:10 of the 10th: six hours beside six hours.
    let (pairs, whole) = ask(By::Day, Against::Previous, "2025-06-10", "2025-06-11", "2025-06-10T06:10");
    let found = change(&pairs[0]);
    assert_eq!((found.this.0.kwh(), found.that.0.kwh()), (Some(12.0), Some(12.0)));
    assert_eq!((found.this.1, found.difference_kwh, found.difference_w), (1.0, Some(0.0), Some(0.0)));
    assert_eq!(change(&whole.expect("it has a counterpart")), found);
    // A week, on its Wednesday at noon; the lamp is not known before the 8th.
    let (pairs, _) = ask(By::Week, Against::Previous, "2025-06-09", "2025-06-16", "2025-06-11T12:07");
    let found = change(&pairs[0]);
    assert_eq!(found.this.0.kwh(), Some(2.5 * 48.0));
    assert_eq!(found.that.0.kwh(), Some(2.5 * 48.0));
    let lamp = pairs[0].change(FigureKey::Circuit(1)).expect("it is defined in one of them");
    assert_eq!((lamp.this.1, lamp.that.1, lamp.difference_kwh), (1.0, 0.0, None));
    // Nothing of tomorrow has passed.
    let (pairs, whole) = ask(By::Day, Against::Previous, "2025-06-12", "2025-06-13", "2025-06-11T12:00");
    assert!(pairs[0].that.is_none() && whole.is_none());
}

#[test]
fn a_gap_on_either_side_leaves_no_difference() {
    let site = site();
    let mut memory = house(&site);
    let cut = days("2025-06-05", "2025-06-07");
    let shift = Shift::of(Against::Previous, By::Day, &zone(), &cut).expect("a shift");
    assert_eq!(shift, Shift::Days(2));
    let summaries = energy(&site, &zone(), &mut memory, &cut).unwrap_or_else(|never| match never {});
    let (pairs, whole) = compare(&site, &zone(), &mut memory, (By::Day, shift), &summaries, at("2025-07-01"))
        .unwrap_or_else(|never| match never {});
    for pair in pairs.iter().chain(&whole) {
        let dryer = pair.change(FigureKey::Circuit(0)).expect("it is in the map");
        assert_eq!((dryer.this.1, dryer.that.1, dryer.difference_kwh), (1.0, 0.0, None));
        let grid = pair.change(FigureKey::Grid).expect("it is in the map");
        assert_eq!((grid.difference_kwh, grid.difference_share), (Some(0.0), Some(0.0)));
    }
}
