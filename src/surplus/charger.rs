//! One charger: off or on, how much, and why.
//!
//! The state changes seldom, so that the contactor is spared: it starts only after the surplus has
//! been above the start line for a while, goes on at its least current through a short cloud, and
//! keeps a shortest charge and a shortest pause. What has to be obeyed at once (a limit, a figure that is
//! lost, somebody's order to stop) ends a charge before its shortest time; nothing ends a pause early.

use std::collections::VecDeque;

use super::share::Wish;
use super::types::{Advice, Reason, Settings};
use super::window::Mean;
use crate::site::{Ev, Leg, Mode};
use crate::units::{Span, Stamp};

/// Rounding of sums and products must not cost a step.
const SLACK: f64 = 1e-6;
/// The time in which a charger may start as often as the map allows: a day with sun.
const STARTS_WITHIN: Span = Span::from_seconds(12 * 3600);
/// Starts that make it more patient.
const LATELY: Span = Span::from_seconds(2 * 3600);
/// How many starts are remembered where the map does not limit them.
const STARTS_KEPT: usize = 12;
/// What each start of the last hours adds to the patience with clouds.
const PATIENCE: f64 = 0.5;

/// What a charger asks for.
#[derive(Clone, Copy, Debug, PartialEq)]
pub(super) struct Ask {
    /// 0, or at least its least current; a multiple of its step.
    pub amps: f64,
    pub reason: Reason,
}

/// For how long the surplus has been too small, in seconds of a surplus of nothing.
///
/// A cloud that leaves four fifths of what the least current needs costs the grid a fifth of what darkness
/// does, and may last five times as long; what comes back counts against it. So short and thin clouds
/// are sat out, and thick ones end a charge.
#[derive(Clone, Copy, Debug, Default)]
struct Missed {
    at: Option<Stamp>,
    seconds: f64,
}

/// Below the line, a second counts for this part at least: a charge has to end some time.
const COUNTS_AT_LEAST: f64 = 0.2;

impl Missed {
    fn see(&mut self, at: Stamp, share_w: f64, line_w: f64) {
        let passed = self.at.map_or(0.0, |before| (at - before).as_seconds());
        self.at = Some(at);
        let part = match share_w < line_w {
            true => ((line_w - share_w) / line_w.max(1.0)).clamp(COUNTS_AT_LEAST, 1.0),
            false => -1.0,
        };
        self.seconds = (self.seconds + passed * part).max(0.0);
    }
}

/// A charger's state.
#[derive(Clone, Debug)]
pub(super) struct Charger {
    pub ev: Ev,
    /// The legs that carry its current.
    pub legs: Vec<Leg>,
    pub settings: Settings,
    /// The surplus in W: the mean that is followed downwards, and the one that is followed upwards.
    fall: Mean,
    rise: Mean,
    on: bool,
    /// Since when it is on, or off.
    since: Option<Stamp>,
    /// Since when the surplus is above the start line.
    above: Option<Stamp>,
    /// For how long the surplus has been below the stop line, by what is missing; see [`Missed`].
    missed: Missed,
    /// When everything that the advice rests on was known last.
    known: Option<Stamp>,
    /// When it started in the last twelve hours; at most [`Ev::most_starts`] of them.
    starts: VecDeque<Stamp>,
    /// Energy taken since the target was set, in Ws; and whether the target asks for full current.
    taken_ws: f64,
    urgent: bool,
    current_a: f64,
    reason: Reason,
    why: String,
}

impl Charger {
    pub fn new(ev: Ev, legs: Vec<Leg>) -> Self {
        Self {
            settings: Settings { mode: ev.mode, ..Settings::default() },
            fall: Mean::new(ev.fall),
            rise: Mean::new(ev.rise),
            ev,
            legs,
            on: false,
            since: None,
            above: None,
            missed: Missed::default(),
            known: None,
            starts: VecDeque::new(),
            taken_ws: 0.0,
            urgent: false,
            current_a: 0.0,
            reason: Reason::Unknown,
            why: String::new(),
        }
    }

    /// Goes on as another one was.
    pub fn go_on(&mut self, before: &Self) {
        *self = Self { ev: self.ev.clone(), ..before.clone() };
    }

