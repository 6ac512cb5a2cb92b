//! Quantities with their units, and the arithmetic that makes sense between them.
//!
//! Everything that is stored or added up is an integer, so that a sum does not depend on the
//! order of its terms: a reading is kept to 0.1 W and its time to 0.1 s, hence an energy is a
//! whole number of 0.1 W × 0.1 s = 0.01 J. Floating point appears only where a figure leaves
//! (kWh, W) and where a map is read.

use std::fmt;
use std::ops::{Add, AddAssign, Neg, Sub, SubAssign};

/// Tenths of a second in a second.
pub const TENTHS: i64 = 10;
/// Hundredths of a joule (0.1 W × 0.1 s) in a watt-hour.
pub const CENTIJOULES_PER_WH: i64 = 360_000;
/// A factor of 1 as the integer that [`crate::site::Term`] holds.
pub const ONE: i64 = 1_000_000;

/// A moment: tenths of a second since 1970-01-01T00:00:00Z, without leap seconds (POSIX time).
#[derive(Clone, Copy, Debug, Default, PartialEq, Eq, PartialOrd, Ord, Hash)]
pub struct Stamp(pub i64);

impl Stamp {
    /// Earlier than any reading.
    pub const MIN: Self = Self(i64::MIN / 4);
    /// Later than any reading.
    pub const MAX: Self = Self(i64::MAX / 4);

    /// From whole seconds since the Unix epoch.
    pub const fn from_seconds(seconds: i64) -> Self {
        Self(seconds * TENTHS)
    }

    /// From milliseconds since the Unix epoch, rounded down to 0.1 s.
    pub const fn from_millis(ms: i64) -> Self {
        Self(ms.div_euclid(100))
    }

    /// Whole seconds since the Unix epoch, rounded down.
    pub const fn seconds(self) -> i64 {
        self.0.div_euclid(TENTHS)
    }

    /// The latest multiple of `unit` that is not after this moment.
    pub const fn floor(self, unit: Span) -> Self {
        Self(self.0.div_euclid(unit.0) * unit.0)
    }
}

/// A length of time in tenths of a second.
#[derive(Clone, Copy, Debug, Default, PartialEq, Eq, PartialOrd, Ord, Hash)]
pub struct Span(pub i64);

impl Span {
    /// No time.
    pub const ZERO: Self = Self(0);
    /// The base tick.
    pub const TICK: Self = Self::from_seconds(1);
    /// The finest stored interval.
    pub const MINUTE: Self = Self::from_seconds(60);
    /// The smallest public interval: every current zone's offset is a multiple of it.
    pub const QUARTER: Self = Self::from_seconds(900);
    /// An hour.
    pub const HOUR: Self = Self::from_seconds(3600);
    /// 24 hours (a UTC day; a local day is the calendar's business).
    pub const DAY: Self = Self::from_seconds(86_400);

    /// From whole seconds.
    pub const fn from_seconds(seconds: i64) -> Self {
        Self(seconds * TENTHS)
    }

    /// In seconds.
    pub fn as_seconds(self) -> f64 {
        self.0 as f64 / TENTHS as f64
    }
}

impl Add<Span> for Stamp {
    type Output = Self;
    fn add(self, by: Span) -> Self {
        Self(self.0 + by.0)
    }
}

impl Sub<Span> for Stamp {
    type Output = Self;
    fn sub(self, by: Span) -> Self {
        Self(self.0 - by.0)
    }
}

impl Sub for Stamp {
    type Output = Span;
    fn sub(self, earlier: Self) -> Span {
        Span(self.0 - earlier.0)
    }
}

/// An energy in hundredths of a joule (0.1 W × 0.1 s). Exact; signed as the power it came from.
#[derive(Clone, Copy, Debug, Default, PartialEq, Eq, PartialOrd, Ord, Hash)]
pub struct Energy(pub i64);

impl Energy {
    /// No energy (a known zero, never "unknown").
    pub const ZERO: Self = Self(0);

    /// From tenths of a watt held for a span.
    pub const fn of(tenth_watts: i64, span: Span) -> Self {
        Self(tenth_watts * span.0)
    }

    /// In watt-hours.
    pub fn wh(self) -> f64 {
        self.0 as f64 / CENTIJOULES_PER_WH as f64
    }

    /// In kilowatt-hours.
    pub fn kwh(self) -> f64 {
        self.wh() / 1000.0
    }

    /// The mean power over `span`, if there is any.
    pub fn mean_over(self, span: Span) -> Option<Watts> {
        (span.0 > 0).then(|| Watts(self.0 as f64 / span.0 as f64 / 10.0))
    }
}

impl Add for Energy {
    type Output = Self;
    fn add(self, other: Self) -> Self {
        Self(self.0 + other.0)
    }
}

impl AddAssign for Energy {
    fn add_assign(&mut self, other: Self) {
        self.0 += other.0;
    }
}

impl Sub for Energy {
    type Output = Self;
    fn sub(self, other: Self) -> Self {
        Self(self.0 - other.0)
    }
}

impl SubAssign for Energy {
    fn sub_assign(&mut self, other: Self) {
        self.0 -= other.0;
    }
}

impl Neg for Energy {
    type Output = Self;
    fn neg(self) -> Self {
        Self(-self.0)
    }
}

/// Active power in watts; the sign is the one of the site's flow convention.
#[derive(Clone, Copy, Debug, Default, PartialEq, PartialOrd)]
pub struct Watts(pub f64);

/// Current in amperes.
#[derive(Clone, Copy, Debug, Default, PartialEq, PartialOrd)]
pub struct Amps(pub f64);

/// Potential in volts.
#[derive(Clone, Copy, Debug, Default, PartialEq, PartialOrd)]
pub struct Volts(pub f64);

impl Amps {
    /// Apparent power at `volts`, in VA taken as W: without a phase angle nothing better is known.
    pub fn apparent(self, volts: Volts) -> Watts {
        Watts(self.0 * volts.0)
    }
}

impl fmt::Display for Watts {
    fn fmt(&self, f: &mut fmt::Formatter<'_>) -> fmt::Result {
        write!(f, "{:.0} W", self.0)
    }
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn a_kilowatt_for_an_hour_is_a_kilowatt_hour() {
        assert_eq!(Energy::of(10_000, Span::HOUR).kwh(), 1.0);
        assert_eq!(Energy::of(10_000, Span::HOUR).mean_over(Span::HOUR), Some(Watts(1000.0)));
        assert_eq!(Energy::ZERO.mean_over(Span::ZERO), None);
    }

    #[test]
    fn moments_before_the_epoch_round_down_too() {
        assert_eq!(Stamp::from_millis(-1), Stamp(-1));
        assert_eq!(Stamp(-1).seconds(), -1);
        assert_eq!(Stamp(-1).floor(Span::MINUTE), Stamp(-600));
    }
}
