//! What the daemon holds of a central store's task.

use std::path::PathBuf;
use std::sync::Arc;

use tokio::sync::{Notify, watch};

use super::Progress;

/// Hold of the task of one central store; dropping it ends the task.
#[derive(Debug)]
pub struct Handle {
    pub(super) progress: watch::Receiver<Progress>,
    pub(super) wake: Arc<Notify>,
    pub(super) stop: watch::Sender<bool>,
    pub(super) task: tokio::task::JoinHandle<()>,
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
        path: PathBuf,
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
    /// The address is not one of an HTTP server.
    #[error(
        "central store {name}: {url} is not an address; write https://host or http://host, with the path before /api/v2/write if there is one"
    )]
    Address {
        /// Name of the central store.
        name: String,
        /// The address.
        url: String,
    },
    /// A tag cannot be written.
    #[error("central store {name}: tag {tag:?}: {why}")]
    Tag {
        /// Name of the central store.
        name: String,
        /// The tag's name.
        tag: String,
        /// What is wrong with it.
        why: &'static str,
    },
}
