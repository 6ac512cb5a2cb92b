//! `panelwright history` over a real store: three days around the change to summer time, with figures
//! computed by hand.

use std::sync::Arc;
use std::sync::mpsc::channel;
use std::time::Duration;

use panelwright::calendar::Zone;
use panelwright::flow::SiteFlow;
use panelwright::reading::{Reading, Sample, SiteIndex};
use panelwright::site;
use panelwright::store::{Batch, Command, Event, Keep, Options, Store};
use panelwright::units::Span;

use crate::harness::{Panelwright, Setup};

pub const MAP: &str = r#"
site = "heron-lane"
name = "Heron Lane farmhouse"
time_zone = "America/Denver"

[service]
system = "split-phase 120/240"

[[device]]
id = "house"
topic = "heron-lane/{channel}"
unit = "W"
every_s = 60

[[feed]]
bus = "main"
channels = [ { channel = "house/m1", leg = "A" }, { channel = "house/m2", leg = "B" } ]
measures = "panel"

[[circuit]]
id = "water-heater"
label = "Heat-pump water heater"
end_use = "hot water"
bus = "main"
spaces = [10, 12]
breaker_a = 30
channels = ["house/5"]
doubled = true

[[circuit]]
id = "solar"
label = "Array on the barn roof"
end_use = "PV"
bus = "main"
spaces = [2, 4]
breaker_a = 40
channels = ["house/1"]
sign = "generation-positive"
"#;

/// What every day holds: until noon 1.5 kW are imported; after it 2.5 kW are generated and 1 kW is
/// exported. The heater takes 2 × 450 W, and falls silent at noon of the last day.
fn power(channel: &str, before_noon: bool) -> i64 {
    match (channel, before_noon) {
        ("house/m1", true) => 10_000,
        ("house/m1", false) => -15_000,
        ("house/m2", _) => 5_000,
        ("house/5", _) => 4_500,
        ("house/1", true) => 0,
        ("house/1", false) => 25_000,
        other => panic!("{other:?}"),
    }
}

/// Lays three days into a store and seals all but the last hours of them. The store stays open.
pub fn lay_in(directory: std::path::PathBuf) -> Store {
    let site = Arc::new(site::parse("heron-lane.toml", MAP).site.expect("a map without errors"));
    let (tell, events) = channel();
    let sites = std::slice::from_ref(&site);
    let on_event = Box::new(move |event| drop(tell.send(event)));
    let store = Store::open(Options { directory, centrals: vec![], keep: Keep::default() }, sites, on_event)
        .expect("a store");
    let wait = |wanted: &dyn Fn(&Event) -> bool| loop {
        let event = events.recv_timeout(Duration::from_secs(60)).expect("the event comes");
        assert!(!matches!(event, Event::Damaged { .. } | Event::Trouble { .. }), "{event:?}");
        if wanted(&event) {
            break;
        }
    };
    let zone = Zone::new("America/Denver").expect("a zone");
    let at = |text| zone.parse(text).expect("a time");
    let (from, to, silent) = (at("2025-03-08"), at("2025-03-11"), at("2025-03-10T12:00"));
    let mut flow = SiteFlow::new(Arc::clone(&site), None);
    let (mut hour, mut ticket) = (from, 0);
    while hour < to {
        let mut batch = Batch { ticket, ..Batch::default() };
        for minute in 1..=60 {
            // A mean covers the minute before it.
            let at = hour + Span(minute * Span::MINUTE.0);
            let noon = zone.day_range(zone.day_of(at - Span(1))).end - Span(12 * Span::HOUR.0);
            for (index, channel) in site.channels.iter().enumerate() {
                if channel.name != "house/5" || at <= silent {
                    let sample = Sample { at, value: power(&channel.name, at <= noon) };
                    let channel = site::ChannelIndex(index as u32);
                    batch.readings.push(Reading { site: SiteIndex(0), channel, sample });
                    flow.push(channel, sample);
                }
            }
        }
        let mut minutes = Vec::new();
        flow.advance(hour + Span(Span::HOUR.0 + 10 * Span::MINUTE.0), &mut minutes);
        batch.minutes = minutes.into_iter().map(|minute| (SiteIndex(0), minute)).collect();
        store.sender().blocking_send(Command::Commit(batch)).expect("the writer is there");
        wait(&|event| matches!(event, Event::Committed { ticket: done, .. } if *done == ticket));
        hour = hour + Span::HOUR;
        ticket += 1;
    }
    store.sender().blocking_send(Command::Seal { before: at("2025-03-10T21:00") }).expect("the writer");
    store.sender().blocking_send(Command::Flush).expect("the writer is there");
    wait(&|event| *event == Event::Flushed);
    store
}

