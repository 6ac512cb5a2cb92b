//! What the site's meters send: each device by its definition in the map, at its own period.

use anyhow::{Context, Result};
use serde_json::{Map, Value};

use super::Second;
use crate::reading::Sample;
use crate::site::{ChannelIndex, Device, Payload, ReadingKind, Site, Unit};
use crate::units::{Span, Stamp};

/// Tenths of a watt, held for a second, in a watt-hour.
const TENTH_WATT_SECONDS_PER_WH: f64 = 36_000.0;

/// A message as a meter publishes it.
#[derive(Clone, Debug, PartialEq)]
pub struct Message {
    /// Topic.
    pub topic: String,
    /// Payload.
    pub payload: Vec<u8>,
}

/// The meters of a site, which gather seconds until their period is over.
#[derive(Clone, Debug)]
pub struct Devices {
    meters: Vec<Meter>,
    /// By channel: what was gathered in the period, in 0.1 W s.
    sums: Vec<i64>,
    /// By channel: a counter's energy in 0.1 W s; it only grows.
    counters: Vec<i64>,
}

#[derive(Clone, Debug)]
struct Meter {
    device: Device,
    channels: Vec<usize>,
    /// Whose power each of them measures: its own, but for a counter beside another channel.
    of: Vec<usize>,
    /// Whether it counts what flows out.
    exports: bool,
    /// Seconds gathered.
    gathered: i64,
    outputs: Vec<Output>,
}

/// One message a period: its topic, and its payload with gaps for values.
#[derive(Clone, Debug)]
struct Output {
    topic: String,
    pieces: Vec<Piece>,
}

#[derive(Clone, Debug)]
enum Piece {
    Text(String),
    Value(usize),
    Time,
}

impl Devices {
    /// The devices of `site`.
    ///
    /// # Errors
    /// A payload definition that no single JSON document can satisfy.
    pub fn new(site: &Site) -> Result<Self> {
        let meters = site
            .devices
            .iter()
            .enumerate()
            .map(|(index, device)| {
                let channels: Vec<usize> =
                    (0..site.channels.len()).filter(|n| site.channels[*n].device == index).collect();
                let outputs = outputs(site, device, &channels)
                    .with_context(|| format!("the payload of device \"{}\"", device.id))?;
                let beside = site.beside();
                let power = |channel: &usize| {
                    let found = beside.iter().find(|(_, counter)| counter.0 as usize == *channel);
                    found.map_or(*channel, |(power, _)| power.0 as usize)
                };
                let of = channels.iter().map(power).collect();
                let out = site.exported();
                let exports = channels.iter().any(|n| out.iter().any(|(_, one)| one.0 as usize == *n));
                Ok(Meter { device: device.clone(), channels, of, exports, gathered: 0, outputs })
            })
            .collect::<Result<_>>()?;
        Ok(Self { meters, sums: vec![0; site.channels.len()], counters: vec![0; site.channels.len()] })
    }

    /// Takes a second in; gives the readings that are due at its end, as a map's reader would have
    /// them: a power in 0.1 W, or a counter in 0.1 Wh.
    pub fn readings(&mut self, second: &Second, mut each: impl FnMut(ChannelIndex, Sample)) {
        let end = second.at + Span::TICK;
        for meter in &mut self.meters {
            let gathered = meter.gather(second, &mut self.sums, &mut self.counters);
            if !meter.is_due(end) {
                continue;
            }
            for channel in &meter.channels {
                let value = match meter.device.reading {
                    _ if meter.device.unit.is_counter() => {
                        (counter_wh(self.counters[*channel], meter.device.unit) * 10.0).round() as i64
                    }
                    ReadingKind::Instant => second.channels[*channel],
                    ReadingKind::Mean => rounded_mean(self.sums[*channel], gathered),
                };
                each(ChannelIndex(*channel as u32), Sample { at: end, value });
            }
        }
    }

    /// Takes a second in; gives the messages that are due at its end. How many readings they hold.
    pub fn messages(&mut self, second: &Second, mut each: impl FnMut(Message)) -> u64 {
        let end = second.at + Span::TICK;
        let mut values = vec![None; self.sums.len()];
        let mut count = 0;
        self.readings(second, |channel, sample| {
            values[channel.0 as usize] = Some(sample.value);
            count += 1;
        });
        for meter in &self.meters {
            if !meter.channels.iter().any(|channel| values[*channel].is_some()) {
                continue;
            }
            for output in &meter.outputs {
                each(output.message(&values, meter.device.unit, end));
            }
        }
        count
    }
}

impl Meter {
    /// Adds a second up; how many seconds the sums hold.
    fn gather(&mut self, second: &Second, sums: &mut [i64], counters: &mut [i64]) -> i64 {
        if self.gathered == 0 {
            for channel in &self.channels {
                sums[*channel] = 0;
            }
        }
        self.gathered += 1;
        for (channel, of) in self.channels.iter().zip(&self.of) {
            sums[*channel] += second.channels[*of];
            // A counter of export counts the other way.
            let way = if self.exports { -1 } else { 1 };
            counters[*channel] += (way * second.channels[*of]).max(0);
        }
        self.gathered
    }

