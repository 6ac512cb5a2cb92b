//! The one function by which rows become energy.

use std::ops::Range;

use super::piece::{Piece, runs, tile};
use super::plan::{Plans, Verdict};
use super::summary::{Amount, Summary};
use super::{Level, Source};
use crate::calendar::{Interval, Zone};
use crate::flow::Row;
use crate::site::{FigureKey, SeriesIndex, Site};
use crate::units::{Span, Stamp};

/// Every figure of the map over each of the intervals, exactly.
///
/// `zone` is the site's, as its day and month rows are. Rows are read in bulk: once per level and
/// contiguous range, finer levels only where a sum is known in part. An interval that is not cut on
/// full minutes counts the minutes in which it starts and not those in which it ends.
///
/// # Errors
/// What the source fails with.
pub fn energy<S: Source>(
    site: &Site,
    zone: &Zone,
    source: &mut S,
    intervals: &[Interval],
) -> Result<Vec<Summary>, S::Error> {
    energy_of(site, zone, source, intervals, None)
}

/// The same of some figures alone, which needs the rows of their series alone: [`Summary::totals`] is then
/// of those totals that are among them.
///
/// # Errors
/// What the source fails with.
pub fn energy_of<S: Source>(
    site: &Site,
    zone: &Zone,
    source: &mut S,
    intervals: &[Interval],
    only: Option<&[FigureKey]>,
) -> Result<Vec<Summary>, S::Error> {
    let plans = Plans::of(site, only);
    let width = plans.keys.len() + 1;
    let mut reckoning = Reckoning {
        series: site.series_len(),
        zone,
        source,
        amounts: vec![Amount::default(); intervals.len() * width],
        defined: vec![false; intervals.len() * width],
        plans,
    };
    let mut pieces = Vec::new();
    for (index, interval) in intervals.iter().enumerate() {
        for (epoch, range) in by_epoch(site, *interval) {
            for sum in &reckoning.plans.epochs[epoch] {
                reckoning.defined[index * width + sum.slot] = true;
            }
            let tiles = tile(zone, Level::Month, range).into_iter();
            pieces.extend(tiles.map(|(level, range)| Piece {
                range,
                level,
                interval: index,
                epoch,
                sums: None,
            }));
        }
    }
    reckoning.settle(pieces)?;
    let left = reckoning.source.rederiving()?;
    let summary = |(index, interval): (usize, &Interval)| {
        let within = |left: &Range<Stamp>| left.start < interval.end && interval.start < left.end;
        Summary { rederiving: left.iter().any(within), ..reckoning.summary(index, *interval) }
    };
    Ok(intervals.iter().enumerate().map(summary).collect())
}

/// The interval cut at the changes of the map, each at the first full minute after it.
pub(super) fn by_epoch(site: &Site, interval: Interval) -> Vec<(usize, Range<Stamp>)> {
    let next_minute = |at: Stamp| (at - Span(1)).floor(Span::MINUTE) + Span::MINUTE;
    let epochs = site.epochs.iter().enumerate().map(|(index, epoch)| {
        let range = next_minute(epoch.span.start)..next_minute(epoch.span.end);
        (index, range.start.max(interval.start)..range.end.min(interval.end))
    });
    epochs.filter(|(_, range)| !range.is_empty()).collect()
}

/// The sums as they add up.
struct Reckoning<'a, S> {
    series: usize,
    zone: &'a Zone,
    source: &'a mut S,
    plans: Plans,
    /// For each interval the amounts by slot.
    amounts: Vec<Amount>,
    /// Whether the map defines that figure in some part of that interval.
    defined: Vec<bool>,
}

impl<S: Source> Reckoning<'_, S> {
    /// Adds up all pieces, and recursively the finer ones that they need. A run's finer pieces are
    /// settled before the next run is read, so that few are held at a time.
    fn settle(&mut self, mut pieces: Vec<Piece>) -> Result<(), S::Error> {
        pieces.sort_by_key(|piece| (std::cmp::Reverse(piece.level), piece.range.start));
        for same_level in pieces.chunk_by(|one, other| one.level == other.level) {
            for run in runs(self.zone, same_level) {
                let finer = self.settle_run(run)?;
                if !finer.is_empty() {
                    self.settle(finer)?;
                }
            }
        }
        Ok(())
    }

    fn settle_run(&mut self, run: &[Piece]) -> Result<Vec<Piece>, S::Error> {
        let (Some(first), Some(last)) = (run.first(), run.last()) else { return Ok(Vec::new()) };
        let level = first.level;
        let range = first.range.start..last.range.end;
        let rows = self.source.rows_of(level, range, &self.plans.series)?;
        let mut table = Table::new(self.series, &rows);
        let mut finer = Vec::new();
        for piece in run {
            table.seek(piece.range.start);
            let unsettled = self.settle_piece(piece, &table.current);
            if !unsettled.is_empty() {
                finer.extend(piece.finer(self.zone, unsettled));
            }
        }
        Ok(finer)
    }

    /// Adds up what the piece's rows can tell, and returns the sums that only finer rows can.
    fn settle_piece(&mut self, piece: &Piece, rows: &[Option<Row>]) -> Vec<usize> {
        let length = piece.range.end - piece.range.start;
        let finest = piece.level == Level::Minute;
        let sums = &self.plans.epochs[piece.epoch];
        let base = piece.interval * (self.plans.keys.len() + 1);
        let mut unsettled = Vec::new();
        let mut settle = |index: usize| match sums[index].over(rows, length, finest) {
            Verdict::Known(amount) => self.amounts[base + sums[index].slot] += amount,
            Verdict::Unknown => {}
            Verdict::Finer => unsettled.push(index),
        };
        match &piece.sums {
            Some(some) => some.iter().for_each(|index| settle(*index)),
            None => (0..sums.len()).for_each(settle),
        }
        unsettled
    }

    fn summary(&self, index: usize, interval: Interval) -> Summary {
        let keys = &self.plans.keys;
        let base = index * (keys.len() + 1);
        let defined = keys.iter().enumerate().filter(|(slot, _)| self.defined[base + slot]);
        Summary {
            interval,
            rederiving: false,
            totals: self.amounts[base + keys.len()].covered,
            figures: defined.map(|(slot, key)| (*key, self.amounts[base + slot])).collect(),
        }
    }
}

/// Rows of one level, walked forward in time for all series at once.
struct Table<'a> {
    /// For each series its rows from the cursor on.
    left: Vec<&'a [(SeriesIndex, Row)]>,
    /// For each series the row that starts where was sought, unless it is empty.
    current: Vec<Option<Row>>,
}

impl<'a> Table<'a> {
    fn new(series: usize, rows: &'a [(SeriesIndex, Row)]) -> Self {
        debug_assert!(rows.is_sorted_by_key(|(series, row)| (*series, row.start)), "a source sorts its rows");
        let mut left: Vec<&[(SeriesIndex, Row)]> = vec![&[]; series];
        for of_one in rows.chunk_by(|one, other| one.0 == other.0) {
            // A series that the map no longer knows is no term of any sum.
            if let Some(place) = left.get_mut(of_one[0].0.0 as usize) {
                *place = of_one;
            }
        }
        Self { left, current: vec![None; series] }
    }

    /// Moves on to the rows that start at `start`, which is not before what was sought last.
    fn seek(&mut self, start: Stamp) {
        for (left, current) in self.left.iter_mut().zip(&mut self.current) {
            let passed = left.iter().take_while(|(_, row)| row.start < start).count();
            *left = &left[passed..];
            *current = left.first().map(|(_, row)| *row).filter(|row| row.start == start && !row.is_empty());
        }
    }
}
