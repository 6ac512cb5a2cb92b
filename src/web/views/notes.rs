//! Notes over the API: shown to whoever may read, added and removed by whoever may read, too.
//!
//! A page from elsewhere must not write through a visitor's browser. A note is added only by a
//! request whose content type is `application/json` and removed only by `DELETE`: a browser asks
//! first before it sends either to another origin, and this API does not agree. The guard refuses a
//! request that names another origin as well.

use std::sync::Arc;

use axum::extract::{Path, Query, State};
use axum::http::{HeaderMap, StatusCode, header};
use axum::response::{IntoResponse, Response};
use bytes::Bytes;
use serde::{Deserialize, Serialize};
use utoipa::ToSchema;

use super::super::answer::{Refusal, json};
use super::super::history::asked;
use super::super::shapes::Refused;
use super::super::{HistoryError, Shared, api};
use crate::calendar::Zone;
use crate::history::{Note, note_text};
use crate::store::{NoteChange, NoteRefused};
use crate::units::Stamp;

/// Bytes of a request that adds a note: 300 characters of any script, escaped, and two times.
pub(in crate::web) const MAX_BODY: usize = 8 << 10;

/// A dated note.
#[derive(Clone, Debug, Deserialize, PartialEq, Eq, Serialize, ToSchema)]
pub struct Annotation {
    /// Its number.
    pub id: i64,
    /// When it begins, in the site's own time (RFC 3339).
    #[schema(example = "2026-05-02T09:30:00-06:00")]
    pub start: String,
    /// When it ends; the same as `start` for a note of a moment.
    #[schema(example = "2026-05-02T09:30:00-06:00")]
    pub end: String,
    /// `person`, or `map` for a note that a changed map made by itself.
    #[schema(example = "person")]
    pub by: String,
    /// What it says.
    #[schema(example = "dryer replaced")]
    pub text: String,
}

/// The notes of a site.
#[derive(Clone, Debug, Deserialize, Serialize, ToSchema)]
pub struct Annotations {
    /// The site's id.
    pub site: String,
    /// By start; of more than a thousand the newest.
    pub annotations: Vec<Annotation>,
}

/// A note to be added.
#[derive(Clone, Debug, Deserialize, Serialize, ToSchema)]
#[serde(deny_unknown_fields)]
pub struct NewAnnotation {
    /// When: a local date, a local date and time, or RFC 3339; now if it is not given.
    #[serde(default, skip_serializing_if = "Option::is_none")]
    #[schema(example = "2026-05-02")]
    pub start: Option<String>,
    /// When it ends, likewise; without it the note is of a moment.
    #[serde(default, skip_serializing_if = "Option::is_none")]
    pub end: Option<String>,
    /// What it says: one line, up to 300 characters.
    #[schema(example = "dryer replaced")]
    pub text: String,
}

impl Annotation {
    /// A note as it is shown.
    pub fn of(zone: &Zone, note: &Note) -> Self {
        Self {
            id: note.id,
            start: zone.rfc3339(note.start),
            end: zone.rfc3339(note.end),
            by: note.by.as_str().to_owned(),
            text: note.text.clone(),
        }
    }
}

impl NewAnnotation {
    /// What the store is to do.
    ///
    /// # Errors
    /// [`HistoryError::Asked`] where a time or the text makes no sense.
    pub fn change(&self, zone: &Zone, now: Stamp) -> Result<NoteChange, HistoryError> {
        let text = note_text(&self.text).map_err(|what| {
            let hint = "write what changed in the house, in a line".to_owned();
            HistoryError::Asked { what: format!("text: {what}"), hint }
        })?;
        let time = |name: &str, text: &str| zone.parse(text).map_err(|error| asked(name, &error));
        let start = self.start.as_deref().map_or(Ok(now), |text| time("start", text))?;
        let end = self.end.as_deref().map(|text| time("end", text)).transpose()?;
        if end.is_some_and(|end| end < start) {
            let what = "end: the note ends before it begins".to_owned();
            let hint = "leave `end` out for a note of a moment".to_owned();
            return Err(HistoryError::Asked { what, hint });
        }
        Ok(NoteChange::add(start, end, text))
    }
}

fn of_question(error: HistoryError) -> Refusal {
    match error {
        HistoryError::Asked { what, hint } => Refusal::new(StatusCode::BAD_REQUEST, what, hint),
        HistoryError::Failed(why) => api::failed(&why),
    }
}

/// The notes of a site.
#[utoipa::path(get, path = "/api/sites/{site}/annotations",
    params(
        ("site" = String, Path,),
        ("from" = Option<String>, Query, description = "Local date, local date and time, or RFC 3339"),
        ("to" = Option<String>, Query, description = "Likewise; not included"),
    ),
    responses(
        (status = 200, body = Annotations),
        (status = 400, body = Refused, description = "a parameter is wrong"),
        (status = 404, body = Refused, description = "no such site"),
        (status = 503, body = Refused, description = "the store could not answer"),
    ))]
