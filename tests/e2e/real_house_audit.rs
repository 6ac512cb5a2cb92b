//! The audit on a real house: its sub-meters turned round, scaled, doubled up and swapped, month by month.
//!
//! Source: UCI Machine Learning Repository, data set 235 (see [`crate::real_house`]), the year 2007. The mains are
//! a mean power by the minute, the sub-meters whole Wh by the minute, so in steps of 60 W. Nobody knows how
//! true these meters are: the regression below says that one of them reads 6 % less than the mains do.
//!
//! `docs/audit.md` has the figures that [`faults_of_every_month`] prints (`--no-capture` shows them).

use std::collections::BTreeMap;

use panelwright::audit::{Block, Evidence, Kind, Report, apply, audit};
use panelwright::calendar::Zone;
use panelwright::site::{Site, parse};
use panelwright::units::{Span, Stamp};

use crate::real_house::{MAP, Minute, ZONE, file, minutes};

/// Mains and sub-meters in W, minute after minute from the first of the year on.
type Year = Vec<(Stamp, [f32; 4])>;

fn year(path: &std::path::Path) -> (Zone, Year) {
    let zone = Zone::new(ZONE).expect("a zone");
    let (from, to) = (zone.parse("2007-01-01").expect("a date"), zone.parse("2008-01-01").expect("a date"));
    let of = |minute: Minute| {
        let sub = minute.sub_wh.map(|wh| wh as f32 * 60.0);
        (minute.start, [minute.mains_w as f32, sub[0], sub[1], sub[2]])
    };
    let year = minutes(path).filter(|minute| (from..to).contains(&minute.start)).map(of).collect();
    (zone, year)
}

/// Least squares of the first column on the others, in the order of the columns (normal equations).
fn regress(rows: &[[f64; 5]]) -> [f64; 4] {
    let mut system = [[0.0_f64; 5]; 4];
    for row in rows {
        for (i, equation) in system.iter_mut().enumerate() {
            for (j, sum) in equation.iter_mut().enumerate() {
                *sum += row[i + 1] * if j < 4 { row[j + 1] } else { row[0] };
            }
        }
    }
    for i in 0..4 {
        let lead = system[i][i];
        if lead == 0.0 {
            continue;
        }
        system[i].iter_mut().for_each(|x| *x /= lead);
        for j in (0..4).filter(|j| *j != i) {
            let (pivot, factor) = (system[i], system[j][i]);
            system[j].iter_mut().zip(pivot).for_each(|(x, p)| *x -= factor * p);
        }
    }
    [0, 1, 2, 3].map(|i| system[i][4])
}

/// Source of the figures: least squares over the file itself, computed apart from this program: differences
/// without, levels with a constant.
#[test]
fn differences_tell_the_truth_and_levels_do_not() {
    let Some(path) = file() else { return };
    let (_, year) = year(&path);
    let quarters: Vec<[f64; 4]> = year
        .chunks_exact(15)
        .map(|quarter| [0, 1, 2, 3].map(|c| quarter.iter().map(|(_, w)| f64::from(w[c])).sum::<f64>() / 15.0))
        .collect();
    assert_eq!(quarters.len(), 35_040);
    let row = |x: [f64; 4], constant: f64| [x[0], x[1], x[2], x[3], constant];
    let differences: Vec<[f64; 5]> =
        quarters.windows(2).map(|pair| row([0, 1, 2, 3].map(|c| pair[1][c] - pair[0][c]), 0.0)).collect();
    let levels: Vec<[f64; 5]> = quarters.iter().map(|quarter| row(*quarter, 1.0)).collect();
    let words = |of: [f64; 4], places: usize| [0, 1, 2].map(|i| format!("{:.*}", places, of[i]));
    assert_eq!(words(regress(&differences), 4), ["0.9996", "1.0314", "1.0622"]);
    assert_eq!(words(regress(&levels), 3), ["1.238", "1.150", "1.248"]);
}

fn gather(minutes: &[(Stamp, [f32; 4])], change: impl Fn(&mut [f32; 4])) -> Evidence {
    let mut evidence = Evidence::new(4);
    let mut at = 0;
    while at < minutes.len() {
        let start = minutes[at].0.floor(Span::HOUR);
        let mut block = Block::unknown(start, Span::MINUTE, 4, 60);
        while let Some((when, watts)) = minutes.get(at).filter(|(when, _)| *when < start + Span::HOUR) {
            let mut watts = *watts;
            change(&mut watts);
            let place = ((when.0 - start.0) / Span::MINUTE.0) as usize;
            block.columns.iter_mut().zip(watts).for_each(|(column, watts)| column[place] = watts);
            at += 1;
        }
        evidence.take(&[block]);
    }
    evidence
}

