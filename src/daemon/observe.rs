//! What comes in under a topic filter, for whoever sets up a site: a connection of its own that lasts while
//! somebody looks.
//!
//! It is another connection, so that nothing of it waits among the readings, and it keeps no session. What it
//! sees is shown and forgotten.

use std::collections::{BTreeMap, BTreeSet, VecDeque};
use std::sync::{Arc, Mutex, MutexGuard, PoisonError};
use std::time::Duration;

use tokio::sync::watch;
use tokio::time::Instant;

use crate::mqtt::{self, Incoming};
use crate::units::Stamp;
use crate::web::{Seen, SeenValue};

/// Nobody has asked for so long: then nobody looks any more.
const IDLE: Duration = Duration::from_secs(60);
/// How often that is looked at.
const LOOK_EVERY: Duration = Duration::from_secs(5);
/// Topics that are kept: a map has at most 512 channels.
const MAX_TOPICS: usize = 512;
/// Numbers that are kept of one payload: the largest meters send some 80 in one.
const MAX_POINTERS: usize = 128;
/// Numbers that are kept of all: some 2,000 of 40 values each are 1 MB.
const MAX_VALUES: usize = 2_048;
/// Newest values that are kept of each, for a small picture.
const KEPT: usize = 40;
/// Payloads that are looked into: no meter sends more at a time.
const MAX_PAYLOAD: usize = 64 << 10;
/// How deep a payload is looked into.
const MAX_DEPTH: usize = 8;
/// Messages that the broker may send ahead: it then waits, so that a busy topic costs no more than this
/// connection can read.
const AHEAD: u16 = 256;
/// How long the goodbye may take.
const LEAVE_WITHIN: Duration = Duration::from_secs(2);

/// Looks on demand.
pub(super) struct Observer {
    broker: mqtt::Options,
    /// How the topics begin that this program publishes at itself.
    own: Vec<String>,
    look: Mutex<Option<Look>>,
}

/// One filter that is looked at. Dropping it ends the look.
struct Look {
    filter: String,
    table: Arc<Mutex<Table>>,
    stop: watch::Sender<bool>,
}

/// What has been seen.
#[derive(Debug)]
struct Table {
    asked: Instant,
    trouble: String,
    values: BTreeMap<(String, String), Value>,
    topics: BTreeSet<String>,
    without_number: BTreeSet<String>,
    is_full: bool,
}

#[derive(Debug)]
struct Value {
    newest: VecDeque<f64>,
    arrivals: VecDeque<Stamp>,
    count: u64,
}

impl Observer {
    /// `broker` is the daemon's own; `own` are beginnings of topics to leave out.
    pub(super) fn new(broker: &mqtt::Options, own: Vec<String>) -> Self {
        let broker = mqtt::Options {
            client_id: format!("{}-look", broker.client_id),
            will: None,
            receive_maximum: AHEAD,
            session_expiry: Duration::ZERO,
            pace: Arc::default(),
            ..broker.clone()
        };
        Self { broker, own, look: Mutex::default() }
    }

    /// What has come in since the first call with this filter. Must be called inside of a runtime.
    pub(super) fn look(&self, filter: &str) -> Result<Seen, String> {
        check(filter)?;
        let mut look = lock(&self.look);
        let ended = |look: &Look| look.stop.is_closed();
        if look.as_ref().is_none_or(|look| look.filter != filter || ended(look)) {
            *look = Some(self.start(filter)?);
        }
        let table = look.as_ref().map(|look| Arc::clone(&look.table));
        drop(look);
        let Some(table) = table else { return Ok(Seen::default()) };
        let mut table = lock(&table);
        table.asked = Instant::now();
        Ok(table.seen())
    }

