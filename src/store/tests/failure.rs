//! Disks that are full, rows that are damaged, central stores that come and go.

use super::*;
use rusqlite::Connection;

fn batch(ticket: u64) -> Batch {
    Batch { ticket, readings: readings_at(i64::try_from(ticket).expect("small")), ..Batch::default() }
}

#[test]
fn what_cannot_be_written_is_kept_and_written_when_it_can_be() {
    let rig = Rig::new(&[]);
    rig.flush();
    // Another connection makes every commit fail, and then no more.
    let other = Connection::open(database(rig.directory.path())).expect("it opens");
    other
        .execute_batch(
            "CREATE TRIGGER full BEFORE INSERT ON journal BEGIN SELECT RAISE(ABORT, 'no room'); END",
        )
        .expect("a trigger");
    rig.send(Command::Commit(batch(1)));
    rig.send(Command::Commit(batch(2)));
    let first = rig.events.recv_timeout(Duration::from_secs(30)).expect("an event");
    let Event::Trouble { why } = first else { panic!("{first:?}") };
    assert!(why.contains("no room"), "{why}");
    other.execute_batch("DROP TRIGGER full").expect("no trigger");
    let next = || rig.events.recv_timeout(Duration::from_secs(30)).expect("an event");
    assert_eq!(next(), Event::Recovered);
    assert_eq!(next(), Event::Committed { ticket: 1, readings: 4 });
    assert_eq!(next(), Event::Committed { ticket: 2, readings: 4 });
    assert_eq!(replayed(rig.store()).len(), 8);
}

#[test]
fn a_full_disk_takes_nothing_that_was_committed() {
    let directory = tempfile::tempdir().expect("a directory");
    let path = database(directory.path());
    let site = site_of(MAP);
    let mut db = schema::open(&path).expect("it opens");
    let catalog = catalog::Catalog::register(&mut db, std::slice::from_ref(&site)).expect("names");
    let spool = outbox::Spool::open(&mut db, Vec::new()).expect("a spool");
    let pages: i64 = db.pragma_query_value(None, "page_count", |row| row.get(0)).expect("pages");
    db.pragma_update(None, "max_page_count", pages + 4).expect("a limit");
    let shared = Arc::new(shared::Shared::new(path, catalog, spool));
    let (sender, queue) = mpsc::channel(100);
    let (tell, events) = channel();
    let on_event = Box::new(move |event| tell.send(event).expect("the test listens"));
    let writer = writer::Writer::new(db, Arc::clone(&shared), queue, on_event);
    for ticket in 1..=100 {
        let readings = (ticket * 60..ticket * 60 + 60).flat_map(|second| readings_at(second as i64));
        let readings = readings.collect();
        let full = Batch { ticket, readings, ..Batch::default() };
        sender.blocking_send(Command::Commit(full)).expect("room");
    }
    let thread = std::thread::spawn(move || writer.run());
    let mut committed = 0;
    let why = loop {
        match events.recv_timeout(Duration::from_secs(30)).expect("an event") {
            Event::Committed { readings, .. } => committed += readings,
            Event::Trouble { why } => break why,
            other => panic!("{other:?}"),
        }
    };
    assert!(why.contains("full"), "{why}");
    shared.close();
    thread.join().expect("it ends");
    let (store, _events) = open(directory.path(), &site, &[]);
    let found = replayed(&store).len();
    assert!(found > 0);
    assert_eq!(found, committed);
}

#[test]
fn a_damaged_row_is_set_aside_and_the_rest_goes_on() {
    let mut rig = Rig::new(&[]);
    rig.run(0, 180);
    rig.store.take().expect("it is open").close();
    let db = Connection::open(database(rig.directory.path())).expect("it opens");
    db.execute("UPDATE journal SET body = zeroblob(20) WHERE seq = 2", []).expect("damage");
    drop(db);
    let (store, events) = open(rig.directory.path(), &rig.site, &[]);
    let what = loop {
        if let Event::Damaged { what } = events.recv_timeout(Duration::from_secs(30)).expect("an event") {
            break what;
        }
    };
    assert!(what.starts_with("journal 2: its checksum does not match"), "{what}");
    let expected: Vec<Reading> = (0..60).chain(120..180).flat_map(readings_at).collect();
    assert_eq!(replayed(&store), expected);
    store.close();
    let db = Connection::open(database(rig.directory.path())).expect("it opens");
    let aside: i64 = db.query_row("SELECT count(*) FROM set_aside", [], |row| row.get(0)).expect("a count");
    assert_eq!(aside, 1);
}

