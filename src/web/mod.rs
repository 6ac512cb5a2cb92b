//! The API, the live stream, metrics, health, and the pages.
//!
//! Nothing is computed here: the body of `now` comes ready-made through watch channels, history
//! comes from the store through [`history`](State::history), and health from the board. What this
//! module owns is who may ask, how much at a time, and how an answer or a refusal looks.

pub mod access;
mod advice;
mod answer;
mod api;
pub mod exchange;
mod guard;
pub mod history;
mod live;
mod openapi;
mod pages;
mod sentences;
mod server;
mod setup;
mod shapes;
mod tls;
pub mod views;
pub mod written;

use std::collections::BTreeMap;
use std::fmt;
use std::ops::Range;
use std::sync::Arc;

use axum::Router;
use axum::extract::DefaultBodyLimit;
use axum::routing::{MethodRouter, delete, get, post};
use bytes::Bytes;
use tokio::sync::{Semaphore, watch};
use tower_http::CompressionLevel;
use tower_http::compression::CompressionLayer;
use tower_http::compression::predicate::{NotForContentType, Predicate, SizeAbove};

pub use advice::{AlertNow, EvNow, RoomNow, TargetNow};
pub use exchange::{ExportQuery, Exporter, Importer};
pub use server::serve;
pub use setup::{Seen, SeenValue, SetUp, Written};
pub use shapes::{
    BusEnergy, BusNow, ChannelsNow, CircuitInfo, CircuitNow, HistoryBody, HistoryInterval, ImportBody, Now,
    SiteInfo, Sites, channels_body,
};
pub use tls::{Tls, server_config};

use crate::clock::Clock;
use crate::history::Note;
use crate::said::Said;
use crate::site::{ChannelIndex, FigureKey, Site};
use crate::status::Board;
use crate::store::{NoteChange, NoteOutcome};
use crate::units::Stamp;
use crate::verify::{End, Progress, Proof};

/// The user name that goes with the password.
pub const USER: &str = "panelwright";

/// Viewers of the live stream at a time. Each holds one connection and no queue, about 20 kB, so
/// this bounds them at 40 MB; a household has ten, a builder's office hundreds.
pub const MAX_VIEWERS: usize = 2_000;

/// History queries at a time: they run on blocking threads, each with a database connection, and
/// more of them than the machine has cores only make each other wait.
pub const MAX_QUERIES: usize = 4;

/// The newest `now` body of a site; empty until its first tick has closed.
pub type NowBody = Bytes;

/// The `now` bodies of all sites by site id. A reload sends a new table; dropping a site's sender
/// ends its live streams.
pub type NowTable = BTreeMap<String, watch::Receiver<NowBody>>;

/// What the hourly audit last found, by site id.
pub type Audits = Arc<BTreeMap<String, Arc<views::audit::AuditBody>>>;

/// What is shown of the past.
#[derive(Clone, Copy, Debug, Default, PartialEq, Eq)]
pub enum View {
    /// Energy by interval, with a comparison if one is asked for.
    #[default]
    Energy,
    /// What one CT measured by interval, and whose it was.
    Channel(ChannelIndex),
    /// The typical day.
    Profile,
    /// The ranking of loads.
    Rank,
    /// Whether the map is true.
    Audit,
}

impl HistoryQuery {
    /// A question that leaves time and intervals to their defaults.
    pub fn new(site: Arc<Site>, view: View) -> Self {
        Self { site, from: None, to: None, by: None, view, compare: None, only: None, numbers: None }
    }

    /// A sentence of the answer, with its numbers as whoever asked writes them.
    fn sentence(&self, said: &Said) -> Said {
        self.numbers.map_or_else(|| said.clone(), |numbers| numbers.said(said).into())
    }
}

/// Gives the notes of a site, by its id, that touch a range. It blocks.
pub type ListNotes = Arc<dyn Fn(&str, Range<Stamp>) -> Result<Vec<Note>, String> + Send + Sync>;

/// Adds or removes a note of a site, by its id. It blocks until the note is on the disk; the error
/// is that of a store that cannot take it.
pub type ChangeNotes = Arc<dyn Fn(&str, NoteChange) -> Result<NoteOutcome, String> + Send + Sync>;

/// The notes beside the figures.
#[derive(Clone)]
pub struct Notes {
    /// Reads them.
    pub list: ListNotes,
    /// Adds and removes them.
    pub change: ChangeNotes,
}

