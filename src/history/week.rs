//! Sums of quarter-hours by weekday and clock, over whole local days, months, three months and years.
//!
//! A typical day of a year is made of 35,000 quarter-hours of every series. Sums of series are linear, so the
//! quarter-hours of one slot of the week (Mondays at 06:15) may be added up once, and a store may keep that:
//! where all of a slot is known of every term, it says as much as its quarter-hours one by one.

use std::ops::Range;
use std::sync::Arc;

use super::profile::{QUARTERS, WEEKDAYS};
use crate::calendar::{LocalDay, LocalMonth, Zone};
use crate::flow::Row;
use crate::site::SeriesIndex;
use crate::units::{Energy, Span, Stamp};

/// Slots of a week: quarter-hours from Monday 00:00 of the clock.
pub const SLOTS: usize = WEEKDAYS * QUARTERS;

/// How far behind midnight the clock may show the day before again: no zone was ever set back by more.
const NEAR_MIDNIGHT: i64 = 3 * Span::HOUR.0 / Span::QUARTER.0;

/// Of what sums are kept.
#[derive(Clone, Copy, Debug, PartialEq, Eq, PartialOrd, Ord, Hash)]
pub enum Stretch {
    /// A local day.
    Day,
    /// A local month.
    Month,
    /// Three local months, from the first of January, April, July or October.
    ThreeMonths,
    /// A year from the first of January.
    Year,
}

impl Stretch {
    /// From the longest to the shortest.
    pub const ALL: [Self; 4] = [Self::Year, Self::ThreeMonths, Self::Month, Self::Day];

    /// The one of which `at` is a moment.
    pub fn range(self, zone: &Zone, at: Stamp) -> Range<Stamp> {
        match self {
            Self::Day => zone.day_range(zone.day_of(at)),
            Self::Month => months(zone, at, 1),
            Self::ThreeMonths => months(zone, at, 3),
            Self::Year => months(zone, at, 12),
        }
    }

    /// What it is made of; a day of nothing but quarter-hours.
    pub fn finer(self) -> Option<Self> {
        match self {
            Self::Year => Some(Self::ThreeMonths),
            Self::ThreeMonths => Some(Self::Month),
            Self::Month => Some(Self::Day),
            Self::Day => None,
        }
    }
}

/// As many local months as divide a year, counted from January: those of which `at` is a moment.
fn months(zone: &Zone, at: Stamp, count: i32) -> Range<Stamp> {
    let month = zone.month_of(at).0;
    let first = month - month.rem_euclid(count);
    zone.month_range(LocalMonth(first)).start..zone.month_range(LocalMonth(first + count)).start
}

/// The slot of the week that the clock shows, and its date.
pub(super) fn slot_of(zone: &Zone, quarter: Stamp) -> (usize, LocalDay) {
    let local = zone.local(quarter);
    let of_day = (i64::from(local.hour()) * 60 + i64::from(local.minute())) as usize / 15;
    // By the date that the clock shows: it is the clock's day that is typical.
    let day = LocalDay::from_date(local.date());
    (day.weekday() * QUARTERS + of_day, day)
}

/// The sums of a stretch.
#[derive(Clone, Debug, Default, PartialEq, Eq)]
pub struct WeekSums {
    /// The slots of the week that the clock showed, rising.
    pub slots: Vec<u16>,
    /// For each of them how long it was shown, in 0.1 s.
    pub lengths: Vec<i64>,
    /// And on how many days.
    pub days: Vec<i64>,
    /// Of each series of which something is known, rising.
    pub series: Vec<SeriesSums>,
}

/// What is known of a series in each of the slots, in their order.
#[derive(Clone, Debug, PartialEq, Eq)]
pub struct SeriesSums {
    /// The series.
    pub series: SeriesIndex,
    /// What flowed in, in hundredths of a joule.
    pub energy_in: Column,
    /// What flowed out.
    pub energy_out: Column,
    /// How much of [`WeekSums::lengths`] is not known.
    pub uncovered: Column,
    /// On how many of [`WeekSums::days`] nothing is.
    pub unknown: Column,
}

impl SeriesSums {
    /// Of a series of which nothing is known on so many days, and for so long.
    fn nothing(series: SeriesIndex, lengths: &[i64], days: &[i64]) -> Self {
        let of = |values: &[i64]| Column::of(values.to_vec());
        Self { uncovered: of(lengths), unknown: of(days), ..Self::zeros(series) }
    }

