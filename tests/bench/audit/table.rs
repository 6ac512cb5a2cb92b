//! The table of docs/audit.md.

use std::collections::BTreeMap;

use panelwright::audit::{Report, State};

use super::Data;

/// How one kind of fault fared.
#[derive(Default, Clone)]
pub struct Score {
    /// Put in, and decidable.
    pub put_in: usize,
    /// Found, of those.
    pub found: usize,
    /// The suggested lines gave the true map.
    pub right_line: usize,
    /// Findings beside the right one.
    pub others: usize,
    /// Put in, but the readings are those of a sound home.
    pub undecided: usize,
    /// Of those: the audit says that the channel shows nothing.
    pub said: usize,
    /// By name.
    pub missed: Vec<String>,
    /// By name.
    pub wrong_line: Vec<String>,
}

impl Score {
    /// Adds the counts of another, without its names.
    fn count(&mut self, other: &Self) {
        self.put_in += other.put_in;
        self.found += other.found;
        self.right_line += other.right_line;
        self.others += other.others;
        self.undecided += other.undecided;
        self.said += other.said;
    }

    fn merge(&mut self, other: Self) {
        self.count(&other);
        self.missed.extend(other.missed);
        self.wrong_line.extend(other.wrong_line);
    }
}

/// All of them.
pub struct Table {
    data: Data,
    scores: BTreeMap<String, Score>,
    whys: BTreeMap<&'static str, usize>,
    homes: usize,
    weeks: f64,
    false_findings: Vec<String>,
    channels: [usize; 3],
}

fn share(part: usize, of: usize) -> String {
    if of == 0 { "–".to_owned() } else { format!("{:.1} %", 100.0 * part as f64 / of as f64) }
}

impl Table {
    /// An empty one.
    pub fn new(data: Data) -> Self {
        Self {
            data,
            scores: BTreeMap::new(),
            whys: BTreeMap::new(),
            homes: 0,
            weeks: 0.0,
            false_findings: Vec::new(),
            channels: [0; 3],
        }
    }

    /// The row of a kind of fault.
    pub fn score(&mut self, name: &str) -> &mut Score {
        self.scores.entry(name.to_owned()).or_default()
    }

    /// Notes why a fault is not counted.
    pub fn why(&mut self, why: &'static str) {
        *self.whys.entry(why).or_default() += 1;
    }

    /// Adds what another part of the homes gave.
    pub fn merge(&mut self, other: Self) {
        for (name, score) in other.scores {
            self.scores.entry(name).or_default().merge(score);
        }
        other.whys.into_iter().for_each(|(why, count)| *self.whys.entry(why).or_default() += count);
        self.homes += other.homes;
        self.weeks += other.weeks;
        self.false_findings.extend(other.false_findings);
        self.channels.iter_mut().zip(other.channels).for_each(|(sum, own)| *sum += own);
    }

    /// Takes in what was found in a home without a fault.
    pub fn clean(&mut self, seed: u64, report: &Report, data: Data) {
        self.homes += 1;
        self.weeks += data.hours as f64 / 168.0;
        let count = |state: State| report.proofs.iter().filter(|proof| proof.state == state).count();
        self.channels[0] += report.proofs.len();
        self.channels[1] += count(State::Proven);
        self.channels[2] += count(State::Nothing);
        self.false_findings.extend(report.open().map(|finding| {
            format!("home {seed}: {}; {} ({:.2})", finding.id(), finding.evidence, finding.confidence)
        }));
    }

    /// Prints it; every miss by name.
    pub fn print(&self, verbose: bool) {
        println!("\n## {} s data, {} h, {} homes\n", self.data.period_s, self.data.hours, self.homes);
        self.rows("");
        self.rows("pair: ");
        println!(
            "clean homes: {} false findings in {:.1} home-weeks; of {} channels {} proven, {} show nothing",
            self.false_findings.len(),
            self.weeks,
            self.channels[0],
            self.channels[1],
            self.channels[2]
        );
        for finding in &self.false_findings {
            println!("  false: {finding}");
        }
        for (why, count) in &self.whys {
            println!("  not decidable, {count}: {why}");
        }
        for (name, score) in &self.scores {
            let most = if verbose { usize::MAX } else { 40 };
            score.missed.iter().take(most).for_each(|missed| println!("  missed {name}: {missed}"));
            score.wrong_line.iter().take(most).for_each(|wrong| println!("  wrong line {name}: {wrong}"));
        }
    }

    fn rows(&self, prefix: &str) {
        let pairs = !prefix.is_empty();
        let of_kind = |name: &str| name.starts_with("pair: ") == pairs;
        let rows: Vec<_> = self.scores.iter().filter(|(name, _)| of_kind(name)).collect();
        if rows.is_empty() {
            return;
        }
        println!(
            "| {} | put in | found | recall | right line | more findings | not decidable |\n| --- | ---: | ---: | \
             ---: | ---: | ---: | ---: |",
            if pairs { "fault, of two at once" } else { "fault" }
        );
        let mut all = Score::default();
        for (name, score) in rows {
            let name = name.trim_start_matches("pair: ");
            print_row(name, score, pairs);
            all.count(score);
        }
        print_row("together", &all, pairs);
        let precision = if pairs {
            String::new()
        } else {
            format!("; {} of the findings were of the fault", share(all.found, all.found + all.others))
        };
        println!(
            "\nof {} not decidable, {} were said to show nothing at all{precision}\n",
            all.undecided, all.said
        );
    }
}

fn print_row(name: &str, score: &Score, pairs: bool) {
    let (line, others) = if pairs {
        ("–".to_owned(), "–".to_owned())
    } else {
        (share(score.right_line, score.found), score.others.to_string())
    };
    println!(
        "| {name} | {} | {} | {} | {line} | {others} | {} |",
        score.put_in,
        score.found,
        share(score.found, score.put_in),
        score.undecided
    );
}
