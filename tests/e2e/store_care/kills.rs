//! Whatever changes the store is killed at random moments: what is left passes a check, holds every
//! reading, and the same work begun again comes to its end.
//!
//! The work is done by a second process of this very test program (`child`) or by the built program, so
//! that a kill is a kill. Each piece of work is a row of [`WORKS`].

use std::path::Path;
use std::process::Command;
use std::time::{Duration, Instant, SystemTime, UNIX_EPOCH};

use panelwright::reading::Sample;
use panelwright::store::{FILE_NAME, Keep, LEAST};
use panelwright::units::Span;

use super::house::{self, Open};
use crate::harness::{Process, poll};

/// Kills of each piece of work.
const KILLS: usize = 20;

/// A piece of work that is killed.
struct Work {
    name: &'static str,
    /// Lays out what is there before, in a directory.
    prepare: fn(&Path),
    /// Whether the work brings readings or lets them go; else there are the same ones after it.
    brings: bool,
    /// Arguments of the built program; if there are none, `child` does [`Work::work`].
    program: &'static [&'static str],
    /// The work, in the child.
    work: fn(&Path),
    /// What else must hold after a kill.
    verify: fn(&Path),
}

fn nothing(_: &Path) {}

/// What is sealed of the house, in seconds: an hour. Every kill is followed by a check that counts all of it again.
const SEALED: i64 = 3600;

fn hours(directory: &Path) {
    let mut open = Open::at(directory, &["builder"], Keep::default());
    open.run(0..SEALED + 90, 60);
    open.flush();
}

fn hours_sealed(directory: &Path) {
    hours(directory);
    Open::at(directory, &["builder"], Keep::default()).seal(SEALED);
}

fn with_free_pages(directory: &Path) {
    hours(directory);
    let open = Open::at(directory, &["builder"], Keep::default());
    open.seal(SEALED);
    // The journal's rows left free pages.
}

fn with_wrong_sums(directory: &Path) {
    hours_sealed(directory);
    let db = rusqlite::Connection::open(directory.join(FILE_NAME)).expect("it opens");
    db.execute_batch("UPDATE quarter SET energy_in = energy_in + 1; UPDATE minute_block SET body = x'00'")
        .expect("damage");
}

/// The fixture of format 1 holds 3,780 seconds of a house with the same channels and one more.
fn of_format_1(directory: &Path) {
    std::fs::create_dir_all(directory).expect("a directory");
    let db = rusqlite::Connection::open(directory.join(FILE_NAME)).expect("a new file");
    db.execute_batch(include_str!("../../../src/store/tests/format-1.sql")).expect("its own statements");
    db.pragma_update(None, "journal_mode", "WAL").expect("as the daemon has it");
}

/// What the migration must not lose is looked at by counting, since the map of that house is another.
fn is_whole_format(directory: &Path) {
    let db = rusqlite::Connection::open(directory.join(FILE_NAME)).expect("it opens");
    let count = |table: &str| -> i64 {
        db.query_row(&format!("SELECT count(*) FROM {table}"), [], |row| row.get(0)).expect("a count")
    };
    let version: i64 = db.pragma_query_value(None, "user_version", |row| row.get(0)).expect("a number");
    let let_go: i64 = db
        .query_row("SELECT count(*) FROM sqlite_schema WHERE name = 'let_go'", [], |row| row.get(0))
        .expect("a count");
    assert_eq!(let_go, i64::from(version >= 4), "format {version}");
    assert!(count("reading_hour") > 0 && count("minute_block") > 0 && count("journal") > 0);
}

