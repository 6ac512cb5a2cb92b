//! How a central store is doing, for health, metrics and the page.

use super::Backlog;
use crate::units::Stamp;

/// How one central store is doing.
#[derive(Clone, Debug, Default, PartialEq)]
pub struct Progress {
    /// What its task does.
    pub state: State,
    /// What it has not taken yet, as of the last look.
    pub behind: Backlog,
    /// When it last took a batch.
    pub last_success: Option<Stamp>,
    /// What last went wrong; kept after a success, so compare the times.
    pub last_failure: Option<Failure>,
    /// Points that it took since the start; one that was corrected counts again.
    pub points: u64,
    /// Records that it refused and that were set aside, since the start.
    pub refused: u64,
}

impl Progress {
    /// Whether the central store takes what it is sent.
    pub fn is_well(&self) -> bool {
        matches!(self.state, State::Starting | State::Idle | State::Sending)
    }
}

/// What the task of a central store does.
#[derive(Clone, Copy, Debug, Default, PartialEq, Eq)]
pub enum State {
    /// It has not looked into the outbox yet.
    #[default]
    Starting,
    /// All is sent.
    Idle,
    /// A batch is on its way.
    Sending,
    /// The server is away, busy or slow: the same batch goes again at this time.
    Waiting {
        /// When.
        until: Stamp,
    },
    /// The server rejects the token, the bucket or the address: a person has to act. Everything is
    /// kept, and tried again at this time.
    Held {
        /// When.
        until: Stamp,
    },
    /// It was shut down.
    Stopped,
}

/// What went wrong.
#[derive(Clone, Debug, PartialEq, Eq)]
pub struct Failure {
    /// When.
    pub at: Stamp,
    /// What, and what to do.
    pub why: String,
}
