//! A device that sends power and a counter for each CT, through a real broker: energy is the counter's, its shape
//! the power's; a map without the counter shows the power's energy for the same time.

use std::time::{Duration, SystemTime, UNIX_EPOCH};

use serde_json::{Value, json};

use crate::harness::{Mosquitto, Panelwright, Publisher, Setup, eventually, require};

/// Invented: two mains CTs in one JSON message each.
const MAP: &str = r#"
site = "heron-lane"
name = "Heron Lane farmhouse (invented)"
time_zone = "America/Denver"

[service]
system = "split-phase 120/240"

[[device]]
id = "house"
topic = "house/{channel}"
payload = { pointer = "/w", time = "/t" }
unit = "W"
every_s = 10
channels = ["m1", "m2"]
counter = { pointer = "/kwh", unit = "kWh" }

[[feed]]
bus = "main"
channels = [{ channel = "house/m1", leg = "A" }, { channel = "house/m2", leg = "B" }]
"#;

const HOUR: i64 = 3600;

/// What each hour's ten-second readings of m1 say, in W, and by how many kWh its counter grows: the counter is first
/// a twentieth above the power, then is reset, then rolls on.
const HOURS: [(i64, f64); 4] = [(1000, 1.05), (2000, 2.1), (1000, -40.0), (500, 0.525)];

/// Publishes the hours that end with the last full hour, and two minutes more; gives their start.
fn publish(port: u16) -> i64 {
    let now = SystemTime::now().duration_since(UNIX_EPOCH).expect("a clock after 1970").as_secs() as i64;
    // The readings after the last count must not lie ahead of the clock.
    let start = (now - 150) / HOUR * HOUR - HOURS.len() as i64 * HOUR;
    let mut publisher = Publisher::connect(port);
    for second in (0..=HOURS.len() as i64 * HOUR + 120).step_by(10) {
        let hour = ((second - 1).max(0) / HOUR) as usize;
        let watts = HOURS.get(hour).map_or(0, |(watts, _)| *watts);
        // Counts before this hour, and the part of it that has passed.
        let whole: f64 = HOURS[..hour.min(HOURS.len())].iter().map(|(_, grown)| grown).sum();
        let part = HOURS
            .get(hour)
            .map_or(0.0, |(_, grown)| grown * (second - hour as i64 * HOUR) as f64 / HOUR as f64);
        let m1 = json!({ "w": watts, "kwh": 1000.0 + whole + part, "t": start + second });
        publisher.publish("house/m1", m1.to_string());
        publisher.publish("house/m2", json!({ "w": 0, "kwh": 5.0, "t": start + second }).to_string());
    }
    publisher.settle();
    start
}

/// Flow from the grid, import and export by the hour in Wh, from the API, where they are known. The first is a sum
/// of CTs; the others are derived again after a change of the map.
fn grid(daemon: &Panelwright, start: i64) -> Vec<[Option<i64>; 3]> {
    let path = |at: i64| jiff::Timestamp::from_second(at).expect("a moment").to_string();
    let (from, to) = (path(start), path(start + HOURS.len() as i64 * HOUR));
    let answer = daemon.get(&format!("/api/sites/heron-lane/history?from={from}&to={to}&by=hour"));
    let body: Value = answer.json();
    let wh = |figure: &Value| figure.as_f64().map(|kwh| (kwh * 1000.0).round() as i64);
    let of = |interval: &Value| ["grid_kwh", "import_kwh", "export_kwh"].map(|figure| wh(&interval[figure]));
    body["intervals"].as_array().map(|list| list.iter().map(of).collect()).unwrap_or_default()
}

/// What flows out has a counter of its own in this map.
fn with_export() -> String {
    let export = "export_counter = { pointer = \"/out_kwh\", unit = \"kWh\", rolls_over_at = 1000 }";
    MAP.replace("counter = {", &format!("{export}\ncounter = {{"))
}

/// What each hour's readings of m1 say: W in its first half and in its second, and by how many kWh either counter
/// grows. That of export rolls over at 1,000 kWh in the second hour; the one is reset in the third, the other in the last.
const BOTH_WAYS: [([i64; 2], [f64; 2]); 4] = [
    ([2000, -1000], [1.05, 0.525]),
    ([2000, -4000], [1.05, 2.2]),
    ([1000, -1000], [-40.0, 0.55]),
    ([1000, -1000], [0.525, -40.0]),
];

