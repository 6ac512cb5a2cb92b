//! What is wrong with a file, line by line, up to a bound.

use std::fmt;

/// One thing that is wrong.
#[derive(Clone, Debug, PartialEq, Eq)]
pub struct Fault {
    /// Line of the file, from 1.
    pub line: u64,
    /// What is wrong.
    pub what: String,
    /// What to do about it.
    pub hint: String,
}

impl Fault {
    /// A fault in that line.
    pub fn new(line: u64, what: impl Into<String>, hint: impl Into<String>) -> Self {
        Self { line, what: what.into(), hint: hint.into() }
    }
}

impl fmt::Display for Fault {
    fn fmt(&self, f: &mut fmt::Formatter<'_>) -> fmt::Result {
        write!(f, "line {}: {}; {}", self.line, self.what, self.hint)
    }
}

/// All that is wrong with a file: the first ones in full, and how many there are.
#[derive(Clone, Debug, Default, PartialEq, Eq)]
pub struct Faults {
    shown: Vec<Fault>,
    count: u64,
}

impl Faults {
    /// Faults kept in full. A file of another kind has one a line, and nobody reads more than these.
    pub const SHOWN: usize = 20;

    /// Adds one.
    pub fn add(&mut self, fault: Fault) {
        self.count += 1;
        if self.shown.len() < Self::SHOWN {
            self.shown.push(fault);
        }
    }

    /// How many there are.
    pub fn count(&self) -> u64 {
        self.count
    }

    /// Whether there are none.
    pub fn is_empty(&self) -> bool {
        self.count == 0
    }

    /// The first of them, in the order of the file.
    pub fn shown(&self) -> &[Fault] {
        &self.shown
    }
}

impl fmt::Display for Faults {
    fn fmt(&self, f: &mut fmt::Formatter<'_>) -> fmt::Result {
        for (index, fault) in self.shown.iter().enumerate() {
            write!(f, "{}{fault}", if index > 0 { "\n" } else { "" })?;
        }
        match self.count - self.shown.len() as u64 {
            0 => Ok(()),
            more => write!(f, "\n… and {more} more"),
        }
    }
}

/// A text of a file as a message repeats it: cut, and without line breaks.
pub(super) fn shown(text: &str) -> String {
    /// A message must not grow with the file.
    const MOST: usize = 40;
    let cut: String = text.chars().take(MOST).map(|c| if c.is_control() { ' ' } else { c }).collect();
    if text.chars().nth(MOST).is_some() { cut + "…" } else { cut }
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn the_first_faults_are_shown_and_all_are_counted() {
        let mut faults = Faults::default();
        assert!(faults.is_empty());
        for line in 1..=25 {
            faults.add(Fault::new(line, "no number", "write one"));
        }
        let text = faults.to_string();
        assert!(text.starts_with("line 1: no number; write one\n"), "{text}");
        assert!(text.ends_with("\n… and 5 more"), "{text}");
        assert_eq!((faults.count(), faults.shown().len()), (25, Faults::SHOWN));
        assert_eq!(shown("a\nb"), "a b");
        assert_eq!(shown(&"x".repeat(60)).chars().count(), 41);
    }
}
