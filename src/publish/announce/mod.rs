//! Announcements: the user's own retained messages, one a site, a circuit or a figure.
//!
//! A hub that finds new things by messages of its own kind gets them in its own words, from
//! templates in the settings. This project knows no hub: what is announced is what was written.

mod template;

use std::collections::BTreeMap;
use std::ops::Range;
use std::sync::Arc;

pub use template::{Announcement, Each, Fault, Rendered, Source};

use super::output::{Message, Now, Output};
use super::publisher::Options;
use crate::site::Site;
use crate::units::Stamp;

/// Renders every announcement for a site as its map is at `at`: what can be rendered, and what is
/// wrong with the rest.
pub fn render(options: &Options, site: &Site, at: Stamp) -> (Vec<Rendered>, Vec<Fault>) {
    let mut all: Vec<Rendered> = Vec::new();
    let mut faults = Vec::new();
    for announcement in &options.announce {
        let (rendered, wrong) = template::render(announcement, options, site, at);
        faults.extend(wrong);
        for one in rendered {
            let double = all.iter().find(|other| other.topic == one.topic && other.payload != one.payload);
            match double {
                Some(_) => faults.push(announcement.topic.fault(
                    site,
                    1,
                    format!("two announcements have the topic {:?}", one.topic),
                    "put what tells them apart into the topic, such as {{ figure.id }}",
                )),
                None => all.push(one),
            }
        }
    }
    (all, faults)
}

/// Keeps what is announced of each site in step with its map.
pub(super) struct Announcer {
    options: Options,
    /// By the site's place.
    sites: Vec<Announced>,
}

#[derive(Default)]
struct Announced {
    site: String,
    /// The epoch of the map that was rendered; empty where none was, or the map is another.
    epoch: Option<Range<Stamp>>,
    /// Whether it was said on this connection.
    said: bool,
    messages: BTreeMap<String, String>,
}

impl Announcer {
    pub(super) fn new(options: &Options) -> Self {
        Self { options: options.clone(), sites: Vec::new() }
    }

    fn rendered(&self, site: &Site, at: Stamp) -> BTreeMap<String, String> {
        let (rendered, faults) = render(&self.options, site, at);
        for fault in faults {
            tracing::error!("{fault}");
        }
        rendered.into_iter().map(|one| (one.topic, one.payload)).collect()
    }
}

impl Output for Announcer {
    fn on_up(&mut self, _at: Stamp, _out: &mut Vec<Message>) {
        self.sites.iter_mut().for_each(|site| site.said = false);
    }

    fn on_sites(&mut self, sites: &[Arc<Site>]) {
        self.sites.resize_with(sites.len(), Announced::default);
        for (announced, site) in self.sites.iter_mut().zip(sites) {
            if announced.site != site.id {
                *announced = Announced { site: site.id.clone(), ..Announced::default() };
            }
            announced.epoch = None;
        }
    }

    fn on_now(&mut self, now: Now<'_>, out: &mut Vec<Message>) {
        let Some(announced) = self.sites.get(now.index.0 as usize) else { return };
        let fits = announced.epoch.as_ref().is_some_and(|epoch| epoch.contains(&now.flows.at));
        if fits && announced.said {
            return;
        }
        let fresh = self.rendered(now.site, now.flows.at);
        let announced = &mut self.sites[now.index.0 as usize];
        let gone = announced.messages.keys().filter(|topic| !fresh.contains_key(*topic));
        out.extend(gone.map(Message::clear));
        let news = fresh
            .iter()
            .filter(|(topic, payload)| !announced.said || announced.messages.get(*topic) != Some(payload));
        out.extend(news.map(|(topic, payload)| Message::retained(topic.clone(), payload.clone())));
        announced.messages = fresh;
        announced.epoch = Some(now.site.epoch(now.flows.at).span.clone());
        announced.said = true;
    }

    fn on_removed(&mut self, site: &Site, out: &mut Vec<Message>) {
        if let Some(announced) = self.sites.iter_mut().find(|announced| announced.site == site.id) {
            out.extend(std::mem::take(announced).messages.into_keys().map(Message::clear));
        }
    }

    /// What was announced stays: the things are still there when the daemon is back.
    fn on_shutdown(&mut self, _at: Stamp, _out: &mut Vec<Message>) {}

    fn retains(&self, site: &Site, at: Stamp, topics: &mut Vec<String>) {
        let (rendered, _) = render(&self.options, site, at);
        topics.extend(rendered.into_iter().map(|one| one.topic));
    }
}

#[cfg(test)]
mod tests;
