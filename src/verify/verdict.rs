//! What a load step proved.

use std::fmt;

use crate::said::Said;

/// The verdict in one word, for programs.
#[derive(Clone, Copy, Debug, PartialEq, Eq, PartialOrd, Ord, Hash)]
pub enum Kind {
    /// The map is true of this circuit.
    AsMapped,
    /// Its CT is turned round.
    Reversed,
    /// Another circuit's CT moved.
    WrongCt,
    /// A 240 V load on one CT, and not doubled.
    NotDoubled,
    /// Doubled, but the load draws from one leg only.
    DoubledOneLeg,
    /// Doubled, but the legs draw differently.
    DoubledUnbalanced,
    /// It is on another leg than the map says.
    WrongLeg,
    /// Its CT moved, the feed did not.
    OnNoLeg,
    /// Its CT moved by a fraction of what the feed did.
    Fraction,
    /// Its CT moved by more than the feed did.
    TooMuch,
    /// Further CTs moved with it.
    SeveralCts,
    /// The feed moved, and no CT did.
    NoCtMoved,
    /// Too few switchings so far.
    TooFew,
    /// Nothing moved.
    NothingMoved,
}

impl Kind {
    /// Every kind.
    pub const ALL: [Self; 14] = [
        Self::AsMapped,
        Self::Reversed,
        Self::WrongCt,
        Self::NotDoubled,
        Self::DoubledOneLeg,
        Self::DoubledUnbalanced,
        Self::WrongLeg,
        Self::OnNoLeg,
        Self::Fraction,
        Self::TooMuch,
        Self::SeveralCts,
        Self::NoCtMoved,
        Self::TooFew,
        Self::NothingMoved,
    ];

    /// Its name in answers and in the store.
    pub fn as_str(self) -> &'static str {
        match self {
            Self::AsMapped => "as-mapped",
            Self::Reversed => "reversed",
            Self::WrongCt => "wrong-ct",
            Self::NotDoubled => "not-doubled",
            Self::DoubledOneLeg => "doubled-one-leg",
            Self::DoubledUnbalanced => "doubled-unbalanced",
            Self::WrongLeg => "wrong-leg",
            Self::OnNoLeg => "on-no-leg",
            Self::Fraction => "fraction",
            Self::TooMuch => "too-much",
            Self::SeveralCts => "several-cts",
            Self::NoCtMoved => "no-ct-moved",
            Self::TooFew => "too-few",
            Self::NothingMoved => "nothing-moved",
        }
    }

    /// The kind of that name.
    pub fn parse(name: &str) -> Option<Self> {
        Self::ALL.into_iter().find(|kind| kind.as_str() == name)
    }

    /// In a few words, for people.
    pub fn words(self) -> &'static str {
        match self {
            Self::AsMapped => "as mapped",
            Self::Reversed => "reversed",
            Self::WrongCt => "wrong CT",
            Self::NotDoubled => "not doubled",
            Self::DoubledOneLeg => "doubled, and on one leg",
            Self::DoubledUnbalanced => "doubled, and unbalanced",
            Self::WrongLeg => "wrong leg",
            Self::OnNoLeg => "on no leg",
            Self::Fraction => "CT moved by a fraction",
            Self::TooMuch => "CT moved by too much",
            Self::SeveralCts => "several CTs moved",
            Self::NoCtMoved => "no CT moved",
            Self::TooFew => "too few switchings",
            Self::NothingMoved => "nothing moved",
        }
    }

    /// Whether it says something about the map; else it is to be tried again.
    pub fn is_settled(self) -> bool {
        !matches!(self, Self::TooFew | Self::NothingMoved)
    }
}

impl fmt::Display for Kind {
    fn fmt(&self, f: &mut fmt::Formatter<'_>) -> fmt::Result {
        f.write_str(self.words())
    }
}

/// What to change in the map.
#[derive(Clone, Debug, PartialEq, Eq)]
pub struct Mend {
    /// Line of the map file (1-based).
    pub line: usize,
    /// What to write there.
    pub write: String,
}

/// What a load step proved of one circuit.
#[derive(Clone, Debug, PartialEq)]
pub struct Verdict {
    /// The circuit's id.
    pub circuit: String,
    /// The verdict.
    pub kind: Kind,
    /// In a sentence, with its figures.
    pub what: Said,
    /// What moved, by name, in W at switching on: channels of the circuit first, then the legs, then others.
    pub moved: Vec<(String, f64)>,
    /// How often the load was switched, on or off.
    pub switchings: usize,
    /// What the map should say instead, where that follows.
    pub mend: Option<Mend>,
    /// What to do at the panel or to try next.
    pub next: String,
}
