//! The sums by slot of the week that are kept are those of the quarter hours, and the days of months that are kept
//! together are the days one by one: after a late reading, an import, a corrected map, another zone, and whatever
//! else changes a quarter hour.

use super::*;
use crate::calendar::Zone;
use crate::history::{Memory, Profile, Source, Stretch, profile};
use crate::store::catalog::Catalog;
use crate::store::month_days;
use crate::store::reader::Reader;

const DAY: i64 = 86_400;

/// Parts of four local days of March 2026 over two weeks, invented; after them April begins, and March is over.
const PARTS: [(i64, i64); 4] = [
    (9 * 3600, 9 * 3600 + 2700),
    (DAY + 5 * 3600, DAY + 5 * 3600 + 5400),
    (7 * DAY + 9 * 3600, 7 * DAY + 9 * 3600 + 2700),
    (8 * DAY + 9 * 3600, 8 * DAY + 9 * 3600 + 900),
];
const APRIL: i64 = 25 * DAY;

fn live(map: &str) -> Rig {
    let mut rig = Rig::under(map, &[]);
    for (from, to) in PARTS {
        rig.run(from, to);
        rig.seal(to.div_euclid(3600) * 3600);
    }
    rig.seal(APRIL);
    rig.flush();
    rig
}

fn zone(rig: &Rig) -> Zone {
    Zone::new(&rig.site.time_zone).expect("a zone")
}

/// Every slot of every figure of a typical day.
fn told(profile: &Profile) -> Vec<String> {
    let slots = profile.figures.iter().flat_map(|(key, days)| {
        let slots = days.iter().flatten().enumerate();
        slots
            .map(move |(at, slot)| format!("{key:?} {at}: {:?} {:?} {}", slot.amount, slot.length, slot.days))
    });
    slots.collect()
}

fn typical(rig: &Rig) -> Vec<String> {
    let mut source = rig.store().reader().source(SiteIndex(0));
    told(&profile(&rig.site, &zone(rig), &mut source, at(-3 * DAY)..at(APRIL)).expect("a profile"))
}

/// The same from minutes that are added up anew.
fn added_up(rig: &Rig) -> Vec<String> {
    let mut memory = Memory::new(zone(rig));
    for (series, row) in rig.rows(Level::Minute, -4 * DAY, APRIL) {
        memory.add(series, row);
    }
    let Ok(found) = profile(&rig.site, &zone(rig), &mut memory, at(-3 * DAY)..at(APRIL));
    told(&found)
}

/// Every day of every series, without its extremes.
fn days(rig: &Rig) -> Vec<(SeriesIndex, Row)> {
    let all: Vec<SeriesIndex> = (0..rig.site.series_len() as u32).map(SeriesIndex).collect();
    let mut source = rig.store().reader().source(SiteIndex(0));
    source.rows_of(Level::Day, at(-10 * DAY)..at(APRIL), &all).expect("rows")
}

/// The same from minutes that are added up anew.
fn added_up_days(rig: &Rig) -> Vec<(SeriesIndex, Row)> {
    let zone = zone(rig);
    let minutes = rig.rows(Level::Minute, -4 * DAY, APRIL);
    let mut days = summed(&minutes, |start| zone.day_range(zone.day_of(start)).start);
    days.iter_mut().for_each(|(_, day)| (day.min, day.max) = (i32::MAX, i32::MIN));
    days
}

/// Of how many stretches something is of use under the map in force: of days, months and three months sums, of
/// months their days.
fn of_use(rig: &Rig) -> (usize, usize, usize, usize) {
    let db = schema::open_read_only(&database(rig.directory.path())).expect("it opens");
    let catalog = Catalog::look_up(&db, std::slice::from_ref(&rig.site)).expect("it reads");
    let entry = catalog.entry(SiteIndex(0)).expect("the site");
    let march = Stretch::Month.range(&zone(rig), at(DAY));
    let together = usize::from(month_days::is_there(&db, entry, &march).expect("it reads"));
    let mut source = rig.store().reader().source(SiteIndex(0));
    let mut count = |stretch: Stretch| {
        let (mut found, mut start) = (0, at(-10 * DAY));
        while start < at(APRIL) {
            let range = stretch.range(&zone(rig), start);
            found += usize::from(source.week_sums(stretch, &range).expect("an answer").is_some());
            start = range.end;
        }
        found
    };
    (count(Stretch::Day), count(Stretch::Month), count(Stretch::ThreeMonths), together)
}

fn check(rig: &Rig, what: &str) {
    let found = typical(rig);
    assert!(found.iter().any(|slot| !slot.contains("energy: 0,")), "{what}");
    let wrong = found.iter().zip(added_up(rig)).find(|(one, other)| *one != other);
    assert_eq!(wrong, None, "{what}");
    let (found, wanted) = (days(rig), added_up_days(rig));
    assert_eq!(found.iter().zip(&wanted).find(|(one, other)| one != other), None, "{what}");
    assert!(found.len() == wanted.len() && found.len() > 9, "{what}");
}

fn correct(rig: &mut Rig, map: &str) {
    rig.site = site_of(map);
    rig.flow.replace(Arc::clone(&rig.site));
    rig.send(Command::Sites(vec![Arc::clone(&rig.site)]));
}

/// The days of March, also those before anything is known; March and the February before, which is a part of the
/// three months that March ends; and the days of March together.
const ALL: (usize, usize, usize, usize) = (31, 2, 1, 1);

