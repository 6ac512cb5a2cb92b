//! The API's certificate over renewals.

use std::path::PathBuf;
use std::sync::Arc;

use anyhow::{Context as _, Result};
use rustls::ServerConfig;
use tokio::sync::watch;

use crate::clock::Clock;
use crate::status::{Board, Part};
use crate::web::{self, Tls};

/// A certificate and its key, read from files that may be renewed while the daemon runs.
#[derive(Debug)]
pub(super) struct Certificate {
    files: (PathBuf, PathBuf),
    shown: watch::Sender<Arc<ServerConfig>>,
    board: Arc<Board>,
    clock: Clock,
}

impl Certificate {
    /// Reads it for the first time.
    pub(super) fn read(files: (PathBuf, PathBuf), board: Arc<Board>, clock: Clock) -> Result<Self> {
        let config = web::server_config(&files.0, &files.1)
            .context("the API's certificate (web.cert_file and web.key_file)")?;
        Ok(Self { files, shown: watch::Sender::new(config), board, clock })
    }

    /// What connections get from now on.
    pub(super) fn shown(&self) -> Tls {
        self.shown.subscribe()
    }

    /// Reads it again; one that cannot serve leaves the former in place.
    pub(super) fn reload(&self) {
        match web::server_config(&self.files.0, &self.files.1) {
            Ok(config) => {
                self.shown.send_replace(config);
                self.board.report(Part::Certificate, true, "", self.clock.now());
            }
            Err(error) => {
                let why = format!("the former certificate is shown on: {error:#}");
                tracing::error!("{why}");
                self.board.report(Part::Certificate, false, &why, self.clock.now());
            }
        }
    }
}
