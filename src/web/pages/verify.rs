//! A load step, guided: what to do now in large letters, for whoever stands at the load with a phone.
//!
//! It shows the same body as the API. Without script the page asks again by itself while a step runs.

use std::sync::Arc;

use axum::body::Bytes;
use axum::extract::{Path, Query, State};
use axum::http::StatusCode;
use axum::response::{IntoResponse, Response};
use serde::Serialize;

use super::{Asked, Page, problem, show, sign_in};
use crate::site::Site;
use crate::web::views::verify::{VerifyBody, body_of, in_short};
use crate::web::{Shared, StepRefused};

/// Bytes of the form: a circuit's id.
pub(in crate::web) const MAX_FORM: usize = 2 << 10;
/// Without script the page asks again after so many seconds while a step runs.
const AGAIN_S: u32 = 2;

#[derive(Serialize)]
struct VerifyPage {
    body: VerifyBody,
    /// Whether one runs, or the one that is over is to be shown.
    shows_step: bool,
    /// What could be proven, by panel.
    circuits: Vec<Choice>,
    /// The one that was asked for; empty for none.
    chosen: String,
}

#[derive(Serialize)]
struct Choice {
    id: String,
    label: String,
    place: String,
    /// When and as what it was proven; empty if it was not, or no longer holds.
    proven: String,
}

/// A load step of a site: choose, do, and see what it proved.
#[utoipa::path(get, path = "/sites/{site}/verify", params(
    ("site" = String, Path,),
    ("circuit" = Option<String>, Query, description = "the id of the circuit to begin with"),
), responses(
    (status = 200, body = String, content_type = "text/html"),
    (status = 404, description = "no such site"),
))]
pub(in crate::web) async fn verify(
    State(shared): State<Arc<Shared>>,
    asked: Asked,
    Path(id): Path<String>,
    Query(given): Query<Vec<(String, String)>>,
) -> Response {
    let Some(site) = shared.site(&id) else { return problem::no_such_site(&shared, &asked, &id) };
    let mut body = match body_of(&shared, &site) {
        Ok(body) => body,
        Err(refusal) => return refusal.into_response(),
    };
    if let Some(verdict) = &mut body.verdict {
        verdict.what = asked.numbers.said(&verdict.what).into();
    }
    let wanted = given.into_iter().find(|(name, _)| name == "circuit").map(|(_, id)| id);
    let runs = body.state == "running";
    // The one that is over is shown until somebody asks for another.
    let shows_step = runs || (body.state == "over" && wanted.is_none());
    let known = |id: &String| site.circuits.iter().any(|circuit| circuit.id == *id);
    let chosen = wanted.filter(known).unwrap_or_default();
    let page = VerifyPage { shows_step, circuits: choices(&shared, &site), chosen, body };
    let again_s = if runs { AGAIN_S } else { 0 };
    let frame =
        Page { template: "verify.html", title: "Prove a circuit", site: Some(&site), tab: "panel", again_s };
    show(&shared, &asked, frame, &page)
}

fn choices(shared: &Shared, site: &Site) -> Vec<Choice> {
    let now = shared.state.clock.now();
    let proven = in_short(site, &shared.state.steps.proofs(&site.id), now);
    let measured = site.circuits.iter().filter_map(|circuit| {
        let entry = circuit.entry(now).filter(|entry| !entry.cts.is_empty())?;
        let spaces: Vec<String> = entry.spaces.iter().map(u16::to_string).collect();
        let proof = proven.iter().find(|(id, _)| *id == circuit.id).map(|(_, proof)| proof);
        Some(Choice {
            id: circuit.id.clone(),
            label: entry.label.clone(),
            place: format!("{} {}", site.buses[entry.bus].name, spaces.join(", ")).trim().to_owned(),
            proven: proof
                .map(|proof| format!("{}: {}", proof.at.get(..10).unwrap_or_default(), proof.words))
                .unwrap_or_default(),
        })
    });
    measured.collect()
}

/// Begins a load step (`circuit`), or ends the one that runs (`end`).
#[utoipa::path(post, path = "/sites/{site}/verify", params(("site" = String, Path,)),
    request_body(content = String, content_type = "application/x-www-form-urlencoded",
        description = "`circuit`, the id of the one to begin with; or `end`"),
    responses(
        (status = 303, description = "to the page that shows it"),
        (status = 403, description = "a token proves nothing, or the form is not of the browser's own page"),
        (status = 404, description = "no such site or circuit"),
        (status = 409, description = "one is under way"),
    ))]
pub(in crate::web) async fn verify_form(
    State(shared): State<Arc<Shared>>,
    asked: Asked,
    Path(id): Path<String>,
    body: Bytes,
) -> Response {
    let Some(site) = shared.site(&id) else { return problem::no_such_site(&shared, &asked, &id) };
    let field =
        |name: &str| form_urlencoded::parse(&body).find(|(other, _)| other == name).map(|(_, value)| value);
    if field("end").is_some() {
        shared.state.steps.end(&site.id);
        return sign_in::to("./verify");
    }
    let wanted = field("circuit").unwrap_or_default();
    let Some(circuit) = site.circuit_index(&wanted) else {
        let hint = "Choose one of the list.";
        return problem(&shared, &asked, StatusCode::NOT_FOUND, "There is no such circuit.", hint);
    };
    let why = match shared.state.steps.start(&site, circuit) {
        Ok(()) => return sign_in::to("./verify"),
        Err(StepRefused::Busy { circuit, .. }) => format!("A load step of {circuit} is under way."),
        Err(StepRefused::TooMany) => "As many load steps as may be are under way at other sites.".to_owned(),
        Err(StepRefused::NoEntry) => "The map has no entry of this circuit now.".to_owned(),
    };
    problem(&shared, &asked, StatusCode::CONFLICT, &why, "Wait until it is over, or end it.")
}
