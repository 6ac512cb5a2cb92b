//! Cuts of power at every boundary of what SQLite writes.
//!
//! In WAL mode a transaction is written to the end of the log, and the file changes only in a
//! checkpoint, from a log that is on the disk already. So the states that a cut can leave are: the
//! file with the log up to anywhere, what lies behind being missing, zeros, or rubbish; the file
//! with any of a checkpoint's sectors written, in any order, beside the whole log; and a log that is
//! begun anew over the old one up to anywhere. These tests make all of the first kind sector by
//! sector, many of the second, and all of the third, from files that the store wrote. They follow what
//! SQLite documents of its writes (<https://www.sqlite.org/atomiccommit.html>,
//! <https://www.sqlite.org/wal.html>); a disk that says that it wrote what it did not write is beyond them.

use super::*;
use rusqlite::Connection;

/// What a disk writes in one piece at least.
const SECTOR: usize = 512;
/// Bytes of the log's head, and of a page in the log with its own head.
const HEAD: usize = 32;
const FRAME: usize = 24 + 4096;

/// Cuts of one piece of work: each is checked from its readings up, twice, which takes seconds in a build for tests.
const MOST_CUTS: usize = 6;

/// The file and its log.
#[derive(Clone)]
struct Files {
    file: Vec<u8>,
    log: Vec<u8>,
}

impl Files {
    fn of(directory: &Path) -> Self {
        let log = log_of(directory);
        let log = if log.exists() { bytes(&log) } else { Vec::new() };
        Self { file: bytes(&database(directory)), log }
    }

    fn lay_out(&self) -> TempDir {
        let directory = tempfile::tempdir().expect("a directory");
        put(&database(directory.path()), &self.file);
        put(&log_of(directory.path()), &self.log);
        directory
    }

    /// With the log up to `cut`, and something behind.
    fn cut(&self, cut: usize, behind: &[u8]) -> TempDir {
        let log = [&self.log[..cut], behind].concat();
        Self { file: self.file.clone(), log }.lay_out()
    }

    /// The ends of the log's pages.
    fn frames(&self) -> impl Iterator<Item = usize> + use<> {
        (HEAD..=self.log.len()).step_by(FRAME)
    }
}

/// How many readings the journal of a copy holds; every row of it decodes.
fn journalled(directory: &Path) -> usize {
    let db = schema::open(&database(directory)).expect("it opens");
    let whole: String = db.query_row("PRAGMA quick_check", [], |row| row.get(0)).expect("an answer");
    assert_eq!(whole, "ok");
    let mut select = db.prepare("SELECT from_ds, body FROM journal").expect("the table");
    let rows = select.query_map([], |row| Ok((row.get(0)?, row.get::<_, Vec<u8>>(1)?))).expect("rows");
    rows.map(|row| {
        let (from, body) = row.expect("a row");
        journal::decode(Stamp(from), &body).expect("it decodes").len()
    })
    .sum()
}

/// Opens a copy as the daemon does, lets it do what it has to, and wants every reading and every row.
fn is_whole(rig: &Rig, directory: &Path, what: &str) {
    let sites = std::slice::from_ref(&rig.site);
    let checked = super::super::check(&database(directory), sites);
    if !matches!(checked, Err(Error::Older { .. } | Error::Missing { .. })) {
        assert_eq!(checked.expect("it can be checked").findings, [], "{what}, as it was left");
    }
    let (store, events) = open(directory, &rig.site, &[]);
    store.sender().blocking_send(Command::Flush).expect("the writer is there");
    wait(&events, |event| *event == Event::Flushed);
    store.close();
    let checked = super::super::check(&database(directory), sites).expect("it can be checked");
    assert_eq!(checked.findings, [], "{what}, after a start");
    let mut source = Reader::offline(directory, sites).expect("a store").source(SiteIndex(0));
    for (channel, given) in rig.given.iter().enumerate() {
        let range = Stamp::MIN.max(at(-86_400 * 9))..at(86_400 * 9);
        let mut given = given.clone();
        given.reverse();
        given.sort_by_key(|sample| sample.at);
        given.dedup_by_key(|sample| sample.at);
        let kept = source.readings(ChannelIndex(channel as u32), range).expect("readings");
        assert!(kept == given, "{what}: channel {channel} has {} readings of {}", kept.len(), given.len());
    }
}

