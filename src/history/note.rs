//! Dated notes beside the figures.

use std::ops::Range;

use crate::units::Stamp;

/// A note of a site: "dryer replaced", "CT 7 moved".
#[derive(Clone, Debug, PartialEq, Eq)]
pub struct Note {
    /// Its number in the store.
    pub id: i64,
    /// When it begins, to the second.
    pub start: Stamp,
    /// When it ends; the same as `start` for a note of a moment.
    pub end: Stamp,
    /// Who wrote it.
    pub by: NoteBy,
    /// What it says: one line of text, without control characters.
    pub text: String,
}

/// Who wrote a note.
#[derive(Clone, Copy, Debug, PartialEq, Eq)]
pub enum NoteBy {
    /// Somebody.
    Person,
    /// The program, as a map changed.
    Map,
}

impl NoteBy {
    /// Its name in the store and in answers.
    pub const fn as_str(self) -> &'static str {
        match self {
            Self::Person => "person",
            Self::Map => "map",
        }
    }

    /// The one of that name; a name that a later version wrote counts as a person's.
    pub fn from_word(word: &str) -> Self {
        if word == "map" { Self::Map } else { Self::Person }
    }
}

/// The longest note that a person may write, in characters: two lines of a terminal and more.
pub const MAX_NOTE: usize = 300;

impl Note {
    /// Whether it touches `range`; a note of a moment does where the moment lies inside.
    pub fn touches(&self, range: &Range<Stamp>) -> bool {
        self.start < range.end && (self.end > range.start || self.start >= range.start)
    }
}

/// The text of a note as it is kept: one line, without blanks at its ends.
///
/// # Errors
/// Where it is empty, longer than [`MAX_NOTE`] characters, or holds a control character: the reason.
pub fn note_text(text: &str) -> Result<String, String> {
    let text = text.trim();
    let length = text.chars().count();
    if text.is_empty() {
        return Err("a note says something; this one is empty".to_owned());
    }
    if length > MAX_NOTE {
        return Err(format!("a note has at most {MAX_NOTE} characters; this one has {length}"));
    }
    if text.chars().any(char::is_control) {
        return Err("a note is one line of text, without control characters".to_owned());
    }
    Ok(text.to_owned())
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn a_note_is_one_line_that_says_something() {
        assert_eq!(note_text("  dryer replaced ").as_deref(), Ok("dryer replaced"));
        let check = |text: &str, why: &str| {
            let error = note_text(text).expect_err(text);
            assert!(error.contains(why), "{error}");
        };
        check(" ", "empty");
        check("two\nlines", "one line");
        check("\u{1b}[2J", "control");
        check(&"é".repeat(MAX_NOTE + 1), "301");
        assert!(note_text(&"é".repeat(MAX_NOTE)).is_ok());
    }

    #[test]
    fn a_note_is_shown_where_it_touches() {
        let note = |start, end| Note {
            id: 1,
            start: Stamp(start),
            end: Stamp(end),
            by: NoteBy::Person,
            text: "x".into(),
        };
        let check = |start, end, expected| {
            assert_eq!(note(start, end).touches(&(Stamp(100)..Stamp(200))), expected, "{start} {end}");
        };
        check(100, 100, true);
        check(199, 199, true);
        check(200, 200, false);
        check(99, 99, false);
        check(50, 100, false);
        check(50, 101, true);
        check(50, 300, true);
        check(200, 300, false);
    }

    #[test]
    fn who_wrote_it_has_a_name() {
        for by in [NoteBy::Person, NoteBy::Map] {
            assert_eq!(NoteBy::from_word(by.as_str()), by);
        }
        assert_eq!(NoteBy::from_word("robot"), NoteBy::Person);
    }
}
