//! One interval of one series: the unit in which energy is kept and added up.

use std::ops::Range;

use crate::site::SeriesIndex;
use crate::units::{Energy, Span, Stamp};

/// What one series did in one interval.
///
/// For a channel `energy_in` is the energy of the moments at which its power was above 0, for a
/// split series what [`crate::site::SplitRule`] says. Net energy is in less out.
#[derive(Clone, Copy, Debug, PartialEq, Eq)]
pub struct Row {
    /// Where the interval starts.
    pub start: Stamp,
    /// Energy of the part above 0; never negative.
    pub energy_in: Energy,
    /// Energy of the part below 0, as a positive number; never negative.
    pub energy_out: Energy,
    /// How much of the interval is known. A gap that a counter bridges has energy and no coverage.
    pub covered: Span,
    /// Lowest power seen, in 0.1 W; meaningless where nothing is covered.
    pub min: i32,
    /// Highest power seen, in 0.1 W; meaningless where nothing is covered.
    pub max: i32,
}

impl Row {
    /// An interval of which nothing is known yet.
    pub const fn empty(start: Stamp) -> Self {
        Self {
            start,
            energy_in: Energy::ZERO,
            energy_out: Energy::ZERO,
            covered: Span::ZERO,
            min: i32::MAX,
            max: i32::MIN,
        }
    }

    /// Whether there is nothing in it: no energy and no coverage.
    pub fn is_empty(&self) -> bool {
        self.covered == Span::ZERO && self.energy_in == Energy::ZERO && self.energy_out == Energy::ZERO
    }

    /// In less out.
    pub fn net(&self) -> Energy {
        self.energy_in - self.energy_out
    }

    /// Adds an interval that lies inside this one and overlaps nothing added before.
    pub fn absorb(&mut self, finer: &Self) {
        self.energy_in += finer.energy_in;
        self.energy_out += finer.energy_out;
        self.covered = Span(self.covered.0 + finer.covered.0);
        self.min = self.min.min(finer.min);
        self.max = self.max.max(finer.max);
    }
}

/// The rows of one closed minute of a site: one for each series that is not empty in it.
#[derive(Clone, Debug, PartialEq, Eq)]
pub struct ClosedMinute {
    /// Where the minute starts.
    pub start: Stamp,
    /// (series, row), by series.
    pub rows: Vec<(SeriesIndex, Row)>,
}

impl ClosedMinute {
    /// The minute as a range.
    pub fn range(&self) -> Range<Stamp> {
        self.start..self.start + Span::MINUTE
    }
}
