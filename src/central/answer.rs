//! What an answer of the write API means for the batch.

use std::time::Duration;

/// What is to be done with the batch (or the part of one) that was answered.
#[derive(Clone, Debug, PartialEq, Eq)]
pub(super) enum Verdict {
    /// The server has it.
    Taken,
    /// The server cannot take it now: the same again after a wait.
    Later {
        /// How long the server wants to be left alone.
        asked: Option<Duration>,
        /// What it said.
        why: String,
    },
    /// More than the server takes at once: the same in halves.
    TooLarge(String),
    /// A record in it is bad: find it.
    BadRecord(String),
    /// Token, address or bucket are wrong. It is no record's fault, so nothing is set aside;
    /// everything is kept until somebody has mended it.
    Rejected {
        /// Whether it is the token that is wrong.
        token: bool,
        /// What it said.
        why: String,
    },
}

/// Decides by the status; `body` is the start of the answer, `asked` its `Retry-After`.
///
/// The answers of the write API: 204 written; 400 and 422 name a bad record; 401 and 403 the
/// token; 404 the organization or the bucket; 413 the size; 429 and 503 with `Retry-After` the
/// load. A proxy in front adds its own. 404 and its like would refuse *every* record, so they
/// count as the setting's fault: bisecting would set the whole history aside, record by record.
pub(super) fn judge(status: u16, asked: Option<Duration>, body: &[u8]) -> Verdict {
    let why = || said(status, body);
    match status {
        200..=299 => Verdict::Taken,
        408 | 425 | 429 | 500..=599 => Verdict::Later { asked, why: why() },
        413 => Verdict::TooLarge(why()),
        401 | 403 => Verdict::Rejected { token: true, why: why() },
        // A redirection is not followed: it would carry the token elsewhere, and turn the request
        // into one that writes nothing.
        300..=399 => Verdict::Rejected { token: false, why: why() },
        402 | 404 | 405 | 407 | 410 | 411 | 414 | 415 | 417 | 421 | 426 | 431 | 451 => {
            Verdict::Rejected { token: false, why: why() }
        }
        400..=499 => Verdict::BadRecord(why()),
        _ => Verdict::Later { asked, why: why() },
    }
}

/// How much of an answer is kept, in characters: enough for the sentence that names the field.
const SAID: usize = 300;

/// Status and the start of the body on one line, fit for a log.
fn said(status: u16, body: &[u8]) -> String {
    let text = String::from_utf8_lossy(body);
    let printable = |c: char| if c.is_control() { ' ' } else { c };
    let clipped: String = text.trim().chars().take(SAID).map(printable).collect();
    if clipped.is_empty() { format!("status {status}") } else { format!("status {status}: {clipped}") }
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn each_status_has_its_meaning() {
        let name = |status| match judge(status, None, b"") {
            Verdict::Taken => "taken",
            Verdict::Later { .. } => "later",
            Verdict::TooLarge(_) => "too large",
            Verdict::BadRecord(_) => "bad record",
            Verdict::Rejected { token: true, .. } => "token",
            Verdict::Rejected { token: false, .. } => "rejected",
        };
        for (status, expected) in [
            (200, "taken"),
            (204, "taken"),
            (301, "rejected"),
            (307, "rejected"),
            (400, "bad record"),
            (401, "token"),
            (403, "token"),
            (404, "rejected"),
            (408, "later"),
            (409, "bad record"),
            (413, "too large"),
            (415, "rejected"),
            (422, "bad record"),
            (429, "later"),
            (500, "later"),
            (503, "later"),
            (599, "later"),
            (100, "later"),
            (700, "later"),
        ] {
            assert_eq!(name(status), expected, "{status}");
        }
    }

    #[test]
    fn an_answer_is_kept_on_one_short_line() {
        let Verdict::BadRecord(why) = judge(400, None, b"{\"code\":\"invalid\"}\r\n") else { panic!() };
        assert_eq!(why, "status 400: {\"code\":\"invalid\"}");
        let Verdict::BadRecord(why) = judge(400, None, "a\u{1b}[31m\nb".as_bytes()) else { panic!() };
        assert_eq!(why, "status 400: a [31m b");
        let Verdict::BadRecord(why) = judge(400, None, "ü".repeat(5000).as_bytes()) else { panic!() };
        assert_eq!(why.chars().count(), "status 400: ".len() + SAID);
        let Verdict::BadRecord(why) = judge(400, None, &[0xff, 0xfe]) else { panic!() };
        assert_eq!(why, "status 400: \u{fffd}\u{fffd}");
    }
}
