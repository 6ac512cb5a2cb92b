//! What each channel looks like by itself: whether it moves, how finely, and where it stops.

use crate::units::Span;

/// Below this a reading is what an open input or an unused circuit shows, in W.
pub const NOTHING_W: f32 = 2.0;
/// Units of a meter that hide what most circuits do, in W, coarse to fine: kW with none or one decimal, and what
/// lies between.
const UNITS_W: [u32; 4] = [1000, 500, 200, 100];
/// This part of the readings has to be a multiple of a unit: the others may be means over a change.
const ON_UNIT: f64 = 0.9;
/// Different readings that are told apart: a channel that holds more is no coarse one.
const MANY: usize = 8;
/// Readings are kept in steps of 0.1 W.
const PER_WATT: f32 = 10.0;
/// How near to the largest magnitude a reading counts as being there: a clipped current still follows the
/// voltage, which wavers by some thousandths.
const TOP_BAND: f32 = 0.01;

/// Statistics of one channel over a stretch.
#[derive(Clone, Debug, Default)]
pub struct Stats {
    /// Known samples.
    pub known: u64,
    /// Seconds that they cover.
    pub seconds: f64,
    /// Smallest, in W.
    pub low: f32,
    /// Largest, in W.
    pub high: f32,
    /// Changes that are not 0.
    pub moves: u64,
    /// The longest stretch of one and the same value: seconds, and the value in W.
    pub longest: (f64, f32),
    /// Seconds within 1 % of the largest magnitude.
    pub at_top_s: f64,
    /// The largest magnitude, in W.
    pub top: f32,
    /// Sum of all samples, in W.
    pub sum: f64,
    /// Seconds near nothing (`NOTHING_W`).
    pub rest_s: f64,
    /// Changes from one sample near nothing to another.
    pub rest_moves: u64,
    /// Samples above nothing, and how many of them repeat the one before.
    active: u64,
    repeats: u64,
    /// By [`UNITS_W`]: active samples that are multiples of it.
    on_unit: [u64; UNITS_W.len()],
    /// The first few different multiples of the finest unit that were held for two samples, in 0.1 W.
    held: Vec<u32>,
    run: f64,
    last: Option<f32>,
}

impl Stats {
    /// Takes in the samples of a block.
    pub(super) fn take(&mut self, column: &[f32], period: Span) {
        let length = period.as_seconds();
        for sample in column {
            if sample.is_nan() {
                self.last = None;
                self.run = 0.0;
                continue;
            }
            self.one(*sample, length);
        }
    }

    fn one(&mut self, sample: f32, length: f64) {
        let first = self.known == 0;
        self.known += 1;
        self.seconds += length;
        self.sum += f64::from(sample);
        self.low = if first { sample } else { self.low.min(sample) };
        self.high = if first { sample } else { self.high.max(sample) };
        let size = sample.abs();
        if size > self.top * (1.0 + TOP_BAND) {
            (self.top, self.at_top_s) = (size, length);
        } else if size >= self.top * (1.0 - TOP_BAND) {
            self.top = self.top.max(size);
            self.at_top_s += length;
        }
        if size <= NOTHING_W {
            self.rest_s += length;
        } else {
            self.grade(size, self.last == Some(sample));
        }
        match self.last {
            Some(last) if last == sample => self.run += length,
            Some(last) => {
                self.moves += 1;
                self.rest_moves += u64::from(size <= NOTHING_W && last.abs() <= NOTHING_W);
                self.run = length;
            }
            None => self.run = length,
        }
        if self.run > self.longest.0 {
            self.longest = (self.run, sample);
        }
        self.last = Some(sample);
    }

    /// Notes a magnitude for what the channel's steps are.
    fn grade(&mut self, size: f32, again: bool) {
        let tenths = (size * PER_WATT).round() as u32;
        self.active += 1;
        for (count, unit) in self.on_unit.iter_mut().zip(UNITS_W) {
            *count += u64::from(tenths.is_multiple_of(unit * PER_WATT as u32));
        }
        let finest = UNITS_W[UNITS_W.len() - 1] * PER_WATT as u32;
        if again {
            self.repeats += 1;
            let is_unit = tenths.is_multiple_of(finest);
            if is_unit && self.held.len() < MANY && !self.held.contains(&tenths) {
                self.held.push(tenths);
            }
        }
    }

    /// The coarsest unit that nearly all readings are multiples of, in W, if there is one of 100 W or more.
    pub fn unit_w(&self) -> Option<u32> {
        let enough = |count: u64| self.active > 0 && count as f64 >= ON_UNIT * self.active as f64;
        self.on_unit.iter().zip(UNITS_W).find(|(count, _)| enough(**count)).map(|(_, unit)| unit)
    }

    /// How many different multiples of 100 W above nothing it held, counted up to eight.
    pub fn held(&self) -> usize {
        self.held.len()
    }

    /// Which part of the readings above nothing repeats the one before: with a fine resolution few do.
    pub fn repeats(&self) -> f64 {
        self.repeats as f64 / self.active.max(1) as f64
    }

    /// Seconds that one sample covers, on average.
    pub fn step_s(&self) -> f64 {
        self.seconds / self.known.max(1) as f64
    }

    /// How many readings lie above nothing.
    pub fn active(&self) -> u64 {
        self.active
    }

    /// Mean power in W.
    pub fn mean(&self) -> f64 {
        if self.known == 0 { 0.0 } else { self.sum / self.known as f64 }
    }
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn a_channel_is_described_by_its_samples() {
        let mut stats = Stats::default();
        stats.take(&[0.0, 0.0, 100.0, 100.0, 100.0, f32::NAN, 50.0], Span::TICK);
        stats.take(&[50.0, 100.0], Span::TICK);
        assert_eq!((stats.known, stats.low, stats.high, stats.active()), (8, 0.0, 100.0, 6));
        assert_eq!((stats.longest, stats.at_top_s, stats.moves), ((3.0, 100.0), 4.0, 2));
        assert_eq!((stats.unit_w(), stats.held(), stats.rest_s, stats.rest_moves), (None, 1, 2.0, 0));
        assert_eq!(stats.mean(), 62.5);
    }

    #[test]
    fn a_unit_is_what_nearly_all_readings_are_multiples_of() {
        let unit = |column: &[f32]| {
            let mut stats = Stats::default();
            stats.take(column, Span::TICK);
            (stats.unit_w(), stats.held(), stats.rest_moves)
        };
        let mut coarse: Vec<f32> = [200.0, 200.0, 300.0, 300.0, -500.0, -500.0].repeat(4);
        assert_eq!(unit(&coarse), (Some(100), 3, 0));
        coarse[4] = 377.7;
        assert_eq!(unit(&coarse), (Some(100), 3, 0));
        assert_eq!(unit(&[0.0, 0.0]), (None, 0, 0));
        assert_eq!(unit(&[0.1, 0.0, -0.2, 350.7, 350.7]), (None, 0, 2));
    }
}
