//! Columns of several series in one body: those of nothing but zeros are left out.

use std::fmt::Write;
use std::ops::Range;
use std::sync::Arc;

use crate::history::{Column, SeriesSums};
use crate::site::{SeriesIndex, hash_of};
use crate::units::Stamp;

use super::catalog::Entry;
use super::wire::{self, Bytes, Fault};

/// Series of a site: more than there can be, so that a bad length takes no memory.
const MOST: usize = 100_000;

/// Of a series: energy in and out, what is not covered, days that are not known.
const COLUMNS: usize = 4;

/// The fingerprint of whose rows are added up, or laid together, over a range: of the zone, and of each series of
/// the map and the rule that made its rows. `what` and its version tell apart what was made of them.
pub(super) fn rule(what: &str, entry: &Entry, range: &Range<Stamp>) -> i64 {
    let mut text = format!("{what} {}\t", entry.zone.name());
    for (index, row) in entry.series.iter().enumerate() {
        // A string takes whatever is written to it.
        let _ = write!(text, "{row}={:x}\t", entry.rules.print(SeriesIndex(index as u32), range));
    }
    hash_of(text.as_bytes()) as i64
}

/// Appends the columns of all series, one behind the other. A load gives nothing back, and mostly all of it is
/// known: such columns of nothing but zeros are not there.
pub(super) fn put(body: &mut Vec<u8>, entry: &Entry, series: &[SeriesSums]) {
    wire::put_u64(body, series.len() as u64);
    for known in series {
        wire::put_u64(body, entry.series_row(known.series) as u64);
        let marks = known.columns().into_iter().enumerate().filter(|(_, column)| !column.values().is_empty());
        body.push(marks.map(|(at, _)| 1 << at).sum());
    }
    for at in 0..COLUMNS {
        let values: Vec<i64> =
            series.iter().flat_map(|known| known.columns()[at].values()).copied().collect();
        wire::put_quick_column(body, &values);
    }
}

/// The series that [`put`] appended, of `count` values a column, in the order that the map has them in.
pub(super) fn read(
    bytes: &mut Bytes<'_>,
    entry: &Entry,
    count: usize,
) -> std::result::Result<Vec<SeriesSums>, Fault> {
    let mut marked = Vec::new();
    for _ in 0..bytes.count(MOST)? {
        let row = bytes.u64()? as i64;
        let at = entry.series.iter().position(|known| *known == row).ok_or(Fault::Range("a series"))?;
        marked.push((SeriesIndex(at as u32), bytes.take(1)?[0]));
    }
    let mut series: Vec<SeriesSums> = marked.iter().map(|(series, _)| SeriesSums::zeros(*series)).collect();
    for at in 0..COLUMNS {
        let has = |marks: &u8| marks & (1 << at) != 0;
        let all = marked.iter().filter(|(_, marks)| has(marks)).count() * count;
        let values = Arc::new(bytes.column(all)?);
        let with = series.iter_mut().zip(&marked).filter(|(_, (_, marks))| has(marks));
        for (place, (known, _)) in with.enumerate() {
            *known.columns_mut()[at] = Column::part(&values, place * count..(place + 1) * count);
        }
    }
    // The map may have its channels in another order than when this was made.
    series.sort_by_key(|known| known.series);
    Ok(series)
}
