//! Leading an EV charger over MQTT.

use serde_json::json;

use super::controller::Controller;
use super::{SOON, map, publish};
use crate::harness::{Mosquitto, Panelwright, Publisher, Setup, Subscriber, eventually, poll, require};

const SITE: &str = "panelwright-heron-lane";
const SET: &str = "panelwright/heron-lane/set";
const ANSWER: &str = "panelwright/heron-lane/set/answer";

fn with_charger() -> String {
    map("heron-lane", &["fridge"])
        + "[[circuit]]\nid = \"charger\"\nlabel = \"The charger\"\nend_use = \"EV charging\"\nspaces = [2, 4]\n\
           breaker_a = 40\nchannels = [\"meter/charger\"]\ndoubled = true\n[[ev]]\ncircuit = \"charger\"\n"
}

fn start(broker: &Mosquitto, commands: &str) -> Panelwright {
    let daemon = Setup::new(&broker.url()).site("heron-lane", &with_charger()).settings(commands).start();
    daemon.wait_healthy();
    daemon
}

const ACCEPT: &str = "[commands]\naccept = true\n";

/// Gives an order and waits for its answer.
fn order(publisher: &mut Publisher, answers: &Subscriber, body: serde_json::Value) -> serde_json::Value {
    publisher.publish(SET, body.to_string());
    let id = &body["id"];
    let heard = poll(SOON, || {
        answers.heard().iter().map(|message| message.json()).find(|answer| answer["id"] == *id)
    });
    heard.unwrap_or_else(|| panic!("no answer to {body}: {:?}", answers.heard()))
}

/// What the live body says of the charger; null while the daemon has just started.
fn charger(daemon: &Panelwright) -> serde_json::Value {
    let answer = daemon.get("/api/sites/heron-lane/now");
    if answer.status == 200 { answer.json()["ev"]["charger"].clone() } else { serde_json::Value::Null }
}

/// Whether commands were refused for that reason.
fn refused(daemon: &Panelwright, reason: &str) -> bool {
    let metrics = daemon.get("/metrics").body;
    metrics.contains(&format!("panelwright_commands_refused_total{{reason=\"{reason}\"}}"))
}

#[test]
fn a_charger_is_led_as_json_and_by_homie_and_what_was_acknowledged_holds() {
    if !require("mosquitto") {
        return;
    }
    let broker = Mosquitto::start("");
    let mut daemon = start(&broker, ACCEPT);
    let controller = Controller::connect(broker.port());
    let answers = Subscriber::connect(broker.port(), ANSWER);
    let mut publisher = Publisher::connect(broker.port());
    let circuits = ["fridge", "charger"];
    let value = |property: &str| controller.value(SITE, &format!("ev-charger/{property}"));
    eventually(SOON, || {
        publish(&mut publisher, "heron-lane", &circuits, 0);
        value("mode").as_deref() == Some("off") && value("may-charge").as_deref() == Some("false")
    });
    assert_eq!(value("cap").as_deref(), Some("32"), "80 % of the breaker, which is no cap");
    let described = controller.device(SITE).and_then(|device| device.description).expect("described");
    let settable: Vec<_> = described
        .iter()
        .filter(|(.., it)| it.settable)
        .map(|(node, _, id, _)| format!("{node}/{id}"))
        .collect();
    assert_eq!(settable, ["ev-charger/cap", "ev-charger/mode", "ev-charger/target"]);

    // As JSON: answered, and seen by everybody.
    let answer = order(&mut publisher, &answers, json!({"id": 1, "mode": "full"}));
    let full = json!({"ok": true, "id": 1, "ev": "charger", "mode": "full", "cap_a": null, "target": null});
    assert_eq!(answer, full);
    eventually(SOON, || value("mode").as_deref() == Some("full"));
    let answer = order(&mut publisher, &answers, json!({"id": 2, "cap_a": 3}));
    assert_eq!(answer["ok"], json!(false));
    assert!(answer["error"].to_string().contains("between 0 and 6 A there is nothing"), "{answer}");
    let answer = order(&mut publisher, &answers, json!({"id": 3, "target": {"kwh": 20, "by": "07:00"}}));
    assert_eq!((&answer["ok"], &answer["target"]["kwh"]), (&json!(true), &json!(20.0)), "{answer}");
    eventually(SOON, || value("target").is_some_and(|text| text.contains("\"kwh\":20")));

    // By Homie: the property is the answer, and the log says why not.
    controller.set(SITE, "ev-charger/cap", "12");
    eventually(SOON, || value("cap").as_deref() == Some("12"));
    // The plain body follows with its next tick.
    eventually(SOON, || daemon.now("heron-lane")["ev"]["charger"]["cap_a"] == json!(12.0));
    controller.set(SITE, "ev-charger/mode", "eco");
    let log = |text: &str| {
        controller.device(SITE).is_some_and(|device| device.log.iter().any(|line| line.contains(text)))
    };
    eventually(SOON, || log("mode: write one of"));
    assert_eq!(value("mode").as_deref(), Some("full"));

    // What cannot be set is refused and counted, whoever asks.
    controller.set(SITE, "site/grid", "0");
    eventually(SOON, || refused(&daemon, "not settable"));
    publisher.publish_retained(SET, "{\"mode\": \"off\"}");
    eventually(SOON, || daemon.now("heron-lane")["ev"]["charger"]["mode"] == json!("off"));
    let answer = order(&mut publisher, &answers, json!({"id": 4, "mode": "surplus only"}));
    assert_eq!(answer["ok"], json!(true));

    // Killed right after the answer: what was acknowledged holds, and the kept command is none.
    daemon.kill9();
    daemon.restart();
    daemon.wait_healthy();
    eventually(SOON, || {
        publish(&mut publisher, "heron-lane", &circuits, 0);
        let ev = charger(&daemon);
        ev["mode"] == json!("surplus only")
            && ev["cap_a"] == json!(12.0)
            && ev["target"]["kwh"] == json!(20.0)
    });
    // What is ordered while it is away is carried out when it is back.
    assert!(daemon.sigterm().success(), "{}", daemon.log());
    publisher.publish(SET, "{\"cap_a\": null}");
    publisher.settle();
    daemon.restart();
    eventually(SOON, || charger(&daemon)["mode"].is_string() && charger(&daemon)["cap_a"].is_null());
    assert_eq!(charger(&daemon)["mode"], json!("surplus only"));
    assert_eq!(controller.faults(), Vec::<String>::new());
    assert!(daemon.sigterm().success(), "{}", daemon.log());
}

