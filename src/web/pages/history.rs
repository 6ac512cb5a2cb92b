//! History: what was used by what, what the sun gave, what came in and went out, over a stretch of time.
//!
//! The address holds the whole state, so a view can be kept, sent and printed. The figures are those of
//! `/api/sites/{site}/history`, `profile` and `rank`.

use std::sync::Arc;

use axum::extract::{Path, Query, State};
use axum::response::Response;
use serde::Serialize;

use super::ask::{self, Trouble};
use super::period::{Length, Period};
use super::stacks::{self, Layer, Show};
use super::table::{self, Table, Total};
use super::{Asked, Page, charts, problem, said, show, words};
use crate::site::Site;
use crate::web::{HistoryBody, Shared, View};

/// What the address says.
#[derive(Clone, Debug)]
pub(super) struct Wanted {
    pub(super) span: Option<String>,
    pub(super) at: Option<String>,
    pub(super) show: Show,
    pub(super) compare: Option<&'static str>,
    pub(super) view: &'static str,
    /// Whether what is shown is wanted as a file.
    pub(super) as_file: bool,
}

impl Wanted {
    /// Reads the parameters; what a page does not know it passes over, as browsers and search engines
    /// add some of their own.
    pub(super) fn read(given: &[(String, String)]) -> Self {
        let get = |name: &str| given.iter().find(|(key, _)| key == name).map(|(_, value)| value.clone());
        let one_of = |name: &str, known: &[&'static str]| {
            let value = get(name)?;
            known.iter().copied().find(|one| *one == value)
        };
        Self {
            span: get("span"),
            at: get("at"),
            show: if get("show").as_deref() == Some("circuits") { Show::Circuits } else { Show::Uses },
            compare: one_of("compare", &["previous", "year"]),
            view: one_of("view", &["typical", "rank"]).unwrap_or("energy"),
            as_file: get("form").as_deref() == Some("csv"),
        }
    }

    /// The address of what is shown as a file.
    pub(super) fn file(&self, period: &Period) -> String {
        format!("{}&form=csv", self.link(period.length, &words::iso(period.first)))
    }

    /// The address of the same view of another time, or of another view of the same.
    pub(super) fn link(&self, length: Length, at: &str) -> String {
        let mut link = format!("?span={}&at={at}", length.as_str());
        if self.view != "energy" {
            link.push_str(&format!("&view={}", self.view));
        }
        if self.show == Show::Circuits {
            link.push_str("&show=circuits");
        }
        if let Some(compare) = self.compare {
            link.push_str(&format!("&compare={compare}"));
        }
        link
    }
}

/// A choice among a few.
#[derive(Debug, Serialize)]
pub(super) struct Choice {
    words: &'static str,
    link: String,
    here: bool,
}

/// What stands above every view: which time it is of, and the ways to others.
#[derive(Debug, Serialize)]
pub(super) struct Steps {
    heading: String,
    previous: String,
    next: Option<String>,
    lengths: Vec<Choice>,
    views: Vec<Choice>,
    today: String,
}

impl Steps {
    pub(super) fn of(wanted: &Wanted, period: &Period) -> Self {
        let at = words::iso(period.first);
        let anchor = anchor(period);
        let length = |length: Length| Choice {
            words: length.words(),
            link: wanted.link(length, &anchor),
            here: length == period.length,
        };
        let view = |(view, words)| Choice {
            words,
            link: Wanted { view, ..wanted.clone() }.link(period.length, &at),
            here: view == wanted.view,
        };
        Self {
            heading: period.heading(),
            previous: wanted.link(period.length, &words::iso(period.before())),
            next: period.next().map(|next| wanted.link(period.length, &words::iso(next))),
            lengths: Length::ALL.into_iter().map(length).collect(),
            views: [("energy", "Energy"), ("typical", "Typical day"), ("rank", "What uses most")]
                .into_iter()
                .map(view)
                .collect(),
            today: words::iso(period.zone.day_of(period.now)),
        }
    }
}