    /// What it says of one of the slots, which lasts that long, as a row; `None` where that is nothing.
    pub fn row(&self, slot: usize, length: i64) -> Option<Row> {
        let row = Row {
            energy_in: Energy(self.energy_in.at(slot)),
            energy_out: Energy(self.energy_out.at(slot)),
            covered: Span(length.wrapping_sub(self.uncovered.at(slot))),
            ..Row::empty(Stamp(0))
        };
        (!row.is_empty()).then_some(row)
    }

    /// Of a series with nothing but zeros: all is known, and nothing flowed.
    pub fn zeros(series: SeriesIndex) -> Self {
        let zeros = Column::default;
        Self { series, energy_in: zeros(), energy_out: zeros(), uncovered: zeros(), unknown: zeros() }
    }

    /// Its columns, in the order of the fields.
    pub fn columns(&self) -> [&Column; 4] {
        [&self.energy_in, &self.energy_out, &self.uncovered, &self.unknown]
    }

    /// The same, to change.
    pub fn columns_mut(&mut self) -> [&mut Column; 4] {
        [&mut self.energy_in, &mut self.energy_out, &mut self.uncovered, &mut self.unknown]
    }
}

/// A number for each slot. Most columns are of nothing but zeros, and take no room.
#[derive(Clone, Debug, Default)]
pub struct Column {
    /// May be shared with other columns, which have other parts of it.
    values: Arc<Vec<i64>>,
    part: Range<usize>,
}

impl Column {
    /// Those numbers.
    pub fn of(values: Vec<i64>) -> Self {
        if values.iter().all(|value| *value == 0) {
            return Self::default();
        }
        Self { part: 0..values.len(), values: Arc::new(values) }
    }

    /// Those of them that stand at `part`, without copying them.
    pub fn part(values: &Arc<Vec<i64>>, part: Range<usize>) -> Self {
        match values.get(part.clone()) {
            Some(own) if own.iter().any(|value| *value != 0) => Self { values: Arc::clone(values), part },
            _ => Self::default(),
        }
    }

    /// The numbers, or none where all of them are 0.
    pub fn values(&self) -> &[i64] {
        &self.values[self.part.clone()]
    }

    /// The number of a slot.
    pub fn at(&self, slot: usize) -> i64 {
        self.values().get(slot).copied().unwrap_or(0)
    }

    /// Adds those of another column to the slots of all [`SLOTS`] that these are.
    fn add(&mut self, places: &[u16], from: &[i64]) {
        if from.is_empty() {
            return;
        }
        if self.values().is_empty() {
            *self = Self { values: Arc::new(vec![0; SLOTS]), part: 0..SLOTS };
        }
        add(&mut Arc::make_mut(&mut self.values)[self.part.clone()], places, from);
    }

    /// Those of some slots, of all [`SLOTS`].
    fn some(&self, slots: &[usize]) -> Self {
        match self.values() {
            [] => Self::default(),
            values => Self::of(slots.iter().map(|slot| values[*slot]).collect()),
        }
    }
}

impl PartialEq for Column {
    fn eq(&self, other: &Self) -> bool {
        self.values() == other.values()
    }
}

impl Eq for Column {}

fn add(to: &mut [i64], places: &[u16], from: &[i64]) {
    if places.len() == to.len() {
        // All slots, in order.
        to.iter_mut().zip(from).for_each(|(to, from)| *to += from);
        return;
    }
    for (place, value) in places.iter().zip(from) {
        to[usize::from(*place)] += value;
    }
}

impl WeekSums {
    /// Nothing yet, with room for every slot.
    pub(super) fn room() -> Self {
        Self {
            slots: (0..SLOTS as u16).collect(),
            lengths: vec![0; SLOTS],
            days: vec![0; SLOTS],
            series: Vec::new(),
        }
    }

    /// Whether sums of a local day can be kept: it is cut at quarter-hours, and the clock shows its date in all
    /// of it and at no other time. Clocks that are set back over midnight show a date on two days.
    pub fn fits(zone: &Zone, day: &Range<Stamp>) -> bool {
        let whole = |at: Stamp| at.floor(Span::QUARTER) == at;
        let shows = |at: Stamp| slot_of(zone, at).1;
        let (date, after) = (shows(day.end - Span::QUARTER), |at: Stamp, quarters: i64| {
            shows(at + Span(quarters * Span::QUARTER.0))
        });
        whole(day.start)
            && whole(day.end)
            && day.end - day.start > Span(NEAR_MIDNIGHT * Span::QUARTER.0)
            && (0..NEAR_MIDNIGHT).all(|quarters| after(day.start, quarters) == date)
            && (0..NEAR_MIDNIGHT).all(|quarters| after(day.end, quarters) != date)
    }

