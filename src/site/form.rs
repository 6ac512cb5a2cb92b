//! Linear forms: sums of parts of series with whole factors, in one order, each part once.

use std::collections::BTreeMap;

use super::model::{Part, SeriesIndex, Term};
use crate::units::ONE;

/// A sum of terms, merged: a part that cancels out is gone.
#[derive(Clone, Debug, Default, PartialEq, Eq)]
pub(super) struct Form(BTreeMap<(SeriesIndex, u8), i64>);

impl Form {
    /// The sum of terms.
    pub(super) fn of(terms: &[Term]) -> Self {
        let mut form = Self::default();
        for term in terms {
            form.add_part(term.series, term.part, term.millionths);
        }
        form
    }

    /// Adds a part of a series, `millionths` times.
    pub(super) fn add_part(&mut self, series: SeriesIndex, part: Part, millionths: i64) {
        let part = match part {
            Part::Net => 0,
            Part::In => 1,
            Part::Out => 2,
        };
        let sum = self.0.entry((series, part)).or_insert(0);
        *sum += millionths;
        if *sum == 0 {
            self.0.remove(&(series, part));
        }
    }

    /// Adds one time a part of a series.
    pub(super) fn with(mut self, series: SeriesIndex, part: Part) -> Self {
        self.add_part(series, part, ONE);
        self
    }

    /// The sum of two forms.
    pub(super) fn plus(mut self, other: &Self) -> Self {
        for ((series, part), millionths) in &other.0 {
            self.add_part(*series, PARTS[usize::from(*part)], *millionths);
        }
        self
    }

    /// The difference of two forms.
    pub(super) fn minus(mut self, other: &Self) -> Self {
        for ((series, part), millionths) in &other.0 {
            self.add_part(*series, PARTS[usize::from(*part)], -*millionths);
        }
        self
    }

    /// The terms, by series.
    pub(super) fn terms(&self) -> Vec<Term> {
        let term = |((series, part), millionths): (&(SeriesIndex, u8), &i64)| Term {
            series: *series,
            part: PARTS[usize::from(*part)],
            millionths: *millionths,
        };
        self.0.iter().map(term).collect()
    }
}

const PARTS: [Part; 3] = [Part::Net, Part::In, Part::Out];
