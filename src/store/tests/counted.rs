//! CTs that have power and a counter: live, sealed, late and offline their minutes are one account, and the audit
//! sees both.

use super::*;
use crate::store::reader::Reader;

/// Invented: the second CT's counter says a tenth more than its power.
const MAP: &str = r#"
site = "heron-lane"
time_zone = "America/Denver"

[service]
system = "split-phase 120/240"

[[device]]
id = "house"
topic = "house/{channel}"
payload = { pointer = "/w", time = "/t" }
unit = "W"
every_s = 10
channels = ["m1", "m2"]
counter = { pointer = "/wh", unit = "Wh", every_s = 30 }

[[feed]]
bus = "main"
channels = [{ channel = "house/m1", leg = "A" }, { channel = "house/m2", leg = "B" }]
"#;

const LAST: i64 = 3 * 3600 + 900;

fn rig() -> Rig {
    let site = site_of(MAP);
    let directory = tempfile::tempdir().expect("a directory");
    let (store, events) = open(directory.path(), &site, &["builder"]);
    let flow = SiteFlow::new(Arc::clone(&site), None);
    let given = vec![Vec::new(); site.channels.len()];
    Rig { site, flow, directory, store: Some(store), events, ticket: 0, given }
}

/// Power in 0.1 W, and what its counter says by then in 0.1 Wh.
fn value(channel: u32, second: i64) -> i64 {
    let watts = |second: i64| 1000 * (second.div_euclid(1800) % 3) + 400 + second % 7;
    match channel {
        0 | 1 => watts(second) * 10,
        _ => {
            // Whole periods of 5,400 s of 1,400 W on the mean, then what has passed of this one.
            let (whole, rest) = (second.div_euclid(5400), second.rem_euclid(5400));
            let joules: i64 = (0..rest).step_by(10).map(|at| watts(at) * 10).sum();
            let wh = (whole * 5400 * 1403 + joules) / 3600;
            (if channel == 3 { wh * 11 / 10 } else { wh }) * 10
        }
    }
}

fn readings(range: Range<i64>) -> Vec<Reading> {
    let mut readings = Vec::new();
    for second in range.step_by(10) {
        for channel in 0..4 {
            if channel < 2 || second % 30 == 0 {
                let sample = Sample { at: at(second), value: value(channel, second) };
                readings.push(Reading { site: SiteIndex(0), channel: ChannelIndex(channel), sample });
            }
        }
    }
    readings
}

impl Rig {
    /// Runs with a commit a minute; `keep` says what comes in time.
    fn run_counted(&mut self, range: Range<i64>, keep: impl Fn(&Reading) -> bool) {
        for minute in range.step_by(60) {
            let readings = readings(minute..minute + 60).into_iter().filter(|reading| keep(reading));
            self.commit(readings.collect(), at(minute + 60));
        }
    }
}

fn is_one_account(rig: &Rig, until: i64, what: &str) {
    rig.flush();
    let expected = rig.expected(-3600, until);
    assert!(expected.len() > 900, "{what}: {}", expected.len());
    assert_eq!(rig.rows(Level::Minute, -3600, until), expected, "{what}");
    let sites = std::slice::from_ref(&rig.site);
    let checked = super::super::check(&database(rig.directory.path()), sites).expect("it can be checked");
    assert_eq!(checked.findings, [], "{what}");
}

fn energy_of(rig: &Rig, name: &str, from: i64, to: i64) -> f64 {
    let rows = rig.rows(Level::Minute, from, to);
    let of = rows.iter().filter(|(series, _)| rig.site.series_name(*series) == name);
    of.map(|(_, row)| row.energy_in.wh()).sum()
}

