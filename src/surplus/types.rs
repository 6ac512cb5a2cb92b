//! What goes in and comes out: commands, advice, alerts.

use std::fmt;

use crate::site::{LEAST_A, Leg, MOST_A, Mode};
use crate::units::Stamp;

/// Index into the chargers of a site ([`crate::site::Loading::evs`]).
#[derive(Clone, Copy, Debug, PartialEq, Eq, PartialOrd, Ord, Hash)]
pub struct EvIndex(pub u32);

/// What somebody wants of a charger.
#[derive(Clone, Copy, Debug, PartialEq)]
pub struct Command {
    /// Which charger.
    pub ev: EvIndex,
    /// What.
    pub order: Order,
}

/// One thing that can be ordered.
#[derive(Clone, Copy, Debug, PartialEq)]
pub enum Order {
    /// Lead it so.
    Mode(Mode),
    /// Never advise more than this many amperes; `None` takes the cap off. 0 stops charging.
    Cap(Option<f64>),
    /// Have this much energy in the car by then; `None` takes the target off.
    Target(Option<Target>),
}

/// An energy that is to be in the car by a time of day.
///
/// It holds once: energy counts from the order on, and the target ends when it is reached or its
/// time is over. Until the charger has to go at full current to be in time, its mode stands.
#[derive(Clone, Copy, Debug, PartialEq)]
pub struct Target {
    /// Energy in kWh, above 0.
    pub kwh: f64,
    /// The moment; [`Target::next`] finds it from a time of day.
    pub by: Stamp,
}

/// What a charger was told, beside what the map says of it.
#[derive(Clone, Copy, Debug, Default, PartialEq)]
pub struct Settings {
    /// How it is led.
    pub mode: Mode,
    /// The most that it may be advised, in A.
    pub cap_a: Option<f64>,
    /// What it has to reach.
    pub target: Option<Target>,
}

/// Why a command is not carried out.
#[derive(Clone, Debug, PartialEq, thiserror::Error)]
pub enum Refused {
    /// The site or charger is not there (any more).
    #[error("there is no such charger: the map has an [[ev]] for each that can be led")]
    NoSuchCharger,
    /// A cap that no charger can follow.
    #[error(
        "a cap of {0} A: write 0, or {LEAST_A} to {MOST_A} A; between 0 and {LEAST_A} A there is nothing"
    )]
    Cap(f64),
    /// An energy that is none.
    #[error("a target of {0} kWh: write a number above 0, up to {most}", most = Target::MOST_KWH)]
    Energy(f64),
    /// A time that is over, or further away than a day.
    #[error("the target's time is not within the next 25 hours: write a time of day")]
    Time,
}

/// What a charger is advised in one tick.
#[derive(Clone, Debug, PartialEq)]
pub struct Advice {
    /// Index into [`crate::site::Site::circuits`]: the charger's circuit.
    pub circuit: usize,
    /// What holds for it now.
    pub settings: Settings,
    /// The current that it may offer the car, in A: 0, or at least the least current.
    pub current_a: f64,
    /// Why, as a word for programs.
    pub reason: Reason,
    /// Why, in one line for people.
    pub why: String,
    /// Since when it may charge, or may not.
    pub since: Stamp,
    /// The surplus that is there for it, in W, smoothed; `None` where it is not known.
    pub surplus_w: Option<f64>,
    /// The most that breaker, branch, legs, cap and map leave it, in A; `None` where it is not known.
    pub limit_a: Option<f64>,
}

impl Advice {
    /// Whether it may charge at all.
    pub fn may_charge(&self) -> bool {
        self.current_a > 0.0
    }
}

macro_rules! reasons {
    ($($name:ident $word:literal: $meaning:literal,)*) => {
        /// Why a current is advised.
        #[derive(Clone, Copy, Debug, PartialEq, Eq, Hash)]
        pub enum Reason { $(#[doc = $meaning] $name),* }

        impl Reason {
            /// Every reason.
            pub const ALL: &[Self] = &[$(Self::$name),*];

            /// The word in topics and the API.
            pub const fn as_str(self) -> &'static str {
                match self { $(Self::$name => $word),* }
            }

            /// What it means, in one line.
            pub const fn meaning(self) -> &'static str {
                match self { $(Self::$name => $meaning),* }
            }
        }
    };
}

