//! The outbox to central stores: servers of the InfluxDB v2 write API.
//!
//! Each minute that closed or changed is a *mark* in the outbox of the embedded store. A central
//! store has a cursor of its own in it and a task of its own here, which takes the oldest marks,
//! asks [`crate::history`] for their figures as they are now, writes them as line protocol and
//! moves the cursor on when the server has taken them. The embedded store is the spool, so an
//! outage of weeks costs no memory: a task holds one batch, never more.
//!
//! Delivery is in order and at least once; a point's key (tags and time) never changes, so that a
//! point that arrives twice is one point, and a corrected one overwrites.

mod answer;
mod backoff;
mod batch;
mod client;
mod gather;
mod handle;
mod options;
mod outbox;
mod point;
mod progress;
mod stored;
mod task;

pub use handle::{Handle, StartError};
pub use options::{Options, Resolution, Token};
pub use outbox::{Backlog, Mark, Outbox, Refused};
pub use progress::{Failure, Progress, State};
pub use task::start;
