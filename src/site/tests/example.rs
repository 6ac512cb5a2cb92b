//! One house worked out by hand: mains CTs, a doubled circuit, a circuit with two CTs, a CT turned round,
//! a subpanel on a measured feeder, PV in the panel and PV ahead of it. Invented; every sum below was
//! written down from the one law, feed = Σ circuits + untracked, before the program was asked.

use super::super::{FigureKey, Leg, Site, SplitRule};
use super::{bus, circuit, figure, sound, value, written};

const MAP: &str = r#"
site = "two-arrays"
time_zone = "America/Denver"

[service]
system = "split-phase 120/240"

[[device]]
id = "house"
topic = "two-arrays/{channel}"
unit = "W"
every_s = 1
channels = ["m1", "m2", "1", "2", "3", "4", "5", "6", "7", "8", "9", "spare"]

[[device]]
id = "barn"
topic = "two-arrays/barn/{channel}"
unit = "W"
every_s = 1
channels = ["f1", "f2", "1", "2"]

[[feed]]
bus = "main"
channels = [{ channel = "house/m1", leg = "A" }, { channel = "house/m2", leg = "B" }]
measures = "panel"

[[bus]]
id = "barn"
fed_by = "barn-feeder"

[[circuit]]
id = "heat-pump"
end_use = "heating"
spaces = [1, 3]
channels = ["house/1"]
doubled = true

[[circuit]]
id = "range"
end_use = "cooking"
spaces = [5, 7]
channels = ["house/2", "house/3"]

[[circuit]]
id = "plugs"
end_use = "plug loads"
spaces = [2]
channels = ["house/4"]
reversed = true

[[circuit]]
id = "panel-array"
end_use = "PV"
spaces = [38, 40]
channels = ["house/5", "house/6"]
sign = "generation-positive"

[[circuit]]
id = "tap-array"
end_use = "PV"
bus = "service"
channels = ["house/7", "house/8"]

[[circuit]]
id = "car"
end_use = "EV charging"
spaces = [6, 8]
channels = ["house/9"]
doubled = true

[[circuit]]
id = "barn-feeder"
spaces = [9, 11]
channels = ["barn/f1", { channel = "barn/f2", reversed = true }]

[[circuit]]
id = "barn-lights"
end_use = "lighting"
bus = "barn"
spaces = [1]
channels = ["barn/1"]
scale = 1.03

[[circuit]]
id = "barn-heater"
end_use = "heating"
bus = "barn"
spaces = [2, 4]
channels = ["barn/2"]
doubled = true

[[circuit]]
id = "washer"
end_use = "laundry"
spaces = [13]
"#;

/// The mains CTs below the tap.
fn panel() -> Site {
    sound(MAP)
}

/// The same house with the mains CTs above the tap.
fn grid() -> Site {
    sound(&MAP.replace("measures = \"panel\"", "measures = \"grid\""))
}

fn check(site: &Site, key: FigureKey, expected: Option<&str>) {
    assert_eq!(figure(site, &site.epochs[0], key).as_deref(), expected, "{key:?}");
}

#[test]
fn circuits_and_feeds() {
    let site = panel();
    check(&site, circuit(&site, "heat-pump"), Some("+2 house/1"));
    check(&site, circuit(&site, "range"), Some("+1 house/2 +1 house/3"));
    check(&site, circuit(&site, "plugs"), Some("-1 house/4"));
    check(&site, circuit(&site, "panel-array"), Some("-1 house/5 -1 house/6"));
    check(&site, circuit(&site, "tap-array"), Some("+1 house/7 +1 house/8"));
    check(&site, circuit(&site, "car"), Some("+2 house/9"));
    check(&site, circuit(&site, "barn-feeder"), Some("+1 barn/f1 -1 barn/f2"));
    check(&site, circuit(&site, "barn-lights"), Some("+1.03 barn/1"));
    check(&site, circuit(&site, "washer"), None);
    check(&site, FigureKey::BusFeed(bus(&site, "main")), Some("+1 house/m1 +1 house/m2"));
    check(&site, FigureKey::BusFeed(bus(&site, "barn")), Some("+1 barn/f1 -1 barn/f2"));
    check(&site, FigureKey::MainsLeg(Leg::A), Some("+1 house/m1"));
    check(&site, FigureKey::MainsLeg(Leg::B), Some("+1 house/m2"));
    check(&site, FigureKey::MainsLeg(Leg::C), None);
}

