//! The load of the benchmarks, as one program: `publish` sends readings at a precise rate or as fast
//! as the broker takes them; `count` is the bare subscriber that everything is compared with: it
//! acknowledges and counts, and does nothing else; `latency` compares a live figure's time with the
//! clock when it arrives; `viewers` watches the live stream of the page; `relay` stands between broker and
//! daemon and sees how long acknowledgements take.
//!
//! Built and driven by `tests/bench/run`. Each command prints one line of JSON.
#![allow(
    clippy::disallowed_methods,
    clippy::disallowed_types,
    reason = "the bans keep clock, files and sockets out of the core; a benchmark lives outside of it"
)]

mod relay;
mod viewers;

use std::io::{Read, Write};
use std::net::TcpStream;
use std::sync::Arc;
use std::sync::atomic::{AtomicU64, Ordering};
use std::time::{Duration, Instant, SystemTime, UNIX_EPOCH};

use anyhow::{Context, Result, bail, ensure};
use bytes::BytesMut;
use clap::{Parser, ValueEnum};
use rumqttc::mqttbytes::v4::{Connect, Packet, Publish};
use rumqttc::v5;
use rumqttc::v5::mqttbytes::v5::ConnectProperties;
use serde_json::json;

/// Channels of one site: two mains and seventeen circuits.
const CHANNELS: u64 = 19;

/// QoS 1 publishes on their way: packet ids are 16 bits, so they must stay below 65,535.
const WINDOW: u64 = 20_000;

/// How much is written at once when nothing paces it.
const CHUNK: usize = 64 * 1024;

#[derive(Debug, Parser)]
enum Command {
    /// Publish readings.
    Publish(Publishing),
    /// Count messages until the expected number has come.
    Count {
        /// The broker's port on loopback.
        #[arg(long)]
        port: u16,
        /// How many to wait for.
        #[arg(long)]
        expect: u64,
    },
    /// Compare the time that a JSON payload says (at `/at`) with the clock.
    Latency {
        /// The broker's port on loopback.
        #[arg(long)]
        port: u16,
        /// What to subscribe to.
        #[arg(long)]
        filter: String,
        /// How many messages to look at.
        #[arg(long)]
        messages: usize,
    },
    /// Watch the live stream of a site, many times over.
    Viewers(viewers::Watching),
    /// Pass on what broker and daemon send each other, and look at the acknowledgements.
    Relay(relay::Relaying),
}

/// What is published.
#[derive(Clone, Copy, Debug, ValueEnum)]
enum Kind {
    /// One channel a message; the payload is the number.
    Plain,
    /// All channels of a site in one message, with its time.
    Json,
}

#[derive(Debug, clap::Args)]
struct Publishing {
    /// The broker's port on loopback.
    #[arg(long)]
    port: u16,
    /// Messages a second; 0: as fast as the broker takes them.
    #[arg(long)]
    rate: u64,
    /// How many in all.
    #[arg(long)]
    messages: u64,
    /// Quality of service: 0 or 1.
    #[arg(long)]
    qos: u8,
    /// Shape of topics and payloads.
    #[arg(long)]
    kind: Kind,
    /// Sites that take turns.
    #[arg(long)]
    sites: u64,
}

fn main() -> Result<()> {
    // `cargo bench` and `cargo test` call every benchmark with arguments of their own.
    if std::env::args().any(|argument| argument == "--bench" || argument == "--test") {
        println!("driven by tests/bench/run");
        return Ok(());
    }
    let said = match Command::parse() {
        Command::Publish(publishing) => publish(&publishing)?,
        Command::Count { port, expect } => subscribed(count(port, expect))?,
        Command::Latency { port, filter, messages } => subscribed(latency(port, filter, messages))?,
        Command::Viewers(watching) => subscribed(viewers::look_on(watching))?,
        Command::Relay(relaying) => relay::relay(&relaying)?,
    };
    println!("{said}");
    Ok(())
}

/// A value that wanders as a household's does, in 0.1 W; the same for the same turn.
fn tenths(channel: u64, turn: u64) -> i64 {
    // SplitMix64's finisher: noise without state.
    let mut x = (channel << 40 ^ turn).wrapping_add(0x9E37_79B9_7F4A_7C15);
    x = (x ^ (x >> 30)).wrapping_mul(0xBF58_476D_1CE4_E5B9);
    x = (x ^ (x >> 27)).wrapping_mul(0x94D0_49BB_1331_11EB);
    let noise = ((x >> 33) % 41) as i64 - 20;
    200 + 900 * (channel % 7) as i64 + noise
}

