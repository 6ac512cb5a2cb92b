//! The watch over breakers: what carries too much for too long.
//!
//! A breaker carries 125 % of a load that lasts for three hours or more (NEC Article 100, 210.20(A)),
//! so such a load may use 80 % of its rating. Three things are watched, each with a time that it has
//! to last, and a lower line below which it has to fall, for a while, before the alert ends:
//!
//! - more than 80 % of a breaker's rating for 3 h: a circuit's, or the main breaker's on a leg
//! - more than its rating for a settable time
//! - legs whose currents differ by much
//!
//! Currents come from watts over nominal volts (see `headroom` for what that leaves out), as means
//! over ten seconds. It is advice: the breaker protects, and does not wait for a message.

use super::headroom::leg_volts;
use super::types::{Alert, AlertKind, Severity, Subject};
use crate::flow::Flows;
use crate::site::{
    CONTINUOUS_AFTER, CONTINUOUS_PART, ChannelIndex, CircuitEntry, FigureKey, Leg, Part, Site, System,
};
use crate::units::{ONE, Span, Stamp};

/// Currents are judged by their means over this time: a motor's start is no load.
const BLOCK: Span = Span::from_seconds(10);
/// A mean of a block counts if at least half of its ticks are known.
const ENOUGH: u32 = 5;
/// A CT of class 1 is off by up to 1 % at its rating (IEC 61869-2), and a household's voltage by some
/// percent: a charger that uses its 80 % to the full must not raise an alert all night.
const TOLERANCE: f64 = 1.02;

/// One thing whose current is watched.
#[derive(Clone, Debug)]
struct Meter {
    subject: Subject,
    sum_a: f64,
    count: u32,
    lines: Vec<Line>,
}

/// A line that a current may cross.
#[derive(Clone, Debug)]
struct Line {
    kind: AlertKind,
    after: Span,
    /// Start of the first block above it.
    above: Option<Stamp>,
    /// Start of the first block below the lower line since.
    calm: Option<Stamp>,
    active: bool,
    worst_a: f64,
}

impl Line {
    fn new(kind: AlertKind, after: Span) -> Self {
        Self { kind, after, above: None, calm: None, active: false, worst_a: 0.0 }
    }

    /// A block's mean current and the line that it may not cross.
    fn see(&mut self, block: Stamp, amps: Option<f64>, limit_a: f64, clears: (f64, Span)) {
        let end = block + BLOCK;
        let calm = match amps {
            Some(amps) if amps > limit_a => {
                self.above.get_or_insert(block);
                self.calm = None;
                self.worst_a = self.worst_a.max(amps);
                false
            }
            // What is not known cannot be said to go on.
            Some(amps) => amps < limit_a * clears.0,
            None => true,
        };
        if calm && !self.active {
            self.forget();
        } else if calm {
            let since = *self.calm.get_or_insert(block);
            if end - since >= clears.1 {
                self.forget();
            }
        } else {
            self.calm = None;
        }
        self.active |= self.above.is_some_and(|above| end - above >= self.after);
    }

    fn forget(&mut self) {
        *self = Self::new(self.kind, self.after);
    }
}

/// Everything that a site's map lets be watched.
#[derive(Clone, Debug)]
pub(super) struct Watch {
    meters: Vec<Meter>,
    block: Option<Stamp>,
    alerts: Vec<Alert>,
}

