//! A load step under way, reading by reading, with fast and slow meters of an invented house.

use std::sync::Arc;

use super::*;
use crate::reading::Sample;
use crate::site::{Site, parse};
use crate::units::{Span, Stamp};

/// An invented house with a heater (one CT, doubled), a receptacle circuit and an array.
const MAP: &str = r#"
site = "bench"
time_zone = "America/Denver"
[service]
system = "split-phase 120/240"
[[device]]
id = "h"
topic = "bench/{channel}"
unit = "W"
every_s = 1
[[feed]]
bus = "main"
channels = [{ channel = "h/a", leg = "A" }, { channel = "h/b", leg = "B" }]
[[circuit]]
id = "heater"
end_use = "heating"
spaces = [1, 3]
channels = ["h/1"]
doubled = true
[[circuit]]
id = "plugs"
end_use = "plug loads"
spaces = [5]
channels = ["h/2"]
[[circuit]]
id = "solar"
end_use = "PV"
spaces = [38, 40]
channels = ["h/3"]
doubled = true
sign = "generation-positive"
"#;

/// The map with a meter of that period.
fn site(every_s: i64) -> Arc<Site> {
    Arc::new(read(&MAP.replace("every_s = 1", &format!("every_s = {every_s}"))))
}

fn read(map: &str) -> Site {
    let parsed = parse("bench.toml", map);
    parsed.site.unwrap_or_else(|| panic!("{:#?}", parsed.findings))
}

/// A session that is given means over a meter's period, in seconds from its start.
struct Bench {
    session: Session,
    start: Stamp,
    every_s: i64,
}

const START: Stamp = Stamp(17_800_000_004);

impl Bench {
    fn new(circuit: &str, every_s: i64) -> Self {
        let site = site(every_s);
        let index = site.circuits.iter().position(|named| named.id == circuit).expect("a circuit");
        Self { session: Session::begin(site, index, START).expect("an entry"), start: START, every_s }
    }

    /// Feeds the mean of `[end - every, end)`, in seconds from the start.
    fn feed(&mut self, end: i64, watts: &[(&str, f64)], is_on: impl Fn(i64) -> bool) {
        let on =
            (end - self.every_s..end).filter(|second| is_on(*second)).count() as f64 / self.every_s as f64;
        for (name, base) in [("h/a", 500.0), ("h/b", 320.0), ("h/1", 0.0), ("h/2", 60.0), ("h/3", 0.0)] {
            let own = watts.iter().find(|(other, _)| *other == name).map_or(0.0, |(_, watts)| *watts);
            let noise =
                f64::from((end * 7 + name.len() as i64 + i64::from(name.as_bytes()[2])) as i32 % 5) / 2.0;
            let value = ((base + own * on + noise) * 10.0).round() as i64;
            let channel = self.session.site().channel(name).expect("a channel").0 as usize;
            self.session.take(channel, Sample { at: self.start + Span::from_seconds(end), value });
        }
    }

    fn at(&self, second: i64) -> Stamp {
        self.start + Span::from_seconds(second)
    }
}

const HEATER: [(&str, f64); 3] = [("h/1", 2600.0), ("h/a", 2610.0), ("h/b", 2590.0)];

#[test]
fn it_says_what_to_do_at_every_moment_and_ends_by_itself() {
    let mut bench = Bench::new("heater", 1);
    let is_on = |second: i64| second >= 20 && (second - 20) / 15 % 2 == 0;
    let mut said: Vec<String> = Vec::new();
    for second in 1..200 {
        bench.feed(second, &HEATER, is_on);
        let (progress, end) = bench.session.look(bench.at(second));
        let now = match progress.step {
            Step::Gather { .. } => "gather".to_owned(),
            Step::Switch { on } => format!("switch {on} after {}", progress.switchings.len()),
            Step::Hold { on, .. } => format!("hold {on} after {}", progress.switchings.len()),
            Step::Done => "done".to_owned(),
        };
        if said.last() != Some(&now) {
            said.push(now);
        }
        if let Some(end) = end {
            assert_eq!(end, End::Settled);
            assert!(second < 20 + 4 * 15 + 10, "{second}");
            assert_eq!(progress.verdict.kind, Kind::AsMapped, "{:#?}", progress.verdict);
            assert_eq!(progress.moved.len(), 3, "{:#?}", progress.moved);
            let change = progress.moved[0].change.expect("it moved");
            assert!((change.watts - 2600.0).abs() < 5.0 && change.seen == 4, "{change:?}");
            break;
        }
    }
    let expected = [
        "gather",
        "switch true after 0",
        "hold true after 1",
        "switch false after 1",
        "hold false after 2",
        "switch true after 2",
        "hold true after 3",
        "switch false after 3",
        "hold false after 4",
        "done",
    ];
    assert_eq!(said, expected);
}