#[test]
fn a_log_that_ends_anywhere_has_every_commit_that_was_promised_and_no_half_one() {
    let mut rig = Rig::new(&[]);
    let mut promised = vec![(0, 0)];
    for batch in 0..5 {
        rig.run(batch * 20, batch * 20 + 20);
        let given = rig.given.iter().map(Vec::len).sum();
        promised.push((bytes(&log_of(rig.directory.path())).len(), given));
    }
    let files = Files::of(rig.directory.path());
    let (mut cuts, mut seen) = (0, std::collections::BTreeSet::new());
    let rubbish = [0xa5; 3 * SECTOR];
    for cut in (0..=files.log.len()).step_by(SECTOR).chain(files.frames()) {
        for behind in [&[][..], &[0; 2 * SECTOR], &rubbish] {
            let found = journalled(files.cut(cut, behind).path());
            let least = promised.iter().filter(|(end, _)| *end <= cut).map(|(_, given)| *given).max();
            assert!(Some(found) >= least, "{found} readings at {cut} of {promised:?}");
            assert!(promised.iter().any(|(_, given)| *given == found), "half a commit: {found} at {cut}");
            seen.insert(found);
            cuts += 1;
        }
    }
    assert!(cuts > 600, "{cuts}");
    assert_eq!(seen.len(), promised.len(), "every number of commits was there once");
}

#[test]
fn a_checkpoint_cut_anywhere_loses_nothing() {
    let mut rig = Rig::new(&[]);
    rig.run(0, 600);
    let before = Files::of(rig.directory.path());
    rig.flush();
    let after = Files::of(rig.directory.path());
    assert_eq!(after.log.len(), 0, "it was brought into the file");
    let mut state = 1;
    for _ in 0..60 {
        let mut torn = before.clone();
        torn.file.resize(after.file.len(), 0);
        for at in (0..after.file.len()).step_by(SECTOR) {
            if random(&mut state).is_multiple_of(2) {
                torn.file[at..at + SECTOR].copy_from_slice(&after.file[at..at + SECTOR]);
            }
        }
        let directory = torn.lay_out();
        assert_eq!(journalled(directory.path()), rig.given.iter().map(Vec::len).sum::<usize>());
    }
}

#[test]
fn a_log_begun_anew_over_the_old_one_and_cut_anywhere_loses_nothing() {
    let mut rig = Rig::new(&[]);
    rig.run(0, 300);
    // All of it is in the file; the log keeps its length and is written anew from its start.
    let other = Connection::open(database(rig.directory.path())).expect("it opens");
    other.query_row("PRAGMA wal_checkpoint(FULL)", [], |_| Ok(())).expect("a checkpoint");
    drop(other);
    let old = Files::of(rig.directory.path());
    let before: usize = rig.given.iter().map(Vec::len).sum();
    rig.run(300, 360);
    let new = Files::of(rig.directory.path());
    assert!(old.log.len() >= new.log.len() && old.log[..HEAD] != new.log[..HEAD], "it was begun anew");
    let after: usize = rig.given.iter().map(Vec::len).sum();
    let mut seen = std::collections::BTreeSet::new();
    for cut in (0..=new.log.len()).step_by(SECTOR) {
        let log = [&new.log[..cut], &old.log[cut..]].concat();
        let found = journalled(Files { file: old.file.clone(), log }.lay_out().path());
        assert!(found == before || found == after, "{found} at {cut}");
        seen.insert(found);
    }
    assert_eq!(seen.len(), 2);
}

