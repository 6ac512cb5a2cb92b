//! Numbers and units: text into a number, a number into the integer that is kept.

use super::Refusal;
use crate::site::Unit;

/// The largest power that is believed, either way: 10 MW, some hundred times the largest service
/// of a home. What is beyond comes from a broken device or a wrong unit.
pub const MAX_POWER_W: f64 = 1e7;

/// The largest count that is believed: 10⁹ kWh, far above any home's lifetime.
pub const MAX_COUNTER_KWH: f64 = 1e9;

/// From a device's number to the integer that is kept.
#[derive(Clone, Copy, Debug, PartialEq)]
pub(super) struct Scale {
    /// Tenths (of a W or a Wh) in one of the device's units.
    factor: f64,
    lowest: f64,
    highest: f64,
}

impl Scale {
    pub(super) fn of(unit: Unit) -> Self {
        let power = |factor| Self { factor, lowest: -MAX_POWER_W * 10.0, highest: MAX_POWER_W * 10.0 };
        let counter = |factor| Self { factor, lowest: 0.0, highest: MAX_COUNTER_KWH * 10_000.0 };
        match unit {
            Unit::W => power(10.0),
            Unit::KW => power(10_000.0),
            Unit::A { volts } => power(volts * 10.0),
            Unit::Wh { .. } => counter(10.0),
            Unit::KWh { .. } => counter(10_000.0),
        }
    }

    /// The value in 0.1 W or 0.1 Wh, rounded half away from zero.
    pub(super) fn value(self, number: f64) -> Result<i64, Refusal> {
        if !number.is_finite() {
            return Err(Refusal::NotFinite);
        }
        // The range is asked before rounding, so that a counter of −0.01 Wh is negative too.
        let tenths = number * self.factor;
        if tenths < self.lowest || tenths > self.highest {
            return Err(Refusal::OutOfRange);
        }
        Ok(round(tenths))
    }
}

/// Half away from zero, for what is below 2⁵² either way: exact there, and a tenth of the price of
/// `f64::round`, which is a call into the mathematics library on a processor without SSE 4.1.
pub(super) fn round(number: f64) -> i64 {
    let whole = number as i64;
    let rest = number - whole as f64;
    whole + i64::from(rest >= 0.5) - i64::from(rest <= -0.5)
}

/// A plain number payload: a decimal number with optional sign, fraction and exponent, and
/// white space around it.
pub(super) fn parse(payload: &[u8]) -> Result<f64, Refusal> {
    let text = payload.trim_ascii();
    if text.is_empty() {
        return Err(Refusal::Empty);
    }
    let text = std::str::from_utf8(text).map_err(|_| Refusal::NotUtf8)?;
    text.parse().map_err(|_| Refusal::NotANumber)
}

#[cfg(test)]
mod tests {
    use super::*;
    use proptest::prelude::*;

    #[test]
    fn numbers_as_devices_write_them() {
        let check = |payload: &[u8], expected: Result<f64, Refusal>| {
            assert_eq!(parse(payload), expected, "{}", payload.escape_ascii());
        };
        check(b"0", Ok(0.0));
        check(b"-12.5", Ok(-12.5));
        check(b"+7", Ok(7.0));
        check(b" 42.0\r\n", Ok(42.0));
        check(b"1.5e3", Ok(1500.0));
        check(b".5", Ok(0.5));
        check(b"1e300", Ok(1e300));
        check(b"inf", Ok(f64::INFINITY));
        check(b"", Err(Refusal::Empty));
        check(b" \n", Err(Refusal::Empty));
        check(b"12 W", Err(Refusal::NotANumber));
        check(b"0x10", Err(Refusal::NotANumber));
        check(b"+-5", Err(Refusal::NotANumber));
        check(b"1,5", Err(Refusal::NotANumber));
        check(b"unavailable", Err(Refusal::NotANumber));
        check(b"\xff\xfe", Err(Refusal::NotUtf8));
        assert!(parse(b"NaN").unwrap().is_nan());
    }

    #[test]
    fn units_come_out_in_tenths() {
        let check = |unit, number: f64, expected: Result<i64, Refusal>| {
            assert_eq!(Scale::of(unit).value(number), expected, "{unit:?} {number}");
        };
        let (wh, kwh) = (Unit::Wh { rolls_over_at_wh: None }, Unit::KWh { rolls_over_at_wh: None });
        check(Unit::W, 0.25, Ok(3));
        check(Unit::W, -0.25, Ok(-3));
        check(Unit::W, 0.24, Ok(2));
        check(Unit::KW, -1.2345, Ok(-12_345));
        check(Unit::A { volts: 120.0 }, 1.5, Ok(1800));
        check(wh, 12.34, Ok(123));
        check(kwh, 5089.5951, Ok(50_895_951));
        check(Unit::W, 1e7, Ok(100_000_000));
        check(Unit::W, 1.1e7, Err(Refusal::OutOfRange));
        check(Unit::KW, -1.1e4, Err(Refusal::OutOfRange));
        check(Unit::W, 1e300, Err(Refusal::OutOfRange));
        check(Unit::KW, f64::MAX, Err(Refusal::OutOfRange));
        check(Unit::W, f64::NAN, Err(Refusal::NotFinite));
        check(Unit::W, f64::NEG_INFINITY, Err(Refusal::NotFinite));
        check(wh, -0.01, Err(Refusal::OutOfRange));
        check(kwh, 1e9, Ok(10_000_000_000_000));
        check(kwh, 1.1e9, Err(Refusal::OutOfRange));
    }

    proptest! {
        #[test]
        fn rounding_is_that_of_the_standard_library(number in prop_oneof![
            -1e13..1e13, -10.0..10.0, (-100_000i64..100_000).prop_map(|halves| halves as f64 / 2.0),
            Just(0.499_999_999_999_999_94), Just(-0.499_999_999_999_999_94),
        ]) {
            prop_assert_eq!(round(number), number.round() as i64);
        }

        #[test]
        fn a_power_in_tenths_round_trips(tenths in -100_000_000i64..=100_000_000) {
            let text = format!("{}{}.{}", if tenths < 0 { "-" } else { "" }, tenths.abs() / 10, tenths.abs() % 10);
            let number = parse(text.as_bytes()).unwrap();
            prop_assert_eq!(Scale::of(Unit::W).value(number), Ok(tenths));
        }
    }
}
