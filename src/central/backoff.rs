//! How long to wait before the same batch goes again.

use std::collections::hash_map::RandomState;
use std::hash::BuildHasher;
use std::time::Duration;

use jiff::Timestamp;
use jiff::fmt::rfc2822;

use crate::units::Stamp;

/// The first wait: a server that restarts is often back in seconds.
const FIRST: Duration = Duration::from_secs(1);
/// The longest wait of our own: after a long outage the figures are at most this late.
const LONGEST: Duration = Duration::from_secs(300);
/// The longest wait that a server can ask for: a wrong header (or a wrong clock behind a date) must
/// not silence a home for days.
const LONGEST_ASKED: Duration = Duration::from_secs(3600);

/// Waits that double from 1 s to 5 min, each shortened by up to half at random, so that the homes
/// of a fleet that lost their server at one moment do not return at one moment.
#[derive(Debug, Default)]
pub(super) struct Backoff {
    failures: u32,
}

impl Backoff {
    /// It went well: the next wait is the first again.
    pub(super) fn reset(&mut self) {
        self.failures = 0;
    }

    /// The next wait; `asked` is what the server wants, which is honoured up to an hour.
    pub(super) fn next(&mut self, asked: Option<Duration>) -> Duration {
        self.next_with(asked, random())
    }

    /// The same, with the share (0 to 1) of the random part.
    fn next_with(&mut self, asked: Option<Duration>, share: f64) -> Duration {
        let doubled = FIRST.saturating_mul(2_u32.saturating_pow(self.failures)).min(LONGEST);
        self.failures = self.failures.saturating_add(1);
        let own = doubled.mul_f64(1.0 - share / 2.0);
        asked.map_or(own, |asked| asked.min(LONGEST_ASKED).max(own))
    }
}

/// From 0 to 1. The standard library seeds its hashers from the system's randomness, which is
/// enough to spread homes out.
fn random() -> f64 {
    RandomState::new().hash_one(0_u8) as f64 / u64::MAX as f64
}

/// Reads a `Retry-After` header: seconds, or an HTTP date (RFC 9110, section 10.2.3). A date is
/// taken against the answer's own `Date`, so that a difference between the clocks does not count;
/// else against `now`. What cannot be read, or lies in the past, asks for nothing.
pub(super) fn retry_after(value: &str, date: Option<&str>, now: Stamp) -> Option<Duration> {
    let value = value.trim();
    if let Ok(seconds) = value.parse::<u64>() {
        return Some(Duration::from_secs(seconds));
    }
    let until = moment(value)?;
    let from = date.and_then(moment).unwrap_or_else(|| now.seconds());
    u64::try_from(until - from).ok().map(Duration::from_secs)
}

/// An HTTP date of the current form, `Sun, 06 Nov 1994 08:49:37 GMT`, as Unix seconds. The two
/// obsolete forms are not read; a server that still sends them gets our own back-off.
fn moment(date: &str) -> Option<i64> {
    let parsed: Timestamp = rfc2822::DateTimeParser::new().parse_timestamp(date.trim()).ok()?;
    Some(parsed.as_second())
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn waits_double_from_a_second_to_five_minutes_and_start_again_after_success() {
        let mut backoff = Backoff::default();
        let waits: Vec<u64> = (0..11).map(|_| backoff.next_with(None, 0.0).as_secs()).collect();
        assert_eq!(waits, [1, 2, 4, 8, 16, 32, 64, 128, 256, 300, 300]);
        for _ in 0..100 {
            assert_eq!(backoff.next_with(None, 0.0), LONGEST);
        }
        backoff.reset();
        assert_eq!(backoff.next_with(None, 0.0), FIRST);
    }

    #[test]
    fn chance_takes_off_up_to_half() {
        assert_eq!(Backoff::default().next_with(None, 1.0), FIRST / 2);
        for _ in 0..1000 {
            let wait = Backoff::default().next(None);
            assert!((FIRST / 2..=FIRST).contains(&wait), "{wait:?}");
        }
    }

    #[test]
    fn what_the_server_asks_is_honoured_up_to_an_hour() {
        let check = |asked, expected| {
            let wait = Backoff::default().next_with(Some(Duration::from_secs(asked)), 0.0);
            assert_eq!(wait.as_secs(), expected, "asked for {asked}");
        };
        check(30, 30);
        check(3600, 3600);
        check(86_400, 3600);
        // Zero would be a loop without a pause.
        check(0, 1);
    }

    #[test]
    fn retry_after_is_seconds_or_a_date() {
        // The date and its Unix time: RFC 9110, section 5.6.7 has the date; `date -u -d` the seconds.
        let now = Stamp::from_seconds(784_111_777);
        let check = |value: &str, date: Option<&str>, seconds: Option<u64>| {
            assert_eq!(retry_after(value, date, now), seconds.map(Duration::from_secs), "{value:?} {date:?}");
        };
        check("120", None, Some(120));
        check(" 120 ", None, Some(120));
        check("0", None, Some(0));
        check("Sun, 06 Nov 1994 08:51:37 GMT", None, Some(120));
        check("Sun, 06 Nov 1994 08:49:00 GMT", None, None);
        // The server's clock is an hour ahead of ours; its own date says that it wants 30 s.
        check("Sun, 06 Nov 1994 09:50:07 GMT", Some("Sun, 06 Nov 1994 09:49:37 GMT"), Some(30));
        check("-5", None, None);
        check("1.5", None, None);
        check("soon", None, None);
        check("", None, None);
    }
}
