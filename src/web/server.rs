//! Connections: how many, for how long, and how they end.

use std::io;
use std::sync::Arc;
use std::time::Duration;

use axum::Router;
use axum::http::{Request, StatusCode, header};
use axum::response::IntoResponse as _;
use hyper::server::conn::http1;
use hyper::service::{Service as _, service_fn};
use hyper_util::rt::{TokioIo, TokioTimer};
use hyper_util::server::graceful::{GracefulShutdown, Watcher};
use hyper_util::service::TowerToHyperService;
use tokio::io::{AsyncRead, AsyncWrite};
use tokio::net::{TcpListener, TcpStream};
use tokio::sync::{Semaphore, watch};
use tokio_rustls::TlsAcceptor;

use super::tls::Tls;
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

/// What a connection is served with.
struct Connection {
    http: http1::Builder,
    app: Router,
    watcher: Watcher,
    base: Arc<str>,
}

/// A request as the routes know it. Proxies differ in whether they take the path away below which they
/// show this; both are served. The error is where the root is to be asked for instead: links are relative,
/// and would lead astray from a root without a slash behind it.
fn below<B>(base: &str, mut request: Request<B>) -> Result<Request<B>, String> {
    let Some(whole) = request.uri().path_and_query() else { return Ok(request) };
    let Some(rest) = whole.as_str().strip_prefix(base).filter(|_| !base.is_empty()) else {
        return Ok(request);
    };
    if rest.is_empty() || rest.starts_with('?') {
        let last = base.rsplit('/').next().unwrap_or_default();
        return Err(format!("{last}/{rest}"));
    }
    if rest.starts_with('/')
        && let Ok(uri) = rest.parse()
    {
        *request.uri_mut() = uri;
    }
    Ok(request)
}

impl Connection {
    async fn serve(self, stream: TcpStream, acceptor: Option<TlsAcceptor>) {
        let Some(acceptor) = acceptor else { return self.http(stream).await };
        // In this task, so that a client that is slow to shake hands holds nobody up.
        match tokio::time::timeout(HEAD_TIMEOUT, acceptor.accept(stream)).await {
            Ok(Ok(stream)) => self.http(stream).await,
            Ok(Err(error)) => tracing::debug!(%error, "a connection to the API was not encrypted"),
            Err(_) => tracing::debug!("a connection to the API did not shake hands in time"),
        }
    }

    async fn http(self, stream: impl AsyncRead + AsyncWrite + Send + Unpin + 'static) {
        let app = TowerToHyperService::new(self.app);
        let service = service_fn(move |request| {
            let (app, base) = (app.clone(), Arc::clone(&self.base));
            async move {
                match below(&base, request) {
                    Ok(request) => app.call(request).await,
                    Err(place) => {
                        Ok((StatusCode::PERMANENT_REDIRECT, [(header::LOCATION, place)]).into_response())
                    }
                }
            }
        });
        let connection = self.watcher.watch(self.http.serve_connection(TokioIo::new(stream), service));
        if let Err(error) = connection.await {
            tracing::debug!(%error, "a connection to the API ended early");
        }
    }
}

/// Serves until `shutdown` is done, then lets requests in flight end. With `tls` every connection is
/// encrypted, each with the certificate of the moment at which it begins.
///
/// # Errors
/// None today: a connection that fails ends alone. The type leaves room for it.
pub async fn serve(
    listener: TcpListener,
    state: State,
    tls: Option<Tls>,
    shutdown: impl Future<Output = ()> + Send,
) -> io::Result<()> {
    let (stop, stopping) = watch::channel(false);
    let base: Arc<str> = state.access.borrow().base().into();
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
        let watcher = graceful.watcher();
        let connection =
            Connection { http: http.clone(), app: app.clone(), watcher, base: Arc::clone(&base) };
        let acceptor = tls.as_ref().map(|tls| TlsAcceptor::from(Arc::clone(&tls.borrow())));
        tokio::spawn(async move {
            connection.serve(stream, acceptor).await;
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

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn a_path_below_that_of_a_proxy_is_the_same_path() {
        let check = |base: &str, uri: &str, expected: Result<&str, &str>| {
            let request = Request::builder().uri(uri).body(()).expect("a request");
            let found = below(base, request).map(|request| request.uri().to_string());
            assert_eq!(found, expected.map(str::to_owned).map_err(str::to_owned), "{base} {uri}");
        };
        check("", "/sites/x?y=1", Ok("/sites/x?y=1"));
        check("/panel", "/sites/x?y=1", Ok("/sites/x?y=1"));
        check("/panel", "/panel/sites/x?y=1", Ok("/sites/x?y=1"));
        check("/panel", "/panel/", Ok("/"));
        check("/panel", "/panel", Err("panel/"));
        check("/a/panel", "/a/panel?y=1", Err("panel/?y=1"));
        check("/panel", "/panels", Ok("/panels"));
        check("/panel", "/panel/panel/x", Ok("/panel/x"));
    }
}
