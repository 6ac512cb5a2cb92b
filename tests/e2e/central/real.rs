//! A real server, the API's own client, and readers that know nothing of this project.

use std::collections::BTreeMap;
use std::io::Write as _;
use std::process::{Command, Stdio};

use influxdb2::api::write::TimestampPrecision;
use influxdb2::models::DataPoint;
use panelwright::site::{FigureKey, Leg};
use panelwright::units::{CENTIJOULES_PER_WH, ONE, Span};
use serde_json::Value;

use super::house::{self, Desk, minute};
use super::server::{Reply, Server};
use super::{clock, keys, options, start, until_sent};
use crate::harness::{VictoriaMetrics, get, require};

/// Tags that need care, each in its own way, and none that the settings refuse.
fn hostile() -> Vec<(String, String)> {
    let tags = [
        ("builder", "Smith, Sons & Co"),
        ("sub division", "West = 4"),
        ("quotes", "\"a\" 'b' `c`"),
        ("comma,key", ",,"),
        ("equals=key", "=="),
        ("unicode", "Grünwald 東京 😀"),
        ("space", " lead and trail "),
        ("braces", "{__name__=~\".*\"}"),
        ("percent", "%20+%0a"),
    ];
    tags.iter().map(|(key, value)| ((*key).to_owned(), (*value).to_owned())).collect()
}

/// One site with half an hour: what goes into every store here.
fn desk() -> (Vec<std::sync::Arc<panelwright::site::Site>>, Desk) {
    let sites = house::sites(&["heron-lane"]);
    let desk = Desk::new(&sites);
    for number in 0..30 {
        desk.close(0, number);
    }
    (sites, desk)
}

/// (time, value) of every point, by the tags of its series.
type Stored = BTreeMap<BTreeMap<String, String>, Vec<(i64, f64)>>;

/// Every stored point by series and time. The server exports a series in as many pieces as it is stored in.
fn everything(store: &VictoriaMetrics) -> Stored {
    let mut all = Stored::new();
    for piece in store.export("{__name__!=\"\"}") {
        all.entry(piece.metric).or_default().extend(piece.timestamps.into_iter().zip(piece.values));
    }
    all.values_mut().for_each(|points| points.sort_by_key(|(time, _)| *time));
    all
}

/// The points as somebody would write them who has only the documentation: measurement, tags and
/// fields as in docs/central.md, by the client that the makers of the API point to.
fn documented(desk: &Desk) -> Vec<DataPoint> {
    let mut points = Vec::new();
    for summary in desk.summaries(0, 0..30, Span::MINUTE) {
        for (key, amount) in summary.figures.iter().filter(|(_, amount)| amount.is_known()) {
            let (measurement, tags): (&str, Vec<(&str, &str)>) = match key {
                FigureKey::Circuit(0) => ("panelwright_circuit", vec![("circuit", "well-pump")]),
                FigureKey::Circuit(1) => ("panelwright_circuit", vec![("circuit", "freezer")]),
                FigureKey::BusFeed(0) => ("panelwright_bus", vec![("bus", "service"), ("figure", "feed")]),
                FigureKey::BusFeed(1) => ("panelwright_bus", vec![("bus", "main"), ("figure", "feed")]),
                FigureKey::BusUntracked(1) => {
                    ("panelwright_bus", vec![("bus", "main"), ("figure", "untracked")])
                }
                FigureKey::MainsLeg(Leg::A) => ("panelwright_site", vec![("figure", "leg-a")]),
                FigureKey::MainsLeg(Leg::B) => ("panelwright_site", vec![("figure", "leg-b")]),
                FigureKey::SelfConsumed => ("panelwright_site", vec![("figure", "self-consumed")]),
                FigureKey::Grid => ("panelwright_site", vec![("figure", "grid")]),
                FigureKey::Import => ("panelwright_site", vec![("figure", "import")]),
                FigureKey::Export => ("panelwright_site", vec![("figure", "export")]),
                FigureKey::Generation => ("panelwright_site", vec![("figure", "generation")]),
                FigureKey::Consumption => ("panelwright_site", vec![("figure", "consumption")]),
                FigureKey::Tracked => ("panelwright_site", vec![("figure", "tracked")]),
                FigureKey::Untracked => ("panelwright_site", vec![("figure", "untracked")]),
                FigureKey::Storage => ("panelwright_site", vec![("figure", "storage")]),
                other => panic!("{other:?} is not documented"),
            };
            let wh = amount.energy as f64 / (CENTIJOULES_PER_WH * ONE) as f64;
            let hours = amount.covered.as_seconds() / 3600.0;
            let mut point = DataPoint::builder(measurement).tag("site", "heron-lane");
            for (key, value) in tags {
                point = point.tag(key, value);
            }
            let point = point
                .field("wh", (wh * 1e6).round() / 1e6)
                .field("covered_s", amount.covered.as_seconds())
                .field("mean_w", (wh / hours * 1e3).round() / 1e3)
                .timestamp(summary.interval.start.seconds());
            points.push(point.build().expect("a point"));
        }
    }
    points
}

