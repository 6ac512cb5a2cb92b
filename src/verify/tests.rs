//! Load steps of an invented house, with every fault that a load step can show.

use super::changes::observe;
use super::judge::judge;
use super::*;
use crate::audit::{Block, claims};
use crate::site::{Site, parse};
use crate::units::{Span, Stamp};

const MAP: &str = r#"
site = "bench"
time_zone = "America/Denver"
[service]
system = "split-phase 120/240"
[[device]]
id = "h"
topic = "bench/{channel}"
unit = "W"
every_s = 1
[[feed]]
bus = "main"
channels = [{ channel = "h/a", leg = "A" }, { channel = "h/b", leg = "B" }]
[[circuit]]
id = "heater"
end_use = "heating"
spaces = [1, 3]
channels = ["h/1"]
doubled = true
[[circuit]]
id = "dryer"
end_use = "laundry"
spaces = [2, 4]
channels = ["h/2", "h/3"]
[[circuit]]
id = "plugs"
end_use = "plug loads"
spaces = [5]
channels = ["h/4"]
[[circuit]]
id = "fridge"
end_use = "refrigeration"
spaces = [7]
channels = ["h/5"]
[[circuit]]
id = "solar"
end_use = "PV"
spaces = [38, 40]
channels = ["h/6", "h/7"]
sign = "generation-positive"
[[circuit]]
id = "disposer"
end_use = "cooking"
spaces = [9]
"#;

fn site(map: &str) -> Site {
    let parsed = parse("bench.toml", map);
    parsed.site.unwrap_or_else(|| panic!("{:#?}", parsed.findings))
}

/// Ten minutes at 1 Hz of a house in which a load is switched `times` times; `watts` is what each channel
/// changes by while it is on. Other loads run meanwhile: a fridge that cycles, lights, and noise.
fn house(site: &Site, watts: &[(&str, f32)], times: usize) -> Block {
    let mut block = Block::unknown(Stamp(0), Span::TICK, site.channels.len(), 600);
    let mut seed = 7_u32;
    let mut noise = move || {
        seed = seed.wrapping_mul(1_664_525).wrapping_add(1_013_904_223);
        (seed >> 16) as f32 / 65_536.0 - 0.5
    };
    let column = |name: &str| site.channel(name).expect("a channel").0 as usize;
    for at in 0..600 {
        let fridge = if at % 250 < 90 { 130.0 } else { 0.0 };
        let lights = if (140..370).contains(&at) { 90.0 } else { 0.0 };
        let sun = 1800.0 + 40.0 * (at as f32 / 60.0).sin();
        for (name, base) in [
            ("h/a", 400.0 + lights + fridge - sun / 2.0),
            ("h/b", 250.0 - sun / 2.0),
            ("h/1", 0.0),
            ("h/2", 0.0),
            ("h/3", 0.0),
            ("h/4", 35.0),
            ("h/5", fridge),
            ("h/6", sun / 2.0),
            ("h/7", sun / 2.0),
        ] {
            block.columns[column(name)][at] = base + 2.0 * noise();
        }
        // On for 20 s, off for 20 s, from second 60 on.
        let phase = at.checked_sub(60).map(|since| since / 20);
        if phase.is_some_and(|phase| phase < times && phase % 2 == 0) {
            for (name, watts) in watts {
                block.columns[column(name)][at] += watts;
            }
        }
    }
    block
}

fn verdict(map: &str, circuit: &str, watts: &[(&str, f32)], times: usize) -> Verdict {
    let site = site(map);
    let index = site.circuits.iter().position(|c| c.id == circuit).expect("a circuit");
    let entry = site.circuits[index].latest();
    let all = claims(&site, Stamp(0));
    let of_bus = all.iter().find(|claims| claims.bus == entry.bus);
    let own: Vec<usize> = entry.cts.iter().map(|ct| ct.channel.0 as usize).collect();
    let responses = of_bus.map_or(&[][..], |claims| &claims.responses);
    let changes = observe(&house(&site, watts, times), responses, &own, Span::from_seconds(10));
    judge(&site, index, entry, of_bus, &changes)
}

fn check(circuit: &str, watts: &[(&str, f32)], kind: Kind, mend: Option<&str>) -> Verdict {
    let verdict = verdict(MAP, circuit, watts, 8);
    assert_eq!(verdict.kind, kind, "{verdict:#?}");
    assert_eq!(verdict.mend.as_ref().map(|mend| mend.write.as_str()), mend, "{verdict:#?}");
    if let Some(mend) = &verdict.mend {
        let line = MAP.lines().nth(mend.line - 1).expect("a line of the map");
        let keys = ["[[circuit]]", "sign", "doubled", "channels", "spaces", "legs"];
        assert!(keys.iter().any(|key| line.starts_with(key)), "{line}: {mend:?}");
    }
    verdict
}

