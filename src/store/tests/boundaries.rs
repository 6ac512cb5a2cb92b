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
