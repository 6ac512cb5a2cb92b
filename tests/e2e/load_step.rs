//! Load steps with the built program: every verdict, from readings of an invented house over a real broker.
//!
//! The readings say their own time and lie up to four minutes ahead of the clock, which is allowed: so a load is
//! switched a few times within a moment, and no test waits for it.

use std::time::{SystemTime, UNIX_EPOCH};

use serde_json::Value;

use crate::harness::{Mosquitto, Panelwright, Publisher, START, Setup, eventually, poll, require};

/// Invented: a panel with a circuit for every verdict.
pub const MAP: &str = r#"
site = "bench"
time_zone = "America/Denver"
[service]
system = "split-phase 120/240"
[[device]]
id = "h"
topic = "bench/h"
payload = { pointer = "/{channel}", time = "/t" }
unit = "W"
every_s = 1
channels = ["a", "b", "1", "2", "3", "4", "5", "6", "7"]
[[feed]]
bus = "main"
channels = [{ channel = "h/a", leg = "A" }, { channel = "h/b", leg = "B" }]
[[circuit]]
id = "heater"
label = "Wall heater"
end_use = "heating"
spaces = [1, 3]
channels = ["h/1"]
doubled = true
[[circuit]]
id = "dryer"
label = "Clothes dryer"
end_use = "laundry"
spaces = [2, 4]
channels = ["h/2", "h/3"]
[[circuit]]
id = "plugs"
label = "Receptacles"
end_use = "plug loads"
spaces = [5]
channels = ["h/4"]
[[circuit]]
id = "lights"
label = "Lights"
end_use = "lighting"
spaces = [7]
channels = ["h/5"]
[[circuit]]
id = "solar"
label = "Array"
end_use = "PV"
spaces = [38, 40]
channels = ["h/6", "h/7"]
sign = "generation-positive"
"#;

const CHANNELS: [&str; 9] = ["a", "b", "1", "2", "3", "4", "5", "6", "7"];

/// The daemon with its broker, and a client for its API.
struct House {
    daemon: Panelwright,
    publisher: Publisher,
    _broker: Mosquitto,
    /// POSIX second of the last readings.
    last: i64,
}

fn now_s() -> i64 {
    SystemTime::now().duration_since(UNIX_EPOCH).expect("after 1970").as_secs() as i64
}

impl House {
    fn start() -> Self {
        let broker = Mosquitto::start("");
        let daemon = Setup::new(&broker.url()).site("bench", MAP).start();
        daemon.wait_healthy();
        let publisher = Publisher::connect(broker.port());
        Self { daemon, publisher, _broker: broker, last: 0 }
    }

    /// One second of readings: what the load adds to each channel, if it is on.
    fn second(&mut self, at: i64, watts: &[(&str, f64)], on: bool) {
        let mut body = serde_json::Map::from_iter([("t".to_owned(), Value::from(at))]);
        for (n, name) in CHANNELS.into_iter().enumerate() {
            let base = match name {
                "a" => 640.0,
                "b" => 410.0,
                "4" => 35.0,
                _ => 0.0,
            };
            let noise = (at * 7 + n as i64 * 3).rem_euclid(5) as f64 / 4.0;
            let own = watts.iter().find(|(other, _)| *other == name).map_or(0.0, |(_, watts)| *watts);
            let value = base + noise + if on { own } else { 0.0 };
            body.insert(name.to_owned(), Value::from(value));
        }
        self.publisher.publish("bench/h", Value::Object(body).to_string());
        self.last = at;
    }