    /// Whether what it takes follows the surplus: then it is a part of it, and no load.
    pub fn follows(&self) -> bool {
        !self.urgent && matches!(self.settings.mode, Mode::SurplusOnly | Mode::SurplusAndMinimum)
    }

    /// Starts anew: off, nothing known. What it was told stays.
    pub fn reset(&mut self, at: Stamp) {
        self.fall.clear();
        self.rise.clear();
        (self.above, self.known) = (None, None);
        self.missed = Missed::default();
        self.on = false;
        self.since = Some(at);
        self.current_a = 0.0;
    }

    /// Takes in a tick: the surplus, and whether all else that the advice rests on is known.
    pub fn see(&mut self, at: Stamp, surplus_w: Option<f64>, known: bool) {
        self.since.get_or_insert(at);
        self.fall.push(at, surplus_w);
        self.rise.push(at, surplus_w);
        // At full current it rests on the room of the service alone.
        if known && (surplus_w.is_some() || !self.follows()) {
            self.known = Some(at);
        }
    }

    /// Counts what went into the car towards its target, and sees whether that has become urgent.
    pub fn count(&mut self, at: Stamp, watts: Option<f64>, passed: Span) {
        let Some(target) = self.settings.target else {
            self.urgent = false;
            return;
        };
        self.taken_ws += watts.unwrap_or(0.0).max(0.0) * passed.as_seconds();
        let missing_ws = target.kwh * 3_600_000.0 - self.taken_ws;
        if missing_ws <= 0.0 || at >= target.by {
            self.settings.target = None;
            self.urgent = false;
            return;
        }
        // A twentieth in hand: a car does not take to the watt what it is offered.
        let full_w = self.top().0 * self.ev.watts_per_amp() * 0.95;
        let left_ws = full_w * (target.by - at).as_seconds();
        self.urgent = self.urgent || missing_ws >= left_ws;
    }

    /// What it was told has changed.
    pub fn told(&mut self, settings: Settings) {
        if settings.target != self.settings.target {
            self.taken_ws = 0.0;
            self.urgent = false;
        }
        self.settings = settings;
    }

    /// The surplus that is there for it, in W: it falls with the shorter mean and rises with the longer.
    pub fn surplus_w(&self) -> Option<f64> {
        Some(self.fall.get()?.min(self.rise.get()?))
    }

    /// The most that the charger, its breaker and a cap allow, and which of them it is.
    fn top(&self) -> (f64, Reason) {
        let mut top = (self.ev.maximum_a, Reason::Maximum);
        for (amps, reason) in [
            (self.ev.breaker_limit_a(), Reason::Breaker),
            (self.settings.cap_a.unwrap_or(f64::INFINITY), Reason::Cap),
        ] {
            if amps < top.0 {
                top = (amps, reason);
            }
        }
        top
    }

    /// What it asks for, with `share_w` of the surplus for it.
    pub fn ask(&mut self, at: Stamp, share_w: Option<f64>) -> Ask {
        let top = self.top();
        let none = |reason| Ask { amps: 0.0, reason };
        if self.settings.mode == Mode::Off && !self.urgent {
            self.above = None;
            return none(Reason::ModeOff);
        }
        if self.quantised(top.0) < self.ev.minimum_a {
            return none(top.1);
        }
        match self.known {
            Some(known) if known == at => {}
            Some(known) if at - known < self.ev.hold => {
                return Ask { amps: self.current_a.min(self.quantised(top.0)), reason: Reason::Holding };
            }
            _ => {
                self.above = None;
                return none(Reason::Unknown);
            }
        }
        let share_w = share_w.unwrap_or(f64::NEG_INFINITY);
        let above = share_w >= self.ev.start_w;
        self.above = if above { self.above.or(Some(at)) } else { None };
        self.missed.see(at, share_w, self.ev.stop_w);
        if !self.on && !self.rested(at) {
            return none(Reason::Pausing);
        }
        match self.settings.mode {
            _ if self.urgent => self.at_top(top, Reason::Target),
            Mode::Full => self.at_top(top, Reason::Full),
            Mode::SurplusAndMinimum => self.following(share_w, top, Reason::Minimum),
            Mode::SurplusOnly | Mode::Off if self.on => self.going_on(at, share_w, top),
            Mode::SurplusOnly | Mode::Off => self.starting(at, share_w, top),
        }
    }