    /// Whether its period ends at `end`; then the next begins.
    fn is_due(&mut self, end: Stamp) -> bool {
        let period_s = self.device.every.0.max(Span::TICK.0) / Span::TICK.0;
        let due = end.seconds().rem_euclid(period_s) == 0;
        if due {
            self.gathered = 0;
        }
        due
    }
}

/// What a counter shows, in Wh.
fn counter_wh(tenth_watt_seconds: i64, unit: Unit) -> f64 {
    let wh = tenth_watt_seconds as f64 / TENTH_WATT_SECONDS_PER_WH;
    match unit {
        Unit::Wh { rolls_over_at_wh: Some(at) } | Unit::KWh { rolls_over_at_wh: Some(at) } => wh % at,
        _ => wh,
    }
}

fn rounded_mean(sum: i64, count: i64) -> i64 {
    (2 * sum + count).div_euclid(2 * count)
}

impl Output {
    fn message(&self, values: &[Option<i64>], unit: Unit, end: Stamp) -> Message {
        use std::fmt::Write as _;
        let mut text = String::with_capacity(64);
        for piece in &self.pieces {
            match piece {
                Piece::Text(fixed) => text.push_str(fixed),
                Piece::Value(channel) => text.push_str(&number(values[*channel].unwrap_or(0), unit)),
                Piece::Time => {
                    let _ = write!(text, "{}.{}", end.seconds(), end.0.rem_euclid(10));
                }
            }
        }
        Message { topic: self.topic.clone(), payload: text.into_bytes() }
    }
}

/// A reading (0.1 W, or 0.1 Wh of a counter) in the unit that the device speaks.
fn number(value: i64, unit: Unit) -> String {
    let tenths = value as f64 / 10.0;
    match unit {
        Unit::W | Unit::Wh { .. } => format!("{tenths:.1}"),
        Unit::KW | Unit::KWh { .. } => format!("{:.4}", tenths / 1000.0),
        Unit::A { volts } => format!("{:.4}", tenths / volts),
    }
}

/// One message for each topic that the device's channels come on.
fn outputs(site: &Site, device: &Device, channels: &[usize]) -> Result<Vec<Output>> {
    let mut topics: Vec<(String, Vec<usize>)> = Vec::new();
    for channel in channels {
        let topic = device.topic.replace("{channel}", &site.channels[*channel].key);
        match topics.iter_mut().find(|(other, _)| *other == topic) {
            Some((_, together)) => together.push(*channel),
            None => topics.push((topic, vec![*channel])),
        }
    }
    topics
        .into_iter()
        .map(|(topic, channels)| {
            let pieces = match &device.payload {
                Payload::Number => channels.iter().map(|channel| Piece::Value(*channel)).collect(),
                Payload::Json { pointer, time } => {
                    let mut document = Value::Null;
                    for channel in &channels {
                        let pointer = pointer.replace("{channel}", &site.channels[*channel].key);
                        put(&mut document, &pointer, &format!("{MARK}{channel}"))?;
                    }
                    if let Some(pointer) = time {
                        put(&mut document, pointer, &format!("{MARK}time"))?;
                    }
                    pieces(&document.to_string())
                }
            };
            Ok(Output { topic, pieces })
        })
        .collect()
}

/// Stands before the name of a gap, in a string that is cut out of the finished text. A private-use
/// character, which no key or topic of a map has.
const MARK: char = '\u{e000}';

/// Writes `text` at an RFC 6901 pointer; every step is an object's.
fn put(document: &mut Value, pointer: &str, text: &str) -> Result<()> {
    let mut place = document;
    for token in pointer.split('/').skip(1) {
        let token = token.replace("~1", "/").replace("~0", "~");
        if place.is_null() {
            *place = Value::Object(Map::new());
        }
        let Value::Object(object) = place else {
            anyhow::bail!("the pointer \"{pointer}\" goes through another value");
        };
        place = object.entry(token).or_insert(Value::Null);
    }
    anyhow::ensure!(place.is_null(), "the pointer \"{pointer}\" names a value that is taken");
    *place = Value::String(text.to_owned());
    Ok(())
}

/// Cuts a document at its gaps.
fn pieces(document: &str) -> Vec<Piece> {
    let mut pieces = Vec::new();
    let mut rest = document;
    let start = format!("\"{MARK}");
    while let Some((before, after)) = rest.split_once(start.as_str()) {
        let (name, after) = after.split_once('"').unwrap_or((after, ""));
        pieces.push(Piece::Text(before.to_owned()));
        pieces.push(name.parse().map_or(Piece::Time, Piece::Value));
        rest = after;
    }
    pieces.push(Piece::Text(rest.to_owned()));
    pieces
}
