//! The continuous audit: once an hour the readings of the last day are held against each map.
//!
//! It runs on a thread for blocking work, one site after the other, so that it never holds up a reading. A day
//! of 21 channels a second is read and judged hour by hour: memory stays at some megabytes.

use std::sync::Arc;
use std::time::Duration;

use tokio::sync::watch;

use crate::audit::{Report, audit, since};
use crate::clock::Clock;
use crate::reading::SiteIndex;
use crate::site::Site;
use crate::status::{Board, Part};
use crate::store::Reader;
use crate::units::{Span, Stamp};

/// Findings rest on a day of readings, so nothing changes faster.
const EVERY: Duration = Duration::from_secs(3600);
/// After a start, and after a map was read again, the figures of the first minutes come first.
const FIRST: Duration = Duration::from_secs(20);
/// What is looked at.
const BACK: Span = Span::DAY;

/// Audits until it is told to stop.
pub(super) async fn run(
    reader: Reader,
    mut sites: watch::Receiver<Vec<Arc<Site>>>,
    board: Arc<Board>,
    clock: Clock,
    mut stopped: watch::Receiver<bool>,
) {
    let mut wait = FIRST;
    loop {
        tokio::select! {
            () = tokio::time::sleep(wait) => {}
            changed = sites.changed() => {
                if changed.is_err() {
                    return;
                }
                // A mended map is judged anew at once.
                wait = FIRST;
                continue;
            }
            _ = stopped.wait_for(|stop| *stop) => return,
        }
        wait = EVERY;
        let list = sites.borrow().clone();
        for (place, site) in list.into_iter().enumerate() {
            let (reader, board) = (reader.clone(), Arc::clone(&board));
            let work = move || one(&reader, SiteIndex(place as u32), &site, &board, clock.now());
            if *stopped.borrow() || tokio::task::spawn_blocking(work).await.is_err() {
                return;
            }
        }
    }
}

fn one(reader: &Reader, index: SiteIndex, site: &Site, board: &Board, now: Stamp) {
    let part = Part::Audit(site.id.clone());
    let span = now - BACK..now;
    let from = since(site, &span);
    match reader.source(index).evidence(site, from..now) {
        Ok(evidence) => {
            let report = audit(site, &evidence);
            let open = report.open().count();
            board.report(part, open == 0, words(&report), now);
        }
        Err(error) => tracing::warn!(site = site.id, %error, "the map could not be audited"),
    }
}

/// The findings in a line.
fn words(report: &Report) -> String {
    let mut findings: Vec<String> = report.open().map(|finding| finding.what.clone()).take(3).collect();
    let more = report.open().count().saturating_sub(findings.len());
    if more > 0 {
        findings.push(format!("{more} more"));
    }
    if findings.is_empty() {
        report.summary()
    } else {
        format!("{}; see `panelwright audit`", findings.join("; "))
    }
}
