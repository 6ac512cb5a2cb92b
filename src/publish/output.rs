//! A kind of topic: what it says of a site's live figures.

use bytes::Bytes;

use crate::flow::Flows;
use crate::reading::SiteIndex;
use crate::site::Site;
use crate::surplus::Guidance;
use crate::units::Stamp;

/// One message for the broker.
#[derive(Clone, Debug, PartialEq, Eq)]
pub struct Message {
    /// Where to.
    pub topic: String,
    /// What; empty and retained, it removes what the broker keeps under the topic.
    pub payload: Bytes,
    /// Whether the broker keeps it for those who subscribe later.
    pub retain: bool,
}

impl Message {
    /// A message that the broker keeps.
    pub fn retained(topic: impl Into<String>, payload: impl Into<Bytes>) -> Self {
        Self { topic: topic.into(), payload: payload.into(), retain: true }
    }

    /// What removes a message that the broker keeps.
    pub fn clear(topic: impl Into<String>) -> Self {
        Self::retained(topic, Bytes::new())
    }
}

/// The live figures of a site that are to go out now.
#[derive(Clone, Copy, Debug)]
pub struct Now<'a> {
    /// Which site.
    pub index: SiteIndex,
    /// Its map.
    pub site: &'a Site,
    /// Its figures.
    pub flows: &'a Flows,
    /// What is advised for chargers and breakers.
    pub guidance: &'a Guidance,
    /// The same as JSON, see [`super::now_body`].
    pub body: &'a Bytes,
}

/// A kind of topic, such as the JSON one. It decides what is said; when it is said is the
/// [`super::Publisher`]'s business. Messages are appended to `out` in the order of their sending.
pub trait Output: Send {
    /// The connection is new: say what holds for the daemon as a whole. The figures of every site
    /// follow by [`Output::on_now`].
    fn on_up(&mut self, at: Stamp, out: &mut Vec<Message>);

    /// The figures of a site.
    fn on_now(&mut self, now: Now<'_>, out: &mut Vec<Message>);

    /// The site is not in the map any more: take back what the broker keeps of it.
    fn on_removed(&mut self, site: &Site, out: &mut Vec<Message>);

    /// The daemon is about to stop in an orderly way.
    fn on_shutdown(&mut self, at: Stamp, out: &mut Vec<Message>);
}