    /// Begins a load step; status and answer.
    fn begin(&self, circuit: &str) -> (u16, Value) {
        let config = ureq::Agent::config_builder().http_status_as_error(false).proxy(None).build();
        let url = format!("{}/api/sites/bench/verify", self.daemon.url());
        let request =
            ureq::Agent::new_with_config(config).post(url).header("content-type", "application/json");
        let mut answer = request.send(format!(r#"{{"circuit":"{circuit}"}}"#)).expect("an answer");
        let text = answer.body_mut().read_to_string().expect("text");
        (answer.status().as_u16(), serde_json::from_str(&text).expect("JSON"))
    }

    fn state(&self) -> Value {
        self.daemon.get("/api/sites/bench/verify").json()
    }

    /// Begins a load step, switches a load `times` times for eleven seconds each, and gives what came out.
    fn verify(&mut self, circuit: &str, watts: &[(&str, f64)], times: i64) -> Value {
        let (status, begun) = self.begin(circuit);
        assert_eq!((status, &begun["state"]), (201, &"running".into()), "{begun}");
        self.switch(watts, times);
        poll(START, || Some(self.state()).filter(|state| state["state"] == "over" && state["kept"] == true))
            .unwrap_or_else(|| panic!("no verdict: {}\n{}", self.state(), self.daemon.log()))
    }

    fn switch(&mut self, watts: &[(&str, f64)], times: i64) {
        let start = now_s() + 1;
        for second in 0..10 + (times + 1) * 11 {
            let phase = (second - 10).div_euclid(11);
            self.second(start + second, watts, (0..times).contains(&phase) && phase % 2 == 0);
        }
        self.publisher.settle();
    }
}

#[test]
fn every_verdict_comes_from_live_readings_and_is_kept() {
    if !require("mosquitto") {
        return;
    }
    let mut house = House::start();
    let mut check = |circuit: &str, watts: &[(&str, f64)], kind: &str, write: Option<&str>| {
        let over = house.verify(circuit, watts, 8);
        let verdict = &over["verdict"];
        assert_eq!((&verdict["kind"], &over["ended"]), (&kind.into(), &"settled".into()), "{over:#}");
        assert_eq!(verdict["write"].as_str(), write, "{over:#}");
        if write.is_some() {
            let line = verdict["line"].as_u64().expect("a line") as usize;
            let text = MAP.lines().nth(line - 1).expect("a line of the map");
            assert!(!text.is_empty() && over["circuit"] == circuit, "{line}: {text}");
        }
        // Readings lie ahead of the clock; the next load step begins with the next ones.
        let ahead = house.last - now_s();
        assert!(ahead < 240, "{ahead} s ahead");
        verdict.clone()
    };
    let heater = [("1", 2600.0), ("a", 2610.0), ("b", 2590.0)];
    let proven = check("heater", &heater, "as-mapped", None);
    assert!(proven["what"].as_str().is_some_and(|what| what.contains("leg A by 2610 W and leg B by 2590 W")));
    check("heater", &[("1", -2600.0), ("a", 2600.0), ("b", 2600.0)], "reversed", Some("reversed = true"));
    check("plugs", &[("5", 1200.0), ("a", 1200.0)], "wrong-ct", Some("channels = [\"h/5\"]"));
    check("plugs", &[("4", 1200.0), ("a", 1200.0), ("b", 1200.0)], "not-doubled", Some("doubled = true"));
    check("heater", &[("1", 2600.0), ("a", 2600.0)], "doubled-one-leg", Some("doubled = false"));
    let uneven = check("heater", &[("1", 2600.0), ("a", 2600.0), ("b", 1900.0)], "doubled-unbalanced", None);
    let what = uneven["what"].as_str().expect("a sentence");
    assert!(what.contains("2600 W") && what.contains("1900 W"), "{what}");
    check("plugs", &[("4", 1200.0), ("b", 1200.0)], "wrong-leg", Some("legs = [\"B\"]"));
    check("plugs", &[("4", 1200.0)], "on-no-leg", Some("bus = \"…\", the panel that it is in"));
    check("plugs", &[("4", 700.0), ("a", 1200.0)], "fraction", None);
    check("plugs", &[("4", 2400.0), ("a", 1200.0)], "too-much", None);
    check("plugs", &[("4", 1200.0), ("5", 1200.0), ("a", 1200.0)], "several-cts", None);
    check("plugs", &[("a", 1200.0)], "no-ct-moved", None);
    check("dryer", &[("2", 2650.0), ("3", 2400.0), ("a", 2650.0), ("b", 2400.0)], "as-mapped", None);

    // The newest of each circuit is kept, over a restart, and stands in the schedule.
    house.daemon.restart();
    let proofs = house.daemon.get("/api/sites/bench/proofs").json();
    let kinds: Vec<_> = proofs["proofs"]
        .as_array()
        .expect("a list")
        .iter()
        .map(|proof| (proof["circuit"].clone(), proof["verdict"]["kind"].clone(), proof["holds"].clone()))
        .collect();
    let expected = [("dryer", "as-mapped"), ("heater", "doubled-unbalanced"), ("plugs", "no-ct-moved")];
    let expected: Vec<_> =
        expected.map(|(circuit, kind)| (circuit.into(), kind.into(), true.into())).to_vec();
    assert_eq!(kinds, expected);
    assert_eq!(proofs["unproven"], serde_json::json!(["lights", "solar"]));
    let sites = house.daemon.get("/api/sites").json();
    assert_eq!(sites["sites"][0]["circuits"][1]["proven"]["words"], "as mapped");
    let (_, schedule, _) = house.daemon.run(&["schedule", "--format", "csv"]);
    assert!(
        schedule.lines().any(|line| line.starts_with("h/2,") && line.contains(": as mapped")),
        "{schedule}"
    );
    // A mended line wants a new load step.
    let mended = MAP.replace("channels = [\"h/2\", \"h/3\"]", "channels = [\"h/3\", \"h/2\"]");
    std::fs::write(house.daemon.map_file("bench"), mended).expect("the map is written");
    house.daemon.sighup();
    eventually(START, || house.daemon.get("/api/sites/bench/proofs").json()["proofs"][0]["holds"] == false);
    let (_, schedule, _) = house.daemon.run(&["schedule", "--format", "csv"]);
    assert!(!schedule.contains(": as mapped"), "{schedule}");
}

#[test]
fn the_command_leads_through_a_load_step() {
    if !require("mosquitto") {
        return;
    }
    let mut house = House::start();
    // Nothing moves at all: it waits, and is ended from elsewhere.
    let waiting = house.daemon.command(&["verify", "plugs"]).stdout(std::process::Stdio::piped()).spawn();
    let waiting = waiting.expect("the program starts");
    eventually(START, || house.state()["state"] == "running");
    let (status, _, error) = house.daemon.run(&["verify", "heater"]);
    assert!(
        status == 1 && error.contains("a load step of plugs is under way") && error.contains("--end"),
        "{error}"
    );
    let (status, output, _) = house.daemon.run(&["verify", "--end"]);
    assert_eq!((status, output.as_str()), (0, "ended: the load step of plugs\n"));
    let ended = waiting.wait_with_output().expect("it ends");
    let text = String::from_utf8(ended.stdout).expect("UTF-8");
    assert_eq!(ended.status.code(), Some(1));
    assert!(text.starts_with("CAUTION\n  Never open a panel for this"), "{text}");
    assert!(text.contains("ended from elsewhere") && text.contains("plugs: nothing moved"), "{text}");

    let step = house.daemon.command(&["verify", "heater"]).stdout(std::process::Stdio::piped()).spawn();
    let step = step.expect("the program starts");
    eventually(START, || house.state()["circuit"] == "heater" && house.state()["state"] == "running");
    house.switch(&[("1", 2600.0), ("a", 2610.0), ("b", 2590.0)], 4);
    let ended = step.wait_with_output().expect("it ends");
    let text = String::from_utf8(ended.stdout).expect("UTF-8");
    assert_eq!(ended.status.code(), Some(0), "{text}");
    for part in [
        "Load step of heater: Wall heater.",
        "heater: as mapped",
        "leg B",
        "4 switchings",
        "kept with its date",
    ] {
        assert!(text.contains(part), "{part}: {text}");
    }
    let (status, list, _) = house.daemon.run(&["verify", "--list"]);
    assert!(status == 0 && list.starts_with("heater") && list.contains("not proven: dryer, plugs"), "{list}");

    let step = house.daemon.command(&["verify", "plugs", "--format", "json"]);
    let mut step = step;
    let step = step.stdout(std::process::Stdio::piped()).stderr(std::process::Stdio::piped()).spawn();
    let step = step.expect("the program starts");
    eventually(START, || house.state()["circuit"] == "plugs" && house.state()["state"] == "running");
    house.switch(&[("4", -1200.0), ("a", 1200.0)], 4);
    let ended = step.wait_with_output().expect("it ends");
    assert_eq!(ended.status.code(), Some(1));
    let body: Value = serde_json::from_slice(&ended.stdout).expect("JSON alone");
    assert_eq!((&body["verdict"]["kind"], &body["kept"]), (&"reversed".into(), &true.into()), "{body:#}");
    assert!(String::from_utf8_lossy(&ended.stderr).contains("CAUTION"));

    assert!(house.daemon.sigterm().success());
    let (status, _, error) = house.daemon.run(&["verify", "plugs"]);
    assert!(status == 69 && error.contains("watched by the running daemon"), "{status} {error}");
}
