//! Reading what utilities send, refusing what nobody should, and reading back what is written.

use super::*;
use crate::calendar::{By, Zone};
use crate::exchange::{Export, Form, export};
use crate::flow::Row;
use crate::history::Memory;
use crate::site::{SeriesIndex, Site, parse};
use crate::units::{Energy, Span};

/// Two hours of a meter without links, as some utilities write it.
fn plain(reading_type: &str, readings: &str) -> String {
    format!(
        r#"<?xml version="1.0"?>
<feed xmlns="http://www.w3.org/2005/Atom">
<entry><title>Energy Delivered</title><content><ReadingType xmlns="http://naesb.org/espi">
{reading_type}<uom>72</uom></ReadingType></content></entry>
<entry><content><IntervalBlock xmlns="http://naesb.org/espi">
{readings}</IntervalBlock></content></entry>
</feed>"#
    )
}

fn reading(start: i64, value: &str) -> String {
    format!(
        "<IntervalReading><timePeriod><duration>3600</duration><start>{start}</start></timePeriod><value>{value}</value></IntervalReading>\n"
    )
}

#[test]
fn a_feed_without_links_is_one_meter() {
    let text = plain("", &(reading(1_296_547_200, "385") + &reading(1_296_550_800, "365")));
    let (feed, faults) = read(&text);
    assert!(faults.is_empty(), "{faults}");
    let [series] = &feed.series[..] else { panic!("{feed:?}") };
    assert_eq!((series.flow, series.blocks, series.total_mwh()), (Flow::Forward, 1, 750_000));
    assert_eq!(series.readings[0].start, Stamp::from_seconds(1_296_547_200));
    assert_eq!((series.readings[1].seconds, series.readings[1].line), (3600, 7));
    assert_eq!(series.title, "Energy Delivered");
}

#[test]
fn values_count_times_their_multiplier() {
    let check = |multiplier: i64, value: &str, mwh: i64| {
        let kind = format!("<powerOfTenMultiplier>{multiplier}</powerOfTenMultiplier>");
        let (feed, faults) = read(&plain(&kind, &reading(1_296_547_200, value)));
        assert!(faults.is_empty(), "{faults}");
        assert_eq!(feed.series[0].readings[0].mwh, mwh, "{value} at 10^{multiplier}");
    };
    check(0, "1", 1000);
    check(3, "2", 2_000_000);
    check(-3, "1234567", 1_234_567);
    check(-4, "15", 2);
    check(-4, "-15", -2);
    check(-4, "14", 1);
}

#[test]
fn directions_and_types_are_tied_by_links() {
    let meter = |place: &str, flow: i64, value: &str| {
        format!(
            r#"<entry><link rel="self" href="UP/1/MeterReading/{place}"/>
<link rel="related" href="UP/1/MeterReading/{place}/IntervalBlock"/><link href="RT/{place}" rel="related"/>
<title>Meter {place} &amp; sons &#x41;</title><content><espi:MeterReading/></content></entry>
<entry><link rel="self" href="RT/{place}"/><content><espi:ReadingType><espi:flowDirection>{flow}</espi:flowDirection>
<espi:accumulationBehaviour>4</espi:accumulationBehaviour><espi:uom>72</espi:uom></espi:ReadingType></content></entry>
<entry><link rel="self" href="UP/1/MeterReading/{place}/IntervalBlock/7"/>
<link rel="up" href="UP/1/MeterReading/{place}/IntervalBlock"/><content><espi:IntervalBlock>{}</espi:IntervalBlock></content></entry>"#,
            reading(1_296_547_200, value).replace("<", "<espi:").replace("<espi:/", "</espi:")
        )
    };
    let text = format!(
        r#"<feed xmlns="http://www.w3.org/2005/Atom" xmlns:espi="http://naesb.org/espi">{}{}</feed>"#,
        meter("a", 1, "700"),
        meter("b", 19, "30")
    );
    let (feed, faults) = read(&text);
    assert!(faults.is_empty(), "{faults}");
    let found: Vec<_> = feed.series.iter().map(|s| (s.title.as_str(), s.flow, s.total_mwh())).collect();
    assert_eq!(
        found,
        [("Meter a & sons A", Flow::Forward, 700_000), ("Meter b & sons A", Flow::Reverse, 30_000)]
    );
}

