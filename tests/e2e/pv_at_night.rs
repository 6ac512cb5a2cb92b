//! A real PV inverter by day and night, through the whole program.
//!
//! Source: `serf_east_15min_ac_power.csv` in the wheel pvanalytics 0.2.2
//! (`tests/oracle/fetch-pv-at-night` gets it): 10,000 quarter hours of AC power at −07:00, without a
//! gap. In 4,767 of them, at night, the inverter takes a few watts; the lowest is −6.35 W, the highest
//! 5,426.4 W. What it takes is consumption: none of it may become negative generation, none may be
//! lost.

use std::path::Path;
use std::time::Duration;

use panelwright::calendar::Zone;
use panelwright::units::{Span, Stamp};
use serde_json::{Value, json};

use crate::harness::{Mosquitto, Publisher, Setup, poll, require};
use crate::real_house::fetched;

const MAP: &str = r#"
site = "pv-at-night"
name = "A real PV inverter (pvanalytics 0.2.2, SERF east)"
time_zone = "Etc/GMT+7"   # POSIX has the sign the other way round: this is a fixed -07:00
late_window_days = 36500   # the data is years old

[service]
system = "split-phase 120/240"   # no figure here depends on it

[[device]]
id = "inverter"
topic = "inverter/{channel}"
payload = { pointer = "/w", time = "/t" }
unit = "W"
reading = "mean"
every_s = 900

[[circuit]]
id = "roof"
label = "PV on a breaker of the panel"
end_use = "PV"
bus = "main"
spaces = [38, 40]
breaker_a = 40
channels = ["inverter/ac"]
sign = "generation-positive"
"#;

/// Late readings are counted again every 10 s; a loaded machine takes its time over it.
const SOON: Duration = Duration::from_secs(240);

/// One line of the file.
struct Sample {
    /// The local time as the file writes it.
    time: String,
    /// The power as the file writes it.
    text: String,
    /// In units of 10 µW, without a float.
    exact: i64,
    /// To the nearest 0.1 W, halves away from zero, as readings are kept.
    tenths: i64,
}

fn samples(path: &Path) -> Vec<Sample> {
    let reader = csv::Reader::from_path(path).expect("the file opens");
    let sample = |record: csv::StringRecord| {
        let (time, text) = (record[0].replace(' ', "T"), record[1].trim().to_owned());
        let (whole, fraction) = text.split_once('.').unwrap_or((&text, ""));
        assert!(fraction.len() <= 5, "{text} has more than five decimal places");
        let exact: i64 =
            format!("{whole}{fraction:0<5}").parse().unwrap_or_else(|why| panic!("{text}: {why}"));
        let tenths = (exact.abs() + 5_000) / 10_000 * exact.signum();
        Sample { time, text, exact, tenths }
    };
    reader.into_records().map(|record| sample(record.expect("a line of fields"))).collect()
}

/// The intervals of an answer.
fn intervals(body: &Value) -> &[Value] {
    body["intervals"].as_array().map_or(&[], Vec::as_slice)
}

/// What differs in a quarter hour from the sample that stands for it.
fn differs(sample: &Sample, quarter: &Value) -> Option<String> {
    // 0.1 W for a quarter of an hour is 25 µkWh.
    let kwh = |tenths: i64| tenths as f64 * 25e-6;
    let figures = [
        (&quarter["generation_kwh"], kwh(sample.tenths.max(0)), "generation"),
        (&quarter["tracked_kwh"], kwh((-sample.tenths).max(0)), "tracked"),
        (&quarter["circuits"]["roof"], kwh(-sample.tenths), "roof"),
    ];
    for (got, want, name) in figures {
        if got.as_f64().is_none_or(|got| (got - want).abs() > 1e-9) {
            return Some(format!(
                "{name} of {} W at {}: {want} kWh, not {quarter}",
                sample.text, sample.time
            ));
        }
    }
    let coverage = &quarter["total_coverage"];
    let whole = coverage["generation"] == json!(1.0) && coverage["tracked"] == json!(1.0);
    (!whole).then(|| format!("coverage at {}: {quarter}", sample.time))
}

