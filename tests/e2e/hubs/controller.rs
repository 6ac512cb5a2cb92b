//! An independent controller of the Homie convention, version 5: it knows nothing but the broker, and
//! finds, follows and forgets devices as the convention has it.

use std::collections::{BTreeMap, BTreeSet};
use std::sync::{Arc, Mutex};
use std::thread::JoinHandle;

use homie5::client::Subscription;
use homie5::device_description::HomieDeviceDescription;
use homie5::{Homie5ControllerProtocol, Homie5Message, HomieDomain, HomieValue, parse_mqtt_message};
use rumqttc::{Client, Event, Incoming, MqttOptions, QoS};

/// What it knows of a device.
#[derive(Clone, Debug, Default)]
pub struct Device {
    /// Its own `$state`.
    pub state: String,
    /// Every state that it had, in order.
    pub states: Vec<String>,
    pub description: Option<HomieDeviceDescription>,
    /// Values by `node/property`, each of the datatype that its description promises.
    pub values: BTreeMap<String, String>,
    pub alerts: BTreeMap<String, String>,
    /// What it said by `$log`.
    pub log: Vec<String>,
}

#[derive(Debug, Default)]
struct Seen {
    devices: BTreeMap<String, Device>,
    /// What did not keep to the convention.
    faults: Vec<String>,
}

/// The controller; its thread ends with the process.
pub struct Controller {
    client: Client,
    seen: Arc<Mutex<Seen>>,
    _network: JoinHandle<()>,
}

impl Controller {
    /// Connects and begins to discover.
    pub fn connect(port: u16) -> Self {
        let mut options =
            MqttOptions::new(format!("controller-{}-{port}", std::process::id()), "127.0.0.1", port);
        options.set_max_packet_size(4 << 20, 4 << 20);
        let (client, mut connection) = Client::new(options, 4096);
        let seen = Arc::new(Mutex::new(Seen::default()));
        let (inside, asking) = (Arc::clone(&seen), client.clone());
        let network = std::thread::spawn(move || {
            for event in connection.iter() {
                match event {
                    Ok(Event::Incoming(Incoming::ConnAck(_))) => {
                        // A clean session: it discovers anew, and keeps what it saw for the test.
                        let discovery = Homie5ControllerProtocol::new();
                        subscribe(&asking, discovery.subscribe_device_discovery(&HomieDomain::Default));
                    }
                    Ok(Event::Incoming(Incoming::Publish(message))) => {
                        let mut seen = inside.lock().expect("no test panics here");
                        hear(&mut seen, &asking, &message.topic, &message.payload);
                    }
                    Ok(_) => {}
                    Err(_) => std::thread::sleep(std::time::Duration::from_millis(20)),
                }
            }
        });
        Self { client, seen, _network: network }
    }

    /// A device as it is known now.
    pub fn device(&self, id: &str) -> Option<Device> {
        self.seen.lock().expect("no test panics here").devices.get(id).cloned()
    }

    /// Every device that exists.
    pub fn devices(&self) -> BTreeSet<String> {
        self.seen.lock().expect("no test panics here").devices.keys().cloned().collect()
    }

    /// The state that counts: a device whose root is lost is lost.
    pub fn state(&self, id: &str) -> String {
        let seen = self.seen.lock().expect("no test panics here");
        let Some(device) = seen.devices.get(id) else { return String::new() };
        let root = device.description.as_ref().and_then(|description| description.root.as_ref());
        let root = root.and_then(|root| seen.devices.get(root.as_str()));
        if root.is_some_and(|root| root.state == "lost") { "lost".into() } else { device.state.clone() }
    }

    /// A value; `None` where it is not known.
    pub fn value(&self, device: &str, property: &str) -> Option<String> {
        self.device(device)?.values.get(property).cloned()
    }

    /// The ids of a device's nodes.
    pub fn nodes(&self, device: &str) -> Vec<String> {
        let description = self.device(device).and_then(|device| device.description);
        let nodes = description.map(|description| description.nodes.into_keys().collect::<Vec<_>>());
        nodes.unwrap_or_default().iter().map(|id| id.as_str().to_owned()).collect()
    }

