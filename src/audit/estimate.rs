//! From evidence to estimates: the rows of each time scale, fitted and put together.

use nalgebra::{DMatrix, DVector};

use super::claims::{BusClaims, Claim, Response};
use super::fit::{Fit, Rows, combine, fit};
use super::gather::{Changes, Evidence, Levels};
use crate::units::{Span, Stamp};

/// Rows that a fit of levels takes at most: beyond them time is spent and nothing gained.
const MAX_ROWS: usize = 2000;
/// A change of levels below this is noise, in W.
const LEVEL_FLOOR_W: f64 = 20.0;
/// How far estimates are trusted: steps as they are; a minute and a quarter-hour less, because what people
/// do at the same time (loads that are related, but not switched together) adds up over longer stretches.
const TRUST_MINUTE: f64 = 0.04;
const TRUST_QUARTER: f64 = 0.12;

/// One fit for each response of a bus, with a column for each of `cts`.
pub fn estimate(evidence: &Evidence, responses: &[Response], cts: &[Claim]) -> Vec<Fit> {
    let mut all = Vec::new();
    for (r, response) in responses.iter().enumerate() {
        let prior = DVector::from_iterator(
            cts.len(),
            cts.iter().map(|ct| ct.options[0].get(r).copied().unwrap_or(0.0)),
        );
        let mut fits: Vec<(Fit, f64)> = Vec::new();
        for changes in &evidence.changes {
            let rows = of_changes(changes, evidence.channels, response, cts);
            if !rows.is_empty() {
                fits.push((fit(&rows, &prior), 0.0));
            }
        }
        let coarsest = evidence.changes.iter().map(|changes| changes.period_s).fold(1.0, f64::max);
        for (seconds, trust) in [((4.0 * coarsest).max(60.0), TRUST_MINUTE), (900.0, TRUST_QUARTER)] {
            let rows = of_levels(&evidence.levels, evidence.channels, seconds, response, cts);
            if !rows.is_empty() {
                fits.push((fit(&rows, &prior), trust));
            }
        }
        all.push(
            combine(&fits).unwrap_or_else(|| fit(&Rows { columns: cts.len(), ..Rows::default() }, &prior)),
        );
    }
    all
}

/// The estimates of a whole bus.
pub fn of_bus(evidence: &Evidence, claims: &BusClaims) -> Vec<Fit> {
    let mut fits = estimate(evidence, &claims.responses, &claims.cts);
    let changes: Vec<Vec<f64>> = claims.cts.iter().map(|ct| level_changes(evidence, ct)).collect();
    for a in 0..claims.cts.len() {
        for b in a + 1..claims.cts.len() {
            if let Some(sign) = inseparable(&changes[a], &changes[b]) {
                fits.iter_mut().for_each(|fit| forget(fit, a, b, sign));
            }
        }
    }
    fits
}

fn level_changes(evidence: &Evidence, ct: &Claim) -> Vec<f64> {
    let column: Vec<f32> = evidence.levels.column(ct.channel, evidence.channels).collect();
    column.windows(2).map(|pair| f64::from(pair[1] - pair[0]) * ct.factor).collect()
}

/// Two CTs of a balanced load, or on one wire: what they differ by is their own noise, and tells nothing. The sign
/// with which they move together.
fn inseparable(first: &[f64], second: &[f64]) -> Option<f64> {
    let (mut plus, mut minus) = (0.0, 0.0);
    for (x, y) in first.iter().zip(second) {
        if !(x + y).is_nan() {
            plus += (x + y) * (x + y);
            minus += (x - y) * (x - y);
        }
    }
    match (plus, minus) {
        (plus, minus) if minus < 0.01 * plus => Some(1.0),
        (plus, minus) if plus < 0.01 * minus => Some(-1.0),
        _ => None,
    }
}

/// Takes back what a fit says of the difference of two coefficients.
fn forget(fit: &mut Fit, a: usize, b: usize, sign: f64) {
    let k = fit.mean.len();
    let mut along = DVector::zeros(k);
    along[a] = std::f64::consts::FRAC_1_SQRT_2;
    along[b] = -sign * std::f64::consts::FRAC_1_SQRT_2;
    let across = DMatrix::identity(k, k) - &along * along.transpose();
    fit.information = &across * &fit.information * &across + &along * along.transpose() * 0.25;
}

