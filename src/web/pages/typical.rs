//! The typical day: mean power by quarter-hour of the local clock.

use std::sync::Arc;

use axum::response::Response;
use serde::Serialize;

use super::ask::{self, Trouble};
use super::history::{Chart, Steps, Wanted};
use super::period::Period;
use super::sheet::{self, Sheet};
use super::stacks::{self, Layer, Show};
use super::{Asked, Numbers, Page, said, show, words};
use crate::chart::{Axis, Kind, Piece, Slot, Stack, Tick};
use crate::site::{FigureKey, Site};
use crate::web::views::profile::{NAMES, ProfileBody};
use crate::web::{HistoryQuery, Shared, View};

#[derive(Debug, Serialize)]
struct TypicalPage {
    steps: Steps,
    charts: Vec<Chart>,
    weekdays: Vec<Weekday>,
    key: Vec<KeyRow>,
    days: u32,
    /// What is said where nothing is known.
    nothing: &'static str,
    /// Where what is shown is a file.
    csv: String,
}

#[derive(Debug, Serialize)]
struct Weekday {
    name: &'static str,
    unit: &'static str,
    svg: String,
    mean_w: Option<f64>,
}

#[derive(Debug, Serialize)]
struct KeyRow {
    class: String,
    label: String,
    mean_w: Option<f64>,
}

/// Words below the hours of a day of quarter-hours.
pub(super) fn ticks(every: usize) -> Vec<Tick> {
    (0..24)
        .step_by(every)
        .map(|hour| {
            let text = format!("{hour}:00");
            let short = if hour % 6 == 0 { text.clone() } else { String::new() };
            Tick { slot: 4 * hour, text, short }
        })
        .collect()
}

/// One layer of mean powers.
pub(super) fn plain(class: &str, watts: &[Option<f64>]) -> Vec<Slot> {
    let slot = |w: &Option<f64>| Slot {
        pieces: w.iter().map(|w| Piece { class: class.to_owned(), value: *w }).collect(),
        ..Slot::default()
    };
    watts.iter().map(slot).collect()
}

/// A chart of a day, in kW where it reaches that far; with its unit. The label goes on with the unit.
pub(super) fn of_day(numbers: Numbers, label: &str, slots: Vec<Slot>, height: u32) -> (&'static str, String) {
    let axis = Stack::axis(&slots, 4);
    on_axis(numbers, label, slots, axis, 3, height)
}

/// The same on an axis that it may share with others, and with words at each so many hours.
fn on_axis(
    numbers: Numbers,
    label: &str,
    slots: Vec<Slot>,
    axis: Axis,
    hours: usize,
    height: u32,
) -> (&'static str, String) {
    let (unit, watts) = unit_of(axis);
    let stack = Stack {
        label: format!("{label}, in {unit}."),
        slots,
        kind: Kind::Area,
        ticks: ticks(hours),
        height,
        axis,
        marks: Vec::new(),
        shows_coverage: false,
    };
    (unit, stack.draw(|w| on_scale(numbers, axis, watts, w)))
}

/// A unit for an axis in watts, and how many watts it has.
pub(super) fn unit_of(axis: Axis) -> (&'static str, f64) {
    if axis.high >= 1000.0 { ("kW", 1000.0) } else { ("W", 1.0) }
}

/// A tick of the axis in the unit that has so many watts.
pub(super) fn on_scale(numbers: Numbers, axis: Axis, watts: f64, w: f64) -> String {
    let decimals = Axis { step: axis.step / watts, ..axis }.decimals();
    numbers.number(w / watts, decimals)
}

