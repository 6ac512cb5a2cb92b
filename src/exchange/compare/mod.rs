//! The utility's meter against the mains CTs, interval by interval.
//!
//! Only intervals that the CTs cover wholly, and that the utility measured itself, are compared. The
//! *error* is what the CTs counted over what the meter counted, less 1; one factor on all mains CTs
//! (their `scale`) mends it, since import, export and net all grow by the same factor. What a factor
//! cannot mend shows as drift over the weeks and as intervals that disagree.

mod pairs;
#[cfg(test)]
mod tests;

pub use pairs::{Measured, Pair, Pairs, pairs};

use crate::calendar::Interval;
use crate::units::{Span, Stamp};

/// How far apart two honest instruments may be, in percent: their limits add up.
#[derive(Clone, Copy, Debug, PartialEq)]
pub struct Tolerance {
    /// What the CTs may be off.
    pub ct_percent: f64,
    /// What the utility's meter may be off.
    pub meter_percent: f64,
}

impl Tolerance {
    /// The limits of accuracy classes: of the CT at 20 % of its rated current (IEC 61869-2: 1.5 %, 0.75 %
    /// and 0.35 % for the classes 1, 0.5 and 0.2), since a house draws far below what its mains CTs are
    /// rated for; of the meter the class itself (ANSI C12.20, IEC 62053-22). `None` for another class.
    pub fn of_classes(ct: &str, meter: &str) -> Option<Self> {
        let ct_percent = match ct {
            "1" => 1.5,
            "0.5" => 0.75,
            "0.2" => 0.35,
            _ => return None,
        };
        let meter_percent = match meter {
            "1" => 1.0,
            "0.5" => 0.5,
            "0.2" => 0.2,
            _ => return None,
        };
        Some(Self { ct_percent, meter_percent })
    }

    /// The sum of both.
    pub fn percent(&self) -> f64 {
        self.ct_percent + self.meter_percent
    }
}

/// Energies of one direction, over all intervals that were compared.
#[derive(Clone, Copy, Debug, PartialEq)]
pub struct Side {
    /// `forward`, `reverse` or `net`.
    pub name: &'static str,
    /// What the meter counted, in mWh.
    pub meter_mwh: i64,
    /// What the CTs counted, in mWh.
    pub measured_mwh: i64,
    /// Whether its error counts: a direction in which next to nothing flows has any error.
    pub counts: bool,
}

impl Side {
    /// The CTs' error in percent; `None` where the meter counted nothing.
    pub fn error_percent(&self) -> Option<f64> {
        percent(self.measured_mwh.into(), self.meter_mwh.into())
    }
}

/// Seven days.
#[derive(Clone, Copy, Debug, PartialEq)]
pub struct Week {
    /// Its first compared interval's start is in the seven days from here on.
    pub start: Stamp,
    /// Intervals compared in it.
    pub intervals: usize,
    /// What the meter counted in both directions, in mWh.
    pub meter_mwh: i64,
    /// The CTs' error in percent; `None` where the meter counted nothing.
    pub error_percent: Option<f64>,
}

/// An interval in which the two are further apart than the factor and the tolerance explain.
#[derive(Clone, Copy, Debug, PartialEq)]
pub struct Disagreement {
    /// The interval.
    pub interval: Interval,
    /// What the meter counted, forward less reverse, in mWh.
    pub meter_mwh: i64,
    /// What the CTs counted, import less export, in mWh.
    pub measured_mwh: i64,
    /// How far the CTs are off after the suggested factor, in mWh; signed.
    pub left_mwh: i64,
}

