//! `counter = { … }`: power and a counter of one CT.

use super::super::{Payload, SeriesIndex, SplitRule, Unit, parse};
use super::rules::BASE;
use super::{circuit, figure, messages, sound, utc};
use crate::site::FigureKey;
use crate::units::Span;

/// The base's meter with a counter; no circuit names it.
fn with(counter: &str) -> String {
    BASE.replace("every_s = 5\n", &format!("every_s = 5\ncounter = {{ {counter} }}\n"))
}

/// The base's house, whose payload is a number, with a counter.
fn house_with(counter: &str) -> String {
    BASE.replace("every_s = 1\n", &format!("every_s = 1\ncounter = {{ {counter} }}\n"))
}

#[test]
fn what_a_circuit_names_is_counted_and_its_shape_is_the_powers() {
    let site = sound(&house_with(
        "unit = \"kWh\", topic = \"hill/{channel}/kwh\", every_s = 60, rolls_over_at = 1000",
    ));
    let names: Vec<&str> = site.channels.iter().map(|channel| channel.name.as_str()).collect();
    assert_eq!(names[..2], ["house/m1", "house/m2"]);
    assert_eq!(names[9..11], ["house/m1/counter", "house/m2/counter"]);
    assert_eq!(site.channels.iter().filter(|channel| channel.is_beside()).count(), 9);
    let device = &site.devices[1];
    assert_eq!((device.id.as_str(), device.topic.as_str()), ("house/counter", "hill/{channel}/kwh"));
    assert_eq!(device.unit, Unit::KWh { rolls_over_at_wh: Some(1e6) });
    assert_eq!((device.every, device.max_gap), (Span::from_seconds(60), Span::from_seconds(180)));
    assert_eq!(device.payload, Payload::Number);
    // The key of a channel is the device's own name for it, in both topics.
    assert_eq!(site.channels[9].key, "m1");

    let epoch = &site.epochs[0];
    let of = |key| figure(&site, epoch, key).expect("a figure");
    assert_eq!(of(circuit(&site, "plugs")), "+1.02 counted/house/4");
    assert_eq!(of(FigureKey::Grid), "+1 counted/house/m1 +1 counted/house/m2");
    assert_eq!(of(FigureKey::Import), "+1 grid:in");
    // Counted CTs come before what adds them up.
    let is_counted = |(_, rule): &&(usize, SplitRule)| matches!(rule, SplitRule::Counted { .. });
    let first = epoch.plan.splits.iter().take_while(is_counted).count();
    assert_eq!((first, epoch.plan.splits.iter().filter(is_counted).count()), (9, 9));
    let (_, SplitRule::Signed(grid)) = &epoch.plan.splits[9] else { panic!("{:?}", epoch.plan.splits[9]) };
    assert!(grid.iter().all(|term| term.series.0 as usize >= site.channels.len()), "{grid:?}");
    assert_eq!(site.ct_of(grid[0].series).map(|ct| names[ct.0 as usize]), Some("house/m1"));
    assert_eq!(site.ct_of(SeriesIndex(1)).map(|ct| names[ct.0 as usize]), Some("house/m2"));
    assert_eq!(site.counted().len(), 9);
}

#[test]
fn a_counter_in_the_devices_json_has_its_topic_time_and_period() {
    let site = sound(&with("unit = \"Wh\", pointer = \"/wh\""));
    let (meter, counter) = (&site.devices[1], &site.devices[2]);
    assert_eq!(
        (counter.id.as_str(), &counter.topic, counter.every),
        ("meter/counter", &meter.topic, meter.every)
    );
    let json = Payload::Json { pointer: "/wh".into(), time: Some("/time".into()) };
    assert_eq!(counter.payload, json);
    // A topic of its own has a time of its own, or none.
    let site = sound(&with("unit = \"Wh\", topic = \"hill/wh\", pointer = \"/wh\""));
    assert_eq!(site.devices[2].payload, Payload::Json { pointer: "/wh".into(), time: None });
}

