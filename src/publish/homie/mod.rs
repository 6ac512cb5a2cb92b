//! The Homie convention, version 5: each site is a device that says what it is.
//!
//! **One root device, a child for each site.** A connection has one last will, and the convention
//! puts it on the root of a tree of devices: while the root's `$state` is `lost`, every device below
//! it counts as lost. So one connection serves any number of sites. The alternative, a connection a
//! site, would need a thousand of them for a thousand sites.
//!
//! **What is not known has no value.** The convention has no null, and neither an empty text nor
//! NaN is a float. The retained value is removed instead: who asks later finds none, who listens
//! gets the removal. The old value would be taken for a live one, and 0 would be a lie. The device's
//! `$alert/channels` and its node `health` say what is missing.
//!
//! The state machine knows no socket and no clock. It says everything again after each connection,
//! since the broker may have forgotten it.

mod device;
mod layout;

use std::sync::Arc;

use homie5::device_description::DeviceDescriptionBuilder;
use homie5::{Homie5DeviceProtocol, HomieDeviceStatus, HomieDomain, HomieID};

use self::device::Device;
pub use self::layout::reference;
use super::figures::{EvPart, Today};
use super::output::{Message, Now, Output};
use crate::reading::SiteIndex;
use crate::site::Site;
use crate::surplus::Settings;
use crate::units::{Span, Stamp};

/// Where the devices are.
#[derive(Clone, Debug, PartialEq, Eq)]
pub struct Homie {
    /// The first level of every topic; the second is `5`. `homie` by convention.
    pub domain: String,
    /// The root device's id; a site's device is called that, a hyphen and the site's id.
    pub device: String,
}

impl Default for Homie {
    fn default() -> Self {
        Self { domain: "homie".into(), device: "panelwright".into() }
    }
}

impl Homie {
    /// Whether topics can be made of it: what to write otherwise.
    ///
    /// # Errors
    /// What is wrong.
    pub fn check(&self) -> Result<(), String> {
        self.protocol().map(drop)
    }

    /// The last will of the connection: it makes the root device lost, and every site with it.
    ///
    /// # Errors
    /// Where [`Homie::check`] has some.
    pub fn will(&self) -> Result<Message, String> {
        let (_, will) = self.protocol()?;
        Ok(Message::retained(will.topic, will.message))
    }

    fn protocol(&self) -> Result<(Homie5DeviceProtocol, homie5::client::LastWill), String> {
        let domain = HomieDomain::try_from(self.domain.clone()).map_err(|error| error.to_string())?;
        if domain == HomieDomain::All || self.domain.contains(['#', '$', '\0']) {
            return Err(format!("{:?} is no level of a topic", self.domain));
        }
        let id = HomieID::try_from(self.device.clone()).map_err(|error| error.to_string())?;
        Ok(Homie5DeviceProtocol::new(id, domain))
    }
}

/// How values are written: the dead-band and the longest silence are those of all topics out.
#[derive(Clone, Copy, Debug)]
pub(super) struct Manner {
    pub(super) dead_band_w: f64,
    pub(super) max_interval: Span,
    /// Whether commands are accepted, which makes some properties settable.
    pub(super) commands: bool,
}

/// All devices.
pub(super) struct Devices {
    root: Homie5DeviceProtocol,
    manner: Manner,
    /// One for each site, by its place; `None` where there is no site (any more).
    devices: Vec<Option<Device>>,
    up: bool,
    /// The root's description has to be said again when all its children have been.
    root_due: bool,
}

impl Devices {
    /// Nothing where the options make no topics, which the settings have ruled out.
    pub(super) fn new(options: &Homie, manner: Manner) -> Option<Self> {
        let (root, _) = options.protocol().ok()?;
        Some(Self { root, manner, devices: Vec::new(), up: false, root_due: false })
    }