/// All of it.
#[derive(Clone, Debug, PartialEq)]
pub struct Comparison {
    /// Intervals in the file.
    pub intervals: usize,
    /// Those of them that were compared.
    pub compared: usize,
    /// Left out: the CTs do not cover them wholly.
    pub not_covered: usize,
    /// Left out: the utility estimated them.
    pub estimated: usize,
    /// The directions.
    pub sides: Vec<Side>,
    /// The error of both directions together, in percent; `None` where the meter counted nothing.
    pub error_percent: Option<f64>,
    /// By what to multiply the `scale` of the mains CTs; `None` where nothing was compared.
    pub factor: Option<f64>,
    /// Seven days at a time.
    pub weeks: Vec<Week>,
    /// How the error grows, in percentage points over 30 days (least squares over the weeks, each
    /// weighted by its energy); `None` with less than three weeks.
    pub drift_percent: Option<f64>,
    /// Those that disagree, the worst first.
    pub disagreements: Vec<Disagreement>,
    /// What the file's values are multiples of, in mWh.
    pub resolution_mwh: i64,
    /// What is allowed, in percent.
    pub tolerance_percent: f64,
}

impl Comparison {
    /// Whether every direction that counts is within the tolerance; false too where nothing could be
    /// compared.
    pub fn is_within(&self) -> bool {
        let within = |percent: Option<f64>| percent.is_none_or(|p| p.abs() <= self.tolerance_percent);
        self.compared > 0
            && within(self.error_percent)
            && self.sides.iter().filter(|side| side.counts).all(|side| within(side.error_percent()))
    }
}

/// How far `measured` is above `meter`, in percent of it.
fn percent(measured: i128, meter: i128) -> Option<f64> {
    (meter != 0).then(|| (measured - meter) as f64 / meter as f64 * 100.0)
}

/// What flowed through the meter in an interval: both directions together.
#[derive(Clone, Copy, Debug, Default)]
struct Through {
    meter: i128,
    measured: i128,
}

/// Compares; `measured` stands beside `pairs.all`, and is `None` where the CTs do not cover the interval
/// wholly.
pub fn compare(pairs: &Pairs, measured: &[Option<Measured>], tolerance: Tolerance) -> Comparison {
    let estimated = pairs.all.iter().filter(|pair| pair.estimated).count();
    let both: Vec<(&Pair, Measured)> = pairs
        .all
        .iter()
        .zip(measured)
        .filter(|(pair, _)| !pair.estimated)
        .filter_map(|(pair, measured)| Some((pair, (*measured)?)))
        .collect();
    let through: Vec<Through> = both.iter().map(|(pair, measured)| through(pair, measured)).collect();
    let meter: i128 = through.iter().map(|one| one.meter).sum();
    let ours: i128 = through.iter().map(|one| one.measured).sum();
    let factor = (ours != 0 && meter != 0).then(|| meter as f64 / ours as f64);
    let weeks = weeks(&both, &through);
    Comparison {
        intervals: pairs.all.len(),
        compared: both.len(),
        not_covered: pairs.all.len() - both.len() - estimated,
        estimated,
        sides: sides(pairs, &both, meter),
        error_percent: percent(ours, meter),
        factor,
        drift_percent: drift(&weeks),
        weeks,
        disagreements: disagreements(pairs, &both, factor.unwrap_or(1.0), tolerance),
        resolution_mwh: pairs.resolution_mwh,
        tolerance_percent: tolerance.percent(),
    }
}

fn through(pair: &Pair, measured: &Measured) -> Through {
    match (pair.forward, pair.reverse) {
        (None, None) => Through {
            meter: i128::from(pair.net()).abs(),
            measured: i128::from(measured.import_mwh - measured.export_mwh).abs(),
        },
        (forward, reverse) => {
            let one = |of: Option<i64>, ours: i64| of.map_or((0, 0), |of| (i128::from(of), i128::from(ours)));
            let (f, r) = (one(forward, measured.import_mwh), one(reverse, measured.export_mwh));
            Through { meter: f.0 + r.0, measured: f.1 + r.1 }
        }
    }
}

