//! Minutes that closed and are not sealed yet, in memory.
//!
//! They follow from the journal, so they need no place in the file: after a restart the engine
//! computes them again. Coded, a row takes some 14 bytes in place of 48, which matters with a
//! thousand sites.

use std::collections::BTreeMap;
use std::ops::Range;

use rustc_hash::FxHashMap;

use crate::flow::Row;
use crate::units::{Energy, Span, Stamp};

use super::wire::{self, Bytes, Fault};

/// Minutes kept a site: two days. Sealing takes them away every hour; where it cannot, the oldest
/// go first and are unknown until it can.
const MOST: usize = 2 * 24 * 60;

/// One row of a series (a row of the table `series`).
pub(super) type Placed = (i64, Row);

/// The minutes of all sites, by row of `site`.
#[derive(Debug, Default)]
pub(super) struct Recent {
    sites: FxHashMap<i64, BTreeMap<Stamp, Box<[u8]>>>,
}

impl Recent {
    /// Keeps a minute in place of what was kept for it; one without rows is nothing known.
    pub(super) fn put(&mut self, site: i64, start: Stamp, rows: &[Placed]) {
        let minutes = self.sites.entry(site).or_default();
        if rows.is_empty() {
            minutes.remove(&start);
            return;
        }
        minutes.insert(start, encode(rows));
        while minutes.len() > MOST {
            minutes.pop_first();
        }
    }

    /// Forgets the minutes that start before `before`.
    pub(super) fn trim(&mut self, site: i64, before: Stamp) {
        if let Some(minutes) = self.sites.get_mut(&site) {
            *minutes = minutes.split_off(&before);
        }
    }

    /// The rows of the minutes that start in `range`, minute by minute.
    pub(super) fn rows(&self, site: i64, range: &Range<Stamp>) -> Vec<Placed> {
        let mut rows = Vec::new();
        if let Some(minutes) = self.sites.get(&site)
            && range.start < range.end
        {
            for (start, body) in minutes.range(range.clone()) {
                // These bytes were never outside of this memory.
                decode(*start, body, &mut rows).expect("own bytes decode");
            }
        }
        rows
    }

    /// The minutes of a site: the first and the end of the last.
    pub(super) fn span(&self, site: i64) -> Option<Range<Stamp>> {
        let minutes = self.sites.get(&site)?;
        let (first, last) = (minutes.first_key_value()?.0, minutes.last_key_value()?.0);
        Some(*first..*last + Span::MINUTE)
    }
}

fn encode(rows: &[Placed]) -> Box<[u8]> {
    let mut body = Vec::with_capacity(rows.len() * 16);
    for (series, row) in rows {
        wire::put_u64(&mut body, *series as u64);
        wire::put_i64(&mut body, row.energy_in.0);
        wire::put_i64(&mut body, row.energy_out.0);
        wire::put_i64(&mut body, row.covered.0);
        wire::put_i64(&mut body, row.min.into());
        wire::put_i64(&mut body, row.max.into());
    }
    body.into_boxed_slice()
}

fn decode(start: Stamp, body: &[u8], rows: &mut Vec<Placed>) -> Result<(), Fault> {
    let mut bytes = Bytes::raw(body);
    while !bytes.is_empty() {
        let series = bytes.u64()? as i64;
        let row = Row {
            start,
            energy_in: Energy(bytes.i64()?),
            energy_out: Energy(bytes.i64()?),
            covered: Span(bytes.i64()?),
            min: bytes.i64()? as i32,
            max: bytes.i64()? as i32,
        };
        rows.push((series, row));
    }
    Ok(())
}

#[cfg(test)]
mod tests {
    use super::*;

    fn minute(number: i64) -> Stamp {
        Stamp(number * Span::MINUTE.0)
    }

    fn row(number: i64, energy: i64) -> Row {
        let start = minute(number);
        Row { energy_in: Energy(energy), covered: Span(600), min: -7, max: 1_000_000, ..Row::empty(start) }
    }

    #[test]
    fn a_minute_is_replaced_found_and_trimmed() {
        let mut recent = Recent::default();
        recent.put(1, minute(5), &[(3, row(5, 100))]);
        recent.put(1, minute(6), &[(3, row(6, 200)), (9, Row::empty(minute(6)))]);
        recent.put(1, minute(5), &[(3, row(5, 111))]);
        assert_eq!(recent.rows(1, &(minute(0)..minute(6))), [(3, row(5, 111))]);
        assert_eq!(recent.rows(2, &(minute(0)..minute(9))), []);
        assert_eq!(recent.span(1), Some(minute(5)..minute(7)));
        recent.trim(1, minute(6));
        assert_eq!(recent.rows(1, &(minute(0)..minute(9))), [(3, row(6, 200)), (9, Row::empty(minute(6)))]);
        recent.put(1, minute(6), &[]);
        assert_eq!(recent.span(1), None);
    }

    #[test]
    fn memory_is_bounded() {
        let mut recent = Recent::default();
        for number in 0..MOST as i64 + 10 {
            recent.put(1, minute(number), &[(3, row(number, 1))]);
        }
        assert_eq!(recent.span(1), Some(minute(10)..minute(MOST as i64 + 10)));
    }
}
