//! `check` and `now` as a shell sees them: what they print, and how they end.

use std::io::{BufRead as _, BufReader};
use std::process::Stdio;
use std::sync::mpsc;
use std::time::Duration;

use crate::harness::{Mosquitto, Panelwright, Publisher, Setup, poll, require};

/// Everything that a test waits for comes within some seconds; this is for a busy machine.
const PATIENCE: Duration = Duration::from_secs(30);

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
    assert!(
        settings.ends_with("error: publsh is no setting; did you mean [publish]? [settings]"),
        "{settings}"
    );
    assert!(out.lines().any(|line| line.starts_with("sites/shed.toml:1: error: ")), "{out}");
    assert!(out.ends_with("; good maps: heron-lane\n"), "{out}");

    let (status, out, _) = ran(&house, &["check", "--format", "csv"]);
    assert_eq!(
        (status, out.lines().next()),
        (78, Some("severity,rule,file,line,what,why,write,source,accepted"))
    );
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

/// Invented: one mains CT on each leg and one circuit.
const SHED: &str = r#"
site = "shed"
name = "Shed at Heron Lane"
time_zone = "America/Denver"

[service]
system = "split-phase 120/240"

[[device]]
id = "d"
topic = "shed/{channel}"
unit = "W"
reading = "instant"
every_s = 5

[[feed]]
bus = "main"
channels = [ { channel = "d/m1", leg = "A" }, { channel = "d/m2", leg = "B" } ]
measures = "panel"

[[circuit]]
id = "lathe"
label = "Lathe"
end_use = "plug loads"
spaces = [1]
breaker_a = 20
channels = ["d/1"]
"#;

/// A daemon with a password whose shed takes 500 W from the grid, 400 W of it the lathe.
fn running(broker: &Mosquitto) -> (Panelwright, Publisher) {
    let mut publisher = Publisher::connect(broker.port());
    let setup = Setup::new(&broker.url()).site("shed", SHED).env("PANELWRIGHT__WEB__PASSWORD", "sawdust");
    let daemon = setup.start();
    let shown = poll(PATIENCE, || {
        feed(&mut publisher, 400);
        let (status, out, _) = daemon.run(&["now", "--format", "json"]);
        let now: serde_json::Value = serde_json::from_str(&out).unwrap_or_default();
        (status == 0 && now["untracked_w"] == 100.0).then_some(())
    });
    assert!(shown.is_some(), "{:?}\n{}", daemon.run(&["now"]), daemon.log());
    (daemon, publisher)
}

fn feed(publisher: &mut Publisher, lathe_w: i32) {
    for (channel, watts) in [("m1", lathe_w + 40), ("m2", 60), ("1", lathe_w)] {
        publisher.publish(&format!("shed/{channel}"), watts.to_string());
    }
}

#[test]
fn now_shows_the_figures_of_the_running_daemon() {
    if !require("mosquitto") {
        return;
    }
    let broker = Mosquitto::start("");
    let (daemon, _publisher) = running(&broker);
    assert_eq!(daemon.get("/api/sites").status, 401, "figures are behind the password; health is not:");
    daemon.wait_healthy();

    let (status, out, err) = daemon.run(&["now"]);
    assert_eq!(status, 0, "{err}");
    assert!(out.starts_with("Shed at Heron Lane  20"), "{out}");
    for line in [
        " Grid         500  import",
        "   tracked    400  80 %",
        "   untracked  100  20 %",
        " Lathe    400  main",
    ] {
        assert!(out.lines().any(|other| other == line), "{line:?} is not in\n{out}");
    }
    assert!(!out.contains('\u{1b}'), "no colours in a pipe");
    let (status, out, _) = daemon.run(&["now", "--site", "shed", "--format", "csv"]);
    assert_eq!(status, 0);
    assert!(out.lines().any(|line| line.ends_with(",circuit,lathe,400")), "{out}");

    let (status, _, err) = daemon.run(&["now", "--site", "barn"]);
    assert_eq!((status, err.as_str()), (2, "panelwright: there is no site \"barn\"; there is shed\n"));
    let (status, _, err) = daemon.run(&["now", "--url", &daemon.url()]);
    assert_eq!(status, 78, "without the password: {err}");
}

#[test]
fn now_watch_follows_changes_and_a_restart() {
    if !require("mosquitto") {
        return;
    }
    let broker = Mosquitto::start("");
    let (mut daemon, mut publisher) = running(&broker);
    let mut watching =
        daemon.command(&["now", "--watch"]).stdout(Stdio::piped()).spawn().expect("the program starts");
    let out = BufReader::new(watching.stdout.take().expect("a pipe"));
    let (send, lines) = mpsc::channel();
    let reader = std::thread::spawn(move || {
        for line in out.lines().map_while(Result::ok) {
            if send.send(line).is_err() {
                return;
            }
        }
    });
    let mut wait_for = |lathe_w: i32| {
        let wanted = format!("  | Lathe {lathe_w} W");
        let seen = poll(PATIENCE, || {
            feed(&mut publisher, lathe_w);
            lines.try_iter().find(|line| line.ends_with(&wanted))
        });
        seen.unwrap_or_else(|| panic!("no line ends with {wanted:?}"))
    };
    assert!(
        wait_for(400)
            .contains("  grid 500 W  generation 0 W  consumption 500 W  tracked 400 W  untracked 100 W")
    );
    wait_for(900);
    daemon.restart();
    wait_for(1300);
    watching.kill().expect("it runs");
    watching.wait().expect("it ended");
    drop(lines);
    reader.join().expect("the reader ended");
}
