//! `panelwright demo --fault NAME`: from the symptom to the line of the map, and history is right at once.
//!
//! A day of the invented house is laid in, so that nothing has to be waited for.

use std::path::PathBuf;
use std::process::Command;
use std::time::Duration;

use panelwright::audit::{Edit, apply};
use rustix::process::Signal;
use serde_json::Value;
use tempfile::TempDir;

use crate::harness::{Process, START, Subscriber, get, poll};

/// A slow machine under load still ends within this, and a failing test waits no longer.
const PATIENCE: Duration = Duration::from_secs(240);

const PROGRAM: &str = env!("CARGO_BIN_EXE_panelwright");

/// A demo's directory, with a day of history.
struct Place(TempDir);

impl Place {
    fn new() -> Self {
        Self(tempfile::tempdir().expect("a temporary directory"))
    }

    fn data(&self) -> PathBuf {
        self.0.path().join("demo")
    }

    fn map(&self) -> PathBuf {
        self.data().join("sites/heron-lane.toml")
    }

    fn demo(&self, fault: &str, more: &[&str]) -> Command {
        let mut command = Command::new(PROGRAM);
        command
            .args(["demo", "--port", "0", "--days", "1", "--fault", fault, "--data"])
            .arg(self.data())
            .args(more);
        command
    }

    /// Another command on what the demo left: exit status and standard output.
    fn run(&self, arguments: &[&str]) -> (i32, String) {
        let settings = self.data().join("panelwright.toml");
        let output = Command::new(PROGRAM).args(arguments).arg("--settings").arg(settings).output();
        let output = output.expect("the program runs");
        let error = String::from_utf8_lossy(&output.stderr).into_owned();
        assert_eq!(error, "", "{arguments:?}");
        (output.status.code().unwrap_or(-1), String::from_utf8(output.stdout).expect("text"))
    }

    fn audit(&self) -> (i32, Value) {
        let (status, text) = self.run(&["audit", "--format", "json"]);
        (status, serde_json::from_str(&text).expect("JSON"))
    }

    /// Energy of a circuit over all that was laid in, in kWh, as history has it.
    fn kwh(&self, circuit: &str) -> f64 {
        let (_, text) = self.run(&["history", "--by", "year", "--format", "json"]);
        let body: Value = serde_json::from_str(&text).expect("JSON");
        let years = body["intervals"].as_array().expect("intervals");
        years.iter().filter_map(|year| year["circuits"][circuit].as_f64()).sum()
    }

    /// Changes the lines that the finding names.
    fn mend(&self, finding: &Value) {
        let text = std::fs::read_to_string(self.map()).expect("a map");
        let edits: Vec<Edit> = finding["edits"].as_array().expect("edits").iter().map(edit).collect();
        assert!(!edits.is_empty(), "{finding:#}");
        std::fs::write(self.map(), apply(&text, &edits)).expect("the map is written");
    }
}

fn edit(edit: &Value) -> Edit {
    let number = |key: &str| edit[key].as_u64().expect("a line") as usize;
    let lines = edit["lines"].as_array().expect("lines").iter();
    let lines = lines.map(|line| line.as_str().expect("text").to_owned()).collect();
    Edit { first: number("first"), last: number("last"), lines }
}

/// The finding of that id.
#[track_caller]
fn finding<'a>(body: &'a Value, id: &str) -> &'a Value {
    let findings = body["findings"].as_array().expect("findings");
    findings.iter().find(|finding| finding["id"] == id).unwrap_or_else(|| panic!("no {id}: {body:#}"))
}

/// Lays a day in, finds the fault, mends the line, and finds nothing more; `before` and `after` are how a circuit's
/// energy was and is.
fn walk(fault: &str, id: &str, circuit: &str, right: impl Fn(f64, f64) -> bool) {
    let place = Place::new();
    let output = place.demo(fault, &["--for", "1s"]).output().expect("the program runs");
    let said = String::from_utf8_lossy(&output.stdout).into_owned();
    assert!(said.contains("THE MAP OF THIS HOUSE IS WRONG IN ONE WAY") && said.contains("symptom"), "{said}");
    let (status, found) = place.audit();
    assert_eq!(status, 1, "{found:#}");
    place.mend(finding(&found, id));
    let before = place.kwh(circuit);
    let (status, found) = place.audit();
    let left: Vec<&Value> = found["findings"].as_array().expect("findings").iter().collect();
    assert_eq!((status, left.len()), (0, 0), "{found:#}");
    let after = place.kwh(circuit);
    assert!(right(before, after), "{circuit}: {before} kWh, then {after} kWh");
    let (status, text) = place.run(&["check"]);
    assert_eq!(status, 0, "{text}");
}

#[test]
fn one_that_is_turned_round() {
    walk("reversed", "reversed:refrigerator", "refrigerator", |_, after| after > 0.1);
}

#[test]
fn one_that_is_not_doubled() {
    walk("not-doubled", "not-doubled:water-heater", "water-heater", |_, after| after > 0.1);
}

#[test]
fn two_that_are_swapped() {
    // A refrigerator runs a third of the day and more, whatever people do.
    walk("swapped", "swapped:refrigerator", "refrigerator", |_, after| after > 0.3);
}

#[test]
fn all_of_them_are_named() {
    let output = Command::new(PROGRAM).args(["demo", "--fault", "list"]).output().expect("the program runs");
    let list = String::from_utf8(output.stdout).expect("text");
    for name in ["reversed", "not-doubled", "supply-side", "untracked-negative"] {
        assert!(list.lines().any(|line| line.split_whitespace().next() == Some(name)), "{name}: {list}");
    }
    let output =
        Command::new(PROGRAM).args(["demo", "--fault", "witchcraft"]).output().expect("the program runs");
    assert_eq!(output.status.code(), Some(2));
    assert!(String::from_utf8_lossy(&output.stderr).contains("mains-swapped"), "{output:?}");
}

