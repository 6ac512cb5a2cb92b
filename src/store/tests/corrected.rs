//! A map that was wrong, then corrected: the store ends up as if it had been right all along.

use proptest::prelude::*;

use super::*;
use crate::calendar::Zone;
use crate::store::reader::Reader;

const DAY: i64 = 86_400;

/// The end of March in Denver: six hours into the 24th day from [`T0`] on.
const MONTH_END: i64 = 24 * DAY + 6 * 3600;

/// Where the invented days have readings, in seconds: parts of four UTC days, over a month's end. The
/// first mean of a day is of the second before it.
const PARTS: [(i64, i64); 4] = [
    (22 * DAY, 22 * DAY + 600),
    (23 * DAY - 300, 23 * DAY + 400),
    (MONTH_END - 300, MONTH_END + 700),
    (25 * DAY, 25 * DAY + 900),
];
/// After the correction.
const AFTER: (i64, i64) = (25 * DAY + 900, 25 * DAY + 1500);

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

/// Two entries of the PV, of which the second has the array's other CT, from a moment on.
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
        ("PV from April on", with(MAP, "solar", "spaces", "from = 2026-04-01\nspaces")),
        ("a CT moved", moved("2026-03-30T18:02:00")),
        ("a CT moved a little later", moved("2026-03-30T18:04:00")),
        // Nothing was read on that day, nor on those around it.
        ("PV from the 10th on", with(MAP, "solar", "spaces", "from = 2026-03-10\nspaces")),
        ("PV until a moment to come", with(MAP, "solar", "spaces", "until = 2026-04-01T18:40:00\nspaces")),
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

/// What the minutes before `end` must be, with those between the parts: a counter bridges them.
fn expected_until(site: &Arc<Site>, given: &[Vec<Sample>], end: i64) -> Vec<(SeriesIndex, Row)> {
    expected(site, given, at(PARTS[0].0 - 3600)..at(end))
}

/// Every row of every level is what one account of all readings under the map in force gives.
fn check(rig: &Rig, what: &str) {
    let end = AFTER.1 - 300;
    assert_eq!(
        rig.rows(Level::Minute, 0, end),
        expected_until(&rig.site, &rig.given, end),
        "{what}: minutes"
    );
    let zone = Zone::new("America/Denver").expect("a zone");
    let minutes = rig.rows(Level::Minute, 0, 40 * DAY);
    let quarter = |minute: Stamp| minute.floor(Span::QUARTER);
    let day = |minute: Stamp| zone.day_range(zone.day_of(minute)).start;
    let month = |minute: Stamp| zone.month_range(zone.month_of(minute)).start;
    let all = |level| rig.rows(level, -60 * DAY, 40 * DAY);
    assert_eq!(all(Level::Quarter), summed(&minutes, quarter), "{what}: quarters");
    assert_eq!(all(Level::Day), summed(&minutes, day), "{what}: days");
    assert_eq!(all(Level::Month), summed(&minutes, month), "{what}: months");
}

/// (live with the right map) = (live with a wrong one, then corrected), bit for bit.
fn right_all_along(wrong: usize, right: usize, restart: bool) {
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
    assert_eq!(left, vec![], "{}", what);
    // And as sealed rows.
    rig.seal(25 * DAY + 3600);
    rig.store.take().expect("it is open").close();
    let sites = [Arc::clone(&rig.site)];
    let checked = crate::store::check(&database(rig.directory.path()), &sites).expect("it opens");
    assert!(checked.findings.is_empty(), "{}: {:?}", what, checked.findings);
    assert_eq!(checked.other_rule, 0, "{}", what);
}

proptest! {
    #![proptest_config(ProptestConfig {
        cases: 10,
        max_shrink_iters: 0,
        failure_persistence: None,
        ..ProptestConfig::default()
    })]

    #[test]
    fn a_corrected_store_is_the_one_that_was_right_all_along(
        wrong in 0_usize..14,
        right in 0_usize..14,
        restart: bool,
    ) {
        right_all_along(wrong, right, restart);
    }
}