#[test]
fn below_the_tap_the_grid_is_the_panel_and_the_tap() {
    let site = panel();
    let grid = "+1 house/m1 +1 house/m2 +1 house/7 +1 house/8";
    check(&site, FigureKey::BusFeed(bus(&site, "service")), Some(grid));
    check(&site, FigureKey::Grid, Some(grid));
    check(&site, FigureKey::Import, Some("+1 grid:in"));
    check(&site, FigureKey::Export, Some("+1 grid:out"));
    let consumption = format!("{grid} +1 pv/panel-array:out +1 pv/tap-array:out");
    check(&site, FigureKey::Consumption, Some(&consumption));
    check(&site, FigureKey::BusUntracked(bus(&site, "service")), None);
    let main = "+1 house/m1 +1 house/m2 -2 house/1 -1 house/2 -1 house/3 +1 house/4 +1 house/5 +1 house/6 \
                -2 house/9 -1 barn/f1 +1 barn/f2";
    check(&site, FigureKey::BusUntracked(bus(&site, "main")), Some(main));
    let surplus = "-1 house/m1 -1 house/m2 -1 house/7 -1 house/8 +2 house/9";
    check(&site, FigureKey::Surplus, Some(surplus));
}

#[test]
fn above_the_tap_the_panel_is_the_grid_less_the_tap() {
    let site = grid();
    let mains = "+1 house/m1 +1 house/m2";
    check(&site, FigureKey::BusFeed(bus(&site, "service")), Some(mains));
    check(&site, FigureKey::Grid, Some(mains));
    check(
        &site,
        FigureKey::BusFeed(bus(&site, "main")),
        Some("+1 house/m1 +1 house/m2 -1 house/7 -1 house/8"),
    );
    check(
        &site,
        FigureKey::Consumption,
        Some("+1 house/m1 +1 house/m2 +1 pv/panel-array:out +1 pv/tap-array:out"),
    );
    check(&site, FigureKey::BusUntracked(bus(&site, "service")), None);
    let main = "+1 house/m1 +1 house/m2 -2 house/1 -1 house/2 -1 house/3 +1 house/4 +1 house/5 +1 house/6 \
                -1 house/7 -1 house/8 -2 house/9 -1 barn/f1 +1 barn/f2";
    check(&site, FigureKey::BusUntracked(bus(&site, "main")), Some(main));
    let untracked = "+1 house/m1 +1 house/m2 -2 house/1 -1 house/2 -1 house/3 +1 house/4 +1 house/5 +1 house/6 \
                     -1 house/7 -1 house/8 -2 house/9 -1.03 barn/1 -2 barn/2";
    check(&site, FigureKey::Untracked, Some(untracked));
}

#[test]
fn the_feeder_counts_once_and_the_inverters_standby_is_tracked() {
    let site = panel();
    let barn = "+1 barn/f1 -1 barn/f2 -1.03 barn/1 -2 barn/2";
    check(&site, FigureKey::BusUntracked(bus(&site, "barn")), Some(barn));
    let untracked = "+1 house/m1 +1 house/m2 -2 house/1 -1 house/2 -1 house/3 +1 house/4 +1 house/5 +1 house/6 \
                     -2 house/9 -1.03 barn/1 -2 barn/2";
    check(&site, FigureKey::Untracked, Some(untracked));
    let tracked = "+2 house/1 +1 house/2 +1 house/3 -1 house/4 +2 house/9 +1.03 barn/1 +2 barn/2 \
                   +1 pv/panel-array:in +1 pv/tap-array:in";
    check(&site, FigureKey::Tracked, Some(tracked));
    check(&site, FigureKey::Generation, Some("+1 pv/panel-array:out +1 pv/tap-array:out"));
    check(&site, FigureKey::SelfConsumed, Some("+1 self-consumed:in"));
    check(&site, FigureKey::Storage, Some(""));
}

