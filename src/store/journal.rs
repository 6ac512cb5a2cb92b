//! The journal: one row a commit, with a section for each site in it.
//!
//! A section can be skipped by its length, so one site's readings are found without decoding the
//! others'. In it readings stand series by series, each by time; of two with the same time the one
//! that came later holds. All times are relative to the earliest of the row.

use std::ops::Range;

use crate::reading::Sample;
use crate::units::Stamp;

use super::wire::{self, Bytes, Fault};

const FORMAT: u8 = 1;

/// One reading under the names of the store: rows of the tables `site` and `series`.
#[derive(Clone, Copy, Debug, PartialEq, Eq, PartialOrd, Ord)]
pub(super) struct Kept {
    /// Row of `site`.
    pub site: i64,
    /// Row of `series`.
    pub series: i64,
    /// Time and value.
    pub sample: Sample,
}

/// A row of the journal, coded.
#[derive(Clone, Debug, PartialEq, Eq)]
pub(super) struct Coded {
    /// From the earliest reading to just after the latest.
    pub range: Range<Stamp>,
    /// What the row holds.
    pub body: Vec<u8>,
    /// How many readings it holds, doubles left out.
    pub readings: usize,
}

/// Sorts readings by site, series and time; of equals the last one stays.
fn settle(readings: &mut Vec<Kept>) {
    let key = |kept: &Kept| (kept.site, kept.series, kept.sample.at);
    // Stable, so that the later of two equals still stands behind.
    readings.sort_by_key(key);
    readings.dedup_by(|later, kept| {
        let same = key(later) == key(kept);
        if same {
            *kept = *later;
        }
        same
    });
}

/// Codes readings that stand in the order of their arrival; `None` if there are none.
pub(super) fn encode(mut readings: Vec<Kept>) -> Option<Coded> {
    settle(&mut readings);
    let from = readings.iter().map(|kept| kept.sample.at).min()?;
    let last = readings.iter().map(|kept| kept.sample.at).max()?;
    let mut body = wire::begin(FORMAT);
    let sections = readings.chunk_by(|a, b| a.site == b.site);
    wire::put_u64(&mut body, sections.clone().count() as u64);
    for section in sections {
        let mut data = Vec::with_capacity(section.len() * 4);
        let mut before = 0;
        for run in section.chunk_by(|a, b| a.series == b.series) {
            wire::put_u64(&mut data, (run[0].series - before) as u64);
            before = run[0].series;
            put_run(&mut data, from, run);
        }
        wire::put_u64(&mut body, section[0].site as u64);
        wire::put_u64(&mut body, section.len() as u64);
        wire::put_u64(&mut body, data.len() as u64);
        body.extend_from_slice(&data);
    }
    let range = from..Stamp(last.0 + 1);
    Some(Coded { range, body: wire::finish(body), readings: readings.len() })
}

/// One series: how many, the times as differences, the values as differences.
fn put_run(data: &mut Vec<u8>, from: Stamp, run: &[Kept]) {
    wire::put_u64(data, run.len() as u64);
    let mut time = from.0;
    for kept in run {
        wire::put_u64(data, (kept.sample.at.0 - time) as u64);
        time = kept.sample.at.0;
    }
    let mut value = 0i64;
    for kept in run {
        wire::put_i64(data, kept.sample.value.wrapping_sub(value));
        value = kept.sample.value;
    }
}

/// One site's part of a row, not decoded yet.
#[derive(Clone, Debug)]
pub(super) struct Section<'a> {
    /// Row of `site`.
    pub site: i64,
    /// How many readings it holds.
    pub readings: usize,
    from: Stamp,
    data: Bytes<'a>,
}

/// The sections of a row whose earliest reading is at `from`.
pub(super) fn sections(from: Stamp, body: &[u8]) -> Result<Vec<Section<'_>>, Fault> {
    let mut bytes = Bytes::open(body, FORMAT)?;
    let count = bytes.count(body.len())?;
    let mut sections = Vec::with_capacity(count);
    for _ in 0..count {
        let site = bytes.u64()? as i64;
        let readings = bytes.count(body.len())?;
        let len = bytes.count(body.len())?;
        sections.push(Section { site, readings, from, data: Bytes::raw(bytes.take(len)?) });
    }
    bytes.end()?;
    Ok(sections)
}

