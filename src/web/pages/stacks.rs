//! From the body of history to stacks: what used how much, interval by interval.

use std::sync::Arc;

use super::uses;
use crate::chart::{Piece, Slot};
use crate::site::{Circuit, Role, Site};
use crate::web::{HistoryBody, HistoryInterval};

/// What a stack is made of.
#[derive(Clone, Copy, Debug, PartialEq, Eq)]
pub(super) enum Show {
    /// A layer for each end use.
    Uses,
    /// A layer for each circuit.
    Circuits,
}

/// A layer of the stacks: one end use or circuit over all intervals.
#[derive(Clone, Debug, PartialEq)]
pub(super) struct Layer {
    /// Its name for programs: `use-heating`, `circuit-range`, `untracked`.
    pub(super) key: String,
    /// The class of its colour.
    pub(super) class: String,
    /// What people call it.
    pub(super) label: String,
    /// The circuit, if it is one.
    pub(super) circuit: Option<String>,
    /// Interval by interval.
    pub(super) values: Vec<Option<f64>>,
}

impl Layer {
    /// All of it that is known.
    pub(super) fn total(&self) -> Option<f64> {
        sum(self.values.iter().copied())
    }
}

/// The sum of what is known; unknown if nothing is.
pub(super) fn sum(values: impl Iterator<Item = Option<f64>>) -> Option<f64> {
    values.flatten().fold(None, |sum: Option<f64>, value| Some(sum.unwrap_or(0.0) + value))
}

/// The layers from the foot of the stacks upwards; those with nothing in them are left out.
/// `of` gives a circuit's values, `untracked` what no circuit accounts for.
pub(super) fn layers(
    site: &Arc<Site>,
    show: Show,
    of: impl Fn(&str) -> Vec<Option<f64>>,
    untracked: Vec<Option<f64>>,
) -> Vec<Layer> {
    let mut layers = Vec::new();
    for end_use in uses::ORDER {
        let loads = site
            .circuits
            .iter()
            .filter(|circuit| circuit.latest().role == Role::Load && circuit.latest().end_use == end_use);
        let circuits: Vec<Layer> = loads.map(|circuit| of_circuit(circuit, of(&circuit.id))).collect();
        let mut circuits: Vec<Layer> = circuits.into_iter().filter(|layer| layer.total().is_some()).collect();
        match show {
            Show::Circuits => {
                circuits.sort_by(|one, other| {
                    other.total().unwrap_or(0.0).total_cmp(&one.total().unwrap_or(0.0))
                });
                for (place, layer) in circuits.iter_mut().enumerate() {
                    // Neighbours of one end use have its colour in three strengths.
                    layer.class.push_str(["", " s1", " s2"][place % 3]);
                }
                layers.extend(circuits);
            }
            Show::Uses if circuits.is_empty() => {}
            Show::Uses => {
                let count = circuits.iter().map(|layer| layer.values.len()).max().unwrap_or(0);
                let at = |index: usize| {
                    sum(circuits.iter().map(|layer| layer.values.get(index).copied().flatten()))
                };
                layers.push(Layer {
                    key: format!("use-{}", uses::class(end_use)),
                    class: uses::class(end_use).to_owned(),
                    label: uses::words(end_use),
                    circuit: None,
                    values: (0..count).map(at).collect(),
                });
            }
        }
    }
    layers.push(Layer {
        key: "untracked".to_owned(),
        class: "untracked".to_owned(),
        label: "Untracked".to_owned(),
        circuit: None,
        values: untracked,
    });
    layers.retain(|layer| layer.total().is_some());
    layers
}

fn of_circuit(circuit: &Circuit, values: Vec<Option<f64>>) -> Layer {
    let entry = circuit.latest();
    Layer {
        key: format!("circuit-{}", circuit.id),
        class: uses::class(entry.end_use).to_owned(),
        label: entry.label.clone(),
        circuit: Some(circuit.id.clone()),
        values,
    }
}

/// The layers of a body of history.
pub(super) fn of_history(site: &Arc<Site>, show: Show, body: &HistoryBody) -> Vec<Layer> {
    let of = |id: &str| body.intervals.iter().map(|one| one.circuits.get(id).copied().flatten()).collect();
    layers(site, show, of, body.intervals.iter().map(|one| one.untracked_kwh).collect())
}

/// The stacks that those layers make.
pub(super) fn slots(layers: &[Layer], count: usize) -> Vec<Slot> {
    let stack = |index: usize| {
        let piece = |layer: &Layer| {
            let value = layer.values.get(index).copied().flatten()?;
            Some(Piece { class: layer.class.clone(), value })
        };
        Slot { pieces: layers.iter().filter_map(piece).collect(), coverage: None, ghost: None }
    };
    (0..count).map(stack).collect()
}

/// What is known of an interval, as a share of what has passed of it; `None` where nothing has.
pub(super) fn coverage(interval: &HistoryInterval, now_s: i64) -> Option<f64> {
    of_passed(interval, interval.coverage, now_s)
}

/// A share of a whole interval as a share of what has passed of it.
pub(super) fn of_passed(interval: &HistoryInterval, share: f64, now_s: i64) -> Option<f64> {
    /// Live minutes take so long to close: they are not missing.
    const OPEN_S: i64 = 120;
    let start = interval.start.parse::<jiff::Timestamp>().ok()?.as_second();
    let passed = (now_s - start).min(interval.seconds);
    if passed == interval.seconds {
        return Some(share);
    }
    (passed > OPEN_S).then(|| (share * interval.seconds as f64 / (passed - OPEN_S) as f64).min(1.0))
}
