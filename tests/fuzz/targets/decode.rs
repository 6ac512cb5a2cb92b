//! Whatever a device sends: no panic, nothing unseen, nothing out of range.
//!
//! The first byte of the input chooses the topic and the delivery, the rest is the payload.
#![no_main]

use std::cell::RefCell;
use std::sync::Arc;

use libfuzzer_sys::fuzz_target;
use panelwright::reading::{Delivery, EARLIEST, MAX_AHEAD, Router};
use panelwright::site::{
    Channel, Device, Epoch, Payload, Plan, ReadingKind, Service, Site, System, Unit,
};
use panelwright::units::{Span, Stamp};

const NOW: Stamp = Stamp::from_seconds(1_777_800_000);
const TOPICS: [&str; 4] = ["plain/m1", "json", "counter", "plain/unknown"];

thread_local! {
    static ROUTER: RefCell<Router> = RefCell::new(Router::new(&[Arc::new(site())]));
}

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

fn site() -> Site {
    let json = |pointer: &str| Payload::Json { pointer: pointer.into(), time: Some("/ts".into()) };
    let counter = Unit::KWh { rolls_over_at_wh: None };
    let channels = [(0, "m1"), (1, "a"), (1, "b"), (1, "0"), (2, "x")];
    Site {
        id: "fuzz".into(),
        name: "An invented site".into(),
        time_zone: "UTC".into(),
        billing_day: 1,
        late_window: None,
        loading: Default::default(),
        service: Service { system: System::SplitPhase120_240, main_breaker_a: None },
        devices: vec![
            device("plain", "plain/{channel}", Payload::Number, Unit::A { volts: 120.0 }),
            device("json", "json", json("/ch/{channel}"), Unit::W),
            device("counter", "counter", json("/list/1"), counter),
        ],
        channels: channels
            .map(|(device, key)| Channel { name: format!("{device}/{key}"), device, key: key.into() })
            .into(),
        buses: Vec::new(),
        circuits: Vec::new(),
        feeds: vec![],
        accepts: vec![],
        splits: Vec::new(),
        epochs: vec![Epoch { span: Stamp::MIN..Stamp::MAX, plan: Plan::default() }],
    }
}

fuzz_target!(|input: &[u8]| {
    let Some((choice, payload)) = input.split_first() else { return };
    let topic = TOPICS[usize::from(choice & 3)];
    let delivery = match choice >> 6 {
        0 | 1 => Delivery::Live,
        2 => Delivery::Retained,
        _ => Delivery::Backlog,
    };
    let mut out = Vec::new();
    let outcome = ROUTER.with_borrow_mut(|router| router.decode(topic, payload, NOW, delivery, &mut out));
    let refused: u32 = outcome.refusals().map(|(_, count)| count).sum();
    assert_eq!(outcome.accepted as usize, out.len());
    assert!(outcome.accepted + refused > 0, "nothing passes unseen");
    for reading in out {
        assert!((EARLIEST..=NOW + MAX_AHEAD).contains(&reading.sample.at));
        assert!(reading.sample.value.unsigned_abs() <= 10_000_000_000_000);
    }
});
