//! What hubs are told: Homie devices and announcements, on a connection of its own.
//!
//! Why another connection: each has one last will, and the plain topics' state has that of the
//! first. It also keeps a hub's traffic away from the readings: this one may be slow, and nothing
//! here can hold up an acknowledgement.
//!
//! Commands come in by it too ([`super::orders`]): each is carried out by the intake's thread, kept on
//! the disk, answered and then acknowledged.
//!
//! What is to be said waits in a queue that empties as the connection takes it. While it is not
//! empty nothing new is asked for, so that it never holds more than one round of all sites.

use std::collections::VecDeque;
use std::path::PathBuf;
use std::sync::Arc;
use std::time::Duration;

use anyhow::Result;
use bytes::Bytes;
use tokio::sync::{mpsc, watch};
use tokio::task::JoinHandle;
use tokio::time::{Instant, sleep_until, timeout};

use super::feed::Feed;
use super::kept::Kept;
use super::orders::Orders;
use super::today::{Asked, Today};
use crate::clock::Clock;
use crate::mqtt::{self, Incoming};
use crate::publish::{self, Ledger, Message, Publisher};
use crate::reading::SiteIndex;
use crate::site::Site;
use crate::status::{Board, Part};
use crate::store;
use crate::units::Stamp;

/// How soon a full connection is tried again: some of what it holds has been written by then.
const RETRY: Duration = Duration::from_millis(20);
/// A connection that takes nothing for so long, without breaking, gets the message no more: it is
/// one that it never takes.
const GIVE_UP: Duration = Duration::from_secs(10);
/// The longest sleep, so that a clock that is set is noticed.
const LOOK_EVERY: Duration = Duration::from_secs(1);
/// Within what an orderly stop may take as a whole.
const LEAVE_WITHIN: Duration = Duration::from_secs(2);

/// What it is started with.
pub(super) struct Parts {
    pub broker: mqtt::Options,
    pub publish: publish::Options,
    pub sites: Vec<Arc<Site>>,
    /// Where small files are kept: the store's.
    pub directory: PathBuf,
    pub orders: Option<Orders>,
    pub reader: store::Reader,
    pub board: Arc<Board>,
    pub clock: Clock,
}

/// The running task.
pub(super) struct Handle {
    feed: Feed,
    stop: watch::Sender<bool>,
    task: JoinHandle<()>,
}

impl Handle {
    /// By which it gets the figures.
    pub(super) fn feed(&self) -> Feed {
        self.feed.clone()
    }

    /// Says goodbye on every device and ends the connection.
    pub(super) async fn stop(self) {
        self.stop.send_replace(true);
        if timeout(LEAVE_WITHIN * 2, self.task).await.is_err() {
            tracing::warn!("the hubs' connection did not end in time");
        }
    }
}

/// Starts it, unless there is nothing to tell and nothing to take back.
///
/// # Errors
/// Options that no connection can be made with.
pub(super) fn start(parts: Parts) -> Result<Option<Handle>> {
    let file = Kept::new(&parts.directory, "retained.json");
    let mut ledger: Ledger = file.read()?.unwrap_or_default();
    let publisher = Publisher::for_hubs(parts.publish.clone(), &parts.sites);
    let news = ledger.declare(publisher.retains(parts.clock.now()));
    let idle = parts.publish.homie.is_none() && parts.publish.announce.is_empty() && parts.orders.is_none();
    if idle && !ledger.owes() {
        if news {
            file.write(&ledger)?;
        }
        return Ok(None);
    }
    let settle = parts.broker.keep_alive * 2;
    let filters = parts.orders.as_ref().map_or_else(Vec::new, Orders::filters);
    let (mqtt, incoming) = mqtt::start(parts.broker, filters)?;
    let (stop, stopped) = watch::channel(false);
    let feed = Feed::default();
    let hub = Hub {
        mqtt,
        publisher,
        today: Today::new(parts.reader, parts.clock, &parts.sites),
        feed: feed.clone(),
        orders: parts.orders,
        inbox: VecDeque::new(),
        ledger,
        file,
        unwritten: news,
        settle,
        settled: None,
        queue: VecDeque::new(),
        waiting_since: None,
        board: parts.board,
        clock: parts.clock,
    };
    let task = tokio::spawn(hub.run(incoming, stopped));
    Ok(Some(Handle { feed, stop, task }))
}

struct Hub {
    mqtt: mqtt::Handle,
    publisher: Publisher,
    today: Today,
    feed: Feed,
    orders: Option<Orders>,
    /// Commands that wait for their turn; the connection's batches bound them.
    inbox: VecDeque<mqtt::Message>,
    ledger: Ledger,
    file: Kept,
    /// The ledger differs from its file.
    unwritten: bool,
    /// A connection that has held for so long has taken what was said at its start: its keep-alive
    /// would have found it dead.
    settle: Duration,
    settled: Option<Instant>,
    queue: VecDeque<Message>,
    /// Since when the connection has taken nothing.
    waiting_since: Option<Instant>,
    board: Arc<Board>,
    clock: Clock,
}

impl Hub {
    async fn run(mut self, mut incoming: mpsc::Receiver<Vec<Incoming>>, mut stopped: watch::Receiver<bool>) {
        let feed = self.feed.clone();
        loop {
            self.flush().await;
            if let Some(message) = self.inbox.pop_front() {
                self.obey(message).await;
                continue;
            }
            if let Some(orders) = &mut self.orders {
                orders.write_quietly().await;
            }
            let idle = self.queue.is_empty();
            let wake = self.wake();
            tokio::select! {
                _ = stopped.wait_for(|stop| *stop) => break,
                batch = incoming.recv() => match batch {
                    Some(batch) => batch.into_iter().for_each(|one| self.on_incoming(one)),
                    None => return,
                },
                () = feed.news(), if idle => self.on_news(),
                asked = self.today.answer(), if idle => self.on_today(asked),
                () = sleep_until(wake) => self.on_tick(),
            }
        }
        self.leave().await;
    }

