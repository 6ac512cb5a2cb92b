//! Notes: read from the store, written by its one writer, and made as maps change.

use std::sync::Arc;
use std::time::Duration;

use tokio::runtime::Handle;
use tokio::sync::{mpsc, watch};

use crate::calendar::Zone;
use crate::history::map_form;
use crate::reading::SiteIndex;
use crate::site::Site;
use crate::store::{self, Command};
use crate::units::Stamp;
use crate::web;

use super::maps::Maps;

/// How long a note may take to reach the disk, its place in the queue included; the API's answer has
/// ten seconds.
const WRITTEN_WITHIN: Duration = Duration::from_secs(6);

/// Reads and writes notes for the API. Called on threads that may block.
pub(super) fn access(
    reader: store::Reader,
    writer: mpsc::Sender<Command>,
    list: watch::Receiver<Vec<Arc<Site>>>,
) -> web::Notes {
    let place = move |id: &str| {
        let place = list.borrow().iter().position(|site| site.id == id);
        place.map(|place| SiteIndex(place as u32)).ok_or_else(|| format!("the store knows no site {id}"))
    };
    let (of_list, of_change) = (place.clone(), place);
    let runtime = Handle::current();
    web::Notes {
        list: Arc::new(move |id, range| reader.notes(of_list(id)?, range).map_err(|error| error.to_string())),
        change: Arc::new(move |id, change| {
            let (answer, outcome) = std::sync::mpsc::channel();
            let command = Command::Note { site: of_change(id)?, change, answer };
            // The queue is full while the disk takes nothing.
            let sent =
                runtime.block_on(async { tokio::time::timeout(WRITTEN_WITHIN, writer.send(command)).await });
            match sent {
                Ok(Ok(())) => {}
                Ok(Err(_)) => return Err("the store is closed".to_owned()),
                Err(_) => {
                    return Err("the store takes nothing at the moment; the note was not written".to_owned());
                }
            }
            outcome.recv_timeout(WRITTEN_WITHIN).map_err(|_| {
                "the store did not write the note in time; it may still do so: look before you add it again"
                    .to_owned()
            })
        }),
    }
}

/// The forms of the maps in force, for the store to note what changed.
pub(super) fn forms(maps: &Maps, at: Stamp) -> Command {
    let present = maps.list().into_iter().enumerate().filter(|(place, _)| maps.is_present(*place));
    let forms = present.map(|(place, site)| {
        // A map names a zone that exists, or it would not be in force.
        let zone = Zone::new(&site.time_zone).unwrap_or_else(|_| Zone::utc());
        (SiteIndex(place as u32), map_form(&site, &zone))
    });
    Command::Maps { at, forms: forms.collect() }
}
