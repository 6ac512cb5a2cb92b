//! The daemon is killed at random moments under load: nothing that the broker was told is received
//! is lost, nothing counts twice, and nothing that was published is missing in the end, since the
//! broker delivers again what was not acknowledged.

use std::collections::BTreeMap;
use std::sync::Arc;
use std::sync::atomic::{AtomicBool, Ordering};
use std::time::{Duration, Instant, SystemTime, UNIX_EPOCH};

use panelwright::reading::SiteIndex;
use panelwright::site::ChannelIndex;
use panelwright::store::Reader;
use panelwright::units::{Energy, Span, Stamp};
use serde_json::json;

use crate::harness::{Mosquitto, Publisher, Setup, eventually, require};

/// How often it is killed.
const CUTS: usize = 50;
/// Channels, each read ten times a second: 1,000 messages a second.
const CHANNELS: usize = 100;
/// The longest that it is left to run; with a commit every second the cuts fall into every phase:
/// starting, replaying, between commits, in the middle of one, before and after acknowledgements.
const LONGEST: Duration = Duration::from_millis(3200);

fn map() -> String {
    let channels: Vec<String> = (0..CHANNELS).map(|n| format!("\"{n}\"")).collect();
    format!(
        "site = \"heron-lane\"\nname = \"Heron Lane (invented)\"\ntime_zone = \"America/Denver\"\n\
         [service]\nsystem = \"split-phase 120/240\"\n\
         [[device]]\nid = \"load\"\ntopic = \"load/{{channel}}\"\n\
         payload = {{ pointer = \"/w\", time = \"/t\" }}\nunit = \"W\"\nreading = \"mean\"\nevery_s = 0.1\n\
         max_gap_s = 60\nchannels = [{}]\n\
         [[feed]]\nbus = \"main\"\nmeasures = \"panel\"\n\
         channels = [{{ channel = \"load/0\", leg = \"A\" }}, {{ channel = \"load/1\", leg = \"B\" }}]\n",
        channels.join(", ")
    )
}

/// Tenths of a second since 1970.
fn now() -> i64 {
    SystemTime::now().duration_since(UNIX_EPOCH).expect("a clock after 1970").as_millis() as i64 / 100
}

/// The value of a reading, so that a wrong one cannot pass for it; up to 10 kW.
fn value(channel: usize, at: i64) -> i64 {
    (at * 7919 + channel as i64 * 104_729).rem_euclid(100_000)
}

/// Publishes until it is told to stop; gives the first and the last moment.
fn load(port: u16, stop: Arc<AtomicBool>) -> (i64, i64) {
    let mut publisher = Publisher::connect(port);
    let first = now();
    let mut at = first;
    while !stop.load(Ordering::Relaxed) {
        if at > now() {
            std::thread::sleep(Duration::from_millis(10));
            continue;
        }
        for channel in 0..CHANNELS {
            let tenths = value(channel, at);
            let body = json!({ "w": tenths as f64 / 10.0, "t": at as f64 / 10.0 });
            publisher.publish(&format!("load/{channel}"), body.to_string());
        }
        at += 1;
    }
    publisher.settle();
    (first, at - 1)
}

/// A small generator, so that a failure can be run again: the seed is printed.
fn random(state: &mut u64) -> f64 {
    *state = state.wrapping_mul(6_364_136_223_846_793_005).wrapping_add(1_442_695_040_888_963_407);
    (*state >> 11) as f64 / (1_u64 << 53) as f64
}

#[test]
fn fifty_kills_under_load_lose_and_double_nothing() {
    if !require("mosquitto") {
        return;
    }
    let broker = Mosquitto::start("max_queued_messages 0\nmax_inflight_messages 0\npersistence false");
    let mut daemon = Setup::new(&broker.url())
        .site("heron-lane", &map())
        .env("PANELWRIGHT__STORE__COMMIT_EVERY_S", "1")
        .start();
    daemon.wait_healthy();
    let stop = Arc::new(AtomicBool::new(false));
    let publishing = {
        let (port, stop) = (broker.port(), Arc::clone(&stop));
        std::thread::spawn(move || load(port, stop))
    };

    let mut state = u64::from(std::process::id()) ^ now() as u64;
    eprintln!("seed {state}");
    let started = Instant::now();
    for _ in 0..CUTS {
        std::thread::sleep(LONGEST.mul_f64(random(&mut state)));
        daemon.kill9();
        daemon.launch();
    }
    eprintln!("{CUTS} kills in {:?}", started.elapsed());
    stop.store(true, Ordering::Relaxed);
    let (first, last) = publishing.join().expect("the publisher ends");

    daemon.restart();
    daemon.wait_healthy();
    let parsed = panelwright::site::parse("heron-lane.toml", &map());
    let site = Arc::new(parsed.site.expect("a good map"));
    let wanted = (last - first + 1) as usize;
    let kept = |channel: usize| {
        let reader = Reader::offline(&daemon.store(), &[Arc::clone(&site)]).expect("a store");
        let range = Stamp(first)..Stamp(last + 1);
        reader.source(SiteIndex(0)).readings(ChannelIndex(channel as u32), range).expect("readings")
    };
    eventually(Duration::from_secs(60), || kept(CHANNELS - 1).len() >= wanted && kept(0).len() >= wanted);
    eventually(Duration::from_secs(30), || daemon.get("/metrics").body.contains("messages_unacknowledged 0"));
    let mut differing = BTreeMap::new();
    for channel in 0..CHANNELS {
        let samples = kept(channel);
        let got: Vec<(i64, i64)> = samples.iter().map(|sample| (sample.at.0, sample.value)).collect();
        let want: Vec<(i64, i64)> = (first..=last).map(|at| (at, value(channel, at))).collect();
        if got != want {
            differing.insert(channel, (got.len(), want.len()));
        }
    }
    assert!(differing.is_empty(), "channel: (kept, published) {differing:?}\n{}", daemon.log());
    eprintln!("{} readings, none lost, none doubled", wanted * CHANNELS);

    // The energies count each reading once too: the minute in which the load began is covered from
    // its first reading on, so its energy is the sum of their values. Both channels only import.
    let minute = Stamp(first).floor(Span::MINUTE);
    let ends = minute + Span::MINUTE;
    assert!(ends.0 < last, "the load ended within its first minute");
    let want: i64 = (first..=ends.0).map(|at| value(0, at) + value(1, at)).sum();
    let at = |stamp: Stamp| jiff::Timestamp::from_second(stamp.seconds()).expect("a time").to_string();
    let query = format!("/api/sites/heron-lane/history?from={}&to={}&by=minute", at(minute), at(ends));
    eventually(Duration::from_secs(60), || {
        let body = daemon.get(&query).json();
        let imported = body["intervals"][0]["import_kwh"].as_f64();
        imported.is_some_and(|kwh| (kwh - Energy(want).kwh()).abs() < 1e-6)
    });
    assert!(daemon.sigterm().success(), "{}", daemon.log());
    let (status, text, _) = daemon.run(&["store", "check"]);
    assert_eq!(status, 0, "{text}");
}
