//! Announcements for an imaginary hub.

use bytes::Bytes;

use super::*;
use crate::publish::Publisher;
use crate::publish::tests::{NOON, flows, house};
use crate::reading::SiteIndex;
use crate::site::FigureKey::*;
use crate::site::{Epoch, Figure, FigureKey, Plan};

fn source(text: &str, line: usize) -> Source {
    Source { text: text.into(), file: "panelwright.toml".into(), line }
}

fn options(each: Each, topic: &str, payload: &str) -> Options {
    let announce = vec![Announcement { each, topic: source(topic, 10), payload: source(payload, 20) }];
    Options { announce, ..Options::default() }
}

fn site(keys: &[FigureKey]) -> Site {
    let figures = keys.iter().map(|key| Figure { key: *key, terms: Vec::new() }).collect();
    let plan = Plan { splits: Vec::new(), figures };
    Site { epochs: vec![Epoch { span: Stamp::MIN..Stamp::MAX, plan }], ..house() }
}

fn rendered(each: Each, topic: &str, payload: &str) -> Vec<(String, String)> {
    let (rendered, faults) = render(&options(each, topic, payload), &site(&[Grid, Circuit(0)]), NOON);
    assert_eq!(faults, []);
    rendered.into_iter().map(|one| (one.topic, one.payload)).collect()
}

fn faults(each: Each, topic: &str, payload: &str) -> String {
    let (_, faults) = render(&options(each, topic, payload), &site(&[Grid, Circuit(0)]), NOON);
    faults.iter().map(ToString::to_string).collect::<Vec<_>>().join("\n")
}

#[test]
fn one_message_a_figure_with_its_topic_and_unit() {
    let all = rendered(
        Each::Figure,
        "hub/{{ site.id }}/{{ figure.id }}",
        r#"{"name":{{ figure.name|json }},"from":{{ figure.topic|json }},"in":{{ figure.unit|json }}}"#,
    );
    let grid = (
        "hub/heron-lane/site-grid".to_owned(),
        r#"{"name":"Heron Lane farmhouse from the grid, negative while exporting","from":"homie/5/panelwright-heron-lane/site/grid","in":"W"}"#.to_owned(),
    );
    assert_eq!(all[0], grid);
    let ids: Vec<_> = all.iter().map(|(topic, _)| topic.rsplit('/').next().unwrap_or_default()).collect();
    assert_eq!(
        ids,
        [
            "site-grid",
            "site-coverage-today",
            "circuit-well-pump-power",
            "circuit-well-pump-energy-today",
            "health-state",
            "health-alerts",
            "health-unknown"
        ]
    );
}

#[test]
fn one_message_a_circuit_or_a_site() {
    let payload = "{{ circuit.label }} {{ circuit.end_use }} {{ circuit.bus }} {{ circuit.spaces|json }}";
    let all = rendered(Each::Circuit, "hub/{{ circuit.id }}", payload);
    assert_eq!(all, [("hub/well-pump".to_owned(), "WELL-PUMP other main []".to_owned())]);
    let payload = "{{ site.name|json }} {{ topics.now }} {{ topics.state }} {{ topics.homie }}";
    let all = rendered(Each::Site, "hub", payload);
    let text = "\"Heron Lane farmhouse\" panelwright/heron-lane/now panelwright/state \
                homie/5/panelwright-heron-lane";
    assert_eq!(all, [("hub".to_owned(), text.to_owned())]);
}

#[test]
fn the_place_in_the_plain_body_is_said_where_there_is_one() {
    let all = rendered(Each::Figure, "{{ figure.id }}", "{{ figure.member|json }}");
    let members: Vec<_> = all.iter().map(|(_, payload)| payload.as_str()).collect();
    assert_eq!(members, ["\"/grid_w\"", "null", "\"/circuits/well-pump/w\"", "null", "null", "null", "null"]);
}

#[test]
fn what_renders_empty_is_not_announced() {
    let payload = "{% if circuit %}{{ circuit.id }}{% endif %}\n";
    let all = rendered(Each::Figure, "{{ figure.id }}", payload);
    assert_eq!(all.len(), 2, "the circuit's power and energy: {all:?}");
}