/// The central store holds the same points as any standard client would have written. The client is
/// crate `influxdb2`, the server Debian's VictoriaMetrics.
#[tokio::test(flavor = "multi_thread", worker_threads = 2)]
async fn the_store_holds_what_a_standard_client_would_have_written() {
    if !require("victoria-metrics") {
        return;
    }
    let (sites, desk) = desk();
    let ours = VictoriaMetrics::start();
    let handle = start(options("builder", &ours.url()), &sites, &desk, clock(100.0));
    until_sent(&handle, &desk, "builder", 30).await;
    handle.shutdown().await;

    let theirs = VictoriaMetrics::start();
    let client = influxdb2::Client::new(theirs.url(), "builder", "");
    let points = documented(&desk);
    assert_eq!(points.len(), 30 * keys("", 0).len());
    client
        .write_with_precision("homes", futures_util::stream::iter(points), TimestampPrecision::Seconds)
        .await
        .expect("the server takes them");

    let (ours, theirs) = (everything(&ours), everything(&theirs));
    assert_eq!(ours.len(), 3 * keys("", 0).len(), "three fields each");
    assert_eq!(ours, theirs);
}

/// Each tag is read back by the server as it was set.
#[tokio::test(flavor = "multi_thread", worker_threads = 2)]
async fn hostile_tags_arrive_as_they_were_set() {
    if !require("victoria-metrics") {
        return;
    }
    let (sites, desk) = desk();
    let store = VictoriaMetrics::start();
    let mut tagged = options("builder", &format!("{}/influx", store.url()));
    tagged.tags = hostile();
    let handle = start(tagged, &sites, &desk, clock(100.0));
    until_sent(&handle, &desk, "builder", 30).await;
    handle.shutdown().await;
    let all = everything(&store);
    assert_eq!(all.len(), 3 * keys("", 0).len());
    for (tags, points) in all {
        for (key, value) in hostile() {
            assert_eq!(tags.get(&key), Some(&value), "{key}: {tags:?}");
        }
        assert_eq!(tags["site"], "heron-lane");
        assert_eq!(points.len(), 30);
    }
}

