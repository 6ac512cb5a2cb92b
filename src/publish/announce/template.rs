//! One announcement: its templates, and what they are given.
//!
//! Templates are strict: a name that does not exist is an error with its line, not an empty text.
//! They see a site, a circuit and a figure as `docs/topics.md` lists them, and nothing else of the
//! daemon.

use std::fmt;

use minijinja::value::ValueKind;
use minijinja::{AutoEscape, Environment, Error, ErrorKind, UndefinedBehavior, Value, context};

use crate::publish::figures::{self, Node, Of, Property};
use crate::publish::homie::Homie;
use crate::publish::publisher::Options;
use crate::settings;
use crate::site::Site;
use crate::units::Stamp;

/// Instructions that one template may run: far more than a message about one figure takes, and
/// few enough that a loop without end is told within a blink.
const FUEL: u64 = 100_000;
/// The longest message, in bytes; a description of one figure is a few hundred.
const MAX_PAYLOAD: usize = 64 << 10;
/// The longest topic, in bytes, as for the other topics out.
const MAX_TOPIC: usize = 1024;

/// What there is one message of.
#[derive(Clone, Copy, Debug, PartialEq, Eq)]
pub enum Each {
    /// One a site.
    Site,
    /// One a circuit that has a figure.
    Circuit,
    /// One a value: see [`figures::nodes`].
    Figure,
}

impl Each {
    /// The word of the settings.
    pub const fn as_str(self) -> &'static str {
        match self {
            Self::Site => "site",
            Self::Circuit => "circuit",
            Self::Figure => "figure",
        }
    }
}

/// A template and where it is written.
#[derive(Clone, Debug, PartialEq, Eq)]
pub struct Source {
    /// The template.
    pub text: String,
    /// The file.
    pub file: String,
    /// The line of the file (1-based) on which the template's first line is.
    pub line: usize,
}

/// A kind of announcement.
#[derive(Clone, Debug, PartialEq, Eq)]
pub struct Announcement {
    /// What there is one of.
    pub each: Each,
    /// Where it goes. Rendered empty, nothing is announced.
    pub topic: Source,
    /// What it says. Rendered empty (spaces aside), nothing is announced.
    pub payload: Source,
}

impl Announcement {
    /// What the settings say.
    pub fn from_settings(announce: &settings::Announce) -> Self {
        let source = |template: &settings::Template| Source {
            text: template.text.clone(),
            file: template.file.clone(),
            line: template.line,
        };
        let each = match announce.each {
            settings::Each::Site => Each::Site,
            settings::Each::Circuit => Each::Circuit,
            settings::Each::Figure => Each::Figure,
        };
        Self { each, topic: source(&announce.topic), payload: source(&announce.payload) }
    }

    /// Whether both templates can be parsed at all.
    pub fn faults(&self) -> Vec<Fault> {
        let sources = [&self.topic, &self.payload];
        sources.into_iter().filter_map(|source| compile(source).err()).collect()
    }
}

/// One message.
#[derive(Clone, Debug, PartialEq, Eq)]
pub struct Rendered {
    /// Where it goes.
    pub topic: String,
    /// What it says.
    pub payload: String,
}

/// Why an announcement could not be made.
#[derive(Clone, Debug, PartialEq, Eq)]
pub struct Fault {
    /// The file that the template is in.
    pub file: String,
    /// The line of the file.
    pub line: usize,
    /// What is wrong.
    pub what: String,
    /// What to write.
    pub write: String,
}

impl fmt::Display for Fault {
    fn fmt(&self, f: &mut fmt::Formatter<'_>) -> fmt::Result {
        write!(f, "{}:{}: error: {}; {}", self.file, self.line, self.what, self.write)
    }
}

impl Source {
    /// A fault in the template's line `line`, for this site.
    pub(super) fn fault(&self, site: &Site, line: usize, what: String, write: &str) -> Fault {
        let what = format!("for site {}: {what}", site.id);
        Fault { file: self.file.clone(), line: self.line + line - 1, what, write: write.into() }
    }

