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

#[test]
fn a_day_of_nineteen_channels_takes_less_than_nine_tenths_of_a_byte_a_reading() {
    let names: Vec<String> = (1..=17).map(|n| format!("{n:?}")).collect();
    let names = names.join("\", \"");
    let map = MAP.replace(r#"["m1", "m2", "1", "2"]"#, &format!(r#"["m1", "m2", "{names}"]"#));
    let site = site_of(&map);
    let directory = tempfile::tempdir().expect("a directory");
    let (store, events) = open(directory.path(), &site, &[]);
    let mut random = ChaCha8Rng::seed_from_u64(42);
    let mut loads = LEVELS.map(|(levels, dwell, noise)| Load { levels, dwell, noise, level: 0, drift: 0.0 });
    let day = 86_400;
    let mut count = 0;
    for hour in 0..24 {
        let mut readings = Vec::new();
        for second in hour * 3600..(hour + 1) * 3600 {
            // The network holds one in ten up by a tenth of a second.
            let at = at(second) + Span(i64::from(random.random::<f64>() < 0.1));
            let circuits = loads.each_mut().map(|load| load.next(&mut random));
            let leg = |odd: usize| circuits.iter().skip(odd).step_by(2).sum::<i64>();
            let mains = [leg(0), leg(1)].map(|sum| sum + 1_500 + random.random_range(0..40));
            for (channel, value) in mains.iter().chain(&circuits).enumerate() {
                let sample = Sample { at, value: *value };
                readings.push(Reading { site: SiteIndex(0), channel: ChannelIndex(channel as u32), sample });
            }
        }
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
    let a_reading = size.used as f64 / count as f64;
    assert!(a_reading < 0.9, "{a_reading:.3} bytes a reading");
}
