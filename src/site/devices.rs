//! Devices and their channels.

use std::collections::HashMap;

use jiff::tz::TimeZone;

use super::counters::{self, Beside, Counter};
use super::findings::{Findings, choice, nearest};
use super::model::{BESIDE, Channel, ChannelIndex, Device, EXPORTED, Payload, ReadingKind, Unit};
use super::names::{self, PLACEHOLDER, shown};
use super::rules;
use super::shape::{CtShape, DeviceShape};
use super::text::At;
use crate::units::Span;

/// A tick waits for the slowest channel, so periods are bounded by what a daemon can hold open.
const MAX_PERIOD_S: f64 = 3600.0;
/// Three of the longest periods, and as much again for a device that is late.
const MAX_WAIT_S: f64 = 6.0 * MAX_PERIOD_S;
/// How many periods one reading may cover where the map does not say.
const GAP_PERIODS: i64 = 3;
/// What the accounting waits beyond the gap: messages of one moment arrive within this.
const SETTLE: Span = Span::from_seconds(2);
/// Memory is per channel; the largest panels have 84 spaces.
pub(super) const MAX_CHANNELS: usize = 512;
/// Leg to neutral, nominal, in both systems.
const DEFAULT_VOLTS: f64 = 120.0;

/// The devices of a site, its channels, and a way to find them.
pub(super) struct Devices {
    pub(super) devices: Vec<Device>,
    pub(super) channels: Vec<Channel>,
    /// Channels that have a counter beside them.
    pub(super) counters: Vec<Beside>,
    by_name: HashMap<String, ChannelIndex>,
}

impl Devices {
    /// Reads the devices; `used` are all CTs that the map names, which a device without a list of
    /// channels is taken to send.
    pub(super) fn read(
        shapes: &[DeviceShape],
        used: &[&CtShape],
        zone: &TimeZone,
        findings: &mut Findings,
    ) -> Self {
        let mut all =
            Self { devices: Vec::new(), channels: Vec::new(), counters: Vec::new(), by_name: HashMap::new() };
        let mut places = HashMap::new();
        for shape in shapes {
            let Some(id) = names::id(&shape.id, "device", findings) else { continue };
            if all.devices.iter().any(|device| device.id == id) {
                let what = format!("the device \"{id}\" is there twice");
                findings.add(&rules::DUPLICATE_ID, shape.line, what, "write another id, or one [[device]]");
                continue;
            }
            let device = device(shape, id, findings);
            let keys = keys(shape, &device.id, used, findings);
            if keys.is_empty() {
                let what = format!("device \"{}\" has no channels", device.id);
                findings.add(&rules::DEVICE_UNUSED, shape.line, what, "name its channels, or leave it out");
            }
            if apart(&device, keys.len(), shape.line, findings) {
                same_reading(&device, &keys, &mut places, findings);
            }
            let counter = counters::read(&device, shape, zone, findings);
            let export = counters::read_export(&device, shape, zone, findings);
            for Counter { device, .. } in counter.iter().chain(&export) {
                if apart(device, keys.len(), shape.line, findings) {
                    same_reading(device, &keys, &mut places, findings);
                }
            }
            let first = all.channels.len();
            all.add(device, &keys);
            if let Some(counter) = counter {
                all.add_beside(counter, export, first, &keys);
            }
        }
        if all.channels.len() > MAX_CHANNELS {
            let what = format!("the map has {} channels", all.channels.len());
            findings.add(&rules::TOO_MANY, 1, what, "split it into several sites");
        }
        all
    }

    fn add(&mut self, device: Device, keys: &[At<String>]) {
        for key in keys {
            let name = channel_name(&device.id, &key.value);
            self.by_name.insert(name.clone(), ChannelIndex(self.channels.len() as u32));
            self.channels.push(Channel { name, device: self.devices.len(), key: key.value.clone() });
        }
        self.devices.push(device);
    }

    /// The counters of channels that were just added, from `first` on. Nothing in the map can name them.
    fn add_beside(&mut self, counter: Counter, export: Option<Counter>, first: usize, keys: &[At<String>]) {
        let index = |index: usize| ChannelIndex(index as u32);
        let counters = self.channels.len();
        for (place, _) in keys.iter().enumerate() {
            self.counters.push(Beside {
                power: index(first + place),
                counter: index(counters + place),
                since: counter.since,
                export: export.as_ref().map(|export| (index(counters + keys.len() + place), export.since)),
            });
        }
        for Counter { device, .. } in [Some(counter), export].into_iter().flatten() {
            for key in keys {
                let name = channel_name(&device.id, &key.value);
                self.channels.push(Channel { name, device: self.devices.len(), key: key.value.clone() });
            }
            self.devices.push(device);
        }
    }