#[test]
fn a_true_map_is_proven() {
    let verdict = check("heater", &[("h/1", 2600.0), ("h/a", 2610.0), ("h/b", 2590.0)], Kind::AsMapped, None);
    assert_eq!(verdict.switchings, 8);
    assert!(verdict.what.contains("leg A by 2610 W and leg B by 2590 W"), "{}", verdict.what);
    let dryer = [("h/2", 2650.0), ("h/3", 2400.0), ("h/a", 2650.0), ("h/b", 2400.0)];
    check("dryer", &dryer, Kind::AsMapped, None);
    check("plugs", &[("h/4", 1200.0), ("h/a", 1200.0)], Kind::AsMapped, None);
    // The PV breaker is switched: while it is on, everything feeds the other way.
    let solar = [("h/6", 600.0), ("h/7", 600.0), ("h/a", -600.0), ("h/b", -600.0)];
    check("solar", &solar, Kind::AsMapped, None);
}

#[test]
fn each_fault_is_told_with_the_line_to_change() {
    let heater = [("h/1", -2600.0), ("h/a", 2600.0), ("h/b", 2600.0)];
    check("heater", &heater, Kind::Reversed, Some("reversed = true"));
    let solar = [("h/6", -600.0), ("h/7", -600.0), ("h/a", -600.0), ("h/b", -600.0)];
    check("solar", &solar, Kind::Reversed, Some("leave `sign` out"));
    let one_turned = [("h/2", 2600.0), ("h/3", -2600.0), ("h/a", 2600.0), ("h/b", 2600.0)];
    check("dryer", &one_turned, Kind::Reversed, Some("{ channel = \"h/3\", reversed = true }"));
    check("plugs", &[("h/5", 1200.0), ("h/a", 1200.0)], Kind::WrongCt, Some("channels = [\"h/5\"]"));
    check("heater", &[("h/1", 2600.0), ("h/a", 2600.0)], Kind::DoubledOneLeg, Some("doubled = false"));
    let unbalanced = [("h/1", 2600.0), ("h/a", 2600.0), ("h/b", 1900.0)];
    check("heater", &unbalanced, Kind::DoubledUnbalanced, None);
    let both = [("h/4", 1200.0), ("h/a", 1200.0), ("h/b", 1200.0)];
    check("plugs", &both, Kind::NotDoubled, Some("doubled = true"));
    check("plugs", &[("h/4", 1200.0), ("h/b", 1200.0)], Kind::WrongLeg, Some("legs = [\"B\"]"));
    check("plugs", &[("h/4", 1200.0)], Kind::OnNoLeg, Some("bus = \"…\", the panel that it is in"));
    let open = check("plugs", &[("h/4", 700.0), ("h/a", 1200.0)], Kind::Fraction, None);
    assert!(open.what.contains("58 % of it"), "{}", open.what);
    check("plugs", &[("h/4", 2400.0), ("h/a", 1200.0)], Kind::TooMuch, None);
    check("plugs", &[("h/4", 1200.0), ("h/5", 1200.0), ("h/a", 1200.0)], Kind::SeveralCts, None);
    check("plugs", &[("h/a", 1200.0)], Kind::NoCtMoved, None);
    check("disposer", &[("h/a", 500.0)], Kind::NoCtMoved, None);
    check("heater", &[], Kind::NothingMoved, None);
}

#[test]
fn two_switchings_are_too_few() {
    let plugs = [("h/4", 1200.0), ("h/a", 1200.0)];
    let verdict = verdict(MAP, "plugs", &plugs, 2);
    assert_eq!((verdict.kind, verdict.switchings), (Kind::TooFew, 2));
    assert!(!verdict.kind.is_settled() && Kind::Reversed.is_settled());
}

#[test]
fn a_mended_map_is_proven_by_the_same_readings() {
    let plugs = [("h/4", -1200.0), ("h/a", 1200.0)];
    let found = check("plugs", &plugs, Kind::Reversed, Some("reversed = true"));
    let line = found.mend.expect("a mend").line;
    let mut lines: Vec<&str> = MAP.lines().collect();
    lines.insert(line, "reversed = true");
    assert_eq!(verdict(&lines.join("\n"), "plugs", &plugs, 8).kind, Kind::AsMapped);
}

#[test]
fn readings_once_a_minute_will_do_if_the_load_is_left_for_minutes() {
    let site = site(MAP);
    let mut block = house(&site, &[], 0);
    for at in 60..540 {
        if (at / 60) % 2 == 1 {
            for name in ["h/4", "h/a"] {
                block.columns[site.channel(name).expect("a channel").0 as usize][at] += 1200.0;
            }
        }
    }
    let mut coarse = block.coarser(20);
    coarse.period = Span::from_seconds(60);
    let all = claims(&site, Stamp(0));
    let changes = observe(&coarse, &all[0].responses, &[5], Span::from_seconds(240));
    assert!(changes.switchings.len() >= ENOUGH, "{changes:?}");
}
