//! Typical days: of the clock, and the same whether sums are kept or not.

use std::ops::Range;

use super::{Amount, Level, Memory, Profile, QUARTERS, Slot, Source, Stretch, WEEKDAYS, WeekSums, profile};
use crate::calendar::Zone;
use crate::flow::Row;
use crate::site::{FigureKey, SeriesIndex, Site, parse};
use crate::units::{Energy, Span, Stamp};

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
    [[circuit]]
    id = "pump"
    label = "Well pump"
    end_use = "well/sump"
    bus = "main"
    spaces = [3]
    breaker_a = 20
    channels = ["house/5"]
"#;

/// The profile of a pump that draws `power(local hour)` W in every minute but those left out.
fn pump(
    from: &str,
    to: &str,
    power: impl Fn(i8) -> i32,
    known: impl Fn(Stamp) -> bool,
) -> [[Slot; QUARTERS]; WEEKDAYS] {
    let site = parse("heron-lane.toml", MAP).site.expect("a map");
    let zone = Zone::new("America/Denver").expect("a zone");
    let range = zone.parse(from).expect("from")..zone.parse(to).expect("to");
    let mut memory = Memory::new(zone.clone());
    let mut start = range.start;
    while start < range.end {
        if known(start) {
            let tenths = power(zone.local(start).hour()) * 10;
            let energy_in = Energy::of(i64::from(tenths), Span::MINUTE);
            let row = Row { energy_in, covered: Span::MINUTE, min: tenths, max: tenths, ..Row::empty(start) };
            memory.add(SeriesIndex(0), row);
        }
        start = start + Span::MINUTE;
    }
    let found = profile(&site, &zone, &mut memory, range).unwrap_or_else(|never| match never {});
    let of = found.figures.iter().find(|(key, _)| *key == FigureKey::Circuit(0)).expect("the pump");
    of.1
}

#[test]
fn a_mean_is_that_of_the_days_in_which_it_is_known() {
    let zone = Zone::new("America/Denver").expect("a zone");
    let silent =
        zone.parse("2025-06-09T06:00").expect("a time")..zone.parse("2025-06-09T06:05").expect("a time");
    // Two weeks from a Monday; the pump is on from 6 to 7, and 5 minutes of the second Monday are lost.
    let on = |hour| if hour == 6 { 900 } else { 0 };
    let found = pump("2025-06-02", "2025-06-16", on, |at| !silent.contains(&at));
    let monday = found[0][24];
    assert_eq!((monday.mean_w(), monday.days), (Some(900.0), 2));
    assert!((monday.coverage() - 25.0 / 30.0).abs() < 1e-9, "{monday:?}");
    assert_eq!((found[0][23].mean_w(), found[0][28].mean_w()), (Some(0.0), Some(0.0)));
    assert_eq!((found[6][27].days, found[6][27].coverage()), (2, 1.0));
    let all = Profile::all_days(&found);
    assert_eq!((all[24].mean_w(), all[24].days), (Some(900.0), 14));
}

#[test]
fn quarters_that_do_not_come_and_that_come_twice() {
    // By the hour of the clock: 100 W × the hour.
    let found = pump("2025-03-09", "2025-03-10", |hour| 100 * i32::from(hour), |_| true);
    let sunday = &found[6];
    assert_eq!((sunday[8].mean_w(), sunday[8].days, sunday[8].length), (None, 0, Span::ZERO));
    assert_eq!((sunday[7].mean_w(), sunday[12].mean_w()), (Some(100.0), Some(300.0)));
    let found = pump("2025-11-02", "2025-11-03", |hour| 100 * i32::from(hour), |_| true);
    let twice = found[6][5];
    assert_eq!((twice.mean_w(), twice.days, twice.length), (Some(100.0), 1, Span(2 * Span::QUARTER.0)));
    assert_eq!(found[6][9].length, Span::QUARTER);
}

/// Mains, a pump, and an array that came on the first of May 2025 at 10:20.
const HOUSE: &str = r#"
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
    channels = [{ channel = "house/m1", leg = "A" }]
    measures = "panel"
    [[circuit]]
    id = "pump"
    label = "Well pump"
    end_use = "well/sump"
    bus = "main"
    spaces = [1, 3]
    channels = ["house/5"]
    doubled = true
    [[circuit]]
    id = "array"
    label = "Array"
    end_use = "PV"
    bus = "main"
    spaces = [5]
    channels = ["house/6"]
    from = 2025-05-01T10:20:00
"#;

fn home() -> Site {
    let parsed = parse("heron-lane.toml", HOUSE);
    parsed.site.unwrap_or_else(|| panic!("{:#?}", parsed.findings))
}

/// Rows that are held in memory, and sums of some stretches of them.
struct Keeping {
    memory: Memory,
    zone: Zone,
    /// Of which stretches, by their start in days since 1970.
    keeps: fn(Stretch, i64) -> bool,
    asked: usize,
}

impl Keeping {
    fn sums(&mut self, stretch: Stretch, range: &Range<Stamp>) -> Option<WeekSums> {
        let Some(finer) = stretch.finer() else {
            let Ok(rows) = self.memory.rows(Level::Quarter, range.clone());
            return WeekSums::fits(&self.zone, range).then(|| WeekSums::of_day(&self.zone, range, &rows));
        };
        let (mut parts, mut start) = (Vec::new(), range.start);
        while start < range.end {
            let part = finer.range(&self.zone, start);
            parts.push(self.sums(finer, &part)?);
            start = part.end;
        }
        Some(WeekSums::together(parts))
    }
}

impl Source for Keeping {
    type Error = std::convert::Infallible;

    fn rows(&mut self, level: Level, range: Range<Stamp>) -> Result<Vec<(SeriesIndex, Row)>, Self::Error> {
        self.memory.rows(level, range)
    }

