//! The work that goes on between commits: counting late minutes, sealing, joining days.

use std::collections::BTreeMap;
use std::ops::Range;
use std::sync::Arc;

use rusqlite::{Connection, params};

use crate::units::Stamp;

use super::catalog::Entry;
use super::recount::{Outcome, Recount};
use super::seal::{self, Sealing};
use super::writer::{ToSeal, Writer};
use super::{Event, Result, keep, month_days, outbox, rederive, rows, run_days, week_sums};

/// Of sites (by row of `site`), time in which something may be kept that is not yet.
pub(super) type Waits = BTreeMap<i64, Range<Stamp>>;

/// Keeps the newest of what waits in a range and is sealed, and says what of the range waits after that.
type KeepSome = fn(&Connection, &Entry, &Range<Stamp>, Stamp) -> Result<Range<Stamp>>;

impl Writer {
    /// Does one step of the work that waits; whether there was any.
    pub(super) fn step(&mut self) -> bool {
        if let Some((site, ranges)) = self.late.pop_first() {
            self.count_late(site, ranges);
            return true;
        }
        if let Some(mut sealing) = self.sealing.take() {
            match self.seal_step(&mut sealing) {
                Some(true) => self.sealing = Some(sealing),
                Some(false) => {
                    self.to_join = Some(sealing.before);
                    self.report(Event::Sealed { until: sealing.before });
                }
                // Closing, or damage that was reported: nothing was taken away, and the next seal
                // does it again.
                None => {}
            }
            return true;
        }
        if let Some(before) = self.to_join {
            let more = self.insist(|db| {
                let tx = db.transaction()?;
                let more = seal::join(&tx, before)?;
                tx.commit()?;
                Ok(more)
            });
            if more != Some(true) {
                self.to_let_go = self.to_join.take();
            }
            return true;
        }
        if let Some(sealed) = self.to_let_go {
            let keep = self.keep;
            let more = self.insist(|db| {
                let tx = db.transaction()?;
                let more = keep::let_go(&tx, keep, sealed)?;
                tx.commit()?;
                Ok(more)
            });
            if more != Some(true) {
                self.to_let_go = None;
                self.say_what_is_kept();
            }
            return true;
        }
        if let Some(ToSeal { before, beyond }) = self.to_seal.take() {
            let catalog = self.shared.catalog();
            self.late_unsealed = 0;
            self.mend_if_damaged();
            self.sealing = self.insist(|db| Sealing::begin(db, before, beyond, &catalog));
            if let Some(slice) = self.sealing.as_ref().map(|sealing| sealing.before)
                && slice < before
            {
                self.seal_later(before, slice);
            }
            return self.sealing.is_some();
        }
        self.rederive()
            || self.correct()
            || self.lay_days_together()
            || self.sum_stretch()
            || self.count_day()
    }

    /// Remembers that days within `range` may have to be counted.
    pub(super) fn count_days_of(&mut self, site: i64, range: &Range<Stamp>) {
        if range.start < range.end {
            for waiting in [&mut self.to_count, &mut self.to_sum, &mut self.to_lay_together] {
                let known = waiting.entry(site).or_insert_with(|| range.clone());
                *known = known.start.min(range.start)..known.end.max(range.end);
            }
        }
    }

    /// Remembers that any day may have to be counted: the maps are others, or were while nothing ran.
    pub(super) fn count_all_days(&mut self) {
        let catalog = self.shared.catalog();
        for (_, entry) in catalog.entries().filter(|(_, entry)| !entry.site.channels.is_empty()) {
            let sealed = self.progress.get(&entry.row).map_or(Stamp(0), |progress| progress.sealed);
            self.count_days_of(entry.row, &(Stamp(0)..sealed));
        }
    }

    /// Keeps the sums by slot of the week of some days, months and years; whether there may be more.
    fn sum_stretch(&mut self) -> bool {
        self.keep_some(|writer| &mut writer.to_sum, week_sums::step)
    }

