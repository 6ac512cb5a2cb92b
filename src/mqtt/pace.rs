//! How often the connection's thread wakes up.
//!
//! On a small machine most of what a message costs is waking up for it. So a thread that wakes up in
//! quick succession rests for a moment before it waits for the network again, and one wake-up then
//! serves all that came meanwhile. It never rests while there is something to do, nor where messages
//! come seldom; nor so long that more than [`TOGETHER`] of them would wait in the socket; nor while
//! somebody is in a hurry.

use std::sync::atomic::{AtomicBool, AtomicU32, Ordering};
use std::sync::{Mutex, PoisonError};
use std::time::Duration;

use tokio::time::Instant;

/// The longest rest. Figures have to be out 50 ms after their tick, and this is added at most once to
/// a reading, a tick or an acknowledgement.
const REST: Duration = Duration::from_millis(10);

/// Wake-ups that are further apart than this are left alone: to rest between them would add one.
const SELDOM: Duration = Duration::from_millis(20);

/// Messages that one wake-up should serve: beyond it hardly anything is saved, and the socket's
/// buffer (128 kB and more) must not fill up.
const TOGETHER: u32 = 64;

/// The pace of one thread with a runtime of its own: [`Pace::rest`] is to be called whenever it runs
/// out of work.
#[derive(Debug)]
pub struct Pace {
    /// Events of the connection since the last rest.
    handled: AtomicU32,
    hurry: AtomicBool,
    rested: Mutex<Instant>,
}

impl Default for Pace {
    fn default() -> Self {
        let (handled, hurry) = (AtomicU32::new(0), AtomicBool::new(false));
        Self { handled, hurry, rested: Mutex::new(Instant::now()) }
    }
}

impl Pace {
    /// Something came in or went out.
    pub(super) fn count(&self) {
        self.handled.fetch_add(1, Ordering::Relaxed);
    }

    /// With `true` there is no rest: the broker sends nothing more until it gets acknowledgements.
    pub fn hurry(&self, hurry: bool) {
        self.hurry.store(hurry, Ordering::Relaxed);
    }

    /// Blocks the thread as long as is good.
    pub fn rest(&self) {
        let handled = self.handled.swap(0, Ordering::Relaxed);
        let mut rested = self.rested.lock().unwrap_or_else(PoisonError::into_inner);
        std::thread::sleep(how_long(self.hurry.load(Ordering::Relaxed), handled, rested.elapsed()));
        *rested = Instant::now();
    }
}

/// The rest after `handled` events that came within `period`, which includes the rest before.
fn how_long(hurry: bool, handled: u32, period: Duration) -> Duration {
    if hurry || handled == 0 || period >= SELDOM {
        return Duration::ZERO;
    }
    REST.min(period * TOGETHER / handled)
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn it_rests_where_wake_ups_follow_each_other() {
        let check = |handled, period_us, expected_us| {
            let rest = how_long(false, handled, Duration::from_micros(period_us));
            assert_eq!(rest, Duration::from_micros(expected_us), "{handled} in {period_us} us");
        };
        // A thousand a second, one by one and then as many as come in a rest.
        check(1, 1_000, 10_000);
        check(10, 10_100, 10_000);
        // Fifty thousand a second: some sixty at a time.
        check(500, 10_000, 1_280);
        check(64, 1_280, 1_280);
        // Seldom, or nothing of the connection's at all.
        check(1, 20_000, 0);
        check(19, 1_000_000, 0);
        check(0, 50, 0);
        assert_eq!(how_long(true, 10, REST), Duration::ZERO);
    }
}