pub(in crate::web) async fn list(
    State(shared): State<Arc<Shared>>,
    Path(id): Path<String>,
    Query(given): Query<Vec<(String, String)>>,
) -> Result<Response, Refusal> {
    let site = shared.site(&id).ok_or_else(|| Refusal::no_such_site(&id))?;
    let zone = api::zone(&site)?;
    let [from, to] = api::parameters("annotations", ["from", "to"], given)?;
    let time = |name: &str, text: Option<&str>, default: Stamp| match text {
        Some(text) => zone.parse(text).map_err(|error| of_question(asked(name, &error))),
        None => Ok(default),
    };
    let range = time("from", from.as_deref(), Stamp::MIN)?..time("to", to.as_deref(), Stamp::MAX)?;
    let notes = Arc::clone(&shared.state.notes.list);
    let asked = id.clone();
    let found =
        api::blocking(&shared, move || notes(&asked, range)).await?.map_err(|why| api::failed(&why))?;
    let annotations = found.iter().map(|note| Annotation::of(&zone, note)).collect();
    Ok(json(&Annotations { site: id, annotations }))
}

/// Adds a note.
#[utoipa::path(post, path = "/api/sites/{site}/annotations", params(("site" = String, Path,)),
    request_body = NewAnnotation,
    responses(
        (status = 201, body = Annotation),
        (status = 400, body = Refused, description = "the note makes no sense"),
        (status = 403, body = Refused, description = "sent by a page of another origin"),
        (status = 404, body = Refused, description = "no such site"),
        (status = 409, body = Refused, description = "too many notes"),
        (status = 415, body = Refused, description = "not application/json"),
        (status = 503, body = Refused, description = "the store could not take it"),
    ))]
pub(in crate::web) async fn add(
    State(shared): State<Arc<Shared>>,
    Path(id): Path<String>,
    headers: HeaderMap,
    body: Bytes,
) -> Result<Response, Refusal> {
    let site = shared.site(&id).ok_or_else(|| Refusal::no_such_site(&id))?;
    let zone = api::zone(&site)?;
    is_json(&headers)?;
    let note: NewAnnotation = serde_json::from_slice(&body).map_err(|error| {
        let hint = r#"send {"start": "2026-05-02", "text": "dryer replaced"}, for example"#;
        Refusal::new(StatusCode::BAD_REQUEST, format!("this is no note: {error}"), hint)
    })?;
    let change = note.change(&zone, shared.state.clock.now()).map_err(of_question)?;
    let added = carry_out(&shared, &id, change).await?;
    Ok((StatusCode::CREATED, json(&Annotation::of(&zone, &added))).into_response())
}

/// Removes a note, and answers with what it was.
#[utoipa::path(delete, path = "/api/sites/{site}/annotations/{id}",
    params(("site" = String, Path,), ("id" = i64, Path,)),
    responses(
        (status = 200, body = Annotation),
        (status = 403, body = Refused, description = "sent by a page of another origin"),
        (status = 404, body = Refused, description = "no such site or note"),
        (status = 503, body = Refused, description = "the store could not do it"),
    ))]
pub(in crate::web) async fn remove(
    State(shared): State<Arc<Shared>>,
    Path((id, number)): Path<(String, i64)>,
) -> Result<Response, Refusal> {
    let site = shared.site(&id).ok_or_else(|| Refusal::no_such_site(&id))?;
    let zone = api::zone(&site)?;
    let removed = carry_out(&shared, &id, NoteChange::Remove { id: number }).await?;
    Ok(json(&Annotation::of(&zone, &removed)))
}

async fn carry_out(shared: &Shared, site: &str, change: NoteChange) -> Result<Note, Refusal> {
    let notes = Arc::clone(&shared.state.notes.change);
    let id = site.to_owned();
    let outcome = api::blocking(shared, move || notes(&id, change)).await?;
    outcome.map_err(|why| api::failed(&why))?.map_err(|refused| {
        let status = match refused {
            NoteRefused::Unknown(_) => StatusCode::NOT_FOUND,
            NoteRefused::Full => StatusCode::CONFLICT,
            NoteRefused::NoSite => StatusCode::SERVICE_UNAVAILABLE,
        };
        Refusal::new(status, refused.to_string(), "GET the same path for the notes that there are")
    })
}

/// A browser asks before it sends this kind of content to another origin.
pub(in crate::web) fn is_json(headers: &HeaderMap) -> Result<(), Refusal> {
    let kind = headers.get(header::CONTENT_TYPE).and_then(|kind| kind.to_str().ok()).unwrap_or_default();
    if kind.split(';').next().unwrap_or_default().trim().eq_ignore_ascii_case("application/json") {
        return Ok(());
    }
    let hint = "send Content-Type: application/json";
    Err(Refusal::new(StatusCode::UNSUPPORTED_MEDIA_TYPE, "what changes something is sent as JSON", hint))
}
