//! The figures of a stretch of history as a table, and the same table as a file.

use std::sync::Arc;

use axum::response::Response;
use serde::Serialize;

use super::Numbers;
use super::history::Wanted;
use super::period::{Length, Period};
use super::sheet::{self, Sheet};
use super::stacks::{self, Layer};
use crate::site::{Role, Site};
use crate::web::{HistoryBody, HistoryInterval};

/// One of an interval's totals.
pub(super) struct Total {
    /// Its mark in the page.
    pub(super) key: &'static str,
    /// Its name in the API.
    name: &'static str,
    /// The class of its colour.
    pub(super) class: &'static str,
    /// What people call it.
    pub(super) label: &'static str,
    /// The same above a column.
    head: &'static str,
    /// It, of an interval.
    pub(super) of: fn(&HistoryInterval) -> Option<f64>,
}

/// In the order that they are told in.
const TOTALS: [Total; 5] = [
    Total {
        key: "consumption",
        name: "consumption",
        class: "ink",
        label: "The house used",
        head: "Used",
        of: |one| one.consumption_kwh,
    },
    Total {
        key: "import",
        name: "import",
        class: "grid",
        label: "From the grid",
        head: "From the grid",
        of: |one| one.import_kwh,
    },
    Total {
        key: "export",
        name: "export",
        class: "grid light",
        label: "To the grid",
        head: "To the grid",
        of: |one| one.export_kwh,
    },
    Total {
        key: "generation",
        name: "generation",
        class: "sun light",
        label: "The sun gave",
        head: "Sun",
        of: |one| one.generation_kwh,
    },
    Total {
        key: "self",
        name: "self_consumed",
        class: "sun",
        label: "Sun used here",
        head: "Sun used here",
        of: |one| one.self_consumed_kwh,
    },
];

/// What the house used in the time before, where that stands beside.
const THEN: (&str, &str) = ("then", "Used before");

/// The totals that a site has: one without an array has no sun, one without mains CTs no grid.
pub(super) fn totals(site: &Site, body: &HistoryBody) -> Vec<&'static Total> {
    let has_sun = site.circuits.iter().any(|one| one.entries.iter().any(|entry| entry.role == Role::Pv));
    let has = |total: &&'static Total| {
        let defined = || body.intervals.iter().any(|one| one.total_coverage.contains_key(total.name));
        match total.key {
            "consumption" => true,
            "generation" | "self" => has_sun && defined(),
            _ => !site.feeds.is_empty() && defined(),
        }
    };
    TOTALS.iter().filter(has).collect()
}

#[derive(Debug, Serialize)]
pub(super) struct Table {
    /// The mark of each column in the page, and its words.
    heads: Vec<(String, String)>,
    rows: Vec<TableRow>,
}

#[derive(Debug, Serialize)]
struct TableRow {
    label: String,
    link: Option<String>,
    known: String,
    cells: Vec<String>,
}

/// One interval of which something has passed.
struct Line<'a> {
    interval: &'a HistoryInterval,
    coverage: f64,
    values: Vec<Option<f64>>,
}

fn heads(totals: &[&Total], body: &HistoryBody, layers: &[Layer]) -> Vec<(String, String)> {
    let pair = |(key, words): (&str, &str)| (key.to_owned(), words.to_owned());
    let totals = totals.iter().map(|total| pair((total.key, total.head)));
    let then = body.comparison.is_some().then(|| pair(THEN));
    let layers = layers.iter().map(|layer| pair((&layer.key, &layer.label)));
    totals.chain(then).chain(layers).collect()
}

fn lines<'a>(
    period: &'a Period,
    totals: &'a [&Total],
    body: &'a HistoryBody,
    layers: &'a [Layer],
) -> impl Iterator<Item = Line<'a>> {
    let then = body.comparison.as_ref().map(|comparison| &comparison.intervals);
    body.intervals.iter().enumerate().filter_map(move |(index, interval)| {
        let coverage = stacks::coverage(interval, period.now.seconds())?;
        let mut values: Vec<Option<f64>> = totals.iter().map(|total| (total.of)(interval)).collect();
        if let Some(then) = then {
            values.push(then.get(index).and_then(|one| one.totals.get("consumption")?.then_kwh));
        }
        values.extend(layers.iter().map(|layer| layer.values.get(index).copied().flatten()));
        Some(Line { interval, coverage, values })
    })
}

/// As the page shows it.
pub(super) fn of(
    numbers: Numbers,
    wanted: &Wanted,
    period: &Period,
    totals: &[&Total],
    body: &HistoryBody,
    layers: &[Layer],
) -> Table {
    let largest = body.intervals.iter().filter_map(|one| one.consumption_kwh).fold(0.0, f64::max);
    let decimals = Numbers::decimals_of_kwh(largest).max(1) + usize::from(period.length == Length::Day);
    let cell = |kwh: Option<f64>| kwh.map_or_else(|| "–".to_owned(), |kwh| numbers.number(kwh, decimals));
    let row = |line: Line<'_>| {
        let one = line.interval;
        let within = period.length.within().zip(one.start.get(..10));
        TableRow {
            label: period.of_bar(&one.start, &one.end),
            link: within.map(|(length, day)| Wanted { compare: None, ..wanted.clone() }.link(length, day)),
            known: numbers.percent(Some(line.coverage)),
            cells: line.values.into_iter().map(cell).collect(),
        }
    };
    Table { heads: heads(totals, body, layers), rows: lines(period, totals, body, layers).map(row).collect() }
}

/// As a file: the same rows and columns.
pub(super) fn file(
    site: &Arc<Site>,
    period: &Period,
    totals: &[&Total],
    body: &HistoryBody,
    layers: &[Layer],
) -> Response {
    let mut columns = vec!["start".to_owned(), "end".to_owned(), "known".to_owned()];
    columns.extend(heads(totals, body, layers).into_iter().map(|(_, words)| format!("{words} (kWh)")));
    let row = |line: Line<'_>| {
        let mut cells = vec![line.interval.start.clone(), line.interval.end.clone()];
        cells.push(sheet::number(Some(line.coverage)));
        cells.extend(line.values.into_iter().map(sheet::number));
        cells
    };
    let rows = lines(period, totals, body, layers).map(row).collect();
    Sheet { name: sheet::name(site, "history", period), columns, rows }.answer()
}