/// Waits for what the writer does when nothing is queued. (`Flush` would wait for it too, and take the log away.)
fn until(rig: &Rig, what: &str, done: fn(&Rig) -> bool) {
    for _ in 0..3000 {
        if done(rig) {
            return;
        }
        std::thread::sleep(Duration::from_millis(10));
    }
    panic!("{what}: not within half a minute");
}

fn seal_only(rig: &Rig, second: i64) {
    rig.send(Command::Seal { before: at(second) });
    rig.wait(|event| *event == Event::Sealed { until: at(second) });
}

/// The minutes of the first hour are what all that was given comes to. (Readings that came late stay in the journal
/// until the next seal, and to a check their minutes are pending for so long.)
fn counted(rig: &Rig) -> bool {
    rig.rows(Level::Minute, 0, 3600) == rig.expected(0, 3600)
}

/// No hour is left of the first day.
fn joined(rig: &Rig) -> bool {
    let db = Connection::open(database(rig.directory.path())).expect("it opens");
    let sql = "SELECT count(*) FROM reading_hour WHERE (key >> 24) * 36000 < ?1";
    let left: i64 = db.query_row(sql, [at(86_400).0], |row| row.get(0)).expect("a count");
    left == 0
}

/// Readings that come half an hour late.
fn late(rig: &mut Rig) {
    let late = (1800..1860).filter(|second| second % 7 == 0).flat_map(readings_at).map(|mut reading| {
        reading.sample.value += 5;
        reading.sample.at = reading.sample.at + Span(5);
        reading
    });
    rig.commit(late.collect(), at(3700));
}

fn new_map(rig: &mut Rig) {
    let more = MAP.replace("channels = [\"count\"]", "channels = [\"count\", \"second\"]");
    rig.send(Command::Sites(vec![site_of(&more)]));
    rig.commit(Vec::new(), at(120));
}

/// What is there before, the work, and when it is done.
type Work = (&'static str, fn(&mut Rig), fn(&mut Rig), fn(&Rig) -> bool);

const WORKS: [Work; 4] = [
    ("sealing", |rig| rig.run(0, 3700), |rig| seal_only(rig, 3600), counted),
    (
        "late readings",
        |rig| {
            rig.run(0, 3700);
            rig.seal(3600);
        },
        late,
        counted,
    ),
    (
        "joining a day",
        |rig| {
            rig.run(82_800, 87_000);
            rig.send(Command::Seal { before: at(82_800) });
        },
        |rig| seal_only(rig, 86_400),
        joined,
    ),
    ("a new map", |rig| rig.run(0, 120), new_map, |_| true),
];

/// The work that changes more than a journal row, cut after pages that it writes.
#[test]
fn work_that_is_cut_after_any_page_leaves_a_store_that_is_whole() {
    for (what, prepare, work, done) in WORKS {
        let mut rig = Rig::new(&[]);
        prepare(&mut rig);
        rig.flush();
        let before = Files::of(rig.directory.path());
        assert_eq!(before.log.len(), 0);
        work(&mut rig);
        until(&rig, what, done);
        let files = Files { file: before.file, log: bytes(&log_of(rig.directory.path())) };
        assert!(files.log.len() > 2 * FRAME, "{what}: {} bytes", files.log.len());
        // All of them where there are few, else evenly chosen ones, so that the test takes seconds.
        let cuts: Vec<usize> = files.frames().collect();
        for cut in cuts.iter().rev().step_by(cuts.len().div_ceil(MOST_CUTS)).copied() {
            let directory = files.cut(cut, &[0xa5; SECTOR]);
            let told = format!("{what}, cut at {cut} of {}", files.log.len());
            if what == "late readings" && cut < files.log.len() {
                // What this work brings is promised only when its first transaction is whole.
                let sites = std::slice::from_ref(&rig.site);
                let checked = super::super::check(&database(directory.path()), sites);
                assert_eq!(checked.expect("it can be checked").findings, [], "{told}");
            } else {
                is_whole(&rig, directory.path(), &told);
            }
        }
    }
}
