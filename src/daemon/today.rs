//! The energies of each site's local day so far, looked up in turns.

use std::sync::Arc;
use std::time::Duration;

use tokio::task::JoinHandle;
use tokio::time::{Instant, sleep_until};

use crate::calendar::{By, Zone, intervals};
use crate::clock::Clock;
use crate::history::energy;
use crate::publish;
use crate::reading::SiteIndex;
use crate::site::Site;
use crate::store;
use crate::units::Span;

/// How often each site's day is looked up, of the site's own time: minutes close one a minute.
const EVERY: Duration = Duration::from_secs(60);
/// The shortest time between two look-ups, however fast a simulated clock runs.
const AT_LEAST: Duration = Duration::from_millis(200);
/// Look-ups take at most a tenth of one core: each is followed by a pause of ten times its length.
const PAUSE: u32 = 10;

/// Asks the store for one site at a time.
pub(super) struct Today {
    reader: store::Reader,
    clock: Clock,
    sites: Vec<Arc<Site>>,
    next: usize,
    due: Instant,
    started: Instant,
    asking: Option<JoinHandle<Option<Asked>>>,
}

/// An answer.
pub(super) struct Asked {
    pub(super) site: SiteIndex,
    pub(super) today: Arc<publish::Today>,
}

impl Today {
    pub(super) fn new(reader: store::Reader, clock: Clock, sites: &[Arc<Site>]) -> Self {
        let now = Instant::now();
        Self { reader, clock, sites: sites.to_vec(), next: 0, due: now, started: now, asking: None }
    }

    /// The maps were read again; an answer that is under way is of the former ones.
    pub(super) fn on_sites(&mut self, sites: &[Arc<Site>]) {
        self.sites = sites.to_vec();
        self.asking = None;
        self.due = Instant::now();
    }

    /// The next answer, when its time has come; `None` where there is none to give. May be dropped
    /// while it waits.
    pub(super) async fn answer(&mut self) -> Option<Asked> {
        if self.asking.is_none() {
            sleep_until(self.due).await;
            self.ask();
        }
        let asking = self.asking.as_mut()?;
        let answer = asking.await.ok().flatten();
        self.asking = None;
        let turn = (EVERY / self.sites.len().max(1) as u32).div_f64(self.clock.speed());
        self.due = Instant::now() + turn.max(self.started.elapsed() * PAUSE).max(AT_LEAST);
        answer
    }

    fn ask(&mut self) {
        self.started = Instant::now();
        let place = self.next % self.sites.len().max(1);
        self.next = place + 1;
        let (reader, now) = (self.reader.clone(), self.clock.now());
        let site = self.sites.get(place).filter(|site| !site.id.is_empty()).cloned();
        self.asking = Some(tokio::task::spawn_blocking(move || {
            let (site, index) = (site?, SiteIndex(place as u32));
            let zone = Zone::new(&site.time_zone).ok()?;
            let day = zone.day_start(zone.day_of(now))..now + Span(1);
            let day = intervals(&zone, By::Day, site.billing_day, day).ok()?;
            match energy(&site, &zone, &mut reader.source(index), day.get(..1)?) {
                Ok(mut summaries) => {
                    let today = publish::Today { summary: summaries.pop()?, at: now };
                    Some(Asked { site: index, today: Arc::new(today) })
                }
                Err(error) => {
                    // A site that the store does not know yet; it is asked again at its next turn.
                    tracing::debug!("the day of {} cannot be looked up: {error}", site.id);
                    None
                }
            }
        }));
    }
}
