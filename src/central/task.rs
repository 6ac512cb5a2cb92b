//! The task of one central store.

use std::sync::Arc;

use tokio::sync::{Notify, watch};

use super::{Options, Outbox, Progress};
use crate::clock::Clock;
use crate::site::Site;

/// Hold of the task of one central store.
#[derive(Debug)]
pub struct Handle {
    progress: watch::Receiver<Progress>,
    wake: Arc<Notify>,
    stop: watch::Sender<bool>,
    task: tokio::task::JoinHandle<()>,
}

impl Handle {
    /// How it is doing; changes can be waited for.
    pub fn progress(&self) -> watch::Receiver<Progress> {
        self.progress.clone()
    }

    /// What tells it that the outbox has something new (`notify_one`). Without it the task looks
    /// every few seconds.
    pub fn waker(&self) -> Arc<Notify> {
        self.wake.clone()
    }

    /// Ends the task: a request on its way is given up (its points are written again after the
    /// next start). Returns when the task is over.
    pub async fn shutdown(self) {
        // An error means that the task is over already.
        let _ = self.stop.send(true);
        let _ = self.task.await;
    }
}

/// What keeps a central store's task from starting: its settings.
#[derive(Debug, thiserror::Error)]
pub enum StartError {
    /// The file of authorities cannot be used.
    #[error("central store {name}: cannot use the CA file {path:?}: {why}")]
    CaFile {
        /// Name of the central store.
        name: String,
        /// The file.
        path: std::path::PathBuf,
        /// What is wrong with it.
        why: String,
    },
    /// The HTTP client cannot be made.
    #[error("central store {name}: cannot make an HTTP client for {url}: {why}")]
    Client {
        /// Name of the central store.
        name: String,
        /// The server's address.
        url: String,
        /// What is wrong.
        why: String,
    },
}

/// Starts the task of one central store, on the current tokio runtime.
///
/// `sites` is the list that marks index into; it may be replaced at a reload.
pub fn start<O: Outbox>(
    options: Options,
    sites: watch::Receiver<Vec<Arc<Site>>>,
    outbox: O,
    clock: Clock,
) -> Result<Handle, StartError> {
    let (report, progress) = watch::channel(Progress::default());
    let (stop, mut stopped) = watch::channel(false);
    let wake = Arc::new(Notify::new());
    let task = tokio::spawn(async move {
        let _held = (options, sites, outbox, clock, report);
        let _ = stopped.wait_for(|stop| *stop).await;
    });
    Ok(Handle { progress, wake, stop, task })
}