    fn told(&self, error: &Error) -> Fault {
        let write = match error.kind() {
            ErrorKind::UndefinedError => {
                "take a name from the list in docs/topics.md, or guard it with {% if … is defined %}"
            }
            ErrorKind::UnknownFilter => "filters are those of MiniJinja, and json",
            ErrorKind::OutOfFuel => "make the template shorter: it runs too long for one message",
            _ => "write it as MiniJinja has it",
        };
        let what = match error.detail() {
            Some(detail) => format!("the template fails: {}: {detail}", error.kind()),
            None => format!("the template fails: {}", error.kind()),
        };
        let line = self.line + error.line().unwrap_or(1) - 1;
        Fault { file: self.file.clone(), line, what, write: write.into() }
    }
}

const NAME: &str = "announcement";

fn compile(source: &Source) -> Result<Environment<'_>, Fault> {
    let mut environment = Environment::new();
    environment.set_undefined_behavior(UndefinedBehavior::Strict);
    environment.set_auto_escape_callback(|_| AutoEscape::None);
    environment.set_fuel(Some(FUEL));
    environment.add_filter("json", json);
    environment.add_template(NAME, &source.text).map_err(|error| source.told(&error))?;
    Ok(environment)
}

/// The filter `json`: a value as JSON, a text with its quotes and escapes.
fn json(value: &Value) -> Result<String, Error> {
    match (value.kind(), value.as_str()) {
        (ValueKind::Undefined, _) => Err(Error::from(ErrorKind::UndefinedError)),
        (_, Some(text)) => Ok(serde_json::Value::from(text).to_string()),
        (ValueKind::None, _) => Ok("null".into()),
        (ValueKind::Bool, _) => Ok(value.is_true().to_string()),
        (ValueKind::Number, _) => Ok(value.to_string()),
        (ValueKind::Seq | ValueKind::Iterable, _) => {
            let items: Result<Vec<_>, _> = value.try_iter()?.map(|item| json(&item)).collect();
            Ok(format!("[{}]", items?.join(",")))
        }
        (ValueKind::Map, _) => {
            let members = value.try_iter()?.map(|key| {
                let member = json(&value.get_item(&key)?)?;
                Ok(format!("{}:{member}", serde_json::Value::from(key.to_string())))
            });
            let members: Result<Vec<String>, Error> = members.collect();
            Ok(format!("{{{}}}", members?.join(",")))
        }
        (kind, _) => {
            Err(Error::new(ErrorKind::InvalidOperation, format!("{kind} cannot be written as JSON")))
        }
    }
}

/// Every message of this kind for a site, and what is wrong. A fault of one template is told once a
/// site, not once a figure.
pub(super) fn render(
    announcement: &Announcement,
    options: &Options,
    site: &Site,
    at: Stamp,
) -> (Vec<Rendered>, Vec<Fault>) {
    let (topic, payload) = match (compile(&announcement.topic), compile(&announcement.payload)) {
        (Ok(topic), Ok(payload)) => (topic, payload),
        (topic, payload) => {
            return (Vec::new(), [topic.err(), payload.err()].into_iter().flatten().collect());
        }
    };
    let (mut rendered, mut faults) = (Vec::new(), Vec::new());
    for subject in subjects(announcement.each, options, site, at) {
        let text = |environment: &Environment<'_>, source: &Source| {
            let template = environment.get_template(NAME).map_err(|error| source.told(&error))?;
            template.render(subject.clone()).map_err(|error| Fault {
                what: format!("for site {}: {}", site.id, source.told(&error).what),
                ..source.told(&error)
            })
        };
        let one = text(&topic, &announcement.topic).and_then(|topic| {
            let payload = text(&payload, &announcement.payload)?;
            checked(announcement, site, topic.trim().to_owned(), payload)
        });
        match one {
            Ok(one) => rendered.extend(one),
            Err(fault) if faults.contains(&fault) => {}
            Err(fault) => faults.push(fault),
        }
    }
    (rendered, faults)
}

