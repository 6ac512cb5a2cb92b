//! The charts of a stretch of history, one above the other on one scale of time.

use std::sync::Arc;

use super::Numbers;
use super::history::Chart;
use super::period::{Length, Period};
use super::stacks::{self, Layer};
use crate::chart::{Kind, Piece, Slot, Stack};
use crate::site::Site;
use crate::web::HistoryBody;

/// CSS pixels of what was used.
const TALL: u32 = 280;
/// CSS pixels of the rest.
const LOW: u32 = 110;

/// What was used, what the sun gave, and what came in and went out.
pub(super) fn of(
    numbers: Numbers,
    site: &Arc<Site>,
    period: &Period,
    body: &HistoryBody,
    layers: &[Layer],
) -> Vec<Chart> {
    let count = body.intervals.len();
    let starts: Vec<&str> = body.intervals.iter().map(|one| one.start.as_str()).collect();
    let kind = if period.length == Length::Day { Kind::Area } else { Kind::Bars };
    let marks = marks(body);
    // A day is drawn as power, which is read more easily than the energy of a quarter-hour.
    let (unit, factor) = if kind == Kind::Area { ("kW", 4.0) } else { ("kWh", 1.0) };
    let draw = |label: String, mut slots: Vec<Slot>, height: u32, shows_coverage: bool| {
        for slot in &mut slots {
            slot.pieces.iter_mut().for_each(|piece| piece.value *= factor);
            slot.ghost = slot.ghost.map(|ghost| ghost * factor);
        }
        let axis = Stack::axis(&slots, if height > 200 { 4 } else { 2 });
        let marks = if shows_coverage { marks.clone() } else { Vec::new() };
        let stack =
            Stack { label, slots, kind, ticks: period.ticks(&starts), height, axis, marks, shows_coverage };
        stack.draw(|value| numbers.number(value, axis.decimals()))
    };
    let mut used = stacks::slots(layers, count);
    let then = body.comparison.as_ref().map(|comparison| &comparison.intervals);
    for (index, slot) in used.iter_mut().enumerate() {
        slot.coverage = stacks::coverage(&body.intervals[index], period.now.seconds());
        slot.ghost = then.and_then(|then| then.get(index)?.totals.get("consumption")?.then_kwh);
    }
    let heading = period.heading();
    let label = format!("What the house used, {heading}, stacked. The table below has every figure.");
    let mut charts = vec![Chart { title: "What the house used", unit, svg: draw(label, used, TALL, true) }];
    let pieces = |values: &[(&str, Option<f64>)]| Slot {
        pieces: values
            .iter()
            .filter_map(|(class, value)| Some(Piece { class: (*class).to_owned(), value: (*value)? }))
            .collect(),
        ..Slot::default()
    };
    if site.circuits.iter().any(|circuit| circuit.latest().role == crate::site::Role::Pv) {
        let slots = body.intervals.iter().map(|one| {
            let left = one.generation_kwh.zip(one.self_consumed_kwh).map(|(all, here)| (all - here).max(0.0));
            match one.self_consumed_kwh {
                Some(here) => pieces(&[("sun", Some(here)), ("sun light", left)]),
                None => pieces(&[("sun light", one.generation_kwh)]),
            }
        });
        let label = format!("What the sun gave, {heading}: used here, and sent to the grid.");
        charts.push(Chart {
            title: "What the sun gave",
            unit,
            svg: draw(label, slots.collect(), LOW, false),
        });
    }
    if !site.feeds.is_empty() {
        let slots = body
            .intervals
            .iter()
            .map(|one| pieces(&[("grid", one.import_kwh), ("grid light", one.export_kwh.map(|kwh| -kwh))]));
        let label = format!("From the grid above the line, to the grid below it, {heading}.");
        charts.push(Chart {
            title: "From the grid, and to it",
            unit,
            svg: draw(label, slots.collect(), LOW, false),
        });
    }
    charts
}

/// The bars in which something was noted.
fn marks(body: &HistoryBody) -> Vec<usize> {
    let time = |text: &str| text.parse::<jiff::Timestamp>().map(|at| at.as_second()).unwrap_or_default();
    let starts: Vec<i64> = body.intervals.iter().map(|one| time(&one.start)).collect();
    let mut marks: Vec<usize> = body
        .annotations
        .iter()
        .map(|note| starts.partition_point(|start| *start <= time(&note.start)).saturating_sub(1))
        .collect();
    marks.dedup();
    marks
}
