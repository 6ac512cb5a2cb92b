//! Which values belong to one device: those whose topics and pointers differ in one level alone.

use std::collections::BTreeMap;

use super::Place;

/// What stands for the channel's name in topics and pointers.
const CHANNEL: &str = "{channel}";

/// A device as it is guessed, with its channels by the name that the device has for each.
#[derive(Clone, Debug, PartialEq, Eq)]
pub(super) struct Guess {
    /// The topic, with the placeholder if it is there.
    pub(super) topic: String,
    /// The pointer, with the placeholder if it is there; empty where the payload is the number.
    pub(super) pointer: String,
    /// The channels' names, and where each was seen.
    pub(super) channels: Vec<(String, Place)>,
}

impl Guess {
    /// A name for it: the level before the channel's, or the last one.
    pub(super) fn name(&self) -> String {
        let levels: Vec<&str> = self.topic.split('/').collect();
        let at = levels.iter().position(|level| *level == CHANNEL);
        let candidates = match at {
            Some(at) => levels[..at].iter().rev().chain(levels[at + 1..].iter()).collect::<Vec<_>>(),
            None => levels.iter().rev().collect(),
        };
        let named = |level: &&&str| level.len() > 2 && level.chars().any(char::is_alphabetic);
        slug(candidates.iter().copied().find(named).copied().unwrap_or("meter"))
    }
}

/// Text as an id has it.
pub(super) fn slug(text: &str) -> String {
    let mut slug = String::new();
    for c in text.chars().map(|c| c.to_ascii_lowercase()) {
        if c.is_ascii_alphanumeric() {
            slug.push(c);
        } else if !slug.is_empty() && !slug.ends_with('-') {
            slug.push('-');
        }
        if slug.len() >= 48 {
            break;
        }
    }
    let slug = slug.trim_end_matches('-');
    if slug.is_empty() { "site".to_owned() } else { slug.to_owned() }
}

/// One of the places that share a pattern: its place in the list, the channel's name, and its level.
type Member = (usize, String, usize);

/// Sorts places into devices: again and again the pattern that the most of those left share, and of equal
/// ones that whose channel's name has a number in it, or stands furthest behind.
pub(super) fn devices(places: &[Place]) -> Vec<Guess> {
    let mut left: Vec<&Place> = places.iter().collect();
    left.sort();
    left.dedup();
    let mut found = Vec::new();
    while !left.is_empty() {
        let mut shared: BTreeMap<(String, String), Vec<Member>> = BTreeMap::new();
        for (index, place) in left.iter().enumerate() {
            for (topic, pointer, channel, at) in patterns(place) {
                shared.entry((topic, pointer)).or_default().push((index, channel, at));
            }
        }
        let numbered = |channel: &str| channel.contains(|c: char| c.is_ascii_digit());
        let best = shared.into_iter().max_by_key(|(_, members)| {
            (members.len(), members.first().map(|(_, channel, at)| (numbered(channel), *at)))
        });
        // Every place has at least one pattern, its own: so one is taken out each time.
        let Some(((topic, pointer), members)) = best else { break };
        let channels =
            members.iter().map(|(index, channel, _)| (channel.clone(), left[*index].clone())).collect();
        found.push(Guess { topic, pointer, channels });
        let mut index = 0;
        left.retain(|_| {
            index += 1;
            !members.iter().any(|(taken, ..)| *taken == index - 1)
        });
    }
    for guess in &mut found {
        guess.channels.sort_by(|one, other| natural(&one.0).cmp(&natural(&other.0)));
    }
    found.sort_by(|one, other| (&one.topic, &one.pointer).cmp(&(&other.topic, &other.pointer)));
    found
}

