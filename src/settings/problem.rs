//! What is wrong with the settings: where it stands, what it is, what to write.

use std::fmt;

/// Where a setting came from.
#[derive(Clone, Debug, PartialEq, Eq, PartialOrd, Ord)]
pub enum Place {
    /// Nowhere: it is missing.
    Nowhere,
    /// A line (1-based) of the settings file.
    File {
        /// The file, as it was named.
        file: String,
        /// The line.
        line: usize,
    },
    /// A variable of the environment.
    Environment(String),
}

impl fmt::Display for Place {
    fn fmt(&self, f: &mut fmt::Formatter<'_>) -> fmt::Result {
        match self {
            Self::Nowhere => f.write_str("settings"),
            Self::File { file, line } => write!(f, "{file}:{line}"),
            Self::Environment(name) => f.write_str(name),
        }
    }
}

/// One thing that is wrong.
#[derive(Clone, Debug, PartialEq, Eq, PartialOrd, Ord)]
pub struct Problem {
    /// Where.
    pub place: Place,
    /// What is wrong.
    pub what: String,
    /// What to do about it.
    pub hint: String,
}

impl fmt::Display for Problem {
    fn fmt(&self, f: &mut fmt::Formatter<'_>) -> fmt::Result {
        write!(f, "{}: {}; {}", self.place, self.what, self.hint)
    }
}

/// Everything that is wrong, in the order of the file.
#[derive(Clone, Debug, Default, PartialEq, Eq)]
pub struct Problems(pub Vec<Problem>);

impl Problems {
    /// Adds one.
    pub fn add(&mut self, place: Place, what: impl Into<String>, hint: impl Into<String>) {
        self.0.push(Problem { place, what: what.into(), hint: hint.into() });
    }

    /// Whether all is well.
    pub fn is_empty(&self) -> bool {
        self.0.is_empty()
    }

    /// The same, in the order of the file.
    pub fn sorted(mut self) -> Self {
        self.0.sort();
        self
    }
}

impl fmt::Display for Problems {
    fn fmt(&self, f: &mut fmt::Formatter<'_>) -> fmt::Result {
        for (index, problem) in self.0.iter().enumerate() {
            if index > 0 {
                writeln!(f)?;
            }
            write!(f, "{problem}")?;
        }
        Ok(())
    }
}

impl std::error::Error for Problems {}
