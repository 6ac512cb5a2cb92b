//! How good the audit is: faults put into homes of chance, found or not.
//!
//! `cargo bench --bench audit` prints the tables of docs/audit.md; `-- --homes 20` is a short one. Every home
//! is a function of its number, so a miss can be looked at again: `-- --home 17 --fault NotDoubled`.
//! `-- --period 60` or `--period 1` is one kind of data alone, `--single` leaves the pairs out, `--clean 5`
//! looks at that many weeks of every home without a fault and at nothing else, `--clean 0` at a day of each. `--jobs 1`
//! takes one thread. `--demo` looks for every fault of the demo on twelve days of a year, and prints nothing else.
//! The table is printed after every twenty homes, so that a run which is cut off has told something.
#![allow(
    clippy::print_stdout,
    clippy::cast_precision_loss,
    reason = "a program that prints a table of counts"
)]

#[path = "audit/demo.rs"]
mod demo;
#[path = "audit/fair.rs"]
mod fair;
#[path = "audit/table.rs"]
mod table;

use std::sync::atomic::{AtomicU64, Ordering};

use panelwright::audit::{Block, Evidence, Kind, Report, State, apply, audit};
use panelwright::sim::homes::{Fault, Home, Injected};
use panelwright::site::{Site, parse};
use table::Table;

/// A circuit that changes less often is not counted: nothing can be told of it.
const EVENTS: usize = 5;
/// Homes between two printings of the table.
const BATCH: u64 = 20;
/// Pairs of faults in a home.
const PAIRS: u64 = 6;

struct Options {
    homes: u64,
    first: u64,
    only: Option<String>,
    period_s: Vec<i64>,
    verbose: bool,
    pairs: bool,
    clean_weeks: Option<i64>,
    demo: bool,
    jobs: usize,
}

/// Data of one kind: a reading every so many seconds, for so many hours.
#[derive(Clone, Copy, Debug, PartialEq, Eq)]
pub struct Data {
    /// Seconds between two readings.
    pub period_s: i64,
    /// How long.
    pub hours: i64,
}

fn main() {
    let options = options();
    if options.demo {
        demo::print(options.only.as_deref(), options.verbose);
        return;
    }
    for period_s in &options.period_s {
        let data = Data { period_s: *period_s, hours: if *period_s < 30 { 24 } else { 7 * 24 } };
        let mut table = Table::new(data);
        let end = options.first + options.homes;
        let mut first = options.first;
        while first < end {
            let last = (first + BATCH).min(end);
            let next = AtomicU64::new(first);
            let parts: Vec<Table> = std::thread::scope(|scope| {
                let work = || {
                    let mut part = Table::new(data);
                    loop {
                        let seed = next.fetch_add(1, Ordering::Relaxed);
                        if seed >= last {
                            return part;
                        }
                        home(seed, &options, data, &mut part);
                    }
                };
                let threads: Vec<_> = (0..options.jobs).map(|_| scope.spawn(work)).collect();
                threads.into_iter().map(|thread| thread.join().expect("no home panics")).collect()
            });
            parts.into_iter().for_each(|part| table.merge(part));
            first = last;
            // A long run that is cut off has told something all the same.
            if first < end {
                println!("\nso far:");
                table.print(options.verbose);
            }
        }
        table.print(options.verbose);
    }
}

/// One home: clean, and with every fault.
fn home(seed: u64, options: &Options, data: Data, table: &mut Table) {
    let home = Home::new(seed, 4 + (seed * 7 % 37) as usize);
    let truth = site(&home, data);
    if let Some(weeks) = options.clean_weeks {
        let data = Data { hours: if weeks == 0 { 24 } else { weeks * 168 }, ..data };
        table.clean(seed, &audit(&truth, &gather(&home, data)), data);
        return;
    }
    let mut blocks = Vec::new();
    home.readings(data.period_s, data.hours, |block| blocks.push(block));
    let evidence = taken(&home, &blocks);
    table.clean(seed, &audit(&truth, &evidence), data);
    let bench = Bench {
        home: &home,
        blocks: &blocks,
        evidence: &evidence,
        truth: &truth,
        data,
        verbose: options.verbose,
    };
    bench.all(seed, options, table);
}