const IDS: [&str; 3] = ["kitchen", "laundry", "hot-water"];

fn house(text: &str) -> Site {
    let parsed = parse("real-house.toml", text);
    parsed.site.unwrap_or_else(|| panic!("{:?}\n{text}", parsed.findings))
}

/// The map with a line more in a circuit.
fn with(circuit: usize, line: &str) -> String {
    let channels = format!("channels = [\"house/s{}\"]\n", circuit + 1);
    assert!(MAP.contains(&channels));
    MAP.replace(&channels, &format!("{channels}{line}\n"))
}

fn exchanged(a: usize, b: usize) -> String {
    let name = |n: usize| format!("\"house/s{}\"", n + 1);
    MAP.replace(&name(a), "\"?\"").replace(&name(b), &name(a)).replace("\"?\"", &name(b))
}

#[derive(Default)]
struct Score {
    put_in: usize,
    found: usize,
    right_line: usize,
    missed: Vec<String>,
}

/// Whether the suggested lines give the map back as it was before the fault.
fn mended(text: &str, report: &Report) -> bool {
    let edits: Vec<_> = report.findings.iter().flat_map(|finding| finding.edits.clone()).collect();
    let terms = |site: &Site| -> Vec<_> {
        site.circuits.iter().map(|circuit| circuit.latest().terms.clone()).collect()
    };
    parse("mended.toml", &apply(text, &edits)).site.is_some_and(|site| terms(&site) == terms(&house(MAP)))
}

#[test]
fn faults_of_every_month() {
    let Some(path) = file() else { return };
    let (zone, year) = year(&path);
    let mut scores: BTreeMap<&str, Score> = BTreeMap::new();
    let mut false_findings = Vec::new();
    for month in year.chunk_by(|a, b| zone.month_of(a.0) == zone.month_of(b.0)) {
        let name = zone.rfc3339(month[0].0)[..7].to_owned();
        let evidence = gather(month, |_| {});
        let sound = audit(&house(MAP), &evidence);
        false_findings.extend(sound.findings.iter().map(|f| format!("{name}: {} {}", f.id(), f.evidence)));
        let mut judge =
            |fault: &'static str, kind: Kind, about: &[usize], text: &str, evidence: &Evidence| {
                let report = audit(&house(text), evidence);
                let is_it = |id: &str| about.iter().any(|n| IDS[*n] == id);
                let score = scores.entry(fault).or_default();
                score.put_in += 1;
                if report.findings.iter().any(|finding| finding.kind == kind && is_it(&finding.about)) {
                    score.found += 1;
                    score.right_line += usize::from(kind == Kind::SameWire || mended(text, &report));
                } else {
                    let seen: Vec<String> = report.findings.iter().map(|finding| finding.id()).collect();
                    score.missed.push(format!("{name} {} {seen:?}", IDS[about[0]]));
                }
            };
        for n in 0..3 {
            judge("negated", Kind::Reversed, &[n], &with(n, "reversed = true"), &evidence);
            judge("halved", Kind::WrongScale, &[n], &with(n, "scale = 0.5"), &evidence);
            judge("doubled", Kind::WrongScale, &[n], &with(n, "scale = 2"), &evidence);
            judge("scaled by 1.25", Kind::WrongScale, &[n], &with(n, "scale = 1.25"), &evidence);
            judge("scaled by 1.1", Kind::WrongScale, &[n], &with(n, "scale = 1.1"), &evidence);
            let next = (n + 1) % 3;
            judge("swapped", Kind::Swapped, &[n, next], &exchanged(n, next), &evidence);
            let double = gather(month, |watts| watts[1 + n] = watts[1 + next]);
            judge("on the wire of another", Kind::SameWire, &[n, next], MAP, &double);
        }
    }
    println!("| done to a sub-meter | months × meters | found | right line |\n| --- | ---: | ---: | ---: |");
    for (fault, score) in &scores {
        println!("| {fault} | {} | {} | {} |", score.put_in, score.found, score.right_line);
    }
    for (fault, score) in &scores {
        score.missed.iter().for_each(|missed| println!("missed, {fault}: {missed}"));
    }
    println!("in the twelve months as they are: {false_findings:#?}");
    assert_eq!(false_findings, Vec::<String>::new());
    for fault in ["negated", "halved", "doubled", "on the wire of another"] {
        let score = &scores[fault];
        assert!(score.put_in == 36 && score.found == 36, "{fault}: {:?}", score.missed);
    }
}
