//! History straight into a store, without a broker: for the demo's `--days` and for benchmarks.

use std::ops::Range;
use std::sync::{Arc, mpsc};

use anyhow::{Context, Result, bail};

use super::{Devices, Ledger, Simulation};
use crate::reading::{Reading, SiteIndex};
use crate::site::Site;
use crate::store::{Batch, Command, Event, Options, Store};
use crate::units::{Span, Stamp};

/// Hours between two seals: a seal reads the day's rows so far, so one an hour would read them
/// 24 times, and what is not sealed waits in memory.
const SEAL_EVERY_H: i64 = 6;

/// Batches of an hour each that may wait for the disk; with the seals between them they stay below
/// the store's own queue, so that giving one never blocks.
const BATCHES_ON_THE_WAY: u64 = 2;

/// What was laid in.
#[derive(Clone, Debug, Default)]
pub struct Laid {
    /// Readings given to the store.
    pub readings: u64,
    /// The truth behind them.
    pub truth: Ledger,
}

impl Laid {
    /// Adds what was laid in after it.
    pub fn append(&mut self, later: Self) {
        self.readings += later.readings;
        self.truth.append(&later.truth);
    }
}

/// Simulates `range` (whole seconds) of a site that is wired as its map says; see [`lay_in_of`].
///
/// # Errors
/// As there.
pub fn lay_in(
    options: Options,
    site: &Arc<Site>,
    seed: u64,
    range: Range<Stamp>,
    progress: impl FnMut(Stamp),
) -> Result<Laid> {
    lay_in_of(options, site, Simulation::new(site, seed)?, range, progress)
}

/// Lives through `range` (whole seconds) of a simulation and keeps what the site's meters would have sent, sealed as
/// far as hours are over. `progress` hears of each hour. It blocks: give it a thread of its own.
///
/// # Errors
/// When the store cannot be opened or written, or the site cannot be simulated.
pub fn lay_in_of(
    options: Options,
    site: &Arc<Site>,
    mut simulation: Simulation,
    range: Range<Stamp>,
    mut progress: impl FnMut(Stamp),
) -> Result<Laid> {
    let mut writer = Writer::open(options, site)?;
    let mut devices = Devices::new(site)?;
    let mut laid = Laid::default();
    let mut at = range.start;
    while at < range.end {
        let hour_end = (at.floor(Span::HOUR) + Span::HOUR).min(range.end);
        let mut readings = Vec::new();
        while at < hour_end {
            let second = simulation.second(at)?;
            laid.truth.add(&second.truth);
            devices.readings(second, |channel, sample| {
                readings.push(Reading { site: SiteIndex(0), channel, sample });
            });
            at = at + Span::TICK;
        }
        laid.readings += readings.len() as u64;
        writer.commit(readings)?;
        if at.seconds() % (SEAL_EVERY_H * 3600) == 0 {
            writer.seal(at)?;
        }
        progress(at);
    }
    writer.send(Command::Seal { before: at })?;
    writer.finish()?;
    Ok(laid)
}

/// The store, and what it reports.
struct Writer {
    store: Store,
    reports: mpsc::Receiver<Event>,
    /// Number of the last batch given, and of the last one that is on the disk.
    given: u64,
    committed: u64,
    /// The last seal asked for, and how far it has come.
    asked: Stamp,
    sealed: Stamp,
}

impl Writer {
    fn open(options: Options, site: &Arc<Site>) -> Result<Self> {
        let (events, reports) = mpsc::channel();
        // While the store closes nobody listens any more.
        let on_event = move |event| drop(events.send(event));
        let store = Store::open(options, std::slice::from_ref(site), Box::new(on_event))?;
        Ok(Self { store, reports, given: 0, committed: 0, asked: Stamp::MIN, sealed: Stamp::MIN })
    }

