//! The pages in a real browser: what a person would do with them, as `tests/page/*.py` does it.
//!
//! Screenshots stay in `target/tests/pages`, to be looked at.

use std::path::{Path, PathBuf};
use std::process::{Command, Stdio};
use std::sync::Arc;
use std::sync::atomic::{AtomicBool, Ordering};
use std::time::Duration;

use crate::harness::{self, Mosquitto, Process, Publisher, Setup, poll};

/// The map of the demo.
const HERON_LANE: &str = include_str!("../../config/sites/heron-lane.toml");
/// A map whose texts are what nobody should write.
const HOSTILE: &str = include_str!("../page/hostile.toml");
/// To lay in a day of history takes a debug build some seconds, and more on a busy machine.
const LAID_IN: Duration = Duration::from_secs(180);
const PASSWORD: &str = "sawdust & shavings";

/// Where cargo builds: the tests' own binary lies in `<target>/<profile>/deps`.
fn artefacts() -> PathBuf {
    let program = PathBuf::from(env!("CARGO_BIN_EXE_panelwright"));
    let target = program.ancestors().nth(2).expect("a target directory");
    target.join("tests").join("pages")
}

/// A Python that can drive a browser; `None` where there is none, which fails in CI.
fn browser() -> Option<String> {
    let python = std::env::var("ORACLE_PYTHON").unwrap_or_else(|_| "python3".to_owned());
    if !harness::require("chromium") || !harness::require(&python) {
        return None;
    }
    let imports = "import playwright, axe_playwright_python";
    let ready = Command::new(&python).args(["-c", imports]).stderr(Stdio::null()).status();
    if ready.is_ok_and(|status| status.success()) {
        return Some(python);
    }
    let missing = "Python lacks Playwright (tests/run installs tests/oracle/requirements.txt)";
    assert!(std::env::var_os("CI").is_none(), "{missing}");
    eprintln!("skipped: {missing}");
    None
}

/// Does the tasks of a script of `tests/page`.
#[track_caller]
fn tasks(python: &str, script: &str, base: &str, more: &[&str]) {
    let script = format!("{}/tests/page/{script}", env!("CARGO_MANIFEST_DIR"));
    // -B: it leaves no byte code beside the sources.
    let output = Command::new(python).arg("-B").arg(&script).arg(base).arg(artefacts()).args(more).output();
    let output = output.expect("python starts");
    let text = [output.stdout.as_slice(), output.stderr.as_slice()].concat();
    let text = String::from_utf8_lossy(&text);
    assert!(output.status.success(), "{text}");
    println!("{text}");
}

/// A demo that runs with a day of history; its address.
fn demo(directory: &Path, more: &[&str]) -> (Process, String) {
    let log = directory.join("log");
    let mut start = Command::new(env!("CARGO_BIN_EXE_panelwright"));
    start.args(["demo", "--port", "0", "--days", "1", "--data"]).arg(directory).args(more);
    let mut demo = Process::start(&mut start, &log);
    let found = poll(LAID_IN, || {
        assert!(demo.ended().is_none(), "the demo ended:\n{}", demo.log());
        let text = std::fs::read_to_string(&log).unwrap_or_default();
        let line = text.lines().find(|line| line.trim_start().starts_with("page "))?;
        line.split_whitespace().last().map(str::to_owned)
    });
    let base = found.unwrap_or_else(|| panic!("no address:\n{}", demo.log()));
    let now = format!("{base}api/sites/heron-lane/now");
    harness::eventually(harness::START, || harness::get(&now).is_ok_and(|answer| answer.status == 200));
    (demo, base)
}

/// Does the tasks of scripts at a demo that has the hostile map too.
fn at_the_demo(scripts: &[&str]) {
    let Some(python) = browser() else { return };
    let directory = tempfile::tempdir().expect("a temporary directory");
    let sites = directory.path().join("sites");
    std::fs::create_dir(&sites).expect("a directory for the maps");
    std::fs::write(sites.join("hostile.toml"), HOSTILE).expect("a map is written");
    let (_demo, base) = demo(directory.path(), &[]);
    for script in scripts {
        tasks(&python, script, &base, &[]);
    }
}

#[test]
fn a_person_finds_the_way_in_a_real_browser() {
    at_the_demo(&["pages.py", "panels.py"]);
}

