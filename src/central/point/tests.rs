//! Lines, and what the crate's own parser reads back from them.

use influxdb_line_protocol::{FieldValue, ParsedLine, parse_lines};
use proptest::prelude::*;

use super::*;
use crate::site::{Bus, Circuit, Epoch, Plan, Service, System};
use crate::units::ONE;

/// 2026-01-15T12:00:00-07:00.
const NOON: Stamp = Stamp::from_seconds(1_768_503_600);

fn house() -> Site {
    let bus = |id: &str, parent| Bus {
        id: id.into(),
        name: "Barn, behind the house".into(),
        parent,
        fed_by: None,
        rating_a: None,
        panel: Default::default(),
    };
    Site {
        id: "heron-lane".into(),
        name: "Heron Lane farmhouse".into(),
        time_zone: "America/Denver".into(),
        billing_day: 1,
        late_window: None,
        loading: Default::default(),
        service: Service { system: System::SplitPhase120_240, main_breaker_a: None },
        devices: Vec::new(),
        channels: Vec::new(),
        buses: vec![bus("service", None), bus("barn", Some(0))],
        circuits: vec![Circuit { id: "well-pump".into(), entries: Vec::new() }],
        feeds: vec![],
        accepts: vec![],
        splits: Vec::new(),
        epochs: vec![Epoch { span: Stamp::MIN..Stamp::MAX, plan: Plan::default() }],
    }
}

/// An energy in watt-hours, known for that many seconds.
fn amount(wh: f64, seconds: i64) -> Amount {
    let energy = (wh * CENTIJOULES_PER_WH as f64) as i128 * i128::from(ONE);
    Amount { energy, covered: Span::from_seconds(seconds) }
}

fn line(tags: &[(String, String)], key: FigureKey, amount: Amount) -> String {
    let mut body = Vec::new();
    write(&mut body, &house(), tags, key, NOON, amount);
    String::from_utf8(body).expect("line protocol is UTF-8")
}

fn own(key: &str, value: &str) -> (String, String) {
    (key.into(), value.into())
}

#[test]
fn each_figure_has_its_series() {
    for (key, series) in [
        (FigureKey::Grid, "panelwright_site,figure=grid,site=heron-lane"),
        (FigureKey::Import, "panelwright_site,figure=import,site=heron-lane"),
        (FigureKey::Export, "panelwright_site,figure=export,site=heron-lane"),
        (FigureKey::Generation, "panelwright_site,figure=generation,site=heron-lane"),
        (FigureKey::Consumption, "panelwright_site,figure=consumption,site=heron-lane"),
        (FigureKey::Tracked, "panelwright_site,figure=tracked,site=heron-lane"),
        (FigureKey::Untracked, "panelwright_site,figure=untracked,site=heron-lane"),
        (FigureKey::SelfConsumed, "panelwright_site,figure=self-consumed,site=heron-lane"),
        (FigureKey::Storage, "panelwright_site,figure=storage,site=heron-lane"),
        (FigureKey::MainsLeg(Leg::B), "panelwright_site,figure=leg-b,site=heron-lane"),
        (FigureKey::Circuit(0), "panelwright_circuit,circuit=well-pump,site=heron-lane"),
        (FigureKey::BusFeed(1), "panelwright_bus,bus=barn,figure=feed,site=heron-lane"),
        (FigureKey::BusUntracked(1), "panelwright_bus,bus=barn,figure=untracked,site=heron-lane"),
    ] {
        let expected = format!("{series} wh=12.5,covered_s=60,mean_w=750 1768503600\n");
        assert_eq!(line(&[], key, amount(12.5, 60)), expected);
    }
    assert_eq!(line(&[], FigureKey::Surplus, amount(1.0, 60)), "", "live only");
    assert_eq!(line(&[], FigureKey::Circuit(7), amount(1.0, 60)), "", "no such circuit");
}

#[test]
fn energy_that_a_counter_bridged_has_no_mean() {
    let text = line(&[], FigureKey::Grid, amount(1.0, 0));
    assert_eq!(text, "panelwright_site,figure=grid,site=heron-lane wh=1,covered_s=0 1768503600\n");
}

#[test]
fn a_partly_known_minute_says_so() {
    let text = line(&[], FigureKey::Grid, amount(-1.0, 6));
    assert!(text.ends_with(" wh=-1,covered_s=6,mean_w=-600 1768503600\n"), "{text}");
}

#[test]
fn the_smallest_energies_are_told_apart_and_a_known_nought_is_written() {
    let of = |energy| watt_hours(i128::from(energy) * i128::from(ONE));
    // 0.01 J = 2.777… µWh.
    assert_eq!([of(0), of(1), of(2), of(-1)], [0.0, 0.000_003, 0.000_006, -0.000_003]);
    // 0.1 W for a minute: the API's mWh would make it 2 mWh, a fifth too much.
    assert_eq!(of(600), 0.001_667);
    let text = line(&[], FigureKey::Grid, amount(0.0, 60));
    assert!(text.contains(" wh=0,covered_s=60,mean_w=0 "), "{text}");
}

