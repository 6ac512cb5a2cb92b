//! What the broker keeps of ours: so that what is gone is taken back, also what an earlier run left.
//!
//! The broker cannot be asked for it: a topic of the user's own announcements can be anywhere, and
//! who may publish there need not be allowed to read. So every topic is written down before
//! anything is retained under it, and crossed out some time after it was taken back. A power cut
//! between the two costs a removal that is done twice.

use std::collections::BTreeSet;

use serde::{Deserialize, Serialize};

use super::output::Message;

/// Topics under which the broker may keep something of ours.
#[derive(Clone, Debug, Default, PartialEq, Eq, Serialize, Deserialize)]
pub struct Ledger {
    /// In use.
    held: BTreeSet<String>,
    /// To be taken back, again after each connection until that is known to have arrived.
    gone: BTreeSet<String>,
}

impl Ledger {
    /// These topics are in use now, and no others. True if that is news to write down.
    pub fn declare(&mut self, topics: impl IntoIterator<Item = String>) -> bool {
        let now: BTreeSet<String> = topics.into_iter().collect();
        let gone = self.held.union(&self.gone).filter(|topic| !now.contains(*topic)).cloned().collect();
        let news = self.held != now || self.gone != gone;
        (self.held, self.gone) = (now, gone);
        news
    }

    /// Something is about to be retained under this topic. True if that has to be written down
    /// first.
    pub fn hold(&mut self, topic: &str) -> bool {
        if self.held.contains(topic) {
            return false;
        }
        self.gone.remove(topic);
        self.held.insert(topic.to_owned())
    }

    /// What takes back all that is gone. What tells that a device exists at all goes first, as the
    /// Homie convention has it.
    pub fn take_back(&self) -> Vec<Message> {
        let (first, rest): (Vec<_>, Vec<_>) = self.gone.iter().partition(|topic| topic.ends_with("/$state"));
        first.into_iter().chain(rest).map(Message::clear).collect()
    }

    /// It has been taken back. True if that is news to write down.
    pub fn taken_back(&mut self) -> bool {
        !std::mem::take(&mut self.gone).is_empty()
    }

    /// Whether there is anything to take back.
    pub fn owes(&self) -> bool {
        !self.gone.is_empty()
    }
}

#[cfg(test)]
mod tests {
    use super::*;

    fn topics(names: &[&str]) -> Vec<String> {
        names.iter().map(|name| (*name).to_owned()).collect()
    }

    fn taken_back(ledger: &Ledger) -> Vec<String> {
        ledger.take_back().into_iter().map(|message| message.topic).collect()
    }

    #[test]
    fn what_an_earlier_run_held_and_this_one_does_not_is_taken_back_once() {
        let mut earlier = Ledger::default();
        assert!(earlier.declare(topics(&["a", "b/x", "b/$state"])));
        assert!(!earlier.declare(topics(&["a", "b/x", "b/$state"])), "no news");
        let text = serde_json::to_string(&earlier).expect("JSON");
        let mut ledger: Ledger = serde_json::from_str(&text).expect("what was written");
        assert!(!ledger.owes());
        assert!(ledger.declare(topics(&["a", "c"])));
        assert_eq!(taken_back(&ledger), ["b/$state", "b/x"], "the device's state first");
        // Still to be done after another restart, until it is known to be done.
        assert!(!ledger.declare(topics(&["a", "c"])));
        assert!(ledger.owes() && ledger.taken_back() && !ledger.taken_back());
        assert_eq!(taken_back(&ledger), Vec::<String>::new());
    }

    #[test]
    fn what_comes_again_is_not_taken_back() {
        let mut ledger = Ledger::default();
        ledger.declare(topics(&["a"]));
        ledger.declare(topics(&[]));
        assert!(ledger.hold("a"), "to be written down");
        assert!(!ledger.hold("a"));
        assert!(!ledger.owes());
        ledger.declare(topics(&[]));
        ledger.declare(topics(&["a"]));
        assert!(!ledger.owes());
    }
}
