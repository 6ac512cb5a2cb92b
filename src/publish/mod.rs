//! Topics out: what is published when, as a state machine that knows no socket and no clock.
//!
//! [`now_body`] is the one JSON shape of a site's live figures; the topic, the API and the live
//! stream all carry it. [`Publisher`] decides when it goes to the broker. Every kind of topic is an
//! [`Output`], so that a convention for hubs can be added beside the JSON one without touching it.
//!
//! [`homie`] describes every value to any hub that speaks that convention; [`announce`] says it in
//! the user's own words to one that does not; [`Commands`] reads what may be set. [`Ledger`] remembers what the broker keeps of ours.

pub mod announce;
pub mod homie;

mod commands;
mod figures;
mod guidance;
mod json;
mod ledger;
mod now;
mod output;
mod publisher;

pub use commands::{Commands, Form, Rejected, Request};
pub use figures::{EvPart, Node, Of, Property, Today, What, nodes};
pub use guidance::alerts_body;
pub use ledger::Ledger;
pub use now::{MAX_INTERVAL, STALE_AFTER_S, now_body};
pub use output::{Message, Now, Output};
pub use publisher::{Options, Publisher};

#[cfg(test)]
mod tests;
