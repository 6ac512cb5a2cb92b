//! Who may ask the API, over changes of the password and the tokens.

use std::sync::Arc;

use anyhow::{Result, bail};
use tokio::sync::watch;

use crate::clock::Clock;
use crate::status::{Board, Part};
use crate::web::access::Options;

/// Reads who may ask again; the error says what is wrong with the settings or a file that they name.
pub type ReadAccess = Box<dyn Fn() -> Result<Options> + Send + Sync>;

/// The password and the tokens, from files that may be changed while the daemon runs.
pub(super) struct Access {
    read: Option<ReadAccess>,
    shown: watch::Sender<Arc<Options>>,
    board: Arc<Board>,
    clock: Clock,
}

impl Access {
    /// As it is at the start.
    pub(super) fn new(options: Options, read: Option<ReadAccess>, board: Arc<Board>, clock: Clock) -> Self {
        Self { read, shown: watch::Sender::new(Arc::new(options)), board, clock }
    }

    /// What counts from now on.
    pub(super) fn shown(&self) -> watch::Receiver<Arc<Options>> {
        self.shown.subscribe()
    }

    /// Reads it again; what is bad leaves the former in place.
    pub(super) fn reload(&self) {
        let Some(read) = &self.read else { return };
        match read().and_then(|fresh| self.take(fresh)) {
            Ok(changed) => {
                if changed {
                    tracing::info!("the password or the tokens were changed");
                }
                self.board.report(Part::Access, true, "", self.clock.now());
            }
            Err(error) => {
                let why = format!("the former password and tokens hold on: {error:#}");
                tracing::error!("{why}");
                self.board.report(Part::Access, false, &why, self.clock.now());
            }
        }
    }

    /// Puts password and tokens to use; whether they are others. All else of the API is settled at the start.
    fn take(&self, fresh: Options) -> Result<bool> {
        let now = Arc::clone(&self.shown.borrow());
        if fresh.password.is_some() != now.password.is_some() {
            // Whether there is a door at all also decides where it may listen, and whether commands have a key.
            bail!("whether there is a password is settled at the start: restart the daemon");
        }
        if fresh.password == now.password && fresh.tokens == now.tokens {
            return Ok(false);
        }
        let (password, tokens) = (fresh.password, fresh.tokens);
        self.shown.send_replace(Arc::new(Options { password, tokens, ..Options::clone(&now) }));
        Ok(true)
    }
}
