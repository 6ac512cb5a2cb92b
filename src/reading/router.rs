//! From a topic to its channels, and from a payload to their readings.

use std::sync::Arc;

use rustc_hash::FxHashMap;

use super::json::{Found, Pointers};
use super::number::{self, Scale};
use super::topics::{self, CHANNEL, Trie};
use super::{Delivery, LATE_WINDOW, Outcome, Reading, Refusal, Sample, SiteIndex, time};
use crate::site::{ChannelIndex, Payload, Site};
use crate::units::{Span, Stamp};

/// The longest payload that is looked at, in bytes: 1 MiB. A message of a thousand channels is a
/// tenth of it.
pub const MAX_PAYLOAD: usize = 1 << 20;

/// Finds the channels of a topic and reads them from a payload.
///
/// A topic that several devices (of one site or of several) name in the same words gives
/// readings to each.
#[derive(Debug, Default)]
pub struct Router {
    /// Every concrete topic of every known channel.
    topics: FxHashMap<Box<str>, usize>,
    routes: Vec<Route>,
    patterns: Trie,
    filters: Vec<String>,
}

/// What a topic carries.
#[derive(Debug, Default)]
struct Route {
    numbers: Vec<Target>,
    json: Vec<JsonTarget>,
    pointers: Pointers,
    /// Whether every reading of the topic takes its arrival as its time.
    timeless: bool,
}

#[derive(Clone, Copy, Debug)]
struct Target {
    site: SiteIndex,
    channel: ChannelIndex,
    scale: Scale,
    /// How old a reading of it may be.
    window: Span,
}

#[derive(Clone, Copy, Debug)]
struct JsonTarget {
    target: Target,
    value: usize,
    time: Option<usize>,
}

impl Router {
    /// Lays out the topics of all sites; a site's position is its [`SiteIndex`]. A reading may be as
    /// old as its site's map says, else [`LATE_WINDOW`].
    pub fn new(sites: &[Arc<Site>]) -> Self {
        Self::with_late_window(sites, LATE_WINDOW)
    }

    /// The same, with another late window for sites whose map says none.
    pub fn with_late_window(sites: &[Arc<Site>], window: Span) -> Self {
        let mut router = Self::default();
        let mut filters = Vec::new();
        for (position, site) in sites.iter().enumerate() {
            for (index, channel) in site.channels.iter().enumerate() {
                let device = &site.devices[channel.device];
                if device.is_imported() {
                    continue;
                }
                filters.push(topics::filter(&device.topic));
                let target = Target {
                    site: SiteIndex(position as u32),
                    channel: ChannelIndex(index as u32),
                    scale: Scale::of(device.unit),
                    window: site.late_window.unwrap_or(window),
                };
                let topic = device.topic.replace(CHANNEL, &channel.key);
                router.route(topic).add(target, &device.payload, &channel.key);
            }
            for device in site.devices.iter().filter(|device| device.topic.contains(CHANNEL)) {
                router.patterns.add(&device.topic);
            }
        }
        router.filters = topics::reduce(filters);
        router
    }

    fn route(&mut self, topic: String) -> &mut Route {
        let fresh = self.routes.len();
        let number = *self.topics.entry(topic.into()).or_insert(fresh);
        if number == fresh {
            self.routes.push(Route { timeless: true, ..Route::default() });
        }
        &mut self.routes[number]
    }

    /// The MQTT subscription filters that bring every topic of every known channel, without
    /// doubles, in order.
    pub fn filters(&self) -> Vec<String> {
        self.filters.clone()
    }