    /// Those of a local day that [`WeekSums::fits`], from its quarter-hours: by series, each by time.
    pub fn of_day(zone: &Zone, day: &Range<Stamp>, rows: &[(SeriesIndex, Row)]) -> Self {
        let quarters = ((day.end - day.start).0 / Span::QUARTER.0) as usize;
        let mut sums = Self::default();
        // Where the quarter-hours of the day stand among its slots: by the clock, which may show some twice.
        let shown: Vec<u16> = (0..quarters as i64)
            .map(|quarter| slot_of(zone, day.start + Span(quarter * Span::QUARTER.0)).0 as u16)
            .collect();
        sums.slots.clone_from(&shown);
        sums.slots.sort_unstable();
        sums.slots.dedup();
        let places: Vec<usize> =
            shown.iter().filter_map(|slot| sums.slots.binary_search(slot).ok()).collect();
        sums.lengths = vec![0; sums.slots.len()];
        sums.days = vec![1; sums.slots.len()];
        places.iter().for_each(|place| sums.lengths[*place] += Span::QUARTER.0);
        for of_one in rows.chunk_by(|one, other| one.0 == other.0) {
            let none = || vec![0; sums.slots.len()];
            let (mut energy_in, mut energy_out, mut known) = (none(), none(), none());
            let mut uncovered = sums.lengths.clone();
            for (_, row) in of_one.iter().filter(|(_, row)| day.contains(&row.start)) {
                let place = places[((row.start - day.start).0 / Span::QUARTER.0) as usize];
                energy_in[place] += row.energy_in.0;
                energy_out[place] += row.energy_out.0;
                uncovered[place] -= row.covered.0;
                known[place] = known[place].max(i64::from(row.covered > Span::ZERO));
            }
            let unknown = sums.days.iter().zip(&known).map(|(days, known)| days - known);
            sums.series.push(SeriesSums {
                series: of_one[0].0,
                energy_in: Column::of(energy_in),
                energy_out: Column::of(energy_out),
                uncovered: Column::of(uncovered),
                unknown: Column::of(unknown.collect()),
            });
        }
        let lengths = &sums.lengths;
        sums.series
            .retain(|known| (0..).zip(lengths).any(|(slot, length)| known.row(slot, *length).is_some()));
        sums
    }

    /// Those of several stretches as one.
    pub fn together(parts: impl IntoIterator<Item = Self>) -> Self {
        let mut all = Self::room();
        parts.into_iter().for_each(|part| all.add(&part));
        let shown: Vec<usize> = (0..SLOTS).filter(|slot| all.lengths[*slot] > 0).collect();
        let of = |values: &[i64]| shown.iter().map(|slot| values[*slot]).collect();
        let (lengths, days) = (of(&all.lengths), of(&all.days));
        let mut series = all.series;
        for known in &mut series {
            known.columns_mut().into_iter().for_each(|column| *column = column.some(&shown));
        }
        Self { slots: shown.iter().map(|slot| *slot as u16).collect(), lengths, days, series }
    }

    /// Adds those of another stretch to this, which has [`WeekSums::room`].
    pub(super) fn add(&mut self, other: &Self) {
        let places = &other.slots;
        // Of a series that one of the two lacks nothing is known there.
        for to in &mut self.series {
            if other.series.binary_search_by_key(&to.series, |known| known.series).is_err() {
                to.uncovered.add(places, &other.lengths);
                to.unknown.add(places, &other.days);
            }
        }
        for from in &other.series {
            let at = match self.series.binary_search_by_key(&from.series, |known| known.series) {
                Ok(at) => at,
                Err(at) => {
                    let nothing = SeriesSums::nothing(from.series, &self.lengths, &self.days);
                    self.series.insert(at, nothing);
                    at
                }
            };
            let to = &mut self.series[at];
            to.columns_mut()
                .into_iter()
                .zip(from.columns())
                .for_each(|(to, from)| to.add(places, from.values()));
        }
        add(&mut self.lengths, places, &other.lengths);
        add(&mut self.days, places, &other.days);
    }
}

#[cfg(test)]
mod tests {
    use super::*;

    fn zone(name: &str) -> Zone {
        Zone::new(name).expect("a zone")
    }

    fn day(zone: &Zone, date: &str) -> Range<Stamp> {
        Stretch::Day.range(zone, zone.parse(date).expect("a date"))
    }

