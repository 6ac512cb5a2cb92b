//! Checking, backing up, and reading the file with nothing but SQL.

use super::*;
use rusqlite::Connection;

fn sealed() -> Rig {
    let mut rig = Rig::new(&[]);
    rig.run(0, 7300);
    rig.seal(7200);
    rig
}

fn check(rig: &Rig) -> Checked {
    let sites = std::slice::from_ref(&rig.site);
    super::super::check(&database(rig.directory.path()), sites).expect("it can be checked")
}

#[test]
fn a_store_that_is_sound_is_found_sound() {
    let checked = check(&sealed());
    assert_eq!(checked.findings, []);
    assert!(checked.blocks > 10 && checked.minutes > 600 && checked.sums > 50, "{checked:?}");
}

#[test]
fn a_store_whose_map_has_another_zone_by_now_is_sound_too() {
    let mut rig = sealed();
    let moved = site_of(&MAP.replace("America/Denver", "Europe/Stockholm"));
    let sites = std::slice::from_ref(&moved);
    let file = database(rig.directory.path());
    // Nobody has added its days up anew yet.
    assert_eq!(super::super::check(&file, sites).expect("it can be checked").findings, []);
    rig.store.take().expect("it is open").close();
    let repaired = repair(rig.directory.path(), sites).expect("it can be repaired");
    assert_eq!(repaired.found, []);
    let (store, _events) = open(rig.directory.path(), &moved, &[]);
    assert_eq!(super::super::check(&file, sites).expect("it can be checked").findings, []);
    let days = store.reader().source(SiteIndex(0)).rows(Level::Day, at(-86_400)..at(86_400)).expect("rows");
    assert!(!days.is_empty() && days.iter().all(|(_, day)| day.start == at(-3600)), "midnight in Stockholm");
}

#[test]
fn whatever_is_changed_behind_its_back_is_found_and_named() {
    let rig = sealed();
    let db = Connection::open(database(rig.directory.path())).expect("it opens");
    let checked = |change: &str, undo: &str, words: &[&str]| {
        db.execute_batch(&format!("SAVEPOINT s; {change}; RELEASE s")).expect("a change");
        let findings: Vec<String> = check(&rig).findings.iter().map(ToString::to_string).collect();
        db.execute_batch(undo).expect("as it was");
        assert_eq!(findings.len(), words.len(), "{change}: {findings:#?}");
        for (finding, word) in findings.iter().zip(words) {
            assert!(finding.contains(word), "{change}: {finding}");
        }
    };
    db.execute_batch(
        "CREATE TEMP TABLE h AS SELECT * FROM reading_hour; CREATE TEMP TABLE m AS SELECT * FROM minute_block;
         CREATE TEMP TABLE j AS SELECT * FROM journal",
    )
    .expect("a copy");
    checked(
        "UPDATE reading_hour SET body = zeroblob(9) WHERE key = (SELECT min(key) FROM reading_hour)",
        "REPLACE INTO reading_hour SELECT * FROM temp.h",
        &[
            "reading_hour, heron-lane house/m1, 2026-03-07T17:00:00-07:00: its checksum does not match; it is lost",
        ],
    );
    // A whole hour of one channel gone: its first reading counted in the minute before, too.
    checked(
        "DELETE FROM reading_hour WHERE key = (SELECT min(key) FROM reading_hour)",
        "REPLACE INTO reading_hour SELECT * FROM temp.h",
        &[
            "house/m1, 2026-03-07T16:00:00-07:00: there are minutes of this hour and no readings",
            "house/m1, 2026-03-07T17:00:00-07:00: there are minutes of this hour and no readings",
        ],
    );
    checked(
        "DELETE FROM minute_block WHERE key = (SELECT max(key) FROM minute_block)",
        "REPLACE INTO minute_block SELECT * FROM temp.m",
        &["of its minutes are not what the readings give; `store repair` makes it anew from the readings"],
    );
    checked(
        "UPDATE minute_block SET body = x'00' WHERE key = (SELECT min(key) FROM minute_block)",
        "REPLACE INTO minute_block SELECT * FROM temp.m",
        &[
            "minute_block, heron-lane house/m1, 2026-03-06T17:00:00-07:00: it ends too early; `store repair` makes",
        ],
    );
    checked(
        "UPDATE quarter SET energy_in = energy_in + 1 WHERE start_s = 1772928000 AND series = 1",
        "UPDATE quarter SET energy_in = energy_in - 1 WHERE start_s = 1772928000 AND series = 1",
        &[
            "quarter, heron-lane house/m1, 2026-03-07T17:00:00-07:00: 1 quarter hours are not the sums",
            "day, heron-lane house/m1, 2026-03-07T00:00:00-07:00: the day that starts here is not the sum",
        ],
    );
    checked(
        "UPDATE month SET covered = covered + 1 WHERE series = 2",
        "UPDATE month SET covered = covered - 1 WHERE series = 2",
        &["month, heron-lane house/m2, 2026-03-01T00:00:00-07:00: the month that starts here"],
    );
    checked(
        "UPDATE journal SET to_ds = to_ds + 5 WHERE seq = (SELECT max(seq) FROM journal)",
        "REPLACE INTO journal SELECT * FROM temp.j",
        &["its readings do not begin and end where the row says"],
    );
    checked(
        "INSERT INTO outbox (site, from_minute, to_minute) VALUES (1, 5, 5)",
        "DELETE FROM outbox",
        &["outbox, row 1: it marks the minutes 5 to 5 of site 1, which cannot be"],
    );
    checked(
        "INSERT INTO central_cursor (central, seq) VALUES ('builder', 9)",
        "DELETE FROM central_cursor",
        &["central_cursor, builder: builder has row 9, and no row after 1 was ever written"],
    );
    assert_eq!(check(&rig).findings, []);
}

