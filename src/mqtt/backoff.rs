//! How long to wait before the next attempt to connect.

use std::time::Duration;

/// The shortest pause, so that a broker that refuses us is asked once a second at most.
const SHORTEST: Duration = Duration::from_secs(1);
/// The longest: a broker that comes back is found within a minute.
const LONGEST: Duration = Duration::from_secs(60);
/// A connection that held this long was a good one: the next break starts over.
const STABLE: Duration = Duration::from_secs(30);

/// Doubles the pause with each failure, from about 1 s to 60 s.
///
/// The pause is drawn between half of it and all of it, so that a thousand daemons that lost one
/// broker do not come back in one moment.
#[derive(Debug, Default)]
pub(super) struct Backoff {
    failures: u32,
}

impl Backoff {
    /// The pause after a connection that held for `held` (zero if it never came about); `random` is
    /// any number.
    pub(super) fn pause(&mut self, held: Duration, random: u64) -> Duration {
        if held >= STABLE {
            self.failures = 0;
        }
        let doubled = SHORTEST * 2u32.pow(self.failures.min(6) + 1);
        self.failures = self.failures.saturating_add(1);
        let whole = doubled.min(LONGEST);
        let share = (random >> 11) as f64 / (1u64 << 53) as f64;
        (whole.mul_f64(0.5 + 0.5 * share)).clamp(SHORTEST, LONGEST)
    }
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn pauses_double_to_a_minute_and_start_over_after_a_stable_connection() {
        for random in [0, u64::MAX / 2, u64::MAX] {
            let mut backoff = Backoff::default();
            let mut whole = 2.0;
            for _ in 0..12 {
                let pause = backoff.pause(Duration::ZERO, random).as_secs_f64();
                assert!((whole * 0.5..=whole).contains(&pause), "{pause} s of {whole} s");
                whole = f64::min(whole * 2.0, 60.0);
            }
            assert!(backoff.pause(Duration::from_secs(29), random) >= Duration::from_secs(30));
            assert!(backoff.pause(STABLE, random) <= Duration::from_secs(2));
        }
    }
}
