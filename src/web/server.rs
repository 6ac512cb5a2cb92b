//! Connections: how many, for how long, and how they end.

use std::io;
use std::sync::Arc;
use std::time::Duration;

use hyper::server::conn::http1;
use hyper_util::rt::{TokioIo, TokioTimer};
use hyper_util::server::graceful::GracefulShutdown;
use hyper_util::service::TowerToHyperService;
use tokio::net::TcpListener;
use tokio::sync::{Semaphore, watch};

use super::{MAX_VIEWERS, Shared, State, router};

/// Connections at a time: every viewer, and as many again as browsers and scripts can want beside.
const MAX_CONNECTIONS: usize = MAX_VIEWERS + 500;
/// How long a client may take over the head of a request, and hold an idle connection.
const HEAD_TIMEOUT: Duration = Duration::from_secs(15);
/// Bytes of a request's head: no browser sends more than a few kB.
const MAX_HEAD_BYTES: usize = 32 * 1024;
/// How long requests in flight may take to end once the daemon stops.
const GRACE: Duration = Duration::from_secs(2);
/// How long to wait after the system refused a connection (out of file descriptors).
const ACCEPT_PAUSE: Duration = Duration::from_millis(100);

/// Serves until `shutdown` is done, then lets requests in flight end.
///
/// # Errors
/// None today: a connection that fails ends alone. The type leaves room for it.
pub async fn serve(
    listener: TcpListener,
    state: State,
    shutdown: impl Future<Output = ()> + Send,
) -> io::Result<()> {
    let (stop, stopping) = watch::channel(false);
    let app = router(&Shared::new(state, stopping));
    let room = Arc::new(Semaphore::new(MAX_CONNECTIONS));
    let graceful = GracefulShutdown::new();
    let mut http = http1::Builder::new();
    http.timer(TokioTimer::new()).header_read_timeout(HEAD_TIMEOUT).max_buf_size(MAX_HEAD_BYTES);
    tokio::pin!(shutdown);
    loop {
        // Room first: beyond the bound, clients wait in the system's backlog.
        let accept = async {
            let permit = Arc::clone(&room).acquire_owned().await.expect("the semaphore is never closed");
            (listener.accept().await, permit)
        };
        let (accepted, permit) = tokio::select! {
            () = &mut shutdown => break,
            accepted = accept => accepted,
        };
        let stream = match accepted {
            Ok((stream, _)) => stream,
            Err(error) => {
                tracing::warn!(%error, "a connection to the API was not accepted");
                tokio::time::sleep(ACCEPT_PAUSE).await;
                continue;
            }
        };
        // Without it an event waits for the acknowledgement of the one before.
        if let Err(error) = stream.set_nodelay(true) {
            tracing::debug!(%error, "TCP_NODELAY was not set");
        }
        let service = TowerToHyperService::new(app.clone());
        let connection = graceful.watch(http.serve_connection(TokioIo::new(stream), service));
        tokio::spawn(async move {
            if let Err(error) = connection.await {
                tracing::debug!(%error, "a connection to the API ended early");
            }
            drop(permit);
        });
    }
    drop(listener);
    stop.send_replace(true);
    if tokio::time::timeout(GRACE, graceful.shutdown()).await.is_err() {
        tracing::warn!("requests to the API were cut off after {} s", GRACE.as_secs());
    }
    Ok(())
}