#[test]
fn a_backup_taken_while_it_is_written_is_whole() {
    let mut rig = sealed();
    let to = tempfile::tempdir().expect("a directory");
    let file = to.path().join("copy.db");
    rig.run(7300, 7420);
    backup(rig.directory.path(), &file, false).expect("a backup");
    rig.run(7420, 7480);
    let checked = super::super::check(&file, std::slice::from_ref(&rig.site)).expect("it can be checked");
    assert_eq!(checked.findings, []);
    let again = |replace| backup(rig.directory.path(), &file, replace);
    assert!(matches!(again(false), Err(Error::Exists { .. })), "never over another");
    again(true).expect("unless that is asked for");
    let names: Vec<_> =
        std::fs::read_dir(to.path()).expect("a list").map(|e| e.expect("an entry").file_name()).collect();
    assert_eq!(names, ["copy.db"], "nothing is left beside it");
    // Put in its place it is the store as it was.
    std::fs::rename(&file, to.path().join(FILE_NAME)).expect("a move");
    let (store, _events) = open(to.path(), &rig.site, &[]);
    let last = replayed(&store).last().expect("readings").sample.at;
    assert_eq!(last, at(7479));
    let rows = store.reader().source(SiteIndex(0)).rows(Level::Minute, at(0)..at(7200)).expect("rows");
    assert_eq!(rows, rig.expected(0, 7200));
}

#[test]
fn any_sql_tool_reads_the_sums_in_wh() {
    let mut rig = sealed();
    let rows = rig.rows(Level::Quarter, 0, 900);
    rig.store.take().expect("it is open").close();
    let db = Connection::open(database(rig.directory.path())).expect("it opens");
    let sql = "SELECT site, series, in_wh, out_wh, covered_s, low_w FROM quarter_wh
               WHERE start = '2026-03-08T00:00:00Z' ORDER BY series";
    let mut select = db.prepare(sql).expect("the view");
    let found: Vec<(String, String, f64, f64, f64, f64)> = select
        .query_map([], |r| Ok((r.get(0)?, r.get(1)?, r.get(2)?, r.get(3)?, r.get(4)?, r.get(5)?)))
        .expect("rows")
        .collect::<rusqlite::Result<_>>()
        .expect("rows");
    assert_eq!(found.len(), rows.len());
    for (site, series, energy_in, energy_out, covered, low) in found {
        assert_eq!(site, "heron-lane");
        let of = |row: &&(SeriesIndex, Row)| rig.site.series_name(row.0) == series;
        let row = rows.iter().find(of).expect("the same series").1;
        assert_eq!((energy_in, energy_out), (row.energy_in.wh(), row.energy_out.wh()));
        assert_eq!((covered, low), (row.covered.as_seconds(), f64::from(row.min) / 10.0));
    }
    let date: String = db.query_row("SELECT min(date) FROM day_wh", [], |row| row.get(0)).expect("a date");
    assert_eq!(date, "2026-03-07", "it was still the 7th in Denver");
}