    fn start(&self, filter: &str) -> Result<Look, String> {
        let (mqtt, mut incoming) =
            mqtt::start(self.broker.clone(), vec![filter.to_owned()]).map_err(|error| error.to_string())?;
        let table = Arc::new(Mutex::new(Table::new()));
        let (stop, mut stopped) = watch::channel(false);
        let (seen, own) = (Arc::clone(&table), self.own.clone());
        tokio::spawn(async move {
            loop {
                tokio::select! {
                    // The sender is dropped when another filter is looked at, or the daemon ends.
                    _ = stopped.changed() => break,
                    () = tokio::time::sleep(LOOK_EVERY) => {}
                    batch = incoming.recv() => match batch {
                        Some(batch) => {
                            let mut table = lock(&seen);
                            mqtt.ack(batch.into_iter().filter_map(|incoming| table.take(incoming, &own)));
                        }
                        None => break,
                    },
                }
                if lock(&seen).asked.elapsed() > IDLE {
                    break;
                }
            }
            drop(stopped);
            mqtt.shutdown(LEAVE_WITHIN).await;
        });
        Ok(Look { filter: filter.to_owned(), table, stop })
    }
}

/// Whether something can be subscribed to (MQTT 5, 4.7).
fn check(filter: &str) -> Result<(), String> {
    let levels: Vec<&str> = filter.split('/').collect();
    let last = levels.len() - 1;
    let fits = |(at, level): (usize, &&str)| match *level {
        "+" => true,
        "#" => at == last,
        level => !level.contains(['+', '#']),
    };
    let good = !filter.is_empty()
        && filter.len() <= 512
        && !filter.starts_with('$')
        && !filter.chars().any(char::is_control)
        && levels.iter().enumerate().all(fits);
    if good {
        return Ok(());
    }
    Err("write the topics that your meters publish at, such as meter/#; + stands for one level, # for all below".into())
}

impl Table {
    fn new() -> Self {
        Self {
            asked: Instant::now(),
            trouble: "connecting to the broker".to_owned(),
            values: BTreeMap::new(),
            topics: BTreeSet::new(),
            without_number: BTreeSet::new(),
            is_full: false,
        }
    }

    /// Takes in what happened; gives what is to be acknowledged.
    fn take(&mut self, incoming: Incoming, own: &[String]) -> Option<mqtt::AckToken> {
        match incoming {
            Incoming::Up { .. } => self.trouble.clear(),
            Incoming::Down { why } => self.trouble = format!("the broker is away: {why}"),
            Incoming::Refused { .. } => {
                self.trouble =
                    "the broker does not let this user subscribe there: extend its access list".to_owned();
            }
            Incoming::Message(message) => {
                let topic = message.topic();
                if !own.iter().any(|own| topic.starts_with(own.as_str())) {
                    self.message(topic, &message.payload, message.arrival);
                }
                return message.ack;
            }
        }
        None
    }

    fn message(&mut self, topic: &str, payload: &[u8], arrival: Stamp) {
        if topic.is_empty() || topic.contains(['\t', '{', '}']) || payload.len() > MAX_PAYLOAD {
            return;
        }
        if !self.topics.contains(topic) {
            if self.topics.len() >= MAX_TOPICS {
                self.is_full = true;
                return;
            }
            self.topics.insert(topic.to_owned());
        }
        let mut numbers = Vec::new();
        let text = std::str::from_utf8(payload).unwrap_or_default().trim();
        match text.parse::<f64>() {
            Ok(number) if number.is_finite() => numbers.push((String::new(), number)),
            _ => {
                if let Ok(json) = serde_json::from_str(text) {
                    collect(&json, &mut String::new(), 0, &mut numbers);
                }
            }
        }
        if numbers.is_empty() {
            self.without_number.insert(topic.to_owned());
        }
        for (pointer, number) in numbers {
            let key = (topic.to_owned(), pointer);
            if !self.values.contains_key(&key) && self.values.len() >= MAX_VALUES {
                self.is_full = true;
                return;
            }
            let value = self.values.entry(key).or_insert_with(Value::new);
            value.push(number, arrival);
        }
    }

    fn seen(&self) -> Seen {
        let values = self.values.iter().map(|((topic, pointer), value)| SeenValue {
            topic: topic.clone(),
            pointer: pointer.clone(),
            values: value.newest.iter().copied().collect(),
            count: value.count,
            every_s: value.every_s(),
        });
        Seen {
            trouble: self.trouble.clone(),
            values: values.collect(),
            without_number: self.without_number.len(),
            is_full: self.is_full,
        }
    }
}

impl Value {
    fn new() -> Self {
        Self { newest: VecDeque::new(), arrivals: VecDeque::new(), count: 0 }
    }

