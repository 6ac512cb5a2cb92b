//! One site's device: what was said of it, and what has to be said now.

use std::collections::{BTreeMap, HashSet};
use std::sync::Arc;

use homie5::{DeviceLogLevel, Homie5DeviceProtocol, HomieDeviceStatus, HomieID, homie_str_to_vecu8};

use super::layout::Layout;
use super::{Manner, message};
use crate::flow::Flows;
use crate::publish::figures::{EvPart, Known, Today, Value, What, value};
use crate::publish::output::{Message, Now};
use crate::site::Site;
use crate::surplus::{Guidance, Settings};
use crate::units::Stamp;

/// Channels that an alert names; the rest is counted.
const NAMED: usize = 8;

const CHANNELS: HomieID = HomieID::new_const("channels");

/// A site's device.
pub(super) struct Device {
    site: String,
    protocol: Homie5DeviceProtocol,
    manner: Manner,
    layout: Option<Layout>,
    /// The map was read again: the layout may be another.
    stale: bool,
    /// Whether the whole of it was said on this connection.
    said: bool,
    /// The last values by their place in the layout, and when they were said; `None` inside: that
    /// the value is not known.
    values: Vec<Option<(Option<Value>, Stamp)>>,
    alerts: BTreeMap<HomieID, String>,
    /// The last figures, with what is advised.
    last: Option<(Flows, Guidance)>,
    today: Option<Arc<Today>>,
}

impl Device {
    /// `None` for a site without a name, which holds the place of one that is gone.
    pub(super) fn new(root: &Homie5DeviceProtocol, site: &Site, manner: Manner) -> Option<Self> {
        if site.id.is_empty() {
            return None;
        }
        let id = HomieID::try_from(format!("{}-{}", root.id().as_str(), site.id)).ok()?;
        Some(Self {
            site: site.id.clone(),
            protocol: root.clone_for_child(id),
            manner,
            layout: None,
            stale: false,
            said: false,
            values: Vec::new(),
            alerts: BTreeMap::new(),
            last: None,
            today: None,
        })
    }

    pub(super) fn id(&self) -> &HomieID {
        self.protocol.id()
    }

    pub(super) fn is_of(&self, site: &Site) -> bool {
        self.site == site.id
    }

    pub(super) fn is_said(&self) -> bool {
        self.said
    }

    pub(super) fn state(&self, state: HomieDeviceStatus) -> Message {
        message(self.protocol.publish_state(state))
    }

    /// The connection is new: nothing has been said on it.
    pub(super) fn on_up(&mut self) {
        self.said = false;
    }

    pub(super) fn on_map(&mut self) {
        self.stale = true;
        // Yesterday's map may have named other figures by the same index.
        self.today = None;
    }

    /// Every topic that the broker may keep for it, `$state` first: without one it does not exist.
    pub(super) fn retains(&self) -> Vec<String> {
        let mut topics = vec![self.state(HomieDeviceStatus::Init).topic];
        if let Some(layout) = &self.layout {
            topics.extend(layout.message(&self.protocol).map(|message| message.topic));
            topics.extend(layout.values.iter().map(|(topic, _)| topic.clone()));
        }
        topics.extend(self.alerts.keys().map(|id| self.protocol.publish_clear_alert(id).topic));
        topics
    }

    pub(super) fn lay_out(&mut self, site: &Site, at: Stamp) {
        self.layout = Some(Layout::new(&self.protocol, site, at, self.manner.commands));
    }

    /// New figures, as often as the publisher lets through.
    pub(super) fn on_now(&mut self, now: Now<'_>, out: &mut Vec<Message>) {
        let at = now.flows.at;
        let fits = self.layout.as_ref().is_some_and(|layout| layout.epoch.contains(&at));
        if self.stale || !fits {
            self.lay_out_anew(now.site, at, out);
        }
        self.last = Some((now.flows.clone(), now.guidance.clone()));
        if self.said {
            self.say_alerts(now, out);
            self.say_values(now.site, false, out);
        } else {
            self.say_all(now, out);
        }
    }

    /// The day's energies, once a minute or so.
    pub(super) fn on_today(&mut self, site: &Site, today: &Arc<Today>, up: bool, out: &mut Vec<Message>) {
        self.today = Some(Arc::clone(today));
        if up && self.said && !self.stale {
            self.say_values(site, false, out);
        }
    }

    /// A property was asked to be set. It is said in any case, which closes the loop for whoever
    /// asked: he sees his value, or the one that stays, and in the log why.
    pub(super) fn on_command(
        &mut self,
        site: &Site,
        (index, part): (usize, EvPart),
        outcome: Result<Settings, &str>,
        out: &mut Vec<Message>,
    ) {
        let asked = What::Ev(index, part);
        let circuit = site.loading.evs.get(index).map(|ev| ev.circuit);
        match outcome {
            Ok(settings) => {
                let guidance = self.last.as_mut().map(|(_, guidance)| guidance);
                let advice = guidance.map(|guidance| &mut guidance.advice).into_iter().flatten();
                advice.filter(|one| Some(one.circuit) == circuit).for_each(|one| one.settings = settings);
            }
            Err(why) => out.push(message(self.protocol.publish_log(DeviceLogLevel::Warn, why))),
        }
        let Some(layout) = self.layout.as_ref().filter(|_| self.said && !self.stale) else { return };
        for (place, _) in layout.values.iter().enumerate().filter(|(_, (_, what))| *what == asked) {
            self.values[place] = None;
        }
        self.say_values(site, false, out);
    }

