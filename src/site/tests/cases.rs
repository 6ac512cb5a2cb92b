//! Feeds, subpanels, storage and dates: one small map for each case.

use super::super::{Ct, FigureKey, Leg, Site, fingerprint, parse};
use super::{bus, circuit, figure, sound, utc};
use crate::units::Stamp;

const HEAD: &str = r#"
site = "cases"
time_zone = "America/Denver"
[service]
system = "split-phase 120/240"
[[device]]
id = "h"
topic = "cases/{channel}"
unit = "W"
every_s = 1
"#;

const MAINS: &str = "[[feed]]\nbus = \"main\"\nchannels = [\"h/m\"]\n";

fn map(parts: &[&str]) -> Site {
    sound(&format!("{HEAD}{}", parts.concat()))
}

/// A circuit in two lines.
fn load(id: &str, rest: &str) -> String {
    format!("[[circuit]]\nid = \"{id}\"\nend_use = \"other\"\n{rest}\n")
}

fn first(site: &Site, key: FigureKey) -> Option<String> {
    figure(site, &site.epochs[0], key)
}

const BARN: &str = "[[bus]]\nid = \"barn\"\nfed_by = \"to-barn\"\n";
const SHOP: &str = "[[bus]]\nid = \"shop\"\nfed_by = \"to-shop\"\n";

#[test]
fn an_unmeasured_feeder_is_transparent() {
    let site = map(&[
        MAINS,
        BARN,
        "[[circuit]]\nid = \"to-barn\"\n",
        &load("a", "channels = [\"h/1\"]"),
        &load("b", "bus = \"barn\"\nchannels = [\"h/2\"]"),
    ]);
    assert_eq!(first(&site, FigureKey::BusUntracked(1)).unwrap(), "+1 h/m -1 h/1 -1 h/2");
    assert_eq!(first(&site, FigureKey::BusFeed(bus(&site, "barn"))), None);
    assert_eq!(first(&site, FigureKey::BusUntracked(bus(&site, "barn"))), None);
    assert_eq!(first(&site, circuit(&site, "to-barn")), None);
    assert_eq!(first(&site, FigureKey::Tracked).unwrap(), "+1 h/1 +1 h/2");
}

#[test]
fn a_subpanel_can_have_a_feed_of_its_own_in_place_of_a_measured_feeder() {
    let site = map(&[
        MAINS,
        BARN,
        "[[circuit]]\nid = \"to-barn\"\n",
        "[[feed]]\nbus = \"barn\"\nchannels = [\"h/f1\", \"h/f2\"]\n",
        &load("b", "bus = \"barn\"\nchannels = [\"h/2\"]"),
    ]);
    let barn = bus(&site, "barn");
    assert_eq!(first(&site, FigureKey::BusFeed(barn)).unwrap(), "+1 h/f1 +1 h/f2");
    assert_eq!(first(&site, FigureKey::BusUntracked(barn)).unwrap(), "+1 h/f1 +1 h/f2 -1 h/2");
    assert_eq!(first(&site, FigureKey::BusUntracked(1)).unwrap(), "+1 h/m -1 h/f1 -1 h/f2");
    assert_eq!(first(&site, circuit(&site, "to-barn")), None);
    assert_eq!(first(&site, FigureKey::Untracked).unwrap(), "+1 h/m -1 h/2");
}

#[test]
fn a_measured_subpanel_behind_an_unmeasured_one_counts_at_the_panel_above() {
    let site = map(&[
        MAINS,
        // The child is written before its parent: buses are put in order.
        SHOP,
        BARN,
        "[[circuit]]\nid = \"to-barn\"\n",
        "[[circuit]]\nid = \"to-shop\"\nbus = \"barn\"\nchannels = [\"h/f\"]\n",
        &load("b", "bus = \"barn\"\nchannels = [\"h/1\"]"),
        &load("s", "bus = \"shop\"\nchannels = [\"h/2\"]"),
    ]);
    let ids: Vec<_> = site.buses.iter().map(|bus| bus.id.as_str()).collect();
    assert_eq!(ids, ["service", "main", "barn", "shop"]);
    let parents: Vec<_> = site.buses.iter().map(|bus| bus.parent).collect();
    assert_eq!(parents, [None, Some(0), Some(1), Some(2)]);
    assert_eq!(first(&site, FigureKey::BusUntracked(1)).unwrap(), "+1 h/m -1 h/f -1 h/1");
    assert_eq!(first(&site, FigureKey::BusUntracked(3)).unwrap(), "+1 h/f -1 h/2");
    assert_eq!(first(&site, FigureKey::Untracked).unwrap(), "+1 h/m -1 h/1 -1 h/2");
}

