//! Breakers and legs that carry too much.

use super::*;
use crate::surplus::{AlertKind, Subject};

/// A dryer that takes these amperes on each leg, for so long; the alerts then, by id.
struct Dryer {
    advisor: Advisor,
    now: i64,
    last: Arc<Guidance>,
}

impl Dryer {
    fn new(rest: &str) -> Self {
        Self { advisor: Advisor::new(site(rest)), now: 1_780_000_000, last: Arc::default() }
    }

    /// `amps` on leg A and on leg B for so many seconds.
    fn pass(&mut self, seconds: i64, amps: [f64; 2]) -> Vec<String> {
        for _ in 0..seconds {
            let watts = amps.map(|amps| amps * 120.0);
            let mut tick = Tick { spare_w: Some(-watts[0] - watts[1]), ..Tick::default() };
            tick.tilt_w = watts[0] - watts[1];
            let mut flows = tick.flows(self.now);
            flows.figures[4].1 = Some(Watts(watts[0] + watts[1]));
            self.now += 1;
            // Channels in the order of the map: m1, m2, car, van, dryer's two.
            self.last = self.advisor.step(&flows, |channel| match channel.0 {
                4 => Some((watts[0] * 10.0) as i64),
                5 => Some((watts[1] * 10.0) as i64),
                _ => Some(0),
            });
        }
        self.last.alerts.iter().map(|alert| alert.id.clone()).collect()
    }
}

const NONE: [&str; 0] = [];

/// Source: NEC Article 100 (continuous load: 3 h or more), 210.20(A) (80 % of the rating, as 125 % of the
/// load). A breaker of 30 A: 24 A.
#[test]
fn eighty_percent_for_three_hours() {
    let check = |amps: f64, seconds: i64, expected: &[&str]| {
        assert_eq!(Dryer::new("").pass(seconds, [amps, amps]), expected, "{amps} A for {seconds} s");
    };
    check(24.0, 12 * 3600, &NONE);
    check(24.6, 3 * 3600, &NONE);
    check(24.6, 3 * 3600 + 20, &["continuous-load/dryer"]);
    // The more loaded pole counts.
    assert_eq!(Dryer::new("").pass(3 * 3600 + 20, [25.0, 3.0]), ["continuous-load/dryer"]);
}

#[test]
fn a_break_begins_the_three_hours_anew_and_a_wobble_does_not() {
    let mut dryer = Dryer::new("");
    dryer.pass(10_000, [25.0, 25.0]);
    dryer.pass(60, [24.0, 24.0]);
    assert_eq!(dryer.pass(800, [25.0, 25.0]), ["continuous-load/dryer"]);
    let mut dryer = Dryer::new("");
    dryer.pass(10_000, [25.0, 25.0]);
    dryer.pass(60, [20.0, 20.0]);
    assert_eq!(dryer.pass(10_000, [25.0, 25.0]), NONE);
}

#[test]
fn more_than_the_rating_for_a_minute_and_its_end() {
    let mut dryer = Dryer::new("");
    assert_eq!(dryer.pass(60, [33.0, 33.0]), NONE);
    assert_eq!(dryer.pass(20, [33.0, 33.0]), ["over-rating/dryer"]);
    let alert = dryer.last.alerts[0].clone();
    assert_eq!(alert.what, "Clothes dryer carries up to 33 A: 110 % of its breaker of 30 A");
    assert_eq!((alert.kind, alert.subject, alert.limit_a), (AlertKind::Over, Subject::Circuit(2), 30.0));
    assert_eq!(alert.since, Stamp::from_seconds(1_780_000_000));
    // Just below the rating is not low enough to be over.
    assert_eq!(dryer.pass(3000, [29.8, 29.8]), ["over-rating/dryer"]);
    assert_eq!(dryer.pass(290, [20.0, 20.0]), ["over-rating/dryer"]);
    assert_eq!(dryer.pass(30, [20.0, 20.0]), NONE);
    let mut dryer = Dryer::new("[watch]\nover_after_s = 600\n");
    assert_eq!(dryer.pass(590, [33.0, 33.0]), NONE);
    assert_eq!(dryer.pass(30, [33.0, 33.0]), ["over-rating/dryer"]);
}

#[test]
fn legs_of_the_mains_and_their_difference() {
    let mut dryer = Dryer::new("[watch]\nimbalance_a = 60\n");
    assert_eq!(dryer.pass(1700, [100.0, 30.0]), ["over-rating/dryer"]);
    assert_eq!(dryer.pass(200, [100.0, 30.0]), ["over-rating/dryer", "leg-imbalance/service"]);
    let alerts = Dryer::new("").pass(100, [210.0, 205.0]);
    assert_eq!(alerts, ["over-rating/dryer", "over-rating/leg-a", "over-rating/leg-b"]);
}

#[test]
fn what_is_not_known_raises_nothing_and_ends_in_the_end() {
    let mut dryer = Dryer::new("");
    assert_eq!(dryer.pass(100, [33.0, 33.0]), ["over-rating/dryer"]);
    let unknown = |dryer: &mut Dryer, seconds: i64| {
        for _ in 0..seconds {
            let mut flows = Tick { spare_w: None, ..Tick::default() }.flows(dryer.now);
            flows.figures[4].1 = None;
            dryer.now += 1;
            dryer.last = dryer.advisor.step(&flows, |_| None);
        }
        dryer.last.alerts.len()
    };
    assert_eq!(unknown(&mut dryer, 200), 1);
    assert_eq!(unknown(&mut dryer, 200), 0);
    let mut dryer = Dryer::new("");
    dryer.pass(10_000, [25.0, 25.0]);
    unknown(&mut dryer, 60);
    assert_eq!(dryer.pass(2000, [25.0, 25.0]), NONE, "three hours that were not seen are none");
}
