//! Energy by interval as JSON, written straight from the summaries: the shape is that of
//! [`super::HistoryBody`], which has a year of days in half a megabyte.
//!
//! Names are sorted once an answer, not once an interval, and nothing is copied into maps only to be
//! written from them.

use serde::{Serialize, Serializer};

use super::history::Question;
use super::shapes::BusEnergy;
use super::views::compare::Comparison;
use super::views::notes::Annotation;
use super::views::rounded_down;
use crate::calendar::Zone;
use crate::exchange::TOTALS;
use crate::history::{Amount, Summary};
use crate::site::{FigureKey, Site};
use crate::units::{Span, Stamp};

/// The answer to a question of energy.
#[derive(Debug, Serialize)]
pub struct Written<'a> {
    site: &'a str,
    by: String,
    time_zone: &'a str,
    intervals: Lines<'a>,
    /// Each interval beside its counterpart, where that was asked for.
    #[serde(skip_serializing_if = "Option::is_none")]
    pub comparison: Option<Comparison>,
    /// The notes that touch the range.
    pub annotations: Vec<Annotation>,
}

impl<'a> Written<'a> {
    /// Without comparison and notes.
    pub fn of(site: &'a Site, question: &'a Question, summaries: &'a [Summary]) -> Self {
        Self {
            site: &site.id,
            by: question.by.to_string(),
            time_zone: question.zone.name(),
            intervals: Lines { names: Names::of(site, summaries), zone: &question.zone, summaries },
            comparison: None,
            annotations: Vec::new(),
        }
    }

    /// About how many bytes it takes as text, without comparison and notes.
    pub fn room(&self) -> usize {
        /// Bytes of an interval, and of a figure in it: its name, kWh and coverage.
        const EACH: (usize, usize) = (1000, 30);
        let figures = self.intervals.summaries.first().map_or(0, |summary| summary.figures.len());
        self.intervals.summaries.len() * (EACH.0 + figures * EACH.1)
    }
}

/// Names, sorted, and what they stand for.
#[derive(Debug)]
struct Names<'a> {
    totals: Vec<(&'a str, Figure)>,
    circuits: Vec<(&'a str, Figure)>,
    /// Of each bus what flows in, and what of that is untracked.
    buses: Vec<(&'a str, Figure, Figure)>,
}

/// A figure, and where it stands in the first of the summaries: mostly it does in all of them.
#[derive(Clone, Copy, Debug, PartialEq, Eq, PartialOrd, Ord)]
struct Figure {
    key: FigureKey,
    place: usize,
}

impl Figure {
    fn of(key: FigureKey, summaries: &[Summary]) -> Self {
        let first = summaries.first().map_or(&[][..], |summary| &summary.figures);
        let place = first.binary_search_by_key(&key, |(key, _)| *key).unwrap_or(0);
        Self { key, place }
    }

    /// Its amount, as [`Summary::defined`].
    fn defined(self, summary: &Summary) -> Option<Amount> {
        match summary.figures.get(self.place) {
            Some((key, amount)) if *key == self.key => Some(*amount),
            _ => summary.defined(self.key),
        }
    }
}

impl<'a> Names<'a> {
    fn of(site: &'a Site, summaries: &[Summary]) -> Self {
        let figure = |key| Figure::of(key, summaries);
        let circuits = site.circuits.iter().enumerate();
        let circuits =
            circuits.map(|(index, circuit)| (circuit.id.as_str(), figure(FigureKey::Circuit(index))));
        let buses = site.buses.iter().enumerate();
        let buses = buses.map(|(index, bus)| {
            let (feed, untracked) = (FigureKey::BusFeed(index), FigureKey::BusUntracked(index));
            (bus.id.as_str(), figure(feed), figure(untracked))
        });
        let totals = TOTALS.iter().map(|(name, key)| (*name, figure(*key)));
        let mut names =
            Self { totals: totals.collect(), circuits: circuits.collect(), buses: buses.collect() };
        names.totals.sort_unstable();
        names.circuits.sort_unstable();
        names.buses.sort_unstable();
        names
    }
}

#[derive(Debug)]
struct Lines<'a> {
    names: Names<'a>,
    zone: &'a Zone,
    summaries: &'a [Summary],
}

impl Serialize for Lines<'_> {
    fn serialize<S: Serializer>(&self, to: S) -> Result<S::Ok, S::Error> {
        // Mostly one begins where the last one ended, and has that text already.
        let mut last: Option<(Stamp, String)> = None;
        to.collect_seq(self.summaries.iter().map(|summary| {
            let interval = summary.interval;
            let start = match last.take() {
                Some((end, text)) if end == interval.start => text,
                _ => self.zone.rfc3339(interval.start),
            };
            let end = self.zone.rfc3339(interval.end);
            last = Some((interval.end, end.clone()));
            line(&self.names, start, end, summary)
        }))
    }
}

