//! The harness itself: a test that stands on a broken harness proves nothing.

use std::time::Duration;

use crate::harness::{Mosquitto, Publisher, Subscriber, VictoriaMetrics, eventually, get, require};

const SOON: Duration = Duration::from_secs(10);

#[test]
fn a_broker_carries_messages_and_comes_back_on_its_port() {
    if !require("mosquitto") {
        return;
    }
    let mut broker = Mosquitto::start("");
    let subscriber = Subscriber::connect(broker.port(), "house/#");
    let mut publisher = Publisher::connect(broker.port());
    for watts in 0..50 {
        publisher.publish(&format!("house/ct/{watts}"), watts.to_string());
    }
    publisher.settle();
    assert_eq!(publisher.acknowledged(), 50);
    eventually(SOON, || subscriber.heard().len() == 50);

    let port = broker.port();
    broker.restart();
    assert_eq!(broker.port(), port);
    let mut publisher = Publisher::connect(port);
    publisher.publish_retained("house/kept", "7");
    publisher.settle();
    let late = Subscriber::connect(port, "house/kept");
    eventually(SOON, || late.latest("house/kept").is_some_and(|kept| kept.retained && kept.payload == b"7"));
    broker.kill();
    assert!(std::net::TcpStream::connect(("127.0.0.1", port)).is_err());
}

#[test]
fn a_broker_that_saves_keeps_what_it_holds_over_a_restart() {
    if !require("mosquitto") {
        return;
    }
    let mut broker = Mosquitto::start("persistence true");
    let mut publisher = Publisher::connect(broker.port());
    publisher.publish_retained("kept", "1");
    publisher.settle();
    broker.stop();
    broker.restart();
    let late = Subscriber::connect(broker.port(), "kept");
    eventually(SOON, || late.latest("kept").is_some());
}

#[test]
fn a_central_store_gives_back_what_was_written() {
    if !require("victoria-metrics") {
        return;
    }
    let mut store = VictoriaMetrics::start();
    assert!(store.export("{__name__!=\"\"}").is_empty());
    let write = |line: &str| {
        let url = format!("{}/api/v2/write?precision=s", store.url());
        assert_eq!(ureq::post(&url).send(line).expect("the server answers").status(), 204);
    };
    write("power,site=heron-lane w=1.5 1700000000");
    write("power,site=heron-lane w=2.5 1700000060");
    let check = |store: &VictoriaMetrics| {
        let series = store.export("power_w");
        assert_eq!(series.len(), 1, "{series:?}");
        assert_eq!((series[0].name(), series[0].tag("site")), ("power_w", "heron-lane"));
        assert_eq!(series[0].values, [1.5, 2.5]);
        assert_eq!(series[0].timestamps, [1_700_000_000_000, 1_700_000_060_000]);
    };
    check(&store);
    store.restart();
    check(&store);
    store.kill();
    assert!(get(&store.url()).is_err());
}