/// Publishes them up to the last full hour, and two minutes more; gives their start.
fn publish_both_ways(port: u16) -> i64 {
    let now = SystemTime::now().duration_since(UNIX_EPOCH).expect("a clock after 1970").as_secs() as i64;
    let start = (now - 150) / HOUR * HOUR - BOTH_WAYS.len() as i64 * HOUR;
    let mut publisher = Publisher::connect(port);
    for second in (0..=BOTH_WAYS.len() as i64 * HOUR + 120).step_by(10) {
        let (hour, within) = (((second - 1).max(0) / HOUR) as usize, (second - 1).rem_euclid(HOUR));
        let watts = BOTH_WAYS.get(hour).map_or(0, |(watts, _)| watts[usize::from(within >= HOUR / 2)]);
        // Each counter grows while the power is on its side; so much of its half of the hour has passed.
        let counted = |way: usize| {
            let whole: f64 = BOTH_WAYS[..hour.min(BOTH_WAYS.len())].iter().map(|(_, grown)| grown[way]).sum();
            let half = (second - hour as i64 * HOUR - way as i64 * HOUR / 2).clamp(0, HOUR / 2);
            whole + BOTH_WAYS.get(hour).map_or(0.0, |(_, grown)| grown[way] * half as f64 * 2.0 / HOUR as f64)
        };
        let (kwh, out) = (1000.0 + counted(0), (998.5 + counted(1)) % 1000.0);
        let m1 = json!({ "w": watts, "kwh": kwh, "out_kwh": out, "t": start + second });
        publisher.publish("house/m1", m1.to_string());
        let m2 = json!({ "w": 0, "kwh": 5.0, "out_kwh": 5.0, "t": start + second });
        publisher.publish("house/m2", m2.to_string());
    }
    publisher.settle();
    start
}

#[test]
fn import_and_export_are_each_their_own_counters() {
    if !require("mosquitto") {
        return;
    }
    let broker = Mosquitto::start("");
    let mut daemon = Setup::new(&broker.url()).site("heron-lane", &with_export()).start();
    daemon.wait_healthy();
    let start = publish_both_ways(broker.port());
    // Import less export, import and export, in Wh. Where one was reset its power stands, and the other counts.
    let both =
        [[525, 1050, 525], [-1150, 1050, 2200], [-50, 500, 550], [25, 525, 500]].map(|hour| hour.map(Some));
    eventually(Duration::from_secs(60), || grid(&daemon, start) == both);
    assert!(daemon.sigterm().success(), "{}", daemon.log());
    daemon.restart();
    eventually(Duration::from_secs(60), || grid(&daemon, start) == both);
    // By a map that knows of no counter of export, what flows out is the power's.
    std::fs::write(daemon.map_file("heron-lane"), MAP).expect("a map");
    daemon.sighup();
    let import_alone =
        [[550, 1050, 500], [-950, 1050, 2000], [0, 500, 500], [25, 525, 500]].map(|hour| hour.map(Some));
    eventually(Duration::from_secs(60), || grid(&daemon, start) == import_alone);
    std::fs::write(daemon.map_file("heron-lane"), with_export()).expect("a map");
    daemon.sighup();
    eventually(Duration::from_secs(60), || grid(&daemon, start) == both);
    assert!(daemon.sigterm().success(), "{}", daemon.log());
    let (status, output, error) = daemon.run(&["store", "check"]);
    assert_eq!((status, error.as_str()), (0, ""), "{output}");
}

#[test]
fn energy_is_the_counters_and_without_it_the_powers() {
    if !require("mosquitto") {
        return;
    }
    let broker = Mosquitto::start("");
    let mut daemon = Setup::new(&broker.url()).site("heron-lane", MAP).start();
    daemon.wait_healthy();
    let start = publish(broker.port());
    // In the third hour it was reset; there the power stands.
    let counted = [1050, 2100, 1000, 525].map(|wh| [Some(wh), Some(wh), Some(0)]);
    eventually(Duration::from_secs(60), || grid(&daemon, start) == counted);
    // Live figures are the power's.
    assert_eq!(daemon.now("heron-lane")["grid_w"], Value::Null, "the last reading is old");
    assert!(daemon.sigterm().success(), "{}", daemon.log());
    daemon.restart();
    eventually(Duration::from_secs(60), || grid(&daemon, start) == counted);

    // The same time by a map that knows of no counter.
    let plain = MAP.replace("counter = { pointer = \"/kwh\", unit = \"kWh\" }\n", "");
    std::fs::write(daemon.map_file("heron-lane"), plain).expect("a map");
    daemon.sighup();
    let by_power = [1000, 2000, 1000, 500].map(|wh| [Some(wh), Some(wh), Some(0)]);
    eventually(Duration::from_secs(60), || grid(&daemon, start) == by_power);
    // And back.
    std::fs::write(daemon.map_file("heron-lane"), MAP).expect("a map");
    daemon.sighup();
    eventually(Duration::from_secs(60), || grid(&daemon, start) == counted);
    assert!(daemon.sigterm().success(), "{}", daemon.log());
    let (status, output, error) = daemon.run(&["store", "check"]);
    assert_eq!((status, error.as_str()), (0, ""), "{output}");
}
