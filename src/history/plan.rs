//! The sums of each epoch, ready to be evaluated over rows.

use std::collections::BTreeSet;

use super::summary::Amount;
use super::week::WeekSums;
use crate::flow::{self, Row};
use crate::site::{FigureKey, Part, SeriesIndex, Site, Term};
use crate::units::{Energy, Span};

/// The sums of all epochs, and the places at which their results add up.
pub(super) struct Plans {
    /// Every figure that some epoch defines, by key. The slot after the last is that of the totals.
    pub keys: Vec<FigureKey>,
    /// For each epoch of the site its sums.
    pub epochs: Vec<Vec<Sum>>,
    /// Every series that some sum needs, rising.
    pub series: Vec<SeriesIndex>,
}

/// One figure of one epoch.
pub(super) struct Sum {
    /// Where its result adds up: an index into [`Plans::keys`], or the one after the last.
    pub slot: usize,
    terms: Vec<Term>,
    /// Every series that it needs, once.
    series: Vec<SeriesIndex>,
}

/// What a row-long stretch says of a sum.
#[derive(Debug, PartialEq, Eq)]
pub(super) enum Verdict {
    /// So much.
    Known(Amount),
    /// Nothing, and finer rows have nothing to add.
    Unknown,
    /// Only finer rows can tell.
    Finer,
}

impl Plans {
    /// Those of the figures that are asked for; of all that history has, without a word.
    pub fn of(site: &Site, only: Option<&[FigureKey]>) -> Self {
        let wanted = |key: FigureKey| kept(key) && only.is_none_or(|only| only.contains(&key));
        let figures = site.epochs.iter().flat_map(|epoch| &epoch.plan.figures);
        let keys: BTreeSet<FigureKey> = figures.map(|figure| figure.key).filter(|key| wanted(*key)).collect();
        let keys: Vec<FigureKey> = keys.into_iter().collect();
        let epochs = site.epochs.iter().map(|epoch| {
            let figures = epoch.plan.figures.iter().filter(|figure| wanted(figure.key));
            let mut sums: Vec<Sum> = figures
                .filter_map(|figure| {
                    let slot = keys.binary_search(&figure.key).ok()?;
                    Some(Sum::new(slot, figure.terms.clone()))
                })
                .collect();
            // The totals as one sum of nothing: known exactly where every term of theirs is.
            let totals =
                epoch.plan.figures.iter().filter(|figure| is_total(figure.key) && wanted(figure.key));
            let terms = totals.flat_map(|figure| &figure.terms).map(|term| Term { millionths: 0, ..*term });
            sums.push(Sum::new(keys.len(), terms.collect()));
            sums
        });
        let epochs: Vec<Vec<Sum>> = epochs.collect();
        let series: BTreeSet<SeriesIndex> =
            epochs.iter().flatten().flat_map(|sum| sum.series.iter().copied()).collect();
        Self { epochs, series: series.into_iter().collect(), keys }
    }
}

/// Whether history has the figure; surplus is what could be used at a moment, and exists live only.
fn kept(key: FigureKey) -> bool {
    key != FigureKey::Surplus
}

fn is_total(key: FigureKey) -> bool {
    use FigureKey::{
        Consumption, Export, Generation, Grid, Import, SelfConsumed, Storage, Tracked, Untracked,
    };
    matches!(
        key,
        Grid | Import | Export | Generation | Consumption | Tracked | Untracked | SelfConsumed | Storage
    )
}

impl Sum {
    fn new(slot: usize, terms: Vec<Term>) -> Self {
        let series: BTreeSet<SeriesIndex> = terms.iter().map(|term| term.series).collect();
        Self { slot, terms, series: series.into_iter().collect() }
    }

    /// The series that it needs, if that is one alone.
    pub fn alone(&self) -> Option<SeriesIndex> {
        if let [one] = self.series[..] { Some(one) } else { None }
    }

    /// Evaluates it over a stretch of `length`, of which `rows[series]` says what is known. In a
    /// minute (`finest`) there is nothing finer to look up.
    pub fn over(&self, rows: &[Option<Row>], length: Span, finest: bool) -> Verdict {
        let mut shortest = length;
        for series in &self.series {
            match &rows[series.0 as usize] {
                Some(row) => shortest = shortest.min(row.covered),
                None => return Verdict::Unknown,
            }
        }
        // One series alone is known wherever it is, bridged energy included, at any length of row.
        if shortest == length || self.series.len() == 1 {
            return Verdict::Known(Amount { energy: self.exact(rows), covered: shortest });
        }
        // A series that covers nothing here covers nothing in any finer row.
        if shortest == Span::ZERO {
            return Verdict::Unknown;
        }
        if !finest {
            return Verdict::Finer;
        }
        let bridged =
            self.series.iter().any(|series| rows[series.0 as usize].is_some_and(|row| is_bridged(&row)));
        if bridged {
            return Verdict::Unknown;
        }
        Verdict::Known(Amount { energy: self.mean_over(rows, shortest), covered: shortest })
    }

    /// What it amounts to in each slot of sums by slot of the week, if all of them is known of every series that it
    /// needs: the same as [`Sum::over`] says of each, in long loops.
    pub fn over_slots(&self, sums: &WeekSums) -> Option<Vec<i128>> {
        let of = |series: SeriesIndex| {
            let at = sums.series.binary_search_by_key(&series, |known| known.series).ok()?;
            Some(&sums.series[at]).filter(|known| known.uncovered.values().is_empty())
        };
        let mut energy = vec![0; sums.slots.len()];
        for term in &self.terms {
            let known = of(term.series)?;
            let mut add = |values: &[i64], millionths: i64| {
                for (sum, value) in energy.iter_mut().zip(values) {
                    *sum += i128::from(*value) * i128::from(millionths);
                }
            };
            if term.part != Part::Out {
                add(known.energy_in.values(), term.millionths);
            }
            if term.part != Part::In {
                let turned = if term.part == Part::Net { -term.millionths } else { term.millionths };
                add(known.energy_out.values(), turned);
            }
        }
        Some(energy)
    }

    fn exact(&self, rows: &[Option<Row>]) -> i128 {
        let energy = |series: SeriesIndex, which| rows[series.0 as usize].map(|row| part(&row, which).0);
        flow::evaluate(&self.terms, energy).unwrap_or_default()
    }

    /// The mean power of each term while it was covered, held over `shortest`; each term is rounded
    /// towards 0, so that a partly known minute never counts for more than what was measured.
    fn mean_over(&self, rows: &[Option<Row>], shortest: Span) -> i128 {
        let of = |term: &Term| {
            let Some(row) = &rows[term.series.0 as usize] else { return 0 };
            let energy = i128::from(part(row, term.part).0) * i128::from(term.millionths);
            energy * i128::from(shortest.0) / i128::from(row.covered.0.max(1))
        };
        self.terms.iter().map(of).sum()
    }
}

fn part(row: &Row, part: Part) -> Energy {
    match part {
        Part::Net => row.net(),
        Part::In => row.energy_in,
        Part::Out => row.energy_out,
    }
}

/// Whether a partly covered row holds more energy than its coverage can at the highest power seen,
/// so that a counter must have bridged a gap in it.
fn is_bridged(row: &Row) -> bool {
    // A mean power is rounded to 0.1 W when it becomes a row's lowest or highest.
    let most = |power: i32| Energy::of(i64::from(power).max(0) + 1, row.covered);
    row.energy_in > most(row.max) || row.energy_out > most(row.min.saturating_neg())
}
