//! One invented house with everything that a map can say, from the broker to all that is put out:
//! every figure was worked out by hand and is the same in `now`, on the topic, in history, on the
//! command line and in a real central store.

use std::time::{Duration, SystemTime, UNIX_EPOCH};

use serde_json::{Value, json};

use crate::harness::{
    Mosquitto, Panelwright, Publisher, Setup, Subscriber, VictoriaMetrics, eventually, poll, require,
};

/// How long figures may take to arrive everywhere: a commit, a recount and a central store's turn.
const SOON: Duration = Duration::from_secs(60);

const MAP: &str = r#"
site = "heron-lane"
name = "Heron Lane farmhouse (invented)"
time_zone = "America/Denver"

[service]
system = "split-phase 120/240"
main_breaker_a = 200

[[device]]
id = "house"
topic = "house/ct/{channel}"
payload = { pointer = "/w", time = "/t" }
unit = "W"
reading = "mean"
every_s = 1

[[feed]]
bus = "main"
channels = [ { channel = "house/m1", leg = "A" }, { channel = "house/m2", leg = "B" } ]
measures = "panel"

[[bus]]
id = "barn"
fed_by = "barn-feeder"

[[circuit]]
id = "water-heater"
label = "Water heater, one CT for both legs"
end_use = "hot water"
spaces = [1, 3]
breaker_a = 30
channels = ["house/heater"]
doubled = true

[[circuit]]
id = "range"
label = "Range, a CT on each leg"
end_use = "cooking"
spaces = [5, 7]
breaker_a = 50
channels = ["house/range-a", "house/range-b"]

[[circuit]]
id = "fridge"
label = "Refrigerator, CT clamped backwards"
end_use = "refrigeration"
spaces = [9]
breaker_a = 15
channels = ["house/fridge"]
reversed = true

[[circuit]]
id = "barn-feeder"
label = "Feeder to the barn"
spaces = [2, 4]
breaker_a = 60
channels = ["house/feeder-a", "house/feeder-b"]

[[circuit]]
id = "barn-lights"
label = "Barn lights"
end_use = "lighting"
bus = "barn"
spaces = [1]
breaker_a = 15
channels = ["house/barn-lights"]

[[circuit]]
id = "barn-freezer"
label = "Barn freezer"
end_use = "refrigeration"
bus = "barn"
spaces = [2]
breaker_a = 20
channels = ["house/barn-freezer"]

[[circuit]]
id = "roof"
label = "PV on a breaker of the panel"
end_use = "PV"
spaces = [38, 40]
breaker_a = 50
channels = ["house/roof-a", "house/roof-b"]
sign = "generation-positive"

[[circuit]]
id = "field"
label = "PV tapped ahead of the main breaker"
end_use = "PV"
bus = "service"
legs = ["A", "B"]
channels = ["house/field"]
doubled = true
sign = "generation-positive"
"#;

/// What each CT reads in W, in the morning and at noon. Mains are what the circuits and 550 W of
/// unmeasured loads in the house add up to; the barn has 700 W of unmeasured loads.
const CHANNELS: [(&str, i64, i64); 12] = [
    ("m1", 2950, -3450),
    ("m2", 2150, 2150),
    ("heater", 2000, 2000),
    ("range-a", 1500, 1500),
    ("range-b", 1300, 1300),
    ("fridge", -150, -150),
    ("feeder-a", 700, 700),
    ("feeder-b", 500, 500),
    ("barn-lights", 300, 300),
    ("barn-freezer", 200, 200),
    ("roof-a", 1800, 5000),
    ("roof-b", 1800, 5000),
];
const FIELD: i64 = 1000;

/// By hand, in W: (figure, morning, noon). Field PV is 2 × 1,000 W all along.
///
/// panel feed = m1 + m2 = 5,100 and −1,300; grid = panel feed − field = 3,100 and −3,300;
/// generation = roof + field = 5,600 and 12,000; consumption = grid + generation = 8,700 both;
/// tracked = 4,000 + 2,800 + 150 + 300 + 200 = 7,450; untracked = 550 + 700 = 1,250.
const TOTALS: [(&str, i64, i64); 7] = [
    ("import", 3100, 0),
    ("export", 0, 3300),
    ("generation", 5600, 12000),
    ("consumption", 8700, 8700),
    ("tracked", 7450, 7450),
    ("untracked", 1250, 1250),
    ("self_consumed", 5600, 8700),
];
const CIRCUITS: [(&str, i64, i64); 8] = [
    ("water-heater", 4000, 4000),
    ("range", 2800, 2800),
    ("fridge", 150, 150),
    ("barn-feeder", 1200, 1200),
    ("barn-lights", 300, 300),
    ("barn-freezer", 200, 200),
    ("roof", -3600, -10000),
    ("field", -2000, -2000),
];

