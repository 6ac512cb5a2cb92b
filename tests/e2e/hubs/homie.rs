//! The Homie devices as an independent controller finds them: through Mosquitto and through the broker
//! inside the daemon.

use std::collections::BTreeSet;

use serde_json::json;

use super::controller::Controller;
use super::{SOON, map, publish};
use crate::harness::{Mosquitto, Panelwright, Publisher, Setup, Subscriber, eventually, require};

const SITE: &str = "panelwright-heron-lane";

/// Whether every value of the controller is the one that the API gives.
fn agrees(daemon: &Panelwright, controller: &Controller, circuits: &[&str]) -> bool {
    let answer = daemon.get("/api/sites/heron-lane/now");
    if answer.status != 200 {
        // It has just started.
        return false;
    }
    let now = answer.json();
    let same = |property: &str, value: &serde_json::Value| {
        let said = controller.value(SITE, property).and_then(|text| text.parse::<f64>().ok());
        said.is_some() && said == value.as_f64()
    };
    same("site/grid", &now["grid_w"])
        && same("site/consumption", &now["consumption_w"])
        && same("site/untracked", &now["untracked_w"])
        && same("site/leg-a", &now["legs"]["A"])
        && same("bus-main/feed", &now["buses"]["main"]["feed_w"])
        && circuits
            .iter()
            .all(|circuit| same(&format!("circuit-{circuit}/power"), &now["circuits"][circuit]["w"]))
}

/// Publishes `watts` until the controller knows them.
fn follows(
    daemon: &Panelwright,
    controller: &Controller,
    publisher: &mut Publisher,
    circuits: &[&str],
    watts: i32,
) {
    let text = watts.to_string();
    eventually(SOON, || {
        publish(publisher, "heron-lane", circuits, watts);
        agrees(daemon, controller, circuits)
            && controller.value(SITE, &format!("circuit-{}/power", circuits[0])).as_ref() == Some(&text)
    });
}

/// Every topic below `homie/5` that the broker keeps.
fn kept(port: u16) -> BTreeSet<String> {
    // A marker of our own, not retained, comes after all that is.
    let subscriber = Subscriber::connect(port, "homie/5/#");
    let mut publisher = Publisher::connect(port);
    publisher.publish("homie/5/$broadcast/marker", "here");
    eventually(SOON, || subscriber.latest("homie/5/$broadcast/marker").is_some());
    let heard = subscriber.heard().into_iter();
    heard
        .filter(|message| message.retained && !message.payload.is_empty())
        .map(|message| message.topic)
        .collect()
}

#[test]
fn a_controller_finds_follows_and_forgets_exactly_what_the_map_says() {
    if !require("mosquitto") {
        return;
    }
    let mut broker = Mosquitto::start("");
    let both = ["fridge", "freezer"];
    let mut daemon = Setup::new(&broker.url()).site("heron-lane", &map("heron-lane", &both)).start();
    daemon.wait_healthy();
    let controller = Controller::connect(broker.port());
    let mut publisher = Publisher::connect(broker.port());
    follows(&daemon, &controller, &mut publisher, &both, 150);

    // Found without being told of: a root and the site, ready, with nothing but what the map has.
    assert_eq!(controller.devices(), ["panelwright", SITE].map(String::from).into());
    eventually(SOON, || controller.state("panelwright") == "ready" && controller.state(SITE) == "ready");
    assert_eq!(
        controller.nodes(SITE),
        ["bus-main", "bus-service", "circuit-freezer", "circuit-fridge", "health", "site"],
        "exactly the map"
    );
    assert_eq!(controller.value(SITE, "health/state").as_deref(), Some("good"));
    follows(&daemon, &controller, &mut publisher, &both, 275);

    // The broker is restarted, and has forgotten everything.
    broker.restart();
    eventually(SOON, || controller.state("panelwright") == "ready" && controller.state(SITE) == "ready");
    let mut publisher = Publisher::connect(broker.port());
    follows(&daemon, &controller, &mut publisher, &both, 310);

    // An orderly stop, and a crash.
    assert!(daemon.sigterm().success(), "{}", daemon.log());
    eventually(SOON, || {
        controller.state("panelwright") == "disconnected" && controller.state(SITE) == "disconnected"
    });
    daemon.restart();
    follows(&daemon, &controller, &mut publisher, &both, 320);
    eventually(SOON, || controller.state(SITE) == "ready");
    daemon.kill9();
    eventually(SOON, || controller.state("panelwright") == "lost" && controller.state(SITE) == "lost");
    daemon.restart();
    follows(&daemon, &controller, &mut publisher, &both, 330);
    eventually(SOON, || controller.state("panelwright") == "ready" && controller.state(SITE) == "ready");
    let version = |controller: &Controller| {
        controller.device(SITE).and_then(|device| device.description).map(|description| description.version)
    };
    let before = version(&controller);
    assert!(before.is_some());

    // A circuit is taken out while the daemon runs.
    std::fs::write(daemon.map_file("heron-lane"), map("heron-lane", &["fridge"])).expect("written");
    daemon.sighup();
    eventually(SOON, || {
        controller.nodes(SITE) == ["bus-main", "bus-service", "circuit-fridge", "health", "site"]
    });
    eventually(SOON, || controller.state(SITE) == "ready");
    assert_ne!(version(&controller), before);
    assert!(!kept(broker.port()).iter().any(|topic| topic.contains("freezer")));

    // And back, and again while it does not: what an earlier run retained is taken back too.
    std::fs::write(daemon.map_file("heron-lane"), map("heron-lane", &both)).expect("written");
    daemon.sighup();
    follows(&daemon, &controller, &mut publisher, &both, 340);
    assert_eq!(version(&controller), before, "the same description has the same version");
    daemon.kill9();
    std::fs::write(daemon.map_file("heron-lane"), map("heron-lane", &["fridge"])).expect("written");
    daemon.restart();
    follows(&daemon, &controller, &mut publisher, &["fridge"], 350);
    eventually(SOON, || !kept(broker.port()).iter().any(|topic| topic.contains("freezer")));
    assert_eq!(controller.faults(), Vec::<String>::new());

    // Switched off, it leaves nothing behind.
    assert!(daemon.sigterm().success(), "{}", daemon.log());
    let settings = std::fs::read_to_string(daemon.settings_file()).expect("settings");
    std::fs::write(daemon.settings_file(), settings + "\n[publish]\nhomie = false\n").expect("written");
    daemon.restart();
    eventually(SOON, || kept(broker.port()).is_empty());
    assert_eq!(controller.devices(), BTreeSet::new());
    assert!(daemon.sigterm().success(), "{}", daemon.log());
}