    /// When there is something to do, if nothing happens before.
    fn wake(&self) -> Instant {
        let now = Instant::now();
        if !self.queue.is_empty() {
            return now + RETRY;
        }
        let due = self.publisher.due().map_or(LOOK_EVERY, |due| self.clock.until(due));
        // A simulated clock may run at hundreds of times the wall's.
        now + due.clamp(RETRY, LOOK_EVERY)
    }

    fn on_incoming(&mut self, incoming: Incoming) {
        let now = self.clock.now();
        match incoming {
            Incoming::Up { .. } => {
                self.board.report(Part::Hub, true, "", now);
                self.queue.clear();
                self.queue.extend(self.ledger.take_back());
                self.queue.extend(self.publisher.on_up(now));
                self.settled = Some(Instant::now() + self.settle);
            }
            Incoming::Down { why } => {
                self.board.report(Part::Hub, false, why, now);
                self.publisher.on_down();
                // All of it is said again on the next one.
                self.queue.clear();
                self.settled = None;
            }
            Incoming::Refused { filters } => {
                let why = format!(
                    "the broker does not let this user subscribe to {}: extend its access list",
                    filters.join(", ")
                );
                tracing::error!("{why}");
                self.board.report(Part::Hub, false, why, now);
            }
            Incoming::Message(message) => self.inbox.push_back(message),
        }
    }

    /// Carries a command out, answers it, and only then acknowledges it.
    async fn obey(&mut self, message: mqtt::Message) {
        let Some(orders) = &mut self.orders else { return };
        let now = self.clock.now();
        if let Some(outcome) = orders.obey(&message, &self.board, now).await {
            self.queue.extend(outcome.answer);
            if let Some(property) = outcome.property {
                let result = outcome.result.as_ref().map(|settings| *settings).map_err(String::as_str);
                self.queue.extend(self.publisher.on_command(outcome.site, property, result));
            }
        }
        self.mqtt.ack(message.ack);
    }

    fn on_news(&mut self) {
        let now = self.clock.now();
        let table = self.feed.take();
        if let Some(sites) = table.sites {
            self.queue.extend(self.publisher.on_sites(&sites));
            self.unwritten |= self.ledger.declare(self.publisher.retains(now));
            self.today.on_sites(&sites);
            if let Some(orders) = &mut self.orders {
                orders.on_sites(&sites);
                self.mqtt.set_filters(orders.filters());
            }
        }
        for (place, flows) in table.flows.into_iter().enumerate() {
            let Some((flows, guidance)) = flows else { continue };
            let site = SiteIndex(place as u32);
            if let Some(orders) = &mut self.orders {
                orders.follow(site, &guidance);
            }
            self.queue.extend(self.publisher.on_flows(site, &flows, &guidance, &Bytes::new(), now));
        }
    }

    fn on_today(&mut self, asked: Option<Asked>) {
        if let Some(Asked { site, today }) = asked {
            self.queue.extend(self.publisher.on_today(site, &today));
        }
    }

    fn on_tick(&mut self) {
        if self.queue.is_empty() {
            let now = self.clock.now();
            self.queue.extend(self.publisher.on_tick(now));
        }
        if self.settled.is_some_and(|settled| Instant::now() >= settled) {
            self.settled = None;
            self.unwritten |= self.ledger.taken_back();
        }
    }

    /// Hands the queue to the connection, as far as that takes it. What is retained is written down
    /// first.
    async fn flush(&mut self) {
        for message in &self.queue {
            if message.retain && !message.payload.is_empty() {
                self.unwritten |= self.ledger.hold(&message.topic);
            }
        }
        if std::mem::take(&mut self.unwritten) {
            self.write_ledger().await;
        }
        while let Some(message) = self.queue.front() {
            let (topic, payload) = (&message.topic, message.payload.clone());
            if self.mqtt.publish(topic, payload, mqtt::Qos::AtLeastOnce, message.retain) {
                self.board.counters.messages_published.inc();
                self.queue.pop_front();
                self.waiting_since = None;
            } else if self.waiting_since.get_or_insert_with(Instant::now).elapsed() > GIVE_UP {
                tracing::error!("the broker's connection does not take {topic:?}: it is left out");
                self.queue.pop_front();
                self.waiting_since = None;
            } else {
                return;
            }
        }
    }

    async fn write_ledger(&mut self) {
        let (file, ledger) = (self.file.clone(), self.ledger.clone());
        match tokio::task::spawn_blocking(move || file.write(&ledger)).await {
            Ok(Ok(())) => {}
            Ok(Err(error)) => {
                tracing::error!("{error:#}: what is retained now may stay at the broker when it is gone");
            }
            Err(error) => tracing::error!("the ledger was not written: {error}"),
        }
    }

    async fn leave(mut self) {
        let now: Stamp = self.clock.now();
        self.queue.extend(self.publisher.on_shutdown(now));
        let until = Instant::now() + LEAVE_WITHIN;
        loop {
            self.flush().await;
            if self.queue.is_empty() || Instant::now() >= until {
                break;
            }
            tokio::time::sleep(RETRY).await;
        }
        let left = self.mqtt.shutdown(until.saturating_duration_since(Instant::now()).max(RETRY * 10)).await;
        if left && self.ledger.taken_back() {
            self.write_ledger().await;
        }
    }
}