reasons! {
    ModeOff "mode-off": "The mode is off.",
    Unknown "unknown": "A figure that the advice rests on is not known.",
    Holding "holding": "A figure is not known just now; the last advice stands for a short while.",
    BelowStart "below-start": "The surplus is below the start line.",
    Starting "starting": "The surplus is above the start line, but not for long enough yet.",
    Pausing "pausing": "The shortest pause is not over.",
    Surplus "surplus": "The current follows the surplus.",
    Ending "ending": "The surplus is below the stop line, but not for long enough yet.",
    MinimumTime "minimum-time": "The surplus is below the stop line, and the shortest charge is not over.",
    Minimum "minimum": "The mode keeps the least current.",
    Full "full": "The mode is full.",
    Target "target": "The target needs full current to be reached in time.",
    Maximum "maximum": "The charger takes no more.",
    Cap "cap": "The cap that somebody set.",
    Breaker "breaker": "80 % of the charger's breaker.",
    Branch "branch": "80 % of the branch that chargers share.",
    Headroom "headroom": "80 % of the main breaker, less what its leg carries already.",
}

impl fmt::Display for Reason {
    fn fmt(&self, f: &mut fmt::Formatter<'_>) -> fmt::Result {
        f.write_str(self.as_str())
    }
}

/// How much an alert weighs.
#[derive(Clone, Copy, Debug, PartialEq, Eq, PartialOrd, Ord, Hash)]
pub enum Severity {
    /// Worth a look.
    Warning,
    /// To be looked at soon.
    Alarm,
}

impl Severity {
    /// The word in topics and the API.
    pub const fn as_str(self) -> &'static str {
        match self {
            Self::Warning => "warning",
            Self::Alarm => "alarm",
        }
    }
}

/// What is too much.
#[derive(Clone, Copy, Debug, PartialEq, Eq, PartialOrd, Ord, Hash)]
pub enum AlertKind {
    /// More than the rating of the breaker for some time.
    Over,
    /// More than 80 % of the rating for three hours.
    Continuous,
    /// Legs that carry very different currents.
    Imbalance,
}

impl AlertKind {
    /// The word in topics and the API.
    pub const fn as_str(self) -> &'static str {
        match self {
            Self::Over => "over-rating",
            Self::Continuous => "continuous-load",
            Self::Imbalance => "leg-imbalance",
        }
    }
}

/// What an alert is about.
#[derive(Clone, Copy, Debug, PartialEq, Eq, PartialOrd, Ord, Hash)]
pub enum Subject {
    /// A circuit (index into [`crate::site::Site::circuits`]).
    Circuit(usize),
    /// A leg of the mains.
    Leg(Leg),
    /// The service as a whole.
    Service,
}

/// Something that is too much, for as long as it lasts. Advice, not protection.
#[derive(Clone, Debug, PartialEq)]
pub struct Alert {
    /// Stable while it lasts: `continuous-load/dryer`.
    pub id: String,
    /// What kind.
    pub kind: AlertKind,
    /// How much it weighs.
    pub severity: Severity,
    /// What it is about.
    pub subject: Subject,
    /// What is the case, in one line.
    pub what: String,
    /// Where: a circuit's label, a leg, the service.
    pub place: String,
    /// Since when the current was too high (before the alert began).
    pub since: Stamp,
    /// What to do about it.
    pub advice: String,
    /// The highest current (or difference of currents) since then, in A: a minute's mean.
    pub worst_a: f64,
    /// What it has to stay below, in A.
    pub limit_a: f64,
}

/// What one leg of the service still has room for, in A. Advice, not protection.
#[derive(Clone, Copy, Debug, PartialEq)]
pub struct LegRoom {
    /// Which leg.
    pub leg: Leg,
    /// The highest current of the last minutes without the chargers; `None` where it is not known.
    pub highest_a: Option<f64>,
    /// 80 % of the main breaker less that.
    pub room_a: Option<f64>,
}

/// Everything that a site is advised in one tick.
#[derive(Clone, Debug, Default, PartialEq)]
pub struct Guidance {
    /// For each charger of the map, in the order of [`crate::site::Loading::evs`].
    pub advice: Vec<Advice>,
    /// The room on each leg, where the map has a main breaker and the mains CTs' legs.
    pub legs: Vec<LegRoom>,
    /// What is too much now, the gravest first.
    pub alerts: Vec<Alert>,
}

impl Guidance {
    /// Whether something else is advised than in `said`; powers that moved a little do not count.
    pub fn differs(&self, said: &Self) -> bool {
        let advice = |advice: &Advice| (advice.circuit, advice.settings, advice.current_a, advice.reason);
        let alert = |alert: &Alert| (alert.severity, alert.limit_a);
        self.advice.len() != said.advice.len()
            || self.alerts.len() != said.alerts.len()
            || self.advice.iter().zip(&said.advice).any(|(new, old)| advice(new) != advice(old))
            || self
                .alerts
                .iter()
                .zip(&said.alerts)
                .any(|(new, old)| new.id != old.id || alert(new) != alert(old))
    }
}