    /// Keeps the days of some months together; whether there may be more.
    fn lay_days_together(&mut self) -> bool {
        self.keep_some(|writer| &mut writer.to_lay_together, month_days::step)
    }

    /// Keeps what the minutes of one day say of its loads; whether there may be more.
    fn count_day(&mut self) -> bool {
        self.keep_some(|writer| &mut writer.to_count, run_days::step)
    }

    /// Does a step of what waits of one site, and puts back what still waits after it; whether there may be more.
    fn keep_some(&mut self, waits: fn(&mut Self) -> &mut Waits, step: KeepSome) -> bool {
        let Some((site, waiting)) = waits(self).pop_first() else { return false };
        let catalog = self.shared.catalog();
        let has_map = catalog.entry_of(site).filter(|entry| !entry.site.channels.is_empty());
        let Some(entry) = has_map else { return true };
        let sealed = self.progress.get(&site).map_or(Stamp(0), |progress| progress.sealed);
        let left = self.insist(|db| {
            let tx = db.transaction()?;
            // Nothing is made of what is not sealed, nor of the time before the first reading.
            let from = rows::first_quarter(&tx, entry.channel_rows())?.unwrap_or(Stamp::MAX);
            let waiting = waiting.start.max(from)..waiting.end.min(sealed);
            let left = step(&tx, entry, &waiting, sealed)?;
            tx.commit()?;
            Ok(left)
        });
        // Closing, or damage that was reported: the next start tries again.
        if let Some(left) = left.filter(|left| left.start < left.end) {
            waits(self).insert(site, left);
        }
        true
    }

    /// Derives the splits of one day again; whether there was any to do.
    fn rederive(&mut self) -> bool {
        if !self.to_rederive {
            return false;
        }
        let catalog = self.shared.catalog();
        let progress = self.progress.clone();
        let sealed = |site: i64| progress.get(&site).map_or(Stamp::MIN, |progress| progress.sealed);
        let done = self.insist(|db| {
            let tx = db.transaction()?;
            let step = rederive::step(&tx, &catalog, sealed)?;
            tx.commit()?;
            Ok(step)
        });
        // Nothing left, closing, or damage that was reported: the next start tries again.
        let Some(Some(step)) = done else {
            self.to_rederive = false;
            return false;
        };
        if let Some(entry) = catalog.entry_of(step.site) {
            let site = entry.site.id.clone();
            self.report(Event::Rederived { site, day: step.day, derived: step.derived, left: step.left });
        }
        if let Some(resealed) = &step.outcome.resealed {
            self.count_days_of(step.site, resealed);
        }
        self.damaged(step.outcome.damage);
        true
    }

    /// Gives the outbox the next part of a correction, once a central store has taken the last one: so
    /// a correction of years holds up what is new by a day's worth at most. Whether there was any.
    fn correct(&mut self) -> bool {
        let waits = || !self.shared.has_centrals() || self.shared.outbox().foremost() < self.corrected;
        if !self.to_correct || waits() {
            return false;
        }
        let catalog = self.shared.catalog();
        let has_map = |site: i64| catalog.entry_of(site).is_some_and(|entry| !entry.site.channels.is_empty());
        let done = self.insist(|db| {
            let tx = db.transaction()?;
            let seq = outbox::correct(&tx, has_map)?;
            let left = outbox::corrections_left(&tx)?;
            tx.commit()?;
            Ok(seq.map(|seq| (seq, left)))
        });
        let Some(Some((seq, left))) = done else {
            self.to_correct = false;
            return false;
        };
        self.corrected = seq;
        self.report(Event::Corrected { left });
        true
    }

    /// A row that turned bad while the store is open must not keep the others from being sealed.
    fn mend_if_damaged(&mut self) {
        let damage = self.insist(|db| {
            let tx = db.transaction()?;
            let damage = seal::mend(&tx)?;
            tx.commit()?;
            Ok(damage)
        });
        self.damaged(damage.unwrap_or_default());
    }