impl Watch {
    pub fn new(site: &Site) -> Self {
        let spec = &site.loading.watch;
        let loading = || {
            vec![
                Line::new(AlertKind::Over, spec.over_after),
                Line::new(AlertKind::Continuous, CONTINUOUS_AFTER),
            ]
        };
        let meter = |subject, lines| Meter { subject, sum_a: 0.0, count: 0, lines };
        let watched = |entry: &CircuitEntry| entry.breaker_a.is_some() && !entry.terms.is_empty();
        let circuits = site.circuits.iter().enumerate();
        let mut meters: Vec<Meter> = circuits
            .filter(|(_, circuit)| circuit.entries.iter().any(watched))
            .map(|(index, _)| meter(Subject::Circuit(index), loading()))
            .collect();
        if site.service.main_breaker_a.is_some() {
            let legs = site.service.system.legs().iter();
            meters.extend(legs.map(|leg| meter(Subject::Leg(*leg), loading())));
        }
        if spec.imbalance_a.is_some() {
            let line = Line::new(AlertKind::Imbalance, spec.imbalance_after);
            meters.push(meter(Subject::Service, vec![line]));
        }
        Self { meters, block: None, alerts: Vec::new() }
    }

    /// Takes in a tick. Whether the alerts may have changed: [`Watch::alerts`] has them.
    pub fn step(
        &mut self,
        site: &Site,
        flows: &Flows,
        channel: impl Fn(ChannelIndex) -> Option<i64>,
    ) -> bool {
        let block = flows.at.floor(BLOCK);
        let before = self.block.replace(block);
        let turned = before.filter(|before| *before != block);
        if let Some(before) = turned {
            // After a gap, or a clock set back, the block that was open is all that is known.
            self.judge(site, before);
            if block != before + BLOCK {
                self.meters.iter_mut().flat_map(|meter| &mut meter.lines).for_each(Line::forget);
                self.alerts.clear();
            }
        }
        for meter in &mut self.meters {
            if let Some(amps) = amps(site, flows, meter.subject, &channel) {
                meter.sum_a += amps;
                meter.count += 1;
            }
        }
        turned.is_some()
    }

    pub fn alerts(&self) -> &[Alert] {
        &self.alerts
    }

    fn judge(&mut self, site: &Site, block: Stamp) {
        let spec = &site.loading.watch;
        let clears = (spec.clears_below, spec.clears_after);
        let mut alerts = Vec::new();
        for meter in &mut self.meters {
            let amps = (meter.count >= ENOUGH).then(|| meter.sum_a / f64::from(meter.count));
            (meter.sum_a, meter.count) = (0.0, 0);
            let Some(rating_a) = rating(site, meter.subject, block) else {
                meter.lines.iter_mut().for_each(Line::forget);
                continue;
            };
            for line in &mut meter.lines {
                let limit_a = match line.kind {
                    AlertKind::Continuous => CONTINUOUS_PART * rating_a,
                    AlertKind::Over | AlertKind::Imbalance => rating_a,
                };
                line.see(block, amps, limit_a * TOLERANCE, clears);
            }
            alerts.extend(
                meter
                    .lines
                    .iter()
                    .filter(|line| line.active)
                    .map(|line| alert(site, meter.subject, line, rating_a, block)),
            );
        }
        alerts.sort_by_key(|alert| std::cmp::Reverse(alert.severity));
        self.alerts = alerts;
    }
}

/// The breaker that has to bear it, or the difference that is too much, in A.
fn rating(site: &Site, subject: Subject, at: Stamp) -> Option<f64> {
    match subject {
        Subject::Circuit(index) => site.circuits.get(index)?.entry(at)?.breaker_a,
        Subject::Leg(_) => site.service.main_breaker_a,
        Subject::Service => site.loading.watch.imbalance_a,
    }
}

/// The present current, if it is known.
fn amps(
    site: &Site,
    flows: &Flows,
    subject: Subject,
    channel: &impl Fn(ChannelIndex) -> Option<i64>,
) -> Option<f64> {
    let leg_a = |leg: Leg| Some(flows.watts(FigureKey::MainsLeg(leg))?.0 / leg_volts(site.service.system));
    match subject {
        Subject::Circuit(index) => {
            let entry = site.circuits.get(index)?.entry(flows.at)?;
            circuit_amps(site, entry, || flows.watts(FigureKey::Circuit(index)).map(|watts| watts.0), channel)
        }
        Subject::Leg(leg) => leg_a(leg).map(f64::abs),
        Subject::Service => {
            let legs: Option<Vec<f64>> = site.service.system.legs().iter().map(|leg| leg_a(*leg)).collect();
            let legs = legs?;
            let highest = legs.iter().copied().fold(f64::NEG_INFINITY, f64::max);
            Some(highest - legs.iter().copied().fold(f64::INFINITY, f64::min))
        }
    }
}

