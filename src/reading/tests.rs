//! The router, from maps to readings.

use std::ops::Range;
use std::sync::Arc;

use proptest::prelude::*;

use super::*;
use crate::site::{Channel, Device, Epoch, Payload, Plan, ReadingKind, Service, Site, System, Unit};
use crate::units::Span;

const NOW: Stamp = Stamp::from_seconds(1_777_800_000);

fn device(id: &str, topic: &str, payload: Payload, unit: Unit) -> Device {
    Device {
        id: id.into(),
        topic: topic.into(),
        payload,
        unit,
        reading: ReadingKind::Mean,
        every: Span::from_seconds(1),
        max_gap: Span::from_seconds(3),
        stale_after: Span::from_seconds(5),
    }
}

fn json(pointer: &str, time: Option<&str>) -> Payload {
    Payload::Json { pointer: pointer.into(), time: time.map(Into::into) }
}

/// A site of these devices, each with its channels.
fn site(devices: Vec<(Device, &[&str])>) -> Arc<Site> {
    let whole: Range<Stamp> = Stamp::MIN..Stamp::MAX;
    let mut site = Site {
        id: "test".into(),
        name: "A test's site".into(),
        time_zone: "UTC".into(),
        billing_day: 1,
        late_window: None,
        loading: Default::default(),
        service: Service { system: System::SplitPhase120_240, main_breaker_a: None },
        devices: Vec::new(),
        channels: Vec::new(),
        buses: Vec::new(),
        circuits: Vec::new(),
        feeds: vec![],
        accepts: vec![],
        splits: Vec::new(),
        epochs: vec![Epoch { span: whole, plan: Plan::default() }],
    };
    for (device, keys) in devices {
        for key in keys {
            let name = format!("{}/{key}", device.id);
            site.channels.push(Channel { name, device: site.devices.len(), key: (*key).into() });
        }
        site.devices.push(device);
    }
    Arc::new(site)
}

/// What a message gives: (site, channel, time, value) of each reading, and each refusal.
type Got = (Vec<(u32, u32, Stamp, i64)>, Vec<(Refusal, u32)>);

fn read_as(router: &mut Router, topic: &str, payload: impl AsRef<[u8]>, delivery: Delivery) -> Got {
    let mut out = Vec::new();
    let outcome = router.decode(topic, payload.as_ref(), NOW, delivery, &mut out);
    assert_eq!(outcome.accepted as usize, out.len());
    let readings = out.iter().map(|it| (it.site.0, it.channel.0, it.sample.at, it.sample.value)).collect();
    (readings, outcome.refusals().collect())
}

fn read(router: &mut Router, topic: &str, payload: impl AsRef<[u8]>) -> Got {
    read_as(router, topic, payload, Delivery::Live)
}

fn refused(reason: Refusal) -> Got {
    (Vec::new(), vec![(reason, 1)])
}

fn plain() -> Router {
    let house = device("house", "farm/ct/{channel}/power", Payload::Number, Unit::W);
    Router::new(&[site(vec![(house, &["m1", "m2"])])])
}

fn nineteen() -> (Router, Vec<String>) {
    let keys: Vec<String> = (1..=19).map(|n| format!("ct{n}")).collect();
    let names: Vec<&str> = keys.iter().map(String::as_str).collect();
    let house = device("house", "farm/all", json("/channels/{channel}", Some("/ts")), Unit::W);
    (Router::new(&[site(vec![(house, &names)])]), keys)
}