#[test]
fn every_page_fits_every_screen() {
    at_the_demo(&["screens.py"]);
}

#[test]
fn what_is_wrong_is_found_where_it_is() {
    let Some(python) = browser() else { return };
    let directory = tempfile::tempdir().expect("a temporary directory");
    let (_demo, base) = demo(directory.path(), &["--fault", "reversed"]);
    tasks(&python, "faulty.py", &base, &[]);
}

/// The meters of Heron Lane, until they are told to stop; they say nothing as long as there is that file.
fn heron_lane(port: u16, silent: PathBuf, stop: Arc<AtomicBool>) -> std::thread::JoinHandle<()> {
    let house = ["m1", "m2"].into_iter().map(str::to_owned).chain((1..=17).map(|input| input.to_string()));
    let house: Vec<String> = house.collect();
    std::thread::spawn(move || {
        let mut publisher = Publisher::connect(port);
        while !stop.load(Ordering::Relaxed) {
            std::thread::sleep(Duration::from_millis(500));
            if silent.exists() {
                continue;
            }
            let now = jiff::Timestamp::now().as_millisecond();
            let time = format!("{}.{:03}", now / 1000, now % 1000);
            // As in daylight, when the page has most to say: inputs 10 and 11 are the sun's.
            for (place, channel) in house.iter().enumerate() {
                let watts = match channel.as_str() {
                    "m1" | "m2" => -1_400.0,
                    "10" | "11" => 2_100.0,
                    _ => 10.0 + 2.0 * place as f64,
                };
                let body = format!(r#"{{"watts": {watts}, "time": {time}}}"#);
                publisher.publish(&format!("heron-lane/meter/house/ct/{channel}/power"), body);
            }
            let barn =
                r#""f1":{"watts":60},"f2":{"watts":50},"1":{"watts":30},"2":{"watts":40},"3":{"watts":20}"#;
            let body = format!(r#"{{"channels": {{{barn}}}, "time": {time}}}"#);
            publisher.publish("heron-lane/meter/barn", body);
            publisher.settle();
        }
    })
}

#[test]
fn a_house_that_falls_silent_moves_nothing() {
    let Some(python) = browser() else { return };
    if !harness::require("mosquitto") {
        return;
    }
    let broker = Mosquitto::start("");
    let daemon = Setup::new(&broker.url()).site("heron-lane", HERON_LANE).start();
    let stop = Arc::new(AtomicBool::new(false));
    let silent = daemon.directory().join("silent");
    let meters = heron_lane(broker.port(), silent.clone(), Arc::clone(&stop));
    tasks(&python, "stall.py", &daemon.url(), &[silent.to_str().expect("a path of this machine")]);
    stop.store(true, Ordering::Relaxed);
    meters.join().expect("the meters end");
}

/// Meters that go on publishing until they are told to stop.
fn meters(port: u16, stop: Arc<AtomicBool>) -> std::thread::JoinHandle<()> {
    std::thread::spawn(move || {
        let mut publisher = Publisher::connect(port);
        let mut turn = 0u64;
        while !stop.load(Ordering::Relaxed) {
            for (channel, watts) in [("m1", 500), ("m2", 400), ("1", 150), ("2", 75)] {
                let watts = watts + turn % 7;
                publisher.publish(&format!("shed/ct/{channel}/power"), format!("{watts}.5"));
                publisher.publish(&format!("shed/ct/{channel}/voltage"), "121.5");
            }
            publisher.settle();
            turn += 1;
            std::thread::sleep(Duration::from_millis(500));
        }
    })
}

#[test]
fn a_site_is_set_up_in_a_real_browser() {
    let Some(python) = browser() else { return };
    if !harness::require("mosquitto") {
        return;
    }
    let broker = Mosquitto::start("");
    let daemon = Setup::new(&broker.url()).env("PANELWRIGHT__WEB__PASSWORD", PASSWORD).start();
    let stop = Arc::new(AtomicBool::new(false));
    let meters = meters(broker.port(), Arc::clone(&stop));
    let maps = daemon.directory().join("sites");
    tasks(&python, "setup.py", &daemon.url(), &[PASSWORD, maps.to_str().expect("a path of this machine")]);
    stop.store(true, Ordering::Relaxed);
    meters.join().expect("the meters end");
}