#[test]
fn tags_of_the_user_are_escaped_and_sorted() {
    let tags = [own("subdivision, west", "Lot = 4"), own("builder", "O'Brien \"& Söhne\""), own("z", "é 東")];
    let text = line(&tags, FigureKey::Grid, amount(1.0, 60));
    let expected = concat!(
        r#"panelwright_site,builder=O'Brien\ "&\ Söhne",figure=grid,site=heron-lane,"#,
        r#"subdivision\,\ west=Lot\ \=\ 4,z=é\ 東 wh=1,covered_s=60,mean_w=60 1768503600"#,
        "\n"
    );
    assert_eq!(text, expected);
}

#[test]
fn tags_that_cannot_be_carried_are_refused() {
    let check = |key: &str, value: &str, fits: bool| {
        assert_eq!(unfit(key, value).is_none(), fits, "{key:?} {value:?}");
    };
    check("builder", "A & B, Inc. = \"x\"", true);
    check("builder", "", false);
    check("", "x", false);
    check("builder", "a\nb", false);
    check("builder", "a\rb", false);
    check("builder", "a\0b", false);
    check("builder", "ends with \\", false);
    check("a\\", "b", false);
    for taken in RESERVED.into_iter().chain(["_internal"]) {
        check(taken, "x", false);
    }
    check(&"k".repeat(64), &"v".repeat(256), true);
    check(&"k".repeat(65), "v", false);
    check("k", &"v".repeat(257), false);
}

fn tags_of(line: &ParsedLine<'_>) -> Vec<(String, String)> {
    let tags = line.series.tag_set.iter().flatten();
    tags.map(|(key, value)| (key.to_string(), value.to_string())).collect()
}

proptest! {
    /// Whatever tags fit and whatever the energy: one line, read back as it was meant.
    #[test]
    fn a_line_is_read_back_as_it_was_meant(
        tags in prop::collection::btree_map("[ -~é東]{1,12}", "[ -~é東\u{1f600}]{1,20}", 0..4),
        energy in any::<i64>(),
        covered in 0..=600_i64,
    ) {
        let tags: Vec<(String, String)> =
            tags.into_iter().filter(|(key, value)| unfit(key, value).is_none()).collect();
        let amount = Amount { energy: i128::from(energy) * i128::from(ONE), covered: Span(covered) };
        let text = line(&tags, FigureKey::Circuit(0), amount);
        prop_assert_eq!(text.matches('\n').count(), 1);
        let lines: Vec<_> = parse_lines(&text).collect::<Result<_, _>>().expect("line protocol");
        prop_assert_eq!(lines.len(), 1);
        prop_assert_eq!(lines[0].series.measurement.as_str(), "panelwright_circuit");
        prop_assert_eq!(lines[0].timestamp, Some(NOON.seconds()));
        let mut expected = tags;
        expected.extend([own("circuit", "well-pump"), own("site", "heron-lane")]);
        expected.sort();
        prop_assert_eq!(tags_of(&lines[0]), expected);
        for (name, value) in &lines[0].field_set {
            let FieldValue::F64(value) = value else { panic!("{name} is no float") };
            prop_assert!(value.is_finite());
        }
        let wh = lines[0].field_value("wh").expect("wh");
        let FieldValue::F64(wh) = wh else { panic!("wh is no float") };
        let exact = energy as f64 / CENTIJOULES_PER_WH as f64;
        prop_assert!((wh - exact).abs() <= 1e-6_f64.max(exact.abs() * 1e-12), "{} {}", wh, exact);
        prop_assert_eq!(lines[0].field_value("mean_w").is_some(), covered > 0);
    }
}

#[test]
fn what_a_corrected_map_no_longer_knows_is_taken_back() {
    let mut body = Vec::new();
    for figure in ["circuit/dryer", "bus/barn/untracked", "site/import", "nonsense"] {
        take_back(&mut body, &house(), &[own("builder", "x")], figure, NOON);
    }
    let text = String::from_utf8(body).expect("line protocol is UTF-8");
    let expected = [
        "panelwright_circuit,builder=x,circuit=dryer,site=heron-lane wh=0,covered_s=0,mean_w=0 1768503600\n",
        "panelwright_bus,builder=x,bus=barn,figure=untracked,site=heron-lane wh=0,covered_s=0,mean_w=0 1768503600\n",
        "panelwright_site,builder=x,figure=import,site=heron-lane wh=0,covered_s=0,mean_w=0 1768503600\n",
    ];
    assert_eq!(text, expected.concat());
    // The names are those of the figures.
    let house = house();
    let named = crate::site::figure_name(&house, FigureKey::BusUntracked(1)).expect("a name");
    assert_eq!(of_name(&named), name(&house, FigureKey::BusUntracked(1)));
}
