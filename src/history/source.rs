//! Where rows come from.

use std::ops::Range;

use super::{DayRuns, Stretch, WeekSums};
use crate::flow::Row;
use crate::site::SeriesIndex;
use crate::units::Stamp;

/// How long the intervals of a row are.
#[derive(Clone, Copy, Debug, PartialEq, Eq, PartialOrd, Ord, Hash)]
pub enum Level {
    /// 60 s, on UTC minutes.
    Minute,
    /// 15 min, on UTC quarter-hours.
    Quarter,
    /// An hour, on UTC hours.
    Hour,
    /// A day of the site's zone.
    Day,
    /// A month of the site's zone.
    Month,
}

/// A store of rows of one site, as history reads it.
///
/// What a source promises:
/// - A coarser row is the sum of the finer rows inside it, whenever it is asked for: minutes that
///   are not yet folded into stored rows are folded in as they are read.
/// - A row that is absent, or empty, means that nothing is known of its interval.
pub trait Source {
    /// Why rows could not be read.
    type Error: std::error::Error + Send + Sync + 'static;

    /// Every row of every series whose start lies in `range`, sorted by series, then by start.
    ///
    /// # Errors
    /// Whatever keeps the rows from being read.
    fn rows(&mut self, level: Level, range: Range<Stamp>) -> Result<Vec<(SeriesIndex, Row)>, Self::Error>;

    /// The same of some series alone, which are given in rising order. Rows that are coarser than minutes may
    /// come without their extremes, [`Row::min`] and [`Row::max`].
    ///
    /// # Errors
    /// As [`Source::rows`].
    fn rows_of(
        &mut self,
        level: Level,
        range: Range<Stamp>,
        series: &[SeriesIndex],
    ) -> Result<Vec<(SeriesIndex, Row)>, Self::Error> {
        let mut rows = self.rows(level, range)?;
        rows.retain(|(of, _)| series.binary_search(of).is_ok());
        Ok(rows)
    }

    /// Gives what it has kept of the minutes of whole local days that start in `range`, by time: what the
    /// minutes say that it has now, under whatever map [`DayRuns::rule`] is of. [`DayRuns::tallies`] are those
    /// of some of the [`places`](super::places), by their indices, rising. It ends early where `each` says so
    /// by `false`, or where something that is kept is not of use; of days that it does not give it has to be
    /// asked the minutes.
    ///
    /// # Errors
    /// Whatever keeps them from being read.
    fn day_runs(
        &mut self,
        range: Range<Stamp>,
        places: &[usize],
        each: &mut dyn FnMut(&DayRuns) -> bool,
    ) -> Result<(), Self::Error> {
        let _ = (range, places, each);
        Ok(())
    }

    /// The sums by slot of the week that it has kept of a whole stretch, if it has: those that its quarter-hours
    /// have now, as the map in force has them.
    ///
    /// # Errors
    /// Whatever keeps them from being read.
    fn week_sums(&mut self, stretch: Stretch, range: &Range<Stamp>) -> Result<Option<WeekSums>, Self::Error> {
        let _ = (stretch, range);
        Ok(None)
    }

    /// Before when it has no quarter-hour of any series, if that is known.
    ///
    /// # Errors
    /// Whatever keeps that from being known.
    fn begins(&mut self) -> Result<Option<Stamp>, Self::Error> {
        Ok(None)
    }

    /// Where split series have yet to be derived again under the map in force: until then their rows
    /// are absent there, though the readings are kept.
    ///
    /// # Errors
    /// Whatever keeps that from being known.
    fn rederiving(&mut self) -> Result<Vec<Range<Stamp>>, Self::Error> {
        Ok(Vec::new())
    }
}
