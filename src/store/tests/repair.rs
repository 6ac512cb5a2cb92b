//! Repairing: whatever is broken, what can be made good is as it was, and nothing is dropped.

use super::*;
use rusqlite::Connection;

/// A closed store of more than a UTC day: one that is over and joined, and an open one.
fn closed() -> Rig {
    let mut rig = Rig::new(&[]);
    rig.run(81_000, 90_300);
    rig.seal(90_000);
    rig.store.take().expect("it is open").close();
    rig
}

/// All rows of all tables, as history sees them.
fn everything(rig: &Rig, directory: &Path) -> Vec<(SeriesIndex, Row)> {
    let reader = Reader::offline(directory, std::slice::from_ref(&rig.site)).expect("a store");
    let mut source = reader.source(SiteIndex(0));
    let all = Stamp::MIN..at(1_000_000);
    let levels = [Level::Quarter, Level::Hour, Level::Day, Level::Month];
    let mut rows: Vec<_> =
        levels.into_iter().flat_map(|level| source.rows(level, all.clone()).expect("rows")).collect();
    rows.extend(source.rows(Level::Minute, at(-86_400)..at(100_000)).expect("rows"));
    rows
}

fn repaired(rig: &Rig, directory: &Path) -> Repaired {
    repair(directory, std::slice::from_ref(&rig.site)).expect("it can be repaired")
}

#[test]
fn what_is_broken_is_made_good_from_what_is_finer() {
    let rig = closed();
    let before = everything(&rig, rig.directory.path());
    // What is done to it, what a repair says was wrong, and how many things it says are lost.
    let cases: &[(&str, &[&str], usize)] = &[
        ("SELECT 1", &[], 0),
        ("UPDATE minute_block SET body = zeroblob(30)", &["block-unreadable"], 0),
        ("DELETE FROM minute_block WHERE key & 0xffffff = 2", &["minutes-differ"], 0),
        ("DELETE FROM quarter", &["quarters-differ"], 0),
        ("UPDATE quarter SET energy_in = 7 WHERE series = 1", &["quarters-differ"], 0),
        ("UPDATE hour SET covered = 1 WHERE series = 2", &["hours-differ"], 0),
        ("DELETE FROM day; DELETE FROM month", &["day-differs", "month-differs"], 0),
        ("DELETE FROM day; DELETE FROM month; DELETE FROM quarter; DELETE FROM minute_block", &["minutes-differ"], 0),
        ("UPDATE month SET start_s = start_s + 60", &["month-differs"], 0),
        ("UPDATE reading_hour SET body = x'0102030405' WHERE key & 0xffffff = 3", &["block-unreadable"], 1),
        ("UPDATE reading_day SET body = x'01' WHERE key & 0xffffff = 1", &["block-unreadable"], 1),
        ("DELETE FROM reading_day WHERE key & 0xffffff = 1", &["readings-missing"], 2),
        (
            "INSERT INTO reading_hour SELECT (((key >> 24) * 24 + 23) << 24) + (key & 0xffffff), substr(body, 0)
             FROM reading_day WHERE key & 0xffffff = 1",
            &["block-unreadable", "hour-hidden"],
            1,
        ),
        ("UPDATE site SET sealed_ds = sealed_ds + 5", &["site"], 0),
        (
            "INSERT INTO outbox (site, from_minute, to_minute) VALUES (99, 1, 2);
             INSERT INTO central_cursor VALUES ('builder', 99)",
            &["outbox-mark", "outbox-cursor"],
            0,
        ),
        ("UPDATE journal SET to_ds = to_ds + 9", &["journal-times"], 0),
    ];
    for (change, ids, lost) in cases {
        let copy = copy(rig.directory.path());
        let db = Connection::open(database(copy.path())).expect("it opens");
        db.execute_batch(change).expect("a change");
        let blobs = |db: &Connection| -> i64 {
            let sql = "SELECT (SELECT count(*) FROM reading_hour) + (SELECT count(*) FROM reading_day)
                       + (SELECT count(*) FROM set_aside WHERE body <> x'')";
            db.query_row(sql, [], |row| row.get(0)).expect("a count")
        };
        let kept = blobs(&db);
        drop(db);
        let done = repaired(&rig, copy.path());
        for id in *ids {
            assert!(
                done.found.iter().any(|finding| finding.id == *id),
                "{change}: no {id} in {:#?}",
                done.found
            );
        }
        assert_eq!(done.found.is_empty(), ids.is_empty(), "{change}: {:#?}", done.found);
        assert_eq!(done.after.findings, [], "{change}");
        assert_eq!(done.after.lost.len(), *lost, "{change}: {:#?}", done.after.lost);
        assert_eq!(everything(&rig, copy.path()), before, "{change}");
        let again = repaired(&rig, copy.path());
        assert_eq!((again.found, again.after.lost.len()), (Vec::new(), *lost), "{change}: a second time");
        let db = Connection::open(database(copy.path())).expect("it opens");
        assert!(blobs(&db) >= kept, "{change}: nothing is dropped");
        drop(db);
        // The daemon goes on with it, and counts nothing away.
        let (store, events) = open(copy.path(), &rig.site, &[]);
        store.sender().blocking_send(Command::Seal { before: at(90_000) }).expect("the writer is there");
        store.sender().blocking_send(Command::Flush).expect("the writer is there");
        wait(&events, |event| *event == Event::Flushed);
        store.close();
        assert_eq!(everything(&rig, copy.path()), before, "{change}: after another seal");
    }
}

