//! Load steps: readings to the one that runs, its end, and what it proved into the store.
//!
//! The intake hands readings over without waiting: into a list that this task empties. So a load step
//! that is being judged never holds up a reading.

use std::collections::BTreeMap;
use std::sync::atomic::{AtomicBool, Ordering};
use std::sync::{Arc, Mutex, MutexGuard, PoisonError};
use std::time::Duration;

use tokio::sync::{mpsc, watch};

use crate::clock::Clock;
use crate::reading::{Reading, SiteIndex};
use crate::site::Site;
use crate::store::{self, Command};
use crate::verify::{End, Proof, Session, basis};
use crate::web::{LoadSteps, StepRefused, Watched};

/// How often what came is looked at: people see a switching half a second later at most.
const EVERY: Duration = Duration::from_millis(500);
/// Load steps at a time, each at a site of its own, for the memory of their readings.
const MOST: usize = 16;
/// Readings that wait to be looked at: half a second of a hundred thousand channels. What comes beyond it
/// is left out of the load step; it is kept all the same.
const WAITING: usize = 50_000;
/// How long a proof may take to reach the disk.
const WRITTEN_WITHIN: Duration = Duration::from_secs(20);

/// The load steps of all sites.
pub(super) struct Steps {
    /// Whether any runs: the intake looks at this, and at nothing else while none does.
    active: AtomicBool,
    inbox: Mutex<Inbox>,
    sites: Mutex<BTreeMap<String, Run>>,
    proofs: Mutex<BTreeMap<String, BTreeMap<String, Proof>>>,
    list: watch::Receiver<Vec<Arc<Site>>>,
    clock: Clock,
}

#[derive(Default)]
struct Inbox {
    wanted: Vec<SiteIndex>,
    readings: Vec<Reading>,
}

struct Run {
    index: SiteIndex,
    /// Until it is over.
    session: Option<Session>,
    watched: Watched,
}

fn lock<T>(mutex: &Mutex<T>) -> MutexGuard<'_, T> {
    // What these guard is whole after every statement, whoever panicked.
    mutex.lock().unwrap_or_else(PoisonError::into_inner)
}

impl Steps {
    /// None runs yet; what was proved before comes from the store.
    fn new(reader: &store::Reader, list: watch::Receiver<Vec<Arc<Site>>>, clock: Clock) -> Arc<Self> {
        let mut proofs = BTreeMap::new();
        for (place, site) in list.borrow().iter().enumerate() {
            match reader.proofs(SiteIndex(place as u32)) {
                Ok(found) => drop(proofs.insert(site.id.clone(), by_circuit(found))),
                Err(error) => tracing::warn!(site = site.id, %error, "its proofs cannot be read"),
            }
        }
        Arc::new(Self {
            active: AtomicBool::new(false),
            inbox: Mutex::default(),
            sites: Mutex::default(),
            proofs: Mutex::new(proofs),
            list,
            clock,
        })
    }

    /// Readings that came. Called by the intake for every message.
    pub(super) fn offer(&self, readings: &[Reading]) {
        if !self.active.load(Ordering::Relaxed) {
            return;
        }
        let mut inbox = lock(&self.inbox);
        let room = WAITING.saturating_sub(inbox.readings.len());
        let Inbox { wanted, readings: waiting } = &mut *inbox;
        let fitting = readings.iter().filter(|reading| wanted.contains(&reading.site));
        waiting.extend(fitting.take(room).copied());
    }

    /// Looks at what came; gives what was proved.
    fn look(&self) -> Vec<(SiteIndex, String, Proof)> {
        let readings = std::mem::take(&mut lock(&self.inbox).readings);
        let (now, list) = (self.clock.now(), self.list.borrow().clone());
        let mut sites = lock(&self.sites);
        let mut proved = Vec::new();
        for (id, run) in sites.iter_mut() {
            let Some(session) = &mut run.session else { continue };
            let of_site = readings.iter().filter(|reading| reading.site == run.index);
            of_site.for_each(|reading| session.take(reading.channel.0 as usize, reading.sample));
            let (progress, mut end) = session.look(now);
            let same = list.get(run.index.0 as usize).is_some_and(|site| Arc::ptr_eq(site, session.site()));
            if !same {
                end = Some(End::MapChanged);
            }
            run.watched.progress = progress;
            run.watched.end = end;
            if end == Some(End::Settled)
                && let Some(basis) =
                    basis(session.site(), &run.watched.progress.verdict.circuit, session.started())
            {
                let verdict = run.watched.progress.verdict.clone();
                proved.push((run.index, id.clone(), Proof { at: now, verdict, basis }));
            }
            if end.is_some() {
                run.session = None;
            }
        }
        self.settle(&sites);
        proved
    }

