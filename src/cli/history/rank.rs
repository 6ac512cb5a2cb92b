//! The ranking onto standard output.

use anyhow::Result;
use comfy_table::CellAlignment;

use super::output::{align, number, percent, plain};
use crate::web::views::rank::{RankBody, RankPlace};

/// The places, the end uses, and what it comes to.
pub(super) fn tables(name: &str, body: &RankBody) -> String {
    let heads = [
        "",
        "circuit",
        "label",
        "kWh",
        "share",
        "a day",
        "runs",
        "from W",
        "cycles a day",
        "peak W",
        "15 min W",
        "known",
        "days",
    ];
    let mut table = plain(heads.map(str::to_owned).to_vec());
    align(&mut table, 1, CellAlignment::Left);
    align(&mut table, 2, CellAlignment::Left);
    for place in &body.places {
        table.add_row(row(place));
    }
    let mut uses = plain(["end use", "kWh", "share", "circuits"].map(str::to_owned).to_vec());
    align(&mut uses, 3, CellAlignment::Left);
    for one in &body.end_uses {
        uses.add_row([one.end_use.clone(), number(one.kwh), share(one.share), one.circuits.join(", ")]);
    }
    format!(
        "{name} ({}), share of {}, {}\nFrom {} to {}: {} kWh, {} of it known\n\n{}\n\n{}\n\n{}\n\nRun times, cycles and peaks are counted from {} on.\n\
         A dash is not known. `days` are those on which a circuit and {} are known for the same time.\n",
        body.site,
        body.whole,
        body.time_zone,
        short(&body.start),
        short(&body.end),
        number(body.kwh),
        percent(body.coverage),
        table.trim_fmt(),
        uses.trim_fmt(),
        wrapped(&body.conclusion),
        short(&body.minutes_start),
        body.whole,
    )
}

fn row(place: &RankPlace) -> [String; 13] {
    let dash = || "-".to_owned();
    let watts = |watts: Option<f64>| watts.map_or_else(dash, |watts| format!("{watts:.0}"));
    [
        place.place.to_string(),
        place.circuit.clone().unwrap_or_else(dash),
        place.label.clone(),
        number(place.kwh),
        share(place.share),
        place.kwh_per_day.map_or_else(dash, |kwh| format!("{kwh:.2}")),
        share(place.run_share),
        watts(place.runs_from_w),
        place.cycles_per_day.map_or_else(dash, |cycles| format!("{cycles:.1}")),
        watts(place.peak_minute_w),
        watts(place.peak_quarter_w),
        percent(place.coverage),
        place.days.to_string(),
    ]
}

fn share(share: Option<f64>) -> String {
    share.map_or_else(|| "-".to_owned(), |share| format!("{:.1} %", share * 100.0 + 0.0))
}

/// The local date and time of RFC 3339.
fn short(at: &str) -> String {
    let at = at.get(..16).unwrap_or(at);
    at.replace('T', " ").trim_end_matches(" 00:00").to_owned()
}

/// Sentences in lines of at most 100 characters.
fn wrapped(text: &str) -> String {
    const WIDTH: usize = 100;
    let mut lines = vec![String::new()];
    for word in text.split(' ') {
        let last = lines.len() - 1;
        if !lines[last].is_empty() && lines[last].chars().count() + 1 + word.chars().count() > WIDTH {
            lines.push(word.to_owned());
            continue;
        }
        let line = &mut lines[last];
        line.push_str(if line.is_empty() { "" } else { " " });
        line.push_str(word);
    }
    lines.join("\n")
}

/// A row a place.
pub(super) fn csv(body: &RankBody) -> Result<String> {
    let mut writer = csv::Writer::from_writer(Vec::new());
    writer.write_record([
        "site",
        "place",
        "circuit",
        "label",
        "end_use",
        "kwh",
        "coverage",
        "share",
        "days",
        "kwh_per_day",
        "run_share",
        "runs_from_w",
        "cycles",
        "cycles_per_day",
        "minutes",
        "peak_minute_w",
        "peak_minute_at",
        "peak_quarter_w",
        "peak_quarter_at",
    ])?;
    for place in &body.places {
        let some = |value: Option<f64>| value.map(|value| value.to_string()).unwrap_or_default();
        let text = |value: &Option<String>| value.clone().unwrap_or_default();
        writer.write_record([
            body.site.clone(),
            place.place.to_string(),
            text(&place.circuit),
            place.label.clone(),
            text(&place.end_use),
            some(place.kwh),
            place.coverage.to_string(),
            some(place.share),
            place.days.to_string(),
            some(place.kwh_per_day),
            some(place.run_share),
            some(place.runs_from_w),
            place.cycles.map(|cycles| cycles.to_string()).unwrap_or_default(),
            some(place.cycles_per_day),
            place.minutes.to_string(),
            some(place.peak_minute_w),
            text(&place.peak_minute_at),
            some(place.peak_quarter_w),
            text(&place.peak_quarter_at),
        ])?;
    }
    Ok(String::from_utf8(writer.into_inner()?)?)
}
