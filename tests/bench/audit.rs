//! How good the audit is: faults put into homes of chance, found or not.
//!
//! `cargo bench --bench audit` prints the table of docs/audit.md; `-- --homes 20` is a short one. Every home
//! is a function of its number, so a miss can be looked at again: `-- --home 17 --fault NotDoubled`.
#![allow(
    clippy::print_stdout,
    clippy::cast_precision_loss,
    reason = "a program that prints a table of counts"
)]

use std::collections::BTreeMap;

use panelwright::audit::{Evidence, Kind, Report, apply, audit};
use panelwright::sim::homes::{Fault, Home, Injected};
use panelwright::site::{Site, parse};

/// A circuit that changes less often is not counted: nothing can be told of it.
const EVENTS: usize = 5;

#[derive(Default, Clone)]
struct Score {
    put_in: usize,
    found: usize,
    right_line: usize,
    others: usize,
    missed: Vec<String>,
}

struct Options {
    homes: u64,
    first: u64,
    only: Option<String>,
    period_s: Vec<i64>,
    verbose: bool,
    pairs: bool,
}

fn main() {
    let options = options();
    for period_s in &options.period_s {
        let hours = if *period_s < 30 { 24 } else { 7 * 24 };
        let mut table: BTreeMap<String, Score> = BTreeMap::new();
        let (mut clean, mut false_findings, mut weeks) = (0, Vec::new(), 0.0);
        let mut proven = (0, 0);
        for seed in options.first..options.first + options.homes {
            let channels = 4 + (seed * 7 % 37) as usize;
            let home = Home::new(seed, channels);
            let evidence = gather(&home, *period_s, hours);
            let truth = site(&home, *period_s);
            let report = audit(&truth, &evidence);
            clean += 1;
            weeks += hours as f64 / 168.0;
            proven.0 += report.proofs.iter().filter(|proof| proof.state.as_str() == "proven").count();
            proven.1 += report.proofs.len();
            for finding in report.open() {
                false_findings.push(format!(
                    "home {seed}: {} {} ({})",
                    finding.id(),
                    finding.evidence,
                    finding.confidence
                ));
            }
            for fault in Fault::ALL {
                if options.only.as_ref().is_some_and(|only| *only != format!("{fault:?}")) {
                    continue;
                }
                one(&home, &evidence, &[*fault], seed, (*period_s, hours), &truth, &options, &mut table);
            }
            if options.pairs && options.only.is_none() {
                for pair in 0..6 {
                    let pick = |n: u64| {
                        Fault::ALL[((seed * 31 + pair * 7 + n * 5) % Fault::ALL.len() as u64) as usize]
                    };
                    let two = [pick(0), pick(1)];
                    if two[0] != two[1] {
                        one(
                            &home,
                            &evidence,
                            &two,
                            seed * 100 + pair,
                            (*period_s, hours),
                            &truth,
                            &options,
                            &mut table,
                        );
                    }
                }
            }
        }
        print(*period_s, hours, &table, clean, &false_findings, weeks, proven, options.verbose);
    }
}

/// Puts faults in and looks whether they are found.
#[allow(clippy::too_many_arguments, reason = "one place, and each is a thing of its own")]
fn one(
    home: &Home,
    evidence: &Evidence,
    faults: &[Fault],
    chance: u64,
    (period_s, hours): (i64, i64),
    truth: &Site,
    options: &Options,
    table: &mut BTreeMap<String, Score>,
) {
    let mut faulty = home.clone();
    let mut injected: Vec<Injected> = Vec::new();
    let taken = |injected: &[Injected], n: usize| injected.iter().any(|other| other.about.contains(&n));
    for fault in faults {
        let known = injected.clone();
        let lively = |n: usize| !taken(&known, n) && home.events(n, hours * 3600, EVENTS) >= EVENTS;
        match faulty.inject(*fault, chance, lively) {
            Some(done) => injected.push(done),
            None => return,
        }
    }
    let again;
    let evidence = if faults.iter().all(|fault| fault.is_of_map()) {
        evidence
    } else {
        again = gather(&faulty, period_s, hours);
        &again
    };
    let text = faulty.plan.map(period_s);
    let parsed = parse("home.toml", &text);
    let Some(site) = parsed.site else {
        println!("home {chance} {faults:?}: the map is refused: {}", parsed.findings[0]);
        return;
    };
    let report = audit(&site, evidence);
    for done in &injected {
        let name =
            if faults.len() == 1 { format!("{:?}", done.fault) } else { format!("pair: {:?}", done.fault) };
        let score = table.entry(name).or_default();
        score.put_in += 1;
        let about: Vec<&str> = done.about.iter().map(|n| home.plan.circuits[*n].id.as_str()).collect();
        let fits = |kind: Kind, id: &str| {
            kind == done.fault.kind() && (about.contains(&id) || (about.is_empty() && id == "main"))
        };
        let hit = report.findings.iter().find(|finding| fits(finding.kind, &finding.about));
        match hit {
            Some(_) => score.found += 1,
            None => {
                let seen: Vec<String> = report.findings.iter().map(|f| f.id()).collect();
                score.missed.push(format!("home {} {about:?} seen {seen:?}", chance));
            }
        }
        if hit.is_some() && faults.len() == 1 {
            let right = mended(&site, &text, &report, truth, done.fault, period_s);
            score.right_line += usize::from(right);
            score.others += report.findings.len() - 1;
            if !right && options.verbose {
                let edits: Vec<_> = hit.map(|hit| hit.edits.clone()).into_iter().collect();
                println!("  {:?} home {chance} {about:?}: wrong line: {edits:?}", done.fault);
            }
        }
        if options.verbose && faults.len() == 1 && report.findings.len() > 1 {
            let seen: Vec<String> = report.findings.iter().map(|f| f.id()).collect();
            println!("  {:?} home {chance} {about:?}: more findings {seen:?}", done.fault);
        }
    }
}