    /// Asks for a property to be set, as the convention has it: not retained.
    pub fn set(&self, device: &str, property: &str, value: &str) {
        let topic = format!("homie/5/{device}/{property}/set");
        self.client.publish(topic, QoS::AtLeastOnce, false, value).expect("a running client");
    }

    /// What did not keep to the convention.
    pub fn faults(&self) -> Vec<String> {
        self.seen.lock().expect("no test panics here").faults.clone()
    }
}

fn subscribe(client: &Client, subscriptions: impl Iterator<Item = Subscription>) {
    for subscription in subscriptions {
        // The queue is longer than all the subscriptions of a test.
        let _ = client.try_subscribe(subscription.topic, QoS::AtLeastOnce);
    }
}

fn hear(seen: &mut Seen, client: &Client, topic: &str, payload: &[u8]) {
    let protocol = Homie5ControllerProtocol::new();
    match parse_mqtt_message(topic, payload) {
        Ok(Homie5Message::DeviceState { device, state }) => {
            let id = device.device_id().as_str().to_owned();
            let known = seen.devices.contains_key(&id);
            let it = seen.devices.entry(id).or_default();
            it.state = state.as_str().to_owned();
            it.states.push(it.state.clone());
            if !known || it.state == "init" {
                // Also after a new session of ours: to subscribe twice only repeats what is kept.
                subscribe(client, protocol.subscribe_device(&device));
            }
        }
        Ok(Homie5Message::DeviceRemoval { device }) => {
            seen.devices.remove(device.device_id().as_str());
        }
        Ok(Homie5Message::DeviceDescription { device, description, issues }) => {
            let Some(it) = seen.devices.get_mut(device.device_id().as_str()) else { return };
            seen.faults.extend(issues.iter().map(|issue| format!("{topic}: {issue:?}")));
            let changed = it.description.as_ref().is_some_and(|old| *old != description);
            if changed && !matches!(it.state.as_str(), "init" | "disconnected" | "lost") {
                seen.faults.push(format!("{topic} changed while the device was {}", it.state));
            }
            subscribe(client, protocol.subscribe_props(&device, &description));
            it.description = Some(description);
        }
        Ok(Homie5Message::PropertyValue { property, value }) => {
            let Some(it) = seen.devices.get_mut(property.device_id().as_str()) else { return };
            let described = it.description.as_ref().and_then(|description| {
                description.nodes.get(property.node_id())?.properties.get(property.prop_id())
            });
            match described {
                Some(described) if HomieValue::parse(&value, described).is_ok() => {
                    it.values.insert(short(topic), value);
                }
                Some(_) => seen.faults.push(format!("{topic}: {value:?} is not of its datatype")),
                None => {}
            }
        }
        Ok(Homie5Message::PropertyValueCleared { property }) => {
            if let Some(it) = seen.devices.get_mut(property.device_id().as_str()) {
                it.values.remove(&short(topic));
            }
        }
        Ok(Homie5Message::DeviceAlert { device, alert_id, alert_msg }) => {
            if let Some(it) = seen.devices.get_mut(device.device_id().as_str()) {
                it.alerts.insert(alert_id.as_str().to_owned(), alert_msg);
            }
        }
        Ok(Homie5Message::DeviceAlertCleared { device, alert_id }) => {
            if let Some(it) = seen.devices.get_mut(device.device_id().as_str()) {
                it.alerts.remove(alert_id.as_str());
            }
        }
        Ok(Homie5Message::DeviceLog { device, log_msg, .. }) => {
            if let Some(it) = seen.devices.get_mut(device.device_id().as_str()) {
                it.log.push(log_msg);
            }
        }
        Ok(_) => {}
        Err(why) => seen.faults.push(format!("{topic}: {why}")),
    }
}

/// `node/property` of a property's topic.
fn short(topic: &str) -> String {
    topic.splitn(4, '/').last().unwrap_or_default().to_owned()
}