    /// Reads one message and appends its readings to `out`.
    ///
    /// `arrival` is when it came: the event time of a live message whose payload says none.
    pub fn decode(
        &mut self,
        topic: &str,
        payload: &[u8],
        arrival: Stamp,
        delivery: Delivery,
        out: &mut Vec<Reading>,
    ) -> Outcome {
        let Some(&number) = self.topics.get(topic) else {
            let known = self.patterns.fits(topic);
            return Outcome::of(if known { Refusal::UnknownChannel } else { Refusal::UnknownTopic });
        };
        if payload.len() > MAX_PAYLOAD {
            return Outcome::of(Refusal::TooLarge);
        }
        let route = &mut self.routes[number];
        // A retained or queued message that cannot say its time is not even parsed.
        if route.timeless
            && let Err(refusal) = placed(delivery, arrival)
        {
            return Outcome::of(refusal);
        }
        let mut outcome = Outcome::default();
        if !route.numbers.is_empty() {
            route.read_numbers(payload, arrival, delivery, &mut outcome, out);
        }
        if !route.json.is_empty() {
            route.read_json(payload, arrival, delivery, &mut outcome, out);
        }
        outcome
    }
}

impl Route {
    fn add(&mut self, target: Target, payload: &Payload, key: &str) {
        match payload {
            Payload::Number => self.numbers.push(target),
            Payload::Json { pointer, time } => {
                let value = self.pointers.add(pointer, key, false);
                let time = time.as_ref().map(|time| self.pointers.add(time, key, true));
                self.timeless &= time.is_none();
                self.json.push(JsonTarget { target, value, time });
            }
        }
    }

    fn read_numbers(
        &self,
        payload: &[u8],
        arrival: Stamp,
        delivery: Delivery,
        outcome: &mut Outcome,
        out: &mut Vec<Reading>,
    ) {
        let number = match placed(delivery, arrival).and_then(|_| number::parse(payload)) {
            Ok(number) => number,
            Err(refusal) => return outcome.refuse(refusal),
        };
        for target in &self.numbers {
            target.give(Ok(arrival), number, arrival, outcome, out);
        }
    }

    fn read_json(
        &mut self,
        payload: &[u8],
        arrival: Stamp,
        delivery: Delivery,
        outcome: &mut Outcome,
        out: &mut Vec<Reading>,
    ) {
        if payload.trim_ascii_start().is_empty() {
            return outcome.refuse(Refusal::Empty);
        }
        if let Err(refusal) = self.pointers.read(payload) {
            return outcome.refuse(refusal);
        }
        // The channels of a message mostly share their time: it is worked out once.
        let mut last = None;
        for &JsonTarget { target, value, time } in &self.json {
            let at = match last {
                Some((slot, at)) if slot == time => at,
                _ => self.event_time(time, arrival, delivery),
            };
            last = Some((time, at));
            match self.pointers.found(value) {
                Found::Number(number) => target.give(at, number, arrival, outcome, out),
                Found::Missing => outcome.refuse(Refusal::Missing),
                Found::Time(_) | Found::Other => outcome.refuse(Refusal::WrongType),
            }
        }
    }
}

impl Route {
    /// The time at a slot; without one, the arrival.
    fn event_time(&self, slot: Option<usize>, arrival: Stamp, delivery: Delivery) -> Result<Stamp, Refusal> {
        let Some(slot) = slot else { return placed(delivery, arrival) };
        let at = match self.pointers.found(slot) {
            Found::Number(number) => time::from_number(number)?,
            Found::Time(at) => at,
            Found::Missing | Found::Other => return Err(Refusal::BadTime),
        };
        time::plausible(at, arrival)
    }
}

impl Target {
    fn give(
        self,
        at: Result<Stamp, Refusal>,
        number: f64,
        arrival: Stamp,
        outcome: &mut Outcome,
        out: &mut Vec<Reading>,
    ) {
        let in_time = |at| if arrival - at > self.window { Err(Refusal::TooLate) } else { Ok(at) };
        match at.and_then(in_time).and_then(|at| Ok(Sample { at, value: self.scale.value(number)? })) {
            Ok(sample) => {
                out.push(Reading { site: self.site, channel: self.channel, sample });
                outcome.accepted += 1;
            }
            Err(refusal) => outcome.refuse(refusal),
        }
    }
}

/// The event time of a message that says none: its arrival, if that tells anything.
fn placed(delivery: Delivery, arrival: Stamp) -> Result<Stamp, Refusal> {
    match delivery {
        Delivery::Live => Ok(arrival),
        Delivery::Retained => Err(Refusal::Retained),
        Delivery::Backlog => Err(Refusal::Backlog),
    }
}
