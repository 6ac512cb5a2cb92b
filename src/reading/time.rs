//! A payload's own time: RFC 3339 text, Unix seconds (with a fraction or not) or milliseconds.

use jiff::Timestamp;

use super::Refusal;
use super::number::round;
use crate::units::{Span, Stamp};

/// How far a payload's time may be ahead of its arrival: clocks of devices that are set by hand
/// or by a server once a day differ by minutes.
pub const MAX_AHEAD: Span = Span::from_seconds(300);

/// How old a reading may be when it comes, where neither the map nor the settings say otherwise: a
/// device that was cut off over a holiday week still delivers. A clock that was set wrong by more
/// than that must not rewrite history.
pub const LATE_WINDOW: Span = Span(7 * Span::DAY.0);

/// 2000-01-01T00:00:00Z. A time before it is a device's clock that was never set.
pub const EARLIEST: Stamp = Stamp::from_seconds(946_684_800);

/// From here on a number counts milliseconds: as seconds it would be the year 5138, as
/// milliseconds it is 1973.
const MILLISECONDS_FROM: f64 = 1e11;

/// A Unix time in seconds or, if it is that large, in milliseconds.
pub(super) fn from_number(number: f64) -> Result<Stamp, Refusal> {
    let ms = if number >= MILLISECONDS_FROM { number } else { number * 1000.0 };
    // Beyond some 100,000 years it is no time; and NaN is none.
    if !(-3e15..=3e15).contains(&ms) {
        return Err(Refusal::BadTime);
    }
    // Rounded to the millisecond first: 1,700,000,000.1 s as a double is a little below it.
    Ok(Stamp::from_millis(round(ms)))
}

/// An RFC 3339 date and time with an offset.
pub(super) fn from_text(text: &str) -> Result<Stamp, Refusal> {
    let at: Timestamp = text.trim().parse().map_err(|_| Refusal::BadTime)?;
    Ok(Stamp::from_millis(at.as_millisecond()))
}

/// Refuses what no device with a set clock can have measured.
pub(super) fn plausible(at: Stamp, arrival: Stamp) -> Result<Stamp, Refusal> {
    if at > arrival + MAX_AHEAD {
        return Err(Refusal::FutureTime);
    }
    if at < EARLIEST {
        return Err(Refusal::OldTime);
    }
    Ok(at)
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn times_as_devices_write_them() {
        let number = |number, expected| assert_eq!(from_number(number), expected, "{number}");
        number(1_777_800_000.0, Ok(Stamp(17_778_000_000)));
        number(1_777_800_000.1, Ok(Stamp(17_778_000_001)));
        number(1_777_800_000.19, Ok(Stamp(17_778_000_001)));
        number(1_777_800_000_250.0, Ok(Stamp(17_778_000_002)));
        number(f64::NAN, Err(Refusal::BadTime));
        number(1e300, Err(Refusal::BadTime));

        let text = |text, expected| assert_eq!(from_text(text), expected, "{text}");
        // 1985-04-12T23:20:50.52Z and the rest are the examples of RFC 3339, section 5.8
        text("1985-04-12T23:20:50.52Z", Ok(Stamp(4_821_960_505)));
        text("1996-12-19T16:39:57-08:00", Ok(Stamp::from_seconds(851_042_397)));
        text("1990-12-31T23:59:60Z", Ok(Stamp::from_seconds(662_687_999)));
        text("1937-01-01T12:00:27.87+00:20", from_number(-1_041_337_172.13));
        text("2026-05-02T09:30:00", Err(Refusal::BadTime));
        text("yesterday", Err(Refusal::BadTime));
        text("", Err(Refusal::BadTime));
    }

    #[test]
    fn five_minutes_ahead_is_the_limit() {
        let arrival = Stamp::from_seconds(1_777_800_000);
        assert_eq!(plausible(arrival + MAX_AHEAD, arrival), Ok(arrival + MAX_AHEAD));
        assert_eq!(plausible(arrival + MAX_AHEAD + Span(1), arrival), Err(Refusal::FutureTime));
        assert_eq!(plausible(EARLIEST, arrival), Ok(EARLIEST));
        assert_eq!(plausible(EARLIEST - Span(1), arrival), Err(Refusal::OldTime));
    }
}