/// Where another length is looked at: today's if today is within, else where this one starts. A bill is of two
/// months: from this month it leads to the bill that runs.
fn anchor(period: &Period) -> String {
    let today = period.zone.day_of(period.now);
    let within = period.first <= today && today < period.after;
    words::iso(if within { today } else { period.first })
}

#[derive(Debug, Serialize)]
struct EnergyPage {
    steps: Steps,
    /// Sentences.
    said: Vec<String>,
    charts: Vec<Chart>,
    key: Vec<KeyRow>,
    sums: Vec<KeyRow>,
    shows: Vec<Choice>,
    compares: Vec<Choice>,
    compared: bool,
    table: Table,
    /// Where what is shown is a file.
    csv: String,
    /// Where all figures of the time are one.
    all: String,
    notes: Vec<NoteRow>,
    /// Where bars lead, for the words of the page.
    within: bool,
    /// What a note is dated by if nothing else is said.
    note_day: String,
}

#[derive(Debug, Serialize)]
pub(super) struct Chart {
    pub(super) title: &'static str,
    pub(super) unit: &'static str,
    pub(super) svg: String,
}

#[derive(Debug, Serialize)]
pub(super) struct KeyRow {
    pub(super) key: String,
    class: String,
    label: String,
    circuit: Option<String>,
    pub(super) kwh: Option<f64>,
    share: Option<f64>,
}

#[derive(Debug, Serialize)]
struct NoteRow {
    id: i64,
    when: String,
    text: String,
    by_map: bool,
}

/// The history of a site, for a browser.
#[utoipa::path(get, path = "/sites/{site}/history",
    params(
        ("site" = String, Path,),
        ("span" = Option<String>, Query, description = "day, week, month (the default), billing or year"),
        ("at" = Option<String>, Query, description = "a local date within it; today if it is not given"),
        ("view" = Option<String>, Query, description = "energy (the default), typical or rank"),
        ("show" = Option<String>, Query, description = "uses (the default) or circuits"),
        ("compare" = Option<String>, Query, description = "previous or year"),
        ("form" = Option<String>, Query, description = "csv: what is shown as a file"),
    ),
    responses(
        (status = 200, body = String, content_type = "text/html", description = "or text/csv"),
        (status = 404, description = "no such site"),
    ))]
pub(in crate::web) async fn history(
    State(shared): State<Arc<Shared>>,
    asked: Asked,
    Path(id): Path<String>,
    Query(given): Query<Vec<(String, String)>>,
) -> Response {
    let Some(site) = shared.site(&id) else { return problem::no_such_site(&shared, &asked, &id) };
    let wanted = Wanted::read(&given);
    let now = shared.state.clock.now();
    let period = match Period::read(&site, wanted.span.as_deref(), wanted.at.as_deref(), now) {
        Ok(period) => period,
        Err(trouble) => return trouble.page(&shared, &asked),
    };
    let answer = match wanted.view {
        "typical" => super::typical::page(&shared, &asked, &site, &wanted, &period).await,
        "rank" => super::rank::page(&shared, &asked, &site, &wanted, &period).await,
        _ => energy(&shared, &asked, &site, &wanted, &period).await,
    };
    answer.unwrap_or_else(|trouble| trouble.page(&shared, &asked))
}

