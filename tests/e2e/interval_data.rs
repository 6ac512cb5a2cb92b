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
