//! `panelwright demo`: everything in one process, with a house whose truth is known.

use std::process::{Command, Output};
use std::time::{Duration, Instant};

use rustix::process::Signal;

use crate::harness::{self, get};

/// A slow machine under load still ends within this, and a failing test waits no longer.
const PATIENCE: Duration = Duration::from_secs(120);

fn demo(arguments: &[&str]) -> Command {
    let mut command = Command::new(env!("CARGO_BIN_EXE_panelwright"));
    command.arg("demo").args(["--port", "0"]).args(arguments);
    command
}

fn text(output: &Output) -> String {
    let both = [output.stdout.as_slice(), output.stderr.as_slice()].concat();
    String::from_utf8(both).expect("the demo writes text")
}

/// The line of the summary that says how far the books are open, in Wh.
fn books(text: &str) -> f64 {
    let line =
        text.lines().find(|line| line.starts_with("Books")).unwrap_or_else(|| panic!("no books: {text}"));
    let number = line.rsplit(": ").next().and_then(|end| end.strip_suffix(" Wh"));
    number.and_then(|number| number.parse().ok()).unwrap_or_else(|| panic!("no figure: {line}"))
}

#[test]
fn it_shows_live_figures_whose_books_close_and_ends_by_itself() {
    let started = Instant::now();
    let output = demo(&["--for", "12s"]).output().expect("the program runs");
    let text = text(&output);
    assert!(output.status.success(), "{text}");
    assert!(started.elapsed() < PATIENCE);
    assert!(text.contains("INVENTED"), "it says what it is: {text}");
    let live = text.lines().filter(|line| line.contains("  grid ") && line.contains("untracked")).count();
    assert!(live >= 2, "{live} live lines: {text}");
    assert_eq!(books(&text), 0.0, "{text}");
    assert!(text.contains("Against what the loads drew: agrees"), "{text}");
}

#[test]
fn history_is_laid_in_and_time_can_be_fast() {
    let directory = tempfile::tempdir().expect("a temporary directory");
    let data = directory.path().join("demo");
    let data = data.to_str().expect("a plain path");
    let arguments = ["--days", "1", "--speed", "60", "--for", "8s", "--data", data, "--seed", "7"];
    let output = demo(&arguments).output().expect("the program runs");
    let text = text(&output);
    assert!(output.status.success(), "{text}");
    assert!(text.contains("Laid in 1 days of history"), "{text}");
    assert_eq!(books(&text), 0.0, "{text}");

    // What it leaves is what a service has: other commands work on it, and history is not laid in twice.
    let settings = format!("{data}/panelwright.toml");
    let check = Command::new(env!("CARGO_BIN_EXE_panelwright"))
        .args(["check", "--settings", &settings])
        .output()
        .expect("the program runs");
    assert!(check.status.success(), "{}", String::from_utf8_lossy(&check.stdout));
    let again = demo(&arguments).output().expect("the program runs");
    assert!(!again.status.success());
    assert!(String::from_utf8_lossy(&again.stderr).contains("into an empty one"), "{again:?}");
}

/// A demo that runs until it is told to stop; its output goes to a file.
#[test]
fn a_person_can_look_at_it_and_stop_it() {
    for signal in [Signal::INT, Signal::TERM] {
        let directory = tempfile::tempdir().expect("a temporary directory");
        let log = directory.path().join("log");
        let mut demo = harness::Process::start(&mut demo(&[]), &log);
        let line = |start: &str| {
            let log = std::fs::read_to_string(&log).unwrap_or_default();
            let line = log.lines().find(|line| line.trim_start().starts_with(start))?.to_owned();
            line.split_whitespace().nth(1).map(str::to_owned)
        };
        let api = harness::poll(PATIENCE, || line("API")).unwrap_or_else(|| panic!("no API: {}", demo.log()));
        let known = harness::poll(PATIENCE, || {
            let answer = get(&api).ok().filter(|answer| answer.status == 200)?;
            let now: serde_json::Value = serde_json::from_str(&answer.body).ok()?;
            now["untracked_w"].as_f64().map(|_| now)
        });
        let now = known.unwrap_or_else(|| panic!("no figures at {api}: {}", demo.log()));
        let watts =
            |pointer: &str| now.pointer(pointer).and_then(serde_json::Value::as_f64).expect("a figure");
        // The live books: each figure is rounded to 0.1 W.
        let left = watts("/consumption_w") - watts("/tracked_w") - watts("/untracked_w");
        assert!(left.abs() < 0.2, "{left} W in {now}");
        demo.signal(signal);
        let status = demo.wait(PATIENCE);
        assert!(status.success(), "{status}: {}", demo.log());
        assert!(demo.log().contains("agrees"), "{}", demo.log());
    }
}

#[test]
fn what_it_cannot_do_is_said_at_once() {
    for (arguments, said) in [
        (["--speed", "0.5"], "a number from 1 to 300"),
        (["--speed", "quick"], "a number from 1 to 300"),
        (["--for", "soon"], "a time such as 30s"),
        (["--days", "100000"], "3660"),
    ] {
        let output = demo(&arguments).output().expect("the program runs");
        assert_eq!(output.status.code(), Some(2), "{arguments:?}");
        assert!(text(&output).contains(said), "{}", text(&output));
    }
}
