//! What is kept of days that are over is what their minutes say: after a late reading, an import, a corrected
//! map, another zone, and whatever else changes a minute.

use super::*;
use crate::calendar::{By, Interval, Zone, intervals};
use crate::history::{DayRules, DayRuns, Memory, Ranking, rank, tallies};
use crate::site::SeriesIndex;
use crate::store::reader::Reader;
use crate::store::run_days;

const DAY: i64 = 86_400;

/// Parts of four local days, invented. The last one is not over.
const PARTS: [(i64, i64); 4] = [
    (9 * 3600, 9 * 3600 + 1500),
    (DAY + 5 * 3600, DAY + 5 * 3600 + 5400),
    (2 * DAY + 9 * 3600, 2 * DAY + 9 * 3600 + 900),
    (3 * DAY + 9 * 3600, 3 * DAY + 9 * 3600 + 900),
];

fn live(map: &str) -> Rig {
    let mut rig = Rig::under(map, &[]);
    for (from, to) in PARTS {
        rig.run(from, to);
        rig.seal(to.div_euclid(3600) * 3600);
    }
    rig
}

fn zone(rig: &Rig) -> Zone {
    Zone::new(&rig.site.time_zone).expect("a zone")
}

/// The local days of the readings.
fn days(rig: &Rig) -> Vec<Interval> {
    intervals(&zone(rig), By::Day, 1, at(9 * 3600)..at(3 * DAY + 9 * 3600)).expect("days")
}

fn ranked(rig: &Rig) -> Ranking {
    rank(&rig.site, &zone(rig), &mut rig.store().reader().source(SiteIndex(0)), &days(rig))
        .expect("a ranking")
}

/// The same from minutes that are counted anew.
fn counted(rig: &Rig) -> Ranking {
    let mut memory = Memory::new(zone(rig));
    for (series, row) in rig.rows(Level::Minute, -DAY, 5 * DAY) {
        memory.add(series, row);
    }
    let Ok(ranking) = rank(&rig.site, &zone(rig), &mut memory, &days(rig));
    ranking
}

fn kept(rig: &Rig) -> Vec<DayRuns> {
    let places: Vec<usize> = (0..crate::history::places(&rig.site).len()).collect();
    let mut found = Vec::new();
    let mut source = rig.store().reader().source(SiteIndex(0));
    let every = &mut |kept: &DayRuns| {
        found.push(kept.clone());
        true
    };
    source.day_runs(at(-2 * DAY)..at(9 * DAY), &places, every).expect("days");
    found
}

/// Days that are kept and of use, and what is said of them is what the minutes say.
fn check(rig: &Rig, days_of_use: usize, what: &str) {
    let found = ranked(rig);
    assert!(found.places.iter().any(|place| place.runs.minutes > 50), "{what}: {found:?}");
    assert_eq!(format!("{found:?}"), format!("{:?}", counted(rig)), "{what}");
    let rules = DayRules::of(&rig.site);
    let of_use = |kept: &&DayRuns| {
        kept.rule == rules.of_day(&kept.day) && days(rig).iter().any(|day| (day.start..day.end) == kept.day)
    };
    assert_eq!(kept(rig).iter().filter(of_use).count(), days_of_use, "{what}");
}

fn correct(rig: &mut Rig, map: &str) {
    rig.site = site_of(map);
    rig.flow.replace(Arc::clone(&rig.site));
    rig.send(Command::Sites(vec![Arc::clone(&rig.site)]));
}

#[test]
fn days_that_are_over_are_kept_and_one_that_is_not_is_counted() {
    let rig = live(MAP);
    // Local days 8 to 10 of March are over: the last readings are of the 11th.
    assert_eq!(kept(&rig).len(), 3);
    check(&rig, 3, "live");
    // Every figure again, as the writer counts a day.
    let catalog = rig.store().shared.catalog();
    let entry = catalog.entry(SiteIndex(0)).expect("the site");
    let places = crate::history::places(&rig.site);
    for kept in kept(&rig) {
        let rows: Vec<(SeriesIndex, Row)> = rig
            .rows(Level::Minute, -DAY, 5 * DAY)
            .into_iter()
            .filter(|(_, row)| kept.day.contains(&row.start))
            .collect();
        assert_eq!(kept.tallies, tallies(&rig.site, &kept.day, &rows, &places));
        let db = schema::open_read_only(&database(rig.directory.path())).expect("it opens");
        assert_eq!(run_days::count(&db, entry, &kept.day).expect("it counts"), kept);
    }
}