#[test]
fn compacting_gives_free_pages_back_and_changes_nothing_else() {
    let mut rig = sealed();
    let held = compact(rig.directory.path());
    assert!(matches!(held, Err(Error::Held { .. })), "{held:?}");
    assert!(matches!(repair(rig.directory.path(), &[]), Err(Error::Held { .. })));
    let before = rig.rows(Level::Minute, 0, 7200);
    rig.store.take().expect("it is open").close();
    let path = database(rig.directory.path());
    Connection::open(&path)
        .expect("it opens")
        .execute_batch(
            "CREATE TABLE filler (x); INSERT INTO filler VALUES (zeroblob(3000000)); DROP TABLE filler",
        )
        .expect("free pages");
    // A run that was killed left its file.
    put(&rig.directory.path().join("panelwright.db.compacted"), b"half");
    let reader = Connection::open(&path).expect("it opens");
    let series: i64 =
        reader.query_row("SELECT count(*) FROM series", [], |row| row.get(0)).expect("it reads");
    assert!(series > 0 && matches!(compact(rig.directory.path()), Err(Error::Busy { .. })));
    drop(reader);
    let compacted = compact(rig.directory.path()).expect("it is compacted");
    assert!(compacted.before > 3_000_000 && compacted.after < compacted.before - 2_900_000, "{compacted:?}");
    assert_eq!(check(&rig).findings, []);
    let (store, _events) = open(rig.directory.path(), &rig.site, &[]);
    let rows = store.reader().source(SiteIndex(0)).rows(Level::Minute, at(0)..at(7200)).expect("rows");
    assert_eq!(rows, before);
}

#[test]
fn what_the_settings_let_go_of_is_neither_damage_nor_counted_away() {
    let mut rig = Rig::new(&[]);
    rig.run(0, 3700);
    rig.seal(3600);
    let before = rig.rows(Level::Quarter, 0, 3600);
    rig.store.take().expect("it is open").close();
    let keep = Keep { readings: Some(LEAST), minutes: None };
    let later = Span(LEAST.0 + 5 * Span::DAY.0);
    let (tell, events) = channel();
    let options = Options { directory: rig.directory.path().to_owned(), centrals: Vec::new(), keep };
    let on_event = Box::new(move |event| tell.send(event).unwrap_or_default());
    let store = Store::open(options, std::slice::from_ref(&rig.site), on_event).expect("it opens");
    let commit = |ticket, at| {
        let readings =
            vec![Reading { site: SiteIndex(0), channel: ChannelIndex(2), sample: Sample { at, value: 77 } }];
        let late = vec![(SiteIndex(0), at..at + Span::MINUTE)];
        let batch = Batch { ticket, readings, late, ..Batch::default() };
        store.sender().blocking_send(Command::Commit(batch)).expect("the writer is there");
        store.sender().blocking_send(Command::Seal { before: T0 + later }).expect("the writer is there");
        store.sender().blocking_send(Command::Flush).expect("the writer is there");
        wait(&events, |event| *event == Event::Flushed);
    };
    commit(1, T0 + later - Span::HOUR);
    let file = database(rig.directory.path());
    let sites = std::slice::from_ref(&rig.site);
    let checked = super::super::check(&file, sites).expect("it can be checked");
    assert_eq!(checked.findings, []);
    assert_eq!(checked.readings_since, Some((T0 + later - LEAST).floor(Span::DAY)));
    // Somebody brings a reading of that time, too late: it makes no minute of its own out of one second.
    commit(2, T0 + Span::MINUTE);
    let mut source = store.reader().source(SiteIndex(0));
    assert_eq!(source.rows(Level::Quarter, at(0)..at(3600)).expect("rows"), before);
    assert_eq!(source.readings(ChannelIndex(0), at(0)..at(3600)).expect("readings"), []);
    assert_eq!(super::super::check(&file, sites).expect("it can be checked").findings, []);
}
