//! The washer, and the dryer: a 240 V heater that cycles and a 120 V motor on one leg, which is why
//! one CT with a factor of two would be wrong for it.

use super::super::chance::mix;
use super::super::day::{Day, Moment};
use super::{Bursts, Draw, Draws, Kind};

const HEATER_W: f64 = 5_100.0;
const MOTOR_W: f64 = 285.0;
/// Tumbling without heat at the end, s.
const COOLING_S: f64 = 300.0;
/// Heat without a pause at the start, s; then it cycles.
const SOAKED_S: f64 = 900.0;

/// The laundry of one day.
#[derive(Clone, Debug)]
pub(super) struct Laundry {
    /// (start, end) of each load in the dryer, and of each in the washer, by the clock.
    drying: Vec<(f64, f64)>,
    washing: Vec<(f64, f64)>,
    spin: Bursts,
    key: u64,
}

impl Laundry {
    pub(super) fn new(day: &Day) -> Self {
        let mut chance = day.chance(4);
        let (mut drying, mut washing) = (Vec::new(), Vec::new());
        let mut spin = Bursts::default();
        let loads = match (day.is_weekend(), chance.yes(0.45)) {
            (true, _) => chance.count(1, 2),
            (false, true) => 1,
            (false, false) => 0,
        };
        let mut start = if day.is_weekend() { chance.clock(9.0, 14.0) } else { chance.clock(16.5, 18.5) };
        for _ in 0..loads {
            let wash = chance.between(2_400.0, 3_000.0);
            washing.push((start, start + wash));
            spin.add(start + wash - 480.0, 420.0, 330.0);
            let from = start + wash + chance.between(120.0, 900.0);
            drying.push((from, from + chance.between(2_500.0, 3_500.0)));
            start = from + 600.0;
        }
        Self { drying, washing, spin, key: mix(&[day.seed, 0x3a5e]) }
    }

    pub(super) fn step(&mut self, now: &Moment, draws: &mut Draws) {
        let running = |loads: &[(f64, f64)]| {
            loads.iter().find(|(from, to)| *from <= now.clock && now.clock < *to).copied()
        };
        let dryer = match running(&self.drying) {
            None => Draw { between: 0.0, first: 1.5, second: 0.0 },
            Some((from, to)) => {
                let ran = now.clock - from;
                // Longer pauses as the clothes dry.
                let pause_s = 20.0 + 70.0 * ran / (to - from);
                let hot = ran < SOAKED_S || (ran - SOAKED_S) % (95.0 + pause_s) > pause_s;
                let heat = hot && now.clock < to - COOLING_S;
                let start = if ran < 1.0 { 900.0 } else { 0.0 };
                Draw { between: if heat { HEATER_W } else { 0.0 }, first: MOTOR_W + start, second: 0.0 }
            }
        };
        let washer = match running(&self.washing) {
            None => 1.5,
            Some((from, _)) => {
                // The drum turns one way, rests, turns the other way.
                let turning = (now.clock - from) % 16.0 < 11.0;
                let turn = if turning { 140.0 + (mix(&[self.key, now.utc as u64]) % 60) as f64 } else { 0.0 };
                12.0 + turn + self.spin.watts(now.clock)
            }
        };
        draws.set(Kind::Dryer, dryer);
        draws.set(Kind::Washer, Draw::one_pole(washer));
    }
}