#[test]
fn a_late_reading_and_an_import_show_at_the_next_query() {
    let mut rig = live(MAP);
    let before = format!("{:?}", ranked(&rig));
    let late = (DAY + 5 * 3600 + 5400..DAY + 5 * 3600 + 5700).flat_map(readings_at).collect();
    rig.commit(late, at(3 * DAY + 9 * 3600 + 960));
    rig.seal(3 * DAY + 9 * 3600);
    assert_ne!(format!("{:?}", ranked(&rig)), before);
    check(&rig, 3, "late readings");
    let before = format!("{:?}", ranked(&rig));
    let readings: Vec<Reading> = (DAY + 3600..DAY + 5000).flat_map(readings_at).collect();
    let readings = readings.into_iter().map(|reading| (reading.channel, reading.sample)).collect();
    let (reply, answer) = channel();
    rig.send(Command::Import(Import { site: SiteIndex(0), readings, limit: at(3 * DAY), reply }));
    answer.recv_timeout(Duration::from_secs(30)).expect("an answer");
    // Before the writer has had time to count the day again: what it was is not shown.
    assert_ne!(format!("{:?}", ranked(&rig)), before);
    rig.flush();
    check(&rig, 3, "an import");
}

#[test]
fn a_corrected_map_shows_at_the_next_query_and_days_are_counted_again() {
    let mut rig = live(MAP);
    let of_heater = |rig: &Rig| {
        let heater = rig.site.circuit_index("heater").expect("the heater");
        let found =
            ranked(rig).places.into_iter().find(|place| place.of == crate::history::Rank::Circuit(heater));
        found.expect("it is ranked").runs.peak_minute.expect("a peak").0
    };
    let before = of_heater(&rig);
    let scaled = MAP.replacen("doubled = true\n", "doubled = true\nscale = 0.5\n", 1);
    correct(&mut rig, &scaled);
    rig.flush();
    assert!((of_heater(&rig) - before / 2.0).abs() < 0.1, "{before}");
    check(&rig, 3, "a scale");
    // An offline reader whose map no writer has seen: what is kept is not of this map.
    let turned = site_of(MAP);
    let reader = Reader::offline(rig.directory.path(), std::slice::from_ref(&turned)).expect("it opens");
    let site = std::mem::replace(&mut rig.site, turned);
    let mut source = reader.source(SiteIndex(0));
    let found = rank(&rig.site, &zone(&rig), &mut source, &days(&rig)).expect("a ranking");
    assert_eq!(format!("{found:?}"), format!("{:?}", counted(&rig)));
    drop(source);
    rig.site = site;
    // A label is no other map for the loads; an entry that ends within a day is.
    correct(&mut rig, &scaled.replacen("Water heater", "Heater of the kitchen", 1));
    check(&rig, 3, "a label");
    correct(&mut rig, &scaled.replacen("scale = 0.5\n", "scale = 0.5\nuntil = 2026-03-08T23:10:30\n", 1));
    // Whether the writer has counted any day again by now or not.
    assert_eq!(format!("{:?}", ranked(&rig)), format!("{:?}", counted(&rig)));
    rig.flush();
    check(&rig, 3, "an end within a day");
    correct(&mut rig, &MAP.replace("America/Denver", "America/Halifax"));
    rig.flush();
    check(&rig, 3, "another zone");
}

#[test]
fn a_check_holds_what_is_kept_against_the_minutes_and_a_repair_takes_it_away() {
    let mut rig = live(MAP);
    rig.store.take().expect("it is open").close();
    let sites = [Arc::clone(&rig.site)];
    let check = || crate::store::check(&database(rig.directory.path()), &sites).expect("it opens");
    assert!(check().findings.is_empty(), "{:?}", check().findings);
    let db = schema::open(&database(rig.directory.path())).expect("it opens");
    db.execute_batch(
        "UPDATE run_day SET body = (SELECT body FROM run_day ORDER BY length(body) DESC LIMIT 1)
           WHERE id = (SELECT id FROM run_day ORDER BY length(body) LIMIT 1);
         UPDATE run_day SET body = x'00' WHERE id = (SELECT id FROM run_day ORDER BY length(body) DESC LIMIT 1)",
    )
    .expect("two are spoilt");
    drop(db);
    let findings = check().findings;
    assert_eq!(findings.iter().filter(|finding| finding.id == "runs-differ").count(), 2, "{findings:?}");
    let repaired = crate::store::repair(rig.directory.path(), &sites).expect("a repair");
    assert!(repaired.after.findings.is_empty(), "{:?}", repaired.after.findings);
    let (store, events) = open(rig.directory.path(), &rig.site, &[]);
    (rig.store, rig.events) = (Some(store), events);
    rig.flush();
    assert_eq!(kept(&rig).len(), 3);
}