const WORKS: [Work; 8] = [
    Work {
        name: "sealing",
        prepare: hours,
        brings: false,
        program: &[],
        work: |directory| Open::at(directory, &["builder"], Keep::default()).seal(SEALED),
        verify: nothing,
    },
    Work {
        name: "late readings",
        prepare: hours_sealed,
        brings: true,
        program: &[],
        work: |directory| {
            let mut open = Open::at(directory, &["builder"], Keep::default());
            // Two seconds beside what is there.
            for minute in [10, 25, 40] {
                let mut readings = house::readings(minute * 60..minute * 60 + 300);
                readings.iter_mut().for_each(|reading| reading.sample.at = reading.sample.at + Span(20));
                open.late(readings);
            }
            open.seal(SEALED);
        },
        verify: nothing,
    },
    Work {
        name: "bringing in a day of the past",
        prepare: hours_sealed,
        brings: true,
        program: &[],
        work: |directory| {
            let mut open = Open::at(directory, &["builder"], Keep::default());
            for hour in -10..-7 {
                open.late(house::readings(hour * 3600..hour * 3600 + 3600));
            }
            open.seal(SEALED);
        },
        verify: nothing,
    },
    Work {
        name: "letting go",
        prepare: |directory| {
            let mut open = Open::at(directory, &[], Keep::default());
            for day in 0..12 {
                open.run(day * 86_400..day * 86_400 + 600, 600);
            }
            open.seal(12 * 86_400);
        },
        brings: true,
        program: &[],
        work: |directory| {
            let keep = Keep { readings: Some(LEAST), minutes: Some(LEAST) };
            Open::at(directory, &[], keep).seal(LEAST.0 / 10 + 6 * 86_400);
        },
        verify: nothing,
    },
    Work {
        name: "compaction",
        prepare: with_free_pages,
        brings: false,
        program: &["store", "compact"],
        work: nothing,
        verify: nothing,
    },
    Work {
        name: "repair",
        prepare: with_wrong_sums,
        brings: false,
        program: &["store", "repair", "--no-backup"],
        work: nothing,
        verify: nothing,
    },
    Work {
        name: "backup",
        prepare: hours_sealed,
        brings: false,
        program: &["store", "backup", "copy/panelwright.db"],
        work: nothing,
        verify: |directory| {
            // Half a copy never has the name.
            let copy = directory.join("copy");
            if copy.join(FILE_NAME).exists() {
                assert_eq!(house::check(&copy).findings, []);
                std::fs::remove_file(copy.join(FILE_NAME)).expect("it goes");
            }
        },
    },
    Work {
        name: "migration",
        prepare: of_format_1,
        brings: false,
        program: &[],
        work: |directory| drop(Open::at(directory, &["builder"], Keep::default())),
        verify: is_whole_format,
    },
];

/// Where a child finds what it is to do.
const CHILD: &str = "STORE_CARE_CHILD";
/// What a child makes when it is ready to begin: what it takes to start a process is not part of the work.
const BEGUN: &str = "begun";

/// The work, where a test below starts this test as a process of its own; else there is nothing to do.
#[test]
fn child() {
    let Some(place) = std::env::var_os(CHILD) else { return };
    let place = Path::new(&place);
    let name = std::fs::read_to_string(place.join("work")).expect("what to do");
    let work = WORKS.iter().find(|work| work.name == name).expect("known work");
    let sign = place.join(BEGUN);
    std::fs::write(&sign, "").expect("a sign");
    // Until it is taken away: what is quicker than a look at the sign would be over before it is seen.
    while sign.exists() {
        std::thread::sleep(Duration::from_micros(100));
    }
    (work.work)(&place.join("store"));
}

/// Starts the work on the store in `place`; returns when it begins.
fn start(work: &Work, place: &Path) -> Process {
    let mut command = if work.program.is_empty() {
        std::fs::write(place.join("work"), work.name).expect("what to do");
        let mut command = Command::new(std::env::current_exe().expect("this program"));
        command.args(["--exact", "store_care::kills::child", "--nocapture"]).env(CHILD, place);
        command
    } else {
        let mut command = Command::new(env!("CARGO_BIN_EXE_panelwright"));
        let settings = place.join("panelwright.toml");
        std::fs::write(&settings, "[store]\ndirectory = \"store\"\n[sites]\ndirectory = \"sites\"\n")
            .expect("settings");
        std::fs::create_dir_all(place.join("sites")).expect("a directory");
        std::fs::create_dir_all(place.join("store/copy")).expect("a directory");
        std::fs::write(place.join("sites/heron-lane.toml"), house::MAP).expect("a map");
        command
            .args(work.program)
            .arg("--settings")
            .arg(settings)
            .arg("--directory")
            .arg(place.join("store"));
        command.current_dir(place.join("store"));
        command
    };
    let process = Process::start(&mut command, &place.join("log"));
    if work.program.is_empty() {
        let sign = place.join(BEGUN);
        poll(Duration::from_secs(60), || sign.exists().then_some(())).expect("it is ready");
        std::fs::remove_file(sign).expect("a sign");
    }
    process
}