    /// Whether it has paused for long enough; where the sun decides, also until a start is twelve hours old
    /// once there are as many as the map allows.
    fn rested(&self, at: Stamp) -> bool {
        let sun_decides = !self.urgent && self.settings.mode == Mode::SurplusOnly;
        let most = usize::from(self.ev.most_starts);
        let spent = sun_decides && most > 0 && self.starts_within(at, STARTS_WITHIN) >= most;
        !spent && self.since.is_some_and(|since| at - since >= self.ev.minimum_off)
    }

    fn starts_within(&self, at: Stamp, span: Span) -> usize {
        self.starts.iter().filter(|start| at - **start < span).count()
    }

    /// For how long the surplus may be below the stop line: half as long again with each start of the last
    /// two hours, so that a sky of broken clouds is sat out rather than switched through.
    fn patience_s(&self, at: Stamp) -> f64 {
        self.ev.stop_after.as_seconds() * (1.0 + PATIENCE * self.starts_within(at, LATELY) as f64)
    }

    fn at_top(&self, top: (f64, Reason), reason: Reason) -> Ask {
        let reason = if top.1 == Reason::Maximum { reason } else { top.1 };
        Ask { amps: self.quantised(top.0), reason }
    }

    fn starting(&self, at: Stamp, share_w: f64, top: (f64, Reason)) -> Ask {
        match self.above {
            None => Ask { amps: 0.0, reason: Reason::BelowStart },
            Some(above) if at - above < self.ev.start_after => Ask { amps: 0.0, reason: Reason::Starting },
            Some(_) => self.following(share_w, top, Reason::Surplus),
        }
    }

    fn going_on(&self, at: Stamp, share_w: f64, top: (f64, Reason)) -> Ask {
        let too_short = || self.since.is_some_and(|since| at - since < self.ev.minimum_on);
        match self.missed.seconds {
            0.0 => self.following(share_w, top, Reason::Surplus),
            seconds if seconds < self.patience_s(at) => self.following(share_w, top, Reason::Ending),
            _ if too_short() => self.following(share_w, top, Reason::MinimumTime),
            _ => Ask { amps: 0.0, reason: Reason::BelowStart },
        }
    }

    /// The current that the surplus covers, and not less than the least; `low` is why it is that.
    fn following(&self, share_w: f64, top: (f64, Reason), low: Reason) -> Ask {
        let own = 1.0 - self.ev.grid_share;
        let covered = if own > 0.0 { share_w / own / self.ev.watts_per_amp() } else { f64::INFINITY };
        let least = self.ev.minimum_a;
        if covered >= top.0 {
            return self.at_top(top, Reason::Maximum);
        }
        let amps = self.quantised(covered);
        match amps < least {
            true => Ask { amps: least, reason: low },
            false => Ask { amps, reason: Reason::Surplus },
        }
    }

    /// Down to a multiple of the step.
    pub fn quantised(&self, amps: f64) -> f64 {
        let steps = (amps / self.ev.step_a + SLACK).floor();
        // A tenth is no binary number: 13.1, not 13.100000000000001.
        (steps * self.ev.step_a * 10.0).round() / 10.0
    }

    /// Settles on what it gets; `bound` is why that is less than it asked for.
    pub fn settle(&mut self, at: Stamp, ask: Ask, granted_a: f64, bound: Option<Reason>) {
        let amps = self.quantised(granted_a);
        let amps = if amps < self.ev.minimum_a { 0.0 } else { amps };
        let reason = if amps < ask.amps { bound.unwrap_or(ask.reason) } else { ask.reason };
        let on = amps > 0.0;
        if on != self.on {
            if on {
                self.starts.push_back(at);
                while self.starts.len() > usize::from(self.ev.most_starts).max(STARTS_KEPT) {
                    self.starts.pop_front();
                }
            }
            self.on = on;
            self.since = Some(at);
            self.missed = Missed::default();
        }
        if self.why.is_empty() || amps != self.current_a || reason != self.reason {
            (self.current_a, self.reason) = (amps, reason);
            self.why = self.explain();
        }
    }

