//! Advice for a charger, and the watch over breakers, through the running daemon: topics, API, health.

use std::time::Duration;

use serde_json::json;

use crate::harness::{Mosquitto, Publisher, Setup, Subscriber, eventually, require};

const SOON: Duration = Duration::from_secs(40);

/// Short times, so that the test need not wait for minutes.
const MAP: &str = r#"site = "heron-lane"
name = "Heron Lane (invented)"
time_zone = "America/Denver"
[service]
system = "split-phase 120/240"
main_breaker_a = 200
[[device]]
id = "meter"
topic = "heron-lane/{channel}"
unit = "W"
reading = "instant"
every_s = 1
[[feed]]
bus = "main"
channels = [{ channel = "meter/m1", leg = "A" }, { channel = "meter/m2", leg = "B" }]
[[circuit]]
id = "ev-charger"
label = "EV charger"
end_use = "EV charging"
legs = ["A", "B"]
breaker_a = 50
channels = ["meter/car"]
[[circuit]]
id = "kiln"
label = "Kiln"
end_use = "other"
legs = ["A", "B"]
breaker_a = 30
channels = ["meter/kiln"]
[[ev]]
circuit = "ev-charger"
mode = "surplus only"
start_after_s = 1
minimum_off_s = 1
minimum_on_s = 1
hold_s = 2
[watch]
over_after_s = 10
"#;

fn publish(publisher: &mut Publisher, leg_w: i64, car_w: i64, kiln_w: i64) {
    for (channel, watts) in [("m1", leg_w), ("m2", leg_w), ("car", car_w), ("kiln", kiln_w)] {
        publisher.publish(&format!("heron-lane/{channel}"), watts.to_string());
    }
}

#[test]
fn a_charger_gets_the_surplus_and_nothing_once_the_readings_stop() {
    if !require("mosquitto") {
        return;
    }
    let broker = Mosquitto::start("");
    let daemon = Setup::new(&broker.url()).site("heron-lane", MAP).start();
    daemon.wait_healthy();
    let subscriber = Subscriber::connect(broker.port(), "panelwright/#");
    let mut publisher = Publisher::connect(broker.port());
    // 2,880 W leave the site while the car takes 1,440 W: 4,320 W are 18 A.
    eventually(SOON, || {
        publish(&mut publisher, -1440, 1440, 0);
        daemon.now("heron-lane")["ev"]["ev-charger"]["available_a"] == json!(18.0)
    });
    let now = daemon.now("heron-lane");
    assert_eq!(now["ev"]["ev-charger"]["reason"], json!("surplus"), "{now}");
    assert_eq!(now["headroom"]["A"]["room_a"], json!(160.0), "{now}");
    eventually(SOON, || {
        publish(&mut publisher, -1440, 1440, 0);
        let message = subscriber.latest("panelwright/heron-lane/now");
        message.is_some_and(|message| message.json()["ev"]["ev-charger"]["may_charge"] == json!(true))
    });
    eventually(SOON, || daemon.now("heron-lane")["ev"]["ev-charger"]["reason"] == json!("unknown"));
    assert_eq!(daemon.now("heron-lane")["ev"]["ev-charger"]["available_a"], json!(0.0));
}

#[test]
fn a_breaker_that_carries_too_much_is_told_everywhere() {
    if !require("mosquitto") {
        return;
    }
    let broker = Mosquitto::start("");
    let daemon = Setup::new(&broker.url()).site("heron-lane", MAP).start();
    daemon.wait_healthy();
    let subscriber = Subscriber::connect(broker.port(), "panelwright/#");
    let mut publisher = Publisher::connect(broker.port());
    eventually(SOON, || {
        publish(&mut publisher, 4200, 0, 8400);
        daemon.now("heron-lane")["alerts"][0]["id"] == json!("over-rating/kiln")
    });
    let alert = daemon.now("heron-lane")["alerts"][0].clone();
    assert_eq!((&alert["where"], &alert["severity"]), (&json!("Kiln"), &json!("alarm")), "{alert}");
    assert_eq!((&alert["circuit"], &alert["limit_a"]), (&json!("kiln"), &json!(30.0)), "{alert}");
    eventually(SOON, || {
        publish(&mut publisher, 4200, 0, 8400);
        let message = subscriber.latest("panelwright/heron-lane/alerts");
        message.is_some_and(|message| message.json()["alerts"][0]["id"] == json!("over-rating/kiln"))
    });
    let health = daemon.get("/health").json();
    assert_eq!(health["parts"]["loading/heron-lane"]["ok"], json!(false), "{health}");
}