/// What a client asked of the history, as it wrote it.
#[derive(Clone, Debug)]
pub struct HistoryQuery {
    /// The site that was asked for; it exists.
    pub site: Arc<Site>,
    /// `from`: a local date, a local date and time, or one with an offset.
    pub from: Option<String>,
    /// `to`, likewise.
    pub to: Option<String>,
    /// `by`: the length of an interval.
    pub by: Option<String>,
    /// What is shown.
    pub view: View,
    /// `compare`: what each interval is compared with.
    pub compare: Option<String>,
    /// Figures that the answer may be confined to, for who needs no others: of a ranking, whose run times
    /// and peaks are wanted.
    pub only: Option<Vec<FigureKey>>,
    /// How numbers in the sentences of the answer are written, for a page; plainly where that is not said.
    pub(in crate::web) numbers: Option<pages::Numbers>,
}

/// Why there is no history in the answer.
#[derive(Clone, Debug, PartialEq, Eq)]
pub enum HistoryError {
    /// The question cannot be answered as it was put.
    Asked {
        /// What is wrong with it.
        what: String,
        /// What to write instead.
        hint: String,
    },
    /// The store could not answer.
    Failed(String),
}

/// Answers history queries with a JSON body. It blocks, so it is called on a thread for that.
pub type History = Arc<dyn Fn(&HistoryQuery) -> Result<String, HistoryError> + Send + Sync>;

/// A load step that runs, or the last one that ran.
#[derive(Clone, Debug)]
pub struct Watched {
    /// The map that it follows.
    pub site: Arc<Site>,
    /// The circuit: an index into the map's.
    pub circuit: usize,
    /// When it began.
    pub started: Stamp,
    /// When it ends by itself.
    pub ends: Stamp,
    /// What was seen, and what to do now.
    pub progress: Progress,
    /// How it ended, if it did.
    pub end: Option<End>,
    /// Whether its verdict is in the store.
    pub kept: bool,
}

/// Why no load step began.
#[derive(Clone, Debug, PartialEq, Eq)]
pub enum StepRefused {
    /// One of that site is under way: its circuit, when it began, and when it ends by itself.
    Busy {
        /// The circuit's id.
        circuit: String,
        /// When it began.
        started: Stamp,
        /// When it ends at the latest.
        ends: Stamp,
    },
    /// As many as may be are under way at other sites.
    TooMany,
    /// The map has no entry of the circuit at this moment.
    NoEntry,
}

/// Load steps, as the daemon watches them.
pub trait LoadSteps: Send + Sync {
    /// Begins with a circuit, by its index in the map.
    ///
    /// # Errors
    /// Why not.
    fn start(&self, site: &Arc<Site>, circuit: usize) -> Result<(), StepRefused>;
    /// How the one of a site is, by the site's id.
    fn state(&self, site: &str) -> Option<Watched>;
    /// Ends it. Whether there was one to end.
    fn end(&self, site: &str) -> bool;
    /// The newest proof of each circuit of a site.
    fn proofs(&self, site: &str) -> Vec<Proof>;
}

/// What the API shows, and to whom.
#[derive(Clone)]
pub struct State {
    /// The sites, in the order of their files.
    pub sites: watch::Receiver<Arc<Vec<Arc<Site>>>>,
    /// Their newest figures.
    pub now: watch::Receiver<Arc<NowTable>>,
    /// What their channels show, for whoever looks at them.
    pub channels: watch::Receiver<Arc<NowTable>>,
    /// Their past.
    pub history: History,
    /// The notes beside it.
    pub notes: Notes,
    /// Load steps: circuits proven on the spot.
    pub steps: Arc<dyn LoadSteps>,
    /// Their past as files.
    pub export: Exporter,
    /// Where readings from files go.
    pub import: Importer,
    /// Setting sites up.
    pub set_up: Arc<dyn SetUp>,
    /// How the parts are.
    pub board: Arc<Board>,
    /// The time.
    pub clock: Clock,
    /// Who may ask; what is sent here counts from then on.
    pub access: watch::Receiver<Arc<access::Options>>,
    /// What the hourly audit last found, by site id.
    pub audits: watch::Receiver<Audits>,
}

impl fmt::Debug for State {
    fn fmt(&self, f: &mut fmt::Formatter<'_>) -> fmt::Result {
        f.debug_struct("State").field("sites", &self.sites.borrow().len()).finish_non_exhaustive()
    }
}

/// What every request shares.
struct Shared {
    state: State,
    viewers: Arc<Semaphore>,
    queries: Arc<Semaphore>,
    door: access::Door,
    /// Turns true when the daemon stops, which ends the live streams.
    stopping: watch::Receiver<bool>,
}