/// A load that is switched as the session asks for it, by a meter of `every_s`; what came out, and after
/// how long.
fn obey(circuit: &str, every_s: i64, watts: &[(&str, f64)]) -> (Progress, Option<End>, i64) {
    let mut bench = Bench::new(circuit, every_s);
    let mut switched: Vec<(i64, bool)> = Vec::new();
    let mut second = 0;
    loop {
        second += every_s;
        let history = switched.clone();
        let is_on = |at: i64| history.iter().rev().find(|(since, _)| *since <= at).is_some_and(|(_, on)| *on);
        bench.feed(second, watts, is_on);
        let (progress, end) = bench.session.look(bench.at(second));
        if end.is_some() {
            return (progress, end, second);
        }
        if let Step::Switch { on } = progress.step {
            // Half a period after it was asked for, so that it lies within a reading.
            let since = second + every_s / 2;
            if switched.last().is_none_or(|(_, last)| *last != on) {
                switched.push((since, on));
            }
        }
    }
}

#[test]
fn slow_meters_take_longer_and_come_to_the_same_verdict() {
    for every_s in [1, 5, 10, 30, 60] {
        let (progress, end, seconds) = obey("heater", every_s, &HEATER);
        assert_eq!(
            (end, progress.verdict.kind),
            (Some(End::Settled), Kind::AsMapped),
            "{every_s} s: {progress:#?}"
        );
        let hold = progress.hold.as_seconds() as i64;
        assert!(hold >= 10.max(4 * every_s), "{hold}");
        assert!(seconds < 60 + 4 * (hold + 6 * every_s), "{every_s} s: {seconds}");
    }
}

#[test]
fn a_source_that_is_switched_on_is_said_to_be_on() {
    let mut bench = Bench::new("solar", 1);
    let array = [("h/3", 600.0), ("h/a", -600.0), ("h/b", -600.0)];
    let is_on = |second: i64| second >= 20 && (second - 20) / 15 % 2 == 0;
    for second in 1..79 {
        bench.feed(second, &array, is_on);
    }
    let (progress, end) = bench.session.look(bench.at(79));
    assert_eq!((end, progress.verdict.kind), (Some(End::Settled), Kind::AsMapped), "{progress:#?}");
    let on: Vec<bool> = progress.switchings.iter().map(|switching| switching.on).collect();
    assert_eq!(on, [true, false, true, false]);
}

#[test]
fn a_fraction_wants_more_switchings_before_it_counts() {
    let open = [("h/2", 700.0), ("h/a", 1200.0)];
    let (progress, end, _) = obey("plugs", 1, &open);
    assert_eq!((end, progress.verdict.kind), (Some(End::Settled), Kind::Fraction));
    assert_eq!((progress.wanted, progress.switchings.len()), (SURE, SURE));
}

#[test]
fn it_times_out_and_names_what_is_silent() {
    let bench = Bench::new("heater", 1);
    let (progress, end) = bench.session.look(bench.at(10));
    assert_eq!((end, progress.silent.len()), (None, 3), "{progress:#?}");
    assert!(matches!(progress.step, Step::Gather { .. }));
    let (progress, end) = bench.session.look(bench.session.ends());
    assert_eq!((end, progress.verdict.kind), (Some(End::TimedOut), Kind::NothingMoved));
    // A clock that was set back does not keep it for ever.
    assert_eq!(bench.session.look(Stamp(START.0 - 1)).1, Some(End::TimedOut));
}

#[test]
fn a_proof_holds_as_long_as_the_map_says_the_same() {
    let now = Stamp(START.0);
    let verdict = Bench::new("heater", 1).session.look(now).0.verdict;
    let check = |map: &Site, circuit: &str, expected: bool| {
        let basis = basis(&site(1), circuit, now).expect("a circuit");
        let proof = Proof { at: now, verdict: Verdict { circuit: circuit.into(), ..verdict.clone() }, basis };
        assert_eq!(proof.holds(map, now), expected, "{circuit}");
    };
    let mended = |from: &str, to: &str| read(&MAP.replace(from, to));
    check(&site(1), "heater", true);
    let other_label = mended("id = \"heater\"", "id = \"heater\"\nlabel = \"Water heater\"");
    check(&other_label, "heater", true);
    let single = mended("doubled = true\n[[circuit]]\nid = \"plugs\"", "[[circuit]]\nid = \"plugs\"");
    check(&single, "heater", false);
    check(&single, "plugs", true);
    // Whoever changes the feed changes what all of its circuits were held against.
    let turned =
        mended("{ channel = \"h/a\", leg = \"A\" }", "{ channel = \"h/a\", leg = \"A\", reversed = true }");
    check(&turned, "plugs", false);
    let gone = mended("id = \"plugs\"", "id = \"receptacles\"");
    check(&gone, "plugs", false);
}
