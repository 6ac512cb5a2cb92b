//! What the reader of a map has to say: findings with file and line, all at once.

use std::fmt;

use super::rules::{MORE, Rule};

/// How many findings one map can have: more do not help anybody, and a broken file of 1 MiB could
/// make a hundred thousand.
const MAX_FINDINGS: usize = 500;

/// How much a finding weighs.
#[derive(Clone, Copy, Debug, PartialEq, Eq, PartialOrd, Ord, Hash)]
pub enum Severity {
    /// The map is refused.
    Error,
    /// The map is taken; a figure is missing or doubtful.
    Warning,
    /// The map is taken; something was decided that its author may want to know.
    Note,
}

impl fmt::Display for Severity {
    fn fmt(&self, f: &mut fmt::Formatter<'_>) -> fmt::Result {
        f.write_str(match self {
            Self::Error => "error",
            Self::Warning => "warning",
            Self::Note => "note",
        })
    }
}

/// One thing that is wrong, doubtful or worth knowing about a map.
///
/// It displays as `file:line: error: what; why; what to write`.
#[derive(Clone, Debug, PartialEq, Eq)]
pub struct Finding {
    /// How much it weighs.
    pub severity: Severity,
    /// The id of its rule in [`super::rules::ALL`].
    pub rule: &'static str,
    /// The name of the file, as it was given to [`super::parse`].
    pub file: String,
    /// 1-based.
    pub line: usize,
    /// What is there.
    pub what: String,
    /// Why that cannot stand.
    pub why: String,
    /// What to write instead.
    pub write: String,
    /// The clause of the standard that its rule goes by, where there is one.
    pub source: Option<&'static str>,
    /// Why the map's owner takes it as it is, where the map says so.
    pub accepted: Option<String>,
}

impl Finding {
    /// Whether it still wants something done: it is neither accepted nor a mere note.
    pub fn is_open(&self) -> bool {
        self.accepted.is_none() && self.severity != Severity::Note
    }
}

impl fmt::Display for Finding {
    fn fmt(&self, f: &mut fmt::Formatter<'_>) -> fmt::Result {
        let Self { severity, file, line, what, why, write, .. } = self;
        write!(f, "{file}:{line}: {severity}: {what}; {why}")?;
        if let Some(source) = self.source {
            write!(f, " ({source})")?;
        }
        match &self.accepted {
            Some(reason) => write!(f, "; accepted: {reason}"),
            None => write!(f, "; {write}"),
        }
    }
}

/// Collects findings while a map is read.
pub(super) struct Findings {
    file: String,
    list: Vec<Finding>,
    errors: usize,
    left_out: usize,
}

impl Findings {
    /// None yet; `file` is the name shown in messages.
    pub(super) fn new(file: &str) -> Self {
        Self { file: file.to_owned(), list: Vec::new(), errors: 0, left_out: 0 }
    }

    /// Adds a finding of `rule` at a line: what is there, and what to write instead.
    pub(super) fn add(
        &mut self,
        rule: &Rule,
        line: usize,
        what: impl Into<String>,
        write: impl Into<String>,
    ) {
        self.errors += usize::from(rule.severity == Severity::Error);
        if self.list.len() >= MAX_FINDINGS {
            self.left_out += 1;
            return;
        }
        self.list.push(Finding {
            severity: rule.severity,
            rule: rule.id,
            file: self.file.clone(),
            line,
            what: what.into(),
            why: rule.why.to_owned(),
            write: write.into(),
            source: rule.source,
            accepted: None,
        });
    }

    /// Whether the map has to be refused.
    pub(super) fn any_error(&self) -> bool {
        self.errors > 0
    }

    /// Every finding, by line.
    pub(super) fn into_list(mut self) -> Vec<Finding> {
        self.list.sort_by_key(|finding| finding.line);
        if self.left_out > 0 {
            let line = self.list.last().map_or(1, |finding| finding.line);
            let what = format!("{} more findings", std::mem::take(&mut self.left_out));
            self.list.push(Finding {
                severity: MORE.severity,
                rule: MORE.id,
                file: self.file,
                line,
                what,
                why: MORE.why.to_owned(),
                write: "mend those above, and check again".to_owned(),
                source: None,
                accepted: None,
            });
        }
        self.list
    }
}

/// The candidate that `word` was most probably meant to be, if one is near enough.
pub(super) fn nearest<'a>(word: &str, candidates: impl Iterator<Item = &'a str>) -> Option<&'a str> {
    // The distance costs the product of the lengths; nobody misspells a word of 64 letters.
    if word.len() > 64 {
        return None;
    }
    let word = word.to_lowercase();
    let limit = (word.chars().count() / 3).max(1);
    candidates
        .map(|candidate| (strsim::osa_distance(&word, &candidate.to_lowercase()), candidate))
        .filter(|(distance, _)| *distance <= limit)
        .min_by_key(|(distance, _)| *distance)
        .map(|(_, candidate)| candidate)
}

/// `one of "a", "b", "c"`, or the nearest of them alone where the word is close to it.
pub(super) fn choice(key: &str, word: &str, words: &[&str]) -> String {
    match nearest(word, words.iter().copied()) {
        Some(near) => format!("write {key} = \"{near}\""),
        None => format!("write one of \"{}\"", words.join("\", \"")),
    }
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn a_slip_of_the_finger_finds_its_word_and_nonsense_finds_none() {
        let keys = ["breaker_a", "ct_rating_a", "bus"];
        assert_eq!(nearest("braker_a", keys.into_iter()), Some("breaker_a"));
        assert_eq!(nearest("BUS", keys.into_iter()), Some("bus"));
        assert_eq!(nearest("colour", keys.into_iter()), None);
        assert_eq!(nearest(&"x".repeat(1000), keys.into_iter()), None);
    }

    #[test]
    fn the_list_is_bounded_and_says_so() {
        let mut findings = Findings::new("a.toml");
        for line in 0..2000 {
            findings.add(&super::super::rules::UNKNOWN_KEY, line + 1, "x", "y");
        }
        let list = findings.into_list();
        assert_eq!(list.len(), MAX_FINDINGS + 1);
        assert_eq!(list[MAX_FINDINGS].what, "1500 more findings");
    }
}
