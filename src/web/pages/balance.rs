//! The two bars of one length on Now: where it comes from, and where it goes.
//!
//! What the map can say has its place in them for good, with 0 W where nothing flows: figures that change
//! each second are read where they were read before, and nothing below them moves.

use std::collections::BTreeMap;

use serde::Serialize;

use super::now::hundredth;
use super::uses;
use crate::site::{EndUse, Role, Site};
use crate::web::shapes::Now;

/// A piece of a bar of 100.
#[derive(Debug, PartialEq, Serialize)]
pub(super) struct Segment {
    key: &'static str,
    words: &'static str,
    /// `None` where a term of it is not known.
    w: Option<f64>,
    x: f64,
    /// Of what is known.
    width: f64,
}

/// A piece before it has a place: what it is, whether all of it is known, and how much of it is.
#[derive(Clone, Copy, Debug)]
struct Part {
    key: &'static str,
    words: &'static str,
    is_known: bool,
    w: f64,
}

impl Part {
    /// What of a flow goes this way, which is 0 where it goes the other.
    fn of(key: &'static str, words: &'static str, w: Option<f64>) -> Self {
        Self { key, words, is_known: w.is_some(), w: w.unwrap_or(0.0).max(0.0) }
    }
}

/// Where it comes from.
pub(super) fn sources(site: &Site, now: &Now) -> Vec<Segment> {
    let sun = has(site, Role::Pv).then(|| Part::of("sun", "the sun", now.generation_w));
    let storage = has(site, Role::Storage).then(|| Part::of("storage", "storage", turned(now.storage_w)));
    let grid = Part::of("grid", "the grid", now.grid_w);
    stacked(sun.into_iter().chain(storage).chain([grid]))
}

/// Where it goes: measured circuits by end use, what no circuit accounts for, and what leaves.
pub(super) fn uses(site: &Site, now: &Now) -> Vec<Segment> {
    let mut by_use: BTreeMap<EndUse, (bool, f64)> = BTreeMap::new();
    for circuit in site.circuits.iter().filter(|circuit| circuit.latest().role == Role::Load) {
        let Some(figure) = now.circuits.get(&circuit.id) else { continue };
        let (is_known, sum) = by_use.entry(circuit.latest().end_use).or_insert((true, 0.0));
        *is_known &= figure.w.is_some();
        *sum += figure.w.unwrap_or(0.0).max(0.0);
    }
    let circuits = uses::ORDER.iter().filter_map(|end_use| {
        let &(is_known, w) = by_use.get(end_use)?;
        Some(Part { key: uses::class(*end_use), words: end_use.as_str(), is_known, w })
    });
    let untracked = Part::of("untracked", "untracked", now.untracked_w);
    let storage = has(site, Role::Storage).then(|| Part::of("storage", "into storage", now.storage_w));
    let gives = has(site, Role::Pv) || has(site, Role::Storage);
    let out = gives.then(|| Part::of("grid", "out to the grid", turned(now.grid_w)));
    stacked(circuits.chain([untracked]).chain(storage).chain(out))
}

fn has(site: &Site, role: Role) -> bool {
    site.circuits.iter().any(|circuit| circuit.latest().role == role)
}

fn turned(w: Option<f64>) -> Option<f64> {
    w.map(|w| -w)
}

/// One behind the other, in percent of what is known of them all.
fn stacked(parts: impl Iterator<Item = Part>) -> Vec<Segment> {
    let parts: Vec<Part> = parts.collect();
    let all: f64 = parts.iter().map(|part| part.w).sum();
    let mut x = 0.0;
    let mut segments = Vec::new();
    for part in parts {
        let width = if all > 0.0 { hundredth(100.0 * part.w / all) } else { 0.0 };
        let w = part.is_known.then_some(part.w);
        segments.push(Segment { key: part.key, words: part.words, w, x: hundredth(x), width });
        x += width;
    }
    segments
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn segments_follow_each_other_and_fill_the_bar() {
        let of = |w| Part::of("a", "a", w);
        let places = |parts: &[Part]| -> Vec<_> {
            stacked(parts.iter().copied()).iter().map(|one| (one.x, one.width, one.w)).collect()
        };
        let all = places(&[of(Some(1.0)), of(Some(0.0)), of(Some(3.0))]);
        assert_eq!(all, [(0.0, 25.0, Some(1.0)), (25.0, 0.0, Some(0.0)), (25.0, 75.0, Some(3.0))]);
        let partly = places(&[of(Some(1.0)), of(None), of(Some(-2.0))]);
        assert_eq!(partly, [(0.0, 100.0, Some(1.0)), (100.0, 0.0, None), (100.0, 0.0, Some(0.0))]);
        assert_eq!(places(&[of(Some(0.0)), of(None)]), [(0.0, 0.0, Some(0.0)), (0.0, 0.0, None)]);
    }

    #[test]
    fn a_use_is_known_where_all_its_circuits_are() {
        let map = include_str!("../../../config/sites/heron-lane.toml");
        let site = crate::site::parse("heron-lane.toml", map).site.expect("the map is good");
        let heating = |outdoor: Option<f64>, auxiliary: Option<f64>| {
            let figure = |w| crate::web::shapes::CircuitNow { w, apparent: false };
            let circuits = [("heat-pump", figure(outdoor)), ("heat-pump-aux", figure(auxiliary))];
            let circuits = circuits.into_iter().map(|(id, figure)| (id.to_owned(), figure)).collect();
            let now = Now { circuits, ..Now::default() };
            let found = uses(&site, &now).into_iter().find(|one| one.key == "heating");
            found.expect("its place").w
        };
        assert_eq!(heating(Some(1000.0), Some(200.0)), Some(1200.0));
        assert_eq!(heating(Some(1000.0), None), None);
    }
}
