//! A load step in the demo: somebody switches a load of the invented house by hand, as `panelwright verify` asks.

use std::process::Command;
use std::time::Duration;

use rustix::process::Signal;
use serde_json::Value;

use crate::harness::{Process, get, poll};

/// A slow machine under load still ends within this, and a failing test waits no longer.
const PATIENCE: Duration = Duration::from_secs(240);

const PROGRAM: &str = env!("CARGO_BIN_EXE_panelwright");

/// Runs a demo with these options, does what `verify` asks for that circuit, and gives its exit status and answer.
fn step(options: &[&str], circuit: &str) -> (i32, Value) {
    let directory = tempfile::tempdir().expect("a temporary directory");
    let data = directory.path().join("demo");
    let settings = data.join("panelwright.toml");
    let mut command = Command::new(PROGRAM);
    // Ten seconds of the house go by in one, so that nobody waits for a state to last.
    command.args(["demo", "--port", "0", "--speed", "10", "--data"]).arg(&data).args(options);
    let mut demo = Process::start(&mut command, &directory.path().join("log"));
    let page = poll(PATIENCE, || {
        let log = demo.log();
        let line = log.lines().find(|line| line.trim_start().starts_with("page"))?;
        line.split_whitespace().nth(1).map(str::to_owned)
    });
    let page = page.unwrap_or_else(|| panic!("no page: {}", demo.log()));
    let live = || get(&format!("{page}api/sites/heron-lane/now")).ok().map(|answer| answer.json());
    poll(PATIENCE, || live().filter(|now| now["untracked_w"].is_number())).expect("figures");

    let switch = |to: &str| {
        let mut command = Command::new(PROGRAM);
        command.args(["demo", "switch", circuit, to, "--settings"]).arg(&settings);
        let output = command.output().expect("the program runs");
        assert!(output.status.success(), "{output:?}");
        assert_eq!(String::from_utf8_lossy(&output.stdout), format!("{circuit}: {to}\n"));
    };
    switch("off");
    let mut command = Command::new(PROGRAM);
    command.args(["verify", circuit, "--format", "json", "--settings"]).arg(&settings);
    let log = directory.path().join("verify");
    let mut verify = Process::start(&mut command, &log);
    let state = || get(&format!("{page}api/sites/heron-lane/verify")).ok().map(|answer| answer.json());
    let mut done = "off".to_owned();
    let status = poll(PATIENCE, || {
        let wanted = state().and_then(|state| state["step"]["do"].as_str().map(str::to_owned));
        if let Some(wanted) =
            wanted.filter(|wanted| ["on", "off"].contains(&wanted.as_str()) && *wanted != done)
        {
            switch(&wanted);
            done = wanted;
        }
        verify.ended()
    });
    let status = status.unwrap_or_else(|| panic!("no verdict: {:?}", state()));
    let said = verify.log();
    let answer = said.lines().rev().find_map(|line| serde_json::from_str(line).ok());
    let answer: Value = answer.unwrap_or_else(|| panic!("no answer: {said}"));
    switch("auto");
    demo.signal(Signal::TERM);
    // What was switched by hand is a part of what the loads drew.
    let ended = demo.wait(PATIENCE);
    assert!(ended.success() && demo.log().contains("agrees"), "{ended}: {}", demo.log());
    assert!(demo.log().contains(&format!("By hand: {circuit} on.")), "{}", demo.log());
    (status.code().unwrap_or(-1), answer)
}

#[test]
fn a_circuit_of_the_demo_is_as_mapped() {
    let (status, answer) = step(&[], "water-heater");
    assert_eq!((status, &answer["verdict"]["kind"]), (0, &"as-mapped".into()), "{answer:#}");
}

#[test]
fn a_fault_of_the_demo_is_seen_by_a_load_step() {
    // A wrong leg leaves the sums right, so the demo ends well all the same.
    let (status, answer) = step(&["--fault", "wrong-leg"], "living-plugs");
    assert_eq!((status, &answer["verdict"]["kind"]), (1, &"wrong-leg".into()), "{answer:#}");
}

#[test]
fn what_is_no_load_of_the_demo_is_refused() {
    let output =
        Command::new(PROGRAM).args(["demo", "switch", "moon", "on"]).output().expect("the program runs");
    assert_eq!(output.status.code(), Some(2), "{output:?}");
    assert!(String::from_utf8_lossy(&output.stderr).contains("water-heater"), "{output:?}");
    let output =
        Command::new(PROGRAM).args(["demo", "switch", "dryer", "dim"]).output().expect("the program runs");
    assert_eq!(output.status.code(), Some(2), "{output:?}");
}
