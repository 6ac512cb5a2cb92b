//! A scale with round ticks.

/// From `low` to `high`, both multiples of `step`.
#[derive(Clone, Copy, Debug, PartialEq)]
pub struct Axis {
    /// The lowest value; 0 or below.
    pub low: f64,
    /// The highest value; above `low`.
    pub high: f64,
    /// Between ticks.
    pub step: f64,
}

impl Axis {
    /// The axis that holds 0, `low` and `high` with about `ticks` steps of 1, 2 or 5 times a power of ten; with up
    /// to half as many again where the picture is better filled by them.
    pub fn around(low: f64, high: f64, ticks: usize) -> Self {
        let (low, high) = (low.min(0.0), high.max(0.0));
        let extent = high - low;
        if extent <= 0.0 || !extent.is_finite() {
            return Self { low: 0.0, high: 1.0, step: 1.0 };
        }
        let ticks = ticks.max(1) as f64;
        let decade = 10f64.powf((extent / ticks).log10().floor());
        let steps = [0.5, 1.0, 2.0, 5.0, 10.0].map(|step| step * decade);
        // A hair of tolerance, so that 0.30000000000000004 is three steps of 0.1.
        let coarse = steps.into_iter().position(|step| step * ticks >= extent * (1.0 - 1e-9));
        let coarse = coarse.unwrap_or(steps.len() - 1).max(1);
        let (of_few, of_more) =
            (Self::of_step(low, high, steps[coarse]), Self::of_step(low, high, steps[coarse - 1]));
        let is_better = of_more.extent() < 0.85 * of_few.extent();
        let is_readable = of_more.extent() <= (1.5 * ticks).floor() * of_more.step * (1.0 + 1e-9);
        if is_better && is_readable { of_more } else { of_few }
    }

    /// The smallest that holds 0 and both in whole steps.
    fn of_step(low: f64, high: f64, step: f64) -> Self {
        let up = |value: f64| (value / step - 1e-9).ceil() * step;
        let low = if low < 0.0 { -up(-low) } else { 0.0 };
        let high = if high > 0.0 { up(high) } else { 0.0 };
        Self { low, high, step }
    }

    fn extent(&self) -> f64 {
        self.high - self.low
    }

    /// Every tick, from the lowest.
    pub fn ticks(&self) -> Vec<f64> {
        let count = ((self.high - self.low) / self.step).round() as usize;
        // Adding 0 turns a −0 into 0.
        (0..=count.min(100)).map(|tick| self.low + self.step * tick as f64 + 0.0).collect()
    }

    /// How far below the top of a picture of that height a value lies.
    pub fn y(&self, value: f64, height: f64) -> f64 {
        (self.high - value) / (self.high - self.low) * height
    }

    /// Decimals that tell its ticks apart.
    pub fn decimals(&self) -> usize {
        if self.step >= 1.0 { 0 } else { (-self.step.log10()).ceil().clamp(0.0, 6.0) as usize }
    }
}

#[cfg(test)]
mod tests {
    use proptest::prelude::*;

    use super::*;

    #[test]
    fn ticks_are_round() {
        let check = |low, high, expected: &[f64]| {
            let ticks = Axis::around(low, high, 4).ticks();
            assert_eq!(ticks.len(), expected.len(), "{ticks:?}");
            for (tick, expected) in ticks.iter().zip(expected) {
                assert!((tick - expected).abs() < 1e-9, "{ticks:?}");
            }
        };
        check(0.0, 100.0, &[0.0, 50.0, 100.0]);
        check(0.0, 110.0, &[0.0, 20.0, 40.0, 60.0, 80.0, 100.0, 120.0]);
        check(0.0, 130.0, &[0.0, 50.0, 100.0, 150.0]);
        check(0.0, 37.0, &[0.0, 10.0, 20.0, 30.0, 40.0]);
        check(-3.0, 9.0, &[-5.0, 0.0, 5.0, 10.0]);
        check(0.0, 0.3, &[0.0, 0.1, 0.2, 0.3]);
        check(0.0, 4.6, &[0.0, 1.0, 2.0, 3.0, 4.0, 5.0]);
        check(0.0, 0.0, &[0.0, 1.0]);
        check(0.0, f64::NAN, &[0.0, 1.0]);
        assert_eq!(Axis::around(0.0, 0.3, 4).decimals(), 1);
        assert_eq!(Axis::around(0.0, 37.0, 4).decimals(), 0);
    }

    proptest! {
        #[test]
        fn the_axis_holds_what_it_is_for(low in -1e6f64..1e6, high in -1e6f64..1e6) {
            let axis = Axis::around(low, high, 4);
            let room = 1e-6 * axis.step;
            prop_assert!(axis.low <= low.min(0.0) + room && axis.high >= high.max(0.0) - room);
            prop_assert!(axis.ticks().len() <= 8, "{:?}", axis.ticks());
            prop_assert!(axis.y(axis.high, 100.0).abs() < 1e-9);
        }
    }
}
