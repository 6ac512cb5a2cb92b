//! When the broker's backlog ends.
//!
//! A resumed session begins with what the broker queued while nobody was listening, as fast as the
//! connection goes: its arrival says nothing about when it was measured. No broker marks the end.
//! But a broker that has more sends it as soon as the window of unacknowledged messages has room.
//! So the backlog is over when there has been room for a while: the time that a round trip to a
//! far broker takes, well above one on a home's network.

use std::time::Duration;

use tokio::time::Instant;

/// How long there must have been room in the window. What arrives live in this time after a
/// reconnection is taken for backlog: half a second of readings, which their successors cover.
const ROOM_FOR: Duration = Duration::from_millis(500);

/// Follows the window of one connection.
#[derive(Debug)]
pub(super) struct Backlog {
    going: bool,
    window: usize,
    unacknowledged: usize,
    room_since: Option<Instant>,
}

impl Backlog {
    /// At the start of a connection, of a session that was resumed or is new.
    pub(super) fn new(session_present: bool, window: usize, now: Instant) -> Self {
        Self { going: session_present, window, unacknowledged: 0, room_since: Some(now) }
    }

    /// Whether the message that comes now belongs to the backlog. `takes_place` says whether it
    /// counts in the window (QoS 1).
    pub(super) fn holds(&mut self, takes_place: bool, now: impl FnOnce() -> Instant) -> bool {
        if !self.going {
            return false;
        }
        self.going = self.room_since.is_none_or(|since| now() - since < ROOM_FOR);
        if takes_place {
            self.unacknowledged += 1;
            if self.unacknowledged >= self.window {
                self.room_since = None;
            }
        }
        self.going
    }

    /// An acknowledgement went out.
    pub(super) fn acknowledged(&mut self, now: impl FnOnce() -> Instant) {
        if self.going {
            self.unacknowledged = self.unacknowledged.saturating_sub(1);
            if self.unacknowledged < self.window && self.room_since.is_none() {
                self.room_since = Some(now());
            }
        }
    }
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn a_new_session_has_none() {
        let now = Instant::now();
        assert!(!Backlog::new(false, 20, now).holds(true, || now));
    }

    #[test]
    fn it_goes_on_while_the_broker_fills_the_window_and_ends_with_room() {
        let start = Instant::now();
        let at = |ms| start + Duration::from_millis(ms);
        let mut backlog = Backlog::new(true, 20, start);
        // Two windows and a half of backlog; the consumer acknowledges a window every 5 s.
        for window in 0..2 {
            let ms = window * 5000;
            for _ in 0..20 {
                assert!(backlog.holds(true, || at(ms + 10)));
            }
            for _ in 0..20 {
                backlog.acknowledged(|| at(ms + 4990));
            }
        }
        for _ in 0..10 {
            assert!(backlog.holds(true, || at(10_010)));
        }
        assert!(backlog.holds(true, || at(10_400)), "there may still be more");
        assert!(!backlog.holds(true, || at(10_500)));
        assert!(!backlog.holds(true, || at(10_501)), "what is over is over");
    }
}
