//! A disk that is full: the daemon stops acknowledging, says so, goes on publishing, and takes up again by
//! itself when there is room. What it had acknowledged is there.
//!
//! The disk is a small file system in memory (`mount -t tmpfs`), which needs the right to mount.

use std::io::Write as _;
use std::path::{Path, PathBuf};
use std::process::Command;
use std::sync::Arc;
use std::sync::atomic::{AtomicBool, Ordering};
use std::time::{Duration, SystemTime, UNIX_EPOCH};

use panelwright::units::Stamp;
use serde_json::json;

use super::house::{self, CHANNELS};
use crate::harness::{Mosquitto, Publisher, Setup, eventually, require};

/// A small file system; it goes with the test.
struct Disk(PathBuf);

impl Disk {
    /// `None` where this user may not mount.
    fn mount(at: &Path, size: &str) -> Option<Self> {
        std::fs::create_dir_all(at).expect("a directory");
        let options = format!("size={size}");
        let done = Command::new("mount").args(["-t", "tmpfs", "-o", &options, "tmpfs"]).arg(at).output();
        done.is_ok_and(|done| done.status.success()).then(|| Self(at.to_owned()))
    }
}

impl Drop for Disk {
    fn drop(&mut self) {
        let _ = Command::new("umount").arg("--lazy").arg(&self.0).status();
    }
}

/// Tenths of a second since 1970.
fn now() -> i64 {
    SystemTime::now().duration_since(UNIX_EPOCH).expect("a clock after 1970").as_millis() as i64 / 100
}

/// Publishes a reading a channel and 0.1 s until it is told to stop; gives the first and the last moment.
fn load(port: u16, stop: &AtomicBool) -> (i64, i64) {
    let mut publisher = Publisher::connect(port);
    let first = now();
    let mut at = first;
    while !stop.load(Ordering::Relaxed) {
        if at > now() {
            std::thread::sleep(Duration::from_millis(10));
            continue;
        }
        for (channel, name) in CHANNELS.iter().enumerate() {
            let body = json!({ "w": house::value(channel, at) as f64 / 10.0, "t": at as f64 / 10.0 });
            publisher.publish(name, body.to_string());
        }
        at += 1;
    }
    publisher.settle();
    (first, at - 1)
}

#[test]
fn a_full_disk_stops_acknowledgements_and_nothing_else_and_room_brings_them_back() {
    if !require("mosquitto") {
        return;
    }
    let broker = Mosquitto::start("max_queued_messages 0\nmax_inflight_messages 0\npersistence false");
    let mut daemon = Setup::new(&broker.url())
        .site("heron-lane", house::MAP)
        .env("PANELWRIGHT__STORE__COMMIT_EVERY_S", "1")
        .lay_out();
    let Some(_disk) = Disk::mount(&daemon.store(), "6m") else {
        let missing = "this user may not mount a small file system";
        assert!(std::env::var_os("CI").is_none(), "{missing}");
        eprintln!("skipped: {missing}");
        return;
    };
    daemon.restart();
    daemon.wait_healthy();
    let began = Stamp(now());
    let stop = Arc::new(AtomicBool::new(false));
    let publishing = {
        let (port, stop) = (broker.port(), Arc::clone(&stop));
        std::thread::spawn(move || load(port, &stop))
    };
    // A file beside the store takes the rest of the room.
    let filler = daemon.store().join("filler");
    let metric = |name: &str| -> u64 {
        let body = daemon.get("/metrics").body;
        let line = body.lines().find(|line| line.starts_with(name) && !line.starts_with('#'));
        let value = line.and_then(|line| line.rsplit(' ').next()).and_then(|value| value.parse::<f64>().ok());
        value.unwrap_or_default() as u64
    };
    eventually(Duration::from_secs(60), || metric("panelwright_readings_committed_total") > 100);
    let mut file = std::fs::File::create(&filler).expect("a file");
    while file.write_all(&[0; 4096]).is_ok() {}
    drop(file);
    eventually(Duration::from_secs(60), || daemon.get("/health").status == 503);
    let health = daemon.get("/health").body;
    assert!(health.contains("full"), "{health}");
    let committed = metric("panelwright_readings_committed_total");
    let published = metric("panelwright_messages_published_total");
    eventually(Duration::from_secs(60), || metric("panelwright_messages_unacknowledged") > 100);
    eventually(Duration::from_secs(60), || metric("panelwright_messages_published_total") > published + 1);
    assert_eq!(metric("panelwright_readings_committed_total"), committed, "nothing is said to be kept");
    // What was acknowledged is there, whatever happens next.
    let kept: usize = house::kept_since(&daemon.store(), began).iter().map(Vec::len).sum();
    assert!(kept as u64 >= committed, "{kept} of {committed}");

    std::fs::remove_file(&filler).expect("room");
    daemon.wait_healthy();
    stop.store(true, Ordering::Relaxed);
    let (first, last) = publishing.join().expect("the publisher ends");
    // The broker had kept all that was not acknowledged.
    let all = (last - first + 1) as usize;
    eventually(Duration::from_secs(60), || {
        house::kept_since(&daemon.store(), began).iter().all(|kept| kept.len() >= all)
    });
    for (channel, kept) in house::kept_since(&daemon.store(), began).iter().enumerate() {
        let got: Vec<(i64, i64)> = kept.iter().map(|sample| (sample.at.0, sample.value)).collect();
        let want: Vec<(i64, i64)> = (first..=last).map(|at| (at, house::value(channel, at))).collect();
        assert!(got == want, "channel {channel}: {} of {all}", got.len());
    }
    assert!(daemon.sigterm().success(), "{}", daemon.log());
    assert_eq!(house::check(&daemon.store()).findings, []);
}
