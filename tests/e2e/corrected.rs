//! A map that was wrong and is corrected: the splits are derived again through any number of kills, and
//! the past is then what it would have been.

use std::path::Path;
use std::sync::Arc;
use std::sync::mpsc::channel;
use std::time::Duration;

use panelwright::calendar::Zone;
use panelwright::reading::{Reading, Sample, SiteIndex};
use panelwright::site;
use panelwright::store::{Batch, Command, Event, Keep, Options, Store};
use panelwright::units::{Span, Stamp};

use crate::harness::{Panelwright, Setup};

/// An invented house. Its second mains CT may be clamped on backwards.
fn map(reversed: bool) -> String {
    format!(
        r#"
site = "heron-lane"
name = "Heron Lane farmhouse (invented)"
time_zone = "America/Denver"

[service]
system = "split-phase 120/240"

[[device]]
id = "house"
topic = "heron-lane/{{channel}}"
unit = "W"
every_s = 60

[[feed]]
bus = "main"
channels = [ {{ channel = "house/m1", leg = "A" }}, {{ channel = "house/m2", leg = "B", reversed = {reversed} }} ]
measures = "panel"

[[circuit]]
id = "solar"
label = "Array on the barn roof"
end_use = "PV"
bus = "main"
spaces = [2, 4]
breaker_a = 40
channels = ["house/1"]
sign = "generation-positive"
"#
    )
}

/// Days that are laid in.
const DAYS: i64 = 8;

fn value(channel: u32, minute: i64) -> i64 {
    let noise = (minute * 7919 + i64::from(channel) * 104_729).rem_euclid(9000);
    match channel {
        0 => noise - 4000,
        1 => 2000 - noise / 2,
        _ => noise,
    }
}

/// Lays the days into a store, sealed, under a map.
fn lay_in(directory: &Path, map: &str) {
    let parsed = site::parse("heron-lane.toml", map);
    let site = Arc::new(parsed.site.expect("a map without errors"));
    let (tell, events) = channel();
    let options = Options { directory: directory.to_owned(), centrals: vec![], keep: Keep::default() };
    let on_event = Box::new(move |event| drop(tell.send(event)));
    let store = Store::open(options, std::slice::from_ref(&site), on_event).expect("a store");
    let wait = |wanted: &dyn Fn(&Event) -> bool| loop {
        let event = events.recv_timeout(Duration::from_secs(120)).expect("the event comes");
        assert!(!matches!(event, Event::Damaged { .. } | Event::Trouble { .. }), "{event:?}");
        if wanted(&event) {
            break;
        }
    };
    let start = start();
    for day in 0..DAYS {
        let minutes = day * 1440 + 1..=day * 1440 + 1440;
        let readings = minutes.flat_map(|minute| {
            let at = start + Span(minute * Span::MINUTE.0);
            (0..3).map(move |channel| Reading {
                site: SiteIndex(0),
                channel: site::ChannelIndex(channel),
                sample: Sample { at, value: value(channel, minute) },
            })
        });
        let batch = Batch { ticket: day as u64, readings: readings.collect(), ..Batch::default() };
        store.sender().blocking_send(Command::Commit(batch)).expect("the writer is there");
        let end = start + Span((day + 1) * Span::DAY.0);
        store.sender().blocking_send(Command::Seal { before: end }).expect("the writer is there");
    }
    store.sender().blocking_send(Command::Flush).expect("the writer is there");
    wait(&|event| *event == Event::Flushed);
    store.close();
}

fn start() -> Stamp {
    Zone::utc().parse("2025-03-01T00:00:00Z").expect("a time")
}

fn history(house: &Panelwright, by: &str) -> serde_json::Value {
    let (status, output, error) =
        house.run(&["history", "--format", "json", "--from", "2025-03-01", "--to", "2025-03-08", "--by", by]);
    assert_eq!((status, error.as_str()), (0, ""));
    serde_json::from_str(&output).expect("JSON")
}