    /// The channel that a feed or a circuit names.
    pub(super) fn find(&self, name: &At<String>, findings: &mut Findings) -> Option<ChannelIndex> {
        let At { value, line } = name;
        if let Some(index) = self.by_name.get(value) {
            return Some(*index);
        }
        if value.is_empty() {
            // The missing key has been reported.
            return None;
        }
        let device = value.split_once('/').map(|(device, _)| device);
        if !self.devices.iter().any(|known| Some(known.id.as_str()) == device) {
            let what = match device {
                Some(device) => format!("there is no device \"{}\"", shown(device)),
                None => format!("\"{}\" names no device", shown(value)),
            };
            let ids = self.devices.iter().map(|device| device.id.as_str()).filter(|id| !id.contains('/'));
            let near = nearest(device.unwrap_or_default(), ids.clone()).or(ids.clone().next());
            let write = format!("write \"{}/…\"", near.unwrap_or("device"));
            findings.add(&rules::UNKNOWN_DEVICE, *line, what, write);
            return None;
        }
        let what = format!("there is no channel \"{}\"", shown(value));
        let named = self.channels.iter().filter(|channel| !channel.is_beside());
        let near = nearest(value, named.map(|channel| channel.name.as_str()));
        let power = value.strip_suffix(BESIDE).or_else(|| value.strip_suffix(EXPORTED));
        let power = power.filter(|power| self.by_name.contains_key(*power));
        let write = match (power, near) {
            (Some(power), _) => format!("write \"{power}\": its counter goes with it"),
            (None, Some(near)) => format!("write \"{near}\", or add it to the device's channels"),
            (None, None) => "add it to the device's channels".to_owned(),
        };
        findings.add(&rules::UNKNOWN_CHANNEL, *line, what, write);
        None
    }
}

/// `source = "import"`: readings come from files alone, so there is no topic to read.
fn imported(shape: &DeviceShape, findings: &mut Findings) -> bool {
    let Some(At { value, line }) = &shape.source else { return false };
    if value != "import" {
        let what = format!("the source \"{}\" is not known", shown(value));
        findings.add(&rules::UNKNOWN_WORD, *line, what, "write source = \"import\", or a topic in its place");
        return true;
    }
    let payload =
        shape.payload.as_ref().and_then(|payload| payload.pointer.as_ref().or(payload.time.as_ref()));
    for (name, line) in
        [("topic", shape.topic.as_ref().map(|at| at.line)), ("payload", payload.map(|at| at.line))]
    {
        if let Some(line) = line {
            let what = format!("a device that is imported has a `{name}`");
            findings.add(&rules::UNIT_MISMATCH, line, what, "leave it out, or leave `source` out");
        }
    }
    true
}

/// `house/1`; of the counters beside it `house/1/counter` and `house/1/export-counter`.
fn channel_name(device: &str, key: &str) -> String {
    let beside = [BESIDE, EXPORTED].into_iter().find_map(|end| Some((device.strip_suffix(end)?, end)));
    match beside {
        Some((power, end)) => format!("{power}/{key}{end}"),
        None => format!("{device}/{key}"),
    }
}

pub(super) fn device(shape: &DeviceShape, id: String, findings: &mut Findings) -> Device {
    let imported = imported(shape, findings);
    let topic = shape.topic.as_ref().map_or_else(String::new, |topic| {
        if let Some((fault, write)) = names::topic_fault(&topic.value) {
            let what = format!("the topic \"{}\" {fault}", shown(&topic.value));
            findings.add(&rules::BAD_TOPIC, topic.line, what, write);
        }
        topic.value.clone()
    });
    let topic = if imported { String::new() } else { topic };
    let (every, max_gap, stale_after) = times(shape, imported, findings);
    Device {
        id,
        topic,
        payload: payload(shape, findings),
        unit: unit(shape, findings),
        reading: reading(shape, findings),
        every,
        max_gap,
        stale_after,
    }
}

