//! A kind of topic: what it says of a site's live figures.

use std::sync::Arc;

use bytes::Bytes;

use super::figures::{EvPart, Today};
use crate::flow::Flows;
use crate::reading::SiteIndex;
use crate::site::Site;
use crate::surplus::{Guidance, Settings};
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

    /// The connection is gone; nothing more is sent until [`Output::on_up`].
    fn on_down(&mut self) {}

    /// The maps, at the start and whenever they were read again; a site keeps its place. What
    /// changes is said by the next [`Output::on_now`] of each.
    fn on_sites(&mut self, _sites: &[Arc<Site>]) {}

    /// The figures of a site.
    fn on_now(&mut self, now: Now<'_>, out: &mut Vec<Message>);

    /// The energies of a site's local day so far.
    fn on_today(&mut self, _index: SiteIndex, _site: &Site, _today: &Arc<Today>, _out: &mut Vec<Message>) {}

    /// What the audit finds at a site, as JSON.
    fn on_findings(&mut self, _site: &Site, _body: &Bytes, _out: &mut Vec<Message>) {}

    /// A property was asked to be set: what holds for its charger now, or why not.
    fn on_command(
        &mut self,
        _site: SiteIndex,
        _map: &Site,
        _property: (usize, EvPart),
        _outcome: Result<Settings, &str>,
        _out: &mut Vec<Message>,
    ) {
    }

    /// The site is not in the map any more: take back what the broker keeps of it.
    fn on_removed(&mut self, site: &Site, out: &mut Vec<Message>);

    /// The daemon is about to stop in an orderly way.
    fn on_shutdown(&mut self, at: Stamp, out: &mut Vec<Message>);

    /// Every topic under which the broker may keep something of this site, by its map at `at`. What
    /// an earlier run retained and is not among them any more is taken back.
    fn retains(&self, _site: &Site, _at: Stamp, _topics: &mut Vec<String>) {}

    /// The same for topics that belong to no site.
    fn retains_always(&self, _topics: &mut Vec<String>) {}
}
