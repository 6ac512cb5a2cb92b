//! Files of every former format open, come to the present format at once or not at all, and hold what
//! they held.

use super::*;
use rusqlite::Connection;

/// A file of format 1 as version 0.1 of this program wrote it, as SQL: the invented house for 3,780
/// seconds, the first hour of it sealed, with a central store that took nothing.
const FORMAT_1: &str = include_str!("format-1.sql");

fn format_1() -> TempDir {
    let directory = tempfile::tempdir().expect("a directory");
    let db = Connection::open(database(directory.path())).expect("a new file");
    db.execute_batch(FORMAT_1).expect("the file's own statements");
    db.pragma_update(None, "journal_mode", "WAL").expect("as the daemon has it");
    directory
}

fn version(directory: &Path) -> i64 {
    let db = Connection::open(database(directory)).expect("it opens");
    db.pragma_query_value(None, "user_version", |row| row.get(0)).expect("a number")
}

fn holds_what_it_held(directory: &Path) {
    let site = site_of(MAP);
    let sites = std::slice::from_ref(&site);
    let (store, _events) = open(directory, &site, &["builder"]);
    let mut source = store.reader().source(SiteIndex(0));
    let mut given = vec![Vec::new(); site.channels.len()];
    for reading in (0..3780).flat_map(readings_at) {
        given[reading.channel.0 as usize].push(reading.sample);
    }
    for (channel, given) in given.iter().enumerate() {
        let kept = source.readings(ChannelIndex(channel as u32), at(-60)..at(4000)).expect("readings");
        assert_eq!(kept, *given);
    }
    let rows = source.rows(Level::Minute, at(0)..at(3600)).expect("rows");
    assert_eq!(rows, expected(&site, &given, at(0)..at(3600)));
    assert!(!store.outbox().pending("builder", 10).expect("marks").is_empty());
    drop(source);
    store.close();
    let checked = super::super::check(&database(directory), sites).expect("it can be checked");
    assert_eq!(checked.findings, []);
}

#[test]
fn a_file_of_format_1_comes_to_the_present_format_and_holds_what_it_held() {
    let directory = format_1();
    assert_eq!(version(directory.path()), 1);
    let site = site_of(MAP);
    let sites = std::slice::from_ref(&site);
    // Who cannot write says what to do.
    let error = super::super::check(&database(directory.path()), sites).expect_err("too old");
    assert!(error.to_string().contains("starting the daemon, or `store repair`, brings it"), "{error}");
    holds_what_it_held(directory.path());
    assert!(version(directory.path()) > 1);

    let directory = format_1();
    let done = repair(directory.path(), sites).expect("a repair brings it there as well");
    assert_eq!((done.found, done.after.findings), (Vec::new(), Vec::new()));
    holds_what_it_held(directory.path());
}

#[test]
fn a_step_between_formats_that_is_cut_after_any_page_happened_or_did_not() {
    let directory = format_1();
    let before = bytes(&database(directory.path()));
    let db = schema::open(&database(directory.path())).expect("it opens");
    let log = bytes(&log_of(directory.path()));
    let last = version(directory.path());
    drop(db);
    let mut seen = std::collections::BTreeSet::new();
    for cut in (0..=log.len()).step_by(4120).map(|end| end.saturating_add(32).min(log.len())) {
        let copy = tempfile::tempdir().expect("a directory");
        put(&database(copy.path()), &before);
        put(&log_of(copy.path()), &log[..cut]);
        seen.insert(version(copy.path()));
        holds_what_it_held(copy.path());
    }
    assert_eq!(seen.into_iter().collect::<Vec<_>>(), (1..=last).collect::<Vec<_>>(), "each format once");
}
