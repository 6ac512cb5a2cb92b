//! A relay between broker and daemon, which looks at what passes: how long the daemon takes from having a
//! message in its socket until it acknowledges it, which it does once the reading is on the disk.

use std::io::{Read, Write};
use std::net::{TcpListener, TcpStream};
use std::sync::{Arc, Mutex, PoisonError};
use std::thread;
use std::time::{Duration, Instant};

use anyhow::{Context, Result};
use serde_json::json;

use super::{CHUNK, now_ms};

/// MQTT packet types (OASIS MQTT 5.0, 2.1.2).
const PUBLISH: u8 = 3;
const PUBACK: u8 = 4;
/// How often it says what it saw.
const EVERY: Duration = Duration::from_secs(1);

/// What is relayed.
#[derive(Clone, Debug, clap::Args)]
pub struct Relaying {
    /// The port on loopback that the daemon connects to.
    #[arg(long)]
    port: u16,
    /// The broker's.
    #[arg(long)]
    broker: u16,
}

/// Messages on their way, by packet id, and what became of the others.
#[derive(Debug, Default)]
struct Seen {
    waiting: Vec<Option<Instant>>,
    acknowledged_ms: Vec<f64>,
}

/// Relays until it is ended; says each second, on a line, how many ms each acknowledgement took.
pub fn relay(relaying: &Relaying) -> Result<serde_json::Value> {
    let listener = TcpListener::bind(("127.0.0.1", relaying.port)).context("no port to listen at")?;
    let seen = Arc::new(Mutex::new(Seen { waiting: vec![None; 1 << 16], ..Seen::default() }));
    let told = Arc::clone(&seen);
    thread::spawn(move || {
        loop {
            thread::sleep(EVERY);
            let taken = std::mem::take(&mut lock(&told).acknowledged_ms);
            println!("{}", json!({ "at_ms": now_ms(), "acknowledged_ms": taken }));
        }
    });
    eprintln!("ready");
    loop {
        let (daemon, _) = listener.accept()?;
        let broker = TcpStream::connect(("127.0.0.1", relaying.broker)).context("no broker")?;
        daemon.set_nodelay(true)?;
        broker.set_nodelay(true)?;
        let (own, other) = ((broker.try_clone()?, daemon.try_clone()?), (daemon, broker));
        pass(own, PUBLISH, Arc::clone(&seen), |seen, id| {
            seen.waiting[usize::from(id)] = Some(Instant::now());
        });
        pass(other, PUBACK, Arc::clone(&seen), |seen, id| {
            if let Some(since) = seen.waiting[usize::from(id)].take() {
                seen.acknowledged_ms.push(since.elapsed().as_secs_f64() * 1e3);
            }
        });
    }
}

fn lock(seen: &Mutex<Seen>) -> std::sync::MutexGuard<'_, Seen> {
    seen.lock().unwrap_or_else(PoisonError::into_inner)
}

/// Passes on what comes, in a thread of its own, and tells of each packet of a kind: what the daemon publishes
/// itself, and how the broker acknowledges that, is none of it.
fn pass(
    (mut from, mut to): (TcpStream, TcpStream),
    kind: u8,
    seen: Arc<Mutex<Seen>>,
    tell: fn(&mut Seen, u16),
) {
    thread::spawn(move || {
        let (mut held, mut chunk) = (Vec::new(), vec![0; CHUNK]);
        while let Ok(length @ 1..) = from.read(&mut chunk) {
            held.extend_from_slice(&chunk[..length]);
            let mut done = 0;
            {
                let mut seen = lock(&seen);
                while let Some(packet) = packet(&held[done..]) {
                    packet.id.filter(|_| packet.kind == kind).into_iter().for_each(|id| tell(&mut seen, id));
                    done += packet.length;
                }
            }
            held.drain(..done);
            if to.write_all(&chunk[..length]).is_err() {
                break;
            }
        }
    });
}

struct Whole {
    kind: u8,
    length: usize,
    /// Of a message of QoS 1, or of its acknowledgement.
    id: Option<u16>,
}

/// The first packet, if all of it is there.
fn packet(bytes: &[u8]) -> Option<Whole> {
    let (mut rest, mut shift, mut head) = (0, 0, 1);
    loop {
        let byte = *bytes.get(head)?;
        rest |= usize::from(byte & 0x7f) << shift;
        (shift, head) = (shift + 7, head + 1);
        if byte & 0x80 == 0 {
            break;
        }
    }
    let body = bytes.get(head..head + rest)?;
    let number = |at: usize| Some(u16::from_be_bytes([*body.get(at)?, *body.get(at + 1)?]));
    let id = match (bytes[0] >> 4, bytes[0] >> 1 & 3) {
        (PUBLISH, 1) => number(0).and_then(|topic| number(2 + usize::from(topic))),
        (PUBACK, _) => number(0),
        _ => None,
    };
    Some(Whole { kind: bytes[0] >> 4, length: head + rest, id })
}
