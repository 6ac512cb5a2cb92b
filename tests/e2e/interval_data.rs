//! A utility's interval data through the built program: in, summed up, out again, and read by a reader
//! that this project has no part in.
//!
//! Figures: the sample file of the PyPI package jendobson.greenbutton 0.0.1 (`tests/oracle/fetch-interval-data`
//! gets it). It holds 364 blocks with 8,727 hourly readings, and says itself that they add up to 5,089,595 Wh;
//! 2011-03-13 has 23 readings in 82,800 s, 2011-11-06 24 in 90,000 s (one hour is missing), 2011-02-08 has 16.

use std::process::Command;

use crate::harness::{Panelwright, Setup};
use crate::real_house::fetched;

const MAP: &str = r#"
site = "heron-lane"
name = "Heron Lane farmhouse"
time_zone = "America/Los_Angeles"

[service]
system = "split-phase 120/240"

[[device]]
id = "utility"
source = "import"
unit = "W"
every_s = 3600
channels = ["forward"]

[[feed]]
bus = "main"
channels = [{ channel = "utility/forward", leg = "A" }]
measures = "panel"
"#;

const FIRST_DAY: [&str; 4] = ["--from", "2011-02-01", "--to", "2012-02-01"];

/// A house without a daemon, with the sample in its store.
fn house() -> Option<(Panelwright, String)> {
    let file = fetched("interval-data.xml", "fetch-interval-data")?;
    let file = file.to_str().expect("a path in UTF-8").to_owned();
    let house = Setup::new("mqtt://127.0.0.1:1").site("heron-lane", MAP).lay_out();
    Some((house, file))
}

fn run(house: &Panelwright, arguments: &[&str]) -> String {
    let (status, out, err) = house.run(arguments);
    assert_eq!(status, 0, "{arguments:?}: {out}{err}");
    out
}

fn json(house: &Panelwright, arguments: &[&str]) -> serde_json::Value {
    serde_json::from_str(&run(house, arguments)).expect("JSON")
}

#[test]
fn the_sample_comes_in_whole_and_its_gaps_stay_gaps() {
    let Some((house, file)) = house() else { return };
    let done = json(&house, &["import", &file, "--format", "json"]);
    let count = |done: &serde_json::Value, name: &str| done[name].as_u64().expect("a count");
    assert_eq!(
        (count(&done, "readings"), count(&done, "new"), count(&done, "rounded")),
        (8727, 8727, 0),
        "{done}"
    );
    let again = json(&house, &["import", &file, "--format", "json"]);
    assert_eq!(
        (count(&again, "new"), count(&again, "changed"), count(&again, "same")),
        (0, 0, 8727),
        "{again}"
    );

    let arguments = [&["history", "--format", "json", "--by", "day"], &FIRST_DAY[..]].concat();
    let days = json(&house, &arguments);
    let days = days["intervals"].as_array().expect("intervals");
    let of = |date: &str| {
        let day =
            days.iter().find(|day| day["start"].as_str().expect("a start").starts_with(date)).expect("a day");
        (day["seconds"].as_i64().expect("seconds"), day["total_coverage"]["grid"].as_f64().expect("a share"))
    };
    let hours = |date: &str| {
        let (seconds, share) = of(date);
        (seconds, (share * seconds as f64 / 3600.0).round() as i64)
    };
    assert_eq!(hours("2011-03-13"), (82_800, 23));
    assert_eq!(hours("2011-11-06"), (90_000, 24));
    assert_eq!(hours("2011-02-08"), (86_400, 16));
    let wh: f64 = days.iter().filter_map(|day| day["grid_kwh"].as_f64()).sum::<f64>() * 1000.0;
    assert!((wh - 5_089_595.0).abs() < 0.001, "{wh}");

    let readings = run(&house, &[&["export", "--readings"], &FIRST_DAY[..]].concat());
    let last = readings.lines().filter(|line| line.contains("utility/forward")).count();
    // Its first hour ends in the range, its last one at the end of it, which is not included.
    assert!((8726..=8727).contains(&last), "{last}");
}

