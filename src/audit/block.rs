//! Aligned samples: all channels of a site on one grid of time.

use crate::units::{Span, Stamp};

/// Mean powers of a site's channels over back-to-back intervals of one length.
#[derive(Clone, Debug)]
pub struct Block {
    /// Start of the first interval.
    pub start: Stamp,
    /// Length of each.
    pub period: Span,
    /// By channel of the site, in W as the meter sent it, before any factor of the map; NaN where it is
    /// not known. A channel that is not on this grid has an empty column.
    pub columns: Vec<Vec<f32>>,
}

impl Block {
    /// A block in which nothing is known yet of `channels` channels over `samples` intervals.
    pub fn unknown(start: Stamp, period: Span, channels: usize, samples: usize) -> Self {
        Self { start, period, columns: vec![vec![f32::NAN; samples]; channels] }
    }

    /// How many intervals it has.
    pub fn len(&self) -> usize {
        self.columns.iter().map(Vec::len).max().unwrap_or(0)
    }

    /// Whether it has none.
    pub fn is_empty(&self) -> bool {
        self.len() == 0
    }

    /// Start of interval `index`.
    pub fn at(&self, index: usize) -> Stamp {
        self.start + Span(self.period.0 * index as i64)
    }

    /// The same on a grid `times` as coarse: means of the known samples, where at least half are known.
    pub fn coarser(&self, times: usize) -> Self {
        let times = times.max(1);
        let columns = self.columns.iter().map(|column| column.chunks(times).map(mean_known).collect());
        Self { start: self.start, period: Span(self.period.0 * times as i64), columns: columns.collect() }
    }
}

fn mean_known(samples: &[f32]) -> f32 {
    let known = samples.iter().filter(|sample| !sample.is_nan());
    let (count, sum) = known.fold((0_usize, 0.0_f64), |(n, sum), sample| (n + 1, sum + f64::from(*sample)));
    if count * 2 < samples.len() || count == 0 { f32::NAN } else { (sum / count as f64) as f32 }
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn a_coarser_grid_has_the_means_of_what_is_known() {
        let nan = f32::NAN;
        let columns = vec![vec![1.0, 3.0, nan, 7.0, nan, nan, 5.0], Vec::new()];
        let block = Block { start: Stamp(0), period: Span::TICK, columns };
        let coarse = block.coarser(2);
        assert_eq!(coarse.period, Span::from_seconds(2));
        assert_eq!(coarse.columns[0][..2], [2.0, 7.0]);
        assert!(coarse.columns[0][2].is_nan());
        assert_eq!((coarse.columns[0][3], coarse.len()), (5.0, 4));
        assert!(coarse.columns[1].is_empty());
        assert_eq!(coarse.at(3), Stamp::from_seconds(6));
    }
}