#[test]
fn twenty_kills_while_splits_are_derived_again_lose_and_change_nothing() {
    let broker = "mqtt://127.0.0.1:1";
    let wrong = Setup::new(broker).site("heron-lane", &map(true)).lay_out();
    let right = Setup::new(broker).site("heron-lane", &map(false)).lay_out();
    lay_in(&wrong.store(), &map(true));
    lay_in(&right.store(), &map(false));
    let before = history(&wrong, "day");
    assert_ne!(before, history(&right, "day"), "the maps differ");
    std::fs::write(wrong.map_file("heron-lane"), map(false)).expect("the map is corrected");

    // What can be seen at once is right, and what cannot yet says so.
    let shown = history(&wrong, "day");
    for (shown, right) in shown["intervals"]
        .as_array()
        .expect("days")
        .iter()
        .zip(history(&right, "day")["intervals"].as_array().expect("days"))
    {
        assert_eq!(shown["grid_kwh"], right["grid_kwh"]);
        assert_eq!(shown["untracked_kwh"], right["untracked_kwh"]);
        assert_eq!(
            (&shown["import_kwh"], &shown["rederiving"]),
            (&serde_json::json!(null), &serde_json::json!(true))
        );
        assert_eq!(right.get("rederiving"), None);
    }

    // Whoever compares with the utility's meter meanwhile is told why there is little to compare.
    let meter = right.directory().join("meter.xml");
    let file = meter.to_str().expect("a path");
    let range = ["--from", "2025-03-03", "--to", "2025-03-04"];
    let export = ["export", "--form", "espi", "--by", "hour", "-o", file];
    let (status, _, error) = right.run(&[&export[..], &range].concat());
    assert_eq!(status, 0, "{error}");
    let (_, text, _) = wrong.run(&["compare-meter", file, "--format", "json"]);
    let compared: serde_json::Value = serde_json::from_str(&text).expect("JSON");
    let counts = ["intervals", "compared", "not_covered", "rederiving"].map(|name| compared[name].as_u64());
    assert_eq!(counts, [24, 0, 24, 24].map(Some), "{text}");
    let (_, text, _) = wrong.run(&["compare-meter", file]);
    assert!(text.contains("24 of those not covered wait for import and export"), "{text}");

    let mut state = u64::from(std::process::id()) << 20 | 1;
    eprintln!("seed {state}");
    for _ in 0..20 {
        state = state.wrapping_mul(6_364_136_223_846_793_005).wrapping_add(1_442_695_040_888_963_407);
        let mut child = wrong.command(&["store", "rederive"]).spawn().expect("it starts");
        std::thread::sleep(Duration::from_millis(20 + (state >> 33) % 500));
        // It may have ended by then.
        let _ = child.kill();
        child.wait().expect("it is gone");
        let (status, text, _) = wrong.run(&["store", "check"]);
        assert_eq!(status, 0, "{text}");
    }
    // It says what is to be said of the map, too.
    let (status, text, error) = wrong.run(&["store", "rederive"]);
    assert!(status == 0 && !error.contains("error"), "{text}{error}");
    eprint!("{text}");
    for by in ["hour", "day", "month", "year"] {
        assert_eq!(history(&wrong, by), history(&right, by), "{by}");
    }
    let (status, text, _) = wrong.run(&["store", "check", "--format", "json"]);
    let checked: serde_json::Value = serde_json::from_str(&text).expect("JSON");
    assert_eq!((status, &checked["minutes_of_another_map"]), (0, &serde_json::json!(0)), "{text}");
    let (status, text, _) = wrong.run(&["compare-meter", file, "--format", "json"]);
    let compared: serde_json::Value = serde_json::from_str(&text).expect("JSON");
    assert_eq!(
        (status, &compared["compared"], &compared["rederiving"]),
        (0, &24.into(), &0.into()),
        "{text}"
    );
    let (_, text, _) = wrong.run(&["store", "rederive"]);
    assert_eq!(text, "nothing waits to be derived again\n");
}