    /// Another map, or another epoch of it: says so if that changes the description.
    fn lay_out_anew(&mut self, site: &Site, at: Stamp, out: &mut Vec<Message>) {
        self.stale = false;
        let fresh = Layout::new(&self.protocol, site, at, self.manner.commands);
        let Some(old) = self.layout.replace(fresh) else { return };
        let Some(layout) = &self.layout else { return };
        if self.said && (old.description != layout.description || old.values != layout.values) {
            // A description may only change under `init`, which is also when its parts may go.
            self.said = false;
            out.push(self.state(HomieDeviceStatus::Init));
            let kept: HashSet<&str> = layout.values.iter().map(|(topic, _)| topic.as_str()).collect();
            let gone = old.values.into_iter().filter(|(topic, _)| !kept.contains(topic.as_str()));
            out.extend(gone.map(|(topic, _)| Message::clear(topic)));
        }
    }

    /// The whole device, in the order that the convention has for it.
    fn say_all(&mut self, now: Now<'_>, out: &mut Vec<Message>) {
        let Some(layout) = &self.layout else { return };
        let init = self.state(HomieDeviceStatus::Init);
        if !out.contains(&init) {
            out.push(init);
        }
        out.extend(layout.message(&self.protocol));
        self.values = vec![None; layout.values.len()];
        self.alerts.clear();
        self.say_alerts(now, out);
        self.say_values(now.site, true, out);
        out.push(self.state(HomieDeviceStatus::Ready));
        self.said = true;
    }

    fn say_alerts(&mut self, now: Now<'_>, out: &mut Vec<Message>) {
        let alerts = alerts(now);
        let gone = self.alerts.keys().filter(|id| !alerts.contains_key(*id));
        out.extend(gone.map(|id| message(self.protocol.publish_clear_alert(id))));
        let news = alerts.iter().filter(|(id, text)| self.alerts.get(*id) != Some(text));
        out.extend(news.map(|(id, text)| message(self.protocol.publish_alert(id, text))));
        self.alerts = alerts;
    }

    fn say_values(&mut self, site: &Site, all: bool, out: &mut Vec<Message>) {
        let (Some(layout), Some((flows, guidance))) = (&self.layout, &self.last) else { return };
        let (today, alerts) = (self.today.as_deref(), self.alerts.len());
        let known = Known { site, flows, guidance, today, alerts };
        for ((topic, what), said) in layout.values.iter().zip(&mut self.values) {
            let now = value(*what, known);
            if all || is_due(*what, said.as_ref(), now.as_ref(), flows.at, self.manner) {
                out.push(match &now {
                    Some(value) => Message::retained(topic.clone(), homie_str_to_vecu8(value.text())),
                    None => Message::clear(topic.clone()),
                });
                *said = Some((now, flows.at));
            }
        }
    }
}

/// Whether a value is worth a message: it became known or unknown, moved by more than the
/// dead-band, or differs at all after the longest silence.
fn is_due(
    what: What,
    said: Option<&(Option<Value>, Stamp)>,
    now: Option<&Value>,
    at: Stamp,
    manner: Manner,
) -> bool {
    let Some((was, when)) = said else { return true };
    match (was, now) {
        (Some(Value::Number(was, _)), Some(Value::Number(is, _)))
            if matches!(what, What::Power(_) | What::Ev(_, EvPart::Surplus)) =>
        {
            let moved = (was - is).abs();
            // A clock that was set back must not silence it.
            moved > manner.dead_band_w || moved > 0.0 && (at < *when || at - *when >= manner.max_interval)
        }
        (was, is) => was.as_ref() != is,
    }
}

/// What a person should know of now, by the alert's id.
fn alerts(now: Now<'_>) -> BTreeMap<HomieID, String> {
    let watched = now.guidance.alerts.iter().filter_map(|alert| {
        let id: String = alert.id.chars().map(|c| if c.is_ascii_alphanumeric() { c } else { '-' }).collect();
        let text = format!("{}: {}; {}", alert.place, alert.what, alert.advice);
        Some((HomieID::try_from(id.to_ascii_lowercase()).ok()?, text))
    });
    let silent = silent(now.site, now.flows).map(|text| (CHANNELS, text));
    watched.chain(silent).collect()
}

/// Which channels are silent, for people.
fn silent(site: &Site, flows: &Flows) -> Option<String> {
    let count = flows.unknown.len();
    let names = flows.unknown.iter().filter_map(|index| site.channels.get(index.0 as usize));
    let names: Vec<_> = names.take(NAMED).map(|channel| channel.name.as_str()).collect();
    let more = if count > names.len() { ", …" } else { "" };
    (count > 0).then(|| format!("{count} without a fresh value: {}{more}", names.join(", ")))
}
