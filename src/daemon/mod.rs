//! Wires the tasks; owns start and ordered shutdown.
//!
//! Three kinds of thread: the *intake* (the broker's connection, the engine and the publisher on a
//! single-threaded runtime, so that a message costs no hand-over between threads), the store's
//! writer, and the caller's runtime for everything that may be slow (API, central stores). A
//! thousand viewers or a central store that hangs cannot hold up a reading.

mod access;
mod audits;
mod batches;
mod certificate;
mod chargers;
mod exchange;
mod feed;
mod front;
mod guided;
mod hub;
mod intake;
mod kept;
mod live;
mod local_key;
mod maps;
mod notes;
mod notify;
mod observe;
mod options;
mod orders;
mod set_up;
mod steps;
mod today;

use std::net::SocketAddr;
use std::path::PathBuf;
use std::sync::Arc;
use std::thread::JoinHandle;
use std::time::Duration;

use anyhow::{Context, Result, anyhow};
use tokio::sync::{mpsc, oneshot, watch};

use self::orders::Orders;
use crate::clock::Clock;
use crate::engine::Engine;
use crate::reading::Router;
use crate::site::Site;
use crate::status::{Board, Part};
use crate::{central, mqtt, publish, store, surplus, web};

pub use access::ReadAccess;
pub use maps::Maps;
pub use notify::Notifier;
pub use options::config;

/// How long an orderly stop may take. Mostly it is below a second; but what the writer has begun (a day of
/// late readings counted, or derived again) it ends first, which took more than 5 s on a busy machine.
/// Below the 20 s that the service manager waits.
const STOP_WITHIN: Duration = Duration::from_secs(15);
/// Store events that may wait for the intake: a handful a batch, and batches are bounded.
const EVENTS: usize = 1024;

/// Opens the store; what its writer reports comes out of the receiver.
fn open_store(
    options: store::Options,
    list: &[Arc<Site>],
) -> Result<(store::Store, mpsc::Receiver<store::Event>)> {
    let (report, events) = mpsc::channel(EVENTS);
    let directory = options.directory.clone();
    let on_event = Box::new(move |event| {
        // Called on the writer's thread, which may wait; a closed channel means shutdown.
        let _ = report.blocking_send(event);
    });
    let store = store::Store::open(options, list, on_event)
        .with_context(|| format!("cannot use the store in {}", directory.display()))?;
    Ok((store, events))
}

/// Starts a task for each central store, and one that puts its progress on the board.
fn start_centrals(
    centrals: Vec<central::Options>,
    sites: &watch::Receiver<Vec<Arc<Site>>>,
    store: &store::Store,
    board: &Arc<Board>,
    clock: Clock,
) -> Result<Vec<central::Handle>> {
    let mut handles = Vec::new();
    for options in centrals {
        let name = options.name.clone();
        let handle = central::start(options, sites.clone(), store.outbox(), clock)?;
        live::watch_central(name, handle.progress(), Arc::clone(board), clock);
        handles.push(handle);
    }
    Ok(handles)
}

/// Starts the intake's thread; how it ended comes out of the receiver.
fn start_intake(
    parts: intake::Parts,
    events: mpsc::Receiver<store::Event>,
    commands: mpsc::Receiver<intake::Control>,
) -> Result<(JoinHandle<()>, oneshot::Receiver<Result<()>>)> {
    let (end, ended) = oneshot::channel();
    let thread = std::thread::Builder::new().name("intake".into()).spawn(move || {
        let result = intake::thread(parts, events, commands);
        if let Err(error) = &result {
            tracing::error!("intake ended: {error:#}");
        }
        // Nobody waits any more only if the daemon was dropped.
        let _ = end.send(result);
    })?;
    Ok((thread, ended))
}

