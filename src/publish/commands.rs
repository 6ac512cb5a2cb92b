//! Commands in: what can be set over MQTT, and nothing else.
//!
//! There are three orders, each for one charger: its mode, a cap on its current, an energy by a time.
//! They come as one JSON topic a site, or by the `set` topics of the Homie devices. Whatever else
//! arrives there is refused with its reason, counted, and answered as far as somebody asked.
//!
//! Reading is pure: time comes in as an argument, and carrying out is the daemon's business.

use std::collections::BTreeMap;
use std::sync::Arc;

use homie5::{Homie5Message, parse_device_message};
use serde_json::{Map, Value, json};

use super::figures::{self, EvPart, What};
use super::now::{local, rounded};
use super::output::Message;
use super::publisher::Options;
use crate::calendar::Zone;
use crate::reading::SiteIndex;
use crate::site::Site;
use crate::surplus::{Command, EvIndex, Mode, Order, Settings, Target};
use crate::units::{Span, Stamp};

/// An order with its id is a hundred bytes or two.
const MAX_PAYLOAD: usize = 1024;
/// The longest text that an answer repeats to tell what it is the answer to.
const MAX_ID: usize = 64;
/// A person, or an automation that follows prices, orders a few things at once and then nothing for
/// minutes: so many at once, and then one in [`EVERY`].
const BURST: i64 = 20;
/// See [`BURST`].
const EVERY: Span = Span::from_seconds(1);

/// How a command came, which is how it is answered.
#[derive(Clone, Debug, PartialEq)]
pub enum Form {
    /// By the JSON topic, with the id that it gave itself.
    Json(Option<Value>),
    /// By a property's `set` topic: the charger (index into [`crate::site::Loading::evs`]) and which
    /// of its properties, if it was one.
    Homie(Option<(usize, EvPart)>),
}

/// A command that can be carried out, as far as reading it tells.
#[derive(Clone, Debug, PartialEq)]
pub struct Request {
    /// The site's place.
    pub site: SiteIndex,
    /// The command.
    pub command: Command,
    /// How it came.
    pub form: Form,
}

/// Why a message is no command.
#[derive(Clone, Debug, PartialEq)]
pub struct Rejected {
    /// The site that it was for, if it was for one.
    pub site: Option<SiteIndex>,
    /// How it came.
    pub form: Form,
    /// The reason in a few words, the same for all of a kind: it is what is counted.
    pub reason: &'static str,
    /// What is wrong and what to write.
    pub why: String,
}

/// Reads commands and answers them.
#[derive(Debug)]
pub struct Commands {
    /// Pattern of the JSON topic.
    json: String,
    /// What precedes a site's id in the topics of its device.
    homie: Option<String>,
    sites: Vec<Arc<Site>>,
    /// For each site what is left of its burst, as the moment at which it is whole again.
    pace: BTreeMap<SiteIndex, Stamp>,
}

impl Commands {
    /// `None` where the settings accept no commands.
    pub fn new(options: &Options, sites: &[Arc<Site>]) -> Option<Self> {
        let homie = options.homie.as_ref().map(|homie| format!("{}/5/{}-", homie.domain, homie.device));
        let json = options.commands.clone()?;
        Some(Self { json, homie, sites: sites.to_vec(), pace: BTreeMap::new() })
    }

    /// The maps were read again.
    pub fn on_sites(&mut self, sites: &[Arc<Site>]) {
        self.sites = sites.to_vec();
    }

    /// What to subscribe to. Every property's `set` is, also of those that cannot be set: who tries
    /// is to see it refused.
    pub fn filters(&self) -> Vec<String> {
        let sites = self.sites.iter().filter(|site| !site.id.is_empty() && !site.loading.evs.is_empty());
        sites
            .flat_map(|site| {
                let homie = self.homie.as_ref().map(|homie| format!("{homie}{}/+/+/set", site.id));
                [Some(self.json_topic(site)), homie].into_iter().flatten()
            })
            .collect()
    }

    fn json_topic(&self, site: &Site) -> String {
        self.json.replace("{site}", &site.id)
    }

    /// Reads a message; `retained` says that the broker kept it, which no command is.
    ///
    /// # Errors
    /// Why it is none.
    pub fn read(
        &mut self,
        topic: &str,
        payload: &[u8],
        retained: bool,
        now: Stamp,
    ) -> Result<Request, Rejected> {
        let place = |of: &dyn Fn(&Site) -> bool| {
            let place = self.sites.iter().position(|site| !site.id.is_empty() && of(site))?;
            Some((SiteIndex(place as u32), Arc::clone(&self.sites[place])))
        };
        let by_json = place(&|site| self.json_topic(site) == topic);
        let (index, site, is_json) = match by_json {
            Some((index, site)) => (index, site, true),
            None => {
                let device = self.homie.as_ref().and_then(|homie| topic.strip_prefix(homie.as_str()));
                let id = device.and_then(|rest| rest.split('/').next());
                let found = place(&|site| id == Some(site.id.as_str()));
                let Some((index, site)) = found else {
                    return Err(Rejected {
                        site: None,
                        form: Form::Homie(None),
                        reason: "unknown site",
                        why: "there is no such site".into(),
                    });
                };
                (index, site, false)
            }
        };
        let mut form = if is_json { Form::Json(None) } else { Form::Homie(None) };
        let read = check(payload, retained).and_then(|()| match is_json {
            true => by_json_body(&site, payload, now, &mut form),
            false => by_property(&site, topic, payload, now, &mut form),
        });
        let read = read.and_then(|command| self.keep_pace(index, now).map(|()| command));
        match read {
            Ok(command) => Ok(Request { site: index, command, form }),
            Err((reason, why)) => Err(Rejected { site: Some(index), form, reason, why }),
        }
    }

