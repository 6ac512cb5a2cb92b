//! JSON read by pointers: one pass over the text that keeps only what the map names.
//!
//! The pointers of a topic (RFC 6901) are folded into one tree, and the parser walks text and
//! tree together. No tree of the message is built: a message of 19 values costs one pass and no
//! allocation. Which key follows which is learned from the messages themselves, so that each key
//! of a device that always writes in the same order is found at the first comparison.

use std::fmt;

use rustc_hash::FxHashMap;
use serde::de::{DeserializeSeed, Deserializer, IgnoredAny, MapAccess, SeqAccess, Visitor};

use super::{Refusal, time};
use crate::units::Stamp;

/// What the text has at a pointer.
#[derive(Clone, Copy, Debug, Default, PartialEq)]
pub(super) enum Found {
    /// Nothing, or `null`.
    #[default]
    Missing,
    /// A number, or a string that reads as one.
    Number(f64),
    /// A string that reads as a time; only where a time is looked for.
    Time(Stamp),
    /// Anything else.
    Other,
}

/// The pointers of a topic, and what the last message had at each.
#[derive(Debug, Default)]
pub(super) struct Pointers {
    nodes: Vec<Node>,
    found: Vec<Found>,
}

/// One step of a pointer.
#[derive(Debug, Default)]
struct Node {
    names: Vec<Box<str>>,
    children: Vec<usize>,
    /// Which child by name; kept only where comparing one after another would be slow.
    by_name: FxHashMap<Box<str>, usize>,
    /// `follows[i]`: the child that came after child `i − 1` in the last message (`follows[0]`:
    /// that came first).
    follows: Vec<usize>,
    /// Children whose name is an array index, by index.
    elements: Vec<(usize, usize)>,
    slot: Option<usize>,
    /// Whether a string here is read as a time.
    is_time: bool,
}

/// Up to here comparing names one by one is as fast as a hash.
const FEW_NAMES: usize = 4;

impl Node {
    fn child(&self, name: &str) -> Option<usize> {
        if self.names.len() > FEW_NAMES {
            return self.by_name.get(name).copied();
        }
        self.names.iter().position(|known| **known == *name)
    }
}

impl Pointers {
    /// Adds a pointer in which `{channel}` stands for `channel`, and returns the number of its slot.
    pub(super) fn add(&mut self, pointer: &str, channel: &str, is_time: bool) -> usize {
        if self.nodes.is_empty() {
            self.nodes.push(Node::default());
        }
        let mut at = 0;
        for token in pointer.split('/').skip(1) {
            // RFC 6901, section 4: ~1 first, then ~0. The channel goes in last, so that a key
            // with a slash or a tilde in it is one token.
            let token = token.replace("~1", "/").replace("~0", "~").replace("{channel}", channel);
            at = match self.nodes[at].child(&token) {
                Some(child) => self.nodes[at].children[child],
                None => self.grow(at, token),
            };
        }
        self.nodes[at].is_time |= is_time;
        if let Some(slot) = self.nodes[at].slot {
            return slot;
        }
        self.found.push(Found::Missing);
        *self.nodes[at].slot.insert(self.found.len() - 1)
    }

    fn grow(&mut self, parent: usize, token: String) -> usize {
        let node = self.nodes.len();
        self.nodes.push(Node::default());
        let parent = &mut self.nodes[parent];
        let child = parent.children.len();
        parent.children.push(node);
        parent.follows.resize(child + 2, 0);
        parent.follows[child] = child;
        if let Some(index) = array_index(&token) {
            parent.elements.push((index, node));
            parent.elements.sort_unstable();
        }
        parent.by_name.insert(token.as_str().into(), child);
        parent.names.push(token.into());
        node
    }

    /// Reads a message. Afterwards [`Pointers::found`] tells what is at each slot.
    pub(super) fn read(&mut self, payload: &[u8]) -> Result<(), Refusal> {
        // Checked once for the whole text: faster than string by string, and strings that are
        // skipped are held to it too.
        let text = std::str::from_utf8(payload).map_err(|_| Refusal::NotUtf8)?;
        self.found.fill(Found::Missing);
        let mut parser = serde_json::Deserializer::from_str(text);
        let walk = Walk { nodes: &mut self.nodes, found: &mut self.found, node: 0 };
        walk.deserialize(&mut parser).map_err(|_| Refusal::NotJson)?;
        parser.end().map_err(|_| Refusal::NotJson)
    }

    pub(super) fn found(&self, slot: usize) -> Found {
        self.found[slot]
    }
}

/// An array index as RFC 6901 writes it: decimal, no leading zeros.
fn array_index(token: &str) -> Option<usize> {
    let canonical = token == "0" || token.starts_with(|c: char| ('1'..='9').contains(&c));
    canonical.then(|| token.parse().ok()).flatten()
}