/// Everything that a daemon is started with.
pub struct Config {
    /// The broker.
    pub broker: mqtt::Options,
    /// The same broker, for the connection that tells the hubs.
    pub hub: mqtt::Options,
    /// The embedded store.
    pub store: store::Options,
    /// The longest that a reading waits for its commit.
    pub commit_every: Duration,
    /// How old a reading may be when it comes, where the map says nothing else.
    pub late_window: crate::units::Span,
    /// Central stores.
    pub centrals: Vec<central::Options>,
    /// Topics out.
    pub publish: publish::Options,
    /// The API's address; port 0 asks for any.
    pub listen: SocketAddr,
    /// Who may ask it; beyond loopback there has to be a password.
    pub access: web::access::Options,
    /// Reads that again; without it a restart does.
    pub access_again: Option<ReadAccess>,
    /// PEM files of its certificate and key; without them it is not encrypted.
    pub tls: Option<(PathBuf, PathBuf)>,
    /// The maps, and how to read them again.
    pub maps: Maps,
    /// The directory that the maps are in.
    pub sites: PathBuf,
    /// The time.
    pub clock: Clock,
    /// The service manager, if there is one.
    pub notifier: Notifier,
}

/// A running daemon. Dropping it without [`Daemon::stop`] leaves its threads to end on their own.
pub struct Daemon {
    control: mpsc::Sender<intake::Control>,
    thread: JoinHandle<()>,
    ended: oneshot::Receiver<Result<()>>,
    reader: store::Reader,
    board: Arc<Board>,
    sites: watch::Receiver<Arc<Vec<Arc<Site>>>>,
    stop: watch::Sender<bool>,
    front: front::Open,
    centrals: Vec<central::Handle>,
    hub: Option<hub::Handle>,
}

impl Daemon {
    /// Opens the store, rebuilds the state from its journal, binds the API, and starts to connect
    /// to the broker. Readings are taken in from now on.
    ///
    /// # Errors
    /// When the store cannot be opened or the API's address cannot be bound. A broker or a central
    /// store that is away is no error: the daemon waits for it.
    pub async fn start(config: Config) -> Result<Self> {
        let clock = config.clock;
        let board = Arc::new(Board::new(clock.now()));
        let list = config.maps.list();
        let front = front::Bound::bind(config.listen, config.tls, &board, clock).await?;

        let directory = config.store.directory.clone();
        let (store, events) = open_store(config.store, &list)?;
        board.report(Part::Store, true, "", clock.now());
        let reader = store.reader();
        let mut engine = Engine::new(list.iter().map(|site| (Arc::clone(site), None)));
        let minutes = intake::replay(&store, &mut engine)?;
        let (control, commands) = mpsc::channel(8);
        let orders = Orders::start(&config.publish, &list, &directory, control.clone())?;
        orders.iter().for_each(|orders| orders.restore(&list, &mut engine, clock.now()));

        // Nothing is queued yet, so there is room.
        let _ = store.sender().send(notes::forms(&config.maps, clock.now())).await;
        let (sites_out, sites) = watch::channel(Arc::new(config.maps.visible()));
        let (central_sites_out, central_sites) = watch::channel(list.clone());
        let centrals = start_centrals(config.centrals, &central_sites, &store, &board, clock)?;
        let wakers = centrals.iter().map(central::Handle::waker).collect();

        let set_up = set_up::Desk::new(config.sites, &config.broker, &config.publish, &control, clock);
        let (now_out, now) = watch::channel(Arc::default());
        let (channels_out, channels) = watch::channel(Arc::default());
        let (stop, stopped) = watch::channel(false);
        let steps = steps::start(&store, central_sites.clone(), clock, stopped.clone());
        let audits =
            audits::start(&reader, &board, &control, clock, (central_sites.clone(), stopped.clone()));
        let (list_there, sites_there, steps_there) = (central_sites, sites.clone(), Arc::clone(&steps));
        let shown =
            front::Shown { sites: sites_there, list: list_there, now, channels, steps: steps_there, audits };
        let access = (config.access, config.access_again);
        let front = front.open(shown, set_up, access, (&store, &directory), stopped)?;

        let hub = hub::start(hub::Parts {
            broker: config.hub,
            publish: config.publish.clone(),
            sites: list.clone(),
            directory,
            orders,
            reader: reader.clone(),
            board: Arc::clone(&board),
            clock,
        })?;
        let feed = hub.as_ref().map(hub::Handle::feed);
        let parts = intake::Parts {
            router: Router::with_late_window(&list, config.late_window),
            steps,
            live: live::Live::new(config.publish, &list, (now_out, channels_out), feed, Arc::clone(&board)),
            board: Arc::clone(&board),
            commit_every: config.commit_every,
            broker: config.broker,
            late_window: config.late_window,
            maps: config.maps,
            notifier: config.notifier,
            sites_out,
            central_sites_out,
            wakers,
            minutes,
            engine,
            store,
            clock,
        };
        let (thread, ended) = start_intake(parts, events, commands)?;
        Ok(Self { control, thread, ended, reader, board, sites, stop, front, centrals, hub })
    }