/// Whether the suggested lines give the true map (or, where no line can, the line of the CT is named).
fn mended(site: &Site, text: &str, report: &Report, truth: &Site, fault: Fault, period_s: i64) -> bool {
    let _ = period_s;
    let Some(hit) = report.findings.iter().find(|finding| finding.kind == fault.kind()) else { return false };
    if matches!(fault, Fault::Unbalanced | Fault::Dead | Fault::Stuck | Fault::Saturated | Fault::Coarse) {
        let circuit = site.circuits.iter().find(|circuit| circuit.id == hit.about);
        return circuit
            .is_some_and(|c| c.latest().written.channels.is_some_and(|(first, _)| first == hit.line));
    }
    let edits: Vec<_> = report.findings.iter().flat_map(|finding| finding.edits.clone()).collect();
    let Some(mended) = parse("mended.toml", &apply(text, &edits)).site else { return false };
    if matches!(fault, Fault::NotOnBus | Fault::SameWire) {
        // The wire's own load has no CT any more: the channel has to be out of the map.
        return mended.circuits.iter().any(|c| c.id == hit.about && c.latest().cts.is_empty());
    }
    says(&mended) == says(truth)
}

/// What a map says of each circuit, apart from how it is written.
fn says(site: &Site) -> Vec<String> {
    let mut all: Vec<String> = site
        .circuits
        .iter()
        .map(|circuit| {
            let entry = circuit.latest();
            let mut terms: Vec<_> = entry.terms.iter().map(|term| (term.series.0, term.millionths)).collect();
            terms.sort_unstable();
            let legs: Vec<_> = entry.legs.iter().map(|leg| leg.as_str()).collect();
            format!("{} {} {terms:?} {legs:?}", circuit.id, site.buses[entry.bus].id)
        })
        .collect();
    let feeds = site.feeds.iter().map(|feed| {
        let mut cts: Vec<_> = feed
            .cts
            .iter()
            .zip(&feed.terms)
            .map(|(ct, term)| (ct.leg, term.series.0, term.millionths))
            .collect();
        cts.sort_unstable();
        format!("{cts:?}")
    });
    all.extend(feeds);
    all
}

fn site(home: &Home, period_s: i64) -> Site {
    let parsed = parse("home.toml", &home.plan.map(period_s));
    match parsed.site {
        Some(site) => site,
        None => panic!("{}\n{}", parsed.findings[0], home.plan.map(period_s)),
    }
}

fn gather(home: &Home, period_s: i64, hours: i64) -> Evidence {
    let mut evidence = Evidence::new(home.plan.channels.len());
    home.readings(period_s, hours, |block| evidence.take(&[block]));
    evidence
}

#[allow(clippy::too_many_arguments, reason = "one table")]
fn print(
    period_s: i64,
    hours: i64,
    table: &BTreeMap<String, Score>,
    clean: usize,
    false_findings: &[String],
    weeks: f64,
    proven: (usize, usize),
    verbose: bool,
) {
    println!("\n## {period_s} s data, {hours} h, {clean} homes\n");
    println!(
        "| fault | put in | found | recall | right line | more findings |\n| --- | ---: | ---: | ---: | ---: | ---: |"
    );
    let mut all = (Score::default(), Score::default());
    for (name, score) in table {
        let share = |part: usize, of: usize| {
            if of == 0 { "–".to_owned() } else { format!("{:.1} %", 100.0 * part as f64 / of as f64) }
        };
        let line =
            if name.starts_with("pair") { "–".to_owned() } else { share(score.right_line, score.found) };
        println!(
            "| {name} | {} | {} | {} | {line} | {} |",
            score.put_in,
            score.found,
            share(score.found, score.put_in),
            score.others
        );
        let sum = if name.starts_with("pair") { &mut all.1 } else { &mut all.0 };
        sum.put_in += score.put_in;
        sum.found += score.found;
        sum.right_line += score.right_line;
        sum.others += score.others;
    }
    let of = |part: usize, of: usize| 100.0 * part as f64 / of.max(1) as f64;
    println!(
        "\nsingle: {} put in, recall {:.2} %, right line {:.2} %, precision {:.2} %; in pairs: {} put in, recall {:.2} %",
        all.0.put_in,
        of(all.0.found, all.0.put_in),
        of(all.0.right_line, all.0.found),
        of(all.0.found, all.0.found + all.0.others),
        all.1.put_in,
        of(all.1.found, all.1.put_in)
    );
    println!(
        "clean homes: {} false findings in {weeks:.1} home-weeks; {} of {} channels proven",
        false_findings.len(),
        proven.0,
        proven.1
    );
    for finding in false_findings {
        println!("  false: {finding}");
    }
    for (name, score) in table {
        for missed in score.missed.iter().take(if verbose { 30 } else { 0 }) {
            println!("  missed {name}: {missed}");
        }
    }
}

fn options() -> Options {
    let mut options =
        Options { homes: 200, first: 0, only: None, period_s: vec![1, 60], verbose: false, pairs: true };
    let mut arguments = std::env::args().skip(1);
    while let Some(argument) = arguments.next() {
        let mut number = || arguments.next().and_then(|text| text.parse::<u64>().ok());
        match argument.as_str() {
            "--homes" => options.homes = number().unwrap_or(200),
            "--home" => (options.first, options.homes) = (number().unwrap_or(0), 1),
            "--period" => options.period_s = number().map(|p| vec![p as i64]).unwrap_or_default(),
            "--fault" => options.only = arguments.next(),
            "--single" => options.pairs = false,
            "--verbose" => options.verbose = true,
            _ => {}
        }
    }
    options
}