struct Walk<'a> {
    nodes: &'a mut [Node],
    found: &'a mut [Found],
    node: usize,
}

impl Walk<'_> {
    fn keep(&mut self, found: Found) {
        if let Some(slot) = self.nodes[self.node].slot {
            self.found[slot] = found;
        }
    }
}

impl<'de> DeserializeSeed<'de> for Walk<'_> {
    type Value = ();
    fn deserialize<D: Deserializer<'de>>(self, deserializer: D) -> Result<(), D::Error> {
        deserializer.deserialize_any(self)
    }
}

impl<'de> Visitor<'de> for Walk<'_> {
    type Value = ();

    fn expecting(&self, f: &mut fmt::Formatter<'_>) -> fmt::Result {
        f.write_str("any JSON value")
    }

    fn visit_unit<E>(mut self) -> Result<(), E> {
        self.keep(Found::Missing);
        Ok(())
    }

    fn visit_bool<E>(mut self, _: bool) -> Result<(), E> {
        self.keep(Found::Other);
        Ok(())
    }

    fn visit_i64<E>(mut self, number: i64) -> Result<(), E> {
        self.keep(Found::Number(number as f64));
        Ok(())
    }

    fn visit_u64<E>(mut self, number: u64) -> Result<(), E> {
        self.keep(Found::Number(number as f64));
        Ok(())
    }

    fn visit_f64<E>(mut self, number: f64) -> Result<(), E> {
        self.keep(Found::Number(number));
        Ok(())
    }

    fn visit_str<E>(mut self, text: &str) -> Result<(), E> {
        let is_time = self.nodes[self.node].is_time;
        let found = match text.trim().parse() {
            Ok(number) => Found::Number(number),
            Err(_) if is_time => time::from_text(text).map_or(Found::Other, Found::Time),
            Err(_) => Found::Other,
        };
        self.keep(found);
        Ok(())
    }

    fn visit_seq<A: SeqAccess<'de>>(mut self, mut sequence: A) -> Result<(), A::Error> {
        self.keep(Found::Other);
        let mut wanted = 0;
        for index in 0.. {
            let next = self.nodes[self.node].elements.get(wanted).copied();
            let more = match next {
                Some((at, node)) if at == index => {
                    wanted += 1;
                    let walk = Walk { nodes: self.nodes, found: self.found, node };
                    sequence.next_element_seed(walk)?.is_some()
                }
                _ => sequence.next_element::<IgnoredAny>()?.is_some(),
            };
            if !more {
                break;
            }
        }
        Ok(())
    }

    fn visit_map<A: MapAccess<'de>>(mut self, mut map: A) -> Result<(), A::Error> {
        self.keep(Found::Other);
        let mut expect = 0;
        while let Some(child) = map.next_key_seed(Key { node: &mut self.nodes[self.node], expect })? {
            let Some(child) = child else {
                map.next_value::<IgnoredAny>()?;
                continue;
            };
            expect = child + 1;
            let node = self.nodes[self.node].children[child];
            map.next_value_seed(Walk { nodes: self.nodes, found: self.found, node })?;
        }
        Ok(())
    }
}

/// A key into the child that it names, if the map wants it.
struct Key<'a> {
    node: &'a mut Node,
    /// Index into `follows`: one more than the child before.
    expect: usize,
}

impl<'de> DeserializeSeed<'de> for Key<'_> {
    type Value = Option<usize>;
    fn deserialize<D: Deserializer<'de>>(self, deserializer: D) -> Result<Self::Value, D::Error> {
        deserializer.deserialize_str(self)
    }
}

impl<'de> Visitor<'de> for Key<'_> {
    type Value = Option<usize>;

    fn expecting(&self, f: &mut fmt::Formatter<'_>) -> fmt::Result {
        f.write_str("a key")
    }

    fn visit_str<E>(self, key: &str) -> Result<Self::Value, E> {
        let Some(&guess) = self.node.follows.get(self.expect) else { return Ok(None) };
        if *self.node.names[guess.min(self.node.names.len() - 1)] == *key {
            return Ok(Some(guess));
        }
        let child = self.node.child(key);
        if let Some(child) = child {
            self.node.follows[self.expect] = child;
        }
        Ok(child)
    }
}

#[cfg(test)]
mod tests {
    use super::*;

    fn at(pointer: &str, payload: &str) -> Result<Found, Refusal> {
        let mut pointers = Pointers::default();
        let slot = pointers.add(pointer, "m1", false);
        pointers.read(payload.as_bytes())?;
        Ok(pointers.found(slot))
    }

