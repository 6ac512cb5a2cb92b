//! The devices, followed by the convention's own controller side.

use std::collections::BTreeMap;

use bytes::Bytes;
use homie5::{Homie5Message, parse_mqtt_message};

use super::*;
use crate::calendar::{By, Zone, intervals};
use crate::history::{Amount, Summary};
use crate::publish::tests::{NOON, flows, house, houses};
use crate::publish::{Options, Publisher};
use crate::site::FigureKey::{self, *};
use crate::site::{ChannelIndex, Epoch, Figure, Plan};

/// What a broker keeps.
#[derive(Default)]
struct Broker {
    kept: BTreeMap<String, String>,
    /// Every state that a device had, in order.
    states: Vec<(String, String)>,
}

impl Broker {
    fn take(&mut self, messages: Vec<Message>) {
        for Message { topic, payload, retain } in messages {
            assert!(retain, "{topic}");
            let text = String::from_utf8(payload.to_vec()).expect("UTF-8");
            if text.is_empty() {
                self.kept.remove(&topic);
                continue;
            }
            let parsed = parse_mqtt_message(&topic, text.as_bytes()).expect("the convention's messages");
            match parsed {
                Homie5Message::DeviceState { device, state } => {
                    self.states.push((device.device_id().as_str().to_owned(), state.as_str().to_owned()));
                }
                Homie5Message::DeviceDescription { issues, .. } => assert!(issues.is_empty(), "{issues:?}"),
                Homie5Message::PropertyValue { property, value } => {
                    self.check_value(&property, &value);
                }
                Homie5Message::DeviceAlert { .. } => {}
                other => panic!("{other:?}"),
            }
            self.kept.insert(topic, text);
        }
    }

    /// A value is of the description's datatype, and the device is described when it comes.
    fn check_value(&self, property: &homie5::PropertyRef, value: &str) {
        let description = self.description(property.device_id().as_str());
        let node = &description.nodes[property.node_id()];
        let described = &node.properties[property.prop_id()];
        homie5::HomieValue::parse(value, described)
            .unwrap_or_else(|why| panic!("{property:?} {value}: {why}"));
    }

    fn description(&self, device: &str) -> homie5::device_description::HomieDeviceDescription {
        let text = &self.kept[&format!("homie/5/{device}/$description")];
        serde_json::from_str(text).expect("a description")
    }

    fn get(&self, topic: &str) -> Option<&str> {
        self.kept.get(&format!("homie/5/panelwright-heron-lane/{topic}")).map(String::as_str)
    }

    fn states_of(&self, device: &str) -> Vec<&str> {
        let of_it = self.states.iter().filter(|(other, _)| other == device);
        of_it.map(|(_, state)| state.as_str()).collect()
    }
}

const KEYS: [FigureKey; 5] = [Grid, Surplus, Circuit(0), Circuit(1), BusFeed(2)];

fn with_plan(site: &Site, keys: &[FigureKey]) -> Site {
    let figures = keys.iter().map(|key| Figure { key: *key, terms: Vec::new() }).collect();
    let plan = Plan { splits: Vec::new(), figures };
    Site { epochs: vec![Epoch { span: Stamp::MIN..Stamp::MAX, plan }], ..site.clone() }
}

fn options() -> Options {
    Options { min_interval: Span::ZERO, ..Options::default() }
}

struct Desk {
    publisher: Publisher,
    broker: Broker,
    at: Stamp,
}

impl Desk {
    fn new(sites: &[Arc<Site>]) -> Self {
        let publisher = Publisher::for_hubs(options(), sites);
        let mut desk = Self { publisher, broker: Broker::default(), at: NOON };
        desk.up();
        desk
    }

    fn up(&mut self) {
        let said = self.publisher.on_up(self.at);
        self.broker.take(said);
    }

    fn now(&mut self, place: u32, figures: &[(FigureKey, Option<f64>)], unknown: &[u32]) -> usize {
        self.at = self.at + Span::from_seconds(1);
        let mut now = flows(self.at, figures);
        now.unknown = unknown.iter().map(|index| ChannelIndex(*index)).collect();
        let said = self.publisher.on_flows(SiteIndex(place), &now, &Arc::default(), &Bytes::new(), self.at);
        let count = said.len();
        self.broker.take(said);
        count
    }

    fn house(&mut self, watts: f64) -> usize {
        self.now(0, &KEYS.map(|key| (key, Some(watts))), &[])
    }
}

fn one() -> Vec<Arc<Site>> {
    vec![Arc::new(with_plan(&house(), &KEYS))]
}

