//! The JSON topic of each site, and the topic that says whether the daemon is there.

use super::output::{Message, Now, Output};
use super::publisher::Options;
use crate::site::Site;
use crate::units::Stamp;

/// One retained JSON message per site, and a retained `online` or `offline` for the daemon.
///
/// An MQTT connection has one last will, so that the topic that it marks stale is one per daemon,
/// not one per site.
pub(super) struct Json {
    topic: Option<String>,
    state: String,
}

impl Json {
    /// What the state topic says while the daemon is connected.
    const ONLINE: &'static str = "online";
    /// What it says after an orderly stop, and what the broker says for it when the connection breaks.
    pub(super) const OFFLINE: &'static str = "offline";

    pub(super) fn new(options: &Options) -> Self {
        Self { topic: options.json.clone(), state: options.state.clone() }
    }

    fn topic(&self, site: &Site) -> Option<String> {
        Some(self.topic.as_ref()?.replace("{site}", &site.id))
    }
}

impl Output for Json {
    fn on_up(&mut self, _at: Stamp, out: &mut Vec<Message>) {
        out.push(Message::retained(&*self.state, Self::ONLINE));
    }

    fn on_now(&mut self, now: Now<'_>, out: &mut Vec<Message>) {
        if let Some(topic) = self.topic(now.site) {
            out.push(Message::retained(topic, now.body.clone()));
        }
    }

    fn on_removed(&mut self, site: &Site, out: &mut Vec<Message>) {
        if let Some(topic) = self.topic(site) {
            out.push(Message::clear(topic));
        }
    }

    fn on_shutdown(&mut self, _at: Stamp, out: &mut Vec<Message>) {
        out.push(Message::retained(&*self.state, Self::OFFLINE));
    }
}
