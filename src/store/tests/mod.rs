//! The store as a whole: an invented house is read for some hours, live as the daemon does it, and
//! the store is killed, filled, damaged and asked on the way.

use std::path::{Path, PathBuf};
use std::sync::Arc;
use std::sync::mpsc::{Receiver, channel};
use std::time::Duration;

use tempfile::TempDir;

use super::*;
use crate::flow::{Row, SiteFlow, account};
use crate::history::{Level, Source as _};
use crate::reading::Sample;
use crate::site::{ChannelIndex, SeriesIndex};
use crate::units::Span;

mod boundaries;
mod care;
mod corrected;
mod counted;
mod failure;
mod formats;
mod kept;
mod life;
mod repair;
mod rows;
mod run_days;
mod shuffled;
mod size;

/// 2026-03-08T00:00:00Z. In Denver the clock goes forward on that day, at 09:00Z.
const T0: Stamp = Stamp::from_seconds(1_772_928_000);

/// An invented map: mains, a doubled load, PV, and a counter that is read once a minute.
const MAP: &str = r#"
site = "heron-lane"
time_zone = "America/Denver"

[service]
system = "split-phase 120/240"

[[device]]
id = "house"
topic = "meter/{channel}"
unit = "W"
reading = "mean"
every_s = 1
channels = ["m1", "m2", "1", "2"]

[[device]]
id = "well"
topic = "well/{channel}"
unit = "Wh"
reading = "mean"
every_s = 60
channels = ["count"]

[[feed]]
bus = "main"
channels = [{ channel = "house/m1", leg = "A" }, { channel = "house/m2", leg = "B" }]
measures = "panel"

[[circuit]]
id = "heater"
label = "Water heater"
end_use = "hot water"
spaces = [1, 3]
channels = ["house/1"]
doubled = true

[[circuit]]
id = "solar"
label = "Solar"
end_use = "PV"
spaces = [2, 4]
channels = ["house/2"]
doubled = true
sign = "generation-positive"

[[circuit]]
id = "well-pump"
label = "Well pump"
end_use = "well/sump"
spaces = [5]
channels = ["well/count"]
"#;

fn site_of(map: &str) -> Arc<Site> {
    let parsed = crate::site::parse("test.toml", map);
    let Some(site) = parsed.site else { panic!("{:#?}", parsed.findings) };
    Arc::new(site)
}

fn at(seconds: i64) -> Stamp {
    T0 + Span::from_seconds(seconds)
}

/// What the channel shows at that second, in 0.1 W or 0.1 Wh: invented, and different every second.
fn value(channel: u32, second: i64) -> i64 {
    let noise = (second * 7919 + i64::from(channel) * 104_729) % 211;
    match channel {
        0 => 4_000 + noise - (second / 600 % 3) * 9_000,
        1 => 3_000 + noise,
        2 => (second / 900 % 2) * 22_000 + noise,
        3 => 15_000 * (second / 1200 % 2) + noise - 5,
        _ => second / 7,
    }
}

/// The readings of a second in the order of arrival.
fn readings_at(second: i64) -> Vec<Reading> {
    let mut readings = Vec::new();
    for channel in 0..5 {
        if channel < 4 || second % 60 == 0 {
            let sample = Sample { at: at(second), value: value(channel, second) };
            readings.push(Reading { site: SiteIndex(0), channel: ChannelIndex(channel), sample });
        }
    }
    readings
}

/// A store, a live flow as the daemon has it, and everything that was given.
struct Rig {
    site: Arc<Site>,
    flow: SiteFlow,
    directory: TempDir,
    store: Option<Store>,
    events: Receiver<Event>,
    ticket: u64,
    given: Vec<Vec<Sample>>,
}

impl Rig {
    fn new(centrals: &[&str]) -> Self {
        Self::under(MAP, centrals)
    }

    fn under(map: &str, centrals: &[&str]) -> Self {
        let site = site_of(map);
        let directory = tempfile::tempdir().expect("a directory");
        let (store, events) = open(directory.path(), &site, centrals);
        let flow = SiteFlow::new(Arc::clone(&site), None);
        let given = vec![Vec::new(); site.channels.len()];
        Self { site, flow, directory, store: Some(store), events, ticket: 0, given }
    }

    fn store(&self) -> &Store {
        self.store.as_ref().expect("it is open")
    }

    fn send(&self, command: Command) {
        self.store().sender().blocking_send(command).expect("the writer is there");
    }

    /// Waits for an event, and fails if there is none in half a minute or if anything is damaged.
    fn wait(&self, wanted: impl FnMut(&Event) -> bool) -> Event {
        wait(&self.events, wanted)
    }

    /// Commits readings, with what the live flow makes of them.
    fn commit(&mut self, readings: Vec<Reading>, now: Stamp) {
        let mut minutes = Vec::new();
        for reading in &readings {
            self.given[reading.channel.0 as usize].push(reading.sample);
            self.flow.push(reading.channel, reading.sample);
        }
        self.flow.advance(now, &mut minutes);
        let late = self.flow.take_late().into_iter().map(|range| (SiteIndex(0), range)).collect();
        let minutes = minutes.into_iter().map(|minute| (SiteIndex(0), minute)).collect();
        self.ticket += 1;
        let ticket = self.ticket;
        self.send(Command::Commit(Batch { ticket, readings, minutes, late }));
        self.wait(|event| matches!(event, Event::Committed { ticket: done, .. } if *done == ticket));
    }

