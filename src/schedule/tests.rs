//! The schedule of the example house, and of a hostile one.

use super::*;
use crate::site::parse;

const EXAMPLE: &str = include_str!("../../config/sites/heron-lane.toml");

fn made(map: &str, at: &str, proofs: &Proofs) -> Schedule {
    let parsed = parse("map.toml", map);
    let site = parsed.site.unwrap_or_else(|| panic!("{:#?}", parsed.findings));
    let zone = Zone::new(&site.time_zone).expect("a zone");
    let at = zone.parse(at).expect("a time");
    schedule(&site, &zone, at, proofs)
}

#[test]
fn positions_stand_left_and_right_with_poles_spares_and_legs() {
    let schedule = made(EXAMPLE, "2026-05-02", &Proofs::new());
    let main = &schedule.panels[0];
    assert_eq!((main.id.as_str(), main.fed_from.as_str(), main.rows.len()), ("main", "the service", 20));
    let [left, right] = &main.rows[0];
    assert_eq!((left.space, left.label.as_str(), left.leg.as_str()), (1, "Heat pump, outdoor unit", "A"));
    assert_eq!((left.breaker.as_str(), left.cts.as_str()), ("40 A, 2 poles", "house/1 × 2"));
    assert_eq!((right.space, right.kind), (2, Kind::Spare));
    let [pole, _] = &main.rows[1];
    assert_eq!((pole.space, pole.kind, pole.leg.as_str()), (3, Kind::Pole, "B"));
    let barn = &schedule.panels[1];
    assert_eq!(barn.fed_from, "House panel 10, 12 (Barn feeder)");
    let positions = schedule.panels.iter().flat_map(|panel| panel.rows.iter().flatten());
    assert!(
        positions.into_iter().all(|position| position.kind != Kind::Unsaid),
        "the example tells every position"
    );
}

#[test]
fn every_ct_stands_in_the_directory_with_what_it_counts() {
    let schedule = made(EXAMPLE, "2026-05-02", &Proofs::new());
    let ct = |name: &str| schedule.cts.iter().find(|ct| ct.channel == name).expect("a CT");
    assert_eq!((ct("house/m1").measures.as_str(), ct("house/m1").leg.as_str()), ("Feed of House panel", "A"));
    assert_eq!((ct("house/1").counts.as_str(), ct("house/1").leg.as_str()), ("× 2, balanced load", "either"));
    assert_eq!(ct("house/14").counts, "turned round");
    assert_eq!(ct("house/10").counts, "generation reads positive");
    assert_eq!((ct("house/13").place.as_str(), ct("house/13").rating.as_str()), ("House panel 27", "20 A"));
    assert_eq!(schedule.cts.len() + schedule.free_inputs.len(), 24);
}

#[test]
fn a_dated_map_shows_what_held_that_day_and_only_proofs_of_that_entry() {
    let entry = "[[circuit]]\nid = \"fan\"\nend_use = \"ventilation\"\nspaces = [33]\n";
    let map = format!(
        "{EXAMPLE}{entry}channels = [\"house/m1\"]\nuntil = 2026-05-02\n{entry}channels = [\"house/18\"]\nfrom = 2026-05-02\n"
    )
    .replace("\"13\", \"14\", \"15\", \"16\", \"17\",\n", "\"13\", \"14\", \"15\", \"16\", \"17\", \"18\", \"19\",\n")
    .replace("[\"house/m1\"]", "[\"house/19\"]");
    let proofs = Proofs::from([(
        "fan".to_owned(),
        Proof { at: crate::units::Stamp::from_seconds(1_777_000_000), verdict: "as mapped".to_owned() },
    )]);
    let of = |day: &str| {
        let schedule = made(&map, day, &proofs);
        let line = schedule.cts.into_iter().find(|ct| ct.circuit == "fan").expect("a CT");
        (line.channel, line.since, line.proven)
    };
    let (before, after) = (of("2026-04-30"), of("2026-05-03"));
    assert_eq!(before, ("house/19".into(), String::new(), "2026-04-23: as mapped".into()));
    assert_eq!(after, ("house/18".into(), "2026-05-02".into(), String::new()));
}

#[test]
fn a_page_is_one_file_without_script_and_shows_labels_as_text() {
    let hostile =
        EXAMPLE.replace("label = \"Range\"", "label = \"<script>alert(1)</script> & \\\"Range\\\"\"");
    let schedule = made(&hostile, "2026-05-02", &Proofs::new());
    for paper in [Paper::A4, Paper::Letter] {
        let page = html(&schedule, paper).expect("a page");
        assert!(!page.contains("<script") && page.contains("&lt;script&gt;alert(1)"), "{page}");
        assert!(!page.contains("http:") && !page.contains("https:"), "nothing is loaded");
        assert!(page.contains(&format!("size: {} portrait", paper.as_css())));
        assert!(page.contains("energised with the main breaker off"));
    }
}

#[test]
fn a_work_sheet_has_a_line_for_each_position_and_ct() {
    let page = blank_sheet(40, 16, Paper::Letter).expect("a page");
    assert_eq!(page.matches("<td class=\"space\">").count(), 40 + 16);
    assert!(page.contains("licensed electrician") && !page.contains("<script"));
    assert!(!blank_sheet(20, 0, Paper::A4).expect("a page").contains("Arrow right"));
}
