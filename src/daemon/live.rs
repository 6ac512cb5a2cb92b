//! Live figures on their way out: one body a site and tick, to the broker and to every viewer.

use std::sync::Arc;

use bytes::Bytes;
use tokio::sync::watch;

use super::feed::Feed;
use super::guided::Guided;
use super::maps::Maps;
use crate::central::Progress;
use crate::clock::Clock;
use crate::flow::Flows;
use crate::publish::{self, Message, Publisher, now_body};
use crate::reading::SiteIndex;
use crate::site::Site;
use crate::status::{Board, Part};
use crate::surplus::Guidance;
use crate::units::{Stamp, Watts};
use crate::web::{self, NowTable};

/// The publisher, and the table that viewers watch.
pub(super) struct Live {
    publisher: Publisher,
    sites: Vec<Arc<Site>>,
    bodies: Vec<watch::Sender<Bytes>>,
    table: watch::Sender<Arc<NowTable>>,
    /// What each channel shows: made only while somebody looks.
    channels: Vec<watch::Sender<Bytes>>,
    channel_table: watch::Sender<Arc<NowTable>>,
    /// To whoever tells the hubs, if anybody does.
    feed: Option<Feed>,
    board: Arc<Board>,
    guided: Guided,
}

impl Live {
    pub fn new(
        options: publish::Options,
        sites: &[Arc<Site>],
        (table, channel_table): (watch::Sender<Arc<NowTable>>, watch::Sender<Arc<NowTable>>),
        feed: Option<Feed>,
        board: Arc<Board>,
    ) -> Self {
        let mut live = Self {
            publisher: Publisher::new(options, sites),
            sites: Vec::new(),
            bodies: Vec::new(),
            table,
            channels: Vec::new(),
            channel_table,
            feed,
            board,
            guided: Guided::default(),
        };
        live.lay_out(sites, |_| true);
        live
    }

    fn lay_out(&mut self, sites: &[Arc<Site>], present: impl Fn(usize) -> bool) {
        self.sites = sites.to_vec();
        let shown: Vec<usize> = (0..sites.len()).filter(|place| present(*place)).collect();
        for (bodies, table) in [(&mut self.bodies, &self.table), (&mut self.channels, &self.channel_table)] {
            bodies.resize_with(sites.len(), || watch::channel(Bytes::new()).0);
            let of = |place: &usize| (sites[*place].id.clone(), bodies[*place].subscribe());
            table.send_replace(Arc::new(shown.iter().map(of).collect()));
        }
    }

    /// Whether somebody looks at what the channels of a site show.
    pub fn wants_channels(&self, site: SiteIndex) -> bool {
        // The table has one receiver of each itself.
        self.channels[site.0 as usize].receiver_count() > 1
    }

    /// What the channels of a site show.
    pub fn on_channels(&mut self, site: SiteIndex, at: Stamp, values: &[Option<Watts>]) {
        let place = site.0 as usize;
        self.channels[place].send_replace(web::channels_body(&self.sites[place], at, values));
    }

    /// New figures: the body that this makes is the one that everybody gets.
    pub fn on_flows(
        &mut self,
        site: SiteIndex,
        flows: &Flows,
        guidance: &Arc<Guidance>,
        now: Stamp,
    ) -> Vec<Message> {
        let place = site.0 as usize;
        self.guided.on_guidance(site, &self.sites[place], guidance, &self.board, now);
        let body = Bytes::from(now_body(&self.sites[place], flows, guidance));
        self.bodies[place].send_replace(body.clone());
        if let Some(feed) = &self.feed {
            feed.put(site, flows, guidance);
        }
        self.publisher.on_flows(site, flows, guidance, &body, now)
    }

    pub fn on_tick(&mut self, now: Stamp) -> Vec<Message> {
        self.publisher.on_tick(now)
    }

    /// What the audit finds at a site.
    pub fn on_findings(&mut self, site: SiteIndex, body: Bytes) -> Vec<Message> {
        self.publisher.on_findings(site, body)
    }

    pub fn on_up(&mut self, now: Stamp) -> Vec<Message> {
        self.board.report(Part::Publish, true, "", now);
        self.publisher.on_up(now)
    }

    pub fn on_down(&mut self) {
        self.publisher.on_down();
    }

    /// Maps were read again: a site that is gone is taken back from topics and viewers.
    pub fn on_sites(&mut self, sites: &[Arc<Site>], maps: &Maps) -> Vec<Message> {
        // To the publisher a place without a map is a site without a name, which takes back what
        // was said of the one that it was.
        let nameless = |place: usize, site: &Arc<Site>| {
            if maps.is_present(place) {
                Arc::clone(site)
            } else {
                Arc::new(Site { id: String::new(), ..(**site).clone() })
            }
        };
        let published: Vec<_> = sites.iter().enumerate().map(|(place, site)| nameless(place, site)).collect();
        self.lay_out(sites, |place| maps.is_present(place));
        let messages = self.publisher.on_sites(&published);
        if let Some(feed) = &self.feed {
            feed.put_sites(published);
        }
        messages
    }

    pub fn on_shutdown(&mut self, now: Stamp) -> Vec<Message> {
        self.publisher.on_shutdown(now)
    }
}

/// Puts a central store's progress on the board whenever it changes.
pub(super) fn watch_central(
    name: String,
    mut progress: watch::Receiver<Progress>,
    board: Arc<Board>,
    clock: Clock,
) {
    tokio::spawn(async move {
        loop {
            let (well, why, behind) = {
                let progress = progress.borrow_and_update();
                let failure = progress.last_failure.as_ref().filter(|_| !progress.is_well());
                let why = failure.map_or(String::new(), |failure| failure.why.clone());
                (progress.is_well(), why, progress.behind.marks)
            };
            board.report(Part::Central(name.clone()), well, why, clock.now());
            board.central_behind(&name, behind);
            if progress.changed().await.is_err() {
                return;
            }
        }
    });
}
