//! The brake on guessing.

use std::sync::{Mutex, PoisonError};

use crate::clock::Clock;

/// Wrong passwords in a row before the brake holds: a browser with an old password, and a few
/// slips of the fingers.
const BURST: f64 = 20.0;
/// Wrong passwords a second in the long run. At one a second, guessing eight random letters
/// and digits takes longer than the house will stand.
const PER_SECOND: f64 = 1.0;

/// How many more wrong passwords are heard, for all clients together: a count for each address
/// would be no bound, since addresses are cheap.
#[derive(Debug)]
pub(super) struct Brake {
    clock: Clock,
    left: Mutex<Left>,
}

#[derive(Debug)]
struct Left {
    attempts: f64,
    at_ms: i64,
}

impl Brake {
    pub(super) fn new(clock: Clock) -> Self {
        Self { clock, left: Mutex::new(Left { attempts: BURST, at_ms: clock.now_ms() }) }
    }

    /// Takes an attempt, if there is one left.
    pub(super) fn take(&self) -> bool {
        let now_ms = self.clock.now_ms();
        let mut left = self.left.lock().unwrap_or_else(PoisonError::into_inner);
        // A clock that was set back gives nothing and takes nothing.
        let passed_s = (now_ms - left.at_ms).max(0) as f64 / 1000.0;
        left.attempts = (left.attempts + passed_s * PER_SECOND).min(BURST);
        left.at_ms = now_ms;
        if left.attempts < 1.0 {
            return false;
        }
        left.attempts -= 1.0;
        true
    }

    /// Gives one back that was right.
    pub(super) fn give_back(&self) {
        let mut left = self.left.lock().unwrap_or_else(PoisonError::into_inner);
        left.attempts = (left.attempts + 1.0).min(BURST);
    }
}
