//! The sign-split series of one tick: what is not linear and so cannot wait until history is read.

use super::channel::Tick;
use super::evaluate::{evaluate, rounded};
use crate::site::{SplitRule, Term};

/// The energy that a sum of channels has over the shortest coverage of its terms in a tick, in
/// millionths, and that coverage. A term that is covered for longer counts with its mean power.
fn sum(terms: &[Term], ticks: &[Tick]) -> Option<(i128, i64)> {
    let covered = terms.iter().map(|term| ticks[term.series.0 as usize].covered).min();
    // A sum without terms is a known zero all along.
    let Some(covered) = covered else { return Some((0, i64::MAX)) };
    if covered == 0 {
        return None;
    }
    let energy = evaluate(terms, |series, _| {
        let tick = &ticks[series.0 as usize];
        Some(if tick.covered == covered { tick.known } else { tick.known * covered / tick.covered })
    })?;
    Some((energy, covered))
}

/// The tick of a split series; `full` is the length of a tick in 0.1 s.
pub(super) fn split(rule: &SplitRule, ticks: &[Tick], full: i64) -> Tick {
    let parts = match rule {
        SplitRule::Signed(terms) => {
            sum(terms, ticks).map(|(energy, covered)| (rounded(energy), covered.min(full)))
        }
        SplitRule::SelfConsumed { grid, pv } => self_consumed(grid, pv, ticks, full),
        // What a CT did that has both is known to its readings, not to its tick.
        SplitRule::Counted { power, .. } => return ticks[power.0 as usize],
    };
    let Some((energy, covered)) = parts else { return Tick::default() };
    let power = (energy / covered).clamp(i64::from(i32::MIN), i64::from(i32::MAX)) as i32;
    Tick {
        energy_in: energy.max(0),
        energy_out: (-energy).max(0),
        covered,
        min: power,
        max: power,
        known: energy,
    }
}

/// Generation less export, not below 0: what storage exports is not taken off generation.
fn self_consumed(grid: &[Term], pv: &[Vec<Term>], ticks: &[Tick], full: i64) -> Option<(i64, i64)> {
    let sums: Option<Vec<_>> =
        std::iter::once(grid).chain(pv.iter().map(Vec::as_slice)).map(|terms| sum(terms, ticks)).collect();
    let sums = sums?;
    let covered = sums.iter().map(|(_, covered)| *covered).min().unwrap_or(full).min(full);
    let part = |&(energy, own): &(i128, i64)| -> i64 {
        let out = (-energy).max(0);
        let own = own.min(full);
        rounded(if own == covered { out } else { out * i128::from(covered) / i128::from(own) })
    };
    let generation: i64 = sums[1..].iter().map(part).sum();
    Some(((generation - part(&sums[0])).max(0), covered))
}
