//! What a map says of EV chargers that follow the sun, and of the watch over breakers.
//!
//! Nothing of it is a protective function: the figures are advice, and a breaker or a listed energy
//! management system is what protects a conductor.

use std::fmt;

use crate::units::Span;

/// The part of a breaker's rating that a load of three hours or more may use: a breaker carries 125 %
/// of a continuous load (NEC 210.20(A), 215.3, 625.42).
pub const CONTINUOUS_PART: f64 = 0.8;

/// How long a load has to last to be a continuous one (NEC Article 100, "continuous load").
pub const CONTINUOUS_AFTER: Span = Span::from_seconds(3 * 3600);

/// The least current that a charger can offer a car; between 0 and this there is nothing (SAE J1772,
/// IEC 61851-1).
pub const LEAST_A: f64 = 6.0;

/// The most that one charger is planned for here: 80 A is the most that SAE J1772 signals for AC.
pub const MOST_A: f64 = 80.0;

/// How a charger is to be led.
#[derive(Clone, Copy, Debug, Default, PartialEq, Eq, PartialOrd, Ord, Hash)]
pub enum Mode {
    /// No charging.
    #[default]
    Off,
    /// Only what would leave the site otherwise.
    SurplusOnly,
    /// The least current always, and more with the surplus.
    SurplusAndMinimum,
    /// As much as the limits allow.
    Full,
}

impl Mode {
    /// Every mode.
    pub const ALL: [Self; 4] = [Self::Off, Self::SurplusOnly, Self::SurplusAndMinimum, Self::Full];

    /// How maps and people write it.
    pub const fn as_str(self) -> &'static str {
        match self {
            Self::Off => "off",
            Self::SurplusOnly => "surplus only",
            Self::SurplusAndMinimum => "surplus + minimum",
            Self::Full => "full",
        }
    }

    /// The mode that a word stands for.
    pub fn from_word(word: &str) -> Option<Self> {
        Self::ALL.into_iter().find(|mode| mode.as_str() == word)
    }
}

impl fmt::Display for Mode {
    fn fmt(&self, f: &mut fmt::Formatter<'_>) -> fmt::Result {
        f.write_str(self.as_str())
    }
}

/// Which of two stores gets the surplus first.
#[derive(Clone, Copy, Debug, Default, PartialEq, Eq)]
pub enum First {
    /// What goes into the battery is not there for the car.
    #[default]
    Battery,
    /// What goes into the battery counts as surplus: the car may take it.
    Car,
}

/// How several chargers share what there is.
#[derive(Clone, Copy, Debug, Default, PartialEq, Eq)]
pub enum Sharing {
    /// The first takes what it can, the next what is left.
    #[default]
    PriorityOrder,
    /// In equal parts, as far as each has at least its least current.
    Shared,
}

/// How a site's EV chargers are advised, and its breakers watched.
#[derive(Clone, Debug, Default, PartialEq)]
pub struct Loading {
    /// The chargers, by priority, then in the order of the map.
    pub evs: Vec<Ev>,
    /// How they share.
    pub sharing: Sharing,
    /// Rating in A of the breaker of a branch that all chargers share, if they do.
    pub branch_a: Option<f64>,
    /// Over how long the highest current of a leg counts as its present one.
    pub headroom_over: Span,
    /// The watch over breakers and legs.
    pub watch: Watch,
}

impl Loading {
    /// Default of [`Loading::headroom_over`]: a compressor or well pump comes back within it.
    pub const HEADROOM_OVER: Span = Span::from_seconds(300);
}

