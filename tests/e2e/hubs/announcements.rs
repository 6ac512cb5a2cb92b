//! Announcements for an imaginary hub, in an invented form.

use super::{SOON, map};
use crate::harness::{Mosquitto, Setup, Subscriber, eventually, require};

const ANNOUNCE: &str = r#"
[[announce]]
for = "figure"
topic = "hub/new/{{ site.id }}/{{ figure.id }}"
payload = """
{"title": {{ figure.name|json }}, "read": {{ figure.topic|json }}, "in": {{ figure.unit|json }}}
"""

[[announce]]
for = "circuit"
topic = "hub/rooms/{{ circuit.id }}"
payload_file = "room.j2"
"#;

fn title(subscriber: &Subscriber, topic: &str) -> Option<String> {
    let message = subscriber.latest(topic).filter(|message| !message.payload.is_empty())?;
    Some(message.json()["title"].as_str().unwrap_or_default().to_owned())
}

#[test]
fn announcements_come_from_templates_and_go_with_what_they_announce() {
    if !require("mosquitto") {
        return;
    }
    let broker = Mosquitto::start("");
    let mut daemon = Setup::new(&broker.url())
        .site("heron-lane", &map("heron-lane", &["fridge", "freezer"]))
        .settings(ANNOUNCE)
        .lay_out();
    let file = daemon.directory().join("room.j2");
    std::fs::write(&file, "{{ circuit.label }} on {{ circuit.bus }}").expect("written");

    // What would be said is shown beforehand.
    let (status, shown, _) = daemon.run(&["check", "--announcements"]);
    assert_eq!(status, 0, "{shown}");
    assert!(shown.contains("hub/rooms/fridge\n    The fridge on main\n"), "{shown}");
    let grid = "hub/new/heron-lane/site-grid\n    {\"title\": \"Heron Lane (invented) from the grid, negative while exporting\", \
                \"read\": \"homie/5/panelwright-heron-lane/site/grid\", \"in\": \"W\"}\n";
    assert!(shown.contains(grid), "{shown}");

    daemon.restart();
    daemon.wait_healthy();
    let subscriber = Subscriber::connect(broker.port(), "hub/#");
    let power = "hub/new/heron-lane/circuit-freezer-power";
    eventually(SOON, || title(&subscriber, power).as_deref() == Some("The freezer power"));
    eventually(SOON, || subscriber.latest("hub/rooms/freezer").is_some());
    let room = subscriber.latest("hub/rooms/freezer").expect("heard");
    assert_eq!(room.text(), "The freezer on main");

    // While the daemon is stopped they stay; a circuit that is gone when it is back goes.
    assert!(daemon.sigterm().success(), "{}", daemon.log());
    std::fs::write(daemon.map_file("heron-lane"), map("heron-lane", &["fridge"])).expect("written");
    let later = Subscriber::connect(broker.port(), "hub/#");
    eventually(SOON, || later.latest(power).is_some_and(|message| message.retained));
    daemon.restart();
    eventually(SOON, || {
        [power, "hub/rooms/freezer"]
            .iter()
            .all(|topic| later.latest(topic).is_some_and(|message| message.payload.is_empty()))
    });
    assert!(title(&later, "hub/new/heron-lane/circuit-fridge-power").is_some());

    // A site that comes while it runs is announced, and goes with its map.
    std::fs::write(daemon.map_file("workshop"), map("workshop", &["kiln"])).expect("written");
    daemon.sighup();
    eventually(SOON, || title(&later, "hub/new/workshop/circuit-kiln-power").is_some());
    std::fs::remove_file(daemon.map_file("workshop")).expect("removed");
    daemon.sighup();
    eventually(SOON, || {
        later.latest("hub/new/workshop/circuit-kiln-power").is_some_and(|message| message.payload.is_empty())
    });
    assert!(daemon.sigterm().success(), "{}", daemon.log());
}

#[test]
fn a_template_that_fails_is_told_with_its_file_and_line() {
    let mut daemon = Setup::new("mqtt://127.0.0.1:1")
        .site("heron-lane", &map("heron-lane", &["fridge"]))
        .settings(ANNOUNCE)
        .lay_out();
    std::fs::write(daemon.directory().join("room.j2"), "one\ntwo {{ circuit.colour }}").expect("written");
    let (status, shown, _) = daemon.run(&["check"]);
    assert_eq!(status, 78, "{shown}");
    let expected = "room.j2:2: error: for site heron-lane: the template fails";
    assert!(shown.contains(expected), "{shown}");
    // The daemon does not start on it either.
    daemon.launch();
    assert_eq!(daemon.wait(SOON).code(), Some(78), "{}", daemon.log());
    assert!(daemon.log().contains(expected), "{}", daemon.log());
}
