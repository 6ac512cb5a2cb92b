//! The live stream: server-sent events of `now` (WHATWG HTML, 9.2).
//!
//! A viewer has no queue. It holds a watch on the newest body; one that reads slowly misses the
//! bodies in between, and what it gets next is the newest.

use std::convert::Infallible;
use std::sync::Arc;
use std::time::Duration;

use axum::extract::{Path, State};
use axum::http::{HeaderName, StatusCode, header};
use axum::response::sse::{Event, KeepAlive, Sse};
use axum::response::{IntoResponse, Response};
use futures_util::stream;
use tokio::sync::{OwnedSemaphorePermit, watch};

use super::answer::Refusal;
use super::shapes::{ChannelsNow, Now, Refused};
use super::{MAX_VIEWERS, NowBody, NowTable, Shared, access};
use crate::clock::Clock;
use crate::status::Board;

/// Silence after which a comment is sent, so that proxies keep the connection open: many close it
/// after 30 or 60 s (common practice, no source).
const KEEP_ALIVE: Duration = Duration::from_secs(15);
/// How long a viewer should wait before it connects again.
const RETRY: Duration = Duration::from_secs(2);

/// A viewer: its place among the bounded number, counted as long as it watches.
struct Viewer {
    newest: watch::Receiver<NowBody>,
    stopping: watch::Receiver<bool>,
    /// Who may ask: when that changes the stream ends, and the viewer has to show again who it is.
    access: watch::Receiver<Arc<access::Options>>,
    clock: Clock,
    board: Arc<Board>,
    /// What its events are called.
    name: &'static str,
    /// Whether nothing was sent yet: the newest body goes out at once.
    fresh: bool,
    _place: OwnedSemaphorePermit,
}

impl Viewer {
    /// The next event; `None` ends the stream: the site is gone, the daemon stops, or the password or a
    /// token was changed.
    async fn next(&mut self) -> Option<Event> {
        let mut event = Event::default().event(self.name);
        loop {
            let first = std::mem::take(&mut self.fresh);
            if first {
                event = event.retry(RETRY);
            } else {
                tokio::select! {
                    changed = self.newest.changed() => changed.ok()?,
                    _ = self.stopping.wait_for(|stopping| *stopping) => return None,
                    Ok(()) = self.access.changed() => return None,
                }
            }
            let body = self.newest.borrow_and_update().clone();
            // Bodies are JSON, so text; an empty one is a site without figures yet.
            let text = std::str::from_utf8(&body).unwrap_or_default();
            if !text.is_empty() {
                return Some(event.id(self.clock.now_ms().to_string()).data(text));
            }
        }
    }
}

impl Drop for Viewer {
    fn drop(&mut self) {
        self.board.counters.live_viewers.dec();
    }
}

/// The live figures of a site, each time they change: events named `now` with the body of
/// `/api/sites/{site}/now`.
#[utoipa::path(get, path = "/live/{site}", params(("site" = String, Path,)), responses(
    (status = 200, body = Now, content_type = "text/event-stream"),
    (status = 404, body = Refused, description = "no such site"),
    (status = 503, body = Refused, description = "too many viewers"),
))]
pub(super) async fn live(
    State(shared): State<Arc<Shared>>,
    Path(id): Path<String>,
) -> Result<Response, Refusal> {
    watch_table(&shared, &id, &shared.state.now, "now")
}

/// What each channel shows, each time figures change: events named `channels`. It is what an installer
/// looks at; figures that follow from a map are in the stream beside it.
#[utoipa::path(get, path = "/live/{site}/channels", params(("site" = String, Path,)), responses(
    (status = 200, body = ChannelsNow, content_type = "text/event-stream"),
    (status = 404, body = Refused, description = "no such site"),
    (status = 503, body = Refused, description = "too many viewers"),
))]
pub(super) async fn channels(
    State(shared): State<Arc<Shared>>,
    Path(id): Path<String>,
) -> Result<Response, Refusal> {
    watch_table(&shared, &id, &shared.state.channels, "channels")
}

fn watch_table(
    shared: &Shared,
    id: &str,
    table: &watch::Receiver<Arc<NowTable>>,
    name: &'static str,
) -> Result<Response, Refusal> {
    let table = Arc::clone(&table.borrow());
    let newest = table.get(id).cloned().ok_or_else(|| Refusal::no_such_site(id))?;
    let place = Arc::clone(&shared.viewers).try_acquire_owned().map_err(|_| {
        let error = format!("{MAX_VIEWERS} viewers watch already");
        let hint = "ask /api/sites/{site}/now from time to time, or try again later";
        Refusal::new(StatusCode::SERVICE_UNAVAILABLE, error, hint).with(header::RETRY_AFTER, "60")
    })?;
    shared.state.board.counters.live_viewers.inc();
    let viewer = Viewer {
        newest,
        stopping: shared.stopping.clone(),
        access: shared.door.changes(),
        clock: shared.state.clock,
        board: Arc::clone(&shared.state.board),
        name,
        fresh: true,
        _place: place,
    };
    let events = stream::unfold(viewer, |mut viewer| async move {
        let event = viewer.next().await?;
        Some((Ok::<_, Infallible>(event), viewer))
    });
    let events = Sse::new(events).keep_alive(KeepAlive::new().interval(KEEP_ALIVE));
    // nginx gathers answers before it sends them on, unless it is told not to.
    Ok(([(HeaderName::from_static("x-accel-buffering"), "no")], events).into_response())
}
