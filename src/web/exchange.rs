//! Files over the API: energy as CSV or ESPI out, readings as CSV in.

use std::sync::Arc;

use axum::body::Bytes;
use axum::extract::{Path, Query, State};
use axum::http::{HeaderMap, HeaderValue, StatusCode, header};
use axum::response::{IntoResponse, Response};

use super::answer::{Refusal, json};
use super::api::{blocking, failed};
use super::history::Question;
use super::shapes::{ImportBody, Refused};
use super::{HistoryError, Shared};
use crate::calendar::{By, Zone};
use crate::exchange::{self, Columns, Export, ExportError, Faults, Form, Limits, export};
use crate::history::Source;
use crate::reading::Sample;
use crate::site::{ChannelIndex, Site};
use crate::store::Imported;
use crate::units::{Span, Stamp};

/// Bytes of one download. A year of hours of a house of 25 figures is 4 MB as CSV, and 60 MB as ESPI; what
/// is longer comes in parts, or from `panelwright export`, which needs no memory for it.
pub const MAX_EXPORT: usize = 64 << 20;
/// Bytes of one upload.
pub const MAX_IMPORT: usize = 4 << 20;
/// Readings of one upload: an hour of the largest panel, with a reading a second each, in four parts.
pub const MAX_READINGS: usize = 65_536;
/// Time that the readings of one upload may span: its minutes are counted again at once, and meanwhile
/// live readings wait to be written.
pub const MAX_SPAN: Span = Span(31 * Span::DAY.0);
/// Live readings are expected no later than this after their time; what is older goes straight to where
/// sealed readings are.
pub const OVER_AFTER: Span = Span(2 * Span::HOUR.0);

/// What a client asked for, as it wrote it.
#[derive(Clone, Debug)]
pub struct ExportQuery {
    /// The site; it exists.
    pub site: Arc<Site>,
    /// `from`, `to` and `by`, as of history.
    pub from: Option<String>,
    /// Where it ends.
    pub to: Option<String>,
    /// The length of an interval.
    pub by: Option<String>,
    /// The form of the file.
    pub form: Form,
}

/// Answers with a file. It blocks.
pub type Exporter = Arc<dyn Fn(&ExportQuery) -> Result<String, HistoryError> + Send + Sync>;

/// Puts readings into the store, and returns once they are on the disk. It blocks.
pub type Importer = Arc<dyn Fn(&Site, Vec<(ChannelIndex, Sample)>) -> Result<Imported, String> + Send + Sync>;

/// Answers an export from a source.
///
/// # Errors
/// As history does; also a file that is too long.
pub fn answer<S: Source>(query: &ExportQuery, now: Stamp, source: &mut S) -> Result<String, HistoryError> {
    let asked = |what: String, hint: &str| HistoryError::Asked { what, hint: hint.into() };
    let site = &query.site;
    let zone = Zone::new(&site.time_zone).map_err(|error| HistoryError::Failed(error.to_string()))?;
    let (from, to) = (query.from.as_deref(), query.to.as_deref());
    let by = query.by.as_deref().unwrap_or(By::Hour.as_str());
    // Only the range is taken from it: days, so that no number of intervals is too many.
    let days = Question::read(site, from, to, Some("day"), now)?;
    let moment = |text: &str| zone.parse(text).ok();
    let (Some(first), Some(last)) = (days.intervals.first(), days.intervals.last()) else {
        return Err(asked("from and to hold nothing".into(), "from=2025-03-01&to=2025-04-01, for example"));
    };
    let range =
        from.and_then(moment).unwrap_or(first.start)..to.and_then(moment).unwrap_or(now.min(last.end));
    let by: By = by.parse().map_err(|error| asked(format!("by: {error}"), "by=hour, for example"))?;
    let what = Export { site, zone: &zone, range, by, form: query.form, now };
    let mut text = String::new();
    let mut out = |piece: String| {
        text.push_str(&piece);
        if text.len() > MAX_EXPORT { Err(()) } else { Ok(()) }
    };
    match export(&what, source, &mut out) {
        Ok(_) => Ok(text),
        Err(ExportError::Asked(error)) => {
            Err(asked(error.to_string(), "from=2025-03-01&to=2025-04-01, for example"))
        }
        Err(ExportError::NoSuchInterval(by)) => {
            Err(asked(format!("ESPI has no intervals by {by}"), "by=minute, quarter, hour or day"))
        }
        Err(ExportError::Source(error)) => Err(HistoryError::Failed(error.to_string())),
        Err(ExportError::Out(())) => {
            let what = format!("the file has more than {} MiB", MAX_EXPORT >> 20);
            Err(asked(what, "ask in parts, by longer intervals, or use `panelwright export`"))
        }
    }
}