/// Topic and payload of message number `number`, sent or dated `at_ms`.
fn message(publishing: &Publishing, number: u64, at_ms: i64) -> (String, String) {
    match publishing.kind {
        Kind::Plain => {
            let site = number % publishing.sites;
            let channel = number / publishing.sites % CHANNELS;
            let turn = number / publishing.sites / CHANNELS;
            let value = tenths(site * CHANNELS + channel, turn);
            (format!("bench/s{site:04}/ct/c{:02}", channel + 1), format!("{}.{}", value / 10, value % 10))
        }
        Kind::Json => {
            let site = number % publishing.sites;
            let turn = number / publishing.sites;
            let mut body = format!("{{\"ts\":{}.{:03},\"channels\":{{", at_ms / 1000, at_ms % 1000);
            for channel in 0..CHANNELS {
                let value = tenths(site * CHANNELS + channel, turn);
                let comma = if channel == 0 { "" } else { "," };
                body.push_str(&format!("{comma}\"c{:02}\":{}.{}", channel + 1, value / 10, value % 10));
            }
            body.push_str("}}");
            (format!("bench/s{site:04}/all"), body)
        }
    }
}

fn encode(publishing: &Publishing, number: u64, at_ms: i64, to: &mut BytesMut) -> Result<()> {
    let (topic, payload) = message(publishing, number, at_ms);
    let qos = rumqttc::qos(publishing.qos).context("qos is 0 or 1")?;
    let mut publish = Publish::new(topic, qos, payload);
    publish.pkid = (number % 65_535) as u16 + 1;
    publish.write(to).map_err(|why| anyhow::anyhow!("{why}"))?;
    Ok(())
}

/// Connects as an MQTT 3.1.1 client, by hand: a client library's queue between the clock and the
/// socket would blur the pace, and cost the core that the broker runs on.
fn connect(port: u16) -> Result<TcpStream> {
    let mut stream = TcpStream::connect(("127.0.0.1", port)).context("no broker")?;
    stream.set_nodelay(true)?;
    let mut hello = BytesMut::new();
    let mut connect = Connect::new(format!("bench-publisher-{}", std::process::id()));
    connect.keep_alive = 0;
    connect.write(&mut hello).map_err(|why| anyhow::anyhow!("{why}"))?;
    stream.write_all(&hello)?;
    let mut answer = [0; 4];
    stream.read_exact(&mut answer)?;
    ensure!(answer[0] == 0x20 && answer[3] == 0, "refused by the broker: {answer:?}");
    Ok(stream)
}

/// Counts PUBACKs in a thread of its own.
fn count_acks(mut stream: TcpStream) -> Arc<AtomicU64> {
    let acks = Arc::new(AtomicU64::new(0));
    let counted = Arc::clone(&acks);
    std::thread::spawn(move || {
        let (mut buffer, mut chunk) = (BytesMut::new(), vec![0; CHUNK]);
        while let Ok(length @ 1..) = stream.read(&mut chunk) {
            buffer.extend_from_slice(&chunk[..length]);
            while let Ok(packet) = Packet::read(&mut buffer, CHUNK) {
                if matches!(packet, Packet::PubAck(_)) {
                    counted.fetch_add(1, Ordering::Relaxed);
                }
            }
        }
    });
    acks
}

fn now_ms() -> i64 {
    SystemTime::now().duration_since(UNIX_EPOCH).map_or(0, |since| since.as_millis() as i64)
}

fn publish(publishing: &Publishing) -> Result<serde_json::Value> {
    let mut stream = connect(publishing.port)?;
    let acks = count_acks(stream.try_clone()?);
    let (started, late) = if publishing.rate > 0 {
        paced(publishing, &mut stream)?
    } else {
        flood(publishing, &mut stream, &acks)?
    };
    let due = if publishing.qos == 0 { 0 } else { publishing.messages };
    let patience = Instant::now() + Duration::from_secs(60);
    while acks.load(Ordering::Relaxed) < due {
        ensure!(Instant::now() < patience, "{} of {due} acknowledged", acks.load(Ordering::Relaxed));
        std::thread::sleep(Duration::from_millis(1));
    }
    let seconds = started.elapsed().as_secs_f64();
    let started_ms = now_ms() - (seconds * 1e3) as i64;
    Ok(
        json!({ "sent": publishing.messages, "seconds": seconds, "started_ms": started_ms, "late_us": quantiles(late) }),
    )
}