    fn say_root(&mut self, out: &mut Vec<Message>) {
        self.root_due = false;
        let mut description = DeviceDescriptionBuilder::new().name("Panelwright").r#type("panelwright-root");
        for device in self.devices.iter().flatten() {
            description = description.add_child(device.id().clone());
        }
        let description = layout::versioned(description.build());
        out.push(message(self.root.publish_state(HomieDeviceStatus::Init)));
        out.extend(self.root.publish_description(&description).ok().map(message));
        out.push(message(self.root.publish_state(HomieDeviceStatus::Ready)));
    }

    /// Says the root again if it is due and every child has been said.
    fn settle_root(&mut self, out: &mut Vec<Message>) {
        if self.up && self.root_due && self.devices.iter().flatten().all(Device::is_said) {
            self.say_root(out);
        }
    }
}

pub(super) fn message(publish: homie5::client::Publish) -> Message {
    Message { topic: publish.topic, payload: publish.payload.into(), retain: publish.retain }
}

impl Output for Devices {
    fn on_up(&mut self, _at: Stamp, out: &mut Vec<Message>) {
        self.up = true;
        self.root_due = true;
        for device in self.devices.iter_mut().flatten() {
            device.on_up();
        }
        // It is not lost any more; it is ready when its children are.
        out.push(message(self.root.publish_state(HomieDeviceStatus::Init)));
    }

    fn on_down(&mut self) {
        self.up = false;
    }

    fn on_sites(&mut self, sites: &[Arc<Site>]) {
        let mut before = std::mem::take(&mut self.devices);
        before.resize_with(sites.len(), || None);
        for (site, device) in sites.iter().zip(before) {
            let device = match device {
                Some(mut device) if device.is_of(site) => {
                    device.on_map();
                    Some(device)
                }
                _ => {
                    let fresh = Device::new(&self.root, site, self.manner);
                    self.root_due |= fresh.is_some();
                    fresh
                }
            };
            self.devices.push(device);
        }
    }

    fn on_now(&mut self, now: Now<'_>, out: &mut Vec<Message>) {
        let Some(Some(device)) = self.devices.get_mut(now.index.0 as usize) else { return };
        device.on_now(now, out);
        self.settle_root(out);
    }

    fn on_today(&mut self, index: SiteIndex, site: &Site, today: &Arc<Today>, out: &mut Vec<Message>) {
        let Some(Some(device)) = self.devices.get_mut(index.0 as usize) else { return };
        device.on_today(site, today, self.up, out);
    }

    fn on_command(
        &mut self,
        site: SiteIndex,
        map: &Site,
        property: (usize, EvPart),
        outcome: Result<Settings, &str>,
        out: &mut Vec<Message>,
    ) {
        let Some(Some(device)) = self.devices.get_mut(site.0 as usize) else { return };
        device.on_command(map, property, outcome, out);
    }

    fn on_removed(&mut self, site: &Site, out: &mut Vec<Message>) {
        let gone = |device: &Option<Device>| device.as_ref().is_some_and(|device| device.is_of(site));
        let Some(place) = self.devices.iter().position(gone) else { return };
        let Some(device) = self.devices[place].take() else { return };
        // First it is no child any more, then it goes: so the convention recommends.
        if self.up {
            self.say_root(out);
        }
        out.extend(device.retains().into_iter().map(Message::clear));
    }

    fn on_shutdown(&mut self, _at: Stamp, out: &mut Vec<Message>) {
        let said = self.devices.iter().flatten().filter(|device| device.is_said());
        out.extend(said.map(|device| device.state(HomieDeviceStatus::Disconnected)));
        out.push(message(self.root.publish_state(HomieDeviceStatus::Disconnected)));
        self.up = false;
    }

    fn retains(&self, site: &Site, at: Stamp, topics: &mut Vec<String>) {
        if let Some(mut device) = Device::new(&self.root, site, self.manner) {
            device.lay_out(site, at);
            topics.extend(device.retains());
        }
    }

    fn retains_always(&self, topics: &mut Vec<String>) {
        let topic = |publish: homie5::client::Publish| publish.topic;
        topics.push(topic(self.root.publish_state(HomieDeviceStatus::Init)));
        let description = DeviceDescriptionBuilder::new().build();
        topics.extend(self.root.publish_description(&description).ok().map(topic));
    }
}

#[cfg(test)]
mod tests;