/// The findings of a body, by kind and what they are about, line, and text.
fn told(body: &Value) -> Vec<(String, u64, String)> {
    let findings = body["findings"].as_array().expect("findings").iter();
    let text = |finding: &Value, key: &str| finding[key].as_str().expect("text").to_owned();
    findings.map(|f| (text(f, "id"), f["line"].as_u64().expect("a line"), text(f, "what"))).collect()
}

/// What the API gives, and whether the page shows just that, with the lines to change.
fn shown(page: &str) -> (Vec<(String, u64, String)>, bool) {
    let site = format!("{page}api/sites/heron-lane/audit");
    let body = get(&site).expect("an answer").json();
    // It is what the daemon found when it last looked; asked to, it looks again (at an hour, which is quick).
    assert_eq!(get(&site).expect("an answer").json(), body);
    let from = jiff::Timestamp::now() - jiff::SignedDuration::from_hours(1);
    let fresh = format!("{site}?fresh=true&from={from}");
    // It says when it was made to the second.
    let anew = poll(START, || {
        let anew = get(&fresh).expect("an answer").json();
        assert!(anew["findings"].is_array(), "{anew:#}");
        (body["made"].as_str() < anew["made"].as_str()).then_some(anew)
    });
    assert!(anew.is_some(), "{} is when it looked last", body["made"]);
    let html = get(&format!("{page}sites/heron-lane/findings")).expect("a page").body;
    let marks = [("&#x2f;", "/"), ("&#x27;", "'"), ("&quot;", "\""), ("&amp;", "&")];
    let html = marks.iter().fold(html, |html, (mark, sign)| html.replace(mark, sign));
    let findings = told(&body);
    let articles = html.matches("<article class=\"finding").count();
    assert_eq!(articles, findings.len(), "{html}");
    for (finding, (_, _, what)) in body["findings"].as_array().into_iter().flatten().zip(&findings) {
        assert!(html.contains(&format!("<h3>{what}</h3>")), "{what}: {html}");
        for edit in finding["edits"].as_array().into_iter().flatten() {
            let place = format!("ine {} of the map", edit["first"]);
            assert!(html.contains(&place), "{place}: {html}");
            let text = edit["lines"][0].as_str().expect("a line");
            assert!(html.contains(text), "{text}: {html}");
        }
    }
    (findings, articles > 0)
}

#[test]
fn a_running_daemon_finds_it_and_forgets_it_once_the_map_is_mended() {
    let place = Place::new();
    let log = place.0.path().join("log");
    let mut demo = Process::start(&mut place.demo("not-doubled", &[]), &log);
    let line = |start: &str| {
        let log = std::fs::read_to_string(&log).unwrap_or_default();
        let line = log.lines().find(|line| line.trim_start().starts_with(start))?.to_owned();
        line.split_whitespace().nth(1).map(str::to_owned)
    };
    let page = poll(PATIENCE, || line("page")).unwrap_or_else(|| panic!("no page: {}", demo.log()));
    let broker = poll(PATIENCE, || line("broker")).expect("the broker's address");
    let port = broker.rsplit(':').next().and_then(|port| port.parse().ok()).expect("a port");
    let heard = Subscriber::connect(port, "panelwright/+/findings");
    let part = || {
        let health = get(&format!("{page}health")).ok()?.json();
        Some(health["parts"]["audit/heron-lane"].clone()).filter(|part| part["ok"].is_boolean())
    };
    let wrong = poll(PATIENCE, || part().filter(|part| part["ok"] == false));
    let wrong = wrong.unwrap_or_else(|| panic!("nothing was found: {}", demo.log()));
    assert!(wrong["why"].as_str().is_some_and(|why| why.contains("Heat-pump water heater")), "{wrong}");
    let said = poll(PATIENCE, || heard.latest("panelwright/heron-lane/findings")).expect("it is published");
    let said = said.json();
    let found = finding(&said, "not-doubled:water-heater");
    assert_eq!(shown(&page), (told(&said), true), "{said:#}");
    // First it is accepted, with a reason: it stays and is no reproach any more.
    let right = std::fs::read_to_string(place.map()).expect("a map");
    let accept = "\n[[accept]]\nfinding = \"not-doubled\"\ncircuit = \"water-heater\"\nreason = \"known\"\n";
    std::fs::write(place.map(), format!("{right}{accept}")).expect("the map is written");
    demo.signal(Signal::HUP);
    let body = || heard.latest("panelwright/heron-lane/findings").map(|message| message.json());
    let accepted = poll(PATIENCE, || {
        body().filter(|body| {
            body["findings"][0]["accepted"] == "known" && part().is_some_and(|part| part["ok"] == true)
        })
    });
    let accepted = accepted.unwrap_or_else(|| panic!("not accepted: {:?}", body()));
    assert_eq!(finding(&accepted, "not-doubled:water-heater")["severity"], "note");

    // Then the line is mended.
    std::fs::write(place.map(), right).expect("the map is written");
    place.mend(found);
    demo.signal(Signal::HUP);
    let gone =
        poll(PATIENCE, || body().filter(|body| body["findings"].as_array().is_some_and(Vec::is_empty)));
    assert!(gone.is_some(), "it stays: {:?}", body());
    assert!(part().is_some_and(|part| part["ok"] == true));
    assert_eq!(shown(&page), (Vec::new(), false));
    demo.signal(Signal::TERM);
    let status = demo.wait(PATIENCE);
    // What was measured before the map was mended is right as well.
    assert!(status.success() && demo.log().contains("agrees"), "{status}: {}", demo.log());
}
