//! The JSON topics of each site, and the topic that says whether the daemon is there.

use std::collections::BTreeMap;

use bytes::Bytes;

use super::guidance::alerts_body;
use super::output::{Message, Now, Output};
use super::publisher::Options;
use crate::reading::SiteIndex;
use crate::site::Site;
use crate::units::Stamp;

/// Three retained JSON messages per site, its figures, its alerts and what the audit finds, and a retained `online` or
/// `offline` for the daemon.
///
/// An MQTT connection has one last will, so that the topic that it marks stale is one per daemon,
/// not one per site.
pub(super) struct Json {
    topic: Option<String>,
    alerts: Option<String>,
    findings: Option<String>,
    state: String,
    /// The alerts that were said of each site: they change seldom, and are said when they do.
    said: BTreeMap<SiteIndex, String>,
}

impl Json {
    /// What the state topic says while the daemon is connected.
    const ONLINE: &'static str = "online";
    /// What it says after an orderly stop, and what the broker says for it when the connection breaks.
    pub(super) const OFFLINE: &'static str = "offline";

    pub(super) fn new(options: &Options) -> Self {
        Self {
            topic: options.json.clone(),
            alerts: options.alerts.clone(),
            findings: options.findings.clone(),
            state: options.state.clone(),
            said: BTreeMap::new(),
        }
    }
}

/// The topic of one site.
fn of_site(topic: Option<&String>, site: &Site) -> Option<String> {
    Some(topic?.replace("{site}", &site.id))
}

impl Output for Json {
    fn on_up(&mut self, _at: Stamp, out: &mut Vec<Message>) {
        self.said.clear();
        out.push(Message::retained(&*self.state, Self::ONLINE));
    }

    fn on_now(&mut self, now: Now<'_>, out: &mut Vec<Message>) {
        if let Some(topic) = of_site(self.topic.as_ref(), now.site) {
            out.push(Message::retained(topic, now.body.clone()));
        }
        if let Some(topic) = of_site(self.alerts.as_ref(), now.site) {
            let body = alerts_body(now.site, now.guidance);
            if self.said.get(&now.index) != Some(&body) {
                out.push(Message::retained(topic, body.clone()));
                self.said.insert(now.index, body);
            }
        }
    }

    fn on_findings(&mut self, site: &Site, body: &Bytes, out: &mut Vec<Message>) {
        out.extend(of_site(self.findings.as_ref(), site).map(|topic| Message::retained(topic, body.clone())));
    }

    fn on_removed(&mut self, site: &Site, out: &mut Vec<Message>) {
        out.extend(of_site(self.topic.as_ref(), site).map(Message::clear));
        out.extend(of_site(self.alerts.as_ref(), site).map(Message::clear));
        out.extend(of_site(self.findings.as_ref(), site).map(Message::clear));
    }

    fn on_shutdown(&mut self, _at: Stamp, out: &mut Vec<Message>) {
        out.push(Message::retained(&*self.state, Self::OFFLINE));
    }

    fn retains(&self, site: &Site, _at: Stamp, topics: &mut Vec<String>) {
        topics.extend(of_site(self.topic.as_ref(), site));
        topics.extend(of_site(self.alerts.as_ref(), site));
        topics.extend(of_site(self.findings.as_ref(), site));
    }

    fn retains_always(&self, topics: &mut Vec<String>) {
        topics.push(self.state.clone());
    }
}