/// Once, the first mean of a day, which is of the second before it, kept the day before from being derived:
/// the PV that the right map does not have yet has a minute there.
#[test]
fn a_split_that_is_no_more_keeps_none_of_the_others_from_being_derived() {
    right_all_along(2, 9, false);
}

/// Once, the days whose readings lay only in the journal were not derived here.
#[test]
fn what_is_in_the_journal_alone_is_corrected_too() {
    right_all_along(11, 3, true);
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
    // From April on; the 25th day is not sealed yet, but for the second that its first reading is of.
    correct(&mut rig, &with(MAP, "solar", "spaces", "until = 2026-04-01\nspaces"));
    assert_eq!(derived(&rig), [24]);
    correct(&mut rig, MAP);
    assert_eq!(derived(&rig), [24]);
    correct(&mut rig, &feed(r#"channel = "house/m1", leg"#, r#"channel = "house/m1", reversed = true, leg"#));
    assert_eq!(derived(&rig), [24, 23, 22, 21]);
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
    assert!(left.iter().any(|range| range.contains(&at(23 * DAY))), "{left:?}");
    drop(reader);
    // One step a start: as killed after each.
    let mut seen = Vec::new();
    loop {
        let mut db = schema::open(&database(copy.path())).expect("it opens");
        let sites = std::slice::from_ref(&site);
        let catalog = catalog::Catalog::register(&mut db, sites).expect("names");
        let step = rederive::step(&db, &catalog, |_| at(25 * DAY)).expect("a step");
        let Some(step) = step else { break };
        let left =
            record::left(&db, catalog.entry(SiteIndex(0)).expect("the site"), true).expect("an answer");
        assert_eq!(left.is_empty(), step.left == 0);
        assert!(left.iter().all(|range| range.end <= step.day), "{left:?} {step:?}");
        seen.extend(step.derived.then(|| (step.day - T0).0.div_euclid(Span::DAY.0)));
    }
    assert_eq!(seen, [24, 23, 22, 21], "the 25th is not sealed");
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
    // The first mean covers the second before its reading, which is of the day before.
    assert_eq!(last, Some(at(22 * DAY - 900)));
    assert_eq!(days, (21..26).rev().collect::<Vec<i64>>());
}

#[test]
fn a_file_from_before_records_were_kept_opens_and_derives_what_another_map_made() {
    let rig = live(MAP, &[]);
    let copy = rig.copy();
    let turned = site_of(&with(MAP, "solar", "doubled = true", "doubled = false"));
    let db = schema::open(&database(copy.path())).expect("it opens");
    // What the formats after the fifth brought is not there yet.
    db.execute_batch(
        "DROP TABLE month_days; DROP TABLE week_sum; DROP TABLE run_day; DROP TABLE rule; DROP TABLE rederive; DROP TABLE correction; DROP TABLE outbox;
         CREATE TABLE outbox (seq INTEGER PRIMARY KEY AUTOINCREMENT, site INTEGER NOT NULL,
                              from_minute INTEGER NOT NULL, to_minute INTEGER NOT NULL);
         PRAGMA user_version = 5",
    )
    .expect("an older file");
    drop(db);
    let (store, events) = open(copy.path(), &turned, &[]);
    store.sender().blocking_send(Command::Flush).expect("the writer is there");
    wait(&events, |event| *event == Event::Flushed);
    let end = PARTS[2].1;
    let rows = store.reader().source(SiteIndex(0)).rows(Level::Minute, at(0)..at(end)).expect("rows");
    assert_eq!(rows, expected_until(&turned, &rig.given, end));
}

#[test]
fn readings_that_come_while_days_wait_are_derived_with_them() {
    for days_are_done in [false, true] {
        readings_come_after_a_correction(days_are_done);
    }
}

fn readings_come_after_a_correction(days_are_done: bool) {
    let turned = feed(r#"channel = "house/m1", leg"#, r#"channel = "house/m1", reversed = true, leg"#);
    let mut rig = live(&turned, &[]);
    correct(&mut rig, MAP);
    // From a file, into a day that waits; the writer has this before it has done any day, or after some.
    let (from, to) = (23 * DAY + 400, 23 * DAY + 700);
    let readings: Vec<Reading> = (from..to).flat_map(readings_at).collect();
    for reading in &readings {
        rig.given[reading.channel.0 as usize].push(reading.sample);
    }
    let count = readings.len() as u64;
    let readings = readings.into_iter().map(|reading| (reading.channel, reading.sample)).collect();
    let (reply, answer) = channel();
    rig.send(Command::Import(Import { site: SiteIndex(0), readings, limit: at(25 * DAY), reply }));
    assert_eq!(answer.recv_timeout(Duration::from_secs(30)).expect("an answer").new, count);
    // And late, over the broker.
    if days_are_done {
        rig.flush();
    }
    let late = (MONTH_END + 700..MONTH_END + 800).flat_map(readings_at).collect();
    rig.commit(late, at(AFTER.0));
    rig.run(AFTER.0, AFTER.1);
    // What a counter bridges after late readings, far beyond their reach, comes with the day if that still waited,
    // and else with the next seal.
    rig.seal(AFTER.0.div_euclid(3600) * 3600);
    check(&rig, "an import and late readings");
    assert_eq!(rig.store().reader().source(SiteIndex(0)).rederiving().expect("an answer"), vec![]);
}

#[test]
fn a_change_later_today_takes_nothing_of_today_away() {
    let mut rig = Rig::new(&[]);
    rig.run(0, 7300);
    rig.seal(7200);
    // Half past nine in UTC: of this day two hours are sealed, by the rule of a day without a change.
    correct(&mut rig, &with(MAP, "solar", "spaces", "until = 2026-03-08T02:30:00\nspaces"));
    rig.flush();
    assert_eq!(rig.rows(Level::Minute, 0, 7200), rig.expected(0, 7200));
    let minutes = rig.rows(Level::Minute, -DAY, DAY);
    let zone = Zone::new("America/Denver").expect("a zone");
    let of = |level| rig.rows(level, -30 * DAY, DAY);
    assert_eq!(of(Level::Hour), summed(&minutes, |minute| minute.floor(Span::HOUR)));
    assert_eq!(of(Level::Month), summed(&minutes, |at| zone.month_range(zone.month_of(at)).start));
}

#[test]
fn what_cannot_be_derived_any_more_holds_again_when_the_map_is_put_back() {
    let mut rig = live(MAP, &[]);
    rig.store.take().expect("it is open").close();
    // As after the settings let go of the readings of the first days.
    let let_go = readings::day_of(at(24 * DAY));
    let db = schema::open(&database(rig.directory.path())).expect("it opens");
    db.execute_batch(&format!(
        "DELETE FROM reading_day WHERE key >> 24 < {let_go};
         DELETE FROM reading_hour WHERE (key >> 24) / 24 < {let_go};
         INSERT INTO let_go (what, before_s) VALUES ('readings', {})",
        readings::day_start(let_go).seconds()
    ))
    .expect("they go");
    drop(db);
    let open_again = |rig: &mut Rig| {
        let (store, events) = open(rig.directory.path(), &rig.site, &[]);
        (rig.store, rig.events) = (Some(store), events);
    };
    open_again(&mut rig);
    let levels = [Level::Minute, Level::Quarter, Level::Hour, Level::Day, Level::Month];
    let all = |rig: &Rig| levels.map(|level| rig.rows(level, -60 * DAY, 25 * DAY));
    let before = all(&rig);
    correct(&mut rig, &with(MAP, "solar", "doubled = true", "doubled = false"));
    rig.flush();
    assert_ne!(all(&rig), before);
    correct(&mut rig, MAP);
    rig.flush();
    assert_eq!(all(&rig), before);
}

/// Does something to the file while no store has it open.
fn meanwhile(rig: &mut Rig, change: impl FnOnce(&rusqlite::Connection)) {
    rig.store.take().expect("it is open").close();
    change(&schema::open(&database(rig.directory.path())).expect("it opens"));
    let (store, events) = open(rig.directory.path(), &rig.site, &[]);
    (rig.store, rig.events) = (Some(store), events);
}

/// The minutes and quarter-hours of the day that starts at 23 days.
fn of_the_day(rig: &Rig) -> [Vec<(SeriesIndex, Row)>; 2] {
    [Level::Minute, Level::Quarter].map(|level| rig.rows(level, 23 * DAY, 24 * DAY))
}

#[test]
fn a_day_whose_own_readings_are_gone_keeps_what_another_map_made_of_it() {
    let mut rig = live(MAP, &[]);
    let gone = readings::day_of(at(23 * DAY));
    meanwhile(&mut rig, |db| {
        let sql = format!(
            "DELETE FROM reading_day WHERE key >> 24 = {gone};
             DELETE FROM reading_hour WHERE (key >> 24) / 24 = {gone}"
        );
        db.execute_batch(&sql).expect("they go");
    });
    let before = of_the_day(&rig);
    let turned = feed(r#"channel = "house/m1", leg"#, r#"channel = "house/m1", reversed = true, leg"#);
    correct(&mut rig, &turned);
    // The days on either side have their readings; what those tell of this one is a minute.
    assert_eq!(derived(&rig), [24, 22, 21]);
    let splits = |rows: &[(SeriesIndex, Row)]| rows.iter().any(|(series, _)| series.0 == 5);
    assert!(splits(&before[0]) && !splits(&of_the_day(&rig)[0]));
    correct(&mut rig, MAP);
    assert_eq!(derived(&rig), [24, 22, 21]);
    assert_eq!(of_the_day(&rig), before);
}

#[test]
fn hours_whose_readings_were_lost_are_said_when_a_corrected_map_cannot_have_them() {
    let mut rig = live(MAP, &[]);
    let (day, hour) = (readings::day_of(at(MONTH_END)), readings::hour_of(at(MONTH_END)) - 1);
    meanwhile(&mut rig, |db| {
        let mut select = db.prepare("SELECT key, body FROM reading_day WHERE key >> 24 = ?1").expect("sql");
        let days: Vec<(i64, Vec<u8>)> = select
            .query_map([day], |row| Ok((row.get(0)?, row.get(1)?)))
            .and_then(Iterator::collect)
            .expect("a day of each channel");
        assert_eq!(days.len(), 5);
        for (key, body) in days {
            let hours = block::decode_day(&body).expect("it decodes").into_iter();
            let kept =
                block::encode_day(hours.filter(|(of_day, _)| i64::from(*of_day) != hour.rem_euclid(24)));
            assert!(kept.len() < body.len());
            db.execute("UPDATE reading_day SET body = ?2 WHERE key = ?1", rusqlite::params![key, kept])
                .expect("without that hour");
            let (_, series) = readings::parts(key);
            let sql = "INSERT INTO set_aside (origin, key, why, body, repaired)
                       VALUES ('reading_hour', ?1, 'it was torn', x'', 1)";
            db.execute(sql, [readings::key(hour, series)]).expect("noted");
        }
    });
    let turned = feed(r#"channel = "house/m1", leg"#, r#"channel = "house/m1", reversed = true, leg"#);
    correct(&mut rig, &turned);
    rig.send(Command::Flush);
    let mut said = Vec::new();
    loop {
        match rig.events.recv_timeout(Duration::from_secs(30)).expect("an event") {
            Event::Damaged { what } => said.push(what),
            Event::Flushed => break,
            _ => {}
        }
    }
    // Five, and the one whose last second the first reading is of.
    let grid = |what: &&String| what.contains("split:grid") && what.contains("6 of its minutes");
    assert_eq!(said.iter().filter(grid).count(), 1, "{said:?}");
    // What was derived is there, and what could not be is listed.
    let rows = rig.rows(Level::Minute, MONTH_END, MONTH_END + 600);
    assert!(rows.iter().any(|(series, _)| series.0 as usize >= rig.site.channels.len()));
    rig.store.take().expect("it is open").close();
    let checked =
        crate::store::check(&database(rig.directory.path()), &[Arc::clone(&rig.site)]).expect("it opens");
    assert!(checked.findings.is_empty(), "{:?}", checked.findings);
    let lost = |finding: &&Finding| finding.what.contains("6 of its minutes cannot be derived again");
    assert!(checked.lost.iter().filter(lost).count() >= 1, "{:?}", checked.lost);
}
