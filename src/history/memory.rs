//! Rows held in memory: for tests, and for what is too short-lived to store.

use std::convert::Infallible;
use std::ops::Range;

use super::{Level, Source};
use crate::calendar::Zone;
use crate::flow::Row;
use crate::site::SeriesIndex;
use crate::units::{Span, Stamp};

/// Minute rows and everything that they add up to.
#[derive(Clone, Debug)]
pub struct Memory {
    zone: Zone,
    /// For each series its rows by level, in the order of [`LEVELS`], each by start.
    series: Vec<[Vec<Row>; 5]>,
    /// The day and month of the minute added last: minutes mostly come in order.
    day: Range<Stamp>,
    month: Range<Stamp>,
}

const LEVELS: [Level; 5] = [Level::Minute, Level::Quarter, Level::Hour, Level::Day, Level::Month];

impl Memory {
    /// Without any rows, for a site of that zone.
    pub fn new(zone: Zone) -> Self {
        Self { zone, series: Vec::new(), day: Stamp(0)..Stamp(0), month: Stamp(0)..Stamp(0) }
    }

    /// Adds a row of one minute (its start is taken at the full minute), to the minute and to
    /// every coarser row that holds it. Cheap in order of time, slow against it.
    pub fn add(&mut self, series: SeriesIndex, row: Row) {
        let index = series.0 as usize;
        if self.series.len() <= index {
            self.series.resize_with(index + 1, Default::default);
        }
        if !self.day.contains(&row.start) {
            self.day = self.zone.day_range(self.zone.day_of(row.start));
            self.month = self.zone.month_range(self.zone.month_of(row.start));
        }
        let floor = |span| row.start.floor(span);
        let (minute, quarter, hour) = (floor(Span::MINUTE), floor(Span::QUARTER), floor(Span::HOUR));
        let starts = [minute, quarter, hour, self.day.start, self.month.start];
        for (rows, start) in self.series[index].iter_mut().zip(starts) {
            let at = match rows.last() {
                Some(last) if last.start < start => rows.len(),
                Some(last) if last.start == start => rows.len() - 1,
                _ => rows.partition_point(|row| row.start < start),
            };
            if rows.get(at).is_none_or(|row| row.start != start) {
                rows.insert(at, Row::empty(start));
            }
            rows[at].absorb(&row);
        }
    }
}

impl Source for Memory {
    type Error = Infallible;

    fn rows(&mut self, level: Level, range: Range<Stamp>) -> Result<Vec<(SeriesIndex, Row)>, Infallible> {
        let place = LEVELS.iter().position(|other| *other == level).unwrap_or_default();
        let mut found = Vec::new();
        for (index, levels) in self.series.iter().enumerate() {
            let rows = &levels[place];
            let from = rows.partition_point(|row| row.start < range.start);
            let to = rows.partition_point(|row| row.start < range.end);
            found.extend(rows[from..to.max(from)].iter().map(|row| (SeriesIndex(index as u32), *row)));
        }
        Ok(found)
    }
}