    #[test]
    fn stretches_are_those_of_the_clock() {
        let denver = zone("America/Denver");
        let at = denver.parse("2025-03-09T12:00").expect("a time");
        let of = |stretch: Stretch| {
            let range = stretch.range(&denver, at);
            [range.start, range.end].map(|at| denver.rfc3339(at))
        };
        assert_eq!(of(Stretch::Day), ["2025-03-09T00:00:00-07:00", "2025-03-10T00:00:00-06:00"]);
        assert_eq!(of(Stretch::Month), ["2025-03-01T00:00:00-07:00", "2025-04-01T00:00:00-06:00"]);
        assert_eq!(of(Stretch::ThreeMonths), ["2025-01-01T00:00:00-07:00", "2025-04-01T00:00:00-06:00"]);
        assert_eq!(of(Stretch::Year), ["2025-01-01T00:00:00-07:00", "2026-01-01T00:00:00-07:00"]);
        let three_months = |month: i8| {
            let day = LocalDay::from_civil(2025, month, 17).expect("a date");
            let range = Stretch::ThreeMonths.range(&denver, denver.day_range(day).start);
            (denver.month_of(range.start).civil(), denver.month_of(range.end).civil())
        };
        for month in 1..=12 {
            let first = (month - 1) / 3 * 3 + 1;
            let next = if first == 10 { (2026, 1) } else { (2025, first + 3) };
            assert_eq!(three_months(month), ((2025, first), next), "{month}");
        }
    }

    #[test]
    fn a_date_that_is_shown_on_two_days_is_not_kept() {
        let check = |name: &str, date: &str, fits: bool| {
            let zone = zone(name);
            assert_eq!(WeekSums::fits(&zone, &day(&zone, date)), fits, "{name} {date}");
        };
        for date in ["2025-03-08", "2025-03-09", "2025-11-02"] {
            check("America/Denver", date, true);
        }
        // Midnight comes twice, and no date does.
        check("Atlantic/Azores", "2025-10-25", true);
        check("Atlantic/Azores", "2025-10-26", true);
        // At midnight the clock goes back to 23:00 of the same day, which has 25 h.
        check("America/Asuncion", "2024-03-23", true);
        // A minute after midnight it went back to 23:01 of the day before.
        check("America/St_Johns", "2010-11-05", true);
        check("America/St_Johns", "2010-11-06", false);
        check("America/St_Johns", "2010-11-07", false);
        check("America/St_Johns", "2010-11-08", true);
        // Solar time of 1880: cut at no quarter-hour.
        let solar = zone("America/Denver");
        let day = solar.day_range(LocalDay::from_civil(1880, 6, 1).expect("a date"));
        assert!(!WeekSums::fits(&solar, &day));
    }

    #[test]
    fn quarters_that_come_twice_are_one_slot() {
        let denver = zone("America/Denver");
        let (short, usual, long) =
            (day(&denver, "2025-03-09"), day(&denver, "2025-06-08"), day(&denver, "2025-11-02"));
        let rows = |day: &Range<Stamp>| -> Vec<(SeriesIndex, Row)> {
            let quarters = (day.end - day.start).0 / Span::QUARTER.0;
            let row = |quarter: i64| Row {
                energy_in: Energy(quarter + 1),
                covered: Span::QUARTER,
                ..Row::empty(day.start + Span(quarter * Span::QUARTER.0))
            };
            (0..quarters).map(|quarter| (SeriesIndex(3), row(quarter))).collect()
        };
        let of = |day: &Range<Stamp>| WeekSums::of_day(&denver, day, &rows(day));
        assert_eq!((of(&short).slots.len(), of(&usual).slots.len(), of(&long).slots.len()), (92, 96, 96));
        let twice = of(&long);
        // 01:15, as the sixth and as the tenth quarter-hour.
        assert_eq!((twice.slots[5], twice.lengths[5], twice.days[5]), (6 * 96 + 5, 2 * Span::QUARTER.0, 1));
        assert_eq!((twice.series[0].energy_in.at(5), twice.series[0].unknown.at(5)), (6 + 10, 0));
        let all = WeekSums::together([&short, &usual, &long].map(of));
        assert_eq!((all.slots.len(), all.lengths[5], all.days[5]), (96, 4 * Span::QUARTER.0, 3));
        assert_eq!((all.days[8], all.series[0].energy_in.at(8)), (2, 9 + 13), "02:00 does not come in March");
        // Of a series of which nothing is known nothing is kept.
        let nothing = [(SeriesIndex(1), Row::empty(usual.start))];
        assert_eq!(WeekSums::of_day(&denver, &usual, &nothing).series, []);
    }
}
