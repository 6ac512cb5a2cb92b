//! Topic patterns: a topic with `{channel}` in it, as a map writes it.

use rustc_hash::FxHashMap;

/// What stands for the channel's name.
pub(super) const CHANNEL: &str = "{channel}";

/// The MQTT subscription filter of a pattern: a level with `{channel}` in it becomes `+`.
pub(super) fn filter(pattern: &str) -> String {
    let levels = pattern.split('/').map(|level| if level.contains(CHANNEL) { "+" } else { level });
    levels.collect::<Vec<_>>().join("/")
}

/// Whether every topic that fits `other` fits `filter` too.
fn covers(filter: &str, other: &str) -> bool {
    let (mut ours, mut theirs) = (filter.split('/'), other.split('/'));
    loop {
        match (ours.next(), theirs.next()) {
            (None, None) => return true,
            (Some("+"), Some(_)) => {}
            (Some(our), Some(their)) if our == their => {}
            _ => return false,
        }
    }
}

/// Without doubles, and without filters that another one covers: a broker may deliver a message
/// once for each subscription that it fits.
pub(super) fn reduce(mut filters: Vec<String>) -> Vec<String> {
    filters.sort();
    filters.dedup();
    let wild: Vec<String> = filters.iter().filter(|filter| filter.contains('+')).cloned().collect();
    filters.retain(|filter| !wild.iter().any(|wild| wild != filter && covers(wild, filter)));
    filters
}

/// Patterns by level, to tell whether an unknown topic is an unknown channel of a known device.
#[derive(Debug, Default)]
pub(super) struct Trie {
    nodes: Vec<Node>,
}

#[derive(Debug, Default)]
struct Node {
    literal: FxHashMap<Box<str>, usize>,
    /// Text before and after the channel's name, and where it leads.
    channel: Vec<(Box<str>, Box<str>, usize)>,
    ends: bool,
}

impl Trie {
    pub(super) fn add(&mut self, pattern: &str) {
        if self.nodes.is_empty() {
            self.nodes.push(Node::default());
        }
        let mut at = 0;
        for level in pattern.split('/') {
            let fresh = self.nodes.len();
            let node = &mut self.nodes[at];
            at = match level.split_once(CHANNEL) {
                None => *node.literal.entry(level.into()).or_insert(fresh),
                Some((before, after)) => {
                    // A name that stands twice in a level: the last one's tail must fit.
                    let after = after.rsplit_once(CHANNEL).map_or(after, |(_, last)| last);
                    let known = node.channel.iter().find(|(b, a, _)| **b == *before && **a == *after);
                    match known {
                        Some((_, _, next)) => *next,
                        None => {
                            node.channel.push((before.into(), after.into(), fresh));
                            fresh
                        }
                    }
                }
            };
            if at == fresh {
                self.nodes.push(Node::default());
            }
        }
        self.nodes[at].ends = true;
    }

    /// Whether some pattern fits the topic, with any name for the channel.
    pub(super) fn fits(&self, topic: &str) -> bool {
        !self.nodes.is_empty() && self.walk(0, Some(topic))
    }

    /// Branches only where patterns do, so it visits at most the nodes of the patterns.
    fn walk(&self, at: usize, rest: Option<&str>) -> bool {
        let node = &self.nodes[at];
        let Some(rest) = rest else { return node.ends };
        let (level, rest) = match rest.split_once('/') {
            Some((level, rest)) => (level, Some(rest)),
            None => (rest, None),
        };
        if node.literal.get(level).is_some_and(|next| self.walk(*next, rest)) {
            return true;
        }
        node.channel.iter().any(|(before, after, next)| {
            level.len() > before.len() + after.len()
                && level.starts_with(&**before)
                && level.ends_with(&**after)
                && self.walk(*next, rest)
        })
    }
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn filters_have_a_plus_for_the_level_of_the_channel() {
        let check = |pattern, expected| assert_eq!(filter(pattern), expected);
        check("farm/meter/ct/{channel}/power", "farm/meter/ct/+/power");
        check("farm/ct-{channel}", "farm/+");
        check("{channel}", "+");
        check("/farm//meter", "/farm//meter");
    }

    #[test]
    fn filters_that_another_covers_go() {
        let filters = ["a/+/w", "a/1/w", "a/1/w", "a/1/v", "a/+", "b", "+/+/w"].map(String::from);
        assert_eq!(reduce(filters.to_vec()), ["+/+/w", "a/+", "a/1/v", "b"]);
        assert_eq!(reduce(Vec::new()), Vec::<String>::new());
    }

    #[test]
    fn topics_that_fit_a_pattern() {
        let mut trie = Trie::default();
        assert!(!trie.fits("a"));
        for pattern in ["a/{channel}/w", "a/ct-{channel}-x/v", "a/b/{channel}", "{channel}/{channel}/q/z"] {
            trie.add(pattern);
        }
        for topic in ["a/1/w", "a/b/w", "a/ct-7-x/v", "a/b/anything", "k/k/q/z", "a/1/q/z"] {
            assert!(trie.fits(topic), "{topic}");
        }
        for topic in ["a", "a//w", "a/1/v", "a/ct--x/v", "a/b/", "a/b/c/d", "a/1/w/", "", "/"] {
            assert!(!trie.fits(topic), "{topic}");
        }
    }
}