/// Energy of a site by interval, as a file.
#[utoipa::path(get, path = "/api/sites/{site}/export",
    params(
        ("site" = String, Path,),
        ("form" = Option<String>, Query, description = "csv (the default) or espi (XML of NAESB REQ.21)"),
        ("from" = Option<String>, Query, description = "Local date, local date and time, or RFC 3339"),
        ("to" = Option<String>, Query, description = "Likewise; not included"),
        ("by" = Option<String>, Query,
            description = "minute, quarter, hour (the default), day, week, month, year or billing"),
    ),
    responses(
        (status = 200, body = String, content_type = "text/csv", description = "or application/atom+xml"),
        (status = 400, body = Refused, description = "a parameter is wrong, or the file too long"),
        (status = 404, body = Refused, description = "no such site"),
        (status = 503, body = Refused, description = "the store could not answer"),
    ))]
pub(super) async fn download(
    State(shared): State<Arc<Shared>>,
    Path(id): Path<String>,
    Query(given): Query<Vec<(String, String)>>,
) -> Result<Response, Refusal> {
    let site = shared.site(&id).ok_or_else(|| Refusal::no_such_site(&id))?;
    let query = query(site, given)?;
    let form = query.form;
    let exporter = Arc::clone(&shared.state.export);
    let made = blocking(&shared, move || exporter(&query)).await?;
    let (kind, ending) = match form {
        Form::Csv => ("text/csv; charset=utf-8; header=present", "csv"),
        Form::Espi => ("application/atom+xml; charset=utf-8", "xml"),
    };
    match made {
        Ok(text) => {
            let mut headers = HeaderMap::new();
            headers.insert(header::CONTENT_TYPE, HeaderValue::from_static(kind));
            // A site's id is safe in a file name.
            let name = format!("attachment; filename=\"{id}.{ending}\"");
            headers.extend(HeaderValue::from_str(&name).ok().map(|name| (header::CONTENT_DISPOSITION, name)));
            Ok((headers, text).into_response())
        }
        Err(HistoryError::Asked { what, hint }) => Err(Refusal::new(StatusCode::BAD_REQUEST, what, hint)),
        Err(HistoryError::Failed(why)) => Err(failed(&why)),
    }
}

fn query(site: Arc<Site>, given: Vec<(String, String)>) -> Result<ExportQuery, Refusal> {
    let bad = |what: String, hint: &str| Err(Refusal::new(StatusCode::BAD_REQUEST, what, hint));
    let mut query = ExportQuery { site, from: None, to: None, by: None, form: Form::Csv };
    let mut form = None;
    for (name, value) in given {
        let place = match name.as_str() {
            "from" => &mut query.from,
            "to" => &mut query.to,
            "by" => &mut query.by,
            "form" => &mut form,
            _ => {
                let name: String = name.chars().take(40).collect();
                return bad(
                    format!("{name:?} is no parameter of export"),
                    "parameters are form, from, to and by",
                );
            }
        };
        if place.replace(value).is_some() {
            return bad(format!("{name:?} is given twice"), "give each parameter once");
        }
    }
    query.form = match form.as_deref() {
        None | Some("csv") => Form::Csv,
        Some("espi") => Form::Espi,
        Some(_) => return bad("the form is not known".into(), "form=csv or form=espi"),
    };
    Ok(query)
}