#[test]
fn live_sealed_and_offline_minutes_are_one_account() {
    let mut rig = rig();
    rig.run_counted(0..LAST, |_| true);
    is_one_account(&rig, LAST - 300, "not sealed");
    let offline = Reader::offline(rig.directory.path(), std::slice::from_ref(&rig.site)).expect("a store");
    let rows = offline.source(SiteIndex(0)).rows(Level::Minute, at(0)..at(LAST - 300)).expect("rows");
    assert_eq!(rows, rig.expected(0, LAST - 300));
    rig.seal(3600);
    is_one_account(&rig, LAST - 300, "an hour is sealed");
    rig.seal(3 * 3600);
    is_one_account(&rig, LAST - 300, "three are");
    // The counter of m2 says a tenth more, in the shape of the power.
    let (counted, power) = ("split:counted/house/m2", "house/m2");
    let hour = energy_of(&rig, counted, 3600, 7200) / energy_of(&rig, power, 3600, 7200);
    let minute = energy_of(&rig, counted, 3600, 3660) / energy_of(&rig, power, 3600, 3660);
    assert!((hour - 1.1).abs() < 0.01 && (minute - hour).abs() < 1e-6, "{hour} {minute}");
}

#[test]
fn what_comes_late_changes_the_stretch_that_it_is_of() {
    // A quarter of an hour of power, the count of an hour and the readings around it come when it is all sealed.
    let is_late = |reading: &Reading| {
        let second = (reading.sample.at - T0).0 / 10;
        match reading.channel.0 {
            0 => (1200..2100).contains(&second),
            3 => (6900..7500).contains(&second),
            _ => false,
        }
    };
    let mut rig = rig();
    rig.run_counted(0..LAST, |reading| !is_late(reading));
    rig.seal(3 * 3600);
    is_one_account(&rig, LAST - 300, "without them");
    let without = energy_of(&rig, "split:counted/house/m1", 0, 3600);
    let covered =
        |rig: &Rig| rig.rows(Level::Hour, 0, 3600).iter().map(|(_, row)| row.covered.0).sum::<i64>();
    let covered_without = covered(&rig);
    let late: Vec<Reading> = readings(0..LAST).into_iter().filter(is_late).collect();
    rig.commit(late, at(LAST));
    is_one_account(&rig, LAST - 300, "with them");
    // The counter knew the energy all along; now it is known when it flowed.
    let with = energy_of(&rig, "split:counted/house/m1", 0, 3600);
    assert!((with - without).abs() < 1.0, "{with} {without}");
    assert!(covered(&rig) > covered_without);
    rig.run_counted(LAST / 60 * 60 + 60..LAST / 60 * 60 + 3600, |_| true);
    rig.seal(4 * 3600);
    is_one_account(&rig, LAST, "merged");
}

#[test]
fn the_audit_names_a_counter_that_says_otherwise_than_its_power_for_days() {
    let mut rig = rig();
    for day in 0..3 {
        rig.commit(readings(day * 86_400..(day + 1) * 86_400), at((day + 1) * 86_400));
    }
    rig.seal(3 * 86_400);
    let mut source = rig.store().reader().source(SiteIndex(0));
    let evidence = source.evidence(&rig.site, at(0)..at(3 * 86_400)).expect("readings");
    assert_eq!(evidence.counters.len(), 2);
    for tally in &evidence.counters {
        assert_eq!((tally.step, tally.days.len()), (10, 3), "{tally:?}");
        assert!(tally.days.iter().all(|day| day.hours >= 23 && day.disbelieved == 0), "{tally:?}");
    }
    let report = crate::audit::audit(&rig.site, &evidence);
    let of_counters = |finding: &&crate::audit::Finding| finding.kind == crate::audit::Kind::CounterDiffers;
    let found: Vec<_> = report.findings.iter().filter(of_counters).collect();
    assert_eq!(found.len(), 1, "{:?}", report.findings);
    assert_eq!(found[0].channels, ["house/m2", "house/m2/counter"]);
    assert!(
        found[0].evidence.contains("of 3 days") && found[0].evidence.contains("+10.0 %"),
        "{}",
        found[0].evidence
    );
    assert_eq!(MAP.lines().nth(found[0].line - 1).map(|line| line.starts_with("channels = [{")), Some(true));
}
