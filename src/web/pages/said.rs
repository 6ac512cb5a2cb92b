//! A stretch of history in sentences.

use super::Numbers;
use super::history::KeyRow;
use super::period::{Length, Period};
use super::stacks::{self, Layer};
use crate::web::views::compare::Difference;
use crate::web::{HistoryBody, HistoryInterval};

/// What is said of a time without readings.
pub(super) const NOTHING: &str = "Nothing is known of this time: there are no readings of it.";

/// What it comes to, in sentences.
pub(super) fn of(
    numbers: Numbers,
    period: &Period,
    body: &HistoryBody,
    layers: &[Layer],
    sums: &[KeyRow],
) -> Vec<String> {
    let kwh = |value: f64| numbers.kwh(Some(value));
    let find = |key: &str| sums.iter().find(|row| row.key == key).and_then(|row| row.kwh);
    let mut said = Vec::new();
    let so_far = if period.is_open() { " so far" } else { "" };
    match find("consumption") {
        Some(used) => said.push(format!("The house used {}{so_far}.", kwh(used))),
        None => said.push("What the house used is not known.".to_owned()),
    }
    if let Some(whole) = body.comparison.as_ref().and_then(|comparison| comparison.whole.as_ref()) {
        said.push(compared(numbers, whole.totals.get("consumption")));
    }
    let most = layers
        .iter()
        .filter(|layer| layer.key != "untracked")
        .max_by(|one, other| one.total().unwrap_or(0.0).total_cmp(&other.total().unwrap_or(0.0)));
    if let Some((layer, most)) =
        most.and_then(|layer| Some((layer, layer.total()?))).filter(|(_, most)| *most > 0.0)
    {
        said.push(format!(
            "The most went to {}: {}.",
            lower(&layer.label, layer.circuit.is_some()),
            kwh(most)
        ));
    }
    if let Some(sun) = find("generation").filter(|sun| *sun > 0.0) {
        let here = find("self").zip(find("consumption").filter(|used| *used > 0.0));
        let stayed = here.map_or_else(String::new, |(here, used)| {
            format!(
                "; {} of it stayed, which is {} of what was used",
                kwh(here),
                numbers.percent(Some(here / used))
            )
        });
        said.push(format!("The sun gave {}{stayed}.", kwh(sun)));
        said.push(covered(period, body));
    }
    said.push(known(numbers, period, body));
    said.retain(|sentence| !sentence.is_empty());
    said
}

/// A label within a sentence: an end use in small letters, a circuit as it is written.
fn lower(label: &str, is_circuit: bool) -> String {
    if is_circuit || label.starts_with("EV") { label.to_owned() } else { label.to_lowercase() }
}

fn compared(numbers: Numbers, difference: Option<&Difference>) -> String {
    let Some(difference) = difference else { return String::new() };
    match (difference.difference_kwh, difference.difference_share, difference.then_kwh) {
        (Some(more), Some(share), Some(then)) => {
            let word = if more < 0.0 { "less" } else { "more" };
            format!(
                "That is {} {word} than in the same time before ({}).",
                numbers.percent(Some(share.abs())),
                numbers.kwh(Some(then))
            )
        }
        _ => "With the same time before it cannot be compared: not enough of both is known.".to_owned(),
    }
}

/// When the sun gave as much as the house used.
fn covered(period: &Period, body: &HistoryBody) -> String {
    // A day that goes on may use more yet.
    let is_over = |one: &HistoryInterval| {
        let end = one.end.parse::<jiff::Timestamp>();
        end.is_ok_and(|end| end.as_second() <= period.now.seconds())
    };
    let whole = |one: &&HistoryInterval| {
        let both = one.generation_kwh.zip(one.consumption_kwh);
        is_over(one) && both.is_some_and(|(sun, used)| sun > 0.0 && sun >= used)
    };
    let days: Vec<_> = body.intervals.iter().filter(whole).collect();
    let (on, one, many) = match period.length {
        Length::Day => ("In", "quarter-hour", "quarter-hours"),
        Length::Year => ("In", "month", "months"),
        _ => ("On", "day", "days"),
    };
    match days.last() {
        None => format!("{on} no whole {one} did it give as much as the house used."),
        Some(last) => {
            let when = period.of_bar(&last.start, &last.end);
            let count = days.len();
            format!(
                "{on} {count} {} it gave as much as the house used or more, last: {when}.",
                if count == 1 { one } else { many }
            )
        }
    }
}

/// How much of the time is known.
fn known(numbers: Numbers, period: &Period, body: &HistoryBody) -> String {
    let (mut all, mut known) = (0.0, 0.0);
    for one in &body.intervals {
        if let Some(coverage) = stacks::coverage(one, period.now.seconds()) {
            all += one.seconds as f64;
            known += coverage * one.seconds as f64;
        }
    }
    match known / all {
        share if all == 0.0 || share >= 0.995 => String::new(),
        share => format!(
            "All totals are known for {} of the time; the strip below the chart shows where not.",
            numbers.percent(Some(share))
        ),
    }
}
