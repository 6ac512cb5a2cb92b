//! Counters beside power: `counter = { … }` of a device, a second number for each of its channels.
//!
//! They become a device of their own, `house/counter`, whose channels are `house/1/counter`. No feed and no
//! circuit can name those: the map goes on naming the CT, whose energy then follows its counter. A device that
//! counts what flows the other way apart has `export_counter = { … }` too, `house/export-counter`.

use jiff::tz::TimeZone;
use toml::value::Datetime;

use super::dates;
use super::devices::{device, waits};
use super::findings::Findings;
use super::model::{BESIDE, ChannelIndex, Device, EXPORTED, Payload};
use super::names::shown;
use super::rules;
use super::shape::{DeviceShape, PayloadShape};
use super::text::{At, Fields};
use crate::units::Stamp;

/// `counter = { topic, pointer, time, unit, every_s, rolls_over_at, from }`.
pub(super) struct CounterShape {
    line: usize,
    topic: Option<At<String>>,
    pointer: Option<At<String>>,
    time: Option<At<String>>,
    unit: Option<At<String>>,
    every_s: Option<At<f64>>,
    rolls_over_at: Option<At<f64>>,
    from: Option<At<Datetime>>,
}

impl CounterShape {
    pub(super) fn read(mut fields: Fields<'_>, findings: &mut Findings) -> Self {
        let unit = fields.string("unit", findings);
        fields.require("unit", unit.as_ref(), findings);
        let shape = Self {
            line: fields.line,
            topic: fields.string("topic", findings),
            pointer: fields.string("pointer", findings),
            time: fields.string("time", findings),
            unit,
            every_s: fields.number("every_s", findings),
            rolls_over_at: fields.number("rolls_over_at", findings),
            from: fields.date("from", findings),
        };
        fields.finish(findings);
        shape
    }
}

/// The counters of a device, and from when on they count.
pub(super) struct Counter {
    pub(super) device: Device,
    pub(super) since: Stamp,
}

/// A channel with a counter beside it.
#[derive(Clone, Copy, Debug)]
pub(super) struct Beside {
    pub(super) power: ChannelIndex,
    pub(super) counter: ChannelIndex,
    /// From when on it counts.
    pub(super) since: Stamp,
    /// A counter of what flows out, and from when on that counts.
    pub(super) export: Option<(ChannelIndex, Stamp)>,
}

/// Reads the counter beside `of`, if it has one that makes sense there.
pub(super) fn read(
    of: &Device,
    shape: &DeviceShape,
    zone: &TimeZone,
    findings: &mut Findings,
) -> Option<Counter> {
    one(of, shape, (shape.counter.as_ref()?, BESIDE), zone, findings)
}

/// Reads its counter of what flows out.
pub(super) fn read_export(
    of: &Device,
    shape: &DeviceShape,
    zone: &TimeZone,
    findings: &mut Findings,
) -> Option<Counter> {
    let counter = shape.export_counter.as_ref()?;
    if shape.counter.is_none() {
        let what = format!("an `export_counter` without a `counter` (device \"{}\")", of.id);
        let write = "name the counter of what flows in too: `counter = { … }`";
        findings.add(&rules::COUNTER_BESIDE, counter.line, what, write);
        return None;
    }
    one(of, shape, (counter, EXPORTED), zone, findings)
}

fn one(
    of: &Device,
    shape: &DeviceShape,
    (counter, name): (&CounterShape, &str),
    zone: &TimeZone,
    findings: &mut Findings,
) -> Option<Counter> {
    if !fits(of, shape, counter, findings) {
        return None;
    }
    let own = counter.topic.is_none();
    let beside = shape.payload.as_ref().and_then(|payload| payload.time.clone()).filter(|_| own);
    let payload = counter.pointer.as_ref().map(|pointer| PayloadShape {
        pointer: Some(pointer.clone()),
        time: counter.time.clone().or(beside),
    });
    let shape = DeviceShape {
        line: counter.line,
        id: None,
        source: None,
        topic: counter.topic.clone(),
        payload,
        unit: counter.unit.clone(),
        volts: None,
        reading: None,
        every_s: counter.every_s.clone(),
        max_gap_s: None,
        stale_after_s: None,
        rolls_over_at: counter.rolls_over_at.clone(),
        counter: None,
        export_counter: None,
        channels: None,
    };
    let mut device = device(&shape, format!("{}{name}", of.id), findings);
    if own {
        device.topic.clone_from(&of.topic);
    }
    if counter.every_s.is_none() {
        device.every = of.every;
        (device.max_gap, device.stale_after) = waits(of.every);
    }
    let since = dates::span(&counter.from, &None, zone, findings).start;
    Some(Counter { device, since })
}

fn fits(of: &Device, shape: &DeviceShape, counter: &CounterShape, findings: &mut Findings) -> bool {
    let mut wrong = |line: usize, what: &str, write: &str| {
        let what = format!("{what} (device \"{}\")", of.id);
        findings.add(&rules::COUNTER_BESIDE, line, what, write);
        false
    };
    let line = counter.line;
    if shape.source.is_some() {
        return wrong(line, "a counter beside readings that come from files", "leave it out");
    }
    if of.unit.is_counter() {
        return wrong(line, "a counter beside a counter", "leave it out, or name the power in the device");
    }
    if let Some(At { value, line }) = &counter.unit
        && !matches!(value.as_str(), "Wh" | "kWh")
    {
        let what = format!("a counter in \"{}\"", shown(value));
        return wrong(*line, &what, "write unit = \"Wh\" or \"kWh\"");
    }
    if let (Some(time), None) = (&counter.time, &counter.pointer) {
        return wrong(time.line, "a counter with a `time` and no `pointer`", "write where its value is too");
    }
    match (&counter.topic, &counter.pointer) {
        (None, None) => {
            let write = "write a topic of its own, or the pointer at which it stands in the device's JSON";
            wrong(line, "a counter with neither a topic nor a pointer", write)
        }
        (None, Some(pointer)) if of.payload == Payload::Number => {
            let write = "give the device a `payload` with a pointer too, or the counter a topic of its own";
            wrong(pointer.line, "a counter at a pointer of a payload that is a number", write)
        }
        _ => true,
    }
}
