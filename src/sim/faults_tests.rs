//! The demo's faults: their maps, what they do to the readings, and that the audit leads to the right line.

use super::*;
use crate::audit::{Report, apply, audit};
use crate::sim::Simulation;
use crate::sim::evidence;
use crate::units::{Span, Stamp};

#[test]
fn every_kind_of_the_audit_has_a_fault_whose_maps_are_good() {
    for kind in Kind::ALL {
        // The demo's meters send no counters beside their power.
        let shown = *kind == Kind::CounterDiffers || FAULTS.iter().any(|fault| fault.kind == *kind);
        assert!(shown, "{kind}");
    }
    for fault in FAULTS {
        let map = crate::site::parse("heron-lane.toml", &fault.map().expect("a map"));
        let map = map.site.unwrap_or_else(|| panic!("{}: {:?}", fault.name, map.findings));
        let wired = fault.wired().expect("a wiring");
        let names =
            |site: &Site| site.channels.iter().map(|channel| channel.name.clone()).collect::<Vec<_>>();
        assert_eq!(names(&map), names(&wired), "{}: the meters send the same", fault.name);
        assert!(
            map.circuits.iter().any(|circuit| circuit.id == fault.about) || fault.about == "main",
            "{}",
            fault.name
        );
    }
    let names: std::collections::BTreeSet<_> = FAULTS.iter().map(|fault| fault.name).collect();
    assert_eq!(names.len(), FAULTS.len());
}

#[test]
fn a_fault_changes_what_the_meters_send_and_nothing_else_of_the_house() {
    let at = Stamp::from_seconds(1_782_000_000);
    let second = |fault: &str| {
        let mut simulation = Simulation::faulty(Fault::named(fault).expect("a fault"), 3).expect("a house");
        simulation.second(at).expect("a second").clone()
    };
    let mut sound = Simulation::new(&crate::sim::tests::heron_lane(), 3).expect("a house");
    let sound = sound.second(at).expect("a second").clone();
    let site = crate::sim::tests::heron_lane();
    let check = |fault: &str, channel: &str, expected: &dyn Fn(i64) -> i64| {
        let found = second(fault);
        let index = site.channel(channel).expect("a channel").0 as usize;
        assert_eq!(found.channels[index], expected(sound.channels[index]), "{fault}");
        if fault != "unbalanced" {
            assert_eq!(found.truth.grid, sound.truth.grid, "{fault}");
            assert_eq!(found.truth.circuits, sound.truth.circuits, "{fault}");
        }
    };
    check("dead", "house/13", &|_| 0);
    check("stuck", "house/15", &|_| 2173);
    check("coarse", "house/15", &|value| (2 * value + 1000).div_euclid(2000) * 1000);
    check("not-doubled", "house/3", &|value| value);
    check("wrong-leg", "house/15", &|value| value);
}

/// Noon on an invented Wednesday in November, at the house.
const NOON: i64 = 1_795_633_200;

/// The map with that fault, the day before noon as the meters send it, and what the audit says.
fn day(fault: &Fault) -> (String, crate::audit::Evidence, Report) {
    let text = fault.map().expect("a map");
    let site = crate::site::parse("heron-lane.toml", &text).site.expect("a map");
    let mut simulation = Simulation::faulty(fault, 1).expect("a house");
    let noon = Stamp::from_seconds(NOON);
    let evidence = evidence(&site, &mut simulation, noon - Span::DAY..noon).expect("readings");
    let report = audit(&site, &evidence);
    (text, evidence, report)
}

/// The table that a line stands in, by the id or bus that it says.
fn table_of(text: &str, line: usize) -> String {
    let lines: Vec<&str> = text.lines().collect();
    let start = (0..line).rev().find(|n| lines[*n].starts_with("[[")).expect("a table");
    let named = lines[start..].iter().find(|line| line.starts_with("id = ") || line.starts_with("bus = "));
    named.and_then(|line| line.split('"').nth(1)).expect("a name").to_owned()
}

/// A newcomer is led to one line, and nothing else is said; with it mended nothing is left.
fn check(name: &str, mends: bool) {
    let fault = Fault::named(name).expect("a fault");
    let (text, evidence, report) = day(fault);
    let ids: Vec<String> = report.findings.iter().map(crate::audit::Finding::id).collect();
    assert_eq!(ids, [format!("{}:{}", fault.kind, fault.about)], "{:#?}", report.findings);
    let finding = &report.findings[0];
    assert_eq!(table_of(&text, finding.line), fault.about, "line {}", finding.line);
    assert!(finding.evidence.len() > 20 && finding.advice.len() > 20, "{finding:#?}");
    assert_eq!(!finding.edits.is_empty(), mends, "{:?}", finding.edits);
    if mends {
        let mended = apply(&text, &finding.edits);
        let parsed = crate::site::parse("heron-lane.toml", &mended);
        let site = parsed.site.unwrap_or_else(|| panic!("{:?}", parsed.findings));
        let left = audit(&site, &evidence).findings;
        assert!(left.is_empty(), "{left:#?}");
    }
}

macro_rules! found {
    ($($test:ident $name:literal $mends:literal),* $(,)?) => {
        $(#[test] fn $test() { check($name, $mends); })*

        #[test]
        fn every_fault_is_looked_for() {
            let names = [$($name),*];
            assert_eq!(names.len(), FAULTS.len());
            FAULTS.iter().for_each(|fault| assert!(names.contains(&fault.name), "{}", fault.name));
        }
    };
}

// The day of each is lived through once: some seconds.
found! {
    finds_reversed "reversed" true,
    finds_reversed_one_of_two "reversed-one-of-two" true,
    finds_reversed_mains "reversed-mains" true,
    finds_not_doubled "not-doubled" true,
    finds_doubled_wrongly "doubled-wrongly" true,
    finds_unbalanced "unbalanced" false,
    finds_wrong_scale "wrong-scale" true,
    finds_wrong_leg "wrong-leg" true,
    finds_mains_swapped "mains-swapped" true,
    finds_pv_sign "pv-sign" true,
    finds_supply_side "supply-side" true,
    finds_not_on_bus "not-on-bus" true,
    finds_feeder_twice "feeder-twice" true,
    finds_same_wire "same-wire" true,
    finds_swapped "swapped" true,
    finds_dead "dead" false,
    finds_stuck "stuck" false,
    finds_saturated "saturated" false,
    finds_coarse "coarse" false,
    finds_untracked_negative "untracked-negative" false,
}