#[test]
fn what_is_over_is_kept() {
    let mut rig = live(MAP);
    assert_eq!(of_use(&rig), ALL);
    check(&rig, "live");
    let late = (8 * DAY + 9 * 3600 + 900..8 * DAY + 9 * 3600 + 1900).flat_map(readings_at).collect();
    rig.commit(late, at(APRIL + 60));
    rig.flush();
    assert_eq!(of_use(&rig), ALL);
    check(&rig, "late readings");
    // What is kept together is what is read: a day that somebody else changes is not looked at.
    let before = days(&rig);
    let db = schema::open(&database(rig.directory.path())).expect("it opens");
    assert!(db.execute("UPDATE day SET energy_in = energy_in + 1", []).expect("they are changed") > 9);
    assert_eq!(days(&rig), before);
    db.execute("DELETE FROM month_days", []).expect("it is taken away");
    assert_ne!(days(&rig), before);
}

#[test]
fn an_import_shows_at_the_next_query() {
    let rig = live(MAP);
    let before = (typical(&rig), days(&rig));
    let readings: Vec<Reading> = (DAY + 3600..DAY + 5000).flat_map(readings_at).collect();
    let readings = readings.into_iter().map(|reading| (reading.channel, reading.sample)).collect();
    let (reply, answer) = channel();
    rig.send(Command::Import(Import { site: SiteIndex(0), readings, limit: at(3 * DAY), reply }));
    answer.recv_timeout(Duration::from_secs(30)).expect("an answer");
    // Before the writer has had time to add the day up again: what it was is not shown.
    assert_ne!(typical(&rig), before.0);
    assert_ne!(days(&rig), before.1);
    rig.flush();
    check(&rig, "an import");
    assert_eq!(of_use(&rig), ALL);
}

#[test]
fn a_corrected_map_shows_at_the_next_query() {
    let mut rig = live(MAP);
    // Channels are added up as they are: a scale makes no sums others.
    correct(&mut rig, &MAP.replacen("doubled = true\n", "doubled = true\nscale = 0.5\n", 1));
    assert_eq!(of_use(&rig), ALL);
    check(&rig, "a scale");
    // A change of the map within the first of the days, and a split that follows another rule from then on.
    let ended = MAP.replacen(
        "sign = \"generation-positive\"",
        "sign = \"generation-positive\"\nuntil = 2026-03-08T23:10:30",
        1,
    );
    correct(&mut rig, &ended);
    rig.flush();
    check(&rig, "an end within a day");
    assert_eq!(of_use(&rig), ALL);
    // An offline reader whose map no writer has seen: what is kept of other rules is not of this map.
    let site = std::mem::replace(&mut rig.site, site_of(MAP));
    let reader = Reader::offline(rig.directory.path(), std::slice::from_ref(&rig.site)).expect("it opens");
    let mut source = reader.source(SiteIndex(0));
    let range = Stretch::Month.range(&zone(&rig), at(DAY));
    assert_eq!(source.week_sums(Stretch::Month, &range).expect("an answer"), None);
    drop(source);
    rig.site = site;
    correct(&mut rig, &MAP.replace("America/Denver", "America/Halifax"));
    rig.flush();
    check(&rig, "another zone");
    assert_eq!((of_use(&rig).1, of_use(&rig).3), (2, 1));
    correct(&mut rig, MAP);
    rig.flush();
    check(&rig, "as it was");
    assert_eq!(of_use(&rig), ALL);
}

#[test]
fn a_check_holds_what_is_kept_against_the_rows_and_a_repair_takes_it_away() {
    let mut rig = live(MAP);
    rig.store.take().expect("it is open").close();
    let sites = [Arc::clone(&rig.site)];
    let check_file = || crate::store::check(&database(rig.directory.path()), &sites).expect("it opens");
    assert!(check_file().findings.is_empty(), "{:?}", check_file().findings);
    let db = schema::open(&database(rig.directory.path())).expect("it opens");
    db.execute_batch(
        "UPDATE week_sum SET body = (SELECT body FROM week_sum WHERE stretch = 0 ORDER BY length(body) DESC)
           WHERE stretch = 1 AND start_s = (SELECT max(start_s) FROM week_sum WHERE stretch = 1);
         UPDATE week_sum SET body = x'00' WHERE stretch = 0 AND start_s = (SELECT max(start_s) FROM week_sum);
         UPDATE month_days SET body = x'00';",
    )
    .expect("they are spoilt");
    drop(db);
    let findings = check_file().findings;
    let count = |id: &str| findings.iter().filter(|found| found.id == id).count();
    // A day, and March; what is made of them is right.
    assert_eq!((count("week-sums-differ"), count("month-days-differ")), (2, 1), "{findings:?}");
    let repaired = crate::store::repair(rig.directory.path(), &sites).expect("a repair");
    assert!(repaired.after.findings.is_empty(), "{:?}", repaired.after.findings);
    let (store, events) = open(rig.directory.path(), &rig.site, &[]);
    (rig.store, rig.events) = (Some(store), events);
    rig.flush();
    assert_eq!(of_use(&rig), ALL);
    check(&rig, "repaired");
}

#[test]
fn a_file_of_the_format_before_has_them_after_its_next_start() {
    let mut rig = live(MAP);
    rig.store.take().expect("it is open").close();
    let db = schema::open(&database(rig.directory.path())).expect("it opens");
    db.execute_batch("DROP TABLE month_days; DROP TABLE week_sum; PRAGMA user_version = 7")
        .expect("an older file");
    drop(db);
    let (store, events) = open(rig.directory.path(), &rig.site, &[]);
    (rig.store, rig.events) = (Some(store), events);
    check(&rig, "at once");
    rig.flush();
    assert_eq!(of_use(&rig), ALL);
    check(&rig, "then");
}
