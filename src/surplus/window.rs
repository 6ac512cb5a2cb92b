//! Looking back over the last seconds: a mean, and a highest value.

use std::collections::VecDeque;

use crate::units::{Span, Stamp};

/// The mean of what was known in the last stretch of time.
///
/// A map allows at most half an hour, so there are at most 1,800 values at one a second.
#[derive(Clone, Debug)]
pub(super) struct Mean {
    over: Span,
    /// Tenths of the unit: a running sum of whole numbers does not drift.
    values: VecDeque<(Stamp, i64)>,
    sum: i64,
}

impl Mean {
    pub fn new(over: Span) -> Self {
        Self { over, values: VecDeque::new(), sum: 0 }
    }

    /// Takes in what is known at `at`, and forgets what is too old by then.
    pub fn push(&mut self, at: Stamp, value: Option<f64>) {
        if let Some(value) = value {
            let tenths = (value * 10.0).round() as i64;
            self.values.push_back((at, tenths));
            self.sum += tenths;
        }
        while let Some((first, tenths)) = self.values.front()
            && *first + self.over <= at
        {
            self.sum -= tenths;
            self.values.pop_front();
        }
    }

    pub fn get(&self) -> Option<f64> {
        let count = self.values.len();
        (count > 0).then(|| self.sum as f64 / 10.0 / count as f64)
    }

    pub fn clear(&mut self) {
        self.values.clear();
        self.sum = 0;
    }
}

/// The highest of what was known in the last stretch of time: only values that can still become it are
/// kept, so it holds at most as many as there are seconds in an hour.
#[derive(Clone, Debug)]
pub(super) struct Highest {
    over: Span,
    /// Falling from front to back.
    values: VecDeque<(Stamp, f64)>,
}

impl Highest {
    pub fn new(over: Span) -> Self {
        Self { over, values: VecDeque::new() }
    }

    /// Takes in what is known at `at`, and forgets what is too old by then.
    pub fn push(&mut self, at: Stamp, value: Option<f64>) {
        if let Some(value) = value {
            while self.values.back().is_some_and(|(_, last)| *last <= value) {
                self.values.pop_back();
            }
            self.values.push_back((at, value));
        }
        while self.values.front().is_some_and(|(first, _)| *first + self.over <= at) {
            self.values.pop_front();
        }
    }

    pub fn get(&self) -> Option<f64> {
        self.values.front().map(|(_, value)| *value)
    }

    pub fn clear(&mut self) {
        self.values.clear();
    }
}

#[cfg(test)]
mod tests {
    use super::*;
    use proptest::prelude::*;

    #[test]
    fn a_mean_forgets_what_is_too_old_and_counts_only_what_is_known() {
        let mut mean = Mean::new(Span::from_seconds(3));
        assert_eq!(mean.get(), None);
        for (second, value, expected) in [
            (1, Some(100.0), Some(100.0)),
            (2, None, Some(100.0)),
            (3, Some(200.0), Some(150.0)),
            (4, Some(300.0), Some(250.0)),
            (5, None, Some(250.0)),
            (6, None, Some(300.0)),
            (7, None, None),
        ] {
            mean.push(Stamp::from_seconds(second), value);
            assert_eq!(mean.get(), expected, "second {second}");
        }
    }

    proptest! {
        #[test]
        fn the_highest_is_the_highest(values in prop::collection::vec(prop::option::of(-50i32..50), 1..80)) {
            let mut highest = Highest::new(Span::from_seconds(10));
            for (second, value) in values.iter().enumerate() {
                highest.push(Stamp::from_seconds(second as i64), value.map(f64::from));
                let first = (second + 1).saturating_sub(10);
                let expected = values[first..=second].iter().flatten().max().map(|max| f64::from(*max));
                prop_assert_eq!(highest.get(), expected);
            }
        }
    }
}
