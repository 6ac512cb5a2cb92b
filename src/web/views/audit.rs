//! The body of the audit, for the API and for `panelwright audit` alike.

use serde::{Deserialize, Serialize};
use utoipa::ToSchema;

use super::super::HistoryError;
use super::super::history::asked;
use crate::audit::{Finding, Picture, Proof, Report, audit, since, stretch};
use crate::calendar::Zone;
use crate::said::{Said, said};
use crate::site::Site;
use crate::store::Source;
use crate::units::{Span, Stamp};

/// The longest stretch of one audit: a finding needs days, and reading a year of seconds takes minutes.
const MOST: Span = Span(62 * Span::DAY.0);

/// Whether a map is true.
#[derive(Clone, Debug, Deserialize, Serialize, ToSchema)]
pub struct AuditBody {
    /// The site's id.
    #[schema(example = "heron-lane")]
    pub site: String,
    /// From when on readings were looked at, in the site's own time (RFC 3339); `null` if there are none.
    pub start: Option<String>,
    /// To when.
    pub end: Option<String>,
    /// When it was looked at.
    pub made: String,
    /// How much is proven, in a sentence.
    pub summary: String,
    /// What the data shows to be wrong, errors first.
    pub findings: Vec<AuditFinding>,
    /// How well each CT's place is known.
    pub channels: Vec<AuditChannel>,
    /// What could not be looked at, and why.
    pub silent: Vec<String>,
}

/// One finding.
#[derive(Clone, Debug, Deserialize, Serialize, ToSchema)]
pub struct AuditFinding {
    /// Kind and what it is about: the same while the fault lasts.
    #[schema(example = "reversed:dryer")]
    pub id: String,
    /// Kind, as `[[accept]]` takes it.
    #[schema(example = "reversed")]
    pub kind: String,
    /// error, warning, or note if it is accepted.
    pub severity: String,
    /// In a sentence.
    #[schema(value_type = String)]
    pub what: Said,
    /// The circuit or bus, by id.
    #[serde(rename = "where")]
    pub place: String,
    /// Start of the readings that show it.
    pub since: Option<String>,
    /// What to do.
    #[serde(rename = "do")]
    pub advice: String,
    /// Its channels.
    pub channels: Vec<String>,
    /// The figures behind it.
    #[schema(value_type = String)]
    pub evidence: Said,
    /// 0.5 to 1: against the next best reading of the same CT.
    pub confidence: f64,
    /// What would make it certain.
    pub certain: String,
    /// Line of the map.
    pub line: usize,
    /// Changes of the map.
    pub edits: Vec<AuditEdit>,
    /// Bars: the channel's largest changes, and what the feed did.
    pub picture: Vec<AuditBars>,
    /// Why it is taken as it is.
    pub accepted: Option<String>,
}

/// Lines `first..=last` of the map become `lines`; with `last` = `first` − 1 they come in before `first`.
#[derive(Clone, Debug, Deserialize, Serialize, ToSchema)]
pub struct AuditEdit {
    /// First line.
    pub first: usize,
    /// Last line.
    pub last: usize,
    /// The text to put there.
    pub lines: Vec<String>,
}

/// One row of a picture.
#[derive(Clone, Debug, Deserialize, Serialize, ToSchema)]
pub struct AuditBars {
    /// `channel`, or the leg.
    pub name: String,
    /// As text.
    pub text: String,
    /// As path data of SVG, in a box of 100 by 24.
    pub path: String,
}

/// A CT and how well its place is known.
#[derive(Clone, Debug, Deserialize, Serialize, ToSchema)]
pub struct AuditChannel {
    /// Circuit id.
    pub circuit: String,
    /// `device/channel`.
    pub channel: String,
    /// The bus against whose feed it was held.
    pub bus: String,
    /// proven, faulty, open, too few events, shows nothing, no feed.
    pub state: String,
    /// Changes that told something.
    pub events: f64,
    /// How much each leg of the feed moves for a watt of the CT.
    pub legs: Vec<AuditLeg>,
}

/// A coefficient.
#[derive(Clone, Debug, Deserialize, Serialize, ToSchema)]
pub struct AuditLeg {
    /// `A`, `B`, `C`, or `feed`.
    pub leg: String,
    /// Estimate.
    pub coefficient: f64,
    /// Two deviations.
    pub interval: f64,
}

