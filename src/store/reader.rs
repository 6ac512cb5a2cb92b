//! Reading, beside the writer or without it.

use std::path::Path;
use std::sync::Arc;

use crate::reading::{Reading, SiteIndex};
use crate::site::{ChannelIndex, Site};
use crate::units::Stamp;

use super::catalog::Catalog;
use super::shared::Shared;
use super::{FILE_NAME, Result, Source, journal, schema};

/// Reads the store from any thread. Cheap to clone.
#[derive(Clone, Debug)]
pub struct Reader {
    shared: Arc<Shared>,
}

impl Reader {
    pub(super) fn new(shared: Arc<Shared>) -> Self {
        Self { shared }
    }

    /// A reader of a store that another process may have open, or none.
    ///
    /// # Errors
    /// When there is no store, or one that this version cannot read.
    pub fn offline(directory: &Path, sites: &[Arc<Site>]) -> Result<Self> {
        let path = directory.join(FILE_NAME);
        let db = schema::open_read_only(&path)?;
        let catalog = Catalog::look_up(&db, sites)?;
        let shared = Shared::offline(path, catalog);
        shared.give_back(db);
        Ok(Self::new(Arc::new(shared)))
    }

    pub(super) fn shared(&self) -> &Shared {
        &self.shared
    }

    /// What the store says of a site, as of the first question put to it.
    pub fn source(&self, site: SiteIndex) -> Source {
        Source::new(Arc::clone(&self.shared), site)
    }
}

/// Gives every reading of the journal, row by row, each row by time.
pub(super) fn replay(shared: &Shared, mut each: impl FnMut(Reading)) -> Result<()> {
    let db = shared.connection()?;
    let catalog = shared.catalog();
    let mut statement = db.prepare("SELECT from_ds, body FROM journal ORDER BY seq")?;
    let mut rows = statement.query([])?;
    while let Some(row) = rows.next()? {
        // What does not decode is set aside by the writer as it starts.
        let Ok(mut readings) =
            journal::decode(Stamp(row.get(0)?), row.get_ref(1)?.as_blob().map_err(rusqlite::Error::from)?)
        else {
            continue;
        };
        readings.sort_by_key(|kept| kept.sample.at);
        for kept in readings {
            if let Some((site, series)) = catalog.series_of(kept.series) {
                each(Reading { site, channel: ChannelIndex(series.0), sample: kept.sample });
            }
        }
    }
    Ok(())
}