    /// Where the API listens.
    pub fn address(&self) -> SocketAddr {
        self.front.address()
    }

    /// A reader of the store.
    pub fn reader(&self) -> store::Reader {
        self.reader.clone()
    }

    /// What works and what does not.
    pub fn board(&self) -> &Arc<Board> {
        &self.board
    }

    /// The sites as they are now.
    pub fn sites(&self) -> Arc<Vec<Arc<Site>>> {
        Arc::clone(&self.sites.borrow())
    }

    /// Reads the maps, the API's certificate, and its password and tokens again. If any map is bad, all
    /// stay as they were, and the problems are the error; of a bad certificate or password the former stays,
    /// and health says so.
    ///
    /// # Errors
    /// What is wrong with the maps, one finding a line.
    pub async fn reload(&self) -> Result<()> {
        self.front.reload();
        let (answer, result) = oneshot::channel();
        self.control
            .send(intake::Control::Reload(answer))
            .await
            .map_err(|_| anyhow!("the daemon has ended"))?;
        result.await.map_err(|_| anyhow!("the daemon has ended"))?
    }

    /// Leads a charger of a site: mode, cap or target. Gives what holds for it then.
    ///
    /// # Errors
    /// Why the command is not carried out; the outer error is a daemon that has ended.
    pub async fn lead(
        &self,
        site: &str,
        command: surplus::Command,
    ) -> Result<Result<surplus::Settings, surplus::Refused>> {
        let (answer, result) = oneshot::channel();
        self.control
            .send(intake::Control::Lead(site.to_owned(), command, answer))
            .await
            .map_err(|_| anyhow!("the daemon has ended"))?;
        result.await.map_err(|_| anyhow!("the daemon has ended"))
    }

    /// Waits until the daemon ends by itself, which it does only by a fault.
    ///
    /// # Errors
    /// The fault.
    pub async fn ended(&mut self) -> Result<()> {
        (&mut self.ended).await.unwrap_or_else(|_| Err(anyhow!("the intake's thread is gone")))
    }

    /// Stops in order: no more readings are taken in, what came is committed and acknowledged, the
    /// topics say that nobody is there, the connections close.
    ///
    /// # Errors
    /// When something could not be finished in time; what was acknowledged is safe in any case.
    pub async fn stop(self) -> Result<()> {
        let deadline = tokio::time::Instant::now() + STOP_WITHIN;
        let _ = self.stop.send(true);
        for central in self.centrals {
            let _ = tokio::time::timeout_at(deadline, central.shutdown()).await;
        }
        let _ = self.control.send(intake::Control::Stop).await;
        if let Some(hub) = self.hub {
            let _ = tokio::time::timeout_at(deadline, hub.stop()).await;
        }
        let result = tokio::time::timeout_at(deadline, self.ended)
            .await
            .map_err(|_| anyhow!("the intake did not end within {STOP_WITHIN:?}"))?;
        let thread = self.thread;
        let _ = tokio::task::spawn_blocking(move || thread.join()).await;
        let _ = tokio::time::timeout_at(deadline, self.front.ended()).await;
        self.board.forget(&Part::Broker);
        result.unwrap_or_else(|_| Err(anyhow!("the intake's thread is gone")))
    }
}