/// The channels of a device: its list, or else what the map uses of it.
fn keys(shape: &DeviceShape, id: &str, used: &[&CtShape], findings: &mut Findings) -> Vec<At<String>> {
    let listed = shape.channels.is_some();
    let used = used.iter().filter_map(|ct| match ct.channel.value.split_once('/') {
        Some((device, key)) if device == id => Some(At { value: key.to_owned(), line: ct.channel.line }),
        _ => None,
    });
    let all: Vec<_> = shape.channels.clone().unwrap_or_else(|| used.collect());
    let mut keys: Vec<At<String>> = Vec::new();
    let mut seen = std::collections::HashSet::new();
    for key in all {
        if !seen.insert(key.value.clone()) {
            if listed {
                let what = format!("device \"{id}\" lists the channel \"{}\" twice", shown(&key.value));
                findings.add(&rules::CHANNEL_LISTED_TWICE, key.line, what, "leave one of them out");
            }
            continue;
        }
        if !names::is_channel(&key.value) {
            let what = format!("\"{}\" cannot name a channel", shown(&key.value));
            findings.add(
                &rules::BAD_CHANNEL,
                key.line,
                what,
                "write the name that the device gives it, as \"1\"",
            );
        }
        keys.push(key);
    }
    keys
}

/// Whether several channels can be told apart.
fn apart(device: &Device, channels: usize, line: usize, findings: &mut Findings) -> bool {
    let pointer = match &device.payload {
        Payload::Number => "",
        Payload::Json { pointer, .. } => pointer,
    };
    if channels < 2 || device.topic.contains(PLACEHOLDER) || pointer.contains(PLACEHOLDER) {
        return true;
    }
    if !device.topic.is_empty() {
        let what =
            format!("device \"{}\" has {channels} channels on one topic and one place in it", device.id);
        let write = "write `{channel}` in its topic, or in its pointer as in \"/channels/{channel}/watts\"";
        findings.add(&rules::CHANNELS_NOT_APART, line, what, write);
    }
    false
}

/// Reports channels of any two devices that read the same number of the same message.
fn same_reading(
    device: &Device,
    keys: &[At<String>],
    places: &mut HashMap<(String, String), String>,
    findings: &mut Findings,
) {
    for key in keys {
        let pointer = match &device.payload {
            Payload::Number => String::new(),
            Payload::Json { pointer, .. } => pointer.replace(PLACEHOLDER, &key.value),
        };
        let place = (device.topic.replace(PLACEHOLDER, &key.value), pointer);
        let name = channel_name(&device.id, &key.value);
        if let Some(other) = places.get(&place) {
            let what = format!("\"{}\" and \"{}\" are read from the same place", shown(other), shown(&name));
            findings.add(
                &rules::SAME_READING_TWICE,
                key.line,
                what,
                "write another topic or pointer for one device",
            );
        } else if !device.topic.is_empty() {
            places.insert(place, name);
        }
    }
}

fn payload(shape: &DeviceShape, findings: &mut Findings) -> Payload {
    let Some(payload) = &shape.payload else { return Payload::Number };
    for pointer in [&payload.pointer, &payload.time].into_iter().flatten() {
        if let Some((fault, write)) = names::pointer_fault(&pointer.value) {
            let what = format!("the pointer \"{}\" {fault}", shown(&pointer.value));
            findings.add(&rules::BAD_POINTER, pointer.line, what, write);
        }
    }
    let text = |pointer: &Option<At<String>>| pointer.as_ref().map(|pointer| pointer.value.clone());
    Payload::Json { pointer: text(&payload.pointer).unwrap_or_default(), time: text(&payload.time) }
}