/// A home whose faults are looked for.
struct Bench<'a> {
    home: &'a Home,
    /// Its readings without a fault.
    blocks: &'a [Block],
    evidence: &'a Evidence,
    truth: &'a Site,
    data: Data,
    verbose: bool,
}

impl Bench<'_> {
    fn all(&self, seed: u64, options: &Options, table: &mut Table) {
        for fault in Fault::ALL {
            if options.only.as_ref().is_none_or(|only| *only == format!("{fault:?}")) {
                self.one(&[*fault], seed, table);
            }
        }
        if !options.pairs || options.only.is_some() {
            return;
        }
        for pair in 0..PAIRS {
            let pick =
                |n: u64| Fault::ALL[((seed * 31 + pair * 7 + n * 5) % Fault::ALL.len() as u64) as usize];
            if pick(0) != pick(1) {
                self.one(&[pick(0), pick(1)], seed * 100 + pair, table);
            }
        }
    }

    /// Puts faults in and looks whether they are found.
    fn one(&self, faults: &[Fault], chance: u64, table: &mut Table) {
        let mut faulty = self.home.clone();
        let mut injected: Vec<Injected> = Vec::new();
        for fault in faults {
            let known = injected.clone();
            let taken = |n: usize| known.iter().any(|other| other.about.contains(&n));
            let lively =
                |n: usize| !taken(n) && self.home.events(n, self.data.hours * 3600, EVENTS) >= EVENTS;
            match faulty.inject(*fault, chance, lively) {
                Some(done) => injected.push(done),
                None => return,
            }
        }
        let again;
        let evidence = if faults.iter().all(|fault| fault.is_of_map()) {
            self.evidence
        } else if faults.iter().all(|fault| fault.is_of_map() || fault.is_of_meter()) {
            again = taken(&faulty, self.blocks);
            &again
        } else {
            again = gather(&faulty, self.data);
            &again
        };
        let text = faulty.plan.map(self.data.period_s);
        let parsed = parse("home.toml", &text);
        let Some(site) = parsed.site else {
            println!("home {chance} {faults:?}: the map is refused: {}", parsed.findings[0]);
            return;
        };
        let report = audit(&site, evidence);
        for done in &injected {
            let undecided = fair::undecidable(&faulty, done, (self.evidence, evidence), &site, self.data);
            self.judge(done, faults.len() > 1, chance, &site, &text, &report, undecided, table);
        }
    }

    #[allow(clippy::too_many_arguments, reason = "one place, and each is a thing of its own")]
    fn judge(
        &self,
        done: &Injected,
        pair: bool,
        chance: u64,
        site: &Site,
        text: &str,
        report: &Report,
        undecided: Option<&'static str>,
        table: &mut Table,
    ) {
        let name = format!("{}{:?}", if pair { "pair: " } else { "" }, done.fault);
        let score = table.score(&name);
        let about: Vec<&str> = done.about.iter().map(|n| self.home.plan.circuits[*n].id.as_str()).collect();
        let fits = |kind: Kind, id: &str| {
            kind == done.fault.kind() && (about.contains(&id) || (about.is_empty() && id == "main"))
        };
        let hit = report.findings.iter().find(|finding| fits(finding.kind, &finding.about));
        let seen: Vec<String> = report.findings.iter().map(|f| f.id()).collect();
        if let (None, Some(why)) = (hit, undecided) {
            let nothing = report
                .proofs
                .iter()
                .any(|proof| proof.state == State::Nothing && about.contains(&proof.circuit.as_str()));
            score.undecided += 1;
            score.said += usize::from(nothing && done.fault == Fault::Dead);
            table.why(why);
            return;
        }
        score.put_in += 1;
        let Some(hit) = hit else {
            score.missed.push(format!("home {chance} {about:?}, seen {seen:?}"));
            if self.verbose {
                report
                    .findings
                    .iter()
                    .for_each(|finding| println!("    {}: {}", finding.id(), finding.evidence));
            }
            return;
        };
        score.found += 1;
        if pair {
            return;
        }
        let right = self.mended(site, text, report, done.fault);
        score.right_line += usize::from(right);
        score.others += report.findings.len() - 1;
        if !right {
            score.wrong_line.push(format!("home {chance} {about:?}, seen {seen:?}"));
            if self.verbose {
                println!("  {name} home {chance} {about:?}: wrong line: {:?}", hit.edits);
            }
        }
        if self.verbose && report.findings.len() > 1 {
            println!("  {name} home {chance} {about:?}: more findings {seen:?}");
            report.findings.iter().for_each(|finding| println!("    {}: {}", finding.id(), finding.evidence));
        }
    }

    /// Whether the suggested lines give the true map (or, where no line can, the line of the CT is named).
    fn mended(&self, site: &Site, text: &str, report: &Report, fault: Fault) -> bool {
        let Some(hit) = report.findings.iter().find(|finding| finding.kind == fault.kind()) else {
            return false;
        };
        if matches!(fault, Fault::Unbalanced | Fault::Dead | Fault::Stuck | Fault::Saturated | Fault::Coarse)
        {
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
        says(&mended) == says(self.truth)
    }
}

