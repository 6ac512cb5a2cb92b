//! Every zone's local days, weeks, months, years and billing months, against an independent reader of
//! the IANA time-zone database.
//!
//! The calendar reads the release that is compiled in, through one library; the oracle reads the
//! PyPI package `tzdata` through Python's `zoneinfo`. A zone whose history differs because the two
//! releases differ is named in [`DIFFER`], with the reason, and nothing else may differ.

use std::collections::{BTreeMap, BTreeSet};
use std::io::Write as _;
use std::process::{Command, Stdio};

use panelwright::calendar::{By, LocalDay, Zone, intervals};

use crate::harness;

/// Zones that the oracle's release and the compiled-in one tell differently, and why.
const DIFFER: [(&str, &str); 0] = [];

/// Kind, zone, first day, seconds.
type Odd = BTreeSet<(String, String, LocalDay, i64)>;

/// The day on which billing months start here.
const BILLING_DAY: u8 = 17;

/// The interpreter that `tests/run` prepared, else any.
fn python() -> String {
    std::env::var("ORACLE_PYTHON").unwrap_or_else(|_| "python3".to_owned())
}

/// What the oracle says of those zones: release, zones it lacks, intervals that are longer or shorter
/// than their days are of 24 h.
fn oracle(zones: &[String]) -> (String, BTreeSet<String>, Odd) {
    let script = concat!(env!("CARGO_MANIFEST_DIR"), "/tests/oracle/day_lengths.py");
    let mut child = Command::new(python())
        .arg(script)
        .stdin(Stdio::piped())
        .stdout(Stdio::piped())
        .spawn()
        .expect("python starts");
    child.stdin.take().expect("a pipe").write_all(zones.join("\n").as_bytes()).expect("it reads");
    let output = child.wait_with_output().expect("it ends");
    assert!(output.status.success(), "the oracle failed");
    let (mut release, mut missing, mut days) = (String::new(), BTreeSet::new(), BTreeSet::new());
    for line in String::from_utf8(output.stdout).expect("text").lines() {
        match line.split(' ').collect::<Vec<_>>()[..] {
            ["version", version] => release = version.to_owned(),
            ["missing", zone] => {
                missing.insert(zone.to_owned());
            }
            [kind @ ("day" | "week" | "month" | "year" | "billing"), zone, date, seconds] => {
                let numbers: Vec<i16> = date.split('-').map(|part| part.parse().expect("a number")).collect();
                let day = LocalDay::from_civil(numbers[0], numbers[1] as i8, numbers[2] as i8);
                let seconds = seconds.parse().expect("a number");
                days.insert((kind.to_owned(), zone.to_owned(), day.expect("a date"), seconds));
            }
            _ => panic!("unexpected: {line}"),
        }
    }
    (release, missing, days)
}

/// Every day from 1970 to 2037 that does not last 24 h.
fn odd_days(name: &str) -> Vec<(LocalDay, i64)> {
    let zone = Zone::new(name).expect("a zone of the list");
    let last = LocalDay::from_civil(2037, 12, 30).expect("a date");
    let mut day = LocalDay::from_civil(1970, 1, 2).expect("a date");
    let mut start = zone.day_start(day);
    let mut found = Vec::new();
    while day < last {
        let end = zone.day_start(day.next());
        let seconds = (end - start).0 / 10;
        if seconds != 86_400 {
            found.push((day, seconds));
        }
        (day, start) = (day.next(), end);
    }
    found
}

/// Every week, month, year and billing month from 1971 to 2036 that is longer or shorter than its days
/// are of 24 h.
fn odd_runs(name: &str) -> Vec<(&'static str, LocalDay, i64)> {
    let zone = Zone::new(name).expect("a zone of the list");
    let date = |year, month, day| LocalDay::from_civil(year, month, day).expect("a date");
    let (first, last) = (date(1971, 1, 1), date(2037, 1, 1));
    let mut found = Vec::new();
    for by in [By::Week, By::Month, By::Year, By::Billing] {
        let range = zone.day_start(first)..zone.day_start(last);
        for interval in intervals(&zone, by, BILLING_DAY, range).expect("few enough") {
            // Both ends are where a local day starts.
            let (start, after) = (zone.day_of(interval.start), zone.day_of(interval.end));
            let seconds = interval.span().0 / 10;
            if start >= first && after <= last && seconds != i64::from(after.0 - start.0) * 86_400 {
                found.push((by.as_str(), start, seconds));
            }
        }
    }
    found
}

#[test]
fn every_zone_has_the_days_weeks_and_months_of_an_independent_reader() {
    if !harness::require(&python()) {
        return;
    }
    let ready = Command::new(python()).args(["-c", "import tzdata, zoneinfo"]).stderr(Stdio::null()).status();
    if !ready.is_ok_and(|status| status.success()) {
        let missing = "Python lacks the package `tzdata` (tests/run installs tests/oracle/requirements.txt)";
        assert!(std::env::var_os("CI").is_none(), "{missing}");
        eprintln!("skipped: {missing}");
        return;
    }
    // `Etc/Unknown` is Unicode's name for no zone, not IANA's.
    let zones: Vec<String> = Zone::names().into_iter().filter(|name| name != "Etc/Unknown").collect();
    let (release, missing, theirs) = oracle(&zones);
    let mut ours = Odd::new();
    for name in &zones {
        let days = odd_days(name).into_iter().map(|(day, seconds)| ("day", day, seconds));
        let all = days.chain(odd_runs(name));
        ours.extend(all.map(|(kind, day, seconds)| (kind.to_owned(), name.clone(), day, seconds)));
    }
    for kind in ["day", "week", "month", "billing"] {
        let count = ours.iter().filter(|one| one.0 == kind).count();
        assert!(count > 10_000, "only {count} of kind {kind}");
    }

    let explained: BTreeSet<&str> = DIFFER.iter().map(|(zone, _)| *zone).collect();
    let mut differing: BTreeMap<&str, Vec<String>> = BTreeMap::new();
    for (kind, zone, day, seconds) in ours.symmetric_difference(&theirs) {
        if !missing.contains(zone) {
            let one = (kind.clone(), zone.clone(), *day, *seconds);
            let side = if ours.contains(&one) { "here" } else { "oracle" };
            differing.entry(zone).or_default().push(format!("{side} {kind} {:?} {seconds} s", day.civil()));
        }
    }
    let unexplained: Vec<_> = differing.iter().filter(|(zone, _)| !explained.contains(**zone)).collect();
    assert!(unexplained.is_empty(), "against release {release}: {unexplained:#?}");
    let stale: Vec<_> = explained.iter().filter(|zone| !differing.contains_key(**zone)).collect();
    assert!(stale.is_empty(), "no longer different: {stale:?}");
    // A name that was added or dropped between releases is no fault, but a flood of them is.
    assert!(missing.len() < 5, "release {release} lacks {missing:?}");
    println!("{} zones, {} odd intervals, release {release}, lacking {missing:?}", zones.len(), ours.len());
}