impl Section<'_> {
    /// Appends its readings, series by series, each by time.
    pub(super) fn decode(mut self, into: &mut Vec<Kept>) -> Result<(), Fault> {
        let start = into.len();
        let mut series = 0i64;
        while !self.data.is_empty() {
            series = series.wrapping_add(self.data.u64()? as i64);
            // A reading takes two bytes at least.
            let count = self.data.count(self.data.len() / 2)?;
            let first = into.len();
            let mut time = self.from.0;
            for _ in 0..count {
                time = time.wrapping_add(self.data.u64()? as i64);
                let sample = Sample { at: Stamp(time), value: 0 };
                into.push(Kept { site: self.site, series, sample });
            }
            let mut value = 0i64;
            for kept in &mut into[first..] {
                value = value.wrapping_add(self.data.i64()?);
                kept.sample.value = value;
            }
        }
        if into.len() - start == self.readings { Ok(()) } else { Err(Fault::Range("a count")) }
    }
}

/// All readings of a row, by site, series and time.
pub(super) fn decode(from: Stamp, body: &[u8]) -> Result<Vec<Kept>, Fault> {
    let mut readings = Vec::new();
    for section in sections(from, body)? {
        section.decode(&mut readings)?;
    }
    Ok(readings)
}

#[cfg(test)]
mod tests {
    use proptest::prelude::*;

    use super::*;

    fn kept(site: i64, series: i64, at: i64, value: i64) -> Kept {
        Kept { site, series, sample: Sample { at: Stamp(at), value } }
    }

    #[test]
    fn of_two_with_one_time_the_later_holds() {
        let coded = encode(vec![kept(1, 2, 50, 7), kept(1, 1, 40, 5), kept(1, 2, 50, 8)]).unwrap();
        assert_eq!(coded.range, Stamp(40)..Stamp(51));
        assert_eq!(coded.readings, 2);
        assert_eq!(decode(Stamp(40), &coded.body), Ok(vec![kept(1, 1, 40, 5), kept(1, 2, 50, 8)]));
        assert_eq!(encode(Vec::new()), None);
    }

    #[test]
    fn five_seconds_of_nineteen_channels_fit_ten_times_into_a_page() {
        let readings = (0..95).map(|n| kept(1, 1 + n % 19, 17_000_000_000 + n / 19 * 10, 1500 + n * 31 % 90));
        let coded = encode(readings.collect()).unwrap();
        assert!(coded.body.len() < 400, "{} bytes", coded.body.len());
    }

    #[test]
    fn one_site_is_found_without_the_others() {
        let coded = encode(vec![kept(3, 9, 10, 1), kept(1, 1, 11, 2), kept(2, 5, 12, 3)]).unwrap();
        let all = sections(Stamp(10), &coded.body).unwrap();
        let mut readings = Vec::new();
        all.into_iter().find(|section| section.site == 2).unwrap().decode(&mut readings).unwrap();
        assert_eq!(readings, [kept(2, 5, 12, 3)]);
    }

    proptest! {
        #[test]
        fn rows_come_back(
            readings in prop::collection::vec((1i64..4, 1i64..30, -9i64..1_000_000, any::<i64>()), 1..300),
        ) {
            let readings: Vec<Kept> = readings.into_iter().map(|(s, c, t, v)| kept(s, c, t, v)).collect();
            let mut expected = readings.clone();
            settle(&mut expected);
            let coded = encode(readings).unwrap();
            prop_assert_eq!(coded.readings, expected.len());
            prop_assert_eq!(decode(coded.range.start, &coded.body), Ok(expected));
        }

        #[test]
        fn damage_never_panics(mut rubbish: Vec<u8>) {
            prop_assert!(decode(Stamp(0), &rubbish).is_err());
            // With a good checksum in front, the rest is still not trusted.
            rubbish.splice(0..0, [0, 0, 0, 0, FORMAT]);
            let _ = decode(Stamp(0), &wire::finish(rubbish));
        }
    }
}