    /// Runs from one second to another, with a commit a minute.
    fn run(&mut self, from: i64, to: i64) {
        let mut second = from;
        while second < to {
            let until = (second + 60).min(to);
            let readings = (second..until).flat_map(readings_at).collect();
            self.commit(readings, at(until));
            second = until;
        }
    }

    fn seal(&self, second: i64) {
        self.send(Command::Seal { before: at(second) });
        self.send(Command::Flush);
        self.wait(|event| *event == Event::Flushed);
    }

    fn flush(&self) {
        self.send(Command::Flush);
        self.wait(|event| *event == Event::Flushed);
    }

    /// What the rows must be: one account over everything that was given.
    fn expected(&self, from: i64, to: i64) -> Vec<(SeriesIndex, Row)> {
        expected(&self.site, &self.given, at(from)..at(to))
    }

    fn rows(&self, level: Level, from: i64, to: i64) -> Vec<(SeriesIndex, Row)> {
        self.store().reader().source(SiteIndex(0)).rows(level, at(from)..at(to)).expect("rows")
    }

    /// The files as a killed process would leave them.
    fn copy(&self) -> TempDir {
        copy(self.directory.path())
    }
}

fn open(directory: &Path, site: &Arc<Site>, centrals: &[&str]) -> (Store, Receiver<Event>) {
    let (tell, events) = channel();
    let centrals = centrals.iter().map(|name| (*name).to_owned()).collect();
    let options = Options { directory: directory.to_owned(), centrals, keep: Keep::default() };
    let on_event = Box::new(move |event| {
        // A test that has ended listens no more.
        let _ = tell.send(event);
    });
    let store = Store::open(options, std::slice::from_ref(site), on_event).expect("it opens");
    (store, events)
}

fn wait(events: &Receiver<Event>, mut wanted: impl FnMut(&Event) -> bool) -> Event {
    loop {
        let event = events.recv_timeout(Duration::from_secs(30)).expect("the event comes");
        if wanted(&event) {
            return event;
        }
        assert!(!matches!(event, Event::Damaged { .. } | Event::Trouble { .. }), "{event:?}");
    }
}

fn expected(site: &Arc<Site>, given: &[Vec<Sample>], range: Range<Stamp>) -> Vec<(SeriesIndex, Row)> {
    let mut given = given.to_vec();
    for samples in &mut given {
        // The value committed last holds.
        samples.reverse();
        samples.sort_by_key(|sample| sample.at);
        samples.dedup_by_key(|sample| sample.at);
    }
    let mut rows: Vec<_> = account(site, range, &given).into_iter().flat_map(|minute| minute.rows).collect();
    rows.sort_by_key(|(series, row)| (*series, row.start));
    rows
}

/// Coarser rows from minutes.
fn summed(minutes: &[(SeriesIndex, Row)], start: impl Fn(Stamp) -> Stamp) -> Vec<(SeriesIndex, Row)> {
    let mut sums: Vec<(SeriesIndex, Row)> = Vec::new();
    for (series, row) in minutes {
        let start = start(row.start);
        match sums.last_mut() {
            Some((other, sum)) if other == series && sum.start == start => sum.absorb(row),
            _ => {
                let mut sum = Row::empty(start);
                sum.absorb(row);
                sums.push((*series, sum));
            }
        }
    }
    sums
}

fn copy(from: &Path) -> TempDir {
    let to = tempfile::tempdir().expect("a directory");
    for name in [FILE_NAME.to_owned(), format!("{FILE_NAME}-wal")] {
        if from.join(&name).exists() {
            std::fs::copy(from.join(&name), to.path().join(&name)).expect("a copy");
        }
    }
    to
}

/// All readings of the journal.
fn replayed(store: &Store) -> Vec<Reading> {
    let mut readings = Vec::new();
    store.replay(|reading| readings.push(reading)).expect("it replays");
    readings
}

fn database(directory: &Path) -> PathBuf {
    directory.join(FILE_NAME)
}

#[expect(clippy::disallowed_methods, reason = "the test looks at the file itself")]
fn bytes(path: &Path) -> Vec<u8> {
    std::fs::read(path).expect("the file is there")
}

#[expect(clippy::disallowed_methods, reason = "the test makes the file itself")]
fn put(path: &Path, bytes: &[u8]) {
    std::fs::write(path, bytes).expect("the file is written");
}

fn log_of(directory: &Path) -> PathBuf {
    directory.join(format!("{FILE_NAME}-wal"))
}

/// A generator of numbers, the same ones every time.
fn random(state: &mut u64) -> u64 {
    *state = state.wrapping_mul(6_364_136_223_846_793_005).wrapping_add(1_442_695_040_888_963_407);
    *state >> 33
}
