//! A day's readings in any order, as far apart as the late window lets them be: the store is the same.

use proptest::prelude::*;

use super::*;

/// Where the invented day has readings, in seconds: over its ends, and over an hour's.
const PATCHES: [(i64, i64); 3] = [(0, 300), (7 * 3600 - 200, 7 * 3600 + 200), (86_400 - 300, 86_400)];

/// The late window as it is set by default, in seconds.
const WINDOW: i64 = 7 * 86_400;

/// Up to where hours are sealed, in seconds: nothing is later than that.
const SEALED: i64 = 2 * 86_400;

/// Readings with the second at which they arrive. A run of a channel's readings comes together, as a
/// device delivers what it kept; some runs come twice.
fn deliveries(state: &mut u64) -> Vec<(i64, Reading)> {
    let mut deliveries = Vec::new();
    for (from, to) in PATCHES {
        let all: Vec<Reading> = (from..to).flat_map(readings_at).collect();
        for channel in 0..5 {
            let mut of_one: Vec<&Reading> =
                all.iter().filter(|reading| reading.channel == ChannelIndex(channel)).collect();
            while !of_one.is_empty() {
                let length = (1 + random(state) as usize % 200).min(of_one.len());
                let run: Vec<&Reading> = of_one.drain(..length).collect();
                let times = if random(state).is_multiple_of(8) { 2 } else { 1 };
                for _ in 0..times {
                    let longest = [2, 600, 86_400, WINDOW - 86_400][random(state) as usize % 4];
                    let delay = random(state) as i64 % longest;
                    let second = |reading: &Reading| (reading.sample.at - T0).0 / Span::from_seconds(1).0;
                    deliveries.extend(run.iter().map(|reading| (second(reading) + delay, **reading)));
                }
            }
        }
    }
    // Of those that arrive in the same second any may be first.
    let mut keyed: Vec<_> =
        deliveries.into_iter().map(|(at, reading)| ((at, random(state)), (at, reading))).collect();
    keyed.sort_by_key(|(key, _)| *key);
    keyed.into_iter().map(|(_, delivery)| delivery).collect()
}

type Rows = Vec<(SeriesIndex, Row)>;

/// Everything that the store says of the day and what is around it.
fn everything(rig: &Rig) -> (Vec<Rows>, Vec<Vec<Sample>>) {
    let levels = [Level::Minute, Level::Quarter, Level::Hour, Level::Day, Level::Month];
    let rows = levels.map(|level| rig.rows(level, -40 * 86_400, 20 * 86_400)).to_vec();
    let mut source = rig.store().reader().source(SiteIndex(0));
    let all = at(-86_400)..at(20 * 86_400);
    let of = |channel| source.readings(ChannelIndex(channel), all.clone()).expect("readings");
    (rows, (0..5).map(of).collect())
}

proptest! {
    #![proptest_config(ProptestConfig { cases: 3, max_shrink_iters: 0, ..ProptestConfig::default() })]

    #[test]
    fn a_shuffled_day_is_the_same_day(seed: u64) {
        let mut in_order = Rig::new(&[]);
        for (from, to) in PATCHES {
            in_order.run(from, to);
        }
        in_order.seal(SEALED);
        let mut shuffled = Rig::new(&[]);
        let mut state = seed;
        let deliveries = deliveries(&mut state);
        for together in deliveries.chunk_by(|one, other| one.0 / 60 == other.0 / 60) {
            let now = (together[0].0 / 60 + 1) * 60;
            shuffled.commit(together.iter().map(|(_, reading)| *reading).collect(), at(now));
            if random(&mut state).is_multiple_of(10) {
                shuffled.seal((now / 3600 * 3600).min(SEALED));
            }
        }
        shuffled.seal(SEALED);
        let (one, other) = (everything(&in_order), everything(&shuffled));
        prop_assert_eq!(&one.1, &other.1, "readings");
        for (one, other) in one.0.iter().zip(&other.0) {
            prop_assert!(!one.is_empty());
            prop_assert_eq!(one, other);
        }
        shuffled.store.take().expect("it is open").close();
        let sites = [Arc::clone(&shuffled.site)];
        let checked = crate::store::check(&database(shuffled.directory.path()), &sites).expect("it opens");
        prop_assert!(checked.findings.is_empty(), "{:?}", checked.findings);
    }
}