/// Each way to see a place as one of a pattern's: topic, pointer, the channel's name, and at which level it
/// stands.
fn patterns(place: &Place) -> Vec<(String, String, String, usize)> {
    let topic: Vec<&str> = place.topic.split('/').collect();
    let pointer: Vec<&str> = place.pointer.split('/').collect();
    let mut patterns = Vec::new();
    let replaced = |levels: &[&str], at: usize| {
        let mut levels = levels.to_vec();
        levels[at] = CHANNEL;
        levels.join("/")
    };
    for (at, level) in topic.iter().enumerate().filter(|(_, level)| is_channel(level)) {
        patterns.push((replaced(&topic, at), place.pointer.clone(), (*level).to_owned(), at));
    }
    // The first level of a pointer is empty: it starts with a slash.
    for (at, level) in pointer.iter().enumerate().skip(1).filter(|(_, level)| is_channel(level)) {
        patterns.push((place.topic.clone(), replaced(&pointer, at), (*level).to_owned(), topic.len() + at));
    }
    if patterns.is_empty() {
        patterns.push((place.topic.clone(), place.pointer.clone(), "value".to_owned(), 0));
    }
    patterns
}

/// Whether a map takes it as a channel's name; a pointer's escapes (`~1`) would stand in it as they are.
fn is_channel(level: &str) -> bool {
    !level.is_empty()
        && level.chars().count() <= 64
        && level.trim() == level
        && !level.chars().any(|c| c.is_control() || matches!(c, '/' | '+' | '#' | '{' | '}' | '~'))
}

/// Numbers in names by their size: `2` before `10`.
fn natural(name: &str) -> (u64, &str) {
    (name.parse().unwrap_or(u64::MAX), name)
}

#[cfg(test)]
mod tests {
    use super::*;

    fn check(places: &[(&str, &str)], expected: &[(&str, &str, &str, &[&str])]) {
        let places: Vec<_> = places
            .iter()
            .map(|(topic, pointer)| Place { topic: (*topic).into(), pointer: (*pointer).into() })
            .collect();
        let found = devices(&places);
        let found: Vec<_> = found
            .iter()
            .map(|guess| {
                let channels: Vec<&str> = guess.channels.iter().map(|(name, _)| name.as_str()).collect();
                (guess.name(), guess.topic.as_str(), guess.pointer.as_str(), channels)
            })
            .collect();
        let expected: Vec<_> = expected
            .iter()
            .map(|(name, topic, pointer, channels)| ((*name).to_owned(), *topic, *pointer, channels.to_vec()))
            .collect();
        assert_eq!(found, expected);
    }

    #[test]
    fn topics_that_differ_in_one_level_are_one_device() {
        check(
            &[
                ("heron-lane/meter/house/ct/10/power", ""),
                ("heron-lane/meter/house/ct/2/power", ""),
                ("heron-lane/meter/house/ct/m1/power", ""),
                ("heron-lane/meter/barn/ct/1/power", ""),
                ("heron-lane/meter/barn/ct/f1/power", ""),
            ],
            &[
                ("barn", "heron-lane/meter/barn/ct/{channel}/power", "", &["1", "f1"]),
                ("house", "heron-lane/meter/house/ct/{channel}/power", "", &["2", "10", "m1"]),
            ],
        );
    }

    #[test]
    fn a_payload_of_many_is_one_device() {
        check(
            &[("barn", "/channels/1/watts"), ("barn", "/channels/f1/watts"), ("barn", "/channels/f2/watts")],
            &[("barn", "barn", "/channels/{channel}/watts", &["1", "f1", "f2"])],
        );
        check(
            &[("shed/1/state", "/power"), ("shed/2/state", "/power")],
            &[("shed", "shed/{channel}/state", "/power", &["1", "2"])],
        );
    }

    #[test]
    fn a_value_alone_is_a_device_too() {
        check(&[("power", "")], &[("meter", "{channel}", "", &["power"])]);
        check(
            &[("shed/bench", "/channels/1/watts")],
            &[("bench", "shed/bench", "/channels/{channel}/watts", &["1"])],
        );
        check(&[("shed/lathe", "")], &[("shed", "shed/{channel}", "", &["lathe"])]);
    }

    #[test]
    fn names_become_ids() {
        for (text, expected) in
            [("Heron Lane", "heron-lane"), ("  Scheune №1 ", "scheune-1"), ("---", "site"), ("..%2f..", "2f")]
        {
            assert_eq!(slug(text), expected);
        }
    }
}
