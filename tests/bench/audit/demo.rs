//! Every fault of the demo, on twelve days of a year: what the audit says of it.

use panelwright::audit::{Evidence, Report, apply, audit};
use panelwright::sim::faults::{FAULTS, Fault};
use panelwright::sim::{HERON_LANE, Simulation, evidence};
use panelwright::site::{Site, parse};
use panelwright::units::{Span, Stamp};

use super::says;

/// Noon UTC on 2026-01-10.
const FIRST: i64 = 1_768_046_400;
/// Days, and from one to the next: on other days of the week, through all seasons.
const DAYS: i64 = 12;
const APART: i64 = 30;

/// Prints a line for each fault, and each day on which it was not found as it should be.
pub fn print(only: Option<&str>, verbose: bool) {
    println!("The demo's faults on {DAYS} days of a year (its people and weather are invented)\n");
    println!("| fault | days | found | right line | other findings |\n| --- | ---: | ---: | ---: | ---: |");
    let mut notes = Vec::new();
    if only.is_none_or(|only| only == "none") {
        let site = site(HERON_LANE);
        let others = (0..DAYS).map(|day| {
            let simulation = Simulation::new(&site, 1).expect("the demo's house");
            let report = audit(&site, &of_day(&site, simulation, day));
            note(&mut notes, "none", day, &report, verbose && !report.findings.is_empty())
        });
        println!("| none | {DAYS} | – | – | {} |", others.sum::<usize>());
    }
    for fault in FAULTS.iter().filter(|fault| only.is_none_or(|only| only == fault.name)) {
        let (mut found, mut right, mut others) = (0, 0, 0);
        for day in 0..DAYS {
            let text = fault.map().expect("the fault's map");
            let site = site(&text);
            let simulation = Simulation::faulty(fault, 1).expect("the demo's house");
            let report = audit(&site, &of_day(&site, simulation, day));
            let hit =
                report.findings.iter().filter(|f| f.kind == fault.kind && f.about == fault.about).count();
            let is_right = hit == 1 && is_right(fault, &site, &text, &report);
            (found, right) = (found + hit.min(1), right + usize::from(is_right));
            others += report.findings.len() - hit.min(1);
            if !is_right || report.findings.len() != 1 || verbose {
                note(&mut notes, fault.name, day, &report, verbose);
            }
        }
        println!("| {} | {DAYS} | {found} | {right} | {others} |", fault.name);
    }
    notes.iter().for_each(|note| println!("{note}"));
}

fn note(notes: &mut Vec<String>, name: &str, day: i64, report: &Report, verbose: bool) -> usize {
    let seen: Vec<String> = report.findings.iter().map(|finding| finding.id()).collect();
    if !seen.is_empty() || name != "none" {
        notes.push(format!("- {name}, day {day}: {seen:?}"));
    }
    for finding in report.findings.iter().filter(|_| verbose) {
        notes.push(format!(
            "    {} ({:.2}): {} {:?}",
            finding.id(),
            finding.confidence,
            finding.evidence,
            finding.edits
        ));
    }
    seen.len()
}

fn site(text: &str) -> Site {
    parse("heron-lane.toml", text).site.expect("a map")
}

fn of_day(site: &Site, mut simulation: Simulation, day: i64) -> Evidence {
    let start = Stamp::from_seconds(FIRST) + Span(Span::DAY.0 * APART * day);
    evidence(site, &mut simulation, start..start + Span::DAY).expect("the house is simulated")
}

/// Whether the suggested lines give the true map, or the line of the CT is named where no line mends it.
fn is_right(fault: &Fault, site: &Site, text: &str, report: &Report) -> bool {
    let Some(hit) = report.findings.iter().find(|finding| finding.kind == fault.kind) else { return false };
    if hit.edits.is_empty() {
        let circuit = site.circuits.iter().find(|circuit| circuit.id == hit.about);
        let line = circuit.and_then(|circuit| circuit.latest().written.channels);
        return line.map_or(site.feeds[0].channels.0, |(first, _)| first) == hit.line;
    }
    let mended = parse("mended.toml", &apply(text, &hit.edits));
    mended.site.is_some_and(|mended| {
        let out = mended.circuits.iter().any(|c| c.id == hit.about && c.latest().cts.is_empty());
        out || says(&mended) == says(&fault.wired().expect("a wiring"))
    })
}
