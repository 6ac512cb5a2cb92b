//! Load steps over the API: begun, watched and ended; and what they have proved.
//!
//! What begins or ends one is guarded as a note is: a page from elsewhere must not do it through a
//! visitor's browser.

use std::sync::Arc;

use axum::extract::{Path, State};
use axum::http::{HeaderMap, StatusCode};
use axum::response::{IntoResponse, Response};
use bytes::Bytes;
use serde::{Deserialize, Serialize};
use utoipa::ToSchema;

use super::super::answer::{Refusal, json};
use super::super::shapes::Refused;
use super::super::{Shared, StepRefused, Watched, api};
use super::notes::is_json;
use crate::calendar::Zone;
use crate::said::Said;
use crate::schedule;
use crate::site::Site;
use crate::units::Stamp;
use crate::verify::{Moved, Proof, Step, Verdict};

/// Bytes of a request that begins a load step: a circuit's id has 64 characters at most.
pub(in crate::web) const MAX_BODY: usize = 1 << 10;

/// What whoever does it has to know before.
pub const CAUTIONS: [&str; 3] = [
    "Never open a panel for this. The load is switched at its own switch, thermostat or plug, not at its breaker.",
    "Parts of a panel stay energised with the main breaker off. Work on CTs is for a licensed electrician, under the \
     code in force where you are.",
    "Switch only what may be switched: no medical device, no pump or heater that people or animals depend on, no \
     compressor more often than its maker allows.",
];

/// A load step to begin.
#[derive(Clone, Debug, Deserialize, Serialize, ToSchema)]
#[serde(deny_unknown_fields)]
pub struct VerifyStart {
    /// The circuit's id.
    #[schema(example = "water-heater")]
    pub circuit: String,
}

/// A load step that runs, or the last one that ran.
#[derive(Clone, Debug, Deserialize, Serialize, ToSchema)]
pub struct VerifyBody {
    /// The site's id.
    #[schema(example = "heron-lane")]
    pub site: String,
    /// `none`, `running` or `over`.
    #[schema(example = "running")]
    pub state: String,
    /// How it ended: `settled`, `stopped`, `timed-out`, `map-changed` or `too-many-readings`.
    pub ended: Option<String>,
    /// The circuit's id.
    pub circuit: Option<String>,
    /// Its label.
    pub label: Option<String>,
    /// When it began, in the site's own time (RFC 3339).
    pub started: Option<String>,
    /// When it ends by itself at the latest.
    pub until: Option<String>,
    /// What is to be done now.
    pub step: Option<VerifyStep>,
    /// The switchings that were seen.
    pub switchings: Vec<VerifySwitching>,
    /// The circuit's CTs, the legs of its feed, and whatever else moved in step.
    pub moved: Vec<VerifyMoved>,
    /// Channels that matter here and send nothing: there is no verdict without them.
    pub silent: Vec<String>,
    /// What it shows; it counts once `settled`.
    pub verdict: Option<VerifyVerdict>,
    /// Whether the verdict is in the store.
    pub kept: bool,
    /// What whoever does it has to know before.
    pub cautions: Vec<String>,
}

/// What is to be done now.
#[derive(Clone, Debug, Deserialize, PartialEq, Serialize, ToSchema)]
pub struct VerifyStep {
    /// `wait`, `on`, `off`, `hold` or `done`.
    #[serde(rename = "do")]
    #[schema(example = "on")]
    pub action: String,
    /// The same in a sentence.
    #[schema(example = "Switch the load on (1 of 4).")]
    pub text: String,
    /// For how many seconds more, where it is to wait or to hold.
    pub left_s: Option<f64>,
    /// How many seconds each state has to last.
    pub hold_s: f64,
    /// How many switchings were seen.
    pub seen: usize,
    /// How many are wanted.
    pub wanted: usize,
}

