//! The body and the publisher, on a small invented house.

mod body;
mod timing;

use std::sync::Arc;

use crate::flow::Flows;
use crate::site::*;
use crate::surplus::Guidance;
use crate::units::{Amps, ONE, Span, Stamp, Volts, Watts};

/// 2026-01-15T12:00:00-07:00.
pub(super) const NOON: Stamp = Stamp::from_seconds(1_768_503_600);

/// A house with mains on two legs, a circuit in watts, one in amperes, one without a CT, and a barn.
pub(super) fn house() -> Site {
    let device = |id: &str, unit| Device {
        id: id.into(),
        topic: format!("{id}/{{channel}}"),
        payload: Payload::Number,
        unit,
        reading: ReadingKind::Mean,
        every: Span::from_seconds(1),
        max_gap: Span::from_seconds(3),
        stale_after: Span::from_seconds(5),
    };
    let channel = |device: usize, name: &str| {
        let key = name.split('/').next_back().unwrap_or_default().to_owned();
        Channel { name: name.into(), device, key }
    };
    let bus = |id: &str, parent| Bus {
        id: id.into(),
        name: id.into(),
        parent,
        fed_by: None,
        rating_a: None,
        panel: Default::default(),
    };
    let circuit = |id: &str, channel: Option<u32>| Circuit {
        id: id.into(),
        entries: vec![CircuitEntry {
            span: Stamp::MIN..Stamp::MAX,
            label: id.to_uppercase(),
            end_use: EndUse::Other,
            role: Role::Load,
            bus: 1,
            spaces: Vec::new(),
            legs: Vec::new(),
            breaker_a: None,
            ct_rating_a: None,
            terms: channel.map(term).into_iter().collect(),
            cts: vec![],
            doubled: false,
            line: 1,
            written: Default::default(),
            trade: Default::default(),
        }],
    };
    Site {
        id: "heron-lane".into(),
        name: "Heron Lane farmhouse".into(),
        time_zone: "America/Denver".into(),
        billing_day: 1,
        late_window: None,
        loading: Default::default(),
        service: Service { system: System::SplitPhase120_240, main_breaker_a: Some(200.0) },
        devices: vec![
            device("house", Unit::W),
            device("clamp", Unit::A { volts: Amps(1.0).apparent(Volts(120.0)).0 }),
        ],
        channels: vec![
            channel(0, "house/m1"),
            channel(0, "house/m2"),
            channel(0, "house/3"),
            channel(1, "clamp/1"),
        ],
        buses: vec![bus("service", None), bus("main", Some(0)), bus("barn", Some(1))],
        circuits: vec![circuit("well-pump", Some(2)), circuit("freezer", Some(3)), circuit("spare", None)],
        feeds: vec![],
        accepts: vec![],
        splits: Vec::new(),
        epochs: vec![Epoch { span: Stamp::MIN..Stamp::MAX, plan: Plan::default() }],
    }
}

fn term(channel: u32) -> Term {
    Term { series: SeriesIndex(channel), part: Part::Net, millionths: ONE }
}

/// Live figures at a moment.
pub(super) fn flows(at: Stamp, figures: &[(FigureKey, Option<f64>)]) -> Flows {
    let figures = figures.iter().map(|(key, watts)| (*key, watts.map(Watts))).collect();
    Flows { at, figures, unknown: Vec::new() }
}

pub(super) fn houses(ids: &[&str]) -> Vec<Arc<Site>> {
    ids.iter().map(|id| Arc::new(Site { id: (*id).into(), ..house() })).collect()
}