#[test]
fn a_silent_channel_has_no_value_and_the_days_energies_come() {
    if !require("mosquitto") {
        return;
    }
    let broker = Mosquitto::start("");
    let circuits = ["fridge", "freezer"];
    let daemon = Setup::new(&broker.url()).site("heron-lane", &map("heron-lane", &circuits)).start();
    daemon.wait_healthy();
    let controller = Controller::connect(broker.port());
    let mut publisher = Publisher::connect(broker.port());
    follows(&daemon, &controller, &mut publisher, &circuits, 150);
    // The freezer's CT falls silent.
    eventually(SOON, || {
        publish(&mut publisher, "heron-lane", &["fridge"], 150);
        controller.value(SITE, "circuit-freezer/power").is_none()
    });
    assert_eq!(controller.value(SITE, "circuit-fridge/power").as_deref(), Some("150"));
    assert_eq!(controller.value(SITE, "site/tracked"), None, "a sum is known only where all its terms are");
    eventually(SOON, || controller.value(SITE, "health/state").as_deref() == Some("attention"));
    let alerts = controller.device(SITE).map(|device| device.alerts).unwrap_or_default();
    assert!(alerts["channels"].contains("meter/freezer"), "{alerts:?}");
    follows(&daemon, &controller, &mut publisher, &circuits, 160);
    eventually(SOON, || controller.device(SITE).is_some_and(|device| device.alerts.is_empty()));
    // How much of the day is known is known from the first look-up on.
    eventually(SOON, || controller.value(SITE, "site/coverage-today").is_some());
    assert_eq!(controller.faults(), Vec::<String>::new());
}

#[test]
fn two_sites_and_the_broker_inside_the_daemon() {
    let mut daemon = Setup::new("embedded")
        .broker("listen = \"127.0.0.1:0\"")
        .site("heron-lane", &map("heron-lane", &["fridge"]))
        .site("workshop", &map("workshop", &["kiln"]))
        .start();
    daemon.wait_healthy();
    let log = daemon.log();
    let port = log.split("mqtt://127.0.0.1:").nth(1).and_then(|rest| {
        rest.split(|c: char| !c.is_ascii_digit()).next().and_then(|digits| digits.parse::<u16>().ok())
    });
    let port = port.unwrap_or_else(|| panic!("no address in the log:\n{log}"));
    let controller = Controller::connect(port);
    let mut publisher = Publisher::connect(port);
    follows(&daemon, &controller, &mut publisher, &["fridge"], 120);
    eventually(SOON, || {
        publish(&mut publisher, "workshop", &["kiln"], 900);
        controller.value("panelwright-workshop", "circuit-kiln/power").as_deref() == Some("900")
    });
    let all = ["panelwright", SITE, "panelwright-workshop"];
    eventually(SOON, || all.iter().all(|device| controller.state(device) == "ready"));
    // A site is taken out: it is no child any more, and gone.
    std::fs::remove_file(daemon.map_file("workshop")).expect("removed");
    daemon.sighup();
    eventually(SOON, || controller.devices() == ["panelwright", SITE].map(String::from).into());
    let children = |controller: &Controller| {
        controller.device("panelwright").and_then(|root| root.description).map(|root| root.children.len())
    };
    eventually(SOON, || children(&controller) == Some(1));
    eventually(SOON, || !kept(port).iter().any(|topic| topic.contains("workshop")));
    assert_eq!(daemon.get("/health").json()["parts"]["hub"]["ok"], json!(true));
    assert_eq!(controller.faults(), Vec::<String>::new());
    assert!(daemon.sigterm().success(), "{}", daemon.log());
}