    /// Why the current is what it is, in one line.
    fn explain(&self) -> String {
        let ev = &self.ev;
        let amps = self.current_a;
        let surplus = self.surplus_w().unwrap_or(0.0);
        let seconds = |span: Span| span.as_seconds();
        match self.reason {
            Reason::Surplus => format!("{amps} A: covered by a surplus of {surplus:.0} W"),
            Reason::Maximum => {
                format!("{amps} A: a surplus of {surplus:.0} W covers the most that is set for it")
            }
            Reason::BelowStart => format!(
                "0 A: a surplus of {surplus:.0} W; it starts from {:.0} W that last for {} s",
                ev.start_w,
                seconds(ev.start_after)
            ),
            Reason::Starting => format!(
                "0 A: the surplus is above {:.0} W; it starts once that has lasted for {} s",
                ev.start_w,
                seconds(ev.start_after)
            ),
            Reason::Pausing => {
                format!(
                    "0 A: a pause lasts {} s at least, and longer after several starts",
                    seconds(ev.minimum_off)
                )
            }
            Reason::Ending => format!(
                "{amps} A: the surplus was below {:.0} W; it stops once it has been missing for {} s or more",
                ev.stop_w,
                seconds(ev.stop_after)
            ),
            Reason::MinimumTime => {
                format!("{amps} A, the least: a charge lasts {} s at least", seconds(ev.minimum_on))
            }
            Reason::Unknown => {
                "0 A: a figure that the surplus or the room of the service needs is not known".to_owned()
            }
            Reason::Holding => {
                format!(
                    "{amps} A, as before: a figure is not known; it becomes 0 A after {} s",
                    seconds(ev.hold)
                )
            }
            Reason::Breaker => format!("{amps} A: 80 % of its breaker of {} A", ev.breaker_a),
            Reason::Headroom if amps > 0.0 => {
                format!("{amps} A: all that the main breaker leaves on its leg")
            }
            Reason::Headroom => "0 A: the main breaker leaves less than the least current".to_owned(),
            Reason::Branch => format!("{amps} A: its part of 80 % of the branch that chargers share"),
            Reason::Cap => format!("{amps} A: the cap that was set"),
            Reason::Full => format!("{amps} A: the mode is full"),
            Reason::Target => format!("{amps} A: the target needs full current to be reached in time"),
            Reason::Minimum => format!("{amps} A, the least, which the mode keeps"),
            Reason::ModeOff => "0 A: the mode is off".to_owned(),
        }
    }

    /// The advice of this tick; `room_a` is what branch and legs leave it.
    pub fn advice(&self, at: Stamp, room_a: Option<f64>) -> Advice {
        let top = self.top().0;
        Advice {
            circuit: self.ev.circuit,
            settings: self.settings,
            current_a: self.current_a,
            reason: self.reason,
            why: self.why.clone(),
            since: self.since.unwrap_or(at),
            surplus_w: self.surplus_w(),
            limit_a: room_a.map(|room| room.min(top).max(0.0)),
        }
    }

    /// Whether it has been offered a current for `after` and takes none.
    pub fn is_idle(&self, at: Stamp, taken_w: Option<f64>, after: Span) -> bool {
        let least_w = self.ev.minimum_a * self.ev.watts_per_amp();
        let long = self.since.is_some_and(|since| at - since >= after);
        self.on && long && taken_w.is_some_and(|watts| watts < 0.1 * least_w)
    }

    /// What it asks of branch and legs.
    pub fn wish(&self, amps: f64) -> Wish {
        Wish { amps, least: self.ev.minimum_a, legs: self.legs.clone() }
    }

    /// What it could use of the surplus, in W.
    pub fn wish_w(&self) -> Wish {
        let amps = self.top().0 * (1.0 - self.ev.grid_share);
        Wish { amps: amps * self.ev.watts_per_amp(), least: self.ev.stop_w.max(0.0), legs: Vec::new() }
    }

    pub fn current_a(&self) -> f64 {
        self.current_a
    }

    pub fn is_on(&self) -> bool {
        self.on
    }
}