/// Reads the readings of a range (a day to now where it does not say) and audits.
///
/// # Errors
/// [`HistoryError::Asked`] where the range makes no sense, [`HistoryError::Failed`] where the store fails.
pub fn read(
    site: &Site,
    (from, to): (Option<&str>, Option<&str>),
    now: Stamp,
    source: &mut Source,
) -> Result<(Zone, Report), HistoryError> {
    let zone = Zone::new(&site.time_zone).map_err(|error| HistoryError::Failed(error.to_string()))?;
    let end = to.map_or(Ok(now), |text| zone.parse(text)).map_err(|error| asked("to", &error))?;
    let start = from
        .map_or(Ok(end - stretch(site)), |text| zone.parse(text))
        .map_err(|error| asked("from", &error))?;
    if start >= end || end - start > MOST {
        return Err(HistoryError::Asked {
            what: "from and to: an audit is of up to 62 days, and ends after its start".to_owned(),
            hint: "from=2025-03-01&to=2025-03-08, for example".to_owned(),
        });
    }
    // Older readings follow an older entry of the map.
    let start = since(site, &(start..end));
    let evidence =
        source.evidence(site, start..end).map_err(|error| HistoryError::Failed(error.to_string()))?;
    Ok((zone, audit(site, &evidence)))
}

/// Answers the API.
///
/// # Errors
/// As [`read`].
pub fn answer(
    query: &super::super::HistoryQuery,
    now: Stamp,
    source: &mut Source,
) -> Result<String, HistoryError> {
    let range = (query.from.as_deref(), query.to.as_deref());
    let (zone, report) = read(&query.site, range, now, source)?;
    let mut body = body(&zone, &report, now);
    if let Some(numbers) = query.numbers {
        let written = |finding: AuditFinding| finding.written(|said| numbers.said(said).into());
        body.findings = body.findings.into_iter().map(written).collect();
    }
    serde_json::to_string(&body).map_err(|error| HistoryError::Failed(error.to_string()))
}

impl AuditBody {
    /// What is open, or that nothing is, in a line.
    pub fn in_short(&self) -> Said {
        /// Findings that it names.
        const NAMED: usize = 3;
        let open = || self.findings.iter().filter(|finding| finding.accepted.is_none());
        let mut findings: Vec<Said> = open().map(|finding| finding.what.clone()).take(NAMED).collect();
        let more = open().count().saturating_sub(NAMED);
        if more > 0 {
            findings.push(said!("{more} more"));
        }
        let accepted = self.findings.len() - open().count();
        let accepted = if accepted > 0 { format!("; {accepted} accepted in the map") } else { String::new() };
        match findings.is_empty() {
            true => said!("{}{accepted}", self.summary),
            false => said!("{}{accepted}", Said::join(&findings, "; ").inner()),
        }
    }
}

impl AuditFinding {
    /// The same with its sentences written so.
    pub fn written(self, write: impl Fn(&Said) -> Said) -> Self {
        Self { what: write(&self.what), evidence: write(&self.evidence), ..self }
    }
}

/// The body as a shape; `made` is when it was looked at.
pub fn body(zone: &Zone, report: &Report, made: Stamp) -> AuditBody {
    let start = report.span.as_ref().map(|span| zone.rfc3339(span.start));
    AuditBody {
        site: report.site.clone(),
        end: report.span.as_ref().map(|span| zone.rfc3339(span.end)),
        made: zone.rfc3339(made),
        summary: report.summary(),
        findings: report.findings.iter().map(|finding| of_finding(finding, start.clone())).collect(),
        channels: report.proofs.iter().map(of_proof).collect(),
        silent: report.silent.clone(),
        start,
    }
}

fn of_finding(finding: &Finding, since: Option<String>) -> AuditFinding {
    AuditFinding {
        id: finding.id(),
        kind: finding.kind.to_string(),
        severity: finding.severity().to_string(),
        what: finding.what.clone(),
        place: finding.about.clone(),
        since,
        advice: finding.advice.clone(),
        channels: finding.channels.clone(),
        evidence: finding.evidence.clone(),
        confidence: hundredth(finding.confidence),
        certain: finding.certain.clone(),
        line: finding.line,
        edits: finding
            .edits
            .iter()
            .map(|edit| AuditEdit { first: edit.first, last: edit.last, lines: edit.lines.clone() })
            .collect(),
        picture: bars(&finding.picture),
        accepted: finding.accepted.clone(),
    }
}

fn bars(picture: &Picture) -> Vec<AuditBars> {
    let rows = picture.text().into_iter().zip(picture.paths());
    rows.map(|((name, text), (_, path))| AuditBars { name, text, path }).collect()
}

fn of_proof(proof: &Proof) -> AuditChannel {
    AuditChannel {
        circuit: proof.circuit.clone(),
        channel: proof.channel.clone(),
        bus: proof.bus.clone(),
        state: proof.state.as_str().to_owned(),
        events: proof.events.round(),
        legs: proof
            .legs
            .iter()
            .map(|(leg, coefficient, interval)| AuditLeg {
                leg: leg.map_or("feed".to_owned(), |leg| leg.to_string()),
                coefficient: hundredth(*coefficient),
                interval: hundredth(*interval),
            })
            .collect(),
    }
}

fn hundredth(x: f64) -> f64 {
    (x * 100.0).round() / 100.0 + 0.0
}