    fn push(&mut self, number: f64, arrival: Stamp) {
        if self.newest.len() == KEPT {
            self.newest.pop_front();
            self.arrivals.pop_front();
        }
        self.newest.push_back(number);
        self.arrivals.push_back(arrival);
        self.count += 1;
    }

    /// The mean distance of the arrivals; `None` until three came.
    fn every_s(&self) -> Option<f64> {
        let (first, last) = (self.arrivals.front()?, self.arrivals.back()?);
        let gaps = self.arrivals.len() - 1;
        (gaps >= 2).then(|| (*last - *first).as_seconds() / gaps as f64)
    }
}

/// Every number of a payload, with its pointer. What is written as text counts where it is a number.
fn collect(json: &serde_json::Value, at: &mut String, depth: usize, found: &mut Vec<(String, f64)>) {
    if found.len() >= MAX_POINTERS || depth > MAX_DEPTH {
        return;
    }
    let mut below = |name: &str, value: &serde_json::Value| {
        let length = at.len();
        at.push('/');
        at.push_str(&name.replace('~', "~0").replace('/', "~1"));
        collect(value, at, depth + 1, found);
        at.truncate(length);
    };
    match json {
        serde_json::Value::Object(fields) => fields.iter().for_each(|(name, value)| below(name, value)),
        serde_json::Value::Array(items) => {
            items.iter().enumerate().for_each(|(index, value)| below(&index.to_string(), value));
        }
        serde_json::Value::Number(number) => found.extend(number.as_f64().map(|number| (at.clone(), number))),
        serde_json::Value::String(text) => {
            let number = text.trim().parse().ok().filter(|number: &f64| number.is_finite());
            found.extend(number.map(|number| (at.clone(), number)));
        }
        _ => {}
    }
}

/// A panic elsewhere leaves nothing half done here: what is kept is shown and forgotten.
fn lock<T>(mutex: &Mutex<T>) -> MutexGuard<'_, T> {
    mutex.lock().unwrap_or_else(PoisonError::into_inner)
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn a_filter_is_what_mqtt_takes() {
        for good in ["#", "meter/#", "+/power", "a/+/b", "a"] {
            assert_eq!(check(good), Ok(()), "{good}");
        }
        for bad in ["", "meter#", "#/a", "a+", "$SYS/#", "a\nb", &"x/".repeat(400)] {
            assert!(check(bad).is_err(), "{bad}");
        }
    }

    #[test]
    fn numbers_are_found_in_payloads() {
        let mut table = Table::new();
        for (at, payload) in [(10, "12.5"), (20, " 13 "), (30, "14")] {
            table.message("shed/1", payload.as_bytes(), Stamp(at));
        }
        table.message("shed/2", br#"{"a":{"w":5,"on":true,"~/":"7.5"},"list":[1,"x"]}"#, Stamp(0));
        table.message("shed/3", b"on", Stamp(0));
        table.message("shed/4", b"NaN", Stamp(0));
        let seen = table.seen();
        let found: Vec<_> = seen
            .values
            .iter()
            .map(|value| (&*value.topic, &*value.pointer, value.values[0], value.every_s))
            .collect();
        let expected = [
            ("shed/1", "", 12.5, Some(1.0)),
            ("shed/2", "/a/w", 5.0, None),
            ("shed/2", "/a/~0~1", 7.5, None),
            ("shed/2", "/list/0", 1.0, None),
        ];
        assert_eq!(found, expected);
        assert_eq!((seen.without_number, seen.is_full), (2, false));
    }

    #[test]
    fn what_is_kept_is_bounded() {
        let mut table = Table::new();
        for n in 0..MAX_TOPICS + 10 {
            table.message(&format!("flood/{n}"), b"1", Stamp(0));
        }
        for n in 0..10_000 {
            table.message("flood/0", b"2", Stamp(n));
        }
        let many: Vec<String> = (0..10_000).map(|n| n.to_string()).collect();
        table.message("flood/1", format!("[{}]", many.join(",")).as_bytes(), Stamp(0));
        let deep = "[".repeat(100) + "1" + &"]".repeat(100);
        table.message("flood/2", deep.as_bytes(), Stamp(0));
        let seen = table.seen();
        assert!(seen.is_full);
        assert_eq!(seen.values.len(), MAX_TOPICS + MAX_POINTERS);
        assert_eq!(seen.values[0].values.len(), KEPT);
    }
}
