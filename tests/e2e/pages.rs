//! The pages in a real browser, against `panelwright demo`: `tests/page/pages.py` and
//! `panels.py` do what a person would.
//!
//! Screenshots stay in `target/tests/pages`, to be looked at.

use std::path::PathBuf;
use std::process::{Command, Stdio};
use std::time::Duration;

use crate::harness::{self, Process, poll};

/// A map whose texts are what nobody should write.
const HOSTILE: &str = include_str!("../page/hostile.toml");
/// To lay in a day of history takes a debug build some seconds, and more on a busy machine.
const LAID_IN: Duration = Duration::from_secs(180);

/// Where cargo builds: the tests' own binary lies in `<target>/<profile>/deps`.
fn artefacts() -> PathBuf {
    let program = PathBuf::from(env!("CARGO_BIN_EXE_panelwright"));
    let target = program.ancestors().nth(2).expect("a target directory");
    target.join("tests").join("pages")
}

#[test]
fn a_person_finds_the_way_in_a_real_browser() {
    let python = std::env::var("ORACLE_PYTHON").unwrap_or_else(|_| "python3".to_owned());
    if !harness::require("chromium") || !harness::require(&python) {
        return;
    }
    let imports = "import playwright, axe_playwright_python";
    let ready = Command::new(&python).args(["-c", imports]).stderr(Stdio::null()).status();
    if !ready.is_ok_and(|status| status.success()) {
        let missing = "Python lacks Playwright (tests/run installs tests/oracle/requirements.txt)";
        assert!(std::env::var_os("CI").is_none(), "{missing}");
        eprintln!("skipped: {missing}");
        return;
    }
    let directory = tempfile::tempdir().expect("a temporary directory");
    let sites = directory.path().join("sites");
    std::fs::create_dir(&sites).expect("a directory for the maps");
    std::fs::write(sites.join("hostile.toml"), HOSTILE).expect("a map is written");
    let log = directory.path().join("log");
    let mut start = Command::new(env!("CARGO_BIN_EXE_panelwright"));
    start.args(["demo", "--port", "0", "--days", "1", "--data"]).arg(directory.path());
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

    for script in ["pages.py", "panels.py"] {
        let script = format!("{}/tests/page/{script}", env!("CARGO_MANIFEST_DIR"));
        // -B: it leaves no byte code beside the sources.
        let output = Command::new(&python).arg("-B").arg(&script).arg(&base).arg(artefacts()).output();
        let output = output.expect("python starts");
        let text = [output.stdout.as_slice(), output.stderr.as_slice()].concat();
        let text = String::from_utf8_lossy(&text);
        assert!(output.status.success(), "{text}");
        println!("{text}");
    }
}