/// docs/central.md tells owners of this server to start it so; without, it would count what is
/// written again twice.
#[tokio::test(flavor = "multi_thread", worker_threads = 2)]
async fn a_corrected_point_replaces_the_first_on_a_server_that_is_set_up_as_documented() {
    if !require("victoria-metrics") {
        return;
    }
    let sites = house::sites(&["heron-lane"]);
    let desk = Desk::new(&sites);
    desk.close(0, 0);
    let store = VictoriaMetrics::start_with(&["-dedup.minScrapeInterval=1ms"]);
    let handle = start(options("builder", &store.url()), &sites, &desk, clock(100.0));
    until_sent(&handle, &desk, "builder", 1).await;
    let wh = || {
        let query = "sum(sum_over_time(panelwright_site_wh%7Bfigure%3D%22grid%22%7D%5B1h%5D))";
        get(&format!("{}/internal/force_flush", store.url())).expect("the server answers");
        let url =
            format!("{}/api/v1/query?query={query}&time={}&nocache=1", store.url(), minute(5).seconds());
        let answer = get(&url).expect("the server answers").json();
        let value = &answer["data"]["result"][0]["value"][1];
        value.as_str().and_then(|text| text.parse::<f64>().ok()).unwrap_or_else(|| panic!("{answer}"))
    };
    assert_eq!(wh(), 5.0);
    // The same again changes nothing; a correction counts instead of what it corrects.
    desk.mark(0, minute(0)..minute(1));
    handle.waker().notify_one();
    until_sent(&handle, &desk, "builder", 2).await;
    assert_eq!(wh(), 5.0);
    desk.close(0, 0);
    handle.waker().notify_one();
    until_sent(&handle, &desk, "builder", 3).await;
    assert_eq!(wh(), 10.0);
    handle.shutdown().await;
}

/// PyPI `line-protocol-parser` 2.0.1 reads every line as it was meant.
#[tokio::test(flavor = "multi_thread", worker_threads = 2)]
async fn an_independent_parser_reads_the_lines_as_they_were_meant() {
    let Some(python) = std::env::var_os("ORACLE_PYTHON") else {
        // tests/run installs the parser and says where; in CI it must have.
        assert!(std::env::var_os("CI").is_none(), "ORACLE_PYTHON is not set");
        eprintln!("skipped: ORACLE_PYTHON is not set (tests/run sets it)");
        return;
    };
    let (sites, desk) = desk();
    let server = Server::start(|_| Reply::Take).await;
    let mut tagged = options("builder", &server.url);
    // The server double splits lines at spaces, so that these have none.
    tagged.tags =
        hostile().into_iter().filter(|(key, value)| !format!("{key}{value}").contains(' ')).collect();
    let expected_tags = tagged.tags.clone();
    let handle = start(tagged, &sites, &desk, clock(100.0));
    until_sent(&handle, &desk, "builder", 30).await;
    handle.shutdown().await;
    let lines: Vec<String> = server.requests().into_iter().flat_map(|request| request.lines).collect();

    let script = concat!(env!("CARGO_MANIFEST_DIR"), "/tests/oracle/line_protocol.py");
    let mut child = Command::new(python)
        .arg(script)
        .stdin(Stdio::piped())
        .stdout(Stdio::piped())
        .spawn()
        .expect("Python starts");
    let text = lines.join("\n");
    let mut input = child.stdin.take().expect("its input");
    let writer = std::thread::spawn(move || input.write_all(text.as_bytes()));
    let output = child.wait_with_output().expect("it ends");
    writer.join().expect("no panic").expect("it reads all");
    assert!(output.status.success());
    let read: Vec<Value> = String::from_utf8(output.stdout)
        .expect("text")
        .lines()
        .map(|line| serde_json::from_str(line).expect("JSON"))
        .collect();
    assert_eq!(read.len(), lines.len());
    let known = desk.summaries(0, 0..30, Span::MINUTE);
    let mut at = read.iter();
    for summary in &known {
        for (_, amount) in
            summary.figures.iter().filter(|(key, amount)| amount.is_known() && *key != FigureKey::Surplus)
        {
            let point = at.next().expect("a point for each figure");
            assert_eq!(point["time"], summary.interval.start.seconds());
            assert_eq!(point["tags"]["site"], "heron-lane");
            for (key, value) in &expected_tags {
                assert_eq!(point["tags"][key], value.as_str(), "{key}");
            }
            let wh = point["fields"]["wh"].as_f64().expect("a number");
            let exact = amount.energy as f64 / (CENTIJOULES_PER_WH * ONE) as f64;
            assert!((wh - exact).abs() <= 0.5e-6 + 1e-12, "{wh} {exact}");
            assert_eq!(point["fields"]["covered_s"], 60.0);
        }
    }
    assert!(at.next().is_none());
}