/// The page.
pub(super) async fn page(
    shared: &Shared,
    asked: &Asked,
    site: &Arc<Site>,
    wanted: &Wanted,
    period: &Period,
) -> Result<Response, Trouble> {
    let (from, to) = (words::iso(period.first), words::iso(period.after));
    let circuits = (0..site.circuits.len()).map(FigureKey::Circuit);
    let totals = [FigureKey::Consumption, FigureKey::Generation, FigureKey::Untracked];
    let only = Some(circuits.chain(totals).collect());
    let query = HistoryQuery { only, ..ask::of(site, View::Profile, &from, &to, None) };
    let body: ProfileBody = ask::ask(shared, move |history| ask::body(history, &query)).await?;
    let of = |id: &str| body.circuits.get(id).map(|one| one.all.w.clone()).unwrap_or_default();
    let total = |name: &str| body.totals.get(name).map(|one| one.all.w.clone()).unwrap_or_default();
    let layers = stacks::layers(site, Show::Uses, of, total("untracked"));
    if wanted.as_file {
        return Ok(file(site, period, &layers, &total("generation")));
    }
    let heading = period.heading();
    let label = format!("Mean power through the day, {heading}, stacked by end use");
    let mut charts = Vec::new();
    if !layers.is_empty() {
        let (unit, svg) = of_day(asked.numbers, &label, stacks::slots(&layers, 96), 280);
        charts.push(Chart { title: "A typical day of the house", unit, svg });
    }
    let sun = total("generation");
    if sun.iter().flatten().any(|w| *w > 0.0) {
        let label = format!("Mean power of the sun through the day, {heading}");
        let (unit, svg) = of_day(asked.numbers, &label, plain("sun", &sun), 110);
        charts.push(Chart { title: "A typical day of the sun", unit, svg });
    }
    let row = |layer: &Layer| KeyRow {
        class: layer.class.clone(),
        label: layer.label.clone(),
        mean_w: mean(&layer.values),
    };
    let mut key: Vec<KeyRow> = layers.iter().map(row).collect();
    key.sort_by(|one, other| other.mean_w.unwrap_or(0.0).total_cmp(&one.mean_w.unwrap_or(0.0)));
    let page = TypicalPage {
        csv: wanted.file(period),
        steps: Steps::of(wanted, period),
        charts,
        weekdays: weekdays(asked.numbers, &body),
        key,
        nothing: said::NOTHING,
        days: body.totals.get("consumption").and_then(|one| one.all.days.iter().max().copied()).unwrap_or(0),
    };
    let title = format!("Typical day: {heading}");
    let frame =
        Page { template: "typical.html", title: &title, site: Some(site), tab: "history", again_s: 0 };
    Ok(show(shared, asked, frame, &page))
}

/// The same as a file, a row for each quarter-hour.
fn file(site: &Site, period: &Period, layers: &[Layer], sun: &[Option<f64>]) -> Response {
    let mut columns = vec!["start".to_owned()];
    columns.extend(layers.iter().map(|layer| format!("{} (W)", layer.label)));
    columns.extend((!sun.is_empty()).then(|| "The sun gave (W)".to_owned()));
    let row = |slot: usize| {
        let mut cells = vec![format!("{:02}:{:02}", slot / 4, slot % 4 * 15)];
        let values = layers.iter().map(|layer| &layer.values[..]);
        let values = values.chain((!sun.is_empty()).then_some(sun));
        cells.extend(values.map(|values| sheet::number(values.get(slot).copied().flatten())));
        cells
    };
    let rows = (0..96).map(row).collect();
    Sheet { name: sheet::name(site, "typical-day", period), columns, rows }.answer()
}

fn mean(watts: &[Option<f64>]) -> Option<f64> {
    let known = watts.iter().flatten().count();
    (known > 0).then(|| watts.iter().flatten().sum::<f64>() / known as f64)
}

/// Each weekday on one scale, so that they can be compared.
fn weekdays(numbers: Numbers, body: &ProfileBody) -> Vec<Weekday> {
    let Some(figure) = body.totals.get("consumption") else { return Vec::new() };
    let days: Vec<_> = NAMES.iter().filter_map(|name| figure.weekdays.get(*name)).collect();
    if days.iter().all(|day| mean(&day.w).is_none()) {
        return Vec::new();
    }
    let all: Vec<Slot> = days.iter().flat_map(|day| plain("ink", &day.w)).collect();
    let axis = Stack::axis(&all, 3);
    let draw = |(day, name): (&&crate::web::views::profile::ProfileDay, &'static str)| {
        let label = format!("Mean power on a {name}");
        let (unit, svg) = on_axis(numbers, &label, plain("ink", &day.w), axis, 12, 80);
        Weekday { name, unit, svg, mean_w: mean(&day.w) }
    };
    days.iter().zip(words::WEEKDAYS).map(draw).collect()
}