    /// Gives a batch once there is little on the way: so memory is bounded, and a store that cannot
    /// write is heard of instead of waited for.
    fn commit(&mut self, readings: Vec<Reading>) -> Result<()> {
        while self.committed + BATCHES_ON_THE_WAY < self.given {
            self.hear()?;
        }
        self.given += 1;
        self.send(Command::Commit(Batch { ticket: self.given, readings, ..Batch::default() }))
    }

    /// Asks for a seal once the one before it is done: so neither the journal nor the pages that it
    /// leaves free grow with what is laid in.
    fn seal(&mut self, before: Stamp) -> Result<()> {
        while self.sealed < self.asked {
            self.hear()?;
        }
        self.asked = before;
        self.send(Command::Seal { before })
    }

    fn send(&self, command: Command) -> Result<()> {
        self.store.sender().blocking_send(command).ok().context("the store's writer has ended")
    }

    /// Waits for one report. True once everything is in the file.
    fn hear(&mut self) -> Result<bool> {
        match self.reports.recv().context("the store's writer has ended")? {
            Event::Committed { ticket, .. } => self.committed = ticket,
            Event::Trouble { why } => bail!("the store cannot be written: {why}"),
            Event::Damaged { what } => bail!("the store is damaged: {what}"),
            Event::Flushed => return Ok(true),
            Event::Sealed { until } => self.sealed = until,
            Event::Recovered | Event::Kept(_) | Event::Rederived { .. } | Event::Corrected { .. } => {}
        }
        Ok(false)
    }

    fn finish(mut self) -> Result<()> {
        self.send(Command::Flush)?;
        while !self.hear()? {}
        self.store.close();
        Ok(())
    }
}

#[cfg(test)]
mod tests {
    use super::*;
    use crate::calendar::{Interval, Zone};
    use crate::history::energy;
    use crate::sim::tests::at;
    use crate::site::FigureKey;
    use crate::store::Reader;

    #[test]
    fn what_is_laid_in_is_the_truth_and_its_books_close() {
        let directory = tempfile::tempdir().unwrap();
        let site = Arc::new(super::super::tests::heron_lane());
        let options = Options {
            directory: directory.path().to_owned(),
            centrals: Vec::new(),
            keep: crate::store::Keep::default(),
        };
        let range = at("2026-06-20T10:10:00-06:00")..at("2026-06-20T13:40:00-06:00");
        let mut hours = 0;
        let laid = lay_in(options, &site, 4, range.clone(), |_| hours += 1).unwrap();
        assert_eq!(hours, 4);
        assert_eq!(laid.readings, 3 * 3600 * 20 + 1800 * 20);

        let reader = Reader::offline(directory.path(), std::slice::from_ref(&site)).unwrap();
        let zone = Zone::new(&site.time_zone).unwrap();
        let interval = Interval { start: range.start, end: range.end };
        let mut source = reader.source(SiteIndex(0));
        let summary = energy(&site, &zone, &mut source, &[interval]).unwrap().remove(0);
        assert_eq!(summary.totals_coverage(), 1.0);
        let kwh = |key| summary.kwh(key).unwrap();
        let check = |key, expected: f64| {
            let stored = kwh(key);
            // Noise averages out over hours; what remains is rounding to 0.1 W.
            assert!(
                (stored - expected).abs() < 0.001 * expected.abs() + 0.002,
                "{key:?} {stored} for {expected}"
            );
        };
        check(FigureKey::Import, laid.truth.import());
        check(FigureKey::Export, laid.truth.export());
        check(FigureKey::Generation, laid.truth.generation());
        check(FigureKey::Consumption, laid.truth.consumption());
        check(FigureKey::Untracked, laid.truth.untracked());
        for (index, expected) in laid.truth.circuits().into_iter().enumerate() {
            if !site.circuits[index].latest().terms.is_empty() {
                check(FigureKey::Circuit(index), expected);
            }
        }
        let books = kwh(FigureKey::Consumption) - kwh(FigureKey::Tracked) - kwh(FigureKey::Untracked);
        // Each of the three is rounded to a mWh.
        assert!(books.abs() < 1.6e-6, "{books} kWh");
    }
}
