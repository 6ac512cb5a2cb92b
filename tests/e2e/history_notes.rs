//! Notes: of people, through the daemon and without it, and those that a changed map makes by itself.

use serde_json::Value;

use crate::harness::{Panelwright, START, Setup, eventually};
use crate::history_command::{MAP, lay_in};

fn house() -> Panelwright {
    let house = Setup::new("mqtt://127.0.0.1:1").site("heron-lane", MAP).lay_out();
    lay_in(house.store()).close();
    house
}

fn annotate(house: &Panelwright, arguments: &[&str]) -> String {
    let (status, output, error) = house.run(&[&["annotate"], arguments].concat());
    assert_eq!((status, error.as_str()), (0, ""), "{arguments:?}");
    output
}

/// What each note says, by start.
fn texts(house: &Panelwright) -> Vec<String> {
    let listed: Value = serde_json::from_str(&annotate(house, &["list", "--format", "json"])).expect("JSON");
    let text = |note: &Value| note["text"].as_str().expect("text").to_owned();
    listed.as_array().expect("a list").iter().map(text).collect()
}

#[test]
fn notes_go_through_the_daemon_or_straight_to_the_store() {
    let mut house = house();
    let added = annotate(&house, &["add", "anode replaced", "--at", "2025-03-09T10:00"]);
    assert_eq!(added, "   1  2025-03-09T10:00:00-06:00  anode replaced\n");
    house.restart();
    let added = annotate(&house, &["add", "guests", "--at", "2025-03-08", "--until", "2025-03-12"]);
    assert!(added.contains("2025-03-08T00:00:00-07:00 to 2025-03-12T00:00:00-06:00  guests"), "{added}");
    assert_eq!(texts(&house), ["guests", "anode replaced"]);

    // They stand beside the figures that they touch.
    let (_, table, _) = house.run(&["history", "--from", "2025-03-09", "--to", "2025-03-10"]);
    assert!(table.contains("anode replaced") && table.contains("guests"), "{table}");
    let (_, table, _) = house.run(&["history", "--from", "2025-03-10", "--to", "2025-03-11"]);
    assert!(!table.contains("anode replaced") && table.contains("guests"), "{table}");
    let body = house.get("/api/sites/heron-lane/history?from=2025-03-09&to=2025-03-10").json();
    let shown: Vec<&Value> =
        body["annotations"].as_array().expect("a list").iter().map(|note| &note["text"]).collect();
    assert_eq!(shown, ["guests", "anode replaced"]);

    annotate(&house, &["remove", "1"]);
    let (status, _, error) = house.run(&["annotate", "remove", "1"]);
    assert!(status == 2 && error.contains("no note 1 of this site"), "{status} {error}");
    assert!(house.sigterm().success());
    assert_eq!(texts(&house), ["guests"]);
    annotate(&house, &["remove", "2"]);
    assert_eq!(annotate(&house, &["list"]), "there are no notes\n");
    let (status, _, error) = house.run(&["annotate", "remove", "2"]);
    assert!(status == 2 && error.contains("no note 2 of this site"), "{status} {error}");
}

#[test]
fn a_note_that_makes_no_sense_says_why() {
    let house = house();
    let check = |arguments: &[&str], expected: &str| {
        let (status, _, error) = house.run(&[&["annotate"], arguments].concat());
        assert!(status == 2 && error.contains(expected), "{arguments:?}: {status} {error}");
    };
    check(&["add", " "], "a note says something");
    check(&["add", "x", "--at", "soon"], "--at: `soon` is no date or time");
    check(
        &["add", "x", "--at", "2025-03-09", "--until", "2025-03-08"],
        "--until: the note ends before it begins",
    );
    check(&["list", "--from", "soon"], "--from: `soon`");
    let empty = Setup::new("mqtt://127.0.0.1:1").site("heron-lane", MAP).lay_out();
    let (status, _, error) = empty.run(&["annotate", "add", "x"]);
    assert!(status == 69 && error.contains("no store here yet"), "{status} {error}");
}

#[test]
fn a_changed_map_makes_one_note_by_itself() {
    let mut house = house();
    let write = |house: &Panelwright, map: &str| {
        std::fs::write(house.map_file("heron-lane"), map).expect("the map is written");
    };
    house.restart();
    assert_eq!(texts(&house), Vec::<String>::new());
    // While it runs.
    let single = MAP.replace("doubled = true", "doubled = false");
    write(&house, &single);
    house.sighup();
    eventually(START, || !texts(&house).is_empty());
    assert_eq!(texts(&house), ["Heat-pump water heater: doubled true -> false"]);
    // The same map again, read again and started again.
    write(&house, &format!("# a comment changes nothing\n{single}"));
    house.sighup();
    house.restart();
    assert_eq!(texts(&house).len(), 1);
    // While nothing runs: the heater's CT goes to the well pump.
    assert!(house.sigterm().success());
    let moved = single.replace("doubled = false", "until = 2025-03-10T06:00:00")
        + "\n[[circuit]]\nid = \"well-pump\"\nlabel = \"Well pump\"\nend_use = \"well/sump\"\nbus = \"main\"\n\
           spaces = [14, 16]\nbreaker_a = 20\nchannels = [\"house/5\"]\nfrom = 2025-03-10T06:00:00\n";
    write(&house, &moved);
    assert_eq!(texts(&house).len(), 1, "nothing has looked yet");
    house.restart();
    eventually(START, || texts(&house).len() == 2);
    let expected = "CT house/5 moved from Heat-pump water heater to Well pump from 2025-03-10T06:00";
    assert_eq!(texts(&house)[1], expected);
    let by: Value = serde_json::from_str(&annotate(&house, &["list", "--format", "json"])).expect("JSON");
    assert!(by.as_array().is_some_and(|notes| notes.iter().all(|note| note["by"] == "map")), "{by}");
}
