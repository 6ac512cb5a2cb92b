//! The daemon as a service: maps are read again on SIGHUP, a bad one is refused whole, and the
//! service manager is told what goes on.

use std::os::unix::net::UnixDatagram;
use std::time::Duration;

use serde_json::json;

use crate::harness::{Mosquitto, Publisher, Setup, Subscriber, eventually, require};

const SOON: Duration = Duration::from_secs(20);

fn map(site: &str, circuit: &str, reversed: bool) -> String {
    format!(
        "site = \"{site}\"\nname = \"Heron Lane (invented)\"\ntime_zone = \"America/Denver\"\n\
         [service]\nsystem = \"split-phase 120/240\"\n\
         [[device]]\nid = \"meter\"\ntopic = \"{site}/{{channel}}\"\nunit = \"W\"\nreading = \"mean\"\nevery_s = 1\n\
         [[feed]]\nbus = \"main\"\nmeasures = \"panel\"\n\
         channels = [{{ channel = \"meter/m1\", leg = \"A\" }}, {{ channel = \"meter/m2\", leg = \"B\" }}]\n\
         [[circuit]]\nid = \"{circuit}\"\nlabel = \"Refrigerator\"\nend_use = \"refrigeration\"\n\
         spaces = [1]\nbreaker_a = 15\nchannels = [\"meter/1\"]\nreversed = {reversed}\n"
    )
}

fn publish(publisher: &mut Publisher, site: &str) {
    for (channel, watts) in [("m1", 500), ("m2", 400), ("1", -150)] {
        publisher.publish(&format!("{site}/{channel}"), watts.to_string());
    }
}

#[test]
fn maps_are_read_again_and_a_bad_one_changes_nothing() {
    if !require("mosquitto") {
        return;
    }
    let broker = Mosquitto::start("");
    let mut daemon =
        Setup::new(&broker.url()).site("heron-lane", &map("heron-lane", "fridge", false)).start();
    daemon.wait_healthy();
    let subscriber = Subscriber::connect(broker.port(), "panelwright/#");
    let mut publisher = Publisher::connect(broker.port());
    eventually(SOON, || {
        publish(&mut publisher, "heron-lane");
        daemon.now("heron-lane")["circuits"]["fridge"]["w"] == json!(-150.0)
    });

    // Negative: the CT is clamped backwards. The first try to mend the map has a slip in it.
    let mended = map("heron-lane", "fridge", true);
    let slip = mended.replace("breaker_a = 15", "breaker_a = -15");
    std::fs::write(daemon.map_file("heron-lane"), slip).expect("written");
    daemon.sighup();
    eventually(SOON, || daemon.get("/health").json()["parts"]["maps"]["ok"] == json!(false));
    let why = daemon.get("/health").json()["parts"]["maps"]["why"].to_string();
    assert!(why.contains("heron-lane.toml:") && why.contains("breaker"), "{why}");
    publish(&mut publisher, "heron-lane");
    assert_eq!(daemon.now("heron-lane")["circuits"]["fridge"]["w"], json!(-150.0), "the old map runs on");

    // Mended, and a second site comes with it: subscribed, shown, published.
    std::fs::write(daemon.map_file("heron-lane"), mended).expect("written");
    std::fs::write(daemon.map_file("workshop"), map("workshop", "kiln", true)).expect("written");
    daemon.sighup();
    eventually(SOON, || {
        publish(&mut publisher, "heron-lane");
        daemon.now("heron-lane")["circuits"]["fridge"]["w"] == json!(150.0)
    });
    assert_eq!(daemon.get("/health").json()["parts"]["maps"]["ok"], json!(true));
    eventually(SOON, || {
        publish(&mut publisher, "workshop");
        daemon.now("workshop")["circuits"]["kiln"]["w"] == json!(150.0)
    });
    eventually(SOON, || subscriber.latest("panelwright/workshop/now").is_some());

    // Taken away again: no site, and nothing retained that looks alive.
    std::fs::remove_file(daemon.map_file("workshop")).expect("removed");
    daemon.sighup();
    eventually(SOON, || daemon.get("/api/sites/workshop/now").status == 404);
    eventually(SOON, || {
        subscriber.latest("panelwright/workshop/now").is_some_and(|message| message.text().is_empty())
    });
    let sites = daemon.get("/api/sites").json();
    assert_eq!(sites["sites"].as_array().map(Vec::len), Some(1), "{sites}");
    assert!(daemon.sigterm().success(), "{}", daemon.log());
}

#[test]
fn the_service_manager_is_told_what_goes_on() {
    let directory = tempfile::tempdir().expect("a temporary directory");
    let path = directory.path().join("notify");
    let socket = UnixDatagram::bind(&path).expect("a socket");
    socket.set_read_timeout(Some(SOON)).expect("a time-out");
    let hear = |wanted: &str| {
        let mut buffer = [0; 4096];
        loop {
            let length = socket.recv(&mut buffer).unwrap_or_else(|why| panic!("no {wanted}: {why}"));
            let text = String::from_utf8_lossy(&buffer[..length]).into_owned();
            if text.lines().any(|line| line.starts_with(wanted)) {
                return text;
            }
        }
    };
    // No broker listens at port 1: the daemon is ready all the same, and waits for one.
    let mut daemon = Setup::new("mqtt://127.0.0.1:1")
        .site("heron-lane", &map("heron-lane", "fridge", true))
        .env("NOTIFY_SOCKET", path.to_str().expect("a plain path"))
        .env("WATCHDOG_USEC", "2000000")
        .start();
    assert!(hear("READY=1").contains("1 sites"));
    hear("WATCHDOG=1");
    daemon.sighup();
    let reloading = hear("RELOADING=1");
    assert!(reloading.contains("MONOTONIC_USEC="), "{reloading}");
    hear("READY=1");
    assert!(daemon.sigterm().success(), "{}", daemon.log());
    hear("STOPPING=1");
}

#[test]
fn a_broker_inside_the_daemon_serves_meters_and_viewers() {
    let mut daemon = Setup::new("embedded")
        .broker("listen = \"127.0.0.1:0\"")
        .site("heron-lane", &map("heron-lane", "fridge", true))
        .start();
    daemon.wait_healthy();
    let log = daemon.log();
    let port = log.split("mqtt://127.0.0.1:").nth(1).and_then(|rest| {
        rest.split(|c: char| !c.is_ascii_digit()).next().and_then(|digits| digits.parse::<u16>().ok())
    });
    let port = port.unwrap_or_else(|| panic!("no address in the log:\n{log}"));
    let subscriber = Subscriber::connect(port, "panelwright/heron-lane/now");
    let mut publisher = Publisher::connect(port);
    eventually(SOON, || {
        publish(&mut publisher, "heron-lane");
        let message = subscriber.latest("panelwright/heron-lane/now");
        message.is_some_and(|message| message.json()["grid_w"] == json!(900.0))
    });
    assert!(daemon.sigterm().success(), "{}", daemon.log());
}