    /// A bucket that fills while nothing comes.
    fn keep_pace(&mut self, site: SiteIndex, now: Stamp) -> Result<(), Wrong> {
        let whole = self.pace.entry(site).or_insert(now);
        // A clock that was set back must not shut commands out for as long.
        let owed = if *whole > now + Span(EVERY.0 * BURST) { now } else { (*whole).max(now) };
        if owed + EVERY > now + Span(EVERY.0 * BURST) {
            return Err(("too many", format!("more than {BURST} commands at once: wait a second")));
        }
        *whole = owed + EVERY;
        Ok(())
    }

    /// The answer to a command that came as JSON: what holds now, or why not. One that came by Homie
    /// is answered by the property.
    pub fn answer(
        &self,
        site: SiteIndex,
        form: &Form,
        outcome: Result<(EvIndex, Settings), &str>,
    ) -> Option<Message> {
        let Form::Json(id) = form else { return None };
        let site = self.sites.get(site.0 as usize)?;
        let mut body = match outcome {
            Ok((ev, settings)) => told(site, ev, settings),
            Err(why) => json!({ "ok": false, "error": why }),
        };
        if let (Some(id), Some(body)) = (id, body.as_object_mut()) {
            body.insert("id".into(), id.clone());
        }
        let topic = format!("{}/answer", self.json_topic(site));
        // Not kept: it is for whoever asked, and what holds is in the live figures.
        Some(Message { topic, payload: body.to_string().into(), retain: false })
    }
}