impl Shared {
    fn new(state: State, stopping: watch::Receiver<bool>) -> Arc<Self> {
        let door = access::Door::new(state.access.clone(), state.clock);
        Arc::new(Self {
            state,
            viewers: Arc::new(Semaphore::new(MAX_VIEWERS)),
            queries: Arc::new(Semaphore::new(MAX_QUERIES)),
            door,
            stopping,
        })
    }

    /// What the hourly audit last found at a site; absent before the first.
    fn audit(&self, site: &str) -> Option<Arc<views::audit::AuditBody>> {
        self.state.audits.borrow().get(site).cloned()
    }

    fn site(&self, id: &str) -> Option<Arc<Site>> {
        self.state.sites.borrow().iter().find(|site| site.id == id).cloned()
    }
}

/// Every route. The OpenAPI document lists the same ones; a test holds them together.
fn routes() -> Vec<(&'static str, MethodRouter<Arc<Shared>>)> {
    vec![
        ("/", get(pages::home)),
        ("/sites", get(pages::sites)),
        ("/preferences", get(pages::preferences)),
        ("/sites/{site}", get(pages::now)),
        ("/sites/{site}/history", get(pages::history)),
        ("/sites/{site}/circuits/{circuit}", get(pages::circuit)),
        ("/sites/{site}/findings", get(pages::findings)),
        ("/sites/{site}/panel", get(pages::panel)),
        ("/sites/{site}/schedule", get(pages::schedule)),
        (
            "/sites/{site}/verify",
            get(pages::verify).post(pages::verify_form).layer(DefaultBodyLimit::max(pages::MAX_VERIFY)),
        ),
        ("/setup", get(pages::look).post(pages::step).layer(DefaultBodyLimit::max(guard::MAX_FORM))),
        ("/static/{file}", get(pages::file)),
        (
            "/sign-in",
            get(pages::sign_in_form).post(pages::sign_in).layer(DefaultBodyLimit::max(pages::MAX_BODY)),
        ),
        ("/sign-out", post(pages::sign_out).layer(DefaultBodyLimit::max(pages::MAX_BODY))),
        ("/api/sites", get(api::sites)),
        ("/api/sites/{site}/now", get(api::now)),
        ("/api/sites/{site}/history", get(api::history)),
        ("/api/sites/{site}/profile", get(api::profile)),
        ("/api/sites/{site}/rank", get(api::rank)),
        ("/api/sites/{site}/audit", get(api::audit)),
        ("/api/sites/{site}/proofs", get(views::verify::proofs)),
        (
            "/api/sites/{site}/verify",
            get(views::verify::state)
                .post(views::verify::start)
                .layer(DefaultBodyLimit::max(views::verify::MAX_BODY)),
        ),
        ("/api/sites/{site}/verify/end", post(views::verify::end)),
        (
            "/api/sites/{site}/annotations",
            get(views::notes::list)
                .post(views::notes::add)
                .layer(DefaultBodyLimit::max(views::notes::MAX_BODY)),
        ),
        ("/api/sites/{site}/annotations/{id}", delete(views::notes::remove)),
        ("/api/sites/{site}/export", get(exchange::download)),
        (
            "/api/sites/{site}/readings",
            post(exchange::upload).layer(DefaultBodyLimit::max(exchange::MAX_IMPORT)),
        ),
        ("/live/{site}", get(live::live)),
        ("/live/{site}/channels", get(live::channels)),
        ("/health", get(api::health)),
        ("/metrics", get(api::metrics)),
        ("/openapi.json", get(openapi::document)),
    ]
}

/// Whether a path is a file of the pages: it says nothing of the house.
fn is_static(path: &str) -> bool {
    path.starts_with("/static/")
}

/// Answers as gzip for who accepts it: a page with a drawing of a month becomes a tenth. Not the live stream, of
/// which each event has to go out at once. Why it gives no secret away: [`access::mask`].
fn compression() -> CompressionLayer<impl Predicate> {
    /// Less than this fits into one packet in any case.
    const WORTH_IT: u16 = 1_200;
    let predicate = SizeAbove::new(WORTH_IT).and(NotForContentType::SSE).and(NotForContentType::IMAGES);
    // A page takes less time so than at the usual level, and becomes some percent larger.
    CompressionLayer::new().quality(CompressionLevel::Fastest).compress_when(predicate)
}

fn router(shared: &Arc<Shared>) -> Router {
    let mut router = Router::new();
    for (path, methods) in routes() {
        router = router.route(path, methods);
    }
    router
        .fallback(answer::no_such_path)
        .method_not_allowed_fallback(answer::no_such_method)
        .layer(axum::middleware::from_fn_with_state(Arc::clone(shared), guard::guard))
        .layer(compression())
        .with_state(Arc::clone(shared))
}

#[cfg(test)]
mod tests;