#[test]
fn what_is_written_is_read_by_another_reader() {
    let Some((house, file)) = house() else { return };
    let python = std::env::var("ORACLE_PYTHON").unwrap_or_else(|_| "python3".to_owned());
    let there = Command::new(&python).args(["-c", "import greenbutton_objects"]).output();
    if !there.is_ok_and(|output| output.status.success()) {
        let missing = "Python lacks `greenbutton-objects` (tests/run installs tests/oracle/requirements.txt)";
        assert!(std::env::var_os("CI").is_none(), "{missing}");
        eprintln!("skipped: {missing}");
        return;
    }
    run(&house, &["import", &file]);
    let written = house.directory().join("out.xml");
    let written = written.to_str().expect("a path in UTF-8");
    run(&house, &[&["export", "--form", "espi", "--by", "hour", "-o", written], &FIRST_DAY[..]].concat());
    let script = concat!(env!("CARGO_MANIFEST_DIR"), "/tests/oracle/interval_data.py");
    let output = Command::new(python).args([script, written]).output().expect("python starts");
    assert!(output.status.success(), "{}", String::from_utf8_lossy(&output.stderr));
    let points: serde_json::Value = serde_json::from_slice(&output.stdout).expect("JSON");
    let import = points.as_array().expect("points").iter().find(|point| point["title"] == "Grid import");
    let import = import.expect("the grid's import");
    assert_eq!(
        (import["readings"].as_u64(), import["uom"].as_u64(), import["flow"].as_u64()),
        (Some(8727), Some(72), Some(1))
    );
    assert!((import["wh"].as_f64().expect("a sum") - 5_089_595.0).abs() < 0.001, "{}", import["wh"]);
    let block = |start: i64| {
        let blocks = import["blocks"].as_array().expect("blocks");
        let block = blocks.iter().find(|block| block[0].as_i64() == Some(start)).expect("a block");
        (block[1].as_i64().expect("seconds"), block[2].as_i64().expect("readings"))
    };
    // The midnights of Los Angeles, by the offsets of the days: −08:00, −07:00, −08:00.
    assert_eq!(block(1_300_003_200), (82_800, 23));
    assert_eq!(block(1_320_562_800), (90_000, 24));
    assert_eq!(block(1_297_152_000), (86_400, 16));
    assert_eq!(import["blocks"].as_array().map(Vec::len), Some(364));
}

/// An invented house with mains, two loads and a PV array, and what a utility says of it.
const OWN: &str = r#"
site = "heron-lane"
name = "Heron Lane farmhouse (invented)"
time_zone = "America/Denver"

[service]
system = "split-phase 120/240"

[[device]]
id = "house"
topic = "heron-lane/{channel}"
unit = "W"
every_s = 60
channels = ["m1", "m2", "1", "2", "3"]

[[device]]
id = "utility"
source = "import"
unit = "W"
every_s = 3600
channels = ["forward", "reverse"]

[[feed]]
bus = "main"
channels = [{ channel = "house/m1", leg = "A" }, { channel = "house/m2", leg = "B" }]
measures = "panel"

[[circuit]]
id = "heater"
label = "Water heater"
end_use = "hot water"
spaces = [1, 3]
channels = ["house/1"]

[[circuit]]
id = "pump"
label = "Well pump"
end_use = "well/sump"
spaces = [5]
channels = ["house/2"]

[[circuit]]
id = "solar"
label = "Array on the barn roof"
end_use = "PV"
spaces = [2, 4]
channels = ["house/3"]
sign = "generation-positive"
"#;

/// Readings of one hour: the house takes 600 W for half of it and gives 300 W for the other.
fn an_hour() -> String {
    let mut text = "time,channel,value\n".to_owned();
    for minute in 1..=60 {
        let time = if minute == 60 { "01:00".to_owned() } else { format!("00:{minute:02}") };
        let m1 = if minute <= 30 { 400 } else { -500 };
        for (channel, w) in [("m1", m1), ("m2", 200), ("1", 120), ("2", 30), ("3", 900)] {
            text += &format!("2025-01-01T{time}:00Z,house/{channel},{w}\n");
        }
    }
    text
}