#[test]
fn a_reading_may_be_as_old_as_the_late_window() {
    let house = || device("house", "farm/all", json("/channels/{channel}", Some("/ts")), Unit::W);
    let days = |days: i64| Span(days * Span::DAY.0);
    let check = |own: Option<Span>, settings: Span, age: Span, fits: bool| {
        let mut site = (*site(vec![(house(), &["m1"])])).clone();
        site.late_window = own;
        let mut router = Router::with_late_window(&[Arc::new(site)], settings);
        let at = (NOW - age).seconds();
        let got = read(&mut router, "farm/all", format!(r#"{{"ts":{at},"channels":{{"m1":5}}}}"#));
        let expected = if fits {
            (vec![(0, 0, Stamp::from_seconds(at), 50)], vec![])
        } else {
            refused(Refusal::TooLate)
        };
        assert_eq!(got, expected, "{own:?} {settings:?} {age:?}");
    };
    check(None, LATE_WINDOW, days(7), true);
    check(None, LATE_WINDOW, Span(days(7).0 + 10), false);
    check(None, days(30), days(30), true);
    check(Some(days(2)), days(30), days(3), false);
    check(Some(days(400)), days(30), days(399), true);
}

#[test]
fn reasons_are_numbered_as_listed_and_named_once() {
    for (number, reason) in Refusal::ALL.into_iter().enumerate() {
        assert_eq!(reason as usize, number);
        let same = Refusal::ALL.iter().filter(|other| other.as_str() == reason.as_str());
        assert_eq!(same.count(), 1, "{reason:?}");
    }
}

#[test]
fn a_topic_for_each_channel() {
    let mut router = plain();
    assert_eq!(router.filters(), ["farm/ct/+/power"]);
    assert_eq!(read(&mut router, "farm/ct/m1/power", "1234.56"), (vec![(0, 0, NOW, 12_346)], vec![]));
    assert_eq!(read(&mut router, "farm/ct/m2/power", " -5\n"), (vec![(0, 1, NOW, -50)], vec![]));
    assert_eq!(read(&mut router, "farm/ct/m3/power", "1"), refused(Refusal::UnknownChannel));
    for topic in ["farm/ct/m1", "farm/ct/m1/power/x", "farm", "", "farm/ct/a/b/power"] {
        assert_eq!(read(&mut router, topic, "1"), refused(Refusal::UnknownTopic), "{topic}");
    }
}

#[test]
fn each_refusal_has_its_reason() {
    let mut router = plain();
    let mut check = |payload: &[u8], reason| {
        let shown = payload[..payload.len().min(40)].escape_ascii();
        assert_eq!(read(&mut router, "farm/ct/m1/power", payload), refused(reason), "{shown}");
    };
    check(b"", Refusal::Empty);
    check(b"NaN", Refusal::NotFinite);
    check(b"-inf", Refusal::NotFinite);
    check(b"1e400", Refusal::NotFinite);
    check(b"1e300", Refusal::OutOfRange);
    check(b"\x00\x01", Refusal::NotANumber);
    check(b"\xc3\x28", Refusal::NotUtf8);
    check(b"{\"w\": 1}", Refusal::NotANumber);
    check(&vec![b' '; MAX_PAYLOAD], Refusal::Empty);
    check(&vec![b'1'; MAX_PAYLOAD + 1], Refusal::TooLarge);
    let kept = read_as(&mut router, "farm/ct/m1/power", "5", Delivery::Retained);
    assert_eq!(kept, refused(Refusal::Retained));
    let queued = read_as(&mut router, "farm/ct/m1/power", "5", Delivery::Backlog);
    assert_eq!(queued, refused(Refusal::Backlog));
}

#[test]
fn one_message_with_many_channels_and_its_time() {
    let (mut router, keys) = nineteen();
    assert_eq!(router.filters(), ["farm/all"]);
    let at = NOW - Span::from_seconds(60);
    let body: Vec<String> = keys.iter().enumerate().map(|(n, key)| format!(r#""{key}": {n}.5"#)).collect();
    let message = format!(r#"{{"ts": {}, "channels": {{{}}}, "more": [1]}}"#, at.seconds(), body.join(","));
    let all: Vec<_> = (0..19).map(|n| (0, n, at, i64::from(n) * 10 + 5)).collect();
    assert_eq!(read(&mut router, "farm/all", &message), (all.clone(), vec![]));
    // It says its time, so it is as good when it comes late.
    assert_eq!(read_as(&mut router, "farm/all", &message, Delivery::Retained), (all.clone(), vec![]));
    assert_eq!(read_as(&mut router, "farm/all", &message, Delivery::Backlog), (all, vec![]));
}

#[test]
fn one_bad_channel_takes_no_other_with_it() {
    let (mut router, _) = nineteen();
    let message = r#"{"ts": "2026-05-03T09:20:00Z", "channels":
        {"ct1": 1, "ct2": "2.5", "ct3": null, "ct4": "off", "ct5": true, "ct6": 1e300, "ct7": 7}}"#;
    let (readings, refusals) = read(&mut router, "farm/all", message);
    assert_eq!(readings, [(0, 0, NOW, 10), (0, 1, NOW, 25), (0, 6, NOW, 70)]);
    let expected = [(Refusal::Missing, 13), (Refusal::WrongType, 2), (Refusal::OutOfRange, 1)];
    assert_eq!(refusals, expected);
}

#[test]
fn times_that_cannot_be() {
    let meter = device("meter", "m", json("/w", Some("/t")), Unit::W);
    let mut router = Router::new(&[site(vec![(meter, &["only"])])]);
    let mut check = |time: &str, reason| {
        assert_eq!(read(&mut router, "m", format!(r#"{{"w": 1, "t": {time}}}"#)), refused(reason), "{time}");
    };
    check("1777800301", Refusal::FutureTime);
    check("1777800301000", Refusal::FutureTime);
    check("\"2026-05-03T09:25:01Z\"", Refusal::FutureTime);
    check("0", Refusal::OldTime);
    check("-1e12", Refusal::OldTime);
    check("1e300", Refusal::BadTime);
    check("\"now\"", Refusal::BadTime);
    check("null", Refusal::BadTime);
    check("{}", Refusal::BadTime);
    assert_eq!(read(&mut router, "m", r#"{"w": 1}"#), refused(Refusal::BadTime));
    let ahead = read(&mut router, "m", r#"{"w": 1, "t": 1777800300}"#);
    assert_eq!(ahead, (vec![(0, 0, NOW + MAX_AHEAD, 10)], vec![]));
    for (payload, reason) in [("", Refusal::Empty), (" \n", Refusal::Empty), ("{", Refusal::NotJson)] {
        assert_eq!(read(&mut router, "m", payload), refused(reason), "{payload}");
    }
    assert_eq!(read(&mut router, "m", b"{\"w\": \"\xff\"}"), refused(Refusal::NotUtf8));
}

#[test]
fn devices_may_share_a_topic_and_a_message() {
    // power and counter in one message, and the same message for a second site with its own map
    let topic = "farm/meter";
    let power = device("power", topic, json("/{channel}/w", None), Unit::W);
    let count = device("count", topic, json("/{channel}/kwh", None), Unit::KWh { rolls_over_at_wh: None });
    let amps = device("amps", topic, json("/{channel}/a", None), Unit::A { volts: 120.0 });
    let first = site(vec![(power, &["1", "2"]), (count, &["1"])]);
    let empty = site(vec![]);
    let second = site(vec![(amps, &["2"])]);
    let mut router = Router::new(&[first, empty, second]);
    assert_eq!(router.filters(), [topic]);
    let message = r#"{"1": {"w": 100, "kwh": 2.5, "a": 1}, "2": {"w": -7, "a": 0.5}}"#;
    let expected = vec![(0, 0, NOW, 1000), (0, 1, NOW, -70), (0, 2, NOW, 25_000), (2, 0, NOW, 600)];
    assert_eq!(read(&mut router, topic, message), (expected, vec![]));
}

#[test]
fn numbers_and_json_may_share_a_topic_too() {
    let number = device("number", "t", Payload::Number, Unit::W);
    let whole = device("whole", "t", json("", None), Unit::KW);
    let mut router = Router::new(&[site(vec![(number, &["x"]), (whole, &["x"])])]);
    assert_eq!(read(&mut router, "t", "1.5"), (vec![(0, 0, NOW, 15), (0, 1, NOW, 15_000)], vec![]));
}

#[test]
fn channel_in_topic_and_pointer_and_array() {
    let strange = device("s", "x/ct-{channel}", json("/list/1/{channel}~1w", None), Unit::W);
    let mut router = Router::new(&[site(vec![(strange, &["a~b"])])]);
    assert_eq!(router.filters(), ["x/+"]);
    let message = r#"{"list": [0, {"a~b/w": 3}, {"a~b/w": 4}]}"#;
    assert_eq!(read(&mut router, "x/ct-a~b", message), (vec![(0, 0, NOW, 30)], vec![]));
    assert_eq!(read(&mut router, "x/ct-c", message), refused(Refusal::UnknownChannel));
}

#[test]
fn no_sites_no_topics() {
    let mut router = Router::new(&[]);
    assert!(router.filters().is_empty());
    assert_eq!(read(&mut router, "a", "1"), refused(Refusal::UnknownTopic));
}

fn some_json() -> impl Strategy<Value = String> {
    let leaf = prop_oneof![
        any::<f64>().prop_map(|number| format!("{number:?}")),
        any::<i64>().prop_map(|number| number.to_string()),
        Just("null".to_owned()),
        Just("true".to_owned()),
        "\"[ -!#-\\[\\]-~]{0,12}\"",
    ];
    leaf.prop_recursive(4, 64, 8, |inner| {
        let key = prop_oneof![Just("ts".to_owned()), Just("channels".to_owned()), "ct[0-9]{1,2}"];
        prop_oneof![
            prop::collection::vec(inner.clone(), 0..8).prop_map(|list| format!("[{}]", list.join(","))),
            prop::collection::vec((key, inner), 0..8).prop_map(|map| {
                let members: Vec<_> = map.iter().map(|(key, value)| format!("\"{key}\":{value}")).collect();
                format!("{{{}}}", members.join(","))
            }),
        ]
    })
}

proptest! {
    #[test]
    fn whatever_comes_is_counted_and_harms_nothing(
        topic in prop_oneof![Just("farm/all".to_owned()), Just("farm/ct/m1/power".to_owned()), ".{0,30}"],
        payload in prop_oneof![prop::collection::vec(any::<u8>(), 0..300), some_json().prop_map(String::into_bytes)],
        delivery in prop_oneof![Just(Delivery::Live), Just(Delivery::Retained), Just(Delivery::Backlog)],
    ) {
        for mut router in [plain(), nineteen().0] {
            let mut out = Vec::new();
            let outcome = router.decode(&topic, &payload, NOW, delivery, &mut out);
            prop_assert_eq!(outcome.accepted as usize, out.len());
            let refused: u32 = outcome.refusals().map(|(_, count)| count).sum();
            prop_assert!(outcome.accepted + refused > 0, "nothing passes unseen");
            for reading in out {
                prop_assert!(reading.sample.value.abs() <= 100_000_000);
                prop_assert!((EARLIEST..=NOW + MAX_AHEAD).contains(&reading.sample.at));
            }
        }
    }

    /// The pointers find what a parsed tree has at the same place.
    #[test]
    fn pointers_agree_with_a_tree(message in some_json()) {
        let (mut router, keys) = nineteen();
        let Ok(tree) = serde_json::from_str::<serde_json::Value>(&message) else { return Ok(()) };
        let message = format!(r#"{{"ts": 1777800000, "channels": {message}}}"#);
        let (readings, _) = read(&mut router, "farm/all", &message);
        let mut expected = Vec::new();
        for (index, key) in keys.iter().enumerate() {
            let number = match tree.get(key) {
                Some(serde_json::Value::Number(number)) => number.as_f64(),
                Some(serde_json::Value::String(text)) => text.trim().parse().ok(),
                _ => None,
            };
            if let Some(number) = number && number.is_finite() && (number * 10.0).abs() <= 1e8 {
                expected.push((0, index as u32, NOW, (number * 10.0).round() as i64));
            }
        }
        prop_assert_eq!(readings, expected);
    }
}

/// Not a test of speed: it prints what the machine does, for `cargo test --release -- --nocapture`.
#[test]
fn decoding_many_messages_says_how_long_it_took() {
    let (mut many, keys) = nineteen();
    let body: Vec<String> = keys.iter().enumerate().map(|(n, key)| format!(r#""{key}":{n}.5"#)).collect();
    let message = format!(r#"{{"ts":1777800000,"channels":{{{}}}}}"#, body.join(","));
    for (name, router, topic, payload, readings) in [
        ("a plain number", &mut plain(), "farm/ct/m1/power", "1234.5", 1),
        ("JSON of 19", &mut many, "farm/all", message.as_str(), 19),
    ] {
        let (turns, mut out) = (if cfg!(debug_assertions) { 1_000 } else { 1_000_000 }, Vec::new());
        #[expect(clippy::disallowed_methods, reason = "it measures")]
        let start = std::time::Instant::now();
        for _ in 0..turns {
            out.clear();
            router.decode(topic, payload.as_bytes(), NOW, Delivery::Live, &mut out);
            assert_eq!(out.len(), readings);
        }
        let each = start.elapsed().as_nanos() / turns;
        println!("{name} ({} B): {each} ns a message", payload.len());
    }
}
