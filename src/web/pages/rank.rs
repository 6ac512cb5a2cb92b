//! What uses most, and what is worth a CT.

use std::sync::Arc;

use axum::response::Response;
use serde::Serialize;

use super::ask::{self, Trouble};
use super::history::{Steps, Wanted};
use super::period::Period;
use super::sheet::{self, Sheet};
use super::{Asked, Numbers, Page, show, uses, words};
use crate::site::{EndUse, Site};
use crate::web::views::rank::{RankBody, RankPlace};
use crate::web::{HistoryQuery, Shared, View};

#[derive(Debug, Serialize)]
struct RankPage {
    steps: Steps,
    /// Which uses most: what whoever opens the page asks.
    most: String,
    conclusion: String,
    whole: String,
    places: Vec<Place>,
    unmeasured: Vec<Unmeasured>,
    /// Where what is shown is a file.
    csv: String,
}

#[derive(Debug, Serialize)]
struct Place {
    circuit: Option<String>,
    label: String,
    class: &'static str,
    kwh: Option<f64>,
    share: Option<f64>,
    /// Its bar, in percent of the largest share.
    width: f64,
    kwh_per_day: Option<f64>,
    run_share: Option<f64>,
    cycles_per_day: Option<f64>,
    peak_w: Option<f64>,
    peak_at: String,
}

#[derive(Debug, Serialize)]
struct Unmeasured {
    id: String,
    label: String,
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
    let query = HistoryQuery { numbers: Some(asked.numbers), ..ask::of(site, View::Rank, &from, &to, None) };
    let body: RankBody = ask::ask(shared, move |history| ask::body(history, &query)).await?;
    if wanted.as_file {
        return Ok(file(site, period, &body));
    }
    let largest = body.places.iter().filter_map(|place| place.share).fold(0.0, f64::max);
    let label = |id: &String| Unmeasured { id: id.clone(), label: site.label_of(id).to_owned() };
    let page = RankPage {
        steps: Steps::of(wanted, period),
        csv: wanted.file(period),
        most: most(asked.numbers, period, &body),
        conclusion: body.conclusion.to_string(),
        whole: body.whole.clone(),
        unmeasured: body.unmeasured.iter().map(label).collect(),
        places: body.places.iter().map(|one| place(one, largest)).collect(),
    };
    let title = format!("What uses most: {}", period.heading());
    let frame = Page { template: "rank.html", title: &title, site: Some(site), tab: "history", again_s: 0 };
    Ok(show(shared, asked, frame, &page))
}

/// The same as a file.
fn file(site: &Site, period: &Period, body: &RankBody) -> Response {
    let columns = [
        "circuit",
        "label",
        "share",
        "energy (kWh)",
        "a day (kWh)",
        "runs (share of the time)",
        "starts a day",
        "highest quarter-hour (W)",
        "at",
    ];
    let row = |place: &RankPlace| {
        let mut cells = vec![place.circuit.clone().unwrap_or_default(), place.label.clone()];
        let figures = [
            place.share,
            place.kwh,
            place.kwh_per_day,
            place.run_share,
            place.cycles_per_day,
            place.peak_quarter_w,
        ];
        cells.extend(figures.map(sheet::number));
        cells.push(place.peak_quarter_at.clone().unwrap_or_default());
        cells
    };
    let rows = body.places.iter().map(row).collect();
    let columns = columns.map(str::to_owned).to_vec();
    Sheet { name: sheet::name(site, "rank", period), columns, rows }.answer()
}

/// `Heat pump, outdoor unit used most so far: 463.5 kWh, 28 % of consumption.`; empty where nothing is known.
fn most(numbers: Numbers, period: &Period, body: &RankBody) -> String {
    let measured = |place: &&RankPlace| place.circuit.is_some() && place.kwh.is_some_and(|kwh| kwh > 0.0);
    let Some(first) = body.places.iter().find(measured) else { return String::new() };
    let so_far = if period.is_open() { " so far" } else { "" };
    let share = first
        .share
        .map_or_else(String::new, |share| format!(", {} of {}", numbers.percent(Some(share)), body.whole));
    format!("{} used most{so_far}: {}{share}.", first.label, numbers.kwh(first.kwh))
}

fn place(place: &RankPlace, largest: f64) -> Place {
    let end_use = place.end_use.as_deref().and_then(EndUse::from_word);
    let share = place.share.unwrap_or(0.0).max(0.0);
    Place {
        circuit: place.circuit.clone(),
        label: if place.circuit.is_none() { "Untracked".to_owned() } else { place.label.clone() },
        class: end_use.map_or("untracked", uses::class),
        kwh: place.kwh,
        share: place.share,
        width: if largest > 0.0 { (1000.0 * share / largest).round() / 10.0 } else { 0.0 },
        kwh_per_day: place.kwh_per_day,
        run_share: place.run_share,
        cycles_per_day: place.cycles_per_day,
        peak_w: place.peak_quarter_w,
        peak_at: place.peak_quarter_at.as_deref().map(words::moment).unwrap_or_default(),
    }
}
