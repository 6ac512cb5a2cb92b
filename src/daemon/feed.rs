//! From the intake to whoever tells the hubs: the latest figures of each site, and the sites.
//!
//! A table, not a queue: who is slow gets the newest, and the intake waits for nobody.

use std::sync::{Arc, Mutex, MutexGuard, PoisonError};

use tokio::sync::Notify;

use crate::flow::Flows;
use crate::reading::SiteIndex;
use crate::site::Site;
use crate::surplus::Guidance;

/// Cheap to clone; both ends have one.
#[derive(Clone, Debug, Default)]
pub(super) struct Feed {
    table: Arc<Mutex<Table>>,
    news: Arc<Notify>,
}

/// What is new since it was last taken.
#[derive(Debug, Default)]
pub(super) struct Table {
    /// The sites by their place, if the maps were read again.
    pub(super) sites: Option<Vec<Arc<Site>>>,
    /// New figures by their site's place, under the maps above.
    pub(super) flows: Vec<Option<(Flows, Arc<Guidance>)>>,
}

impl Feed {
    /// New figures of a site; they replace those that nobody took yet.
    pub(super) fn put(&self, site: SiteIndex, flows: &Flows, guidance: &Arc<Guidance>) {
        let mut table = self.table();
        let place = site.0 as usize;
        if table.flows.len() <= place {
            table.flows.resize(place + 1, None);
        }
        table.flows[place] = Some((flows.clone(), Arc::clone(guidance)));
        self.news.notify_one();
    }

    /// The maps were read again. Figures of the former ones go: their indices are of those maps.
    pub(super) fn put_sites(&self, sites: Vec<Arc<Site>>) {
        let mut table = self.table();
        *table = Table { sites: Some(sites), flows: Vec::new() };
        self.news.notify_one();
    }

    /// Waits until there is something to take.
    pub(super) async fn news(&self) {
        self.news.notified().await;
    }

    /// Takes all that is new.
    pub(super) fn take(&self) -> Table {
        std::mem::take(&mut *self.table())
    }

    /// A panic while it was held cannot have left it half written.
    fn table(&self) -> MutexGuard<'_, Table> {
        self.table.lock().unwrap_or_else(PoisonError::into_inner)
    }
}

#[cfg(test)]
mod tests {
    use super::*;
    use crate::units::Stamp;

    #[tokio::test]
    async fn the_newest_is_what_is_taken() {
        let feed = Feed::default();
        let flows = |at| Flows { at: Stamp(at), ..Flows::default() };
        let put = |site, at| feed.put(SiteIndex(site), &flows(at), &Arc::default());
        put(1, 10);
        put(0, 10);
        put(1, 20);
        feed.news().await;
        let table = feed.take();
        assert!(table.sites.is_none());
        let taken = table.flows.iter().flatten().map(|(flows, _)| flows.at);
        assert_eq!(taken.collect::<Vec<_>>(), [Stamp(10), Stamp(20)]);
        assert!(feed.take().flows.is_empty());

        put(0, 30);
        feed.put_sites(Vec::new());
        let table = feed.take();
        assert!(table.sites.is_some() && table.flows.is_empty(), "figures of the former maps are gone");
    }
}