#[test]
fn a_counter_of_export_stands_beside_that_of_import() {
    let both = |from: &str| {
        let counter = "unit = \"kWh\", topic = \"hill/{channel}/kwh\"";
        house_with(counter).replace(
            "counter = {",
            &format!(
                "export_counter = {{ unit = \"kWh\", topic = \"hill/{{channel}}/out\"{from} }}\ncounter = {{"
            ),
        )
    };
    let site = sound(&both(""));
    let names: Vec<&str> = site.channels.iter().map(|channel| channel.name.as_str()).collect();
    assert_eq!((names[9], names[18]), ("house/m1/counter", "house/m1/export-counter"));
    assert_eq!(site.channels.iter().filter(|channel| channel.is_beside()).count(), 18);
    assert_eq!((site.counted().len(), site.exported().len(), site.beside().len()), (9, 9, 18));
    let exporting = |site: &crate::site::Site, epoch: usize| {
        let splits = site.epochs[epoch].plan.splits.iter();
        splits.filter(|(_, rule)| matches!(rule, SplitRule::Counted { export: Some(_), .. })).count()
    };
    assert_eq!(exporting(&site, 0), 9);
    // One series a CT, whichever counters it has; which those are is part of its fingerprint.
    let without = sound(&house_with("unit = \"kWh\", topic = \"hill/{channel}/kwh\""));
    assert_eq!(site.splits, without.splits);
    let print = |site: &crate::site::Site, epoch: usize| {
        let split = site.splits.iter().position(|name| name == "counted/house/m1").expect("it is there");
        crate::site::fingerprint(site, &site.epochs[epoch], split)
    };
    assert_ne!(print(&site, 0), print(&without, 0));
    // From a date on, export is counted too.
    let dated = sound(&both(", from = 2026-05-02T09:30:00"));
    assert_eq!((exporting(&dated, 0), exporting(&dated, 1)), (0, 9));
    assert_eq!((print(&dated, 0), print(&dated, 1)), (print(&without, 0), print(&site, 0)));
}

#[test]
fn from_a_date_on_the_counter_counts_and_before_it_the_power() {
    let map = "unit = \"kWh\", topic = \"hill/{channel}/kwh\", from = 2026-05-02T09:30:00";
    let site = sound(&house_with(map));
    let moment = utc("2026-05-02T15:30:00Z");
    assert_eq!(site.epochs.len(), 2);
    assert_eq!(site.epochs[1].span.start, moment);
    let plugs = |epoch: usize| figure(&site, &site.epochs[epoch], circuit(&site, "plugs"));
    assert_eq!(plugs(0).as_deref(), Some("+1.02 house/4"));
    assert_eq!(plugs(1).as_deref(), Some("+1.02 counted/house/4"));
}

#[test]
fn each_way_to_write_it_wrongly_is_named() {
    let check = |map: &str, rule: &str, says: &str| {
        let findings = parse("map.toml", map).findings;
        let found = findings.iter().any(|finding| finding.rule == rule && finding.to_string().contains(says));
        assert!(found && findings.len() == 1, "no {rule} that says {says:?}:\n{}", messages(&findings));
    };
    let beside = "counter-beside";
    check(&with("unit = \"W\", pointer = \"/wh\""), beside, "a counter in \"W\"");
    check(&with("unit = \"kWh\""), beside, "neither a topic nor a pointer");
    check(&with("unit = \"kWh\", topic = \"hill/kwh\", time = \"/t\""), beside, "no `pointer`");
    check(&house_with("unit = \"kWh\", pointer = \"/kwh\""), beside, "a payload that is a number");
    let counter = with("unit = \"kWh\", pointer = \"/kwh\"").replace("unit = \"kW\"", "unit = \"kWh\"");
    check(&counter, beside, "a counter beside a counter");
    let json = "topic = \"hill/meter\"\npayload = { pointer = \"/watts\", time = \"/time\" }\n";
    let imported = with("unit = \"kWh\", topic = \"hill/kwh\"").replace(json, "source = \"import\"\n");
    check(&imported, beside, "come from files");
    let alone = with("unit = \"kWh\", pointer = \"/out\"").replace("counter =", "export_counter =");
    check(&alone, beside, "an `export_counter` without a `counter`");
    let twice = with("unit = \"kWh\", pointer = \"/kwh\"")
        .replace("counter =", "export_counter = { unit = \"kWh\", pointer = \"/kwh\" }\ncounter =");
    check(&twice, "same-reading-twice", "\"meter/1/export-counter\"");
    check(&with("unit = \"kWh\", pointer = \"/watts\""), "same-reading-twice", "\"meter/1/counter\"");
    check(&house_with("unit = \"kWh\", topic = \"hill/kwh\""), "channels-not-apart", "9 channels");
    check(&with("unit = \"kWh\", topic = \"hill/#\""), "bad-topic", "wildcard");
    check(&with("unit = \"kWh\", pointer = \"kwh\""), "bad-pointer", "kwh");
    check(&with("unit = \"kWh\", pointer = \"/kwh\", every_s = 0.01"), "bad-period", "every_s = 0.01");
    check(&with("unit = \"kWh\", pointer = \"/kwh\", rolls_over_at = 0"), "unit-mismatch", "rolls over at 0");
    check(&with("unit = \"kWh\", pointer = \"/kwh\", step = 1"), "unknown-key", "step");
    check(&with("pointer = \"/kwh\""), "missing-key", "`unit`");
    check(&with("unit = \"kWh\", pointer = \"/kwh\", from = 09:30:00"), "bad-date", "no moment");
    let named = house_with("unit = \"kWh\", topic = \"hill/{channel}/kwh\"")
        .replace("\"house/4\"", "\"house/4/counter\"");
    check(&named, "unknown-channel", "write \"house/4\"");
    check(
        &named.replace("house/4/counter", "house/4/export-counter"),
        "unknown-channel",
        "write \"house/4\"",
    );
}