/// One interval.
#[derive(Serialize)]
struct Line<'a> {
    start: String,
    end: String,
    seconds: i64,
    coverage: f64,
    #[serde(skip_serializing_if = "std::ops::Not::not")]
    rederiving: bool,
    import_kwh: Option<f64>,
    export_kwh: Option<f64>,
    grid_kwh: Option<f64>,
    generation_kwh: Option<f64>,
    self_consumed_kwh: Option<f64>,
    storage_kwh: Option<f64>,
    consumption_kwh: Option<f64>,
    tracked_kwh: Option<f64>,
    untracked_kwh: Option<f64>,
    total_coverage: Figures<'a, f64>,
    circuits: Figures<'a, Option<f64>>,
    circuit_coverage: Figures<'a, f64>,
    buses: Buses<'a>,
}

fn line<'a>(names: &'a Names<'a>, start: String, end: String, summary: &'a Summary) -> Line<'a> {
    let kwh = |key| summary.kwh(key);
    let coverage = |summary: &Summary, amount: Amount| rounded_down(amount.coverage(summary.interval.span()));
    Line {
        start,
        end,
        seconds: summary.interval.span().0 / Span::from_seconds(1).0,
        coverage: rounded_down(summary.totals_coverage()),
        rederiving: summary.rederiving,
        import_kwh: kwh(FigureKey::Import),
        export_kwh: kwh(FigureKey::Export),
        grid_kwh: kwh(FigureKey::Grid),
        generation_kwh: kwh(FigureKey::Generation),
        self_consumed_kwh: kwh(FigureKey::SelfConsumed),
        storage_kwh: kwh(FigureKey::Storage),
        consumption_kwh: kwh(FigureKey::Consumption),
        tracked_kwh: kwh(FigureKey::Tracked),
        untracked_kwh: kwh(FigureKey::Untracked),
        total_coverage: Figures { names: &names.totals, summary, of: coverage },
        circuits: Figures { names: &names.circuits, summary, of: |_, amount| amount.kwh() },
        circuit_coverage: Figures { names: &names.circuits, summary, of: coverage },
        buses: Buses { names: &names.buses, summary },
    }
}

/// Something of each figure that the map defines, by name.
struct Figures<'a, T> {
    names: &'a [(&'a str, Figure)],
    summary: &'a Summary,
    of: fn(&Summary, Amount) -> T,
}

impl<T: Serialize> Serialize for Figures<'_, T> {
    fn serialize<S: Serializer>(&self, to: S) -> Result<S::Ok, S::Error> {
        to.collect_map(self.names.iter().filter_map(|(name, figure)| {
            let amount = figure.defined(self.summary)?;
            Some((name, (self.of)(self.summary, amount)))
        }))
    }
}

/// Each bus that has a feed.
struct Buses<'a> {
    names: &'a [(&'a str, Figure, Figure)],
    summary: &'a Summary,
}

impl Serialize for Buses<'_> {
    fn serialize<S: Serializer>(&self, to: S) -> Result<S::Ok, S::Error> {
        let whole = self.summary.interval.span();
        let told = |amount: Option<Amount>| match amount {
            Some(amount) => (amount.kwh(), rounded_down(amount.coverage(whole))),
            None => (None, 0.0),
        };
        to.collect_map(self.names.iter().filter_map(|(name, feed, untracked)| {
            let (feed, untracked) = (feed.defined(self.summary), untracked.defined(self.summary));
            feed.or(untracked)?;
            let ((feed_kwh, feed_coverage), (untracked_kwh, untracked_coverage)) =
                (told(feed), told(untracked));
            Some((name, BusEnergy { feed_kwh, feed_coverage, untracked_kwh, untracked_coverage }))
        }))
    }
}
