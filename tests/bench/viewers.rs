//! Viewers of the live stream: as many as are asked for, each on a connection of its own, some of whom
//! never read.

use std::sync::Arc;
use std::sync::atomic::{AtomicU64, Ordering};
use std::time::Duration;

use anyhow::{Context, Result, ensure};
use serde_json::json;
use tokio::io::{AsyncReadExt, AsyncWriteExt};
use tokio::net::TcpStream;
use tokio::sync::watch;
use tokio::time::{Instant, sleep};

use super::{now_ms, quantiles};

/// How many connect at a time: the listener's backlog is 128 where nobody raised it.
const AT_ONCE: usize = 50;
/// How long it may take until each of them has seen something.
const PATIENCE: Duration = Duration::from_secs(60);

/// What is watched.
#[derive(Clone, Debug, clap::Args)]
pub struct Watching {
    /// The daemon's port on loopback.
    #[arg(long)]
    port: u16,
    /// The site's id.
    #[arg(long)]
    site: String,
    /// Viewers that read.
    #[arg(long)]
    viewers: usize,
    /// Viewers that never do.
    #[arg(long)]
    stalled: usize,
    /// For how long they watch once all are there.
    #[arg(long)]
    seconds: u64,
}

async fn connect(watching: &Watching) -> Result<TcpStream> {
    let mut stream = TcpStream::connect(("127.0.0.1", watching.port)).await.context("no daemon")?;
    let request = format!("GET /live/{} HTTP/1.1\r\nHost: localhost\r\n\r\n", watching.site);
    stream.write_all(request.as_bytes()).await?;
    Ok(stream)
}

/// Reads until the time is over: how late each event came, in ms after the tick that it is of.
async fn read(
    mut stream: TcpStream,
    begun: Arc<AtomicU64>,
    mut over: watch::Receiver<bool>,
) -> Result<Vec<f64>> {
    let (mut late, mut held, mut chunk) = (Vec::new(), Vec::new(), vec![0; 16 << 10]);
    let mut first = true;
    loop {
        let length = tokio::select! {
            length = stream.read(&mut chunk) => length?,
            _ = over.wait_for(|over| *over) => return Ok(late),
        };
        ensure!(length > 0, "the stream of a viewer ended");
        let arrived = now_ms();
        held.extend_from_slice(&chunk[..length]);
        while let Some(end) = held.windows(2).position(|pair| pair == b"\n\n") {
            let event: Vec<u8> = held.drain(..end + 2).collect();
            let text = String::from_utf8_lossy(&event);
            let Some(at) = text.split("\"at\":\"").nth(1).and_then(|rest| rest.split('"').next()) else {
                continue;
            };
            let at: jiff::Timestamp = at.parse().with_context(|| format!("no time: {at}"))?;
            // The first is what was there when the viewer came.
            if first {
                begun.fetch_add(1, Ordering::Relaxed);
                first = false;
            } else {
                late.push((arrived - at.as_millisecond()) as f64);
            }
        }
    }
}

/// Watches; says how many events each saw and how late.
pub async fn look_on(watching: Watching) -> Result<serde_json::Value> {
    let begun = Arc::new(AtomicU64::new(0));
    let (mut readers, mut stalled) = (Vec::new(), Vec::new());
    let (end, over) = watch::channel(false);
    let all_there = Instant::now() + PATIENCE;
    for number in 0..watching.viewers + watching.stalled {
        let stream = connect(&watching).await?;
        if number < watching.stalled {
            stalled.push(stream);
        } else {
            readers.push(tokio::spawn(read(stream, Arc::clone(&begun), over.clone())));
        }
        if number % AT_ONCE == AT_ONCE - 1 {
            sleep(Duration::from_millis(20)).await;
        }
    }
    while (begun.load(Ordering::Relaxed) as usize) < watching.viewers {
        ensure!(Instant::now() < all_there, "only {} viewers see anything", begun.load(Ordering::Relaxed));
        sleep(Duration::from_millis(20)).await;
    }
    eprintln!("ready");
    sleep(Duration::from_secs(watching.seconds)).await;
    let (mut events, mut late) = (Vec::new(), Vec::new());
    end.send_replace(true);
    for reader in readers {
        let seen = reader.await??;
        events.push(seen.len() as f64);
        late.extend(seen);
    }
    Ok(
        json!({ "viewers": watching.viewers, "stalled": stalled.len(), "events": quantiles(events), "late_ms": quantiles(late) }),
    )
}