/// What must hold of a store, whatever was killed.
fn is_sound(work: &Work, before: &[Vec<Sample>], store: &Path, when: &str) {
    (work.verify)(store);
    if work.name == "migration" {
        return;
    }
    let checked = house::check(store);
    // A repair that was cut short leaves what it had not come to yet.
    if work.name != "repair" {
        assert_eq!(checked.findings, [], "{}, {when}", work.name);
    }
    let kept = house::kept(store);
    for (channel, (before, kept)) in before.iter().zip(&kept).enumerate() {
        let lost = before.iter().filter(|sample| kept.binary_search(sample).is_err()).count();
        if work.name != "letting go" {
            assert_eq!(lost, 0, "{}, {when}: readings of channel {channel} are lost", work.name);
        }
        assert!(work.brings || kept.len() == before.len(), "{}, {when}: {} readings", work.name, kept.len());
    }
}

#[test]
fn twenty_kills_of_sealing_late_readings_and_imports_leave_a_store_that_is_sound() {
    kill_each(&["sealing", "late readings", "bringing in a day of the past"]);
}

#[test]
fn twenty_kills_of_letting_go_compaction_repair_backup_and_migration_leave_a_store_that_is_sound() {
    kill_each(&["letting go", "compaction", "repair", "backup", "migration"]);
}

fn kill_each(names: &[&str]) {
    let now = SystemTime::now().duration_since(UNIX_EPOCH).expect("a clock after 1970");
    let mut state = u64::from(std::process::id()) ^ now.as_millis() as u64;
    eprintln!("seed {state}");
    let mut random = || {
        state = state.wrapping_mul(6_364_136_223_846_793_005).wrapping_add(1_442_695_040_888_963_407);
        (state >> 11) as f64 / (1_u64 << 53) as f64
    };
    for name in names {
        let work = WORKS.iter().find(|work| work.name == *name).expect("known work");
        let before = tempfile::tempdir().expect("a directory");
        (work.prepare)(before.path());
        let readings = if work.name == "migration" { Vec::new() } else { house::kept(before.path()) };
        // Once to its end: how long it takes, and what it comes to.
        let lay_out = || {
            let place = tempfile::tempdir().expect("a directory");
            house::copy(before.path(), &place.path().join("store"));
            place
        };
        let whole = lay_out();
        let mut process = start(work, whole.path());
        let started = Instant::now();
        let status = process.wait(Duration::from_secs(120));
        let mut takes = started.elapsed();
        assert!(status.success(), "{}: {}", work.name, process.log());
        is_sound(work, &readings, &whole.path().join("store"), "to its end");
        let (mut cut, mut kills) = (0, 0);
        while kills < KILLS {
            let place = lay_out();
            let store = place.path().join("store");
            let mut process = start(work, place.path());
            let moment = takes.mul_f64(random());
            std::thread::sleep(moment);
            match process.ended() {
                None => cut += 1,
                // The first run was slower, as first runs can be: the next moment is before this one's end.
                Some(_) => takes = moment,
            }
            process.kill();
            kills += 1;
            is_sound(work, &readings, &store, &format!("kill {kills}"));
            // Begun again it comes to its end, and to the same.
            if kills % 5 == 0 {
                let mut again = start(work, place.path());
                assert!(again.wait(Duration::from_secs(120)).success(), "{}: {}", work.name, again.log());
                is_sound(work, &readings, &store, "begun again");
                if work.name != "migration" {
                    assert_eq!(house::check(&store).findings, [], "{}: begun again", work.name);
                }
            }
        }
        eprintln!("{}: takes {takes:?}; of {KILLS} kills {cut} came before its end", work.name);
        assert!(cut > 0, "{}: no kill came before its end", work.name);
    }
}