/// An EV charger that gets advice.
#[derive(Clone, Debug, PartialEq)]
pub struct Ev {
    /// Index into [`super::Site::circuits`].
    pub circuit: usize,
    /// Conductors that carry the current at `volts` each: 1 or 3.
    pub phases: u8,
    /// Volts that one ampere is multiplied by, for each phase: 240 or 208 between two legs, 120 on one.
    pub volts: f64,
    /// Rating of its own breaker in A.
    pub breaker_a: f64,
    /// How it is led until somebody says otherwise.
    pub mode: Mode,
    /// The least current of charger and car in A; at least [`LEAST_A`].
    pub minimum_a: f64,
    /// The most that charger and car take in A.
    pub maximum_a: f64,
    /// Currents are multiples of this: 1 A or 0.1 A.
    pub step_a: f64,
    /// 1 is served first.
    pub priority: u8,
    /// A falling surplus is the mean over this time.
    pub fall: Span,
    /// A rising surplus is the mean over this time.
    pub rise: Span,
    /// Surplus in W from which it may start.
    pub start_w: f64,
    /// Surplus in W below which it is to stop.
    pub stop_w: f64,
    /// How long the surplus has to stay above the start line.
    pub start_after: Span,
    /// How long it has to stay below the stop line, in seconds without any surplus: one that is half of the
    /// line counts half, what comes back is taken off, and starts of the last hours make it longer.
    pub stop_after: Span,
    /// The shortest charge.
    pub minimum_on: Span,
    /// The shortest pause.
    pub minimum_off: Span,
    /// The most starts in twelve hours; 0 is no limit.
    pub most_starts: u8,
    /// The part of the charging power that may come from the grid, 0 to 1.
    pub grid_share: f64,
    /// How long the last advice stands when a figure that it rests on is not known any more.
    pub hold: Span,
    /// Whether a battery is served first.
    pub first: First,
    /// Line of the map file (1-based).
    pub line: usize,
}

impl Ev {
    // The defaults are what the closed loop over a year does well with; `docs/surplus.md` has its table.
    /// Default of [`Ev::fall`].
    pub const FALL: Span = Span::from_seconds(2);
    /// Default of [`Ev::rise`].
    pub const RISE: Span = Span::from_seconds(10);
    /// Default of [`Ev::start_w`] as a part of what the least current needs: a start at dawn that the next
    /// kettle ends is not worth it.
    pub const START_PART: f64 = 1.2;
    /// Default of [`Ev::start_after`].
    pub const START_AFTER: Span = Span::from_seconds(15);
    /// Default of [`Ev::stop_after`].
    pub const STOP_AFTER: Span = Span::from_seconds(110);
    /// Default of [`Ev::minimum_on`].
    pub const MINIMUM_ON: Span = Span::from_seconds(180);
    /// Default of [`Ev::minimum_off`].
    pub const MINIMUM_OFF: Span = Span::from_seconds(180);
    /// Default of [`Ev::most_starts`].
    pub const MOST_STARTS: u8 = 8;
    /// Default of [`Ev::hold`].
    pub const HOLD: Span = Span::from_seconds(15);

    /// Watts of one ampere.
    pub fn watts_per_amp(&self) -> f64 {
        self.volts * f64::from(self.phases)
    }

    /// The largest current that its breaker carries for hours, in A.
    pub fn breaker_limit_a(&self) -> f64 {
        CONTINUOUS_PART * self.breaker_a
    }
}

/// What the watch over breakers and legs takes as too much.
#[derive(Clone, Debug, PartialEq)]
pub struct Watch {
    /// How long a current above the rating of its breaker has to last.
    pub over_after: Span,
    /// The difference between the most and the least loaded leg that is too much, in A; `None` where
    /// neither the map nor the main breaker gives one.
    pub imbalance_a: Option<f64>,
    /// How long such a difference has to last.
    pub imbalance_after: Span,
    /// An alert ends below this part of the line at which it began.
    pub clears_below: f64,
    /// How long the current has to stay below.
    pub clears_after: Span,
}

impl Default for Watch {
    /// Common practice, no source: breakers bear small overloads for minutes, so that one minute
    /// warns before most of them trip; legs that differ by 40 % of the main are worth a look.
    fn default() -> Self {
        Self {
            over_after: Span::from_seconds(60),
            imbalance_a: None,
            imbalance_after: Span::from_seconds(1800),
            clears_below: 0.95,
            clears_after: Span::from_seconds(300),
        }
    }
}

/// Default of [`Watch::imbalance_a`] as a part of the main breaker.
pub(super) const IMBALANCE_PART: f64 = 0.4;