#[test]
fn what_is_wrong_names_its_line_and_what_to_do() {
    let check = |text: &str, line: u64, expected: &str| {
        let (_, faults) = read(text);
        let found = faults.shown().iter().any(|fault| fault.line == line && fault.what.contains(expected));
        assert!(found, "{expected} in line {line}: {faults}");
        assert!(faults.shown().iter().all(|fault| !fault.hint.is_empty()));
    };
    let one = reading(1_296_547_200, "385");
    check("<feed/>", 1, "no <entry>");
    check("rubbish", 1, "no <entry>");
    check("<feed>\n<entry></feed>", 2, "no XML");
    check("<feed>\n<entry>\n<title>x", 3, "ends inside of <title>");
    check(&plain("", &(one.clone() + &reading(1_296_550_800, "3.5"))), 7, "no whole number: \"3.5\"");
    check(&plain("", &(one.clone() + &reading(1_296_549_000, "1"))), 7, "overlaps the one in line 6");
    check(&plain("", &reading(12, "1")), 6, "in no year");
    check(&plain("", &one.replace("<value>385</value>", "")), 6, "no <value>");
    check(&plain("", &one.replace("3600", "0")), 6, "duration is 0 s");
    check(&plain("", &reading(1_296_547_200, "99999999999999999")), 6, "beyond any meter");
    check(&plain("<accumulationBehaviour>3</accumulationBehaviour>", &one), 3, "accumulationBehaviour is 3");
    check(&plain("<flowDirection>2</flowDirection>", &one), 3, "flowDirection is 2");
    check(&plain("", &one).replace("<uom>72", "<uom>119"), 3, "the uom is 119");
    check(&plain("", &one).replace("ReadingType", "Other"), 6, "no ReadingType");
}

#[test]
fn nothing_in_a_file_grows_when_it_is_read() {
    let bomb = r#"<!DOCTYPE feed [<!ENTITY a "aaaaaaaaaa"><!ENTITY b "&a;&a;&a;&a;">]><feed><entry><title>&b;</title></entry></feed>"#;
    let (_, faults) = read(bomb);
    assert!(faults.to_string().contains("document type"), "{faults}");
    let (_, faults) = read("<feed><entry><title>&b;</title></entry></feed>");
    assert!(faults.to_string().contains("&b; stands for nothing"), "{faults}");
    let deep = "<a>".repeat(1000);
    let (_, faults) = read(&deep);
    assert!(faults.to_string().contains("deep"), "{faults}");
    let long = format!("<feed><entry><title>{}</title></entry></feed>", "x".repeat(1 << 20));
    let (_, faults) = read(&long);
    assert!(faults.to_string().contains("bytes"), "{faults}");
}

#[test]
fn a_repeated_reading_counts_once_and_estimates_are_marked() {
    let estimated = reading(1_296_550_800, "7")
        .replace("<value>", "<ReadingQuality><quality>8</quality></ReadingQuality><value>");
    let text = plain("", &(reading(1_296_547_200, "385").repeat(2) + &estimated));
    let (feed, faults) = read(&text);
    assert!(faults.is_empty(), "{faults}");
    let readings = &feed.series[0].readings;
    assert_eq!(
        readings.iter().map(|one| (one.mwh, one.estimated)).collect::<Vec<_>>(),
        [(385_000, false), (7000, true)]
    );
}

/// Mains and a heater, as a map says it.
fn site() -> Site {
    let map = r#"
        site = "heron-lane"
        name = "Heron Lane farmhouse <&>"
        time_zone = "America/Denver"
        [service]
        system = "split-phase 120/240"
        [[device]]
        id = "house"
        topic = "heron-lane/{channel}"
        unit = "W"
        every_s = 1
        [[feed]]
        bus = "main"
        channels = [ { channel = "house/m1", leg = "A" }, { channel = "house/m2", leg = "B" } ]
        measures = "panel"
        [[circuit]]
        id = "water-heater"
        label = "Heat-pump water heater"
        end_use = "hot water"
        spaces = [10, 12]
        breaker_a = 30
        channels = ["house/5"]
        doubled = true
    "#;
    let parsed = parse("heron-lane.toml", map);
    parsed.site.unwrap_or_else(|| panic!("{:?}", parsed.findings))
}