/// A switching that was seen.
#[derive(Clone, Debug, Deserialize, Serialize, ToSchema)]
pub struct VerifySwitching {
    /// When, in the site's own time (RFC 3339).
    pub at: String,
    /// Whether the load went on.
    pub on: bool,
}

/// A channel or leg, and by how much it moved.
#[derive(Clone, Debug, Deserialize, Serialize, ToSchema)]
pub struct VerifyMoved {
    /// `house/3`, `leg A`, or `feed`.
    #[schema(example = "house/3")]
    pub name: String,
    /// `channel` or `leg`.
    pub kind: String,
    /// Whether the map has it on the circuit.
    pub own: bool,
    /// The circuit that the map has the channel on, by id.
    pub circuit: Option<String>,
    /// By how many W, at a switching that made the feed rise; `null` while nothing is known.
    pub watts: Option<f64>,
    /// How uncertain that is, in W: a standard error.
    pub error_w: Option<f64>,
    /// In how many switchings it was seen.
    pub seen: usize,
    /// What it shows now, in W, a channel as its meter sent it.
    pub now_w: Option<f64>,
}

/// What a load step shows of a circuit.
#[derive(Clone, Debug, Deserialize, Serialize, ToSchema)]
pub struct VerifyVerdict {
    /// The verdict as a word for programs.
    #[schema(example = "as-mapped")]
    pub kind: String,
    /// In a few words, for people.
    #[schema(example = "as mapped")]
    pub words: String,
    /// Whether it counts.
    pub settled: bool,
    /// In a sentence, with its figures.
    #[schema(value_type = String)]
    pub what: Said,
    /// The line of the map to change (1-based).
    pub line: Option<usize>,
    /// What to write there.
    pub write: Option<String>,
    /// What to do next.
    pub next: String,
}

/// What load steps have proved at a site.
#[derive(Clone, Debug, Deserialize, Serialize, ToSchema)]
pub struct Proofs {
    /// The site's id.
    pub site: String,
    /// The newest of each circuit.
    pub proofs: Vec<ProofBody>,
    /// Circuits with CTs that have none, or none that still holds, by id.
    pub unproven: Vec<String>,
}

/// A load step that came to a verdict.
#[derive(Clone, Debug, Deserialize, Serialize, ToSchema)]
pub struct ProofBody {
    /// The circuit's id.
    #[schema(example = "water-heater")]
    pub circuit: String,
    /// Its label; empty where the map has the circuit no more.
    pub label: String,
    /// When it was done, in the site's own time (RFC 3339).
    pub at: String,
    /// What it proved.
    pub verdict: VerifyVerdict,
    /// What moved: name and W.
    pub moved: Vec<(String, f64)>,
    /// How often the load was switched.
    pub switchings: usize,
    /// Whether the map still says of it what it said then.
    pub holds: bool,
}

/// A circuit's proof in short.
#[derive(Clone, Debug, Deserialize, PartialEq, Serialize, ToSchema)]
pub struct Proven {
    /// When it was done, in the site's own time (RFC 3339).
    pub at: String,
    /// The verdict as a word for programs.
    #[schema(example = "as-mapped")]
    pub kind: String,
    /// In a few words.
    #[schema(example = "as mapped")]
    pub words: String,
}

/// What there is to do, in a sentence.
fn text_of(step: Step, seen: usize, wanted: usize, hold_s: f64) -> String {
    let left = |left: crate::units::Span| left.as_seconds().ceil();
    match step {
        Step::Gather { left: span } => {
            format!("Leave the load as it is for {:.0} s more: readings from before are needed.", left(span))
        }
        Step::Switch { on: true } if seen == 0 => format!(
            "Switch the load on at its own switch, and leave it on for {hold_s:.0} s (1 of {wanted}). If it is on \
             already, switch it off."
        ),
        Step::Switch { on } => {
            let word = if on { "on" } else { "off" };
            format!("Switch it {word}, and leave it {word} for {hold_s:.0} s ({} of {wanted}).", seen + 1)
        }
        Step::Hold { on, left: span } => {
            let word = if on { "on" } else { "off" };
            format!(
                "Seen: it went {word} ({seen} of {wanted}). Leave it {word} for {:.0} s more.",
                left(span)
            )
        }
        Step::Done => "Done.".to_owned(),
    }
}

