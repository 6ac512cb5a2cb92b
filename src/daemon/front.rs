//! The API's side of the daemon: its socket, its certificate, and what it is given to show.

use std::net::SocketAddr;
use std::path::{Path, PathBuf};
use std::sync::Arc;

use anyhow::{Context as _, Result};
use tokio::net::TcpListener;
use tokio::sync::watch;
use tokio::task::JoinHandle;

use super::access::{Access, ReadAccess};
use super::certificate::Certificate;
use super::local_key::local_key;
use super::set_up::Desk;
use super::steps::Steps;
use super::{exchange, notes};
use crate::clock::Clock;
use crate::reading::SiteIndex;
use crate::site::Site;
use crate::status::Board;
use crate::web::NowTable;
use crate::{store, web};

/// A bound socket that nobody is answered at yet.
pub(super) struct Bound {
    listener: TcpListener,
    certificate: Option<Certificate>,
    board: Arc<Board>,
    clock: Clock,
}

/// What there is to show, as it changes.
pub(super) struct Shown {
    /// The sites of the maps.
    pub sites: watch::Receiver<Arc<Vec<Arc<Site>>>>,
    /// Every site that there is or was, by its place in the store.
    pub list: watch::Receiver<Vec<Arc<Site>>>,
    pub now: watch::Receiver<Arc<NowTable>>,
    pub channels: watch::Receiver<Arc<NowTable>>,
    /// Load steps.
    pub steps: Arc<Steps>,
    /// What the hourly audit found.
    pub audits: watch::Receiver<web::Audits>,
}

/// The API, answering.
pub(super) struct Open {
    address: SocketAddr,
    certificate: Option<Certificate>,
    access: Access,
    task: JoinHandle<()>,
}

impl Bound {
    /// Binds the socket and reads the certificate.
    ///
    /// # Errors
    /// The address cannot be bound, or the certificate cannot serve.
    pub async fn bind(
        listen: SocketAddr,
        tls: Option<(PathBuf, PathBuf)>,
        board: &Arc<Board>,
        clock: Clock,
    ) -> Result<Self> {
        let listener = TcpListener::bind(listen)
            .await
            .with_context(|| format!("cannot listen at {listen}: change `listen` under [web]"))?;
        let certificate = tls.map(|files| Certificate::read(files, Arc::clone(board), clock)).transpose()?;
        Ok(Self { listener, certificate, board: Arc::clone(board), clock })
    }

    /// Answers until `stopped` says so; the store comes with its directory.
    ///
    /// # Errors
    /// The key of this machine's commands cannot be written.
    pub fn open(
        self,
        shown: Shown,
        set_up: Desk,
        (access, again): (web::access::Options, Option<ReadAccess>),
        (store, directory): (&store::Store, &Path),
        stopped: watch::Receiver<bool>,
    ) -> Result<Open> {
        let Self { listener, certificate, board, clock } = self;
        let address = listener.local_addr()?;
        let local_key = access.password.is_some().then(|| local_key(directory)).transpose()?;
        let reader = store.reader();
        let access = web::access::Options { local_key, ..access };
        let access = Access::new(access, again, Arc::clone(&board), clock);
        let state = web::State {
            sites: shown.sites,
            now: shown.now,
            channels: shown.channels,
            history: history_of(reader.clone(), shown.list.clone(), clock),
            export: exchange::exporter(reader.clone(), shown.list.clone(), clock),
            import: exchange::importer(store, shown.list.clone(), clock),
            notes: notes::access(reader, store.sender(), shown.list),
            steps: shown.steps as Arc<dyn web::LoadSteps>,
            set_up: Arc::new(set_up),
            board,
            clock,
            access: access.shown(),
            audits: shown.audits,
        };
        let tls = certificate.as_ref().map(Certificate::shown);
        let task = tokio::spawn(serve_api(listener, state, tls, stopped));
        Ok(Open { address, certificate, access, task })
    }
}

impl Open {
    /// Where it listens.
    pub fn address(&self) -> SocketAddr {
        self.address
    }

    /// Reads the certificate, the password and the tokens again.
    pub fn reload(&self) {
        self.certificate.iter().for_each(Certificate::reload);
        self.access.reload();
    }

    /// Waits for its end, once it is told to stop.
    pub async fn ended(self) {
        // A task that panicked has ended too.
        let _ = self.task.await;
    }
}

/// Answers the API's questions about the past.
fn history_of(reader: store::Reader, list: watch::Receiver<Vec<Arc<Site>>>, clock: Clock) -> web::History {
    Arc::new(move |query| {
        let place = list.borrow().iter().position(|site| site.id == query.site.id);
        let Some(place) = place else {
            return Err(web::HistoryError::Failed(format!("the store knows no site {}", query.site.id)));
        };
        let site = SiteIndex(place as u32);
        if query.view == web::View::Audit {
            return web::views::audit::answer(query, clock.now(), &mut reader.source(site));
        }
        web::history::answer(query, clock.now(), &mut reader.source(site), |range| {
            reader.notes(site, range).map_err(|error| error.to_string())
        })
    })
}

/// Serves the API until it is told to stop.
async fn serve_api(
    listener: TcpListener,
    state: web::State,
    tls: Option<web::Tls>,
    mut stopped: watch::Receiver<bool>,
) {
    let shutdown = async move {
        let _ = stopped.wait_for(|stop| *stop).await;
    };
    if let Err(error) = web::serve(listener, state, tls, shutdown).await {
        tracing::error!("the API ended: {error:#}");
    }
}
