//! Each rule of the trade both ways, and the list in docs/trade-rules.md.

use super::super::{Finding, parse};
use super::rules;

/// A house that no rule of the trade asks anything about. Invented.
const HOUSE: &str = r#"site = "hill-farm"
time_zone = "America/Denver"
[service]
system = "split-phase 120/240"
main_breaker_a = 200
[[device]]
id = "h"
topic = "hill/{channel}"
unit = "W"
every_s = 1
[[feed]]
bus = "main"
channels = [{ channel = "h/m1", leg = "A" }, { channel = "h/m2", leg = "B" }]
ct_rating_a = 200
[[bus]]
id = "main"
rating_a = 200
spaces = 16
spares = [6, 8, 13, 15]
[[bus]]
id = "barn"
fed_by = "barn-feeder"
rating_a = 100
[[circuit]]
id = "heater"
end_use = "hot water"
spaces = [1, 3]
breaker_a = 30
ct_rating_a = 50
channels = ["h/1"]
doubled = true
[[circuit]]
id = "dryer"
end_use = "laundry"
spaces = [2, 4]
breaker_a = 30
ct_rating_a = 50
channels = ["h/2", "h/3"]
[[circuit]]
id = "plugs"
end_use = "plug loads"
spaces = [5]
breaker_a = 20
ct_rating_a = 20
channels = ["h/4"]
[[circuit]]
id = "lights"
end_use = "lighting"
spaces = [7]
breaker_a = 15
shares_neutral_with = "plugs"
[[circuit]]
id = "barn-feeder"
spaces = [10, 12]
breaker_a = 60
ct_rating_a = 100
channels = ["h/5", "h/6"]
[[circuit]]
id = "washer"
end_use = "laundry"
spaces = [9]
breaker_a = 20
[[circuit]]
id = "disposer"
end_use = "cooking"
spaces = [11]
breaker_a = 20
[[circuit]]
id = "solar"
end_use = "PV"
spaces = [14, 16]
breaker_a = 40
ct_rating_a = 50
inverter_a = 32
channels = ["h/7"]
doubled = true
[[circuit]]
id = "barn-plugs"
end_use = "plug loads"
bus = "barn"
spaces = [1]
breaker_a = 20
ct_rating_a = 20
channels = ["h/9"]
"#;

fn found(map: &str) -> Vec<Finding> {
    let parsed = parse("map.toml", map);
    assert!(parsed.site.is_some(), "{:#?}", parsed.findings);
    parsed.trade
}

/// Edits the house; the rules that then ask, and the lines they ask at.
fn check(edits: &[(&str, &str)], expected: &[&str]) {
    let mut map = HOUSE.to_owned();
    for (from, to) in edits {
        assert!(map.contains(from), "{from}");
        map = map.replacen(from, to, 1);
    }
    let found = found(&map);
    let mut ids: Vec<&str> = found.iter().map(|finding| finding.rule).collect();
    ids.dedup();
    assert_eq!(ids, expected, "{found:#?}");
}

#[test]
fn a_sound_house_is_asked_nothing() {
    check(&[], &[]);
}

#[test]
fn cts_are_held_against_breakers() {
    let heater = "breaker_a = 30\nct_rating_a = 50\nchannels = [\"h/1\"]";
    check(&[(heater, "breaker_a = 50\nct_rating_a = 50\nchannels = [\"h/1\"]")], &[]);
    check(&[(heater, "breaker_a = 60\nct_rating_a = 50\nchannels = [\"h/1\"]")], &["ct-below-breaker"]);
    check(&[(heater, "breaker_a = 30\nct_rating_a = 240\nchannels = [\"h/1\"]")], &[]);
    check(&[(heater, "breaker_a = 30\nct_rating_a = 250\nchannels = [\"h/1\"]")], &["ct-oversized"]);
    check(&[("ct_rating_a = 200", "ct_rating_a = 150")], &["mains-ct-small"]);
    check(&[("breaker_a = 15", "breaker_a = 16")], &["odd-breaker"]);
}

/// Check 10 of the trade: ⌈n/2⌉ odd is leg A, so 1 and 3 differ, and 1 and 2 do not (common practice, no
/// source).
#[test]
fn poles_are_held_against_spaces() {
    check(
        &[
            ("spaces = [2, 4]", "spaces = [4]\nlegs = [\"A\", \"B\"]"),
            ("spares = [6, 8,", "spares = [2, 6, 8,"),
        ],
        &["poles-and-spaces"],
    );
    check(
        &[(
            "spaces = [5]\nbreaker_a = 20\nct_rating_a = 20\nchannels = [\"h/4\"]",
            "spaces = [5]\nbreaker_a = 20\nchannels = [\"h/4\", \"h/44\"]",
        )],
        &["poles-and-spaces"],
    );
    let two = "spaces = [2, 4]";
    check(&[(two, "spaces = [4, 8]"), ("spares = [6, 8,", "spares = [2, 6,")], &["poles-on-one-leg"]);
    check(&[(two, "spaces = [4, 8]\nlegs = [\"A\", \"B\"]"), ("spares = [6, 8,", "spares = [2, 6,")], &[]);
    check(&[("channels = [\"h/2\", \"h/3\"]", "channels = [\"h/2\"]")], &["half-measured"]);
    check(
        &[("channels = [\"h/2\", \"h/3\"]", "channels = [\"h/2\"]\ndoubled = true")],
        &["doubled-unbalanced"],
    );
    check(
        &[("channels = [\"h/5\", \"h/6\"]", "channels = [\"h/5\"]\ndoubled = true")],
        &["doubled-unbalanced"],
    );
    check(&[("end_use = \"hot water\"", "end_use = \"other\"")], &["end-use-other"]);
}