fn sides(pairs: &Pairs, both: &[(&Pair, Measured)], through: i128) -> Vec<Side> {
    let sum = |name, of: &dyn Fn(&Pair) -> Option<i64>, ours: &dyn Fn(&Measured) -> i64| {
        let (mut meter_mwh, mut measured_mwh) = (0, 0);
        for (pair, measured) in both {
            if let Some(value) = of(pair) {
                meter_mwh += value;
                measured_mwh += ours(measured);
            }
        }
        // One part in fifty of all that flowed: below it a Wh of rounding an hour is an error of percents.
        let counts = i128::from(meter_mwh).abs() * 50 >= through && name != "net";
        Side { name, meter_mwh, measured_mwh, counts }
    };
    let mut sides = Vec::new();
    if pairs.has_forward {
        sides.push(sum("forward", &|pair| pair.forward, &|ours| ours.import_mwh));
    }
    if pairs.has_reverse {
        sides.push(sum("reverse", &|pair| pair.reverse, &|ours| ours.export_mwh));
    }
    if !pairs.has_forward || pairs.has_reverse {
        sides.push(sum("net", &|pair| Some(pair.net()), &|ours| ours.import_mwh - ours.export_mwh));
    }
    sides
}

fn weeks(both: &[(&Pair, Measured)], through: &[Through]) -> Vec<Week> {
    let Some(first) = both.first().map(|(pair, _)| pair.interval.start) else { return Vec::new() };
    let number = |pair: &Pair| (pair.interval.start - first).0 / (7 * Span::DAY.0);
    let rows: Vec<(i64, Through)> =
        both.iter().zip(through).map(|((pair, _), t)| (number(pair), *t)).collect();
    let week = |rows: &[(i64, Through)]| {
        let meter: i128 = rows.iter().map(|(_, one)| one.meter).sum();
        let measured: i128 = rows.iter().map(|(_, one)| one.measured).sum();
        Week {
            start: Stamp(first.0 + rows[0].0 * 7 * Span::DAY.0),
            intervals: rows.len(),
            meter_mwh: meter as i64,
            error_percent: percent(measured, meter),
        }
    };
    rows.chunk_by(|one, other| one.0 == other.0).map(week).collect()
}

/// Least squares of the weeks' errors over time, weighted by energy.
fn drift(weeks: &[Week]) -> Option<f64> {
    let points: Vec<(f64, f64, f64)> = weeks
        .iter()
        .filter_map(|week| {
            let days = (week.start - weeks[0].start).as_seconds() / 86_400.0;
            Some((week.meter_mwh as f64, days / 30.0, week.error_percent?))
        })
        .collect();
    if points.len() < 3 {
        return None;
    }
    let total: f64 = points.iter().map(|(w, _, _)| w).sum();
    let mean_x = points.iter().map(|(w, x, _)| w * x).sum::<f64>() / total;
    let mean_y = points.iter().map(|(w, _, y)| w * y).sum::<f64>() / total;
    let along: f64 = points.iter().map(|(w, x, y)| w * (x - mean_x) * (y - mean_y)).sum();
    let spread: f64 = points.iter().map(|(w, x, _)| w * (x - mean_x).powi(2)).sum();
    (spread > 0.0).then(|| along / spread)
}

/// The intervals that the factor does not bring within the tolerance of what flowed, and the file's
/// resolution.
fn disagreements(
    pairs: &Pairs,
    both: &[(&Pair, Measured)],
    factor: f64,
    tolerance: Tolerance,
) -> Vec<Disagreement> {
    let mut all: Vec<Disagreement> = both
        .iter()
        .filter_map(|(pair, measured)| {
            // The meter's directions are only comparable as far as the file has them.
            let ours = match (pair.forward, pair.reverse) {
                (Some(_), None) => measured.import_mwh,
                (None, Some(_)) => -measured.export_mwh,
                _ => measured.import_mwh - measured.export_mwh,
            };
            let left = ours as f64 * factor - pair.net() as f64;
            let flowed = through(pair, measured).meter as f64;
            let allowed = flowed * tolerance.percent() / 100.0 + pairs.resolution_mwh as f64;
            (left.abs() > allowed).then(|| Disagreement {
                interval: pair.interval,
                meter_mwh: pair.net(),
                measured_mwh: ours,
                left_mwh: left.round() as i64,
            })
        })
        .collect();
    all.sort_by_key(|one| (std::cmp::Reverse(one.left_mwh.abs()), one.interval.start));
    all
}