#[test]
fn the_json_filter_escapes() {
    let check = |expression: &str, expected: &str| {
        assert_eq!(rendered(Each::Site, "t", &format!("{{{{ {expression}|json }}}}"))[0].1, expected);
    };
    check(r#"'a"b\\c\n<é>'"#, r#""a\"b\\c\n<é>""#);
    check("[1, 2.5, true, none, 'x']", r#"[1,2.5,true,null,"x"]"#);
    check("{'a': {'b': 1}}", r#"{"a":{"b":1}}"#);
}

#[test]
fn faults_have_file_and_line() {
    let check = |each, topic: &str, payload: &str, expected: &str| {
        let told = faults(each, topic, payload);
        assert!(told.contains(expected), "{told}");
        assert_eq!(told.lines().count(), 1, "once, not once a figure: {told}");
    };
    let all = "{{ figure.id }}";
    check(
        Each::Figure,
        all,
        "first\n\n{{ figure.colour }}",
        "panelwright.toml:22: error: for site heron-lane: ",
    );
    check(Each::Figure, all, "a\n{% if %}", "panelwright.toml:21: error: the template fails: syntax error");
    check(Each::Figure, "{{ nobody }}", "x", "panelwright.toml:10: error: for site heron-lane: ");
    check(Each::Figure, all, "{{ figure.id|shout }}", "filters are those of MiniJinja, and json");
    check(Each::Site, "hub/#", "x", "holds a wildcard");
    check(Each::Site, "$SYS/x", "x", "belongs to the broker");
    check(Each::Site, "a\nb", "x", "line break");
    check(
        Each::Site,
        "t",
        "{% for i in range(9999) %}{% for j in range(9999) %}{% endfor %}{% endfor %}x",
        "runs too long",
    );
    check(Each::Site, "t", "{{ 'x' * 70000 }}", "has 70000 bytes");
    let told = faults(Each::Figure, "hub", "{{ figure.id }}");
    assert!(told.contains("two announcements have the topic \"hub\""), "{told}");
}

#[test]
fn announcements_follow_the_map_and_the_connection() {
    let options =
        Options { homie: None, ..options(Each::Circuit, "hub/{{ circuit.id }}", "{{ circuit.label }}") };
    let sites = vec![Arc::new(site(&[Circuit(0), Circuit(1)]))];
    let mut publisher = Publisher::for_hubs(options, &sites);
    let now = |publisher: &mut Publisher, second: i64| {
        let at = NOON + crate::units::Span::from_seconds(second);
        let said = publisher.on_flows(
            SiteIndex(0),
            &flows(at, &[(Circuit(0), Some(second as f64 * 9.0))]),
            &Arc::default(),
            &Bytes::new(),
            at,
        );
        let text = |payload: &Bytes| String::from_utf8_lossy(payload).into_owned();
        said.iter().map(|message| (message.topic.clone(), text(&message.payload))).collect::<Vec<_>>()
    };
    let pair = |topic: &str, payload: &str| (topic.to_owned(), payload.to_owned());
    let both = [pair("hub/freezer", "FREEZER"), pair("hub/well-pump", "WELL-PUMP")];
    publisher.on_up(NOON);
    assert_eq!(now(&mut publisher, 0), both);
    assert_eq!(now(&mut publisher, 1), [], "once");
    // The freezer's CT is taken off.
    assert_eq!(publisher.on_sites(&[Arc::new(site(&[Circuit(0)]))]), []);
    assert_eq!(now(&mut publisher, 2), [pair("hub/freezer", "")]);
    // Again, after another connection.
    publisher.on_down();
    let said: Vec<_> = publisher.on_up(NOON).into_iter().map(|message| message.topic).collect();
    assert_eq!(said, ["hub/well-pump"]);
    // A site that is gone takes its announcements with it, and a stop does not.
    assert_eq!(publisher.on_shutdown(NOON), []);
    assert_eq!(publisher.on_sites(&[]), []);
    publisher.on_up(NOON);
    let mut names = publisher.retains(NOON);
    names.sort();
    assert_eq!(names, ["panelwright/state"]);
}