#[test]
fn what_an_inverter_takes_at_night_is_neither_generation_nor_lost() {
    if !require("mosquitto") {
        return;
    }
    let Some(path) = fetched("serf_east_15min_ac_power.csv", "fetch-pv-at-night") else { return };
    let samples = samples(&path);
    let negative = samples.iter().filter(|sample| sample.exact < 0).count();
    let lowest = samples.iter().map(|sample| sample.exact).min().expect("samples");
    let highest = samples.iter().map(|sample| sample.exact).max().expect("samples");
    assert_eq!((samples.len(), negative), (10_000, 4_767));
    assert_eq!((lowest, highest), (-635_330, 542_640_000));

    let broker = Mosquitto::start("max_queued_messages 0\nmax_inflight_messages 0");
    let mut daemon = Setup::new(&broker.url()).site("pv-at-night", MAP).start();
    daemon.wait_healthy();
    let mut publisher = Publisher::connect(broker.port());
    for Sample { time, text, .. } in &samples {
        publisher.publish("inverter/ac", format!(r#"{{"t":"{time}","w":{text}}}"#));
    }
    publisher.settle();

    // The file does not say which side of its time a sample stands for; as with any mean here, it
    // is the quarter hour before.
    let zone = Zone::new("Etc/GMT+7").expect("a zone");
    let at = |sample: &Sample| zone.parse(&sample.time).expect("a time");
    let from: Stamp = at(&samples[0]) - Span::QUARTER;
    let to = at(&samples[samples.len() - 1]);
    let query = format!(
        "/api/sites/pv-at-night/history?from={}&to={}&by=quarter",
        zone.rfc3339(from),
        zone.rfc3339(to)
    );
    let mut difference = None;
    let body = poll(SOON, || {
        let body = daemon.get(&query).json();
        assert_eq!(intervals(&body).len(), samples.len(), "one quarter hour a sample");
        let mut pairs = samples.iter().zip(intervals(&body));
        difference = pairs.find_map(|(sample, quarter)| differs(sample, quarter));
        if difference.is_some() {
            // A recount takes longer than the harness's pause between looks.
            std::thread::sleep(Duration::from_millis(500));
        }
        difference.is_none().then_some(body)
    });
    let Some(body) = body else { panic!("{}\n{}", difference.unwrap_or_default(), daemon.log()) };

    // Over everything: the sums of the file, to the rounding of a reading to 0.1 W.
    let sum = |name: &str| intervals(&body).iter().filter_map(|quarter| quarter[name].as_f64()).sum::<f64>();
    let of_file = |sign: i64| {
        let sum: i64 = samples.iter().map(|sample| (sign * sample.exact).max(0)).sum();
        sum as f64 / 1e5 * 0.25 / 1000.0
    };
    let rounding = |count: usize| count as f64 * 0.05 * 0.25 / 1000.0;
    let (generation, standby) = (of_file(1), of_file(-1));
    assert_eq!((format!("{generation:.3}"), format!("{standby:.6}")), ("2941.908".into(), "3.551720".into()));
    assert!((sum("generation_kwh") - generation).abs() <= rounding(samples.len() - negative));
    assert!((sum("tracked_kwh") - standby).abs() <= rounding(negative));
    // At night, nothing at all is generated.
    for (sample, quarter) in samples.iter().zip(intervals(&body)).filter(|(sample, _)| sample.exact < 0) {
        assert_eq!(quarter["generation_kwh"], json!(0.0), "{} W at {}", sample.text, sample.time);
    }
    // The months, which the store sums up by itself, say the same as their quarter hours.
    let months = daemon.get(&query.replace("by=quarter", "by=month")).json();
    for name in ["generation_kwh", "tracked_kwh"] {
        let by_month: f64 = intervals(&months).iter().filter_map(|month| month[name].as_f64()).sum();
        assert!((by_month - sum(name)).abs() < 1e-6, "{name} by month: {by_month}, by quarter {}", sum(name));
    }

    assert!(daemon.sigterm().success(), "{}", daemon.log());
    let (status, text, _) = daemon.run(&["store", "check"]);
    assert_eq!(status, 0, "{text}");
}