    /// Counts late minutes of a site again.
    fn count_late(&mut self, site: i64, ranges: Vec<Range<Stamp>>) {
        let catalog = self.shared.catalog();
        let Some(entry) = catalog.entry_of(site) else { return };
        let shared = Arc::clone(&self.shared);
        let sealed = self.progress.get(&site).map_or(Stamp::MIN, |progress| progress.sealed);
        let marks = shared.has_centrals();
        let window = entry.window(&ranges);
        // Only this thread changes them, so they stay as they are while this counts.
        let shown = shared.recent().rows(site, &(Stamp::MIN..Stamp::MAX));
        let done = self.insist(|db| {
            let tx = db.transaction()?;
            let unsealed = seal::unsealed(&tx, &[site], window.clone())?;
            let recount = Recount { db: &tx, entry, unsealed: &unsealed, sealed, recent: &shown, only: &[] };
            let outcome = recount.run(ranges.clone())?;
            for range in outcome.changed.iter().filter(|_| marks) {
                outbox::mark(&tx, site, range)?;
            }
            // Held over the commit: a central store that sees the mark then sees the minutes too.
            let mut recent = shared.recent_mut();
            tx.commit()?;
            for (start, rows) in &outcome.recent {
                recent.put(site, *start, rows);
            }
            Ok(outcome)
        });
        self.finish(site, done.unwrap_or_default());
    }

    pub(super) fn finish(&mut self, site: i64, outcome: Outcome) {
        if let Some(last) = outcome.changed.last()
            && self.shared.has_centrals()
        {
            let progress = self.progress.entry(site).or_default();
            progress.marked = progress.marked.max(last.end);
        }
        if let Some(resealed) = &outcome.resealed {
            self.count_days_of(site, resealed);
        }
        self.damaged(outcome.damage);
    }

    /// One step of a seal; whether there are more, or `None` when it cannot go on.
    fn seal_step(&mut self, sealing: &mut Sealing) -> Option<bool> {
        let catalog = self.shared.catalog();
        let Some(group) = sealing.groups.pop_front() else {
            let thinned = self.insist(|db| {
                let tx = db.transaction()?;
                let thinned = sealing.thin_out(&tx, &catalog)?;
                tx.commit()?;
                Ok(thinned)
            })?;
            sealing.thinned = thinned.unwrap_or(sealing.thinned);
            return Some(thinned.is_some());
        };
        let shared = Arc::clone(&self.shared);
        let marks = shared.has_centrals();
        let before = sealing.before;
        let progress = self.progress.clone();
        let until = |site: i64| progress.get(&site).map_or(before, |progress| progress.sealed.max(before));
        let outcomes = self.insist(|db| {
            let tx = db.transaction()?;
            let unsealed = sealing.gather(&tx, &catalog, &group)?;
            let mut outcomes = Vec::new();
            for site in &group {
                let shown = shared.recent().rows(*site, &(Stamp::MIN..before));
                let job =
                    seal::Job { site: *site, entry: catalog.entry_of(*site), before, sealed: until(*site) };
                let outcome = job.run(&tx, &unsealed, &shown)?;
                for range in outcome.changed.iter().filter(|_| marks) {
                    outbox::mark(&tx, *site, range)?;
                }
                tx.prepare_cached("UPDATE site SET sealed_ds = ?2 WHERE id = ?1 AND sealed_ds < ?2")?
                    .execute(params![site, before.0])?;
                outcomes.push((*site, outcome));
            }
            tx.commit()?;
            Ok(outcomes)
        })?;
        for (site, outcome) in outcomes {
            let progress = self.progress.entry(site).or_default();
            let newly = std::mem::replace(&mut progress.sealed, until(site))..until(site);
            self.count_days_of(site, &newly);
            self.finish(site, outcome);
            // After the commit, so that a minute is always in the file or here.
            self.shared.recent_mut().trim(site, before);
        }
        Some(true)
    }
}