    fn week_sums(&mut self, stretch: Stretch, range: &Range<Stamp>) -> Result<Option<WeekSums>, Self::Error> {
        let day = range.start.seconds().div_euclid(86_400);
        let kept = (self.keeps)(stretch, day).then(|| self.sums(stretch, range)).flatten();
        self.asked += usize::from(kept.is_some());
        Ok(kept)
    }

    fn begins(&mut self) -> Result<Option<Stamp>, Self::Error> {
        let rows = self.memory.rows(Level::Quarter, Stamp::MIN..Stamp::MAX)?;
        Ok(rows.iter().map(|(_, row)| row.start).min())
    }
}

/// Every slot of every figure, without what only counting needs.
fn told(profile: &Profile) -> Vec<(FigureKey, usize, Amount, Span, u32)> {
    let slots = profile.figures.iter().flat_map(|(key, days)| {
        let slots = days.iter().flatten().enumerate();
        slots.map(move |(at, slot)| (*key, at, slot.amount, slot.length, slot.days))
    });
    slots.collect()
}

/// The rows of an invented house on some days, in minutes; `known` says of a series and minute of the day
/// how much of it, in 0.1 s.
fn house(zone: &Zone, days: &[&str], known: impl Fn(u32, i64) -> i64) -> Memory {
    let mut memory = Memory::new(zone.clone());
    for date in days {
        let day = Stretch::Day.range(zone, zone.parse(date).expect("a date"));
        let mut start = day.start;
        while start < day.end {
            let minute = (start - day.start).0 / Span::MINUTE.0;
            for series in 0..4 {
                let covered = Span(known(series, minute));
                let watts = ((minute * 7919 + i64::from(series) * 104_729) % 9000) as i32;
                let (energy_in, energy_out) = match (series, minute % 7) {
                    (0 | 3, 0..3) => (Energy::ZERO, Energy::of(i64::from(watts), covered)),
                    _ => (Energy::of(i64::from(watts), covered), Energy::ZERO),
                };
                let row =
                    Row { energy_in, energy_out, covered, min: -watts, max: watts, ..Row::empty(start) };
                if covered > Span::ZERO {
                    memory.add(SeriesIndex(series), row);
                }
            }
            start = start + Span::MINUTE;
        }
    }
    memory
}

/// A profile is the same whether sums are kept of everything, of nothing, or of some of it.
fn same(memory: &Memory, from: &str, to: &str) {
    let site = home();
    let zone = Zone::new("America/Denver").expect("a zone");
    let range = zone.parse(from).expect("from")..zone.parse(to).expect("to");
    let of = |keeps: fn(Stretch, i64) -> bool| {
        let mut source = Keeping { memory: memory.clone(), zone: zone.clone(), keeps, asked: 0 };
        let Ok(found) = profile(&site, &zone, &mut source, range.clone());
        (told(&found), source.asked)
    };
    let (plain, asked) = of(|_, _| false);
    assert_eq!(asked, 0);
    assert!(plain.iter().any(|(_, _, amount, ..)| amount.is_known()));
    let some: [fn(Stretch, i64) -> bool; 6] = [
        |_, _| true,
        |stretch, _| stretch == Stretch::Day,
        |stretch, _| stretch != Stretch::Year,
        |stretch, _| !matches!(stretch, Stretch::ThreeMonths | Stretch::Year),
        |_, day| day % 3 != 0,
        |stretch, day| stretch != Stretch::Day || day % 2 == 0,
    ];
    for (number, keeps) in some.into_iter().enumerate() {
        let (told, asked) = of(keeps);
        assert!(asked > 0, "{number}");
        let differing = told.iter().zip(&plain).find(|(one, other)| one != other);
        assert_eq!(differing, None, "{number}");
        assert_eq!(told.len(), plain.len(), "{number}");
    }
}

#[test]
fn kept_sums_say_the_same_as_quarter_hours() {
    let zone = Zone::new("America/Denver").expect("a zone");
    // Two whole days, those on which the clock is set, and one on which the map changes.
    let days = ["2025-01-31", "2025-02-01", "2025-03-09", "2025-05-01", "2025-05-02", "2025-11-02"];
    let all = house(&zone, &days, |_, _| 600);
    same(&all, "2024-12-20", "2026-01-12");
    same(&all, "2025-05-01", "2025-06-01");
    // Gaps of one series, in a minute, and over a quarter-hour; and a series that has nothing at all.
    let gaps = house(&zone, &days, |series, minute| match (series, minute) {
        (1, 62) => 250,
        (0, 400..430) | (2, _) => 0,
        _ => 600,
    });
    same(&gaps, "2025-01-01", "2025-12-31");
    // From the middle of a day to the middle of another.
    same(&gaps, "2025-01-31T07:10", "2025-03-09T16:40");
}

#[test]
fn where_everything_is_known_the_longest_stretches_are_enough() {
    let site = home();
    let zone = Zone::new("America/Denver").expect("a zone");
    let days: Vec<String> = (1..=28).map(|day| format!("2025-02-{day:02}")).collect();
    let days: Vec<&str> = days.iter().map(String::as_str).collect();
    let memory = house(&zone, &days, |_, _| 600);
    let range = zone.parse("2025-02-01").expect("from")..zone.parse("2025-03-01").expect("to");
    let mut source = Keeping { memory, zone: zone.clone(), keeps: |_, _| true, asked: 0 };
    let Ok(found) = profile(&site, &zone, &mut source, range);
    assert_eq!(source.asked, 1, "a month, once");
    let pump = found.figures.iter().find(|(key, _)| *key == FigureKey::Circuit(0)).expect("the pump");
    assert_eq!((pump.1[5][37].days, pump.1[5][37].coverage()), (4, 1.0));
}