#[test]
fn the_split_rules_are_sums_of_channels() {
    let site = panel();
    assert_eq!(site.splits, ["grid", "pv/panel-array", "pv/tap-array", "self-consumed"]);
    let grid = "+1 house/m1 +1 house/m2 +1 house/7 +1 house/8";
    let rules = &site.epochs[0].plan.splits;
    let SplitRule::Signed(terms) = &rules[0].1 else { panic!("grid is signed") };
    assert_eq!(written(&site, terms), grid);
    let SplitRule::Signed(terms) = &rules[1].1 else { panic!("PV is signed") };
    assert_eq!(written(&site, terms), "-1 house/5 -1 house/6");
    let SplitRule::SelfConsumed { grid: terms, pv } = &rules[3].1 else {
        panic!("the last is self-consumed")
    };
    assert_eq!(written(&site, terms), grid);
    let pv: Vec<_> = pv.iter().map(|terms| written(&site, terms)).collect();
    assert_eq!(pv, ["-1 house/5 -1 house/6", "+1 house/7 +1 house/8"]);
}

/// A sunny moment. In W: heat pump 2,400 (one leg 1,200), range 1,500 + 1,380, plugs 600 (CT turned round:
/// −600), array in the panel 3,000 (two CTs of +1,500), array at the tap 2,000 (two CTs of −1,000), car 1,440
/// (one leg 720), barn 800 + 900 of which lights 206 (the CT says 200) and heater 1,400 (one leg 700), washer
/// 300 and 124 of nobody knows what in the house. The panel takes 2,400 + 2,880 + 600 + 1,440 + 1,700 + 424 −
/// 3,000 = 6,444, of which 3,000 on leg A; the grid gives 6,444 − 2,000 = 4,444.
#[test]
fn a_sunny_moment_in_watts() {
    // In the order of the map: m1 m2 1 2 3 4 5 6 7 8 9 spare, f1 f2 1 2.
    let readings =
        [3000, 3444, 1200, 1500, 1380, -600, 1500, 1500, -1000, -1000, 720, 77, 800, -900, 200, 700];
    let site = panel();
    let watts = |site: &Site, key: FigureKey, readings: &[i128]| {
        value(&site.epochs[0], key, readings).map(|value| value / 1_000_000)
    };
    for (key, expected) in [
        (FigureKey::Grid, 4444),
        (FigureKey::Import, 4444),
        (FigureKey::Export, 0),
        (FigureKey::Generation, 5000),
        (FigureKey::Consumption, 9444),
        (FigureKey::Tracked, 2400 + 2880 + 600 + 1440 + 206 + 1400),
        (FigureKey::Untracked, 300 + 124 + 94),
        (FigureKey::SelfConsumed, 5000),
        (FigureKey::Surplus, -4444 + 1440),
        (FigureKey::BusUntracked(bus(&site, "main")), 424),
        (FigureKey::BusUntracked(bus(&site, "barn")), 94),
    ] {
        assert_eq!(watts(&site, key, &readings), Some(expected), "{key:?}");
    }
    // The same moment with the mains CTs above the tap: they read 2,000 W less, and all else is the same.
    let mut above = readings;
    above[0] -= 1000;
    above[1] -= 1000;
    let other = grid();
    for figure in &site.epochs[0].plan.figures {
        if !matches!(figure.key, FigureKey::MainsLeg(_)) {
            let (one, two) = (watts(&site, figure.key, &readings), watts(&other, figure.key, &above));
            assert_eq!(one, two, "{:?}", figure.key);
        }
    }
}