/// What a map says of each circuit, apart from how it is written.
pub fn says(site: &Site) -> Vec<String> {
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
        let cts = feed.cts.iter().zip(&feed.terms);
        let mut cts: Vec<_> = cts.map(|(ct, term)| (ct.leg, term.series.0, term.millionths)).collect();
        cts.sort_unstable();
        format!("{cts:?}")
    });
    all.extend(feeds);
    all
}

fn site(home: &Home, data: Data) -> Site {
    let text = home.plan.map(data.period_s);
    let parsed = parse("home.toml", &text);
    parsed.site.unwrap_or_else(|| panic!("{}\n{text}", parsed.findings[0]))
}

fn gather(home: &Home, data: Data) -> Evidence {
    let mut evidence = Evidence::new(home.plan.channels.len());
    home.readings(data.period_s, data.hours, |block| evidence.take(&[block]));
    evidence
}

/// The evidence of readings, with what a home's faults do to its meters.
fn taken(home: &Home, blocks: &[Block]) -> Evidence {
    let mut evidence = Evidence::new(home.plan.channels.len());
    for block in blocks {
        let mut block = block.clone();
        home.spoil(&mut block);
        evidence.take(&[block]);
    }
    evidence
}

fn options() -> Options {
    let mut options = Options {
        homes: 200,
        first: 0,
        only: None,
        period_s: vec![1, 60],
        verbose: false,
        pairs: true,
        clean_weeks: None,
        demo: false,
        jobs: std::thread::available_parallelism().map_or(1, usize::from),
    };
    let mut arguments = std::env::args().skip(1);
    while let Some(argument) = arguments.next() {
        let mut number = || arguments.next().and_then(|text| text.parse::<u64>().ok());
        match argument.as_str() {
            "--homes" => options.homes = number().unwrap_or(200),
            "--home" => (options.first, options.homes) = (number().unwrap_or(0), 1),
            "--first" => options.first = number().unwrap_or(0),
            "--period" => options.period_s = number().map(|p| vec![p as i64]).unwrap_or_default(),
            "--clean" => options.clean_weeks = number().map(|weeks| weeks as i64),
            "--fault" => options.only = arguments.next(),
            "--jobs" => options.jobs = number().unwrap_or(1).max(1) as usize,
            "--demo" => options.demo = true,
            "--single" => options.pairs = false,
            "--verbose" => options.verbose = true,
            _ => {}
        }
    }
    options
}