#[test]
fn a_tap_without_a_ct_leaves_the_other_side_unknown() {
    let tap = load("tap", "bus = \"service\"");
    let below = map(&[MAINS, &tap]);
    for key in [FigureKey::Grid, FigureKey::Import, FigureKey::Consumption, FigureKey::Surplus] {
        assert_eq!(first(&below, key), None, "{key:?}");
    }
    assert_eq!(first(&below, FigureKey::BusUntracked(1)).unwrap(), "+1 h/m");
    // Above the tap the grid is known, and what the tap takes is untracked at the service point.
    let a = load("a", "channels = [\"h/1\"]");
    let above = map(&["[[feed]]\nbus = \"service\"\nchannels = [\"h/m\"]\n", &tap, &a]);
    assert_eq!(first(&above, FigureKey::Grid).unwrap(), "+1 h/m");
    assert_eq!(first(&above, FigureKey::BusFeed(1)), None);
    assert_eq!(first(&above, FigureKey::BusUntracked(0)).unwrap(), "+1 h/m -1 h/1");
    assert_eq!(first(&above, FigureKey::Consumption).unwrap(), "+1 h/m");
}

#[test]
fn mains_measured_on_both_sides_of_the_tap_have_two_residuals() {
    let site = map(&[
        MAINS,
        "[[feed]]\nbus = \"main\"\nmeasures = \"grid\"\nchannels = [\"h/g\"]\n",
        &load("tap", "bus = \"service\"\nchannels = [\"h/1\"]"),
    ]);
    assert_eq!(first(&site, FigureKey::BusUntracked(0)).unwrap(), "-1 h/m +1 h/g -1 h/1");
    assert_eq!(first(&site, FigureKey::BusUntracked(1)).unwrap(), "+1 h/m");
    assert_eq!(first(&site, FigureKey::Untracked).unwrap(), "+1 h/g -1 h/1");
}

#[test]
fn without_mains_cts_circuits_are_known_and_totals_are_not() {
    let text = format!("{HEAD}{}", load("a", "channels = [\"h/1\"]"));
    let site = super::parse("map.toml", &text).site.expect("a warning is no error");
    for key in
        [FigureKey::Grid, FigureKey::Export, FigureKey::Consumption, FigureKey::Untracked, FigureKey::Surplus]
    {
        assert_eq!(first(&site, key), None, "{key:?}");
    }
    assert_eq!(first(&site, FigureKey::Tracked).unwrap(), "+1 h/1");
    // Without PV generation is known: it is nothing.
    assert_eq!(first(&site, FigureKey::Generation).unwrap(), "");
    assert_eq!(first(&site, FigureKey::SelfConsumed).unwrap(), "");
    assert_eq!(site.splits, [""; 0]);
}

#[test]
fn storage_is_neither_load_nor_source() {
    let battery = "[[circuit]]\nid = \"cell\"\nend_use = \"storage\"\nchannels = [\"h/b\"]\nsign = \"generation-positive\"\n";
    let site = map(&[MAINS, battery, &load("a", "channels = [\"h/1\"]")]);
    assert_eq!(site.splits, ["grid", "storage/cell"]);
    assert_eq!(first(&site, FigureKey::Storage).unwrap(), "-1 h/b");
    assert_eq!(first(&site, FigureKey::Consumption).unwrap(), "+1 h/m +1 h/b");
    assert_eq!(first(&site, FigureKey::Tracked).unwrap(), "+1 h/1");
    assert_eq!(first(&site, FigureKey::Untracked).unwrap(), "+1 h/m +1 h/b -1 h/1");
}

#[test]
fn an_array_without_a_ct_leaves_generation_unknown() {
    let text = format!("{HEAD}{MAINS}[[circuit]]\nid = \"sun\"\nend_use = \"PV\"\n");
    let site = super::parse("map.toml", &text).site.expect("a warning is no error");
    for key in [FigureKey::Generation, FigureKey::Consumption, FigureKey::SelfConsumed] {
        assert_eq!(first(&site, key), None, "{key:?}");
    }
    assert_eq!(first(&site, FigureKey::Grid).unwrap(), "+1 h/m");
    assert_eq!(site.splits, ["grid"]);
}