fn seconds_now() -> i64 {
    SystemTime::now().duration_since(UNIX_EPOCH).expect("a clock after 1970").as_secs() as i64
}

/// Publishes every channel for each second of `(from, to]`; noon begins at `noon`.
fn publish(publisher: &mut Publisher, from: i64, to: i64, noon: i64) {
    for t in from + 1..=to {
        let pick = |morning, at_noon| if t > noon { at_noon } else { morning };
        let channels = CHANNELS.iter().map(|(name, morning, at_noon)| (*name, pick(*morning, *at_noon)));
        for (name, watts) in channels.chain([("field", FIELD)]) {
            publisher.publish(&format!("house/ct/{name}"), json!({"w": watts, "t": t}).to_string());
        }
    }
}

fn check_now(now: &Value) {
    let watts = |value: &Value| value.as_f64();
    for (name, _, noon) in [
        ("grid_w", 0, -3300),
        ("generation_w", 0, 12000),
        ("consumption_w", 0, 8700),
        ("tracked_w", 0, 7450),
        ("untracked_w", 0, 1250),
        ("surplus_w", 0, 3300),
    ] {
        assert_eq!(watts(&now[name]), Some(f64::from(noon)), "{name} in {now}");
    }
    for (id, _, noon) in CIRCUITS {
        assert_eq!(watts(&now["circuits"][id]["w"]), Some(noon as f64), "{id} in {now}");
    }
    let buses = [("main", -1300.0, 550.0), ("barn", 1200.0, 700.0)];
    for (bus, feed, untracked) in buses {
        assert_eq!(watts(&now["buses"][bus]["feed_w"]), Some(feed), "{bus} in {now}");
        assert_eq!(watts(&now["buses"][bus]["untracked_w"]), Some(untracked), "{bus} in {now}");
    }
    assert_eq!(now["unknown"], json!([]));
}

fn kwh(watts: i64, seconds: i64) -> f64 {
    watts as f64 * seconds as f64 / 3_600_000.0
}

/// Whole minutes of `by=minute` history against the hand's figures; true if all are there.
fn check_history(body: &Value, first: i64, noon: i64, last: i64) -> bool {
    let intervals = body["intervals"].as_array().expect("intervals");
    let close = |value: &Value, want: f64| value.as_f64().is_some_and(|got| (got - want).abs() < 1e-6);
    let mut complete = 0;
    for (index, interval) in intervals.iter().enumerate() {
        let start = first + 60 * index as i64;
        if interval["coverage"].as_f64() != Some(1.0) {
            continue;
        }
        let pick = |morning, at_noon| if start >= noon { at_noon } else { morning };
        for (name, morning, at_noon) in TOTALS {
            let want = kwh(pick(morning, at_noon), 60);
            assert!(close(&interval[format!("{name}_kwh")], want), "{name} of minute {index}: {interval}");
        }
        for (id, morning, at_noon) in CIRCUITS {
            let want = kwh(pick(morning, at_noon), 60);
            assert!(close(&interval["circuits"][id], want), "{id} of minute {index}: {interval}");
        }
        complete += 1;
    }
    complete == (last - first) / 60
}