impl VerifyBody {
    fn none(site: &str) -> Self {
        Self {
            site: site.to_owned(),
            state: "none".to_owned(),
            ended: None,
            circuit: None,
            label: None,
            started: None,
            until: None,
            step: None,
            switchings: Vec::new(),
            moved: Vec::new(),
            silent: Vec::new(),
            verdict: None,
            kept: false,
            cautions: CAUTIONS.map(str::to_owned).to_vec(),
        }
    }

    /// The state as it is shown.
    pub fn of(zone: &Zone, watched: &Watched) -> Self {
        let circuit = &watched.site.circuits[watched.circuit];
        let label = circuit.entry(watched.started).unwrap_or_else(|| circuit.latest()).label.clone();
        let progress = &watched.progress;
        let (seen, wanted) = (progress.switchings.len(), progress.wanted);
        let hold_s = progress.hold.as_seconds();
        let (action, left) = match progress.step {
            Step::Gather { left } => ("wait", Some(left)),
            Step::Switch { on: true } => ("on", None),
            Step::Switch { on: false } => ("off", None),
            Step::Hold { left, .. } => ("hold", Some(left)),
            Step::Done => ("done", None),
        };
        let step = watched.end.is_none().then(|| VerifyStep {
            action: action.to_owned(),
            text: text_of(progress.step, seen, wanted, hold_s),
            left_s: left.map(crate::units::Span::as_seconds),
            hold_s,
            seen,
            wanted,
        });
        let settled = watched.end == Some(crate::verify::End::Settled);
        Self {
            state: if watched.end.is_none() { "running" } else { "over" }.to_owned(),
            ended: watched.end.map(|end| end.as_str().to_owned()),
            circuit: Some(circuit.id.clone()),
            label: Some(label),
            started: Some(zone.rfc3339(watched.started)),
            until: Some(zone.rfc3339(watched.ends)),
            step,
            switchings: progress
                .switchings
                .iter()
                .map(|switching| VerifySwitching { at: zone.rfc3339(switching.at), on: switching.on })
                .collect(),
            moved: progress
                .moved
                .iter()
                .map(|moved| of_moved(&watched.site, moved, watched.started))
                .collect(),
            silent: progress.silent.clone(),
            verdict: Some(VerifyVerdict { settled, ..VerifyVerdict::of(&progress.verdict) }),
            kept: watched.kept,
            ..Self::none(&watched.site.id)
        }
    }
}

fn of_moved(site: &Site, moved: &Moved, at: Stamp) -> VerifyMoved {
    let on = moved.channel.and_then(|channel| {
        let holds =
            |entry: &crate::site::CircuitEntry| entry.cts.iter().any(|ct| ct.channel.0 as usize == channel);
        site.circuits.iter().find(|circuit| circuit.entry(at).is_some_and(holds))
    });
    let tenth = |watts: f64| (watts * 10.0).round() / 10.0;
    let change = moved.change.filter(|change| change.watts.is_finite());
    VerifyMoved {
        name: moved.name.clone(),
        kind: if moved.channel.is_some() { "channel" } else { "leg" }.to_owned(),
        own: moved.own,
        circuit: on.map(|circuit| circuit.id.clone()),
        watts: change.map(|change| tenth(change.watts)),
        error_w: change.map(|change| tenth(change.error)).filter(|error| error.is_finite()),
        seen: change.map_or(0, |change| change.seen),
        now_w: moved.now_w.map(tenth),
    }
}

impl VerifyVerdict {
    fn of(verdict: &Verdict) -> Self {
        Self {
            kind: verdict.kind.as_str().to_owned(),
            words: verdict.kind.words().to_owned(),
            settled: true,
            what: verdict.what.clone(),
            line: verdict.mend.as_ref().map(|mend| mend.line),
            write: verdict.mend.as_ref().map(|mend| mend.write.clone()),
            next: verdict.next.clone(),
        }
    }
}

