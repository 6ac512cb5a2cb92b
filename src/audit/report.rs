//! What an audit says: findings, what is proven, and what could not be told.

use std::ops::Range;

use super::mend::Edit;
use super::picture::Picture;
use crate::said::Said;
use crate::site::{Leg, Severity};
use crate::units::Stamp;

macro_rules! kinds {
    ($($kind:ident $id:literal $severity:ident $title:literal),* $(,)?) => {
        /// What can be wrong with a map, as the data shows it.
        #[derive(Clone, Copy, Debug, PartialEq, Eq, PartialOrd, Ord, Hash)]
        pub enum Kind {
            $(#[doc = $title] $kind),*
        }

        impl Kind {
            /// All of them, in the order of the reference.
            pub const ALL: &[Self] = &[$(Self::$kind),*];

            /// Stable name, for scripts, topics and `[[accept]]`.
            pub fn as_str(self) -> &'static str {
                match self { $(Self::$kind => $id),* }
            }

            /// How much it weighs: an error makes energy wrong.
            pub fn severity(self) -> Severity {
                match self { $(Self::$kind => Severity::$severity),* }
            }

            /// In a few words.
            pub fn title(self) -> &'static str {
                match self { $(Self::$kind => $title),* }
            }
        }
    };
}

kinds! {
    Reversed "reversed" Error "a CT is turned round, and the map does not say so (or says so of one that is not)",
    NotDoubled "not-doubled" Error "one CT stands for both legs of a load, and the map does not double it",
    DoubledWrongly "doubled-wrongly" Error "the map doubles a CT that measures the whole load",
    Unbalanced "unbalanced" Warning "a doubled circuit draws more on one leg than on the other",
    WrongScale "wrong-scale" Error "a CT reads too much or too little",
    WrongLeg "wrong-leg" Warning "a circuit is on another leg than the map has it",
    MainsSwapped "mains-swapped" Warning "the mains CTs are on each other's legs",
    PvSign "pv-sign" Error "generation has the wrong sign",
    SupplySide "supply-side" Error "a circuit tapped ahead of the main is mapped behind it, or the other way round",
    NotOnBus "not-on-bus" Error "a channel is no part of the panel that the map has it on",
    FeederTwice "feeder-twice" Error "a circuit is counted beside the feeder that carries it",
    SameWire "same-wire" Error "two CTs are on one wire",
    Swapped "swapped" Error "two circuits have each other's CTs",
    Dead "dead" Warning "a channel shows nothing although it should",
    Stuck "stuck" Warning "a channel repeats one value",
    Saturated "saturated" Warning "a CT ends at its rating while the load goes on",
    Coarse "coarse" Warning "a channel's steps are too coarse for its load",
    CounterDiffers "counter-differs" Warning "a channel's counter and its power disagree, day after day",
    UntrackedNegative "untracked-negative" Warning "the circuits take more than flows in, beyond what meters err",
}

impl std::fmt::Display for Kind {
    fn fmt(&self, f: &mut std::fmt::Formatter<'_>) -> std::fmt::Result {
        f.write_str(self.as_str())
    }
}

/// One thing that the data shows to be wrong.
#[derive(Clone, Debug)]
pub struct Finding {
    /// What.
    pub kind: Kind,
    /// The circuit or bus that it is about, by id.
    pub about: String,
    /// The channels, as `device/channel`.
    pub channels: Vec<String>,
    /// In a sentence.
    pub what: Said,
    /// The figures behind it.
    pub evidence: Said,
    /// The channel's steps beside those of the feed.
    pub picture: Picture,
    /// 0 to 1: how much better it explains the data than the next best reading of the same CT.
    pub confidence: f64,
    /// What would make it certain.
    pub certain: String,
    /// Line of the map (1-based) that it is about.
    pub line: usize,
    /// What to change in the map; empty where no change of the map mends it.
    pub edits: Vec<Edit>,
    /// What to do, in a sentence.
    pub advice: String,
    /// Why it is taken as it is, if the map's owner says so.
    pub accepted: Option<String>,
}

impl Finding {
    /// Stable while the fault lasts: kind and what it is about.
    pub fn id(&self) -> String {
        format!("{}:{}", self.kind, self.about)
    }