    /// Whose readings are wanted from now on.
    fn settle(&self, sites: &BTreeMap<String, Run>) {
        let wanted: Vec<SiteIndex> =
            sites.values().filter(|run| run.session.is_some()).map(|run| run.index).collect();
        self.active.store(!wanted.is_empty(), Ordering::Relaxed);
        let mut inbox = lock(&self.inbox);
        if wanted.is_empty() {
            inbox.readings = Vec::new();
        }
        inbox.wanted = wanted;
    }

    /// What was proved is on the disk, or it is not.
    fn kept(&self, site: &str, proof: Proof, kept: bool) {
        if let Some(run) = lock(&self.sites).get_mut(site) {
            run.watched.kept = kept;
        }
        if kept {
            let circuit = proof.verdict.circuit.clone();
            lock(&self.proofs).entry(site.to_owned()).or_default().insert(circuit, proof);
        }
    }
}

impl LoadSteps for Steps {
    fn start(&self, site: &Arc<Site>, circuit: usize) -> Result<(), StepRefused> {
        let now = self.clock.now();
        let place = self.list.borrow().iter().position(|other| Arc::ptr_eq(other, site));
        let index = SiteIndex(place.ok_or(StepRefused::NoEntry)? as u32);
        let mut sites = lock(&self.sites);
        if let Some(Run { session: Some(session), watched, .. }) = sites.get(&site.id) {
            return Err(StepRefused::Busy {
                circuit: site.circuits.get(session.circuit()).map(|c| c.id.clone()).unwrap_or_default(),
                started: watched.started,
                ends: watched.ends,
            });
        }
        if sites.values().filter(|run| run.session.is_some()).count() >= MOST {
            return Err(StepRefused::TooMany);
        }
        let session = Session::begin(Arc::clone(site), circuit, now).ok_or(StepRefused::NoEntry)?;
        let (progress, _) = session.look(now);
        let watched = Watched {
            site: Arc::clone(site),
            circuit,
            started: now,
            ends: session.ends(),
            progress,
            end: None,
            kept: false,
        };
        sites.insert(site.id.clone(), Run { index, session: Some(session), watched });
        self.settle(&sites);
        Ok(())
    }

    fn state(&self, site: &str) -> Option<Watched> {
        lock(&self.sites).get(site).map(|run| run.watched.clone())
    }

    fn end(&self, site: &str) -> bool {
        let mut sites = lock(&self.sites);
        let Some(run) = sites.get_mut(site).filter(|run| run.session.is_some()) else { return false };
        run.session = None;
        run.watched.end = Some(End::Stopped);
        self.settle(&sites);
        true
    }

    fn proofs(&self, site: &str) -> Vec<Proof> {
        lock(&self.proofs).get(site).map(|proofs| proofs.values().cloned().collect()).unwrap_or_default()
    }
}

fn by_circuit(proofs: Vec<Proof>) -> BTreeMap<String, Proof> {
    proofs.into_iter().map(|proof| (proof.verdict.circuit.clone(), proof)).collect()
}

/// Watches the sites' load steps until it is told to stop.
pub(super) fn start(
    store: &store::Store,
    list: watch::Receiver<Vec<Arc<Site>>>,
    clock: Clock,
    stopped: watch::Receiver<bool>,
) -> Arc<Steps> {
    let steps = Steps::new(&store.reader(), list, clock);
    tokio::spawn(run(Arc::clone(&steps), store.sender(), stopped));
    steps
}

async fn run(steps: Arc<Steps>, writer: mpsc::Sender<Command>, mut stopped: watch::Receiver<bool>) {
    loop {
        tokio::select! {
            () = tokio::time::sleep(EVERY) => {}
            _ = stopped.wait_for(|stop| *stop) => return,
        }
        if !steps.active.load(Ordering::Relaxed) {
            continue;
        }
        let looking = Arc::clone(&steps);
        let Ok(proved) = tokio::task::spawn_blocking(move || looking.look()).await else { continue };
        for (site, id, proof) in proved {
            tracing::info!(
                site = id,
                circuit = proof.verdict.circuit,
                kind = proof.verdict.kind.as_str(),
                "load step"
            );
            let kept = keep(&writer, site, &proof).await;
            if !kept {
                tracing::warn!(site = id, "the store did not take the proof in time");
            }
            steps.kept(&id, proof, kept);
        }
    }
}

/// Writes a proof; whether it is on the disk.
async fn keep(writer: &mpsc::Sender<Command>, site: SiteIndex, proof: &Proof) -> bool {
    let (answer, outcome) = std::sync::mpsc::channel();
    let command = Command::Proof { site, proof: proof.clone(), answer };
    let Ok(Ok(())) = tokio::time::timeout(WRITTEN_WITHIN, writer.send(command)).await else { return false };
    let waited = tokio::task::spawn_blocking(move || outcome.recv_timeout(WRITTEN_WITHIN));
    matches!(waited.await, Ok(Ok(true)))
}