#[test]
fn a_device_says_what_it_is_and_then_its_values() {
    let mut desk = Desk::new(&one());
    assert_eq!(desk.broker.states_of("panelwright"), ["init"]);
    desk.house(450.04);
    assert_eq!(desk.broker.states_of("panelwright-heron-lane"), ["init", "ready"]);
    assert_eq!(desk.broker.states_of("panelwright"), ["init", "init", "ready"]);
    let root = desk.broker.description("panelwright");
    assert_eq!(root.children, ["panelwright-heron-lane".try_into().expect("an id")]);
    let site = desk.broker.description("panelwright-heron-lane");
    assert_eq!(site.root, Some("panelwright".try_into().expect("an id")));
    let nodes: Vec<_> = site.nodes.keys().map(HomieID::as_str).collect();
    assert_eq!(nodes, ["bus-barn", "circuit-freezer", "circuit-well-pump", "health", "site"]);
    assert_eq!(desk.broker.get("site/grid"), Some("450"));
    assert_eq!(desk.broker.get("circuit-well-pump/power"), Some("450"));
    assert_eq!(desk.broker.get("health/state"), Some("good"));
    assert_eq!(desk.broker.get("site/coverage-today"), None, "nothing is known of the day yet");
    let freezer = &site.nodes[&HomieID::new_const("circuit-freezer")].properties;
    let name = freezer[&HomieID::new_const("power")].name.as_deref();
    assert_eq!(name, Some("Apparent power, at nominal voltage"));
}

#[test]
fn values_follow_their_own_dead_band_and_the_surplus_is_never_negative() {
    let mut desk = Desk::new(&one());
    desk.house(100.0);
    let figures = [(Grid, Some(100.9)), (Surplus, Some(-50.0)), (Circuit(0), Some(300.0))];
    assert_eq!(desk.now(0, &figures, &[]), 4, "surplus, the pump, and two that became unknown");
    assert_eq!(desk.broker.get("site/grid"), Some("100"), "within the dead-band");
    assert_eq!(desk.broker.get("site/surplus"), Some("0"));
    assert_eq!(desk.broker.get("circuit-well-pump/power"), Some("300"));
    // A minute later what differs at all is said.
    desk.at = desk.at + Span::from_seconds(60);
    desk.now(0, &figures, &[]);
    assert_eq!(desk.broker.get("site/grid"), Some("100.9"));
}

#[test]
fn what_is_not_known_has_no_value_and_an_alert_says_why() {
    let mut desk = Desk::new(&one());
    desk.house(100.0);
    desk.now(0, &[(Grid, None), (Circuit(0), Some(f64::NAN))], &[0, 1]);
    assert_eq!((desk.broker.get("site/grid"), desk.broker.get("circuit-well-pump/power")), (None, None));
    assert_eq!(desk.broker.get("health/unknown"), Some("2"));
    assert_eq!(desk.broker.get("health/state"), Some("attention"));
    let alert = "2 without a fresh value: house/m1, house/m2";
    assert_eq!(desk.broker.get("$alert/channels"), Some(alert));
    desk.house(100.0);
    assert_eq!((desk.broker.get("$alert/channels"), desk.broker.get("health/state")), (None, Some("good")));
    assert_eq!(desk.broker.get("site/grid"), Some("100"));
}

#[test]
fn another_map_is_another_version_and_what_is_gone_is_gone() {
    let mut desk = Desk::new(&one());
    desk.house(100.0);
    let before = desk.broker.description("panelwright-heron-lane");
    // The same map again: no news.
    assert!(desk.publisher.on_sites(&one()).is_empty());
    desk.house(100.0);
    assert_eq!(desk.broker.states_of("panelwright-heron-lane"), ["init", "ready"]);

    let fewer: Vec<_> = KEYS.into_iter().filter(|key| *key != Circuit(1)).collect();
    let said = desk.publisher.on_sites(&[Arc::new(with_plan(&house(), &fewer))]);
    desk.broker.take(said);
    desk.now(0, &[(Grid, Some(1.0))], &[]);
    let after = desk.broker.description("panelwright-heron-lane");
    assert_ne!(before.version, after.version);
    assert!((0..1 << 53).contains(&after.version), "exact in every reader of JSON");
    assert!(!desk.broker.kept.keys().any(|topic| topic.contains("circuit-freezer")));
    assert_eq!(desk.broker.states_of("panelwright-heron-lane"), ["init", "ready", "init", "ready"]);
    // And back: the version is that of the description, whenever it is made.
    let said = desk.publisher.on_sites(&one());
    desk.broker.take(said);
    desk.house(2.0);
    assert_eq!(desk.broker.description("panelwright-heron-lane"), before);
}

