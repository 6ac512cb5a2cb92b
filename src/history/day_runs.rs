//! What the minutes of a local day say of every load, and what that follows from.
//!
//! Run times, cycles and peaks are of minutes, and a year has half a million of them a load. A day that is
//! over says the same for good, unless its minutes change or the map does, so a store may keep what its
//! minutes say; [`DayRules`] tells whether what is kept was made by the map in force.

use std::collections::BTreeSet;
use std::ops::Range;

use super::rank::Rank;
use super::runs::{Counter, Tally};
use crate::flow::Row;
use crate::site::{
    Epoch, Figure, FigureKey, Role, SeriesIndex, Site, Term, figure_fingerprint, figure_name, hash_of,
};
use crate::units::{Span, Stamp};

/// Changes whenever the same minutes come to be counted otherwise.
const VERSION: u64 = 1;

/// What the minutes of one local day say.
#[derive(Clone, Debug, PartialEq)]
pub struct DayRuns {
    /// The day.
    pub day: Range<Stamp>,
    /// The fingerprint of what was counted: [`DayRules::of_day`].
    pub rule: i64,
    /// Of each of the [`places`] of the map, or of those that were asked for, in their order.
    pub tallies: Vec<Tally>,
}

/// The loads of a map whose minutes are counted: circuits that are a load at some time, then what no
/// circuit accounts for, where the map has it.
pub fn places(site: &Site) -> Vec<Rank> {
    let load = |index: &usize| {
        let entries = &site.circuits[*index].entries;
        entries.iter().any(|entry| entry.role == Role::Load && !entry.terms.is_empty())
    };
    let mut places: Vec<Rank> = (0..site.circuits.len()).filter(load).map(Rank::Circuit).collect();
    let has = |key| site.epochs.iter().any(|epoch| epoch.plan.figures.iter().any(|f| f.key == key));
    if has(FigureKey::Consumption) {
        places.push(Rank::Untracked);
    }
    places
}

/// The series that the minutes of these places follow from.
pub fn series_of(site: &Site, places: &[Rank]) -> Vec<SeriesIndex> {
    let figures = site.epochs.iter().flat_map(|epoch| &epoch.plan.figures);
    let wanted = figures.filter(|figure| places.iter().any(|place| key_of(*place) == figure.key));
    let series: BTreeSet<SeriesIndex> =
        wanted.flat_map(|figure| figure.terms.iter().map(|term| term.series)).collect();
    series.into_iter().collect()
}

/// The figure of a place.
pub(super) fn key_of(place: Rank) -> FigureKey {
    match place {
        Rank::Circuit(index) => FigureKey::Circuit(index),
        Rank::Untracked => FigureKey::Untracked,
    }
}

/// Whether a place is no load at that moment, but something else.
pub(super) fn is_other(site: &Site, place: Rank, at: Stamp) -> bool {
    match place {
        Rank::Circuit(index) => site.circuits[index].entry(at).is_some_and(|entry| entry.role != Role::Load),
        Rank::Untracked => false,
    }
}

/// The figure of a place in an epoch, where it is a load there.
fn figure_in<'a>(site: &Site, epoch: &'a Epoch, place: Rank) -> Option<&'a Figure> {
    // The map's dates cut its epochs, so an entry that holds as one begins holds in all of it.
    if is_other(site, place, epoch.span.start) {
        return None;
    }
    let key = key_of(place);
    epoch.plan.figures.iter().find(|figure| figure.key == key && !figure.terms.is_empty())
}

/// From which fingerprints the minutes of a day were counted.
#[derive(Clone, Debug)]
pub struct DayRules {
    /// From when on, and the fingerprint of all places' sums.
    since: Vec<(Stamp, u64)>,
}