    #[test]
    fn pointers_of_rfc_6901() {
        // the document of RFC 6901, section 5, with its strings made numbers
        let document = r#"{"foo": [10, 11], "": 0, "a/b": 1, "c%d": 2, "e^f": 3, "g|h": 4,
            "i\\j": 5, "k\"l": 6, " ": 7, "m~n": 8}"#;
        let check = |pointer: &str, expected| assert_eq!(at(pointer, document), Ok(expected), "{pointer}");
        check("/foo/0", Found::Number(10.0));
        check("/foo/1", Found::Number(11.0));
        check("/", Found::Number(0.0));
        check("/a~1b", Found::Number(1.0));
        check("/c%d", Found::Number(2.0));
        check("/e^f", Found::Number(3.0));
        check("/g|h", Found::Number(4.0));
        check("/i\\j", Found::Number(5.0));
        check("/k\"l", Found::Number(6.0));
        check("/ ", Found::Number(7.0));
        check("/m~0n", Found::Number(8.0));
        check("/foo", Found::Other);
        check("", Found::Other);
        check("/foo/2", Found::Missing);
        check("/foo/00", Found::Missing);
        check("/foo/-", Found::Missing);
        check("/bar", Found::Missing);
        check("/m~0n/deeper", Found::Missing);
    }

    #[test]
    fn values_as_devices_write_them() {
        let check = |payload: &str, expected| assert_eq!(at("/w", payload), expected, "{payload}");
        check(r#"{"w": -1.5}"#, Ok(Found::Number(-1.5)));
        check(r#"{"w": "230.5"}"#, Ok(Found::Number(230.5)));
        check(r#"{"w": "n/a"}"#, Ok(Found::Other));
        check(r#"{"w": null}"#, Ok(Found::Missing));
        check(r#"{"w": true}"#, Ok(Found::Other));
        check(r#"{"w": {"w": 1}}"#, Ok(Found::Other));
        check(r#"{"w": 1, "w": 2}"#, Ok(Found::Number(2.0)));
        check(r#"{"\u0077": 3}"#, Ok(Found::Number(3.0)));
        check(r#"{"w": 1e300}"#, Ok(Found::Number(1e300)));
        check(r#"[{"w": 1}]"#, Ok(Found::Missing));
        check(r#"17"#, Ok(Found::Missing));
        check(r#"{"w": 1"#, Err(Refusal::NotJson));
        check(r#"{"w": 1} x"#, Err(Refusal::NotJson));
        check(r#"{"w": NaN}"#, Err(Refusal::NotJson));
        check("", Err(Refusal::NotJson));
        check(&"[".repeat(100_000), Err(Refusal::NotJson));
        assert_eq!(at("", "42"), Ok(Found::Number(42.0)));
        let mut pointers = Pointers::default();
        pointers.add("/w", "", false);
        assert_eq!(pointers.read(b"{\"x\": \"\xff\", \"w\": 1}"), Err(Refusal::NotUtf8));
    }

    #[test]
    fn any_order_of_keys_gives_the_same_values() {
        let channels: Vec<String> = (0..19).map(|n| format!("c{n}")).collect();
        let mut pointers = Pointers::default();
        let slots: Vec<_> = channels.iter().map(|c| pointers.add("/ch/{channel}/w", c, false)).collect();
        for turn in 0..40 {
            // every turn another rotation, every other backwards, with keys nobody asked for
            let mut order: Vec<_> = (0..19).collect();
            order.rotate_left(turn % 19);
            if turn % 2 == 1 {
                order.reverse();
            }
            let body: Vec<_> = order
                .iter()
                .map(|n| format!(r#""x{n}":{{"w":9}},"c{n}":{{"v":1,"w":{}}}"#, n * 10))
                .collect();
            pointers.read(format!(r#"{{"ch":{{{}}}}}"#, body.join(",")).as_bytes()).unwrap();
            for (n, slot) in slots.iter().enumerate() {
                assert_eq!(pointers.found(*slot), Found::Number(n as f64 * 10.0));
            }
        }
    }

    #[test]
    fn a_time_is_read_only_where_one_is_looked_for() {
        let mut pointers = Pointers::default();
        let (time, other) = (pointers.add("/ts", "", true), pointers.add("/other", "", false));
        assert_eq!(pointers.add("/ts", "", true), time, "one slot a pointer");
        pointers.read(br#"{"ts": "2026-05-02T09:30:00-06:00", "other": "2026-05-02T09:30:00Z"}"#).unwrap();
        assert_eq!(pointers.found(time), Found::Time(Stamp::from_seconds(1_777_735_800)));
        assert_eq!(pointers.found(other), Found::Other);
        pointers.read(br#"{"ts": 1777735800}"#).unwrap();
        assert_eq!(pointers.found(time), Found::Number(1_777_735_800.0));
    }
}