fn json(house: &Panelwright, arguments: &[&str]) -> serde_json::Value {
    let all = [&["history", "--format", "json"], arguments].concat();
    let (status, output, error) = house.run(&all);
    assert_eq!((status, error.as_str()), (0, ""), "{arguments:?}");
    serde_json::from_str(&output).expect("JSON")
}

/// Three days by day, whatever else goes on with the store.
fn check_days(house: &Panelwright) {
    let body = json(house, &["--from", "2025-03-08", "--to", "2025-03-11", "--by", "day"]);
    let day = |index: usize, figure: &str| body["intervals"][index].pointer(figure).cloned();
    let check = |figure: &str, expected: [f64; 3]| {
        let found = [0, 1, 2].map(|index| day(index, figure).and_then(|value| value.as_f64()));
        assert_eq!(found, expected.map(Some), "{figure}");
    };
    check("/seconds", [86_400.0, 82_800.0, 86_400.0]);
    // Night hours are 11 on the day of 23 h.
    check("/import_kwh", [18.0, 16.5, 18.0]);
    check("/export_kwh", [12.0, 12.0, 12.0]);
    check("/grid_kwh", [6.0, 4.5, 6.0]);
    check("/generation_kwh", [30.0, 30.0, 30.0]);
    check("/self_consumed_kwh", [18.0, 18.0, 18.0]);
    check("/consumption_kwh", [36.0, 34.5, 36.0]);
    check("/circuits/water-heater", [21.6, 20.7, 10.8]);
    check("/circuits/solar", [-30.0, -30.0, -30.0]);
    check("/circuit_coverage/water-heater", [1.0, 1.0, 0.5]);
    check("/tracked_kwh", [21.6, 20.7, 10.8]);
    // The sun shines when the heater is silent: what is known of untracked is the last morning's.
    check("/untracked_kwh", [14.4, 13.8, 7.2]);
    check("/buses/main/untracked_kwh", [14.4, 13.8, 7.2]);
    check("/total_coverage/import", [1.0, 1.0, 1.0]);
    check("/coverage", [1.0, 1.0, 0.5]);
}

#[test]
fn history_is_read_beside_the_writer_and_without_it() {
    let house = Setup::new("mqtt://127.0.0.1:1").site("heron-lane", MAP).lay_out();
    let store = lay_in(house.store());
    check_days(&house);

    // Other intervals are sums of the same.
    let sum = |by: &str, figure: &str| {
        let body = json(&house, &["--from", "2025-03-08", "--to", "2025-03-11", "--by", by]);
        let intervals = body["intervals"].as_array().expect("a list").clone();
        let kwh = intervals.iter().filter_map(|interval| interval.pointer(figure)?.as_f64());
        (kwh.sum::<f64>() * 1e6).round() / 1e6
    };
    for by in ["quarter", "hour", "week", "month", "year", "billing"] {
        for (figure, kwh) in
            [("/import_kwh", 52.5), ("/untracked_kwh", 35.4), ("/circuits/water-heater", 53.1)]
        {
            assert_eq!(sum(by, figure), kwh, "{by} {figure}");
        }
    }
    store.close();
    check_days(&house);

    let (status, csv, _) =
        house.run(&["history", "--from", "2025-03-09", "--to", "2025-03-10", "--format", "csv"]);
    let line =
        "heron-lane,2025-03-09T00:00:00-07:00,2025-03-10T00:00:00-06:00,82800,circuit,water-heater,20.7,1";
    assert_eq!((status, csv.lines().filter(|found| *found == line).count()), (0, 1), "{csv}");
    let (status, table, _) = house.run(&["history", "--from", "2025-03-09", "--to", "2025-03-10"]);
    assert!(status == 0 && table.contains("Heat-pump water heater   20.700   100.0 %"), "{table}");
}

#[test]
fn what_cannot_be_answered_says_why() {
    let house = Setup::new("mqtt://127.0.0.1:1").site("heron-lane", MAP).lay_out();
    let check = |arguments: &[&str], status: i32, expected: &str| {
        let (found, output, error) = house.run(&[&["history"], arguments].concat());
        assert_eq!((found, output.as_str()), (status, ""), "{arguments:?}: {error}");
        assert!(error.contains(expected), "{arguments:?}: {error}");
    };
    check(&[], 69, "there is no store here yet");
    check(&["--by", "eon"], 2, "invalid value 'eon'");
    check(&["--from", "soon"], 2, "--from: `soon` is no date or time");
    check(&["--from", "2020-01-01", "--by", "minute"], 2, "more than 10200 intervals");
    check(&["--site", "barn"], 2, "there is no site `barn`");
    let second = MAP.replace("site = \"heron-lane\"", "site = \"barn\"");
    std::fs::write(house.map_file("barn"), second).expect("a second map");
    check(&[], 2, "name one with --site: barn, heron-lane");
    std::fs::write(house.map_file("barn"), "site = 7").expect("a bad map");
    check(&[], 78, "barn.toml:1");
}
