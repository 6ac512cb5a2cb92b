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
    assert_eq!(checked.findings, [""; 0]);
    assert!(checked.blocks > 10 && checked.minutes > 600 && checked.sums > 50, "{checked:?}");
}

#[test]
fn whatever_is_changed_behind_its_back_is_found_and_named() {
    let rig = sealed();
    let db = Connection::open(database(rig.directory.path())).expect("it opens");
    let checked = |change: &str, undo: &str, words: &[&str]| {
        db.execute_batch(&format!("SAVEPOINT s; {change}; RELEASE s")).expect("a change");
        let findings = check(&rig).findings;
        db.execute_batch(undo).expect("as it was");
        assert_eq!(findings.len(), words.len(), "{change}: {findings:?}");
        for (finding, word) in findings.iter().zip(words) {
            assert!(finding.contains(word), "{change}: {finding}");
        }
    };
    db.execute_batch("CREATE TEMP TABLE h AS SELECT * FROM reading_hour").expect("a copy");
    checked(
        "UPDATE reading_hour SET body = zeroblob(9) WHERE key = (SELECT min(key) FROM reading_hour)",
        "REPLACE INTO reading_hour SELECT * FROM temp.h",
        &["checksum does not match"],
    );
    // A whole hour of one channel gone: it counted in its splits too, and its first reading in the day
    // before.
    checked(
        "DELETE FROM reading_hour WHERE key = (SELECT min(key) FROM reading_hour)",
        "REPLACE INTO reading_hour SELECT * FROM temp.h",
        &[
            "house/m1: 1 of its minutes",
            "split:grid: 1 of",
            "split:self-consumed: 1 of",
            "house/m1: 60 of its minutes",
            "split:grid: 60 of",
            "split:self-consumed: 60 of",
        ],
    );
    checked(
        "UPDATE quarter SET energy_in = energy_in + 1 WHERE start_s = 1772928000 AND series = 1",
        "UPDATE quarter SET energy_in = energy_in - 1 WHERE start_s = 1772928000 AND series = 1",
        &["quarter hours of the UTC day", "the day that starts at 2026-03-07T00:00:00-07:00"],
    );
    checked(
        "UPDATE month SET covered = covered + 1 WHERE series = 2",
        "UPDATE month SET covered = covered - 1 WHERE series = 2",
        &["the month that starts at 2026-03-01T00:00:00-07:00"],
    );
    assert_eq!(check(&rig).findings, [""; 0]);
}

#[test]
fn a_backup_taken_while_it_is_written_is_whole() {
    let mut rig = sealed();
    let to = tempfile::tempdir().expect("a directory");
    let file = to.path().join("copy.db");
    rig.run(7300, 7420);
    backup(rig.directory.path(), &file).expect("a backup");
    rig.run(7420, 7480);
    let checked = super::super::check(&file, std::slice::from_ref(&rig.site)).expect("it can be checked");
    assert_eq!(checked.findings, [""; 0]);
    assert!(matches!(backup(rig.directory.path(), &file), Err(Error::Io { .. })), "never over another");
    // Put in its place it is the store as it was.
    std::fs::rename(&file, to.path().join(FILE_NAME)).expect("a move");
    let (store, _events) = open(to.path(), &rig.site, &[]);
    let last = replayed(&store).last().expect("readings").sample.at;
    assert_eq!(last, at(7419));
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