#[test]
fn damaged_readings_leave_their_minutes_as_they_were() {
    let mut rig = Rig::new(&[]);
    rig.run(0, 3700);
    rig.seal(3600);
    let before = rig.rows(Level::Minute, 0, 3540);
    let db = Connection::open(database(rig.directory.path())).expect("it opens");
    db.execute("UPDATE reading_hour SET body = zeroblob(20)", []).expect("damage");
    rig.run(3700, 7300);
    rig.send(Command::Seal { before: at(7200) });
    rig.send(Command::Flush);
    let mut damage = 0;
    loop {
        match rig.events.recv_timeout(Duration::from_secs(30)).expect("an event") {
            Event::Damaged { .. } => damage += 1,
            Event::Flushed => break,
            _ => {}
        }
    }
    assert!(damage > 0);
    assert_eq!(rig.rows(Level::Minute, 0, 3540), before);
    assert_eq!(rig.rows(Level::Minute, 3660, 7200), rig.expected(3660, 7200));
}

#[test]
fn every_central_store_has_a_cursor_and_the_slowest_holds_the_marks() {
    let mut rig = Rig::new(&["builder", "own"]);
    rig.run(0, 600);
    let outbox = rig.store().outbox();
    let marks = outbox.pending("builder", 100).expect("marks");
    assert!(marks.len() >= 8, "{marks:?}");
    assert!(
        marks.windows(2).all(|pair| pair[0].seq < pair[1].seq && pair[0].range.end <= pair[1].range.start)
    );
    assert_eq!(outbox.pending("own", 3).expect("marks"), marks[..3]);
    outbox.advance("builder", marks[4].seq);
    outbox.refuse(Refused { central: "builder".into(), record: "r".into(), answer: "400".into(), at: at(9) });
    rig.run(600, 660);
    assert_eq!(outbox.pending("builder", 100).expect("marks")[0].seq, marks[5].seq);
    assert_eq!(outbox.backlog("own").expect("a backlog").1, Some(marks[0].range.start));
    outbox.advance("own", marks[1].seq);
    rig.run(660, 720);
    rig.store.take().expect("it is open").close();
    // Another start: cursors are where they were, and what both have is gone.
    let (store, _events) = open(rig.directory.path(), &rig.site, &["builder", "own"]);
    assert_eq!(store.outbox().pending("builder", 100).expect("marks")[0].seq, marks[5].seq);
    assert_eq!(store.outbox().pending("own", 100).expect("marks")[0].seq, marks[2].seq);
    store.close();
    let db = Connection::open(database(rig.directory.path())).expect("it opens");
    let count = |table: &str| {
        let sql = format!("SELECT count(*), min(rowid) FROM {table}");
        db.query_row(&sql, [], |row| Ok((row.get::<_, i64>(0)?, row.get::<_, i64>(1)?))).expect("a count")
    };
    assert_eq!(count("outbox").1 as u64, marks[2].seq);
    assert_eq!(count("outbox_refused").0, 1);
}

#[test]
fn minutes_that_come_again_after_a_start_are_not_marked_again() {
    let mut rig = Rig::new(&["builder"]);
    rig.run(0, 600);
    let marked = rig.store().outbox().backlog("builder").expect("a backlog").0;
    rig.store.take().expect("it is open").close();
    let (store, events) = open(rig.directory.path(), &rig.site, &["builder"]);
    // As the daemon starts: the journal once more through a new flow.
    let mut flow = SiteFlow::new(Arc::clone(&rig.site), None);
    for reading in replayed(&store) {
        flow.push(reading.channel, reading.sample);
    }
    let mut minutes = Vec::new();
    flow.advance(at(600), &mut minutes);
    assert!(minutes.len() >= 8);
    let minutes = minutes.into_iter().map(|minute| (SiteIndex(0), minute)).collect();
    let again = Batch { ticket: 9, minutes, ..Batch::default() };
    store.sender().blocking_send(Command::Commit(again)).expect("the writer is there");
    wait(&events, |event| matches!(event, Event::Committed { ticket: 9, .. }));
    assert_eq!(store.outbox().backlog("builder").expect("a backlog").0, marked);
    let rows = store.reader().source(SiteIndex(0)).rows(Level::Minute, at(0)..at(300)).expect("rows");
    assert_eq!(rows, rig.expected(0, 300));
}

#[test]
fn without_a_central_store_nothing_is_marked() {
    let mut rig = Rig::new(&[]);
    rig.run(0, 600);
    assert_eq!(rig.store().outbox().backlog("builder").expect("a backlog"), (0, None));
}