impl Proofs {
    /// What is proved at a site, with the map as it is now.
    pub fn of(site: &Site, zone: &Zone, proofs: &[Proof], now: Stamp) -> Self {
        let body = |proof: &Proof| {
            let circuit = site.circuit(&proof.verdict.circuit);
            ProofBody {
                circuit: proof.verdict.circuit.clone(),
                label: circuit.map(|circuit| circuit.latest().label.clone()).unwrap_or_default(),
                at: zone.rfc3339(proof.at),
                verdict: VerifyVerdict::of(&proof.verdict),
                moved: proof.verdict.moved.clone(),
                switchings: proof.verdict.switchings,
                holds: proof.holds(site, now),
            }
        };
        let proofs: Vec<ProofBody> = proofs.iter().map(body).collect();
        let measured = site.circuits.iter().filter(|circuit| {
            circuit.entry(now).is_some_and(|entry| !entry.cts.is_empty())
                && !proofs.iter().any(|proof| proof.circuit == circuit.id && proof.holds)
        });
        let unproven = measured.map(|circuit| circuit.id.clone()).collect();
        Self { site: site.id.clone(), proofs, unproven }
    }
}

/// The proofs that still hold, in short, by circuit.
pub(in crate::web) fn in_short(site: &Site, proofs: &[Proof], now: Stamp) -> Vec<(String, Proven)> {
    let zone = Zone::new(&site.time_zone).unwrap_or_else(|_| Zone::utc());
    let holding = proofs.iter().filter(|proof| proof.holds(site, now));
    let short = |proof: &Proof| Proven {
        at: zone.rfc3339(proof.at),
        kind: proof.verdict.kind.as_str().to_owned(),
        words: proof.verdict.kind.words().to_owned(),
    };
    holding.map(|proof| (proof.verdict.circuit.clone(), short(proof))).collect()
}

/// The proofs that still hold, as the schedule tells them.
pub(in crate::web) fn for_schedule(shared: &Shared, site: &Site, now: Stamp) -> schedule::Proofs {
    let holding = shared.state.steps.proofs(&site.id).into_iter().filter(|proof| proof.holds(site, now));
    let short = |proof: Proof| {
        let verdict = proof.verdict.kind.words().to_owned();
        (proof.verdict.circuit, schedule::Proof { at: proof.at, verdict })
    };
    holding.map(short).collect()
}

/// The load step that runs at a site, or the last one that ran.
pub(in crate::web) fn body_of(shared: &Shared, site: &Site) -> Result<VerifyBody, Refusal> {
    let zone = api::zone(site)?;
    let watched = shared.state.steps.state(&site.id);
    Ok(watched.map_or_else(|| VerifyBody::none(&site.id), |watched| VerifyBody::of(&zone, &watched)))
}

/// The load step that runs, or the last one that ran.
#[utoipa::path(get, path = "/api/sites/{site}/verify", params(("site" = String, Path,)), responses(
    (status = 200, body = VerifyBody),
    (status = 404, body = Refused, description = "no such site"),
))]
pub(in crate::web) async fn state(
    State(shared): State<Arc<Shared>>,
    Path(id): Path<String>,
) -> Result<Response, Refusal> {
    let site = shared.site(&id).ok_or_else(|| Refusal::no_such_site(&id))?;
    Ok(json(&body_of(&shared, &site)?))
}

/// Begins a load step: the readings that come from now on are watched for a load that is switched.
#[utoipa::path(post, path = "/api/sites/{site}/verify", params(("site" = String, Path,)),
    request_body = VerifyStart,
    responses(
        (status = 201, body = VerifyBody),
        (status = 400, body = Refused, description = "not a circuit's id as JSON"),
        (status = 403, body = Refused, description = "sent by a page of another origin"),
        (status = 404, body = Refused, description = "no such site or circuit"),
        (status = 409, body = Refused, description = "one is under way"),
        (status = 415, body = Refused, description = "not application/json"),
    ))]
