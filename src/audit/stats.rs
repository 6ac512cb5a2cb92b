//! What each channel looks like by itself: whether it moves, how finely, and where it stops.

use crate::units::Span;

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
    /// Smallest change from one sample to the next that is not 0, in W.
    pub quantum: f32,
    /// Changes that are not 0.
    pub moves: u64,
    /// The longest stretch of one and the same value: seconds, and the value in W.
    pub longest: (f64, f32),
    /// How many samples lie within 0.1 % of the largest magnitude.
    pub at_top: u64,
    /// The largest magnitude, in W.
    pub top: f32,
    /// Sum of all samples, in W.
    pub sum: f64,
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
        if size > self.top * 1.001 {
            (self.top, self.at_top) = (size, 1);
        } else if size >= self.top * 0.999 {
            self.top = self.top.max(size);
            self.at_top += 1;
        }
        match self.last {
            Some(last) if last == sample => self.run += length,
            Some(last) => {
                let change = (sample - last).abs();
                self.moves += 1;
                if self.quantum == 0.0 || change < self.quantum {
                    self.quantum = change;
                }
                self.run = length;
            }
            None => self.run = length,
        }
        if self.run > self.longest.0 {
            self.longest = (self.run, sample);
        }
        self.last = Some(sample);
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
        assert_eq!((stats.known, stats.low, stats.high, stats.quantum), (8, 0.0, 100.0, 50.0));
        assert_eq!((stats.longest, stats.at_top, stats.moves), ((3.0, 100.0), 4, 2));
        assert_eq!(stats.mean(), 62.5);
    }
}
