//! Log lines at a bounded rate: a device that sends nonsense ten times a second fills no log.

use std::fmt::Write;

use super::Refusal;
use crate::units::{Span, Stamp};

/// One line a second for each reason: enough to see a fault live, little enough to keep.
const EVERY: Span = Span::from_seconds(1);
/// Characters of a topic that a line shows; a device's topic is rarely a third of it.
const TOPIC_SHOWN: usize = 120;
/// Bytes of a payload that a line shows: enough to tell JSON from a number and see its start.
const PAYLOAD_SHOWN: usize = 80;

/// Remembers, for each reason, when it was last told and how much was passed over since.
#[derive(Clone, Debug, Default)]
pub struct Complaints {
    reasons: [Told; Refusal::ALL.len()],
}

#[derive(Clone, Copy, Debug, Default)]
struct Told {
    last: Option<Stamp>,
    passed_over: u64,
}

impl Complaints {
    /// Nothing told yet.
    pub fn new() -> Self {
        Self::default()
    }

    /// The line to log for a refused message, if one is due.
    ///
    /// It names the topic and the start of the payload, with everything but printable ASCII
    /// escaped: what a device sends cannot forge a line.
    pub fn note(&mut self, now: Stamp, reason: Refusal, topic: &str, payload: &[u8]) -> Option<String> {
        let told = &mut self.reasons[reason as usize];
        // A clock that was set back makes a line due, not silence until it catches up.
        if told.last.is_some_and(|last| last <= now && now - last < EVERY) {
            told.passed_over += 1;
            return None;
        }
        let passed_over = std::mem::take(&mut told.passed_over);
        told.last = Some(now);
        let mut line = format!("refused ({}): {}; topic \"", reason.as_str(), reason.advice());
        for character in topic.chars().take(TOPIC_SHOWN) {
            line.extend(character.escape_default());
        }
        let more_topic = if topic.chars().nth(TOPIC_SHOWN).is_some() { "…" } else { "" };
        let shown = &payload[..payload.len().min(PAYLOAD_SHOWN)];
        let more = if shown.len() < payload.len() { "…" } else { "" };
        let length = payload.len();
        let _ = write!(line, "{more_topic}\", payload \"{}{more}\" ({length} bytes)", shown.escape_ascii());
        if passed_over > 0 {
            let _ = write!(line, "; {passed_over} more like it since the last such line");
        }
        Some(line)
    }
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn one_line_a_second_for_each_reason() {
        let mut complaints = Complaints::new();
        let mut lines = Vec::new();
        for tenth in 0..25 {
            lines.extend(complaints.note(Stamp(tenth), Refusal::NotANumber, "a/b", b"oops"));
        }
        assert_eq!(lines.len(), 3);
        assert!(!lines[0].contains("more like it"), "{}", lines[0]);
        assert!(lines[1].contains("; 9 more like it"), "{}", lines[1]);
        assert!(complaints.note(Stamp(25), Refusal::Empty, "a/b", b"").is_some(), "reasons are apart");
        assert!(complaints.note(Stamp(5), Refusal::NotANumber, "a/b", b"oops").is_some(), "clock set back");
    }

    #[test]
    fn a_line_is_one_short_line() {
        let topic = "x\n".repeat(5000);
        let line = Complaints::new().note(Stamp(0), Refusal::NotUtf8, &topic, &[0xff; 4096]).unwrap();
        assert!(line.len() < 1000, "{}", line.len());
        assert!(line.chars().all(|c| c == '…' || c == ' ' || c.is_ascii_graphic()), "{line}");
        assert!(line.contains("(4096 bytes)"));
    }
}
