//! The typical day: mean power by the quarter-hour of the local clock and by weekday.
//!
//! A quarter-hour counts where the local clock shows it: on the day on which the clock goes back
//! those that come twice count twice, on the day on which it goes forward those that do not come
//! do not count. A mean is that of the time in which the figure is known, with the share that this
//! is and the number of days that are in it.

use std::ops::Range;

use super::{Amount, Source, Summary, energy_of};
use crate::calendar::{Interval, LocalDay, Zone};
use crate::site::{FigureKey, Site};
use crate::units::{Span, Stamp};

/// Quarter-hours of a local day of 24 h.
pub const QUARTERS: usize = 96;
/// Days of a week, from Monday.
pub const WEEKDAYS: usize = 7;

/// What is known of one quarter-hour of one weekday.
#[derive(Clone, Copy, Debug, Default, PartialEq, Eq)]
pub struct Slot {
    /// The energy of all days together, and for how long it is known.
    pub amount: Amount,
    /// How long the quarter-hours together lasted.
    pub length: Span,
    /// On how many days something is known.
    pub days: u32,
    last: Option<LocalDay>,
}

impl Slot {
    fn add(&mut self, day: LocalDay, amount: Amount, length: Span) {
        self.amount += amount;
        self.length = Span(self.length.0 + length.0);
        if amount.covered > Span::ZERO && self.last != Some(day) {
            self.last = Some(day);
            self.days += 1;
        }
    }

    /// Slots of different days as one.
    pub fn with(mut self, other: Self) -> Self {
        self.amount += other.amount;
        self.length = Span(self.length.0 + other.length.0);
        self.days += other.days;
        self
    }

    /// Mean power in W; `None` where nothing is known.
    pub fn mean_w(&self) -> Option<f64> {
        self.amount.mean_w()
    }

    /// The share of its time that is known, 0 to 1.
    pub fn coverage(&self) -> f64 {
        self.amount.coverage(self.length)
    }
}

/// The typical day of every figure.
#[derive(Clone, Debug)]
pub struct Profile {
    /// What it is made of: whole quarter-hours.
    pub range: Range<Stamp>,
    /// Each figure that the map defines in the range, by key: by weekday from Monday, then by
    /// quarter-hour.
    pub figures: Figures,
}

/// Slots by weekday and quarter-hour, of each figure.
type Figures = Vec<(FigureKey, Box<[[Slot; QUARTERS]; WEEKDAYS]>)>;

impl Profile {
    /// The slots of a figure by quarter-hour, all days together.
    pub fn all_days(days: &[[Slot; QUARTERS]; WEEKDAYS]) -> [Slot; QUARTERS] {
        let mut all = [Slot::default(); QUARTERS];
        for day in days {
            for (sum, slot) in all.iter_mut().zip(day) {
                *sum = sum.with(*slot);
            }
        }
        all
    }
}

/// The typical day over `range`, which snaps outwards to quarter-hours. It is read a month at a time,
/// so that what is held does not grow with the range.
///
/// # Errors
/// What the source fails with.
pub fn profile<S: Source>(
    site: &Site,
    zone: &Zone,
    source: &mut S,
    range: Range<Stamp>,
) -> Result<Profile, S::Error> {
    profile_of(site, zone, source, range, None)
}

/// The same of some figures alone.
///
/// # Errors
/// What the source fails with.
pub fn profile_of<S: Source>(
    site: &Site,
    zone: &Zone,
    source: &mut S,
    range: Range<Stamp>,
    only: Option<&[FigureKey]>,
) -> Result<Profile, S::Error> {
    let range = range.start.floor(Span::QUARTER)..(range.end - Span(1)).floor(Span::QUARTER) + Span::QUARTER;
    let mut figures: Figures = Vec::new();
    let mut start = range.start;
    while start < range.end {
        let month = zone.month_range(zone.month_of(start)).end.min(range.end);
        let quarters = quarters(start..month);
        start = quarters.last().map_or(range.end, |last| last.end);
        for summary in &energy_of(site, zone, source, &quarters, only)? {
            add(&mut figures, zone, summary);
        }
    }
    Ok(Profile { range, figures })
}

/// The quarter-hours that begin in `range`, which is not empty.
fn quarters(range: Range<Stamp>) -> Vec<Interval> {
    let mut found = Vec::new();
    let mut start = range.start;
    while start < range.end {
        let end = start + Span::QUARTER;
        found.push(Interval { start, end });
        start = end;
    }
    found
}

fn add(figures: &mut Figures, zone: &Zone, summary: &Summary) {
    let local = zone.local(summary.interval.start);
    let quarter = (i64::from(local.hour()) * 60 + i64::from(local.minute())) as usize / 15;
    // By the date that the clock shows: it is the clock's day that is typical.
    let day = LocalDay::from_date(local.date());
    for (key, amount) in &summary.figures {
        let at = match figures.binary_search_by_key(key, |(key, _)| *key) {
            Ok(at) => at,
            Err(at) => {
                figures.insert(at, (*key, Box::new([[Slot::default(); QUARTERS]; WEEKDAYS])));
                at
            }
        };
        figures[at].1[day.weekday()][quarter].add(day, *amount, summary.interval.span());
    }
}

#[cfg(test)]
mod tests {
    use super::*;
    use crate::flow::Row;
    use crate::history::Memory;
    use crate::site::{SeriesIndex, parse};
    use crate::units::Energy;

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
                let row =
                    Row { energy_in, covered: Span::MINUTE, min: tenths, max: tenths, ..Row::empty(start) };
                memory.add(SeriesIndex(0), row);
            }
            start = start + Span::MINUTE;
        }
        let found = profile(&site, &zone, &mut memory, range).unwrap_or_else(|never| match never {});
        let of = found.figures.iter().find(|(key, _)| *key == FigureKey::Circuit(0)).expect("the pump");
        *of.1
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
}
