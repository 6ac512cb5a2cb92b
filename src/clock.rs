//! The one place that reads the system's clock. A simulated site runs on a faster one.

use std::time::{Duration, Instant, SystemTime, UNIX_EPOCH};

use crate::units::Stamp;

/// Wall time, or simulated time that starts at a given moment and runs `speed` times as fast.
///
/// Copies show the same time.
#[derive(Clone, Copy, Debug)]
pub struct Clock {
    started: Instant,
    origin_ms: i64,
    speed: f64,
    /// Wall clocks are read anew each time, so that a corrected system clock is followed.
    wall: bool,
}

impl Clock {
    /// The system's clock.
    #[expect(clippy::disallowed_methods, reason = "the clock is where time enters")]
    pub fn wall() -> Self {
        Self { started: Instant::now(), origin_ms: 0, speed: 1.0, wall: true }
    }

    /// A clock that shows `origin` now and runs `speed` times as fast as the system's.
    #[expect(clippy::disallowed_methods, reason = "the clock is where time enters")]
    pub fn simulated(origin: Stamp, speed: f64) -> Self {
        Self { started: Instant::now(), origin_ms: origin.0 * 100, speed, wall: false }
    }

    /// The time it shows.
    pub fn now(&self) -> Stamp {
        Stamp::from_millis(self.now_ms())
    }

    /// The time it shows, in milliseconds since the Unix epoch.
    #[expect(clippy::disallowed_methods, reason = "the clock is where time enters")]
    pub fn now_ms(&self) -> i64 {
        if self.wall {
            let since = SystemTime::now().duration_since(UNIX_EPOCH).unwrap_or(Duration::ZERO);
            return since.as_millis() as i64;
        }
        self.origin_ms + (self.started.elapsed().as_secs_f64() * self.speed * 1000.0) as i64
    }

    /// How long to sleep until it shows `at`; zero if it does already.
    pub fn until(&self, at: Stamp) -> Duration {
        let ms = (at.0 * 100 - self.now_ms()).max(0) as f64;
        Duration::from_secs_f64(ms / 1000.0 / self.speed)
    }

    /// Simulated seconds per second.
    pub fn speed(&self) -> f64 {
        self.speed
    }
}