#[test]
fn sites_come_and_go_as_children_of_the_root() {
    let all: Vec<_> =
        houses(&["heron-lane", "workshop"]).iter().map(|site| Arc::new(with_plan(site, &KEYS))).collect();
    let mut desk = Desk::new(&all);
    desk.house(1.0);
    assert_eq!(desk.broker.states_of("panelwright"), ["init"], "not before all its children are");
    desk.now(1, &[(Grid, Some(1.0))], &[]);
    assert_eq!(desk.broker.description("panelwright").children.len(), 2);
    let said = desk.publisher.on_sites(&all[..1]);
    let topics: Vec<_> = said.iter().map(|message| message.topic.as_str()).collect();
    let gone = "homie/5/panelwright-workshop/$state";
    assert_eq!(topics[..4].last(), Some(&gone), "no child any more, then gone, its state first: {topics:?}");
    desk.broker.take(said);
    assert!(!desk.broker.kept.keys().any(|topic| topic.contains("workshop")), "{:?}", desk.broker.kept);
    assert_eq!(desk.broker.description("panelwright").children.len(), 1);
    let said = desk.publisher.on_sites(&all);
    desk.broker.take(said);
    desk.now(1, &[(Grid, Some(1.0))], &[]);
    assert_eq!(desk.broker.description("panelwright").children.len(), 2);
}

#[test]
fn a_new_connection_hears_everything_again_and_an_orderly_stop_says_goodbye() {
    let mut desk = Desk::new(&one());
    desk.house(5.0);
    let kept = desk.broker.kept.clone();
    desk.publisher.on_down();
    desk.broker.kept.clear();
    desk.up();
    assert_eq!(desk.broker.kept, kept);
    let said = desk.publisher.on_shutdown(desk.at);
    desk.broker.take(said);
    assert_eq!(desk.broker.states_of("panelwright").last(), Some(&"disconnected"));
    assert_eq!(desk.broker.states_of("panelwright-heron-lane").last(), Some(&"disconnected"));
    assert_eq!(desk.house(6.0), 0, "nothing is said after the last word");
    let will = Homie::default().will().expect("a good name");
    assert_eq!(will, Message::retained("homie/5/panelwright/$state", "lost"));
}

#[test]
fn the_days_energies_are_values_too() {
    let mut desk = Desk::new(&[Arc::new(with_plan(&house(), &[Import, Circuit(0)]))]);
    desk.now(0, &[(Import, Some(1.0)), (Circuit(0), Some(1.0))], &[]);
    let zone = Zone::new("America/Denver").expect("a zone");
    let interval = intervals(&zone, By::Day, 1, NOON..NOON + Span(1)).expect("a day")[0];
    // 1.5 kWh: 5.4 MJ in hundredths of a joule and millionths.
    let amount = Amount { energy: 540_000_000_i128 * 1_000_000, covered: Span::HOUR };
    let summary = Summary {
        interval,
        totals: Span(Span::HOUR.0 * 6),
        rederiving: false,
        figures: vec![(Import, amount)],
    };
    let said = desk.publisher.on_today(SiteIndex(0), &Arc::new(Today { summary, at: NOON }));
    desk.broker.take(said);
    assert_eq!(desk.broker.get("site/import-today"), Some("1.5"));
    assert_eq!(desk.broker.get("site/coverage-today"), Some("50"), "6 of the 12 hours that are over");
    assert_eq!(desk.broker.get("circuit-well-pump/energy-today"), None);
}

#[test]
fn everything_that_is_retained_is_declared() {
    let sites = one();
    let mut desk = Desk::new(&sites);
    desk.now(0, &KEYS.map(|key| (key, Some(1.0))), &[0]);
    let declared = desk.publisher.retains(NOON);
    // Alerts come and go: they are written down as they are said.
    for topic in desk.broker.kept.keys().filter(|topic| !topic.contains("/$alert/")) {
        assert!(declared.contains(topic), "{topic}");
    }
    assert!(declared.contains(&"panelwright/heron-lane/now".to_owned()));
    assert!(declared.contains(&"panelwright/state".to_owned()));
}

#[test]
fn the_reference_of_topics_has_every_value_as_the_code_has_it() {
    let page = include_str!("../../../docs/topics.md");
    assert!(page.contains(&reference()), "docs/topics.md has to have this table:\n{}", reference());
}

#[test]
fn names_that_make_no_topic_are_refused() {
    let check = |domain: &str, device: &str| {
        Homie { domain: domain.into(), device: device.into() }.check().expect_err("no topic")
    };
    check("+", "panelwright");
    check("a/b", "panelwright");
    check("", "panelwright");
    check("homie", "Panelwright");
    check("homie", "");
}
