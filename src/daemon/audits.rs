//! The continuous audit: once an hour the readings of the last day (of the last week where no device is fast) are
//! held against each map.
//!
//! It runs on a thread for blocking work, one site after the other, so that it never holds up a reading. A day
//! of 21 channels a second is read and judged hour by hour: memory stays at some megabytes.

use std::sync::Arc;
use std::time::Duration;

use bytes::Bytes;
use serde::Serialize;
use tokio::sync::{mpsc, watch};

use super::intake::Control;
use crate::audit::{audit, since, stretch};
use crate::calendar::Zone;
use crate::clock::Clock;
use crate::reading::SiteIndex;
use crate::site::Site;
use crate::status::{Board, Part};
use crate::store::Reader;
use crate::web;
use crate::web::views::audit::{AuditBody, AuditFinding, body};

/// Findings rest on a day of readings, so nothing changes faster.
const EVERY: Duration = Duration::from_secs(3600);
/// After a start, and after a map was read again, the figures of the first minutes come first.
const FIRST: Duration = Duration::from_secs(20);

/// Findings that one message holds, errors first: a map of forty circuits that are all wrong has as many, about
/// 80 kB. How many more there are is said.
const FINDINGS: usize = 50;

/// What audits need.
#[derive(Clone)]
struct Audits {
    reader: Reader,
    board: Arc<Board>,
    /// To whom findings go.
    control: mpsc::Sender<Control>,
    /// Where the pages find the newest of each site. As large as the maps: some 150 bytes a channel, and
    /// findings, of which there are not more than channels.
    newest: watch::Sender<web::Audits>,
    clock: Clock,
}

/// The body of the topic of findings.
#[derive(Serialize)]
struct Body {
    site: String,
    start: Option<String>,
    end: Option<String>,
    summary: String,
    findings: Vec<AuditFinding>,
    /// Findings that this message has no room for.
    more: usize,
}

/// Audits from now on; what comes out is the newest of each site.
pub(super) fn start(
    reader: &Reader,
    board: &Arc<Board>,
    control: &mpsc::Sender<Control>,
    clock: Clock,
    (sites, stopped): (watch::Receiver<Vec<Arc<Site>>>, watch::Receiver<bool>),
) -> watch::Receiver<web::Audits> {
    let (newest, audits) = watch::channel(web::Audits::default());
    let (reader, board, control) = (reader.clone(), Arc::clone(board), control.clone());
    tokio::spawn(Audits { reader, board, control, newest, clock }.run(sites, stopped));
    audits
}

impl Audits {
    /// Audits until it is told to stop.
    async fn run(self, mut sites: watch::Receiver<Vec<Arc<Site>>>, mut stopped: watch::Receiver<bool>) {
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
                let (audits, index) = (self.clone(), SiteIndex(place as u32));
                let work = tokio::task::spawn_blocking(move || audits.one(index, &site));
                let Ok(body) = work.await else { return };
                if *stopped.borrow() {
                    return;
                }
                if let Some(body) = body {
                    // A daemon that stops takes nothing more.
                    let _ = self.control.send(Control::Findings(index, body)).await;
                }
            }
        }
    }

    /// Audits a site; gives the body of its topic. A place whose map is gone has nothing to say.
    fn one(&self, index: SiteIndex, site: &Site) -> Option<Bytes> {
        let (part, now) = (Part::Audit(site.id.clone()), self.clock.now());
        if site.channels.is_empty() {
            self.board.forget(&part);
            self.newest.send_modify(|newest| drop(Arc::make_mut(newest).remove(&site.id)));
            return None;
        }
        let span = now - stretch(site)..now;
        let from = since(site, &span);
        match self.reader.source(index).evidence(site, from..now) {
            Ok(evidence) => {
                let report = audit(site, &evidence);
                let zone = Zone::new(&site.time_zone).ok()?;
                let body = body(&zone, &report, now);
                let is_well = report.open().next().is_none();
                let more = if is_well { "" } else { "; see `panelwright audit`" };
                self.board.report(part, is_well, format!("{}{more}", body.in_short()), now);
                let shown = Arc::new(body.clone());
                self.newest.send_modify(|newest| {
                    Arc::make_mut(newest).insert(site.id.clone(), shown);
                });
                topic_body(body)
            }
            Err(error) => {
                tracing::warn!(site = site.id, %error, "the map could not be audited");
                None
            }
        }
    }
}

fn topic_body(body: AuditBody) -> Option<Bytes> {
    let AuditBody { site, start, end, summary, mut findings, .. } = body;
    let more = findings.len().saturating_sub(FINDINGS);
    findings.truncate(FINDINGS);
    let body = Body { site, start, end, summary, findings, more };
    // Text and finite numbers: there is nothing in it that JSON cannot hold.
    serde_json::to_vec(&body).ok().map(Bytes::from)
}
