//! How much room a day takes: printed, with a bound far enough off that only a fault passes it.

use rand::RngExt as _;
use rand::SeedableRng as _;
use rand_chacha::ChaCha8Rng;

use super::*;

/// An invented load: it switches between a few levels, and the meter and the grid add noise.
struct Load {
    levels: &'static [i64],
    /// Seconds that a level lasts on average.
    dwell: f64,
    noise: f64,
    level: i64,
    drift: f64,
}

impl Load {
    fn next(&mut self, random: &mut ChaCha8Rng) -> i64 {
        if random.random::<f64>() < 1.0 / self.dwell {
            self.level = self.levels[random.random_range(0..self.levels.len())];
        }
        if self.level == 0 {
            // A CT that carries nothing shows a few tenths of a watt.
            return random.random_range(0..3);
        }
        self.drift = 0.9 * self.drift + self.noise * (random.random::<f64>() - 0.5);
        self.level + self.drift.round() as i64
    }
}

const LEVELS: [(&[i64], f64, f64); 17] = [
    (&[0, 21_000, 34_000], 1200.0, 60.0),
    (&[0, 0, 0, 48_000], 3000.0, 40.0),
    (&[0, 0, 4_500, 45_000], 3600.0, 30.0),
    (&[0, 0, 11_000], 600.0, 80.0),
    (&[0, 0, 0, 12_000, 24_000], 1800.0, 30.0),
    (&[0, 0, 0, 12_000, 24_000], 1800.0, 30.0),
    (&[0, 0, 25_000], 2400.0, 30.0),
    (&[0, 0, 3_000, 28_000], 2400.0, 50.0),
    (&[0, 5_200], 1500.0, 20.0),
    (&[900, 1_400], 900.0, 10.0),
    (&[600, 750, 1_900], 700.0, 15.0),
    (&[450, 1_300, 2_600], 1100.0, 25.0),
    (&[300, 320], 5000.0, 4.0),
    (&[150, 4_000], 4000.0, 20.0),
    (&[0, 0, 72_000], 9000.0, 30.0),
    (&[0, 30_000, 55_000], 300.0, 400.0),
    (&[800, 2_000, 3_500], 500.0, 30.0),
];

/// The house of the measurements: two mains and seventeen circuits, of which the network holds one
/// message in ten up by a tenth of a second.
struct House {
    site: Arc<Site>,
    random: ChaCha8Rng,
    loads: [Load; 17],
}

impl House {
    fn new() -> Self {
        let names: Vec<String> = (1..=17).map(|n| n.to_string()).collect();
        let names = names.join("\", \"");
        let map = MAP.replace(r#"["m1", "m2", "1", "2"]"#, &format!(r#"["m1", "m2", "{names}"]"#));
        let loads = LEVELS.map(|(levels, dwell, noise)| Load { levels, dwell, noise, level: 0, drift: 0.0 });
        Self { site: site_of(&map), random: ChaCha8Rng::seed_from_u64(42), loads }
    }

    fn readings(&mut self, seconds: Range<i64>) -> Vec<Reading> {
        let mut readings = Vec::new();
        for second in seconds {
            let at = at(second) + Span(i64::from(self.random.random::<f64>() < 0.1));
            let circuits = self.loads.each_mut().map(|load| load.next(&mut self.random));
            let leg = |odd: usize| circuits.iter().skip(odd).step_by(2).sum::<i64>();
            let mains = [leg(0), leg(1)].map(|sum| sum + 1_500 + self.random.random_range(0..40));
            for (channel, value) in mains.iter().chain(&circuits).enumerate() {
                let sample = Sample { at, value: *value };
                readings.push(Reading { site: SiteIndex(0), channel: ChannelIndex(channel as u32), sample });
            }
        }
        readings
    }
}

/// What a commit writes goes into the write-ahead log, which is not cut short before this hour is
/// over; from there each page that changed goes into the file once.
#[test]
fn a_day_of_commits_every_five_seconds_writes_less_than_a_quarter_of_a_gigabyte() {
    let mut house = House::new();
    let directory = tempfile::tempdir().expect("a directory");
    let (store, events) = open(directory.path(), &house.site, &["builder"]);
    let log = || {
        let path = directory.path().join(format!("{FILE_NAME}-wal"));
        std::fs::metadata(path).map_or(0, |data| data.len())
    };
    let mut flow = SiteFlow::new(Arc::clone(&house.site), None);
    for second in (0..3660).step_by(5) {
        let readings = house.readings(second..second + 5);
        let mut minutes = Vec::new();
        for reading in &readings {
            flow.push(reading.channel, reading.sample);
        }
        flow.advance(at(second + 5), &mut minutes);
        let minutes = minutes.into_iter().map(|minute| (SiteIndex(0), minute)).collect();
        let ticket = second as u64;
        let batch = Batch { ticket, readings, minutes, late: Vec::new() };
        store.sender().blocking_send(Command::Commit(batch)).expect("the writer is there");
        wait(&events, |event| matches!(event, Event::Committed { .. }));
    }
    let committed = log();
    store.sender().blocking_send(Command::Seal { before: at(3600) }).expect("the writer is there");
    wait(&events, |event| matches!(event, Event::Sealed { .. }));
    let sealed = log();
    // Into the file goes each page of it at most once an hour.
    let file = std::fs::metadata(database(directory.path())).expect("the file").len();
    store.sender().blocking_send(Command::Flush).expect("the writer is there");
    wait(&events, |event| *event == Event::Flushed);
    let pages = std::fs::metadata(database(directory.path())).expect("the file").len().max(file);
    let a_day = (sealed + pages) * 24;
    println!(
        "an hour: {committed} bytes of commits, {} of the seal, {pages} into the file",
        sealed - committed
    );
    println!("a day: {:.1} MB", a_day as f64 / 1e6);
    assert!(sealed > committed && committed > 720 * 4096, "the log was not cut short");
    assert!(a_day < 250_000_000, "{a_day}");
}

#[test]
fn a_day_of_nineteen_channels_takes_less_than_nine_tenths_of_a_byte_a_reading() {
    let mut house = House::new();
    let directory = tempfile::tempdir().expect("a directory");
    let (store, events) = open(directory.path(), &house.site, &[]);
    // A file without a reading has some twenty tables, a page or two each.
    let empty = crate::store::size(directory.path()).expect("a size").used;
    let day = 86_400;
    let mut count = 0;
    for hour in 0..24 {
        let readings = house.readings(hour * 3600..(hour + 1) * 3600);
        count += readings.len();
        let batch = Batch { ticket: hour as u64, readings, ..Batch::default() };
        store.sender().blocking_send(Command::Commit(batch)).expect("the writer is there");
        let before = at((hour + 1) * 3600);
        store.sender().blocking_send(Command::Seal { before }).expect("the writer is there");
        store.sender().blocking_send(Command::Flush).expect("the writer is there");
        wait(&events, |event| *event == Event::Flushed);
    }
    assert_eq!(count, 19 * day);
    store.close();
    let size = crate::store::size(directory.path()).expect("a size");
    for part in &size.parts {
        println!(
            "{:<16} {:>9} bytes {:>8.3} a reading",
            part.name,
            part.bytes,
            part.bytes as f64 / count as f64
        );
    }
    println!("all              {:>9} bytes {:>8.3} a reading", size.used, size.used as f64 / count as f64);
    assert_eq!(size.readings, count as u64);
    let a_reading = (size.used - empty) as f64 / count as f64;
    println!("more than when it was empty ({empty} bytes): {a_reading:.3} a reading");
    assert!(a_reading < 0.9, "{a_reading:.3} bytes a reading");
}