impl DayRules {
    /// Those of a map.
    pub fn of(site: &Site) -> Self {
        let places = places(site);
        let mut since: Vec<(Stamp, u64)> = Vec::new();
        for epoch in &site.epochs {
            let of_place = |place: &Rank| {
                let name = figure_name(site, key_of(*place)).unwrap_or_default();
                let print = figure_in(site, epoch, *place).map_or(0, |f| figure_fingerprint(site, epoch, f));
                format!("{name}={print:x}\t")
            };
            let text: String = places.iter().map(of_place).collect();
            let print = hash_of(format!("runs {VERSION} {text}").as_bytes());
            // An epoch that leaves all loads as they were makes no difference.
            if since.last().is_none_or(|(_, before)| *before != print) {
                since.push((epoch.span.start, print));
            }
        }
        Self { since }
    }

    /// The fingerprint of a day: of its sums, and of the minutes at which they change.
    pub fn of_day(&self, day: &Range<Stamp>) -> i64 {
        let first = self.since.partition_point(|(start, _)| *start <= day.start).saturating_sub(1);
        let last = self.since.partition_point(|(start, _)| *start < day.end);
        match &self.since[first.min(last)..last] {
            [] => 0,
            [(_, print)] => *print as i64,
            several => {
                let text: String = several
                    .iter()
                    .map(|(start, print)| format!("{}={print:x}\t", minute_of(*start, day)))
                    .collect();
                hash_of(text.as_bytes()) as i64
            }
        }
    }
}

/// The minute of the day at which a change of the map counts: that of a change counts by the map that
/// held when it began.
fn minute_of(at: Stamp, day: &Range<Stamp>) -> usize {
    let passed = (at.clamp(day.start, day.end) - day.start).0 + Span::MINUTE.0 - 1;
    (passed / Span::MINUTE.0) as usize
}

/// What the minutes of a local day, or of a part of one, say of some of the [`places`], under the map of
/// each moment. Rows of other series are passed over.
pub fn tallies(site: &Site, day: &Range<Stamp>, rows: &[(SeriesIndex, Row)], places: &[Rank]) -> Vec<Tally> {
    let minutes = ((day.end - day.start).0 / Span::MINUTE.0) as usize;
    // A series' watts by minute; NaN where the minute is not wholly known, as in any sum with it.
    let mut watts = vec![Vec::new(); site.series_len()];
    for (series, row) in rows {
        let Some(of) = watts.get_mut(series.0 as usize) else { continue };
        let at = ((row.start - day.start).0 / Span::MINUTE.0) as usize;
        if row.covered == Span::MINUTE && at < minutes {
            of.resize(minutes, f64::NAN);
            of[at] = row.net().mean_over(Span::MINUTE).map_or(f64::NAN, |mean| mean.0);
        }
    }
    let mut sums = vec![f64::NAN; minutes];
    let count = |place: &Rank| {
        sum(site, day, *place, &watts, &mut sums);
        let mut counter = Counter::new();
        for (minute, sum) in (0..).zip(&sums) {
            if sum.is_finite() {
                counter.add(day.start + Span(minute * Span::MINUTE.0), *sum);
            }
        }
        counter.tally()
    };
    places.iter().map(count).collect()
}

/// The watts of a place by minute of the day; NaN where not known.
fn sum(site: &Site, day: &Range<Stamp>, place: Rank, watts: &[Vec<f64>], sums: &mut [f64]) {
    sums.fill(f64::NAN);
    for epoch in &site.epochs {
        let range = minute_of(epoch.span.start, day)..minute_of(epoch.span.end, day);
        if range.is_empty() {
            continue;
        }
        let Some(figure) = figure_in(site, epoch, place) else { continue };
        sums[range.clone()].fill(0.0);
        for Term { series, millionths, .. } in &figure.terms {
            let of = &watts[series.0 as usize];
            let factor = *millionths as f64 / crate::units::ONE as f64;
            match of.get(range.clone()) {
                Some(of) => {
                    of.iter().zip(&mut sums[range.clone()]).for_each(|(watts, sum)| *sum += watts * factor)
                }
                None => sums[range.clone()].fill(f64::NAN),
            }
        }
    }
}
