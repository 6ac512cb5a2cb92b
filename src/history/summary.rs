//! What an interval amounts to.

use std::ops::AddAssign;

use crate::calendar::Interval;
use crate::site::FigureKey;
use crate::units::{CENTIJOULES_PER_WH, ONE, Span};

/// The energy of one figure over the part of an interval in which it is known.
#[derive(Clone, Copy, Debug, Default, PartialEq, Eq)]
pub struct Amount {
    /// In hundredths of a joule times [`ONE`] (the factors of a map are millionths). Exact.
    pub energy: i128,
    /// How much of the interval is known.
    pub covered: Span,
}

impl Amount {
    /// Whether anything is known of it. Energy without coverage is what a counter counted while
    /// its messages were lost.
    pub fn is_known(self) -> bool {
        self.covered > Span::ZERO || self.energy != 0
    }

    /// In kWh, rounded to the nearest mWh (six decimals); `None` where nothing is known.
    pub fn kwh(self) -> Option<f64> {
        /// One mWh in the unit of `energy`.
        const MILLIWATT_HOUR: i128 = CENTIJOULES_PER_WH as i128 * ONE as i128 / 1000;
        let half = if self.energy < 0 { -MILLIWATT_HOUR / 2 } else { MILLIWATT_HOUR / 2 };
        let mwh = (self.energy + half) / MILLIWATT_HOUR;
        self.is_known().then(|| mwh as f64 / 1e6)
    }

    /// The share of `whole` that is known, 0 to 1.
    pub fn coverage(self, whole: Span) -> f64 {
        share(self.covered, whole)
    }
}

impl AddAssign for Amount {
    fn add_assign(&mut self, other: Self) {
        self.energy += other.energy;
        self.covered = Span(self.covered.0 + other.covered.0);
    }
}

/// Every figure of one interval.
#[derive(Clone, Debug, PartialEq, Eq)]
pub struct Summary {
    /// The interval.
    pub interval: Interval,
    /// How much of it is known of **all** site totals that the map defines at once (grid, import,
    /// export, generation, consumption, tracked, untracked, self-consumed, storage).
    pub totals: Span,
    /// Whether figures with a sign split (import, export, generation, storage, what is
    /// self-consumed) have yet to be derived again for a part of it, after a correction of the map.
    pub rederiving: bool,
    /// Every figure that the map defines at some time within the interval, by key.
    pub figures: Vec<(FigureKey, Amount)>,
}

impl Summary {
    /// What is known of a figure; `None` where the map does not define it, or nothing is known.
    pub fn get(&self, key: FigureKey) -> Option<Amount> {
        self.defined(key).filter(|amount| amount.is_known())
    }

    /// The amount of a figure that the map defines here, known or not.
    pub fn defined(&self, key: FigureKey) -> Option<Amount> {
        let at = self.figures.binary_search_by_key(&key, |(key, _)| *key).ok()?;
        Some(self.figures[at].1)
    }

    /// In kWh, as [`Amount::kwh`]; `None` where the map does not define it, or nothing is known.
    pub fn kwh(&self, key: FigureKey) -> Option<f64> {
        self.get(key).and_then(Amount::kwh)
    }

    /// The share of the interval for which the figure is known, 0 to 1.
    pub fn coverage(&self, key: FigureKey) -> f64 {
        self.get(key).map_or(0.0, |amount| amount.coverage(self.interval.span()))
    }

    /// The share of the interval for which all site totals are known, 0 to 1.
    pub fn totals_coverage(&self) -> f64 {
        share(self.totals, self.interval.span())
    }
}

fn share(part: Span, whole: Span) -> f64 {
    if whole.0 > 0 { part.0 as f64 / whole.0 as f64 } else { 0.0 }
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn energy_is_rounded_to_the_nearest_milliwatt_hour() {
        let wh = i128::from(CENTIJOULES_PER_WH) * i128::from(ONE);
        let check = |energy, expected| {
            assert_eq!(Amount { energy, covered: Span::HOUR }.kwh(), Some(expected), "{energy}");
        };
        check(wh * 1_234_567, 1234.567);
        check(-wh * 1_234_567, -1234.567);
        check(wh / 1000, 0.000_001);
        check(wh / 2000, 0.000_001);
        check(wh / 2000 - 1, 0.0);
        check(-wh / 2000, -0.000_001);
        assert_eq!(Amount::default().kwh(), None);
        assert_eq!(Amount { energy: 0, covered: Span(1) }.kwh(), Some(0.0));
    }
}