async fn energy(
    shared: &Shared,
    asked: &Asked,
    site: &Arc<Site>,
    wanted: &Wanted,
    period: &Period,
) -> Result<Response, Trouble> {
    let by = period.length.by();
    let (from, to) = (words::iso(period.first), words::iso(period.after));
    let mut query = ask::of(site, View::Energy, &from, &to, Some(by.as_str()));
    query.compare = wanted.compare.map(str::to_owned);
    let body: HistoryBody = ask::ask(shared, move |history| ask::body(history, &query)).await?;
    let layers = stacks::of_history(site, wanted.show, &body);
    let totals = table::totals(site, &body);
    if wanted.as_file {
        return Ok(table::file(site, period, &totals, &body, &layers));
    }
    let sums = sums(&totals, &body);
    // Empty charts tell less than a sentence.
    let is_known = !layers.is_empty() || sums.iter().any(|row| row.kwh.is_some());
    let page = EnergyPage {
        steps: Steps::of(wanted, period),
        said: match is_known {
            true => said::of(asked.numbers, period, &body, &layers, &sums),
            false => vec![said::NOTHING.to_owned()],
        },
        charts: if is_known { charts::of(asked.numbers, site, period, &body, &layers) } else { Vec::new() },
        key: key(&layers, sums[0].kwh),
        shows: choices_of_layers(wanted, period),
        compares: choices_of_compare(wanted, period),
        compared: body.comparison.is_some(),
        table: table::of(asked.numbers, wanted, period, &totals, &body, &layers),
        csv: wanted.file(period),
        all: format!("{}api/sites/{}/export?form=csv&from={from}&to={to}&by={by}", asked.root, site.id),
        notes: notes(&body),
        within: period.length.within().is_some(),
        note_day: words::iso(if period.is_open() { period.zone.day_of(period.now) } else { period.first }),
        sums,
    };
    let title = format!("History: {}", period.heading());
    let frame =
        Page { template: "history.html", title: &title, site: Some(site), tab: "history", again_s: 0 };
    Ok(show(shared, asked, frame, &page))
}

fn choices_of_layers(wanted: &Wanted, period: &Period) -> Vec<Choice> {
    let at = words::iso(period.first);
    let choice = |(show, words)| Choice {
        words,
        link: Wanted { show, ..wanted.clone() }.link(period.length, &at),
        here: show == wanted.show,
    };
    [(Show::Uses, "by use"), (Show::Circuits, "by circuit")].into_iter().map(choice).collect()
}

fn choices_of_compare(wanted: &Wanted, period: &Period) -> Vec<Choice> {
    let at = words::iso(period.first);
    let choice = |(compare, words)| Choice {
        words,
        link: Wanted { compare, ..wanted.clone() }.link(period.length, &at),
        here: compare == wanted.compare,
    };
    let before = match period.length {
        Length::Day => "the day before",
        Length::Week => "the week before",
        Length::Month => "the month before",
        Length::Billing => "the bill before",
        Length::Year => "the year before",
    };
    let mut choices = vec![(None, "nothing"), (Some("previous"), before)];
    if period.length != Length::Year {
        choices.push((Some("year"), "a year before"));
    }
    choices.into_iter().map(choice).collect()
}

/// Totals beside the stacks; the first is consumption.
fn sums(totals: &[&Total], body: &HistoryBody) -> Vec<KeyRow> {
    let row = |total: &&Total| KeyRow {
        key: total.key.to_owned(),
        class: total.class.to_owned(),
        label: total.label.to_owned(),
        circuit: None,
        kwh: stacks::sum(body.intervals.iter().map(total.of)),
        share: None,
    };
    totals.iter().map(row).collect()
}

/// The layers, from the top of the stack downwards, as they are seen.
fn key(layers: &[Layer], consumption: Option<f64>) -> Vec<KeyRow> {
    let mut rows: Vec<KeyRow> = layers
        .iter()
        .map(|layer| {
            let kwh = layer.total();
            KeyRow {
                key: layer.key.clone(),
                class: layer.class.clone(),
                label: layer.label.clone(),
                circuit: layer.circuit.clone(),
                kwh,
                share: kwh.zip(consumption.filter(|kwh| *kwh > 0.0)).map(|(part, all)| part / all),
            }
        })
        .collect();
    rows.sort_by(|one, other| other.kwh.unwrap_or(0.0).total_cmp(&one.kwh.unwrap_or(0.0)));
    rows
}

fn notes(body: &HistoryBody) -> Vec<NoteRow> {
    let row = |note: &crate::web::views::notes::Annotation| NoteRow {
        id: note.id,
        when: words::moment(&note.start),
        text: note.text.clone(),
        by_map: note.by == "map",
    };
    body.annotations.iter().map(row).collect()
}
