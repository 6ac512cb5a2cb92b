//! An invented house whose readings are known for every moment, and stores that hold them.

use std::path::Path;
use std::sync::Arc;
use std::sync::mpsc::{Receiver, channel};
use std::time::Duration;

use panelwright::flow::SiteFlow;
use panelwright::reading::{Reading, Sample, SiteIndex};
use panelwright::site::{ChannelIndex, Site};
use panelwright::store::{Batch, Checked, Command, Event, FILE_NAME, Keep, Options, Reader, Store};
use panelwright::units::{Span, Stamp};

/// 2026-03-08T00:00:00Z.
pub const T0: Stamp = Stamp::from_seconds(1_772_928_000);

/// Its map.
pub const MAP: &str = r#"
site = "heron-lane"
name = "Heron Lane (invented)"
time_zone = "America/Denver"

[service]
system = "split-phase 120/240"

[[device]]
id = "house"
topic = "house/{channel}"
payload = { pointer = "/w", time = "/t" }
unit = "W"
reading = "mean"
every_s = 5
channels = ["m1", "m2", "1", "2"]

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
"#;

/// Its channels, by index.
pub const CHANNELS: [&str; 4] = ["house/m1", "house/m2", "house/1", "house/2"];

/// Seconds between two readings of a channel: few of them, since every check in the tests counts all of them again.
pub const EVERY: i64 = 5;

/// The site.
pub fn site() -> Arc<Site> {
    Arc::new(panelwright::site::parse("heron-lane.toml", MAP).site.expect("a good map"))
}

/// That many seconds after [`T0`].
pub fn at(second: i64) -> Stamp {
    T0 + Span::from_seconds(second)
}

/// What a channel shows, in 0.1 W: invented, and different every time.
pub fn value(channel: usize, second: i64) -> i64 {
    let noise = (second * 7919 + channel as i64 * 104_729).rem_euclid(211);
    match channel {
        0 => 4_000 + noise - (second / 600).rem_euclid(3) * 9_000,
        1 => 3_000 + noise,
        2 => (second / 900).rem_euclid(2) * 22_000 + noise,
        _ => 15_000 * (second / 1200).rem_euclid(2) + noise - 5,
    }
}

/// All readings that are due in some seconds.
pub fn readings(seconds: impl IntoIterator<Item = i64>) -> Vec<Reading> {
    let of_second = |second| {
        (0..CHANNELS.len()).map(move |channel| Reading {
            site: SiteIndex(0),
            channel: ChannelIndex(channel as u32),
            sample: Sample { at: at(second), value: value(channel, second) },
        })
    };
    seconds.into_iter().filter(|second| second % EVERY == 0).flat_map(of_second).collect()
}

/// An open store, and what its writer reports.
pub struct Open {
    /// The store.
    pub store: Store,
    events: Receiver<Event>,
    ticket: u64,
}

impl Open {
    /// Opens or makes a store.
    pub fn at(directory: &Path, centrals: &[&str], keep: Keep) -> Self {
        let (tell, events) = channel();
        let centrals = centrals.iter().map(|name| (*name).to_owned()).collect();
        let options = Options { directory: directory.to_owned(), centrals, keep };
        let on_event = Box::new(move |event| drop(tell.send(event)));
        let store = Store::open(options, &[site()], on_event).expect("a store");
        Self { store, events, ticket: 0 }
    }

    fn send(&self, command: Command) {
        self.store.sender().blocking_send(command).expect("the writer is there");
    }

    fn wait(&self, wanted: impl Fn(&Event) -> bool) {
        loop {
            let event = self.events.recv_timeout(Duration::from_secs(120)).expect("the event comes");
            assert!(!matches!(event, Event::Damaged { .. } | Event::Trouble { .. }), "{event:?}");
            if wanted(&event) {
                return;
            }
        }
    }

    /// Commits readings as the daemon does, a batch of some seconds at a time.
    pub fn run(&mut self, seconds: std::ops::Range<i64>, batch: i64) {
        let mut flow = SiteFlow::new(site(), None);
        let mut from = seconds.start;
        while from < seconds.end {
            let to = (from + batch).min(seconds.end);
            let readings = readings(from..to);
            for reading in &readings {
                flow.push(reading.channel, reading.sample);
            }
            let mut minutes = Vec::new();
            flow.advance(at(to), &mut minutes);
            let minutes = minutes.into_iter().map(|minute| (SiteIndex(0), minute)).collect();
            self.commit(Batch { readings, minutes, ..Batch::default() });
            from = to;
        }
    }

    /// Commits readings of the past, which are counted again.
    pub fn late(&mut self, readings: Vec<Reading>) {
        let first = readings.iter().map(|reading| reading.sample.at).min().expect("a reading");
        let last = readings.iter().map(|reading| reading.sample.at).max().expect("a reading");
        let late = vec![(SiteIndex(0), first - Span::MINUTE..last + Span::MINUTE)];
        self.commit(Batch { readings, late, ..Batch::default() });
    }

    fn commit(&mut self, batch: Batch) {
        self.ticket += 1;
        let ticket = self.ticket;
        self.send(Command::Commit(Batch { ticket, ..batch }));
        self.wait(|event| matches!(event, Event::Committed { ticket: done, .. } if *done == ticket));
    }

    /// Seals up to a second, and finishes all work.
    pub fn seal(&self, second: i64) {
        self.send(Command::Seal { before: at(second) });
        self.flush();
    }

    /// Finishes all work.
    pub fn flush(&self) {
        self.send(Command::Flush);
        self.wait(|event| *event == Event::Flushed);
    }
}

/// What a check of the store in that directory finds.
pub fn check(directory: &Path) -> Checked {
    panelwright::store::check(&directory.join(FILE_NAME), &[site()]).expect("it can be checked")
}

/// The readings of all channels around [`T0`].
pub fn kept(directory: &Path) -> Vec<Vec<Sample>> {
    // Days are looked at one by one: no more of them than the tests fill.
    kept_in(directory, at(-86_400)..at(13 * 86_400))
}

/// The readings of all channels of a day from that moment on.
pub fn kept_since(directory: &Path, from: Stamp) -> Vec<Vec<Sample>> {
    kept_in(directory, from..from + Span::DAY)
}

fn kept_in(directory: &Path, range: std::ops::Range<Stamp>) -> Vec<Vec<Sample>> {
    let reader = Reader::offline(directory, &[site()]).expect("a store");
    let mut source = reader.source(SiteIndex(0));
    let of = |channel| source.readings(ChannelIndex(channel as u32), range.clone()).expect("readings");
    (0..CHANNELS.len()).map(of).collect()
}

/// A copy of the files of a store that nobody has open.
pub fn copy(from: &Path, to: &Path) {
    std::fs::create_dir_all(to).expect("a directory");
    for entry in std::fs::read_dir(from).expect("a list") {
        let path = entry.expect("an entry").path();
        std::fs::copy(&path, to.join(path.file_name().expect("a name"))).expect("a copy");
    }
}