#[test]
fn a_moved_ct_keeps_both_histories_and_solar_starts_when_it_was_fitted() {
    let site = map(&[
        MAINS,
        &load("old", "channels = [\"h/1\"]\nuntil = 2026-05-02T09:30:00"),
        &load("new", "channels = [\"h/1\"]\nfrom = 2026-05-02T09:30:00"),
        "[[circuit]]\nid = \"sun\"\nend_use = \"PV\"\nchannels = [\"h/s\"]\nfrom = 2026-07-01\n",
    ]);
    let spans: Vec<_> = site.epochs.iter().map(|epoch| epoch.span.clone()).collect();
    // Denver is six hours behind UTC in summer.
    let (moved, fitted) = (utc("2026-05-02T15:30:00Z"), utc("2026-07-01T06:00:00Z"));
    assert_eq!(spans, [Stamp::MIN..moved, moved..fitted, fitted..Stamp::MAX]);
    let of = |epoch: usize, key| figure(&site, &site.epochs[epoch], key);
    assert_eq!(of(0, circuit(&site, "old")).unwrap(), "+1 h/1");
    assert_eq!(of(0, circuit(&site, "new")), None);
    assert_eq!(of(1, circuit(&site, "old")), None);
    assert_eq!(of(1, circuit(&site, "new")).unwrap(), "+1 h/1");
    assert_eq!(of(1, FigureKey::Generation).unwrap(), "");
    assert_eq!(of(2, FigureKey::Generation).unwrap(), "+1 pv/sun:out");
    assert_eq!(site.epoch(moved).span, moved..fitted);
    assert_eq!(site.splits, ["grid", "pv/sun", "self-consumed"]);
    assert_eq!(site.epochs[0].plan.splits.len(), 1);
}

#[test]
fn a_new_label_is_no_new_epoch_and_entries_of_one_id_are_one_circuit() {
    let site = map(&[
        MAINS,
        &load("a", "label = \"Shed\"\nchannels = [\"h/1\"]\nfrom = 2026-01-01"),
        &load("a", "label = \"Old shed\"\nchannels = [\"h/1\"]\nuntil = 2026-01-01"),
    ]);
    assert_eq!((site.epochs.len(), site.circuits.len()), (1, 1));
    let labels: Vec<_> = site.circuits[0].entries.iter().map(|entry| entry.label.as_str()).collect();
    assert_eq!(labels, ["Old shed", "Shed"]);
    assert_eq!(site.circuits[0].latest().label, "Shed");
}

#[test]
fn a_feed_that_changes_its_cts_is_dated_too() {
    let site = map(&[
        "[[feed]]\nbus = \"main\"\nchannels = [\"h/m\"]\nuntil = 2026-01-01\n",
        "[[feed]]\nbus = \"main\"\nchannels = [\"h/n1\", { channel = \"h/n2\", reversed = true, scale = 1.01 }]\nfrom = 2026-01-01\n",
    ]);
    assert_eq!(figure(&site, &site.epochs[0], FigureKey::Grid).unwrap(), "+1 h/m");
    assert_eq!(figure(&site, &site.epochs[1], FigureKey::Grid).unwrap(), "+1 h/n1 -1.01 h/n2");
}

#[test]
fn turned_round_twice_is_not_turned_round() {
    let site = map(&[
        MAINS,
        &load(
            "a",
            "channels = [{ channel = \"h/1\", reversed = true }, \"h/2\"]\nreversed = true\nscale = 1.5",
        ),
        "[[circuit]]\nid = \"sun\"\nend_use = \"PV\"\nchannels = [\"h/s\"]\nreversed = true\nsign = \"generation-positive\"\n",
    ]);
    assert_eq!(first(&site, circuit(&site, "a")).unwrap(), "+1.5 h/1 -1.5 h/2");
    assert_eq!(first(&site, circuit(&site, "sun")).unwrap(), "+1 h/s");
}

#[test]
fn devices_have_the_times_and_units_that_the_reference_says() {
    let text = HEAD.replace("unit = \"W\"", "unit = \"A\"").replace("every_s = 1", "every_s = 2.5");
    let site = sound(&format!("{text}{MAINS}"));
    let device = &site.devices[0];
    assert_eq!(device.unit, super::super::Unit::A { volts: 120.0 });
    assert_eq!((device.every.0, device.max_gap.0, device.stale_after.0), (25, 75, 95));
    let text = HEAD.replace("unit = \"W\"", "unit = \"kWh\"\nrolls_over_at = 99999.9");
    let site = sound(&format!("{text}{MAINS}"));
    assert_eq!(site.devices[0].unit, super::super::Unit::KWh { rolls_over_at_wh: Some(99_999_900.0) });
}