    /// Error, warning; a note if it is accepted.
    pub fn severity(&self) -> Severity {
        if self.accepted.is_some() { Severity::Note } else { self.kind.severity() }
    }
}

/// How well a CT's place in the map is known.
#[derive(Clone, Copy, Debug, PartialEq, Eq)]
pub enum State {
    /// It is as mapped; every other reading of it is ruled out.
    Proven,
    /// A finding is about it.
    Faulty,
    /// It moved, but other readings of it fit as well.
    Open,
    /// It moved too seldom.
    TooFew,
    /// It shows nothing at all: its circuit is not used, or the CT is dead. Readings alone cannot tell.
    Nothing,
    /// Its bus has no feed that is measured.
    NoFeed,
}

impl State {
    /// As in tables and JSON.
    pub fn as_str(self) -> &'static str {
        match self {
            Self::Proven => "proven",
            Self::Faulty => "faulty",
            Self::Open => "open",
            Self::TooFew => "too few events",
            Self::Nothing => "shows nothing",
            Self::NoFeed => "no feed",
        }
    }
}

/// What is known of one CT.
#[derive(Clone, Debug)]
pub struct Proof {
    /// Circuit id.
    pub circuit: String,
    /// `device/channel`.
    pub channel: String,
    /// Bus id, against whose feed it was held.
    pub bus: String,
    /// The verdict.
    pub state: State,
    /// Moments of change that told something.
    pub events: f64,
    /// Coefficient on each leg of the feed with two deviations; `None` is the feed as a whole.
    pub legs: Vec<(Option<Leg>, f64, f64)>,
}

/// The outcome of an audit.
#[derive(Clone, Debug)]
pub struct Report {
    /// Site id.
    pub site: String,
    /// The stretch that was looked at; `None` if there were no readings.
    pub span: Option<Range<Stamp>>,
    /// Errors first.
    pub findings: Vec<Finding>,
    /// Every mapped CT of a circuit.
    pub proofs: Vec<Proof>,
    /// Why a part could not be looked at.
    pub silent: Vec<String>,
}

impl Report {
    /// Findings that nobody has accepted.
    pub fn open(&self) -> impl Iterator<Item = &Finding> {
        self.findings.iter().filter(|finding| finding.accepted.is_none())
    }

    /// How many CTs have that verdict.
    pub fn count(&self, state: State) -> usize {
        self.proofs.iter().filter(|proof| proof.state == state).count()
    }

    /// `12 of 16 channels proven, 4 had too few events`.
    pub fn summary(&self) -> String {
        if self.proofs.is_empty() {
            return "no channel could be looked at".to_owned();
        }
        let mut text = format!("{} of {} channels proven", self.count(State::Proven), self.proofs.len());
        let nothing = match self.count(State::Nothing) {
            1 => "shows nothing at all (unused, or dead: switch something on there)",
            _ => "show nothing at all (unused, or dead: switch something on there)",
        };
        let parts = [
            (State::Faulty, "with a finding"),
            (State::Open, "moved, but not in a way that rules everything else out"),
            (State::TooFew, "had too few events"),
            (State::Nothing, nothing),
            (State::NoFeed, "on a panel without a measured feed"),
        ];
        for (state, words) in parts {
            let count = self.count(state);
            if count > 0 {
                text.push_str(&format!(", {count} {words}"));
            }
        }
        text
    }
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn the_summary_reads_as_a_sentence() {
        let check = |states: &[State], expected: &str| {
            let proof = |state: &State| Proof {
                circuit: "range".into(),
                channel: "house/5".into(),
                bus: "main".into(),
                state: *state,
                events: 0.0,
                legs: Vec::new(),
            };
            let proofs = states.iter().map(proof).collect();
            let report =
                Report { site: "shed".into(), span: None, findings: Vec::new(), proofs, silent: Vec::new() };
            assert_eq!(report.summary(), expected);
        };
        use State::{Nothing, Proven, TooFew};
        let hint = "(unused, or dead: switch something on there)";
        check(&[], "no channel could be looked at");
        check(&[Proven, Proven], "2 of 2 channels proven");
        check(&[Proven, Nothing], &format!("1 of 2 channels proven, 1 shows nothing at all {hint}"));
        check(
            &[Nothing, Nothing, TooFew],
            &format!("0 of 3 channels proven, 1 had too few events, 2 show nothing at all {hint}"),
        );
    }
}
