//! Readings from files, of any age: merged into the sealed blocks, and their minutes counted again, in
//! one transaction. So an import can be cut short anywhere and done again.
//!
//! What is of the present (after [`Import::limit`], or after the first minute that is shown and not
//! sealed) goes to the journal like any other reading, since the seal that comes would put the journal's
//! value over a block's.

use std::collections::BTreeMap;
use std::ops::Range;
use std::sync::Arc;
use std::sync::mpsc::Sender;

use rusqlite::{Connection, params};

use crate::reading::{Sample, SiteIndex};
use crate::site::ChannelIndex;
use crate::units::{Span, Stamp};

use super::catalog::Entry;
use super::journal::{self, Kept};
use super::readings::{self, hour_of, merged};
use super::recent::Placed;
use super::recount::{Outcome, Recount, Unsealed};
use super::writer::Writer;
use super::{Result, outbox, seal};

/// Readings of one site to put into the store.
///
/// The caller bounds how many there are and how much time they span: the writer does nothing else
/// meanwhile.
#[derive(Clone, Debug)]
pub struct Import {
    /// Whose they are.
    pub site: SiteIndex,
    /// In any order; of two with the same channel and time the later one holds.
    pub readings: Vec<(ChannelIndex, Sample)>,
    /// What is before this is over: live readings are not expected there any more.
    pub limit: Stamp,
    /// Gets the answer, once it is on the disk. Nothing comes where the store closes before that.
    pub reply: Sender<Imported>,
}

/// What an import did.
#[derive(Clone, Copy, Debug, Default, PartialEq, Eq)]
pub struct Imported {
    /// Readings that were not there.
    pub new: u64,
    /// Readings that were there with another value, which they have no more.
    pub changed: u64,
    /// Readings that were there.
    pub same: u64,
}

impl std::ops::AddAssign for Imported {
    fn add_assign(&mut self, other: Self) {
        self.new += other.new;
        self.changed += other.changed;
        self.same += other.same;
    }
}

/// What is known of the site when its import begins.
struct Job<'a> {
    db: &'a Connection,
    entry: &'a Entry,
    /// Minutes before this are in blocks, or will be when this is done.
    sealed: Stamp,
    unsealed: Unsealed,
    shown: &'a [Placed],
}

/// What it did, for the writer.
#[derive(Default)]
struct Done {
    imported: Imported,
    outcome: Outcome,
    sealed: Stamp,
    journaled: bool,
}

impl Writer {
    /// Puts readings from a file into the store.
    pub(super) fn import(&mut self, import: Import) {
        let catalog = self.shared.catalog();
        let Some(entry) = catalog.entry(import.site) else { return };
        let site = entry.row;
        let shared = Arc::clone(&self.shared);
        let marks = shared.has_centrals();
        let sealed = self.progress.get(&site).map_or(Stamp::MIN, |progress| progress.sealed);
        let shown = shared.recent().rows(site, &(Stamp::MIN..Stamp::MAX));
        let open = shown.first().map_or(Stamp::MAX, |(_, row)| row.start);
        let target = sealed.max(import.limit.min(open).floor(Span::HOUR));
        let row = self.next_row;
        let done = self.insist(|db| {
            let tx = db.transaction()?;
            let unsealed = seal::unsealed(&tx, &[site], Stamp::MIN..Stamp::MAX)?;
            let mut job = Job { db: &tx, entry, sealed: target, unsealed, shown: &shown };
            let done = job.run(&import, sealed, row)?;
            for range in done.outcome.changed.iter().filter(|_| marks) {
                outbox::mark(&tx, site, range)?;
            }
            tx.prepare_cached("UPDATE site SET sealed_ds = ?2 WHERE id = ?1 AND sealed_ds < ?2")?
                .execute(params![site, target.0])?;
            // Held over the commit, as for late minutes.
            let mut recent = shared.recent_mut();
            tx.commit()?;
            for (start, rows) in &done.outcome.recent {
                recent.put(site, *start, rows);
            }
            Ok(done)
        });
        let Some(done) = done else { return };
        self.next_row += i64::from(done.journaled);
        self.progress.entry(site).or_default().sealed = done.sealed;
        self.count_days_of(site, &(sealed.max(Stamp(0))..done.sealed));
        self.to_join = Some(self.to_join.map_or(import.limit, |other| other.max(import.limit)));
        self.finish(site, done.outcome);
        // Who asked may have gone: it is in the store all the same.
        let _ = import.reply.send(done.imported);
    }
}

