//! The broker connection: subscribe, acknowledge after commit, reconnect.
//!
//! [`start`] starts a task that owns the connection for the life of the program. What comes in goes
//! out of a bounded channel in batches, together with the ups and downs of the connection; a
//! [`Handle`] acknowledges, publishes and ends it.
//!
//! A message is acknowledged by the [`AckToken`] that came with it, when it is safely stored. The
//! broker keeps what is not acknowledged, and keeps the session while the daemon is away.
//!
//! **Every connection is a fresh client with a number of its own, the epoch.** Packet identifiers
//! belong to a connection: after a reconnection the broker delivers what is unacknowledged again,
//! under identifiers that may be others. A token of an earlier epoch is therefore dropped, and
//! nothing that a dead connection had queued can leak into the next one. What was to be published
//! and was not is lost with it, by design: the owner of the figures publishes them all again after
//! each [`Incoming::Up`].
//!
//! **Memory is bounded and a slow consumer slows the broker down**: when the channel is full and the
//! window of unacknowledged messages has been read, reading from the socket stops.

pub mod embedded;

mod backlog;
mod backoff;
mod handle;
mod link;
mod options;
mod pace;
mod supervisor;
mod tls;

pub use handle::Handle;
pub use options::{BadOptions, Identity, Options, Protocol, Qos, Tls, Will};
pub use pace::Pace;

use bytes::Bytes;
use tokio::sync::mpsc;

use crate::reading::Delivery;
use crate::units::Stamp;

/// Batches that wait for the consumer. A batch holds what one wake-up of the socket brought, so
/// this is about a second of a busy site, and at most [`BATCH`] times as many messages.
const BATCHES: usize = 16;

/// Messages in a batch, at most, while the consumer keeps up: the next one is then under way
/// before the consumer is through with this one.
const BATCH: usize = 1024;

/// What the connection tells its consumer, in the order in which it happened.
#[derive(Clone, Debug, PartialEq)]
pub enum Incoming {
    /// Connected. Everything that is to be retained at the broker should be published again.
    Up {
        /// The number of the connection; it only grows.
        epoch: u32,
        /// Whether the broker kept the session, and with it the subscriptions and what came since.
        session_present: bool,
    },
    /// Not connected: an attempt failed or the connection broke. The next attempt follows by itself.
    Down {
        /// What happened and what to do about it.
        why: String,
    },
    /// The broker does not let this client subscribe to these filters. The rest goes on.
    Refused {
        /// The filters.
        filters: Vec<String>,
    },
    /// A message of a subscribed topic.
    Message(Message),
}

/// A message of a subscribed topic.
#[derive(Clone, Debug, PartialEq)]
pub struct Message {
    topic: Bytes,
    /// As it was sent.
    pub payload: Bytes,
    /// When it was read from the socket.
    pub arrival: Stamp,
    /// Whether its arrival tells when it was sent.
    pub delivery: Delivery,
    /// To be handed to [`Handle::ack`] when the message is dealt with; `None` under QoS 0.
    pub ack: Option<AckToken>,
}

impl Message {
    /// The topic; empty if it is not UTF-8, which MQTT forbids.
    pub fn topic(&self) -> &str {
        std::str::from_utf8(&self.topic).unwrap_or_default()
    }
}

/// The right to acknowledge one message on the connection that it came by.
#[derive(Clone, Copy, Debug, PartialEq, Eq)]
pub struct AckToken {
    epoch: u32,
    packet: u16,
}

/// Starts the connection; must be called inside of a tokio runtime.
///
/// `filters` are subscribed at QoS 1. Dropping the receiver ends the intake (as
/// [`Handle::shutdown`] does) and leaves publishing to go on.
///
/// # Errors
/// Options that no connection can be made with: see [`BadOptions`].
pub fn start(
    options: Options,
    filters: Vec<String>,
) -> Result<(Handle, mpsc::Receiver<Vec<Incoming>>), BadOptions> {
    let plan = link::Plan::new(options)?;
    let (sender, receiver) = mpsc::channel(BATCHES);
    Ok((Handle::start(plan, filters, sender), receiver))
}