#[test]
fn a_fingerprint_follows_the_sums_and_nothing_else() {
    let mark = |text: &str, split: &str| {
        let site = sound(&format!("{HEAD}{text}"));
        let index = site.splits.iter().position(|name| name == split).unwrap();
        fingerprint(&site, &site.epochs[0], index)
    };
    let sun = "[[circuit]]\nid = \"sun\"\nend_use = \"PV\"\nchannels = [\"h/s\", \"h/t\"]\n";
    let text = format!("{MAINS}{sun}");
    let same = [
        format!("{sun}{MAINS}"),
        text.replace("\"h/s\", \"h/t\"", "\"h/t\", \"h/s\""),
        text.replace("id = \"sun\"", "id = \"sun\"\nlabel = \"Roof\"\nbreaker_a = 40"),
        format!("{text}{}", load("a", "channels = [\"h/1\"]")),
    ];
    let other = [
        text.replace("end_use = \"PV\"", "end_use = \"PV\"\nreversed = true"),
        text.replace("end_use = \"PV\"", "end_use = \"PV\"\nscale = 1.000001"),
        text.replace("h/t", "h/u"),
    ];
    for split in ["pv/sun", "self-consumed"] {
        assert!(same.iter().all(|same| mark(same, split) == mark(&text, split)), "{split}");
        assert!(other.iter().all(|other| mark(other, split) != mark(&text, split)), "{split}");
    }
    assert!(other.iter().all(|other| mark(other, "grid") == mark(&text, "grid")));
    // Marks are stored: these values may never change.
    assert_eq!(mark(&text, "grid"), 0x8521_2adf_8c60_644c);
    assert_eq!(mark(&text, "self-consumed"), 0xd041_386c_4fd4_d91b);
}

#[test]
fn each_ct_is_kept_with_its_leg_and_each_key_with_its_lines() {
    let circuit = "[[circuit]]\nid = \"a\"\nend_use = \"other\"\nlegs = [\"A\", \"B\"]\nchannels = [\n\
                   { channel = \"h/1\", leg = \"B\", reversed = true, scale = 1.5 },\n\"h/2\"]\nreversed = true\n";
    let site = map(&[
        "[[feed]]\nbus = \"main\"\nchannels = [{ channel = \"h/m\", leg = \"A\" }, { channel = \"h/n\", leg = \"B\" }]\n",
        circuit,
    ]);
    let entry = site.circuits[0].latest();
    let ct =
        |name: &str, leg, reversed, scale| Ct { channel: site.channel(name).unwrap(), leg, reversed, scale };
    let first = ct("h/1", Some(Leg::B), true, Some(1_500_000));
    assert_eq!(entry.cts, [first, ct("h/2", None, false, None)]);
    assert_eq!(entry.terms.iter().map(|term| term.millionths).collect::<Vec<_>>(), [1_500_000, -1_000_000]);
    let at = entry.line;
    assert_eq!(entry.written.channels, Some((at + 4, at + 6)));
    assert_eq!((entry.written.legs, entry.written.reversed), (Some((at + 3, at + 3)), Some(at + 7)));
    assert_eq!((entry.written.is_reversed, entry.written.spaces, entry.written.bus), (true, None, None));
    let feed = &site.feeds[0];
    assert_eq!(feed.cts, [ct("h/m", Some(Leg::A), false, None), ct("h/n", Some(Leg::B), false, None)]);
    assert_eq!((feed.bus, feed.channels), (bus(&site, "main"), (feed.line + 2, feed.line + 2)));
}

#[test]
fn a_finding_can_be_accepted_with_a_reason() {
    let accept = "[[accept]]\nfinding = \"unbalanced\"\ncircuit = \"a\"\nreason = \"its motor\"\n\
                  [[accept]]\nfinding = \"odd-scale\"\nreason = \"split-core CTs\"\n";
    let site = map(&[MAINS, &load("a", "channels = [\"h/1\"]"), accept]);
    let reason = |finding, about| site.accepted(finding, about).map(|accept| accept.reason.as_str());
    assert_eq!(reason("unbalanced", "a"), Some("its motor"));
    assert_eq!(reason("unbalanced", "b"), None);
    assert_eq!(reason("odd-scale", "b"), Some("split-core CTs"));
    for (wrong, rule) in [
        ("[[accept]]\nfinding = \"x\"\n", "missing-key"),
        ("[[accept]]\nfinding = \"x\"\nreason = \" \"\n", "bad-label"),
        ("[[accept]]\nfinding = \"x\"\ncircuit = \"b\"\nreason = \"y\"\n", "unknown-circuit"),
    ] {
        let parsed = parse("map.toml", &format!("{HEAD}{MAINS}{}{wrong}", load("a", "channels = [\"h/1\"]")));
        assert!(parsed.site.is_none() && parsed.findings.iter().all(|finding| finding.rule == rule));
    }
}
