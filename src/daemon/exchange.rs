//! The store's side of downloads and uploads.

use std::sync::Arc;
use std::sync::mpsc;
use std::time::Duration;

use tokio::sync::watch;

use crate::clock::Clock;
use crate::reading::SiteIndex;
use crate::site::Site;
use crate::store::{self, Command};
use crate::web;

/// How long an upload may wait for the disk: shorter than what the API gives an answer.
const WAIT: Duration = Duration::from_secs(9);

/// Answers downloads.
pub(super) fn exporter(
    reader: store::Reader,
    list: watch::Receiver<Vec<Arc<Site>>>,
    clock: Clock,
) -> web::Exporter {
    Arc::new(move |query| {
        let place = list.borrow().iter().position(|site| site.id == query.site.id);
        let Some(place) = place else {
            return Err(web::HistoryError::Failed(format!("the store knows no site {}", query.site.id)));
        };
        web::exchange::answer(query, clock.now(), &mut reader.source(SiteIndex(place as u32)))
    })
}

/// Puts uploads into the store.
pub(super) fn importer(
    store: &store::Store,
    list: watch::Receiver<Vec<Arc<Site>>>,
    clock: Clock,
) -> web::Importer {
    // Weak: whoever asks must not keep the store's thread from ending.
    let commands = store.sender().downgrade();
    Arc::new(move |site, readings| {
        let place = list.borrow().iter().position(|other| other.id == site.id);
        let (Some(place), Some(commands)) = (place, commands.upgrade()) else {
            return Err("the store takes nothing any more".to_owned());
        };
        let (reply, answer) = mpsc::channel();
        let limit = web::exchange::over(clock.now());
        let import = store::Import { site: SiteIndex(place as u32), readings, limit, reply };
        let send = commands.blocking_send(Command::Import(import));
        drop(commands);
        send.map_err(|_| "the store takes nothing any more".to_owned())?;
        answer.recv_timeout(WAIT).map_err(|_| "the store has not taken it yet".to_owned())
    })
}
