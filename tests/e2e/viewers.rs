//! Many viewers of the live stream beside intake: no reading is lost, memory is bounded, and who does not
//! read holds nobody up.

use std::io::{ErrorKind, Read as _, Write as _};
use std::net::TcpStream;
use std::time::{Duration, Instant, SystemTime, UNIX_EPOCH};

use crate::access::SHED;
use crate::harness::{Mosquitto, Panelwright, Publisher, Setup, eventually, require};

/// Viewers that read.
const VIEWERS: usize = 200;
/// Viewers that never do.
const STALLED: usize = 20;
/// Readings of each of the three channels, and how far apart they are: readings of one tenth of a second are one.
const TURNS: u64 = 60;
const APART: Duration = Duration::from_millis(110);
/// How long things may take on a machine that runs other tests as well.
const SOON: Duration = Duration::from_secs(30);
/// Resident kB that the viewers may cost in all: 220 connections of some 20 kB, and the allocator's slack.
const MOST_KB: u64 = 40_000;

/// Somebody who watches.
struct Viewer {
    stream: TcpStream,
    seen: Vec<u8>,
    events: usize,
}

impl Viewer {
    fn connect(daemon: &Panelwright) -> Self {
        let address = daemon.url().trim_start_matches("http://").to_owned();
        let mut stream = TcpStream::connect(address).expect("the daemon listens");
        stream
            .write_all(b"GET /live/shed HTTP/1.1\r\nHost: localhost\r\n\r\n")
            .expect("it takes the request");
        stream.set_nonblocking(true).expect("a socket");
        Self { stream, seen: Vec::new(), events: 0 }
    }

    /// Takes what is there.
    fn read(&mut self) {
        let mut chunk = [0; 8 << 10];
        loop {
            match self.stream.read(&mut chunk) {
                Ok(0) => panic!("a stream ended after {} events", self.events),
                Ok(length) => self.seen.extend_from_slice(&chunk[..length]),
                Err(error) if error.kind() == ErrorKind::WouldBlock => break,
                Err(error) => panic!("a stream broke after {} events: {error}", self.events),
            }
        }
        let whole = self.seen.windows(2).filter(|pair| pair == b"\n\n").count();
        if let Some(end) = self.seen.windows(2).rposition(|pair| pair == b"\n\n") {
            self.seen.drain(..end + 2);
            self.events += whole;
        }
    }
}

fn resident_kb(daemon: &Panelwright) -> u64 {
    let status = std::fs::read_to_string(format!("/proc/{}/status", daemon.id())).expect("it runs");
    let line = status.lines().find(|line| line.starts_with("VmRSS:")).expect("a resident size");
    line.split_whitespace().nth(1).and_then(|kb| kb.parse().ok()).expect("kB")
}

fn counter(daemon: &Panelwright, name: &str) -> u64 {
    let metrics = daemon.get("/metrics").body;
    let line = metrics.lines().find(|line| line.split_whitespace().next() == Some(name));
    let value = line.and_then(|line| line.split_whitespace().nth(1)?.parse::<f64>().ok());
    value.unwrap_or_else(|| panic!("no {name} in {metrics}")) as u64
}

#[test]
fn two_hundred_viewers_lose_no_reading() {
    if !require("mosquitto") {
        return;
    }
    let broker = Mosquitto::start("");
    // The readings have times of their own.
    let timed = "topic = \"shed/{channel}\"\npayload = { pointer = \"/w\", time = \"/t\" }";
    let map = SHED.replace("topic = \"shed/{channel}\"", timed);
    let daemon = Setup::new(&broker.url()).site("shed", &map).start();
    daemon.wait_healthy();
    let mut publisher = Publisher::connect(broker.port());
    let start = SystemTime::now().duration_since(UNIX_EPOCH).expect("a clock");
    let mut publish = |turn: u64| {
        let at = (start + APART * turn as u32).as_secs_f64();
        for channel in ["m1", "m2", "1"] {
            let body = format!(r#"{{"w":{},"t":{at:.3}}}"#, 100 + turn);
            publisher.publish(&format!("shed/{channel}"), body);
        }
        publisher.settle();
    };
    publish(0);
    eventually(SOON, || counter(&daemon, "panelwright_readings_accepted_total") == 3);
    let before = resident_kb(&daemon);

    let stalled: Vec<Viewer> = (0..STALLED).map(|_| Viewer::connect(&daemon)).collect();
    let mut viewers: Vec<Viewer> = (0..VIEWERS).map(|_| Viewer::connect(&daemon)).collect();
    let watching = (VIEWERS + STALLED) as u64;
    eventually(SOON, || counter(&daemon, "panelwright_live_viewers") == watching);

    // Some seconds of ticks, and each is told.
    let began = Instant::now();
    for turn in 1..TURNS {
        std::thread::sleep((APART * turn as u32).saturating_sub(began.elapsed()));
        publish(turn);
        viewers.iter_mut().for_each(Viewer::read);
    }
    eventually(SOON, || counter(&daemon, "panelwright_readings_accepted_total") == 3 * TURNS);
    assert_eq!(counter(&daemon, "panelwright_readings_accepted_total"), 3 * TURNS, "no reading is lost");
    eventually(SOON, || {
        viewers.iter_mut().for_each(Viewer::read);
        viewers.iter().all(|viewer| viewer.events >= 3)
    });
    let after = resident_kb(&daemon);
    assert!(after < before + MOST_KB, "{before} kB before the viewers, {after} kB with them");

    // Who leaves is noticed, and gives up its place.
    drop((stalled, viewers));
    let mut turn = TURNS;
    eventually(SOON, || {
        // A place is given up at the latest when the next event cannot be sent.
        publish(turn);
        turn += 10;
        counter(&daemon, "panelwright_live_viewers") == 0
    });
}
