//! A map that was wrong, then corrected: the store ends up as if it had been right all along.

use proptest::prelude::*;

use super::*;
use crate::calendar::Zone;
use crate::store::reader::Reader;

/// Where the invented days have readings, in seconds: parts of five UTC days, over a month's end.
const PARTS: [(i64, i64); 4] = [
    (0, 1500),
    (86_400 - 600, 86_400 + 700),
    (4 * 86_400, 4 * 86_400 + 1300),
    (24 * 86_400, 24 * 86_400 + 900),
];
/// After the correction.
const AFTER: (i64, i64) = (24 * 86_400 + 900, 24 * 86_400 + 1500);

/// A table of the map, by its id.
fn table(map: &str, id: &str) -> Range<usize> {
    let from = map.find(&format!("id = \"{id}\"")).expect("the map has it");
    let to = map[from..].find("\n[[").map_or(map.len(), |end| from + end);
    from..to
}

/// The map with one thing in one table replaced.
fn with(map: &str, id: &str, what: &str, by: &str) -> String {
    let place = table(map, id);
    let changed = map[place.clone()].replacen(what, by, 1);
    assert_ne!(changed, &map[place.clone()], "{what} is in {id}");
    format!("{}{changed}{}", &map[..place.start], &map[place.end..])
}

fn feed(what: &str, by: &str) -> String {
    assert!(MAP.contains(what));
    MAP.replacen(what, by, 1)
}

/// Two entries of the PV, of which the second has the array's other CT, from local noon of the 12th.
fn moved(date: &str) -> String {
    let place = table(MAP, "solar");
    let entry = format!("[[circuit]]\n{}", &MAP[place.clone()]);
    let later = entry.replacen("house/2", "house/1", 1).replacen("doubled = true", "scale = 0.97", 1);
    let without_heater = table(MAP, "heater");
    let map = format!("{}until = {date}\n{}\n{later}from = {date}\n", &MAP[..place.end], &MAP[place.end..]);
    format!("{}until = {date}\n{}", &map[..without_heater.end], &map[without_heater.end..])
}