/// Puts readings into the store, whatever their age.
#[utoipa::path(post, path = "/api/sites/{site}/readings",
    params(("site" = String, Path,)),
    request_body(content = String, content_type = "text/csv",
        description = "columns time, channel, value and, if need be, unit; at most 4 MiB, 65,536 readings and 31 days"),
    responses(
        (status = 200, body = ImportBody, description = "they are on the disk"),
        (status = 400, body = Refused, description = "a line is wrong: nothing of it was taken"),
        (status = 404, body = Refused, description = "no such site"),
        (status = 413, body = Refused, description = "too much at once"),
        (status = 415, body = Refused, description = "not text/csv"),
        (status = 503, body = Refused, description = "the store does not take it"),
    ))]
pub(super) async fn upload(
    State(shared): State<Arc<Shared>>,
    Path(id): Path<String>,
    headers: HeaderMap,
    body: Bytes,
) -> Result<Response, Refusal> {
    let site = shared.site(&id).ok_or_else(|| Refusal::no_such_site(&id))?;
    // A page from elsewhere can send a form or plain text without asking, but not this.
    let kind = headers.get(header::CONTENT_TYPE).and_then(|kind| kind.to_str().ok()).unwrap_or_default();
    if kind.split(';').next().map(str::trim) != Some("text/csv") {
        let hint = "send Content-Type: text/csv";
        return Err(Refusal::new(StatusCode::UNSUPPORTED_MEDIA_TYPE, "readings come as CSV", hint));
    }
    let readings = parse(&site, &body, shared.state.clock.now())?;
    let count = readings.len();
    let importer = Arc::clone(&shared.state.import);
    let done = blocking(&shared, move || importer(&site, readings)).await?;
    let Imported { new, changed, same } = done.map_err(|why| {
        let hint = "send it again: what is in is in, and doubles are harmless; /health says more";
        Refusal::new(StatusCode::SERVICE_UNAVAILABLE, why, hint)
    })?;
    tracing::info!(site = id, count, new, changed, same, "readings were imported");
    Ok(json(&ImportBody { new, changed, same }))
}

/// The readings of an upload; all faults at once where there is any.
fn parse(site: &Site, body: &[u8], now: Stamp) -> Result<Vec<(ChannelIndex, Sample)>, Refusal> {
    let bad = |what: String, hint: &str| Refusal::new(StatusCode::BAD_REQUEST, what, hint);
    let zone = Zone::new(&site.time_zone).map_err(|error| failed(&error.to_string()))?;
    let limits = Limits { site, zone: &zone, now };
    let mut reader = csv::ReaderBuilder::new().flexible(true).from_reader(body);
    let header = reader.headers().map_err(|error| bad(error.to_string(), "send CSV in UTF-8"))?;
    let columns = Columns::find(header).map_err(|fault| bad(fault.to_string(), "mend the first line"))?;
    let (mut readings, mut faults) = (Vec::new(), Faults::default());
    for record in reader.records() {
        let record = record.map_err(|error| bad(error.to_string(), "send CSV in UTF-8"))?;
        let line = record.position().map_or(0, csv::Position::line);
        match columns.row(&limits, line, &record) {
            Ok(row) => readings.extend(row),
            Err(fault) => faults.add(fault),
        }
        if readings.len() > MAX_READINGS {
            let what = format!("there are more than {MAX_READINGS} readings");
            return Err(Refusal::new(StatusCode::PAYLOAD_TOO_LARGE, what, "send them in parts"));
        }
    }
    if !faults.is_empty() {
        return Err(bad(faults.to_string(), "nothing was taken; mend the lines, or leave them out"));
    }
    let times = readings.iter().map(|(_, sample)| sample.at);
    if let (Some(first), Some(last)) = (times.clone().min(), times.max())
        && last - first > MAX_SPAN
    {
        let what = "the readings span more than 31 days";
        return Err(Refusal::new(StatusCode::PAYLOAD_TOO_LARGE, what, "send them in parts, by time"));
    }
    Ok(readings)
}

/// What is over: what the store may take as sealed. See [`OVER_AFTER`].
pub fn over(now: Stamp) -> Stamp {
    (now - OVER_AFTER).floor(Span::HOUR)
}

const _: () = assert!(MAX_EXPORT < exchange::MAX_TEXT);
