//! The demo site is sound, and is what the documentation says it is.

use super::super::{FigureKey, Leg, Role, parse};
use super::{messages, sound};

const HERON_LANE: &str = include_str!("../../../config/sites/heron-lane.toml");

#[test]
fn the_demo_site_has_no_finding() {
    let parsed = parse("heron-lane.toml", HERON_LANE);
    assert_eq!(messages(&parsed.findings), "");
    let site = parsed.site.unwrap();
    assert_eq!(
        (site.id.as_str(), site.time_zone.as_str(), site.billing_day),
        ("heron-lane", "America/Denver", 18)
    );
    assert_eq!(site.channels.iter().filter(|channel| channel.name.starts_with("house/")).count(), 19);
    assert_eq!(site.channels.len(), 24);
    assert_eq!(site.epochs.len(), 1);
    let splits: Vec<_> = site.splits.iter().map(String::as_str).collect();
    assert_eq!(splits, ["grid", "pv/solar", "self-consumed"]);
}

#[test]
fn every_figure_of_the_demo_site_is_defined() {
    let site = sound(HERON_LANE);
    let plan = &site.epochs[0].plan;
    let has = |key: FigureKey| plan.figures.iter().any(|figure| figure.key == key);
    for key in [
        FigureKey::Grid,
        FigureKey::Import,
        FigureKey::Export,
        FigureKey::Generation,
        FigureKey::Consumption,
        FigureKey::Tracked,
        FigureKey::Untracked,
        FigureKey::SelfConsumed,
        FigureKey::Storage,
        FigureKey::Surplus,
        FigureKey::MainsLeg(Leg::A),
        FigureKey::MainsLeg(Leg::B),
        FigureKey::BusFeed(2),
        FigureKey::BusUntracked(1),
        FigureKey::BusUntracked(2),
    ] {
        assert!(has(key), "{key:?}");
    }
    for (index, circuit) in site.circuits.iter().enumerate() {
        assert_eq!(has(FigureKey::Circuit(index)), !circuit.latest().terms.is_empty(), "{}", circuit.id);
    }
}

#[test]
fn breakers_of_two_poles_are_on_both_legs() {
    let site = sound(HERON_LANE);
    for circuit in &site.circuits {
        let entry = circuit.latest();
        assert_eq!(entry.legs.len(), entry.spaces.len(), "{}", circuit.id);
        if entry.role == Role::Feeder(2) {
            assert_eq!(circuit.id, "barn-feeder");
        }
    }
}