#[test]
fn a_kept_command_is_refused_at_every_connection_and_a_flood_is_held_back() {
    if !require("mosquitto") {
        return;
    }
    let broker = Mosquitto::start("");
    let mut publisher = Publisher::connect(broker.port());
    publisher.publish_retained(SET, "{\"mode\": \"full\"}");
    publisher.settle();
    let daemon = start(&broker, ACCEPT);
    eventually(SOON, || refused(&daemon, "retained"));
    eventually(SOON, || charger(&daemon)["mode"] == json!("off"));
    for _ in 0..200 {
        publisher.publish(SET, "{\"mode\": \"off\"}");
    }
    eventually(SOON, || refused(&daemon, "too many"));
    // A second later the next one is heard.
    let answers = Subscriber::connect(broker.port(), ANSWER);
    eventually(SOON, || {
        publisher.publish(SET, "{\"mode\": \"full\", \"id\": \"again\"}");
        answers.heard().iter().any(|message| message.json()["ok"] == json!(true))
    });
    eventually(SOON, || daemon.now("heron-lane")["ev"]["charger"]["mode"] == json!("full"));
}

#[test]
fn nothing_is_listened_to_unless_it_is_switched_on() {
    if !require("mosquitto") {
        return;
    }
    let broker = Mosquitto::start("");
    let _daemon = start(&broker, "");
    let controller = Controller::connect(broker.port());
    let mut publisher = Publisher::connect(broker.port());
    eventually(SOON, || {
        publish(&mut publisher, "heron-lane", &["fridge", "charger"], 0);
        controller.value(SITE, "ev-charger/mode").as_deref() == Some("off")
    });
    let described = controller.device(SITE).and_then(|device| device.description).expect("described");
    assert!(described.iter().all(|(.., property)| !property.settable));
    publisher.publish(SET, "{\"mode\": \"full\"}");
    controller.set(SITE, "ev-charger/mode", "full");
    publisher.settle();
    // A reading that was sent after it has arrived, so it would have as well.
    eventually(SOON, || {
        publish(&mut publisher, "heron-lane", &["fridge", "charger"], 40);
        controller.value(SITE, "circuit-fridge/power").as_deref() == Some("40")
    });
    assert_eq!(controller.value(SITE, "ev-charger/mode").as_deref(), Some("off"));
}