/// Minutes of the central store that hold what the hand says; `None` while some are missing.
fn check_central(victoria: &VictoriaMetrics, first: i64, noon: i64, last: i64) -> Option<()> {
    let expected = TOTALS
        .iter()
        .map(|(name, morning, at_noon)| {
            ("panelwright_site_wh", "figure", name.replace('_', "-"), morning, at_noon)
        })
        .chain(CIRCUITS.iter().map(|(id, morning, at_noon)| {
            ("panelwright_circuit_wh", "circuit", (*id).to_owned(), morning, at_noon)
        }));
    for (name, tag, value, morning, at_noon) in expected {
        // Coverage first: a point that is written again in between is then seen as incomplete, and
        // looked at again, never as complete with an older energy.
        let covered =
            victoria.export(&format!("{}_covered_s{{{tag}=\"{value}\"}}", name.trim_end_matches("_wh")));
        let series = victoria.export(&format!("{name}{{{tag}=\"{value}\"}}"));
        let points = |series: &[crate::harness::Series], at: i64| {
            let series = series.first()?;
            let index = series.timestamps.iter().rposition(|time| *time == at * 1000)?;
            Some(series.values[index])
        };
        for start in (first..last).step_by(60) {
            let watts = if start >= noon { *at_noon } else { *morning };
            if points(&covered, start)? < 60.0 {
                return None;
            }
            let got = points(&series, start)?;
            let want = kwh(watts, 60) * 1000.0;
            assert!((got - want).abs() < 1e-3, "{value} at {start}: {got} Wh, by hand {want} Wh");
        }
    }
    Some(())
}

fn daemon(broker: &Mosquitto, victoria: &VictoriaMetrics) -> Panelwright {
    let central = format!(
        "[[central]]\nname = \"builder\"\nkind = \"influx\"\nurl = \"{}\"\norganization = \"builder\"\n\
         bucket = \"homes\"\nresolution = \"minute\"\n",
        victoria.url()
    );
    Setup::new(&broker.url()).site("heron-lane", MAP).settings(&central).start()
}

#[test]
fn every_output_gives_the_figures_that_were_worked_out_by_hand() {
    if !(require("mosquitto") && require("victoria-metrics")) {
        return;
    }
    let broker = Mosquitto::start("max_queued_messages 0\nmax_inflight_messages 0");
    let victoria = VictoriaMetrics::start();
    let mut daemon = daemon(&broker, &victoria);
    daemon.wait_healthy();
    let subscriber = Subscriber::connect(broker.port(), "panelwright/#");
    let mut publisher = Publisher::connect(broker.port());

    // Five whole minutes up to the present: two of morning, three of noon.
    let start = seconds_now();
    let last = start / 60 * 60;
    let (first, noon) = (last - 300, last - 180);
    publish(&mut publisher, first - 2, start, noon);
    publisher.settle();

    eventually(SOON, || {
        publish(&mut publisher, seconds_now() - 1, seconds_now(), noon);
        daemon.now("heron-lane")["grid_w"] == json!(-3300.0)
    });
    check_now(&daemon.now("heron-lane"));
    eventually(SOON, || {
        publish(&mut publisher, seconds_now() - 1, seconds_now(), noon);
        subscriber
            .latest("panelwright/heron-lane/now")
            .is_some_and(|message| message.json()["grid_w"] == json!(-3300.0))
    });
    check_now(&subscriber.latest("panelwright/heron-lane/now").expect("heard").json());

    let query =
        format!("/api/sites/heron-lane/history?from={}&to={}&by=minute", rfc3339(first), rfc3339(last));
    eventually(SOON, || check_history(&daemon.get(&query).json(), first, noon, last));
    let central = poll(SOON, || check_central(&victoria, first, noon, last));
    assert!(central.is_some(), "the central store has not got all minutes:\n{}", daemon.log());

    // The command line reads the store itself, beside the daemon.
    let (from, to) = (rfc3339(first), rfc3339(last));
    let arguments = ["history", "--from", &from, "--to", &to, "--by", "minute", "--format", "json"];
    let (status, text, log) = daemon.run(&arguments);
    assert_eq!(status, 0, "{log}");
    let body: Value = serde_json::from_str(&text).unwrap_or_else(|why| panic!("{why}: {text}"));
    assert!(check_history(&body, first, noon, last), "{text}");
    let (status, text, _) = daemon.run(&["store", "check"]);
    assert_eq!(status, 0, "{text}");

    assert!(daemon.sigterm().success(), "{}", daemon.log());
    let state = poll(SOON, || {
        subscriber.latest("panelwright/state").filter(|message| message.text().contains("offline"))
    });
    assert!(state.is_some(), "nobody said that the figures are old now");
}

fn rfc3339(seconds: i64) -> String {
    jiff::Timestamp::from_second(seconds).expect("a time of this century").to_string()
}