#[test]
fn of_a_day_only_the_hours_that_do_not_decode_are_set_aside() {
    let rig = closed();
    let copy = copy(rig.directory.path());
    let db = Connection::open(database(copy.path())).expect("it opens");
    let (key, mut body): (i64, Vec<u8>) = db
        .query_row("SELECT key, body FROM reading_day ORDER BY key LIMIT 1", [], |r| {
            Ok((r.get(0)?, r.get(1)?))
        })
        .expect("a day");
    let end = body.len() - 9;
    body[end] ^= 4;
    db.execute("UPDATE reading_day SET body = ?2 WHERE key = ?1", rusqlite::params![key, body])
        .expect("damage");
    drop(db);
    let done = repaired(&rig, copy.path());
    assert_eq!(done.after.findings, []);
    assert_eq!(done.after.lost.len(), 1);
    let lost = done.after.lost[0].to_string();
    assert!(
        lost.starts_with("reading_hour, heron-lane house/m1, 2026-03-08T17:00:00-06:00: set aside"),
        "{lost}"
    );
    let reader = Reader::offline(copy.path(), std::slice::from_ref(&rig.site)).expect("a store");
    let left = reader.source(SiteIndex(0)).readings(ChannelIndex(0), at(0)..at(86_400)).expect("readings");
    assert_eq!(left.len(), 82_800 - 81_000, "the hours before are there");
}

#[test]
fn a_file_that_sqlite_cannot_read_in_full_gives_the_rows_that_it_can() {
    let rig = closed();
    let before = everything(&rig, rig.directory.path());
    // Which table's pages are overwritten; whether readings are lost by that.
    for (table, loses) in [("quarter", false), ("minute_block", false), ("reading_hour", true)] {
        let copy = copy(rig.directory.path());
        let path = database(copy.path());
        let db = Connection::open(&path).expect("it opens");
        db.query_row("PRAGMA wal_checkpoint(TRUNCATE)", [], |_| Ok(())).expect("a checkpoint");
        let sql =
            "SELECT pageno FROM dbstat WHERE name = ?1 AND pagetype = 'leaf' ORDER BY pageno DESC LIMIT 1";
        let page: i64 = db.query_row(sql, [table], |row| row.get(0)).expect("a page");
        drop(db);
        let mut file = bytes(&path);
        let from = (page as usize - 1) * 4096;
        file[from..from + 4096].fill(0xa5);
        put(&path, &file);
        let sites = std::slice::from_ref(&rig.site);
        let checked = super::super::check(&path, sites).expect("it can be checked");
        assert!(checked.findings.iter().any(|finding| finding.id == "file"), "{table}: {checked:#?}");
        let done = repaired(&rig, copy.path());
        assert_eq!(done.after.findings, [], "{table}");
        let original = done.replaced.expect("a new file");
        assert_eq!(bytes(&original), file, "{table}: the broken file is kept as it was");
        assert_eq!(done.unsaved.len(), 1, "{table}: {:?}", done.unsaved);
        assert_eq!(!done.after.lost.is_empty(), loses, "{table}: {:#?}", done.after.lost);
        assert_eq!(everything(&rig, copy.path()), before, "{table}");
        assert_eq!(repaired(&rig, copy.path()).found, [], "{table}: a second time");
    }
}
