//! `check` and `now` as a shell sees them: what they print, and how they end.

use crate::harness::{Panelwright, Setup};

const MAP: &str = include_str!("../../config/sites/heron-lane.toml");

/// Laid out and not started; nothing listens where its broker would be.
fn house() -> Setup {
    Setup::new("mqtt://127.0.0.1:1").site("heron-lane", MAP)
}

/// What a command printed, with its directory's name left out.
fn ran(house: &Panelwright, arguments: &[&str]) -> (i32, String, String) {
    let (status, out, err) = house.run(arguments);
    let short = |text: String| text.replace(&format!("{}/", house.directory().display()), "");
    (status, short(out), short(err))
}

#[test]
fn check_passes_what_is_good() {
    let house = house().lay_out();
    let (status, out, err) = ran(&house, &["check"]);
    assert_eq!(status, 0, "{out}{err}");
    assert!(out.ends_with("; good maps: heron-lane\n"), "{out}");
    let (status, out, _) = ran(&house, &["check", "--format", "json"]);
    let report: serde_json::Value = serde_json::from_str(&out).expect("JSON");
    assert_eq!((status, &report["errors"]), (0, &0.into()), "{out}");
    assert_eq!(report["sites"], serde_json::json!(["heron-lane"]));
}

#[test]
fn check_tells_every_error_with_its_line_and_ends_with_78() {
    let house = house().settings("[publsh]\njson = \"x\"").site("shed", "site = \"Shed!\"\n").lay_out();
    let (status, out, _) = ran(&house, &["check"]);
    assert_eq!(status, 78, "{out}");
    let settings =
        out.lines().find(|line| line.contains("publsh is no setting")).expect("the settings' error");
    assert!(settings.starts_with("panelwright.toml:"), "{settings}");
    assert!(settings.ends_with("error: publsh is no setting; did you mean [publish]?"), "{settings}");
    assert!(out.lines().any(|line| line.starts_with("sites/shed.toml:1: error: ")), "{out}");
    assert!(out.ends_with("; good maps: heron-lane\n"), "{out}");

    let (status, out, _) = ran(&house, &["check", "--format", "csv"]);
    assert_eq!((status, out.lines().next()), (78, Some("severity,rule,file,line,what,why,write")));
}

#[test]
fn the_environment_goes_before_the_file() {
    let house = house().env("PANELWRIGHT__WEB__LISTEN", "0.0.0.0:8433").lay_out();
    let (status, out, _) = ran(&house, &["check"]);
    assert_eq!(status, 78, "{out}");
    let expected = "PANELWRIGHT__WEB__LISTEN: error: web.listen is 0.0.0.0:8433, which others can reach";
    assert!(out.starts_with(expected), "{out}");
}

#[test]
fn now_ends_with_69_when_the_daemon_is_away() {
    let house = house().lay_out();
    for arguments in [&["now"][..], &["now", "--watch"], &["now", "--url", "http://127.0.0.1:1"]] {
        let (status, out, err) = ran(&house, arguments);
        assert_eq!((status, out.as_str()), (69, ""), "{err}");
        assert!(err.contains("is away: nothing listens there"), "{err}");
    }
}

#[test]
fn now_ends_with_78_when_the_settings_are_bad() {
    let house = house().settings("[publsh]").lay_out();
    let (status, _, err) = ran(&house, &["now"]);
    assert_eq!(status, 78);
    assert!(err.contains("publsh is no setting; did you mean [publish]?"), "{err}");
}

#[test]
fn every_command_has_an_example() {
    let house = house().lay_out();
    for command in ["check", "now"] {
        let (status, out, _) = ran(&house, &[command, "--help"]);
        assert_eq!(status, 0);
        assert!(out.contains(&format!("  panelwright {command}\n")), "{out}");
    }
}