impl Job<'_> {
    fn run(&mut self, import: &Import, was_sealed: Stamp, row: i64) -> Result<Done> {
        let mut done = Done { sealed: self.sealed, ..Done::default() };
        let mut touched: Vec<Range<Stamp>> = Vec::new();
        let mut journal: Vec<Kept> = Vec::new();
        for (channel, samples) in by_channel(import) {
            let Some(series) = self.entry.channel_rows().get(channel).copied() else { continue };
            let news = self.news(series, &samples, &mut done)?;
            let unsealed = self.unsealed.entry(series).or_default();
            let keep_from = self.sealed - self.entry.reach(channel);
            let is_open = |sample: &Sample| {
                sample.at >= keep_from || unsealed.binary_search_by_key(&sample.at, |other| other.at).is_ok()
            };
            let (open, over): (Vec<Sample>, Vec<Sample>) = news.into_iter().partition(is_open);
            journal.extend(open.iter().map(|sample| Kept { site: self.entry.row, series, sample: *sample }));
            *unsealed = merged(unsealed, &open);
            // What the journal has and no block: it counts as sealed from now on.
            let from = unsealed.partition_point(|sample| sample.at < was_sealed);
            let to = unsealed.partition_point(|sample| sample.at < self.sealed).max(from);
            let over = merged(&over, &unsealed[from..to]);
            touched.extend(self.merge(channel, series, &over, &mut done)?);
            touched.extend(self.reach(channel, series, &open)?);
        }
        if let Some(coded) = journal::encode(journal) {
            self.db
                .prepare_cached("INSERT INTO journal (seq, from_ds, to_ds, body) VALUES (?1, ?2, ?3, ?4)")?
                .execute(params![row, coded.range.start.0, coded.range.end.0, coded.body])?;
            done.journaled = true;
        }
        // Minutes that are open are closed by the flow, and counted again when they are sealed.
        let closed =
            self.shown.last().map_or(self.sealed, |(_, last)| self.sealed.max(last.start + Span::MINUTE));
        touched.iter_mut().for_each(|range| range.end = range.end.min(closed));
        let Self { db, entry, sealed, unsealed, shown } = self;
        let recount = Recount { db, entry, unsealed, sealed: *sealed, recent: shown, only: &[] };
        let outcome = recount.run(touched)?;
        let damage = std::mem::take(&mut done.outcome.damage);
        done.outcome = outcome;
        done.outcome.damage.extend(damage);
        Ok(done)
    }

    /// The readings that are not in the store as they are.
    fn news(&self, series: i64, samples: &[Sample], done: &mut Done) -> Result<Vec<Sample>> {
        let (Some(first), Some(last)) = (samples.first(), samples.last()) else { return Ok(Vec::new()) };
        let range = first.at..last.at + Span(1);
        let mut sealed = Vec::new();
        // What does not decode is set aside when it is merged; until then it is as good as not there.
        readings::load(self.db, series, &range, &mut sealed, &mut |_, _| Ok(()))?;
        let unsealed = self.unsealed.get(&series).map_or(&[][..], Vec::as_slice);
        let from = unsealed.partition_point(|sample| sample.at < range.start);
        let to = unsealed.partition_point(|sample| sample.at < range.end);
        let known = merged(&sealed, &unsealed[from..to]);
        let mut news = Vec::new();
        for sample in samples {
            match known.binary_search_by_key(&sample.at, |other| other.at) {
                Ok(index) if known[index].value == sample.value => done.imported.same += 1,
                Ok(_) => {
                    done.imported.changed += 1;
                    news.push(*sample);
                }
                Err(_) => {
                    done.imported.new += 1;
                    news.push(*sample);
                }
            }
        }
        Ok(news)
    }

    /// Merges readings into blocks; which time that can change.
    fn merge(
        &self,
        channel: usize,
        series: i64,
        over: &[Sample],
        done: &mut Done,
    ) -> Result<Vec<Range<Stamp>>> {
        let mut touched = Vec::new();
        for of_hour in over.chunk_by(|a, b| hour_of(a.at) == hour_of(b.at)) {
            let hour = hour_of(of_hour[0].at);
            if readings::merge(self.db, series, hour, of_hour, &mut done.outcome.damage)? {
                touched.extend(self.reach(channel, series, of_hour)?);
            }
        }
        Ok(touched)
    }

    /// Which time these readings can change, an hour of them after the other.
    fn reach(&self, channel: usize, series: i64, samples: &[Sample]) -> Result<Vec<Range<Stamp>>> {
        let unsealed = self.unsealed.get(&series).map_or(&[][..], Vec::as_slice);
        samples
            .chunk_by(|a, b| hour_of(a.at) == hour_of(b.at))
            .map(|of_hour| seal::reach_of(self.db, self.entry, channel, unsealed, of_hour))
            .collect()
    }
}

/// Each channel's readings by time; of equals the last one.
fn by_channel(import: &Import) -> BTreeMap<usize, Vec<Sample>> {
    let mut all: BTreeMap<usize, BTreeMap<Stamp, i64>> = BTreeMap::new();
    for (channel, sample) in &import.readings {
        all.entry(channel.0 as usize).or_default().insert(sample.at, sample.value);
    }
    let samples =
        |values: BTreeMap<Stamp, i64>| values.into_iter().map(|(at, value)| Sample { at, value }).collect();
    all.into_iter().map(|(channel, values)| (channel, samples(values))).collect()
}
