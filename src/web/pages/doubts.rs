//! What the hourly audit says of a circuit and its CTs, beside the circuit itself.

use std::sync::Arc;

use serde::Serialize;

use super::{Numbers, words};
use crate::site::{Circuit, Site};
use crate::web::views::audit::{AuditBody, AuditChannel, AuditFinding};

/// What is known of a circuit's place on the map.
#[derive(Debug, Serialize)]
pub(super) struct Doubts {
    /// What the readings show to be wrong with it.
    findings: Vec<AuditFinding>,
    /// How well the place of each of its CTs is known, in sentences.
    cts: Vec<String>,
    /// Which readings were looked at; empty before the first look.
    looked_at: String,
}

/// Of a circuit; empty before the first audit.
pub(super) fn of_circuit(
    numbers: Numbers,
    site: &Site,
    circuit: &Circuit,
    audit: Option<&Arc<AuditBody>>,
) -> Doubts {
    let Some(audit) = audit else {
        return Doubts { findings: Vec::new(), cts: Vec::new(), looked_at: String::new() };
    };
    let own = names(site, circuit);
    let findings = audit.findings.iter().filter(|finding| concerns(finding, &circuit.id, &own));
    let cts = audit.channels.iter().filter(|ct| ct.circuit == circuit.id);
    Doubts {
        findings: findings.map(|finding| written(numbers, finding)).collect(),
        cts: cts.map(|ct| sentence(numbers, ct)).collect(),
        looked_at: looked_at(audit),
    }
}

/// What is open, of a circuit, in a sentence each.
pub(super) fn open(
    numbers: Numbers,
    site: &Site,
    circuit: &Circuit,
    audit: Option<&Arc<AuditBody>>,
) -> Vec<String> {
    let own = names(site, circuit);
    let findings = audit.into_iter().flat_map(|audit| &audit.findings);
    let open = findings.filter(|finding| finding.accepted.is_none() && concerns(finding, &circuit.id, &own));
    open.map(|finding| numbers.said(&finding.what)).collect()
}

/// What is open, of a panel and no circuit, in a sentence each.
pub(super) fn open_of_panel(
    numbers: Numbers,
    site: &Site,
    bus: &str,
    audit: Option<&Arc<AuditBody>>,
) -> Vec<String> {
    let findings = audit.into_iter().flat_map(|audit| &audit.findings);
    let open = findings.filter(|finding| {
        finding.accepted.is_none() && finding.place == bus && site.circuit_index(bus).is_none()
    });
    open.map(|finding| numbers.said(&finding.what)).collect()
}

/// A finding as its reader writes numbers.
pub(super) fn written(numbers: Numbers, finding: &AuditFinding) -> AuditFinding {
    finding.clone().written(|said| numbers.said(said).into())
}

/// `24 November 2026, 15:00 to 25 November 2026, 16:00`; empty where there were no readings.
pub(super) fn looked_at(audit: &AuditBody) -> String {
    match (&audit.start, &audit.end) {
        (Some(start), Some(end)) => format!("{} to {}", words::moment(start), words::moment(end)),
        _ => String::new(),
    }
}

/// The channels that are on it now.
fn names<'a>(site: &'a Site, circuit: &Circuit) -> Vec<&'a str> {
    let cts = circuit.latest().cts.iter();
    cts.map(|ct| site.channels[ct.channel.0 as usize].name.as_str()).collect()
}

fn concerns(finding: &AuditFinding, id: &str, own: &[&str]) -> bool {
    finding.place == id || finding.channels.iter().any(|channel| own.contains(&channel.as_str()))
}

fn sentence(numbers: Numbers, ct: &AuditChannel) -> String {
    let AuditChannel { channel, state, events, .. } = ct;
    match state.as_str() {
        "proven" => {
            let times = numbers.number(*events, 0);
            format!("{channel}: its place is proven by {times} changes that what feeds the panel made too.")
        }
        "faulty" => format!("{channel}: the readings say otherwise than the map."),
        "open" => format!("{channel}: its place is not settled yet."),
        "too few events" => format!("{channel}: it has changed too seldom to tell."),
        "shows nothing" => {
            format!("{channel}: it shows nothing. It is unused, or dead: switch something on there.")
        }
        "no feed" => {
            format!("{channel}: no CT measures what feeds its panel, so there is nothing to hold it against.")
        }
        other => format!("{channel}: {other}."),
    }
}

#[cfg(test)]
mod tests {
    use super::*;

    fn audit(findings: &str) -> Arc<AuditBody> {
        let text = format!(
            r#"{{"site":"heron-lane","start":"2026-02-02T18:00:00-07:00","end":"2026-02-03T18:00:00-07:00","made":"2026-02-03T18:02:00-07:00","summary":"",
            "findings":[{findings}],"silent":[],
            "channels":[{{"circuit":"dryer","channel":"house/7","bus":"main","state":"proven","events":1234.0,"legs":[]}}]}}"#
        );
        Arc::new(serde_json::from_str(&text).expect("a body"))
    }

    fn finding(place: &str, channel: &str, accepted: &str) -> String {
        format!(
            r#"{{"id":"x","kind":"reversed","severity":"error","what":"{place} is turned round","where":"{place}","since":null,
            "do":"","channels":["{channel}"],"evidence":"","confidence":0.9,"certain":"","line":1,"edits":[],"picture":[],
            "accepted":{accepted}}}"#
        )
    }

    #[test]
    fn a_circuit_is_told_what_concerns_it_or_its_ct() {
        let map = include_str!("../../../config/sites/heron-lane.toml");
        let site = crate::site::parse("heron-lane.toml", map).site.expect("the map is good");
        let dryer = site.circuit("dryer").expect("a dryer");
        let pump = site.circuit("well-pump").expect("a pump");
        let check = |findings: &str, dryers: usize, pumps: usize, panels: usize| {
            let audit = audit(findings);
            let found = [
                open(Numbers::Point, &site, dryer, Some(&audit)).len(),
                open(Numbers::Point, &site, pump, Some(&audit)).len(),
                open_of_panel(Numbers::Point, &site, "main", Some(&audit)).len(),
            ];
            assert_eq!(found, [dryers, pumps, panels], "{findings}");
        };
        check("", 0, 0, 0);
        check(&finding("dryer", "house/7", "null"), 1, 0, 0);
        // Found at the dryer, and the pump's CT has to do with it.
        check(&finding("dryer", "house/4", "null"), 1, 1, 0);
        check(&finding("main", "house/m1", "null"), 0, 0, 1);
        check(&finding("dryer", "house/7", "\"as built\""), 0, 0, 0);
        let all = of_circuit(
            Numbers::Comma,
            &site,
            dryer,
            Some(&audit(&finding("dryer", "house/7", "\"as built\""))),
        );
        assert_eq!(all.findings.len(), 1, "what is accepted is still told on its own page");
        assert_eq!(
            all.cts,
            ["house/7: its place is proven by 1.234 changes that what feeds the panel made too."]
        );
        assert_eq!(all.looked_at, "2 February 2026, 18:00 to 3 February 2026, 18:00");
        assert!(of_circuit(Numbers::Point, &site, dryer, None).looked_at.is_empty());
    }
}
