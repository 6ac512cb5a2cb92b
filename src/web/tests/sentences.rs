//! Sentences with numbers: as the reader writes them on pages, plainly in the API.

use super::views::audit::{AuditBody, AuditFinding};
use super::*;
use crate::said::{count, figure, said};

/// Invented: a body with a charger's advice and an alert; the label of the circuit holds digits.
const ADVISED: &str = r#"{"site":"heron-lane","at":"2026-02-03T18:00:00-07:00","grid_w":1500.5,"generation_w":0.0,"consumption_w":1500.5,"tracked_w":1400.0,"untracked_w":100.5,"surplus_w":0.0,"circuits":{"range":{"w":1400.0}},"buses":{},"ev":{"range":{"mode":"surplus only","cap_a":null,"target":null,"available_a":13.5,"may_charge":true,"reason":"surplus","why":"13.5 A: covered by a surplus of 3210 W","since":"2026-02-03T17:00:00-07:00","surplus_w":3210.0,"limit_a":16.0}},"alerts":[{"id":"over-rating/range","kind":"over-rating","severity":"alarm","what":"Range 2.5 carries up to 1033.5 A: 110 % of its breaker of 30 A","where":"Range 2.5","since":"2026-02-03T17:00:00-07:00","do":"see NEC 210.20","circuit":"range","worst_a":1033.5,"limit_a":30.0}],"unknown":[]}"#;

fn audit() -> AuditBody {
    let finding = AuditFinding {
        id: "unbalanced:range".into(),
        kind: "unbalanced".into(),
        severity: "warning".into(),
        what: said!("Range 2.5 (house/4.1) draws {} times on leg A what its CT measures", figure(1.42, 2)),
        place: "range".into(),
        since: None,
        advice: "write `scale = 0.98`".into(),
        channels: vec!["house/4.1".into()],
        evidence: said!("in {} changes", count(1_234)),
        confidence: 0.9,
        certain: String::new(),
        line: 12,
        edits: Vec::new(),
        picture: Vec::new(),
        accepted: None,
    };
    AuditBody {
        site: "heron-lane".into(),
        start: None,
        end: None,
        made: "2026-02-03T18:00:00-07:00".into(),
        summary: "0 of 1 channels proven".into(),
        findings: vec![finding],
        channels: Vec::new(),
        silent: Vec::new(),
    }
}

#[tokio::test]
async fn numbers_in_sentences_are_those_of_the_reader() {
    let served = Served::start(None).await;
    served.show(ADVISED);
    served.audits.send_replace(Arc::new(BTreeMap::from([("heron-lane".into(), Arc::new(audit()))])));
    served.board.report(Part::Audit("heron-lane".into()), false, "as the log has it", Stamp(0));
    let check = async |path: &str, language: &str, expected: &[&str]| {
        let request = served.client.get(served.url(path)).header("accept-language", language);
        let page = request.send().await.expect("an answer").text().await.expect("a page");
        for text in expected {
            // Numbers and their units stay on one line.
            let page = page.replace('\u{a0}', " ").replace("&#x2f;", "/");
            assert!(page.contains(text), "{path} in {language}: no {text:?} in {page}");
        }
    };
    let found = "Range 2.5 (house/4.1) draws 1,42 times on leg A";
    let alert = "Alarm.</strong> Range 2.5 carries up to 1.033,5 A: 110 % of its breaker of 30 A";
    check("/sites/heron-lane", "de", &["13,5 A: covered by a surplus of 3.210 W", alert, found]).await;
    check("/sites/heron-lane", "de", &["NEC 210.20"]).await;
    check("/sites/heron-lane", "en", &["13.5 A: covered by a surplus of 3,210 W"]).await;
    check("/sites/heron-lane/findings", "de", &[alert, found, "In 1.234 changes.", "`scale = 0.98`"]).await;
    check("/sites/heron-lane/findings", "en", &["draws 1.42 times", "In 1,234 changes."]).await;
    check("/sites", "de", &["1.033,5 A"]).await;
}

#[test]
fn the_api_writes_them_plainly() {
    let json = serde_json::to_value(audit()).expect("JSON");
    let finding = &json["findings"][0];
    assert_eq!(finding["what"], "Range 2.5 (house/4.1) draws 1.42 times on leg A what its CT measures");
    assert_eq!(finding["evidence"], "in 1234 changes");
    let back: AuditBody = serde_json::from_value(json).expect("the same shape");
    assert_eq!(*back.in_short(), *audit().in_short());
}