/// Reason and message.
type Wrong = (&'static str, String);

fn check(payload: &[u8], retained: bool) -> Result<(), Wrong> {
    if retained {
        let why = "a retained command would be given again at every connection: publish it without the flag";
        return Err(("retained", why.into()));
    }
    if payload.len() > MAX_PAYLOAD {
        return Err(("too large", format!("a command has up to {MAX_PAYLOAD} bytes")));
    }
    Ok(())
}

fn told(site: &Site, ev: EvIndex, settings: Settings) -> Value {
    let circuit = site.loading.evs.get(ev.0 as usize).and_then(|ev| site.circuits.get(ev.circuit));
    let target = settings.target.map(|target| json!({ "kwh": target.kwh, "by": local(site, target.by) }));
    json!({
        "ok": true,
        "ev": circuit.map(|circuit| &circuit.id),
        "mode": settings.mode.as_str(),
        "cap_a": rounded(settings.cap_a),
        "target": target,
    })
}

/// `{"ev": …, "mode" | "cap_a" | "target": …, "id": …}`.
fn by_json_body(site: &Site, payload: &[u8], now: Stamp, form: &mut Form) -> Result<Command, Wrong> {
    let body: Map<String, Value> = serde_json::from_slice(payload).map_err(|error| {
        ("not JSON", format!("{error}: write an object such as {{\"mode\": \"surplus only\"}}"))
    })?;
    let mut orders = Vec::new();
    let mut named = None;
    for (member, value) in &body {
        match (member.as_str(), value) {
            ("id", Value::String(id)) if id.len() <= MAX_ID => *form = Form::Json(Some(value.clone())),
            ("id", Value::Number(_)) => *form = Form::Json(Some(value.clone())),
            ("id", _) => return Err(("wrong value", format!("id: write a text of up to {MAX_ID} bytes"))),
            ("ev", Value::String(id)) => named = Some(id.as_str()),
            ("ev", _) => return Err(("wrong value", "ev: write the id of the charger's circuit".into())),
            ("mode", Value::String(word)) => orders.push(mode(word)),
            ("mode", _) => orders.push(mode("")),
            ("cap_a", Value::Null) => orders.push(Ok(Order::Cap(None))),
            ("cap_a", value) => orders.push(match value.as_f64() {
                Some(amps) => Ok(Order::Cap(Some(amps))),
                None => Err(("wrong value", "cap_a: write a number of amperes, or null for none".into())),
            }),
            ("target", value) => orders.push(target(site, value, now)),
            (other, _) => {
                let why = format!("{other} cannot be set: mode, cap_a and target can, of the charger ev");
                return Err(("not settable", why));
            }
        }
    }
    let ev = charger(site, named)?;
    match (orders.pop(), orders.is_empty()) {
        (Some(order), true) => Ok(Command { ev, order: order? }),
        _ => Err(("wrong value", "write one of mode, cap_a and target, and one only".into())),
    }
}

/// The charger of that circuit; without a name the only one.
fn charger(site: &Site, named: Option<&str>) -> Result<EvIndex, Wrong> {
    let evs = &site.loading.evs;
    let is = |circuit: usize| site.circuits.get(circuit).map(|circuit| circuit.id.as_str());
    let ids = || evs.iter().filter_map(|ev| is(ev.circuit)).collect::<Vec<_>>().join(", ");
    let found = match named {
        Some(name) => evs.iter().position(|ev| is(ev.circuit) == Some(name)),
        None if evs.len() == 1 => Some(0),
        None => return Err(("no such charger", format!("write which charger: ev is one of {}", ids()))),
    };
    let found = found
        .ok_or_else(|| ("no such charger", format!("there is no such charger: ev is one of {}", ids())))?;
    Ok(EvIndex(found as u32))
}

fn mode(word: &str) -> Result<Order, Wrong> {
    let words = Mode::ALL.map(|mode| format!("{:?}", mode.as_str())).join(", ");
    let mode = Mode::from_word(word).ok_or_else(|| ("wrong value", format!("mode: write one of {words}")))?;
    Ok(Order::Mode(mode))
}

/// `{"kwh": 20, "by": "07:00"}`; `null` or `{}` takes it off.
fn target(site: &Site, value: &Value, now: Stamp) -> Result<Order, Wrong> {
    let wrong = || {
        let why = "target: write {\"kwh\": 20, \"by\": \"07:00\"}, or null for none".to_owned();
        ("wrong value", why)
    };
    let members = match value {
        Value::Null => return Ok(Order::Target(None)),
        Value::Object(members) if members.is_empty() => return Ok(Order::Target(None)),
        Value::Object(members) if members.len() == 2 => members,
        _ => return Err(wrong()),
    };
    let kwh = members.get("kwh").and_then(Value::as_f64).ok_or_else(wrong)?;
    let by = members.get("by").and_then(Value::as_str).ok_or_else(wrong)?;
    let zone = Zone::new(&site.time_zone).map_err(|error| ("wrong value", error.to_string()))?;
    let by = time_of_day(by)
        .and_then(|(hour, minute)| Target::next(&zone, now, hour, minute))
        .or_else(|| zone.parse(by).ok().filter(|_| by.contains('T')))
        .ok_or_else(wrong)?;
    Ok(Order::Target(Some(Target { kwh, by })))
}

/// `07:00`.
fn time_of_day(text: &str) -> Option<(u8, u8)> {
    let (hour, minute) = text.split_once(':')?;
    let two = |part: &str| (part.len() == 2).then(|| part.parse().ok()).flatten();
    let (hour, minute) = (two(hour)?, two(minute)?);
    (hour < 24 && minute < 60).then_some((hour, minute))
}

/// A property's `set` topic.
fn by_property(
    site: &Site,
    topic: &str,
    payload: &[u8],
    now: Stamp,
    form: &mut Form,
) -> Result<Command, Wrong> {
    let Ok(Homie5Message::PropertySet { property, set_value }) = parse_device_message(topic, payload) else {
        return Err(("wrong value", "a value is a text in UTF-8".into()));
    };
    let node = property.node_id().as_str();
    let not_settable = || {
        let why =
            format!("{node}/{} cannot be set: mode, cap and target of a charger can", property.prop_id());
        ("not settable", why)
    };
    let is = |circuit: usize| site.circuits.get(circuit).map(|circuit| format!("ev-{}", circuit.id));
    let ev = site.loading.evs.iter().position(|ev| is(ev.circuit).as_deref() == Some(node));
    let ev = ev.ok_or_else(not_settable)?;
    let known = figures::ev(ev).into_iter().find(|one| one.id == property.prop_id().as_str());
    let Some(What::Ev(_, part)) = known.map(|one| one.what) else { return Err(not_settable()) };
    *form = Form::Homie(Some((ev, part)));
    let order = match part {
        EvPart::Mode => mode(&set_value)?,
        EvPart::Cap => {
            let amps = set_value.parse().ok().filter(|amps: &f64| amps.is_finite());
            let amps = amps.ok_or(("wrong value", "cap: write a number of amperes".to_owned()))?;
            // The charger's own maximum is no cap: it is what the property says without one.
            Order::Cap(Some(amps).filter(|amps| *amps < site.loading.evs[ev].maximum_a))
        }
        EvPart::Target => {
            let value = serde_json::from_str(&set_value);
            target(site, &value.unwrap_or(Value::Bool(false)), now)?
        }
        _ => return Err(not_settable()),
    };
    Ok(Command { ev: EvIndex(ev as u32), order })
}

#[cfg(test)]
mod tests;