pub(in crate::web) async fn start(
    State(shared): State<Arc<Shared>>,
    Path(id): Path<String>,
    headers: HeaderMap,
    body: Bytes,
) -> Result<Response, Refusal> {
    let site = shared.site(&id).ok_or_else(|| Refusal::no_such_site(&id))?;
    is_json(&headers)?;
    let wanted: VerifyStart = serde_json::from_slice(&body).map_err(|error| {
        let hint = r#"send {"circuit": "water-heater"}, for example"#;
        Refusal::new(StatusCode::BAD_REQUEST, format!("this names no circuit: {error}"), hint)
    })?;
    let Some(circuit) = site.circuit_index(&wanted.circuit) else {
        let shown: String = wanted.circuit.chars().take(64).collect();
        let error = format!("{id} has no circuit {shown:?}");
        return Err(Refusal::new(StatusCode::NOT_FOUND, error, "GET /api/sites names the circuits"));
    };
    let zone = api::zone(&site)?;
    shared.state.steps.start(&site, circuit).map_err(|refused| of_start(&id, &zone, refused))?;
    Ok((StatusCode::CREATED, json(&body_of(&shared, &site)?)).into_response())
}

fn of_start(site: &str, zone: &Zone, refused: StepRefused) -> Refusal {
    let conflict = |error: String, hint: String| Refusal::new(StatusCode::CONFLICT, error, hint);
    match refused {
        StepRefused::Busy { circuit, started, ends } => conflict(
            format!("a load step of {circuit} is under way since {}", zone.rfc3339(started)),
            format!(
                "POST /api/sites/{site}/verify/end (or `panelwright verify --end`) ends it; by itself it ends at {}",
                zone.rfc3339(ends)
            ),
        ),
        StepRefused::TooMany => conflict(
            "load steps of too many sites are under way".to_owned(),
            "each ends by itself within an hour; or end one of them".to_owned(),
        ),
        StepRefused::NoEntry => conflict(
            "the map has no entry of that circuit at this moment".to_owned(),
            "see its `from` and `until`".to_owned(),
        ),
    }
}

/// Ends a load step; without a verdict it leaves nothing.
#[utoipa::path(post, path = "/api/sites/{site}/verify/end", params(("site" = String, Path,)), responses(
    (status = 200, body = VerifyBody),
    (status = 403, body = Refused, description = "sent by a page of another origin"),
    (status = 404, body = Refused, description = "no such site"),
    (status = 409, body = Refused, description = "none is under way"),
))]
pub(in crate::web) async fn end(
    State(shared): State<Arc<Shared>>,
    Path(id): Path<String>,
) -> Result<Response, Refusal> {
    let site = shared.site(&id).ok_or_else(|| Refusal::no_such_site(&id))?;
    if !shared.state.steps.end(&id) {
        let hint = "POST the circuit's id to /api/sites/{site}/verify to begin one";
        return Err(Refusal::new(StatusCode::CONFLICT, "no load step is under way", hint));
    }
    Ok(json(&body_of(&shared, &site)?))
}

/// What load steps have proved: the newest of each circuit, and whether it still holds.
#[utoipa::path(get, path = "/api/sites/{site}/proofs", params(("site" = String, Path,)), responses(
    (status = 200, body = Proofs),
    (status = 404, body = Refused, description = "no such site"),
))]
pub(in crate::web) async fn proofs(
    State(shared): State<Arc<Shared>>,
    Path(id): Path<String>,
) -> Result<Response, Refusal> {
    let site = shared.site(&id).ok_or_else(|| Refusal::no_such_site(&id))?;
    let proofs = shared.state.steps.proofs(&id);
    Ok(json(&Proofs::of(&site, &api::zone(&site)?, &proofs, shared.state.clock.now())))
}