/// From midnight of 2025-03-09 for 23 h: 1.2 kW on each leg, of which the heater takes 900 W; the heater
/// is not known from 05:30 to 06:00.
fn memory(site: &Site, zone: &Zone) -> Memory {
    let start = zone.parse("2025-03-09").expect("a time");
    let mut memory = Memory::new(zone.clone());
    for minute in 0..23 * 60 {
        let start = Stamp(start.0 + minute * Span::MINUTE.0);
        let row = |power: i32| Row {
            energy_in: Energy::of(i64::from(power), Span::MINUTE),
            covered: Span::MINUTE,
            min: power,
            max: power,
            ..Row::empty(start)
        };
        for (name, power) in [("house/m1", 12_000), ("house/m2", 12_000), ("house/5", 4_500)] {
            // Local 05:30 is 4.5 h after midnight: the clock jumped.
            if name != "house/5" || !(270..300).contains(&minute) {
                memory.add(SeriesIndex(site.channel(name).expect("a channel").0), row(power));
            }
        }
        for split in 0..site.splits.len() {
            memory.add(site.split_series(split), row(24_000));
        }
    }
    memory
}

fn exported(by: By, form: Form) -> (String, crate::exchange::Exported) {
    let site = site();
    let zone = Zone::new(&site.time_zone).expect("a zone");
    let at = |text| zone.parse(text).expect("a time");
    let range = at("2025-03-09")..at("2025-03-10");
    let what = Export { site: &site, zone: &zone, range, by, form, now: at("2025-04-01") };
    let mut text = String::new();
    let mut out = |piece: String| -> Result<(), ()> {
        text.push_str(&piece);
        Ok(())
    };
    let exported = export(&what, &mut memory(&site, &zone), &mut out).expect("an export");
    (text, exported)
}

#[test]
fn what_is_written_is_read_back_and_parts_are_left_out() {
    let (text, exported) = exported(By::Hour, Form::Espi);
    let (feed, faults) = read(&text);
    assert!(faults.is_empty(), "{faults}");
    let found: Vec<_> = feed
        .series
        .iter()
        .map(|s| (s.title.as_str(), s.flow, s.readings.len(), s.total_mwh(), s.blocks))
        .collect();
    assert_eq!(
        found,
        [
            ("Grid import", Flow::Forward, 23, 55_200_000, 1),
            ("Grid export", Flow::Reverse, 23, 0, 1),
            // 22 whole hours of 900 Wh; of the other only a half is known.
            ("Heat-pump water heater", Flow::Forward, 22, 19_800_000, 1),
        ]
    );
    assert_eq!((exported.intervals, exported.written, exported.in_part), (23, 68, 1));
    assert!(text.contains("<dstStartRule>360E2000</dstStartRule><tzOffset>-25200</tzOffset>"), "{text}");
    assert!(text.contains("<interval><duration>82800</duration><start>1741503600</start></interval>"));
    assert!(text.contains("Heron Lane farmhouse &lt;&amp;&gt;"));
}

#[test]
fn a_feed_names_each_thing_once_and_always_alike() {
    let (text, _) = exported(By::Quarter, Form::Espi);
    assert_eq!(text, exported(By::Quarter, Form::Espi).0);
    let mut ids: Vec<&str> =
        text.split("<id>").skip(1).filter_map(|rest| rest.split("</id>").next()).collect();
    let count = ids.len();
    ids.sort_unstable();
    ids.dedup();
    assert_eq!((ids.len(), ids.len()), (count, 1 + 1 + 3 * 3 + 3));
    assert!(
        ids.iter().all(|id| id.len() == 45 && id.starts_with("urn:uuid:") && &id[23..24] == "8"),
        "{ids:?}"
    );
}

#[test]
fn a_day_of_hours_as_csv() {
    let (text, _) = exported(By::Hour, Form::Csv);
    let mut reader = csv::Reader::from_reader(text.as_bytes());
    let header = reader.headers().expect("a header").clone();
    let column =
        |name: &str| header.iter().position(|other| other == name).unwrap_or_else(|| panic!("{name}"));
    let rows: Vec<csv::StringRecord> = reader.records().map(|record| record.expect("a row")).collect();
    assert_eq!(rows.len(), 23);
    let cell = |row: usize, name: &str| rows[row][column(name)].to_owned();
    assert_eq!(cell(0, "start (UTC)"), "2025-03-09T07:00:00Z");
    assert_eq!(cell(2, "start (local)"), "2025-03-09T03:00:00-06:00");
    assert_eq!((cell(0, "import (kWh)"), cell(0, "import coverage")), ("2.4".into(), "1".into()));
    assert_eq!(cell(4, "circuit water-heater (kWh)"), "0.45");
    assert_eq!(cell(4, "circuit water-heater coverage"), "0.5");
    assert_eq!(cell(0, "bus main untracked (kWh)"), "1.5");
    assert!(text.contains("\r\n"), "RFC 4180 ends lines so");
}