/// The current of a circuit's most loaded pole, as far as its CTs tell the poles apart.
fn circuit_amps(
    site: &Site,
    entry: &CircuitEntry,
    watts: impl Fn() -> Option<f64>,
    channel: &impl Fn(ChannelIndex) -> Option<i64>,
) -> Option<f64> {
    let poles = match entry.legs.len() {
        0 if entry.doubled => 2,
        0 => entry.spaces.len().max(entry.terms.len()).clamp(1, 3),
        legs => legs,
    };
    let volts = pole_volts(site.service.system, poles);
    let of_poles = entry.terms.len() > 1 && entry.terms.iter().all(|term| term.part == Part::Net);
    if !of_poles || entry.terms.len() != poles {
        return Some(watts()?.abs() / volts / poles as f64);
    }
    let mut highest = 0.0_f64;
    for term in &entry.terms {
        let tenths = channel(ChannelIndex(term.series.0))?;
        highest = highest.max((tenths as f64 / 10.0 * term.millionths as f64 / ONE as f64 / volts).abs());
    }
    Some(highest)
}

/// Volts by which the watts of each pole are divided.
fn pole_volts(system: System, poles: usize) -> f64 {
    match (system, poles) {
        (System::Wye120_208, 2) => leg_volts(system),
        _ => 120.0,
    }
}

fn alert(site: &Site, subject: Subject, line: &Line, rating_a: f64, block: Stamp) -> Alert {
    let place = match subject {
        Subject::Circuit(index) => site.circuits[index].entry(block).map(|entry| entry.label.clone()),
        Subject::Leg(leg) => Some(format!("leg {leg} of the mains")),
        Subject::Service => Some("the legs of the mains".to_owned()),
    };
    let place = place.unwrap_or_default();
    let id = match subject {
        Subject::Circuit(index) => site.circuits[index].id.clone(),
        Subject::Leg(leg) => format!("leg-{}", leg.as_str().to_lowercase()),
        Subject::Service => "service".to_owned(),
    };
    let worst_a = (line.worst_a * 10.0).round() / 10.0;
    let breaker = match subject {
        Subject::Leg(_) => "the main breaker",
        Subject::Circuit(_) | Subject::Service => "its breaker",
    };
    let percent = line.worst_a / rating_a * 100.0;
    let (severity, limit_a, what, advice) = match line.kind {
        AlertKind::Over => (
            Severity::Alarm,
            rating_a,
            format!("{place} carries up to {worst_a} A: {percent:.0} % of {breaker} of {rating_a} A"),
            "switch something off; if the breaker does not trip by itself, have an electrician look at it",
        ),
        AlertKind::Continuous => (
            Severity::Warning,
            CONTINUOUS_PART * rating_a,
            format!(
                "{place} has carried more than 80 % of {breaker} of {rating_a} A for 3 h: up to {worst_a} A"
            ),
            "have an electrician look at load and breaker: for hours on end 80 % is what a breaker is meant \
             for (NEC 210.20)",
        ),
        AlertKind::Imbalance => (
            Severity::Warning,
            rating_a,
            format!("the currents of the legs differ by up to {worst_a} A"),
            "ask an electrician whether 120 V circuits can be moved to the other leg",
        ),
    };
    Alert {
        id: format!("{}/{id}", line.kind.as_str()),
        kind: line.kind,
        severity,
        subject,
        what,
        place,
        since: line.above.unwrap_or(block),
        advice: advice.to_owned(),
        worst_a,
        limit_a,
    }
}