/// Each message at its own moment; gives by how many us each was late.
fn paced(publishing: &Publishing, stream: &mut TcpStream) -> Result<(Instant, Vec<f64>)> {
    let started = Instant::now();
    let mut late = Vec::with_capacity(publishing.messages as usize);
    let mut bytes = BytesMut::new();
    for number in 0..publishing.messages {
        let due = started + Duration::from_nanos(number * 1_000_000_000 / publishing.rate);
        let wait = due.saturating_duration_since(Instant::now());
        if !wait.is_zero() {
            std::thread::sleep(wait);
        }
        late.push(due.elapsed().as_secs_f64() * 1e6);
        bytes.clear();
        encode(publishing, number, now_ms(), &mut bytes)?;
        stream.write_all(&bytes)?;
    }
    Ok((started, late))
}

/// Everything is encoded before the clock starts, so that the broker has its core to itself. JSON
/// messages are dated a second apart, the last of them now: a backlog that is caught up with.
fn flood(publishing: &Publishing, stream: &mut TcpStream, acks: &AtomicU64) -> Result<(Instant, Vec<f64>)> {
    let turns = publishing.messages / publishing.sites;
    let (origin, mut bytes, mut ends) = (now_ms() - turns as i64 * 1000, BytesMut::new(), Vec::new());
    for number in 0..publishing.messages {
        let at = origin + (number / publishing.sites) as i64 * 1000;
        encode(publishing, number, at, &mut bytes)?;
        if bytes.len() - ends.last().map_or(0, |(end, _)| *end) >= CHUNK {
            ends.push((bytes.len(), number + 1));
        }
    }
    ends.push((bytes.len(), publishing.messages));
    let started = Instant::now();
    let mut from = 0;
    for (end, sent) in ends {
        while publishing.qos > 0 && sent.saturating_sub(acks.load(Ordering::Relaxed)) > WINDOW {
            std::thread::sleep(Duration::from_micros(100));
        }
        stream.write_all(&bytes[from..end])?;
        from = end;
    }
    Ok((started, Vec::new()))
}

fn subscribed<T>(work: impl Future<Output = Result<T>>) -> Result<T> {
    tokio::runtime::Builder::new_current_thread().enable_all().build()?.block_on(work)
}

/// An MQTT 5 client as the daemon has one: QoS 1, a wide window.
async fn subscribe(port: u16, filter: &str) -> Result<v5::EventLoop> {
    let mut options = v5::MqttOptions::new(format!("bench-{}", std::process::id()), "127.0.0.1", port);
    options.set_connect_properties(ConnectProperties {
        receive_maximum: Some(u16::MAX),
        ..ConnectProperties::new()
    });
    let (client, mut events) = v5::AsyncClient::new(options, 10);
    client.subscribe(filter, v5::mqttbytes::QoS::AtLeastOnce).await?;
    loop {
        match events.poll().await.context("the broker is gone")? {
            v5::Event::Incoming(v5::Incoming::SubAck(_)) => break,
            _ => continue,
        }
    }
    eprintln!("ready");
    // The client must outlive the loop, or the loop ends.
    std::mem::forget(client);
    Ok(events)
}

async fn count(port: u16, expect: u64) -> Result<serde_json::Value> {
    let mut events = subscribe(port, "bench/#").await?;
    let (mut received, mut first) = (0, None);
    while received < expect {
        if let v5::Event::Incoming(v5::Incoming::Publish(_)) =
            events.poll().await.context("the broker is gone")?
        {
            first.get_or_insert_with(Instant::now);
            received += 1;
        }
    }
    let seconds = first.map_or(0.0, |first| first.elapsed().as_secs_f64());
    Ok(json!({ "received": received, "seconds": seconds, "ended_ms": now_ms() }))
}

async fn latency(port: u16, filter: String, messages: usize) -> Result<serde_json::Value> {
    let mut events = subscribe(port, &filter).await?;
    let mut late = Vec::with_capacity(messages);
    while late.len() < messages {
        let event = events.poll().await.context("the broker is gone")?;
        let arrived = now_ms();
        let v5::Event::Incoming(v5::Incoming::Publish(publish)) = event else { continue };
        if publish.retain {
            continue;
        }
        let body: serde_json::Value = serde_json::from_slice(&publish.payload)?;
        let Some(at) = body["at"].as_str() else { bail!("no /at in {body}") };
        let at: jiff::Timestamp = at.parse().with_context(|| format!("no time: {at}"))?;
        late.push((arrived - at.as_millisecond()) as f64);
    }
    Ok(json!({ "messages": messages, "late_ms": quantiles(late) }))
}

/// Median, 99th percentile and greatest.
fn quantiles(mut values: Vec<f64>) -> serde_json::Value {
    if values.is_empty() {
        return serde_json::Value::Null;
    }
    values.sort_by(f64::total_cmp);
    let at = |part: f64| values[((values.len() - 1) as f64 * part).round() as usize];
    json!({ "p50": at(0.5), "p99": at(0.99), "max": at(1.0) })
}