/// What can be published; nothing where topic or payload is empty.
fn checked(
    announcement: &Announcement,
    site: &Site,
    topic: String,
    payload: String,
) -> Result<Option<Rendered>, Fault> {
    let why = match () {
        () if topic.is_empty() || payload.trim().is_empty() => return Ok(None),
        () if topic.contains(['+', '#', '\0']) => "holds a wildcard, which nobody can publish at",
        () if topic.starts_with('$') => "starts with $, which belongs to the broker",
        () if topic.contains(char::is_control) => "holds a line break or another control character",
        () if topic.len() > MAX_TOPIC => "is longer than 1024 bytes",
        () if payload.len() > MAX_PAYLOAD => {
            let what = format!("the message for {topic:?} has {} bytes", payload.len());
            let write = "keep it below 65536; say less, or say it in several announcements";
            return Err(announcement.payload.fault(site, 1, what, write));
        }
        () => return Ok(Some(Rendered { topic, payload })),
    };
    let what = format!("the topic {topic:?} {why}");
    Err(announcement.topic.fault(site, 1, what, "write a topic such as hub/{{ site.id }}/{{ figure.id }}"))
}

/// What each message is about, as its templates see it.
fn subjects(each: Each, options: &Options, site: &Site, at: Stamp) -> Vec<Value> {
    let (place, topics) = (of_site(site), of_topics(options, site));
    let nodes = figures::nodes(site, at);
    match each {
        Each::Site => vec![context! { site => place, topics => topics }],
        Each::Circuit => nodes
            .iter()
            .filter(|node| matches!(node.of, Of::Circuit(_)))
            .filter_map(|node| {
                let circuit = of_circuit(site, node, at)?;
                Some(context! { site => &place, topics => &topics, circuit => circuit })
            })
            .collect(),
        Each::Figure => nodes
            .iter()
            .flat_map(|node| {
                let circuit = of_circuit(site, node, at).unwrap_or(Value::from(()));
                let (place, topics) = (&place, &topics);
                node.properties.iter().map(move |property| {
                    let figure = of_figure(options, site, node, property);
                    context! { site => place, topics => topics, circuit => &circuit, figure => figure }
                })
            })
            .collect(),
    }
}

fn of_site(site: &Site) -> Value {
    context! { id => &site.id, name => &site.name, time_zone => &site.time_zone }
}

/// The other topics of the site; `none` where it is not published.
fn of_topics(options: &Options, site: &Site) -> Value {
    let json = options.json.as_ref().map(|topic| topic.replace("{site}", &site.id));
    let homie = options.homie.as_ref().map(|homie| device_topic(homie, site));
    context! { now => json, state => &options.state, homie => homie }
}

fn device_topic(homie: &Homie, site: &Site) -> String {
    format!("{}/5/{}-{}", homie.domain, homie.device, site.id)
}

fn of_circuit(site: &Site, node: &Node, at: Stamp) -> Option<Value> {
    let index = match node.of {
        Of::Circuit(index) => index,
        Of::Ev(index) => site.loading.evs.get(index)?.circuit,
        _ => return None,
    };
    let circuit = site.circuits.get(index)?;
    let entry = circuit.entry(at).unwrap_or(circuit.latest());
    let legs: Vec<_> = entry.legs.iter().map(|leg| leg.as_str()).collect();
    Some(context! {
        id => &circuit.id,
        label => &entry.label,
        end_use => figures::purpose(circuit, at),
        bus => site.buses.get(entry.bus).map(|bus| &*bus.id),
        spaces => entry.spaces.iter().map(|space| u64::from(*space)).collect::<Vec<_>>(),
        legs => legs,
        breaker_a => entry.breaker_a,
    })
}

fn of_figure(options: &Options, site: &Site, node: &Node, property: &Property) -> Value {
    let homie = options.homie.as_ref();
    let topic = homie.map(|homie| format!("{}/{}/{}", device_topic(homie, site), node.id, property.id));
    context! {
        id => format!("{}-{}", node.id, property.id),
        node => &node.id,
        property => property.id,
        of => node.of.kind(),
        name => format!("{} {}", node.name, property.name.to_lowercase()),
        unit => property.what.unit(),
        datatype => property.what.datatype(),
        topic => topic,
        member => property.what.json_pointer(site),
    }
}