/// Maps that differ from [`MAP`] in what can be wrong with one.
fn variants() -> Vec<(&'static str, String)> {
    vec![
        ("as it is", MAP.to_owned()),
        (
            "a mains CT the right way round",
            feed(r#"channel = "house/m1", leg"#, r#"channel = "house/m1", reversed = true, leg"#),
        ),
        (
            "a mains CT calibrated",
            feed(r#"channel = "house/m2", leg"#, r#"channel = "house/m2", scale = 1.03, leg"#),
        ),
        ("PV not doubled", with(MAP, "solar", "doubled = true", "doubled = false")),
        ("PV of the other sign", with(MAP, "solar", "sign = \"generation-positive\"", "")),
        (
            "PV is a load",
            with(MAP, "solar", "\"PV\"", "\"other\"").replacen("sign = \"generation-positive\"", "", 1),
        ),
        ("the heater is PV", with(MAP, "heater", "\"hot water\"", "\"PV\"")),
        ("the heater is scaled", with(MAP, "heater", "doubled = true", "doubled = true\nscale = 1.1")),
        ("mains above the tap", feed("measures = \"panel\"", "measures = \"grid\"")),
        ("PV from the 12th on", with(MAP, "solar", "spaces", "from = 2026-03-12\nspaces")),
        ("a CT moved at noon", moved("2026-03-11T18:10:00")),
        ("a CT moved a little later", moved("2026-03-11T18:12:00")),
    ]
}

fn live(map: &str, centrals: &[&str]) -> Rig {
    let mut rig = Rig::under(map, centrals);
    for (from, to) in PARTS {
        rig.run(from, to);
        rig.seal(to.div_euclid(3600) * 3600);
    }
    rig
}

fn correct(rig: &mut Rig, map: &str) {
    rig.site = site_of(map);
    rig.flow.replace(Arc::clone(&rig.site));
    rig.send(Command::Sites(vec![Arc::clone(&rig.site)]));
}

/// Every row of every level is what one account of all readings under the map in force gives.
fn check(rig: &Rig, what: &str) {
    let end = AFTER.1 - 300;
    assert_eq!(rig.rows(Level::Minute, -3600, end), rig.expected(-3600, end), "{what}: minutes");
    let zone = Zone::new("America/Denver").expect("a zone");
    let minutes = rig.rows(Level::Minute, -86_400, 40 * 86_400);
    let quarter = |minute: Stamp| minute.floor(Span::QUARTER);
    let day = |minute: Stamp| zone.day_range(zone.day_of(minute)).start;
    let month = |minute: Stamp| zone.month_range(zone.month_of(minute)).start;
    let all = |level| rig.rows(level, -86_400 * 60, 86_400 * 40);
    assert_eq!(all(Level::Quarter), summed(&minutes, quarter), "{what}: quarters");
    assert_eq!(all(Level::Day), summed(&minutes, day), "{what}: days");
    assert_eq!(all(Level::Month), summed(&minutes, month), "{what}: months");
}

proptest! {
    #![proptest_config(ProptestConfig { cases: 10, max_shrink_iters: 0, ..ProptestConfig::default() })]

    /// (live with the right map) = (live with a wrong one, then corrected), bit for bit.
    #[test]
    fn a_corrected_store_is_the_one_that_was_right_all_along(
        wrong in 0_usize..12,
        right in 0_usize..12,
        restart: bool,
    ) {
        let maps = variants();
        let what = format!("{} → {}", maps[wrong].0, maps[right].0);
        let mut rig = live(&maps[wrong].1, &[]);
        if restart {
            rig.store.take().expect("it is open").close();
            rig.site = site_of(&maps[right].1);
            rig.flow.replace(Arc::clone(&rig.site));
            let (store, events) = open(rig.directory.path(), &rig.site, &[]);
            (rig.store, rig.events) = (Some(store), events);
            // As the daemon does it: what is not sealed comes again, from the journal.
            let mut flow = SiteFlow::new(Arc::clone(&rig.site), None);
            let mut minutes = Vec::new();
            for reading in replayed(rig.store()) {
                flow.push(reading.channel, reading.sample);
            }
            flow.advance(at(AFTER.0), &mut minutes);
            rig.flow = flow;
            let minutes = minutes.into_iter().map(|minute| (SiteIndex(0), minute)).collect();
            rig.send(Command::Commit(Batch { minutes, ..Batch::default() }));
        } else {
            correct(&mut rig, &maps[right].1);
        }
        rig.run(AFTER.0, AFTER.1);
        rig.flush();
        check(&rig, &what);
        let left = rig.store().reader().source(SiteIndex(0)).rederiving().expect("an answer");
        prop_assert_eq!(left, vec![], "{}", what);
        // And as sealed rows.
        rig.seal(24 * 86_400 + 3600);
        rig.store.take().expect("it is open").close();
        let sites = [Arc::clone(&rig.site)];
        let checked = crate::store::check(&database(rig.directory.path()), &sites).expect("it opens");
        prop_assert!(checked.findings.is_empty(), "{}: {:?}", what, checked.findings);
        prop_assert_eq!(checked.other_rule, 0, "{}", what);
    }
}

/// The days that were derived, newest first, until nothing is left.
fn derived(rig: &Rig) -> Vec<i64> {
    rig.send(Command::Flush);
    let mut days = Vec::new();
    loop {
        match rig.events.recv_timeout(Duration::from_secs(30)).expect("an event") {
            Event::Rederived { day, derived: true, .. } => days.push((day - T0).0.div_euclid(Span::DAY.0)),
            Event::Flushed => return days,
            event => assert!(!matches!(event, Event::Damaged { .. } | Event::Trouble { .. }), "{event:?}"),
        }
    }
}

#[test]
fn only_the_days_that_another_rule_made_are_derived_and_the_newest_first() {
    let mut rig = live(MAP, &[]);
    // A label and the heater's scale make no split another.
    correct(&mut rig, &with(MAP, "heater", "doubled = true", "doubled = true\nscale = 1.1"));
    assert_eq!(derived(&rig), [0; 0]);
    // From the 12th on, local time: day 4 of the readings; day 24 is not sealed yet.
    correct(&mut rig, &with(MAP, "solar", "spaces", "until = 2026-03-12\nspaces"));
    assert_eq!(derived(&rig), [4]);
    correct(&mut rig, MAP);
    assert_eq!(derived(&rig), [4]);
    correct(&mut rig, &feed(r#"channel = "house/m1", leg"#, r#"channel = "house/m1", reversed = true, leg"#));
    assert_eq!(derived(&rig), [4, 1, 0]);
}

#[test]
fn days_that_are_left_say_so_and_a_restart_does_no_day_twice() {
    let rig = live(MAP, &[]);
    let copy = rig.copy();
    let turned = feed(r#"channel = "house/m1", leg"#, r#"channel = "house/m1", reversed = true, leg"#);
    let site = site_of(&turned);
    // An offline reader with the corrected map, before any writer has seen it.
    let reader = Reader::offline(copy.path(), std::slice::from_ref(&site)).expect("it opens");
    let left = reader.source(SiteIndex(0)).rederiving().expect("an answer");
    assert!(left.iter().any(|range| range.contains(&at(86_400))), "{left:?}");
    drop(reader);
    // One step a start: as killed after each.
    let mut seen = Vec::new();
    loop {
        let mut db = schema::open(&database(copy.path())).expect("it opens");
        let sites = std::slice::from_ref(&site);
        let catalog = catalog::Catalog::register(&mut db, sites).expect("names");
        let step = rederive::step(&db, &catalog, |_| at(24 * 86_400)).expect("a step");
        let Some(step) = step else { break };
        let left =
            record::left(&db, catalog.entry(SiteIndex(0)).expect("the site"), true).expect("an answer");
        assert_eq!(left.is_empty(), step.left == 0);
        assert!(left.iter().all(|range| range.end <= step.day), "{left:?} {step:?}");
        seen.extend(step.derived.then(|| (step.day - T0).0.div_euclid(Span::DAY.0)));
    }
    assert_eq!(seen, [4, 1, 0], "the 24th was not sealed");
}

#[test]
fn what_central_stores_were_told_is_told_again_a_day_at_a_time() {
    let mut rig = live(MAP, &["builder"]);
    let outbox = rig.store().outbox();
    let pending = || outbox.pending("builder", 100_000).expect("marks");
    let last = pending().last().expect("marks").seq;
    outbox.advance("builder", last);
    // The heater's CT was on the PV until the 12th, and the other way round: nothing of a row changes
    // but for the splits.
    correct(&mut rig, &with(MAP, "heater", "doubled = true", "doubled = true\nscale = 1.1"));
    rig.flush();
    let marks = pending();
    let figures = ["circuit/heater", "site/tracked", "site/untracked", "bus/main/untracked"];
    let told: Vec<_> = marks.iter().filter(|mark| !mark.corrected.is_empty()).collect();
    assert_eq!(told.len(), 1, "the next day waits until this one is taken: {marks:?}");
    let mut names = told[0].corrected.clone();
    names.sort();
    let mut expected = figures.map(str::to_owned).to_vec();
    expected.sort();
    assert_eq!(names, expected);
    let mut days = Vec::new();
    let mut last = None;
    while let Some(mark) = pending().into_iter().find(|mark| !mark.corrected.is_empty()) {
        assert!(mark.range.end - mark.range.start <= Span::DAY);
        days.push((mark.range.start - T0).0.div_euclid(Span::DAY.0));
        if let Some(last) = last {
            assert_eq!(mark.range.end, last, "without a gap, from the end to the start");
        }
        last = Some(mark.range.start);
        outbox.advance("builder", mark.seq);
        rig.flush();
    }
    assert_eq!(last, Some(at(0)));
    assert_eq!(days, (0..25).rev().collect::<Vec<i64>>());
}

#[test]
fn a_file_from_before_records_were_kept_opens_and_derives_what_another_map_made() {
    let rig = live(MAP, &[]);
    let copy = rig.copy();
    let turned = site_of(&with(MAP, "solar", "doubled = true", "doubled = false"));
    let db = schema::open(&database(copy.path())).expect("it opens");
    // What the fifth format brought is not there yet.
    db.execute_batch(
        "DROP TABLE rule; DROP TABLE rederive; DROP TABLE correction; DROP TABLE outbox;
         CREATE TABLE outbox (seq INTEGER PRIMARY KEY AUTOINCREMENT, site INTEGER NOT NULL,
                              from_minute INTEGER NOT NULL, to_minute INTEGER NOT NULL);
         PRAGMA user_version = 4",
    )
    .expect("an older file");
    drop(db);
    let (store, events) = open(copy.path(), &turned, &[]);
    store.sender().blocking_send(Command::Flush).expect("the writer is there");
    wait(&events, |event| *event == Event::Flushed);
    let end = PARTS[2].1;
    let rows = store.reader().source(SiteIndex(0)).rows(Level::Minute, at(0)..at(end)).expect("rows");
    assert_eq!(rows, expected(&turned, &rig.given, at(0)..at(end)));
}
