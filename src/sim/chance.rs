//! Chance that can be called up again: every draw follows from (seed, day, load), so that a day can
//! be simulated without the days before it.

use rand::{RngExt, SeedableRng};
use rand_chacha::ChaCha8Rng;

/// A well-mixed hash of some words (the finaliser of splitmix64 over a running sum).
pub(super) fn mix(words: &[u64]) -> u64 {
    let mut state = 0x9e37_79b9_7f4a_7c15_u64;
    for word in words {
        state = finish(state.wrapping_add(*word).wrapping_mul(0xbf58_476d_1ce4_e5b9));
    }
    state
}

fn finish(mut z: u64) -> u64 {
    z = (z ^ (z >> 30)).wrapping_mul(0xbf58_476d_1ce4_e5b9);
    z = (z ^ (z >> 27)).wrapping_mul(0x94d0_49bb_1331_11eb);
    z ^ (z >> 31)
}

/// A hash as a number in 0..1.
pub(super) fn unit(hash: u64) -> f64 {
    (hash >> 11) as f64 / (1u64 << 53) as f64
}

/// A number near a normal deviate of mean 0 and deviation 1: the sum of four uniform ones, which
/// costs one hash and never goes beyond ±3.5.
pub(super) fn bell(hash: u64) -> f64 {
    let sum: u64 = (0..4).map(|part| (hash >> (16 * part)) & 0xffff).sum();
    (sum as f64 / 65_535.0 - 2.0) * 1.732_050_8
}

/// A smooth random curve: −1..1 at whole `x`, eased in between. The same `key` gives the same curve.
pub(super) fn wander(key: u64, x: f64) -> f64 {
    let knot = x.floor();
    let at = |n: f64| unit(finish(key ^ (n as i64 as u64).wrapping_mul(0x9e37_79b9_7f4a_7c15))) * 2.0 - 1.0;
    let part = x - knot;
    let eased = part * part * (3.0 - 2.0 * part);
    at(knot) + (at(knot + 1.0) - at(knot)) * eased
}

/// The draws of one load on one day.
#[derive(Clone, Debug)]
pub(super) struct Chance(ChaCha8Rng);

impl Chance {
    pub(super) fn new(seed: u64, day: i64, load: u64) -> Self {
        Self(ChaCha8Rng::seed_from_u64(mix(&[seed, day as u64, load])))
    }

    /// A number in `low..high`, all alike.
    pub(super) fn between(&mut self, low: f64, high: f64) -> f64 {
        low + (high - low) * self.0.random::<f64>()
    }

    /// Yes with probability `p`.
    pub(super) fn yes(&mut self, p: f64) -> bool {
        self.0.random::<f64>() < p
    }

    /// A whole number in `low..=high`.
    pub(super) fn count(&mut self, low: u32, high: u32) -> u32 {
        self.0.random_range(low..=high)
    }

    /// A time of day in seconds between two hours of the clock.
    pub(super) fn clock(&mut self, from_h: f64, to_h: f64) -> f64 {
        (self.between(from_h, to_h) * 3600.0).round()
    }
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn a_day_can_be_drawn_again() {
        let draw = |seed, day, load| Chance::new(seed, day, load).between(0.0, 1.0);
        assert_eq!(draw(1, 20_000, 3), draw(1, 20_000, 3));
        let others = [draw(1, 20_000, 3), draw(2, 20_000, 3), draw(1, 20_001, 3), draw(1, 20_000, 4)];
        assert!(others.iter().skip(1).all(|other| *other != others[0]), "{others:?}");
    }

    #[test]
    fn bells_have_mean_0_and_deviation_1() {
        let all: Vec<f64> = (0..100_000).map(|n| bell(mix(&[n]))).collect();
        let mean = all.iter().sum::<f64>() / all.len() as f64;
        let variance = all.iter().map(|x| x * x).sum::<f64>() / all.len() as f64;
        assert!(mean.abs() < 0.02 && (variance - 1.0).abs() < 0.02, "{mean} {variance}");
    }

    #[test]
    fn a_wandering_curve_is_bounded_and_without_steps() {
        let mut before = wander(7, -3.0);
        for n in 1..6_000 {
            let value = wander(7, -3.0 + f64::from(n) / 1000.0);
            assert!(value.abs() <= 1.0 && (value - before).abs() < 0.01);
            before = value;
        }
    }
}
