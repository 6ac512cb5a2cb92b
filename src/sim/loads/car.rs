//! The car at its charger: some evenings, at 7.2 or 9.6 kW, until it has what it needs. A charge may
//! go on past midnight, so a day looks at the evening before it as well.

use super::super::chance::{Chance, mix, wander};
use super::super::day::{Day, Moment};
use super::{Draw, Draws, Kind};

/// The charger's own electronics, W.
const STANDBY_W: f64 = 3.5;
/// The last part of a charge, in which the power falls, s.
const TAPER_S: f64 = 900.0;

#[derive(Clone, Copy, Debug)]
struct Charge {
    /// POSIX seconds.
    from: f64,
    to: f64,
    watts: f64,
}

impl Charge {
    /// The charge that begins on the evening of day `number`, whose midnight is at `start`.
    fn of(seed: u64, number: i64, start: f64) -> Option<Self> {
        let mut chance = Chance::new(seed, number, 11);
        if !chance.yes(0.56) {
            return None;
        }
        let from = start + chance.clock(18.0, 23.2);
        let watts = if chance.yes(0.6) { 9_600.0 } else { 7_200.0 } * chance.between(0.975, 1.01);
        let wh = chance.between(5_000.0, 34_000.0);
        Some(Self { from, to: from + wh / watts * 3600.0 + TAPER_S / 2.0, watts })
    }

    fn watts(&self, at: f64) -> f64 {
        if at < self.from || at >= self.to {
            return 0.0;
        }
        let rising = ((at - self.from) / 20.0).min(1.0);
        let falling = ((self.to - at) / TAPER_S).min(1.0);
        self.watts * rising * falling.max(0.15)
    }
}

/// The charger on one day.
#[derive(Clone, Debug)]
pub(super) struct Car {
    charges: Vec<Charge>,
    key: u64,
}

impl Car {
    pub(super) fn new(day: &Day) -> Self {
        let start = day.start as f64;
        let evenings = [(day.number - 1, start - 86_400.0), (day.number, start)];
        let charges =
            evenings.into_iter().filter_map(|(number, start)| Charge::of(day.seed, number, start)).collect();
        Self { charges, key: mix(&[day.seed, 0xca4]) }
    }

    pub(super) fn step(&mut self, now: &Moment, draws: &mut Draws) {
        let at = now.utc as f64;
        let mut watts: f64 = self.charges.iter().map(|charge| charge.watts(at)).sum();
        if watts > 0.0 {
            // Mains voltage moves, and the power of a fixed current with it.
            watts *= 1.0 + 0.006 * wander(self.key, at / 37.0);
        }
        draws.set(Kind::Car, Draw::two_pole(STANDBY_W + watts));
    }
}