/// What the feed did in a row; NaN if a part of it is unknown.
pub fn feed_change(row: &[f32], response: &Response) -> f64 {
    response.terms.iter().map(|(channel, factor)| f64::from(row[*channel]) * factor).sum()
}

fn of_changes(changes: &Changes, channels: usize, response: &Response, cts: &[Claim]) -> Rows {
    let floors: Vec<f64> = cts
        .iter()
        .map(|ct| f64::from(changes.floor_w.get(ct.channel).copied().unwrap_or(0.0)) * ct.factor.abs())
        .collect();
    rows(changes.rows.chunks_exact(channels.max(1)), response, cts, floors)
}

fn of_levels(levels: &Levels, channels: usize, seconds: f64, response: &Response, cts: &[Claim]) -> Rows {
    let times = (seconds / levels.period.as_seconds()).round().max(1.0) as usize;
    let (coarse, _) = coarse(levels, channels, times);
    let stride = channels.max(1);
    let count = coarse.len() / stride;
    let mut differences: Vec<f32> = Vec::with_capacity(coarse.len());
    for n in 1..count {
        let (before, after) = (&coarse[(n - 1) * stride..n * stride], &coarse[n * stride..(n + 1) * stride]);
        differences.extend(before.iter().zip(after).map(|(before, after)| after - before));
    }
    let floors = vec![LEVEL_FLOOR_W; cts.len()];
    rows(differences.chunks_exact(stride), response, cts, floors)
}

/// Means over `times` intervals that follow each other, unknown if one of them is; and when each begins.
pub fn coarse(levels: &Levels, channels: usize, times: usize) -> (Vec<f32>, Vec<Stamp>) {
    let stride = channels.max(1);
    let mut means = Vec::with_capacity(levels.rows.len() / times.max(1));
    let mut starts = Vec::new();
    let whole = Span(levels.period.0 * times as i64);
    let mut at = 0;
    while at + times <= levels.at.len() {
        // Back to back, on the grid of whole lengths.
        let start = levels.at[at];
        let in_line = levels.at[at + times - 1] - start == Span(levels.period.0 * (times as i64 - 1));
        if start.floor(whole) != start || !in_line {
            at += 1;
            continue;
        }
        starts.push(start);
        for channel in 0..stride {
            let sum: f32 = (at..at + times).map(|row| levels.rows[row * stride + channel]).sum();
            means.push(sum / times as f32);
        }
        at += times;
    }
    (means, starts)
}

fn rows<'r>(
    source: impl ExactSizeIterator<Item = &'r [f32]>,
    response: &Response,
    cts: &[Claim],
    floor: Vec<f64>,
) -> Rows {
    let every = source.len().div_ceil(2 * MAX_ROWS).max(1);
    let all: Vec<&[f32]> = source.collect();
    // A channel that is mostly unknown (not on this grid, or dead) has no part in this fit.
    let absent: Vec<bool> = cts
        .iter()
        .map(|ct| all.iter().filter(|row| row[ct.channel].is_nan()).count() * 2 > all.len())
        .collect();
    let mut rows = Rows { columns: cts.len(), floor, ..Rows::default() };
    let mut x = vec![0.0; cts.len()];
    for row in all.iter().step_by(every) {
        let y = feed_change(row, response);
        if y.is_nan() {
            continue;
        }
        let mut moved = false;
        let mut whole = true;
        for (c, ct) in cts.iter().enumerate() {
            x[c] = 0.0;
            if absent[c] {
                continue;
            }
            let value = f64::from(row[ct.channel]) * ct.factor;
            if value.is_nan() {
                whole = false;
                break;
            }
            moved |= value.abs() > 0.7 * rows.floor[c];
            // What is noise anyway would make every row one of all circuits.
            if value.abs() > 0.15 * rows.floor[c] {
                x[c] = value;
            }
        }
        if whole && moved {
            rows.x.extend_from_slice(&x);
            rows.y.push(y);
            if rows.len() >= 2 * MAX_ROWS {
                break;
            }
        }
    }
    rows
}