fn unit(shape: &DeviceShape, findings: &mut Findings) -> Unit {
    let Some(At { value, line }) = &shape.unit else { return Unit::W };
    let counts = shape.rolls_over_at.as_ref().map(|counts| counts.value);
    let volts = shape.volts.as_ref().map(|volts| volts.value);
    let unit = match value.as_str() {
        "W" => Unit::W,
        "kW" => Unit::KW,
        "A" => Unit::A { volts: volts.unwrap_or(DEFAULT_VOLTS) },
        "Wh" => Unit::Wh { rolls_over_at_wh: counts },
        "kWh" => Unit::KWh { rolls_over_at_wh: counts.map(|kwh| kwh * 1000.0) },
        _ => {
            let what = format!("the unit \"{}\" is not known", shown(value));
            findings.add(
                &rules::UNKNOWN_WORD,
                *line,
                what,
                "write one of \"W\", \"kW\", \"A\", \"Wh\", \"kWh\"",
            );
            return Unit::W;
        }
    };
    let mut mismatch = |line: usize, what: String, write: &str| {
        findings.add(&rules::UNIT_MISMATCH, line, what, write);
    };
    if let Some(volts) = &shape.volts {
        if !unit.is_apparent() {
            mismatch(
                volts.line,
                format!("`volts` with the unit {value}"),
                "leave it out, or write unit = \"A\"",
            );
        } else if !(1.0..=1000.0).contains(&volts.value) {
            let what = format!("{} volts", volts.value);
            mismatch(volts.line, what, "write the nominal volts that the CT's conductor has, as 120");
        }
    }
    if let Some(counts) = &shape.rolls_over_at {
        if !unit.is_counter() {
            let what = format!("`rolls_over_at` with the unit {value}");
            mismatch(counts.line, what, "leave it out, or write unit = \"Wh\" or \"kWh\"");
        } else if !(counts.value > 0.0 && counts.value <= 1e12) {
            let what = format!("a counter that rolls over at {}", counts.value);
            mismatch(
                counts.line,
                what,
                "write the count after which it starts again at 0, in the device's unit",
            );
        }
    }
    unit
}

fn reading(shape: &DeviceShape, findings: &mut Findings) -> ReadingKind {
    let Some(At { value, line }) = &shape.reading else { return ReadingKind::Mean };
    let counter = shape.unit.as_ref().is_some_and(|unit| matches!(unit.value.as_str(), "Wh" | "kWh"));
    match value.as_str() {
        "mean" => ReadingKind::Mean,
        "instant" if counter => {
            let what = "`reading = \"instant\"` on a counter, which covers the span between two counts";
            findings.add(&rules::UNIT_MISMATCH, *line, what, "leave it out");
            ReadingKind::Mean
        }
        "instant" => ReadingKind::Instant,
        _ => {
            let what = format!("the reading \"{}\" is not known", shown(value));
            findings.add(&rules::UNKNOWN_WORD, *line, what, choice("reading", value, &["mean", "instant"]));
            ReadingKind::Mean
        }
    }
}

/// Longest gap and how long the accounting waits, where the map says neither.
pub(super) fn waits(every: Span) -> (Span, Span) {
    let max_gap = Span(every.0 * GAP_PERIODS);
    (max_gap, Span(max_gap.0 + SETTLE.0))
}

/// Period, longest gap, and how long the accounting waits.
fn times(shape: &DeviceShape, imported: bool, findings: &mut Findings) -> (Span, Span, Span) {
    let mut read = |value: &Option<At<f64>>, key: &str, least: Span, most_s: f64| -> Option<Span> {
        let At { value, line } = value.as_ref()?;
        let tenths = value * 10.0;
        let span = Span(tenths.round() as i64);
        if !(0.1..=most_s).contains(value) || (tenths - tenths.round()).abs() > 1e-6 {
            let what = format!("{key} = {value}");
            findings.add(&rules::BAD_PERIOD, *line, what, format!("write 0.1 to {most_s}, in steps of 0.1"));
            return None;
        }
        if span < least {
            let what = format!("{key} = {value} is shorter than every_s = {}", least.as_seconds());
            findings.add(&rules::BAD_PERIOD, *line, what, format!("write at least {}", least.as_seconds()));
        }
        Some(span)
    };
    let every = read(&shape.every_s, "every_s", Span::ZERO, MAX_PERIOD_S).unwrap_or(Span::TICK);
    let max_gap = read(&shape.max_gap_s, "max_gap_s", every, MAX_WAIT_S / 2.0);
    // A file's interval says what it covers, and no more: what is missing before it stays missing.
    let periods = if imported { 1 } else { GAP_PERIODS };
    let max_gap = max_gap.unwrap_or(Span(every.0 * periods));
    let stale_after = read(&shape.stale_after_s, "stale_after_s", every, MAX_WAIT_S);
    (every, max_gap, stale_after.unwrap_or(Span(max_gap.0 + SETTLE.0)))
}