#[test]
fn of_a_file_with_circuits_too_the_grid_is_compared_and_taken_in() {
    let house = Setup::new("mqtt://127.0.0.1:1").site("heron-lane", OWN).lay_out();
    let path = |name: &str| house.directory().join(name).to_str().expect("a path in UTF-8").to_owned();
    let (readings, own) = (path("hour.csv"), path("own.xml"));
    std::fs::write(&readings, an_hour()).expect("a file");
    run(&house, &["import", &readings]);
    let range = ["--from", "2025-01-01T00:00:00Z", "--to", "2025-01-01T01:00:00Z"];
    run(&house, &[&["export", "--form", "espi", "--by", "hour", "-o", &own], &range[..]].concat());
    let xml = std::fs::read_to_string(&own).expect("the file");
    for title in ["Grid import", "Grid export", "Water heater", "Well pump", "Array on the barn roof"] {
        assert!(xml.contains(&format!("<title>{title}</title>")), "{title}");
    }

    let found = json(&house, &["compare-meter", &own, "--format", "json"]);
    let flows: Vec<_> = found["flows"].as_array().expect("directions").iter().collect();
    let of = |index: usize| (flows[index]["flow"].as_str(), flows[index]["meter_kwh"].as_f64());
    assert_eq!((of(0), of(1)), ((Some("forward"), Some(0.3)), (Some("reverse"), Some(0.15))), "{found}");
    assert_eq!((&found["error_percent"], &found["within"]), (&0.0.into(), &true.into()), "{found}");
    // A series that is named is compared, though it is none of the grid's.
    let (status, text, _) =
        house.run(&["compare-meter", &own, "--series", "water heater", "--format", "json"]);
    let found: serde_json::Value = serde_json::from_str(&text).expect("JSON");
    assert_eq!((status, found["flows"][0]["meter_kwh"].as_f64()), (1, Some(0.12)), "{found}");

    let done = json(&house, &["import", &own, "--format", "json"]);
    assert_eq!(done["new"].as_u64(), Some(2), "{done}");
    let readings = run(&house, &[&["export", "--readings"], &range[..]].concat());
    let at_its_end = run(
        &house,
        &["export", "--readings", "--from", "2025-01-01T01:00:00Z", "--to", "2025-01-01T01:00:01Z"],
    );
    assert!(!readings.contains("utility/"), "an interval is a reading at its end");
    assert!(at_its_end.contains("utility/forward,300.0,W"), "{at_its_end}");
    assert!(at_its_end.contains("utility/reverse,150.0,W"), "{at_its_end}");

    // Of a file of two meters nothing is guessed.
    let two = path("two.xml");
    std::fs::write(&two, xml.replace("Grid import", "House").replace("Grid export", "Barn")).expect("a file");
    for command in ["compare-meter", "import"] {
        let (status, _, err) = house.run(&[command, &two]);
        assert_eq!(status, 2, "{err}");
        assert!(
            err.contains("the file has 3 forward series:\n   1  forward ") && err.contains("--series"),
            "{err}"
        );
    }
    let named = ["compare-meter", &two, "--series", "House", "--series", "Barn", "--format", "json"];
    assert_eq!(json(&house, &named)["error_percent"], 0.0);
}

#[test]
fn a_file_with_faults_is_refused_whole() {
    let house = Setup::new("mqtt://127.0.0.1:1").site("heron-lane", MAP).lay_out();
    let file = house.directory().join("bad.csv");
    let text = "time,channel,value\n2025-01-01T01:00:00Z,utility/forward,500\nsoon,utility/forward,1\n2025-01-01T02:00:00Z,utility/reverse,1\n";
    std::fs::write(&file, text).expect("a file");
    let file = file.to_str().expect("a path in UTF-8");
    let (status, _, err) = house.run(&["import", file]);
    assert_eq!(status, 1, "{err}");
    assert!(err.contains("line 3: ") && err.contains("line 4: ") && err.contains("2 faults"), "{err}");
    let done = json(&house, &["import", file, "--skip-bad", "--format", "json"]);
    assert_eq!((done["new"].as_u64(), done["refused"].as_u64()), (Some(1), Some(2)), "{done}");
}
