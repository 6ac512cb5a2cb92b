//! Where readings go: the running daemon, or the store itself where none runs.

use std::sync::mpsc;
use std::time::Duration;

use super::batches::{Batch, FOR_THE_DAEMON, FOR_THE_STORE};
use crate::cli::Exit;
use crate::cli::house::{House, Refusal};
use crate::cli::now::client::{Client, Failure};
use crate::clock::Clock;
use crate::exchange::ReadingsCsv;
use crate::store::{self, Command, Event, Import, Imported, Store};
use crate::web::exchange::over;

/// How often a group is sent again to a daemon that does not take it at once (its disk may be busy with a
/// seal), and how long it is given in between.
const TRIES: u32 = 10;
const PAUSE: Duration = Duration::from_secs(3);

/// An open target.
pub(super) enum Target {
    Daemon { client: Client, runtime: tokio::runtime::Runtime },
    Store { store: Store, events: mpsc::Receiver<Event> },
}

impl Target {
    /// The store, if nobody else has it; else the daemon that does.
    pub(super) fn open(house: &House) -> Result<Self, Refusal> {
        let (tell, events) = mpsc::channel();
        let settings = &house.settings;
        let centrals = settings.central.iter().map(|central| central.name.clone()).collect();
        // Only the daemon lets go of what has been kept for its time.
        let keep = store::Keep::default();
        let options = store::Options { directory: settings.store.directory.clone(), centrals, keep };
        match Store::open(options, &house.sites, Box::new(move |event| drop(tell.send(event)))) {
            Ok(store) => {
                // What a daemon left unsealed is sealed as it would do, so that what is over is in blocks.
                let before = over(Clock::wall().now());
                let target = Self::Store { store, events };
                target.command(Command::Seal { before })?;
                Ok(target)
            }
            Err(store::Error::Held { .. }) => {
                let client =
                    Client::here(settings).map_err(|failure| Refusal::new(failure.exit, failure.why))?;
                let runtime = tokio::runtime::Builder::new_current_thread()
                    .enable_all()
                    .build()
                    .map_err(|error| Refusal::new(Exit::Short, error))?;
                Ok(Self::Daemon { client, runtime })
            }
            Err(error) => Err(Refusal::of_store(error)),
        }
    }

    /// What it is called in the report.
    pub(super) fn name(&self) -> &'static str {
        match self {
            Self::Daemon { .. } => "the daemon",
            Self::Store { .. } => "the store",
        }
    }

    /// How many readings it is given at once.
    pub(super) fn most(&self) -> usize {
        match self {
            Self::Daemon { .. } => FOR_THE_DAEMON,
            Self::Store { .. } => FOR_THE_STORE,
        }
    }

    fn command(&self, command: Command) -> Result<(), Refusal> {
        let Self::Store { store, .. } = self else { return Ok(()) };
        let gone = || Refusal::new(Exit::Short, "the store's thread is gone");
        store.sender().blocking_send(command).map_err(|_| gone())
    }

    /// Puts a group into the store; when this returns it is on the disk.
    pub(super) fn put(&mut self, house: &House, batch: Batch) -> Result<Imported, Refusal> {
        match self {
            Self::Daemon { client, runtime } => {
                let site = house.site();
                let csv = ReadingsCsv::new(site, &house.zone);
                let body = batch
                    .iter()
                    .fold(ReadingsCsv::header(), |text, (c, sample)| text + &csv.row(*c, *sample));
                runtime.block_on(send(client, &site.id, body))
            }
            Self::Store { .. } => {
                let (reply, answer) = mpsc::channel();
                let limit = over(Clock::wall().now());
                self.command(Command::Import(Import { site: house.index, readings: batch, limit, reply }))?;
                self.wait(&answer)
            }
        }
    }

    fn wait(&self, answer: &mpsc::Receiver<Imported>) -> Result<Imported, Refusal> {
        let Self::Store { events, .. } = self else { return Ok(Imported::default()) };
        loop {
            match answer.recv_timeout(Duration::from_millis(200)) {
                Ok(done) => return Ok(done),
                Err(mpsc::RecvTimeoutError::Disconnected) => {
                    let why = "the store did not take it; `panelwright store check` says more";
                    return Err(Refusal::new(Exit::Short, why));
                }
                Err(mpsc::RecvTimeoutError::Timeout) => {}
            }
            for event in events.try_iter() {
                if let Event::Trouble { why } = event {
                    return Err(Refusal::new(Exit::Short, format!("the store takes nothing: {why}")));
                }
            }
        }
    }

    /// Ends; what is in is in.
    pub(super) fn close(self) {
        if let Self::Store { store, events } = self {
            let _ = store.sender().blocking_send(Command::Flush);
            // Whatever comes in between; the thread ends only after it.
            while let Ok(event) = events.recv() {
                if let Event::Damaged { what } = &event {
                    eprintln!("panelwright: {what}");
                }
                if event == Event::Flushed {
                    break;
                }
            }
            store.close();
        }
    }
}

async fn send(client: &Client, site: &str, body: String) -> Result<Imported, Refusal> {
    let mut tries = 0;
    loop {
        match client.import(site, body.clone()).await {
            Ok(done) => return Ok(done),
            Err(Failure { exit: Exit::Away, .. }) if tries < TRIES => {
                tries += 1;
                tokio::time::sleep(PAUSE).await;
            }
            Err(Failure { exit, why, .. }) => {
                let why = format!("{why}; run it again later: what is in is in, and doubles are harmless");
                return Err(Refusal::new(exit, why));
            }
        }
    }
}
