//! The reference for installers says what the program does.

use std::fmt::Write as _;

use super::super::{FigureKey, parse, rules};
use super::{bus, circuit, messages, sound, value};

const REFERENCE: &str = include_str!("../../../docs/map.md");

/// The TOML blocks of the reference.
fn blocks() -> Vec<&'static str> {
    let fences = REFERENCE.split("```toml\n").skip(1);
    fences.filter_map(|block| block.split_once("```").map(|(toml, _)| toml)).collect()
}

#[test]
fn its_table_is_the_table_of_rules() {
    let mut table =
        String::from("| | rule | what is refused or doubted | why |\n| --- | --- | --- | --- |\n");
    for rule in rules::ALL {
        let _ = writeln!(table, "| {} | `{}` | {} | {} |", rule.severity, rule.id, rule.refuses, rule.why);
    }
    assert!(REFERENCE.ends_with(&table), "docs/map.md has to end with:\n{table}");
}

#[test]
fn its_blocks_are_understood() {
    let whole = blocks().into_iter().find(|block| block.contains("barn-lights")).expect("the worked example");
    assert_eq!(messages(&parse("map.md", whole).findings), "");
    for block in blocks() {
        let findings = parse("map.md", block).findings;
        // An excerpt lacks what stands elsewhere; what it does say has to be known.
        let wrong = ["toml-syntax", "unknown-key", "wrong-type", "unknown-word", "bad-date", "duplicate-id"];
        assert!(!findings.iter().any(|finding| wrong.contains(&finding.rule)), "{}", messages(&findings));
    }
}

/// The tables of the worked example: readings, then figures, as the page has them.
#[test]
fn its_worked_example_is_what_the_plan_gives() {
    let cells = |line: &'static str| -> Option<(&str, i128)> {
        let mut cells = line.strip_prefix("| ")?.split(" | ");
        Some((cells.next()?, cells.next()?.replace(',', "").parse().ok()?))
    };
    let rows: Vec<_> = REFERENCE.lines().filter_map(cells).collect();
    let of = |name: &str| {
        rows.iter().find(|(other, _)| *other == name).unwrap_or_else(|| panic!("no row {name}")).1
    };
    let site = sound(blocks()[0]);
    let readings: Vec<i128> = site.channels.iter().map(|channel| of(&channel.name)).collect();
    let check = |key: FigureKey, expected: i128| {
        let found = value(&site.epochs[0], key, &readings).map(|value| value / 1_000_000);
        assert_eq!(found, Some(expected), "{key:?}");
    };
    check(FigureKey::BusUntracked(bus(&site, "main")), of("untracked in the house panel"));
    check(FigureKey::BusUntracked(bus(&site, "barn")), of("untracked in the barn"));
    check(FigureKey::Grid, of("grid"));
    check(FigureKey::Generation, of("generation"));
    check(FigureKey::Consumption, of("consumption"));
    check(FigureKey::Tracked, of("tracked"));
    check(FigureKey::Untracked, of("untracked"));
    check(FigureKey::SelfConsumed, of("self-consumed"));
    for (id, watts) in [
        ("water-heater", 480),
        ("range", 1500),
        ("kitchen-plugs", 120),
        ("solar", -3000),
        ("barn-feeder", 410),
        ("barn-lights", 290),
    ] {
        check(circuit(&site, id), watts);
    }
}
