//! The JSON body.

use proptest::prelude::*;
use serde_json::Value;

use super::*;
use crate::publish::now_body;
use FigureKey::*;

fn json(flows: &Flows) -> Value {
    serde_json::from_str(&now_body(&house(), flows, &Guidance::default())).expect("JSON")
}

#[test]
fn the_body_of_a_house() {
    let mut now = flows(
        NOON,
        &[
            (Grid, Some(-1234.56)),
            (Generation, Some(4321.04)),
            (Consumption, Some(3086.48)),
            (Tracked, Some(450.0)),
            (Untracked, None),
            (Storage, Some(0.0)),
            (Surplus, Some(1234.56)),
            (SelfConsumed, Some(3086.48)),
            (Circuit(0), Some(449.96)),
            (Circuit(1), Some(0.04)),
            (BusFeed(1), Some(-0.04)),
            (BusUntracked(1), None),
            (BusFeed(2), None),
            (MainsLeg(Leg::A), Some(-617.25)),
            (MainsLeg(Leg::B), None),
        ],
    );
    now.unknown = vec![ChannelIndex(1)];
    assert_eq!(
        now_body(&house(), &now, &Guidance::default()),
        concat!(
            r#"{"site":"heron-lane","at":"2026-01-15T12:00:00-07:00","stale_after_s":180,"#,
            r#""grid_w":-1234.6,"generation_w":4321.0,"consumption_w":3086.5,"#,
            r#""tracked_w":450.0,"untracked_w":null,"surplus_w":1234.6,"#,
            r#""self_consumed_w":3086.5,"storage_w":0.0,"legs":{"A":-617.3,"B":null},"#,
            r#""circuits":{"well-pump":{"w":450.0},"freezer":{"w":0.0,"apparent":true}},"#,
            r#""buses":{"main":{"feed_w":0.0,"untracked_w":null},"barn":{"feed_w":null,"untracked_w":null}},"#,
            r#""ev":{},"headroom":{},"alerts":[],"unknown":["house/m2"]}"#,
        )
    );
}

#[test]
fn what_the_plan_does_not_define_is_null_and_never_nought() {
    let body = json(&flows(NOON, &[]));
    for key in [
        "grid_w",
        "generation_w",
        "consumption_w",
        "tracked_w",
        "untracked_w",
        "surplus_w",
        "self_consumed_w",
        "storage_w",
    ] {
        assert_eq!(body.get(key), Some(&Value::Null), "{key}");
    }
    for key in ["legs", "circuits", "buses"] {
        assert_eq!(body[key], serde_json::json!({}), "{key}");
    }
}

#[test]
fn the_time_carries_the_offset_of_the_site() {
    assert_eq!(json(&flows(NOON, &[]))["at"], "2026-01-15T12:00:00-07:00");
    // Half a year later the clocks are an hour ahead.
    let summer = Stamp::from_seconds(1_784_138_400);
    assert_eq!(json(&flows(summer, &[]))["at"], "2026-07-15T12:00:00-06:00");
}

#[test]
fn surplus_is_nought_where_there_is_none_and_null_where_it_is_not_known() {
    let surplus = |watts| json(&flows(NOON, &[(Surplus, watts)]))["surplus_w"].clone();
    assert_eq!(surplus(Some(-3.0)), 0.0);
    assert_eq!(surplus(Some(3.0)), 3.0);
    assert_eq!(surplus(None), Value::Null);
}

#[test]
fn a_power_is_rounded_and_has_no_minus_nought() {
    let grid = |watts| now_body(&house(), &flows(NOON, &[(Grid, Some(watts))]), &Guidance::default());
    for (watts, text) in [
        (-0.0, "\"grid_w\":0.0,"),
        (-0.04, "\"grid_w\":0.0,"),
        (0.05, "\"grid_w\":0.1,"),
        (-0.05, "\"grid_w\":-0.1,"),
        (12_000.0, "\"grid_w\":12000.0,"),
        (0.1 + 0.2, "\"grid_w\":0.3,"),
        (f64::NAN, "\"grid_w\":null,"),
        (f64::INFINITY, "\"grid_w\":null,"),
    ] {
        assert!(grid(watts).contains(text), "{watts}: {}", grid(watts));
    }
}

proptest! {
    #[test]
    fn known_is_a_number_and_unknown_is_null(
        values in prop::collection::vec(prop::option::of(-1e6..1e6_f64), 14),
        seconds in -2_000_000_000..4_000_000_000_i64,
    ) {
        let keys = [
            Grid, Generation, Consumption, Tracked, Untracked, SelfConsumed, Storage, Surplus,
            Circuit(0), Circuit(1), BusFeed(1), BusUntracked(1), MainsLeg(Leg::A), MainsLeg(Leg::B),
        ];
        let figures: Vec<_> = keys.into_iter().zip(values.iter().copied()).collect();
        let body = json(&flows(Stamp::from_seconds(seconds), &figures));
        let said = [
            &body["grid_w"], &body["generation_w"], &body["consumption_w"], &body["tracked_w"],
            &body["untracked_w"], &body["self_consumed_w"], &body["storage_w"], &body["surplus_w"],
            &body["circuits"]["well-pump"]["w"], &body["circuits"]["freezer"]["w"],
            &body["buses"]["main"]["feed_w"], &body["buses"]["main"]["untracked_w"],
            &body["legs"]["A"], &body["legs"]["B"],
        ];
        for ((key, value), said) in figures.iter().zip(said) {
            match value {
                None => prop_assert_eq!(said, &Value::Null, "{:?}", key),
                Some(watts) => {
                    let watts = if *key == Surplus { watts.max(0.0) } else { *watts };
                    let number = said.as_f64().expect("a number");
                    prop_assert!((number - watts).abs() <= 0.05 + 1e-9, "{:?}: {} {}", key, number, watts);
                }
            }
        }
        prop_assert!(body["circuits"].get("spare").is_none());
    }
}