/// NEC 210.4: circuits that share a neutral are on different legs, and are switched together.
#[test]
fn circuits_that_share_a_neutral_are_on_different_legs_and_tied() {
    let lights = "spaces = [7]\nbreaker_a = 15";
    check(
        &[(lights, "spaces = [6]\nbreaker_a = 15"), ("spares = [6,", "spares = [7,")],
        &["neutral-on-one-leg"],
    );
    check(
        &[(lights, "spaces = [8]\nbreaker_a = 15"), ("spares = [6, 8", "spares = [6, 7")],
        &["neutral-not-tied"],
    );
    check(&[("shares_neutral_with = \"plugs\"", "shares_neutral_with = \"plug\"")], &["neutral-unknown"]);
}

/// NEC 705.12: a 200 A busbar behind a 200 A main bears 40 A of breaker, 32 A of inverter, at the far end
/// (1.25 × 32 + 200 = 240 = 1.2 × 200).
#[test]
fn sources_are_held_against_the_busbar() {
    check(&[("inverter_a = 32", "inverter_a = 33")], &["sources-over-busbar"]);
    check(&[("inverter_a = 32\n", "")], &[]);
    check(
        &[
            ("inverter_a = 32\n", ""),
            ("breaker_a = 40\nct_rating_a = 50", "breaker_a = 45\nct_rating_a = 50"),
        ],
        &["sources-over-busbar"],
    );
    // A smaller main leaves room for both, wherever the source sits.
    let high = ("spaces = [14, 16]", "spaces = [6, 8]");
    let spares = ("spares = [6, 8, 13, 15]", "spares = [13, 14, 15, 16]");
    check(&[high, spares], &["source-not-at-end"]);
    check(&[high, spares, ("main_breaker_a = 200", "main_breaker_a = 150")], &[]);
    // Of a panel fed from below, the far end is at the top.
    let bottom = ("rating_a = 200\nspaces = 16", "rating_a = 200\nmain_at = \"bottom\"\nspaces = 16");
    check(&[bottom], &["source-not-at-end"]);
    check(&[("rating_a = 200\nspaces = 16", "spaces = 16")], &["source-busbar-unknown"]);
    check(
        &[
            ("main_breaker_a = 200", "main_breaker_a = 225"),
            ("ct_rating_a = 200", "ct_rating_a = 225"),
            ("inverter_a = 32", "inverter_a = 12"),
        ],
        &["busbar-unprotected"],
    );
    check(&[("rating_a = 100", "rating_a = 50")], &["busbar-unprotected"]);
}

#[test]
fn every_position_of_a_panel_of_known_size_is_told() {
    let map = HOUSE.replacen("spares = [6, 8, 13, 15]", "spares = [13]", 1);
    let found = found(&map);
    assert_eq!(found.len(), 1);
    assert!(found[0].what.starts_with("spaces 6, 8, 15 of \"main\""), "{}", found[0].what);
    check(&[("spares = [6, 8, 13, 15]", "spares = [6, 8, 13, 15, 9]")], &["spare-in-use"]);
    check(
        &[("spaces = 16", "spaces = 14"), ("spares = [6, 8, 13, 15]", "spares = [6, 8, 13]")],
        &["space-beyond-panel"],
    );
}

#[test]
fn what_has_ended_is_history() {
    let past = "[[circuit]]\nid = \"old\"\nend_use = \"other\"\nspaces = [6]\nbreaker_a = 17\nchannels = [\"h/8\"]\nuntil = 2020-01-01\n";
    assert_eq!(found(&format!("{}{past}", HOUSE)), []);
    assert_ne!(found(&format!("{}{}", HOUSE, past.replace("until = 2020-01-01\n", ""))), []);
}

#[test]
fn a_finding_is_accepted_where_its_circuit_is_named() {
    let accept = |about: &str| {
        let text = format!("[[accept]]\nfinding = \"ct-below-breaker\"\n{about}reason = \"seen\"\n");
        let map = HOUSE.replacen("breaker_a = 30\nct_rating_a = 50", "breaker_a = 60\nct_rating_a = 50", 1);
        found(&format!("{map}{text}")).remove(0)
    };
    assert_eq!(accept("circuit = \"heater\"\n").accepted.as_deref(), Some("seen"));
    assert_eq!(accept("").accepted.as_deref(), Some("seen"));
    assert!(accept("circuit = \"dryer\"\n").accepted.is_none());
    assert!(accept("circuit = \"dryer\"\n").is_open() && !accept("").is_open());
}

#[test]
fn each_rule_is_in_the_list_and_cites_where_it_comes_from() {
    let page = include_str!("../../../docs/trade-rules.md");
    let mut table =
        String::from("| | rule | what is asked about | why | by |\n| --- | --- | --- | --- | --- |\n");
    for rule in rules::ALL {
        let source = rule.source.unwrap_or("the books");
        table.push_str(&format!(
            "| {} | `{}` | {} | {} | {source} |\n",
            rule.severity, rule.id, rule.refuses, rule.why
        ));
    }
    assert!(page.ends_with(&table), "docs/trade-rules.md has to end with:\n{table}");
    assert!(rules::ALL.iter().all(|rule| rule.severity != super::super::Severity::Error));
}
