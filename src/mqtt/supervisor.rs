//! The task that owns the connection: it polls it, batches what comes in, subscribes, and begins
//! again when it breaks.
//!
//! Three rules keep it from locking up:
//! - The library's poll is never dropped half way, or connecting would start over without end.
//! - This task never waits for room in the queue of requests, which only its own polling empties.
//! - It waits for its consumer only when its own batch is full. Under QoS 1 the window of
//!   unacknowledged messages fits into the batch, so that even with a consumer that has stopped
//!   (a full disk) the connection's pings go on. A flood of QoS 0 is held up in the socket.

use std::collections::{HashMap, HashSet, VecDeque};
use std::future::poll_fn;
use std::hash::{BuildHasher, RandomState};
use std::pin::{Pin, pin};
use std::sync::atomic::{AtomicUsize, Ordering};
use std::sync::{Arc, Mutex};
use std::task::Poll;
use std::time::Duration;

use bytes::Bytes;
use tokio::select;
use tokio::sync::mpsc::error::TrySendError;
use tokio::sync::{mpsc, watch};
use tokio::time::{Instant, Interval, MissedTickBehavior, interval};

use super::backlog::Backlog;
use super::backoff::Backoff;
use super::handle::{Control, Current, Phase, lock};
use super::link::{Broken, Client, Event, Link, Plan};
use super::{AckToken, BATCH, Incoming, Message};
use crate::reading::Delivery;
use crate::units::Stamp;

/// Filters in one SUBSCRIBE, at most: brokers limit the packet, and some the count.
const FILTERS_AT_ONCE: usize = 32;

/// Messages that share one look at the clock while the socket has more: they were all in its
/// buffer together.
const ARRIVE_TOGETHER: usize = 64;

/// Keep-alive periods without any sign of life from the library, not even a ping of ours: it is
/// stuck in a write to a dead peer, which it does not time out itself.
const STUCK_AFTER: u32 = 3;

/// How long a broker may take to close the connection after our goodbye; within the 5 s that the
/// whole program has for its end.
const PART_WITHIN: Duration = Duration::from_secs(1);

/// The task's state over all connections.
pub(super) struct Supervisor {
    plan: Plan,
    sender: mpsc::Sender<Vec<Incoming>>,
    orders: watch::Receiver<Control>,
    current: Arc<Mutex<Option<Current>>>,
    batch: Vec<Incoming>,
    /// Length of the batch at which reading stops: the window, and one batch more of QoS 0.
    hold: usize,
    epoch: u32,
    /// What the broker has confirmed for this session.
    subscribed: HashSet<String>,
}

/// How a connection ended.
enum End {
    Left,
    Broken(Broken),
}

impl Supervisor {
    pub(super) fn new(
        plan: Plan,
        sender: mpsc::Sender<Vec<Incoming>>,
        orders: watch::Receiver<Control>,
        current: Arc<Mutex<Option<Current>>>,
    ) -> Self {
        let hold = plan.window().max(usize::from(plan.options.receive_maximum)) + BATCH;
        let (batch, epoch, subscribed) = (Vec::new(), 0, HashSet::new());
        Self { plan, sender, orders, current, batch, hold, epoch, subscribed }
    }

    /// Connects again and again until it is told to leave.
    pub(super) async fn run(mut self) {
        let (random, mut backoff, mut forget) = (RandomState::new(), Backoff::default(), false);
        loop {
            self.epoch = self.epoch.wrapping_add(1);
            let (client, link) = self.plan.connect(forget);
            let mut connection = Connection::new(&mut self, client, forget);
            let end = connection.run(link).await;
            let up_since = connection.up_since;
            *lock(&self.current) = None;
            let Broken { why, too_large } = match end {
                End::Left => return,
                End::Broken(broken) => broken,
            };
            if forget && up_since.is_some() {
                // That connection was only there to end a session; the next one is the real one.
                forget = false;
                continue;
            }
            forget |= too_large;
            let held = up_since.map_or(Duration::ZERO, |since| since.elapsed());
            let whole = format!("{}:{}: {why}", self.plan.options.host, self.plan.options.port);
            self.batch.push(Incoming::Down { why: whole });
            if self.hand_over().await.is_err()
                || self.rest(backoff.pause(held, random.hash_one(self.epoch))).await
            {
                return;
            }
        }
    }

    /// Waits until the consumer has taken the batch; an error if the task is to leave.
    async fn hand_over(&mut self) -> Result<(), ()> {
        let batch = std::mem::take(&mut self.batch);
        select! {
            _ = leaving(&mut self.orders) => Err(()),
            // Nobody listens any more: publishing goes on.
            _ = self.sender.send(batch) => Ok(()),
        }
    }

    /// Waits before the next attempt; true if the task is to leave.
    async fn rest(&mut self, pause: Duration) -> bool {
        tokio::time::timeout(pause, leaving(&mut self.orders)).await.is_ok()
    }
}

/// Waits until the task is to leave (or the last handle is gone).
async fn leaving(orders: &mut watch::Receiver<Control>) {
    let _ = orders.wait_for(|control| control.phase == Phase::Leaving).await;
}

/// Waits until there is room, or nobody listens any more.
async fn room(sender: &mpsc::Sender<Vec<Incoming>>) {
    let _ = sender.reserve().await;
}

/// Reads on after the goodbye until the broker closes the connection, as it must. To close a socket
/// in which its last acknowledgements lie unread would reset the connection, and with it throw away
/// what the broker has not read yet, the goodbye included.
async fn part(link: &mut Link) {
    let _ = tokio::time::timeout(PART_WITHIN, async { while link.next().await.is_ok() {} }).await;
}

/// One connection, from the first attempt to its end.
struct Connection<'a> {
    home: &'a mut Supervisor,
    client: Client,
    /// It is made only to end the broker's session.
    to_forget: bool,
    queued: Arc<AtomicUsize>,
    up_since: Option<Instant>,
    backlog: Option<Backlog>,
    arrival: Stamp,
    /// Messages since the last look at the clock.
    arrived: usize,
    watchdog: Pin<Box<Interval>>,
    /// Ticks of the watchdog since anything happened.
    idle: u32,
    /// Subscriptions and ends of such, in the order in which they were queued.
    asking: VecDeque<Asking>,
    asked: HashMap<u16, Asking>,
    /// Filters that a subscription is on its way for, or was refused.
    pending: HashSet<String>,
    phase: Phase,
    leaving: bool,
}

#[derive(Debug)]
enum Asking {
    Subscribe(Vec<String>),
    Unsubscribe(String),
}

impl<'a> Connection<'a> {
    fn new(home: &'a mut Supervisor, client: Client, to_forget: bool) -> Self {
        let phase = home.orders.borrow().phase;
        let mut watchdog = interval(home.plan.options.keep_alive);
        watchdog.set_missed_tick_behavior(MissedTickBehavior::Delay);
        Self {
            client,
            to_forget,
            queued: Arc::default(),
            up_since: None,
            backlog: None,
            arrival: home.plan.options.clock.now(),
            arrived: 0,
            watchdog: Box::pin(watchdog),
            idle: 0,
            asking: VecDeque::new(),
            asked: HashMap::new(),
            pending: HashSet::new(),
            phase,
            leaving: false,
            home,
        }
    }

    async fn run(&mut self, mut link: Link) -> End {
        loop {
            match self.next(&mut link).await {
                Ok(Some(Event::DisconnectSent)) => {
                    part(&mut link).await;
                    let anew = || Broken::because("the session is begun anew".into());
                    return if self.leaving { End::Left } else { End::Broken(anew()) };
                }
                Ok(Some(event)) => self.on_event(event),
                Ok(None) => return End::Left,
                Err(broken) => {
                    // QoS 1 comes again; QoS 0 that is already here would be lost.
                    for event in link.leftovers() {
                        if matches!(event, Event::Message { packet: None, .. }) {
                            self.on_event(event);
                        }
                    }
                    return if self.leaving { End::Left } else { End::Broken(broken) };
                }
            }
        }
    }

    /// The next event of the link. Meanwhile the batch is handed on whenever the socket has run
    /// dry, and orders are followed. `None`: leave at once, there is no connection to take leave of.
    async fn next(&mut self, link: &mut Link) -> Result<Option<Event>, Broken> {
        let mut next = pin!(link.next());
        loop {
            if self.home.batch.len() >= BATCH {
                self.offer();
            }
            let full = self.home.batch.len() >= self.home.hold;
            if !full {
                let ready = poll_fn(|context| Poll::Ready(next.as_mut().poll(context))).await;
                if let Poll::Ready(event) = ready {
                    return event.map(Some);
                }
                self.offer();
            }
            let waiting = !self.home.batch.is_empty();
            select! {
                changed = self.home.orders.changed() => {
                    if changed.is_err() || self.follow_orders() {
                        return Ok(None);
                    }
                }
                // Wakes when there is room; the place itself is taken by the next offer.
                () = room(&self.home.sender), if waiting => self.offer(),
                event = &mut next, if !full => {
                    self.arrived = ARRIVE_TOGETHER;
                    return event.map(Some);
                }
                _ = self.watchdog.tick() => {
                    self.idle = if full { 0 } else { self.idle + 1 };
                    if self.idle > STUCK_AFTER {
                        return Err(Broken::because("the connection is stuck: the broker takes nothing".into()));
                    }
                }
            }
        }
    }

    /// Hands the batch on if there is room.
    fn offer(&mut self) {
        if self.home.batch.is_empty() {
            return;
        }
        match self.home.sender.try_send(std::mem::take(&mut self.home.batch)) {
            Ok(()) | Err(TrySendError::Closed(_)) => {}
            Err(TrySendError::Full(batch)) => self.home.batch = batch,
        }
    }

    fn on_event(&mut self, event: Event) {
        self.idle = 0;
        self.home.plan.options.pace.count();
        match event {
            Event::Up { session_present } => self.on_up(session_present),
            Event::Message { topic, payload, packet, retained, again } => {
                self.on_message(topic, payload, packet, retained, again);
            }
            Event::PublishSent => {
                self.queued.fetch_sub(1, Ordering::Relaxed);
            }
            Event::AckSent => {
                if let Some(backlog) = &mut self.backlog {
                    backlog.acknowledged(Instant::now);
                }
            }
            Event::Asked(packet) => {
                if let Some(asking) = self.asking.pop_front() {
                    self.asked.insert(packet, asking);
                }
            }
            Event::Subscribed { packet, refused } => self.on_subscribed(packet, &refused),
            Event::Unsubscribed { packet } => {
                if let Some(Asking::Unsubscribe(filter)) = self.asked.remove(&packet) {
                    self.home.subscribed.remove(&filter);
                    // It may have been asked for again in the meantime.
                    self.subscribe();
                }
            }
            Event::DisconnectSent | Event::Other => {}
        }
    }

    fn on_up(&mut self, session_present: bool) {
        let now = Instant::now();
        self.up_since = Some(now);
        if !session_present {
            self.home.subscribed.clear();
        }
        if self.to_forget {
            self.client.disconnect();
            return;
        }
        self.backlog = Some(Backlog::new(session_present, self.home.plan.window(), now));
        // The subscriptions are queued first: whoever publishes after this hears himself.
        self.follow_orders();
        let (epoch, client, queued) = (self.home.epoch, self.client.clone(), Arc::clone(&self.queued));
        *lock(&self.home.current) = Some(Current { epoch, client, queued });
        self.home.batch.push(Incoming::Up { epoch, session_present });
    }

    fn on_message(&mut self, topic: Bytes, payload: Bytes, packet: Option<u16>, retained: bool, again: bool) {
        // Not acknowledged either: the broker keeps it for the next start.
        if self.phase != Phase::Running || self.home.sender.is_closed() {
            return;
        }
        self.arrived += 1;
        if self.arrived >= ARRIVE_TOGETHER {
            self.arrived = 0;
            self.arrival = self.home.plan.options.clock.now();
        }
        let queued = self.backlog.as_mut().is_some_and(|it| it.holds(packet.is_some(), Instant::now));
        let delivery = match (retained, again || queued) {
            (true, _) => Delivery::Retained,
            (false, true) => Delivery::Backlog,
            (false, false) => Delivery::Live,
        };
        let ack = packet.map(|packet| AckToken { epoch: self.home.epoch, packet });
        let arrival = self.arrival;
        self.home.batch.push(Incoming::Message(Message { topic, payload, arrival, delivery, ack }));
    }

    fn on_subscribed(&mut self, packet: u16, refused: &[usize]) {
        let Some(Asking::Subscribe(filters)) = self.asked.remove(&packet) else { return };
        let mut not = Vec::new();
        for (position, filter) in filters.into_iter().enumerate() {
            if refused.contains(&position) {
                not.push(filter);
            } else {
                self.pending.remove(&filter);
                self.home.subscribed.insert(filter);
            }
        }
        self.tell_refused(not);
        self.unsubscribe();
    }

    fn tell_refused(&mut self, filters: Vec<String>) {
        if !filters.is_empty() {
            self.home.batch.push(Incoming::Refused { filters });
        }
    }

    /// Does what the handle asks; true if there is nothing left to do but to leave.
    fn follow_orders(&mut self) -> bool {
        let phase = self.home.orders.borrow_and_update().phase;
        self.phase = phase;
        if phase == Phase::Leaving && !self.leaving {
            self.leaving = true;
            // Queued behind every acknowledgement and publication that was queued before.
            return self.up_since.is_none() || !self.client.disconnect();
        }
        if self.up_since.is_some() && phase == Phase::Running {
            self.subscribe();
            self.unsubscribe();
        }
        false
    }

    fn subscribe(&mut self) {
        let wanted = self.home.orders.borrow().filters.clone();
        let missing =
            |filter: &String| !self.home.subscribed.contains(filter) && !self.pending.contains(filter);
        let missing: Vec<String> = wanted.into_iter().filter(missing).collect();
        for filters in missing.chunks(FILTERS_AT_ONCE) {
            self.pending.extend(filters.iter().cloned());
            if self.client.subscribe(filters) {
                self.asking.push_back(Asking::Subscribe(filters.to_vec()));
            } else {
                self.tell_refused(filters.to_vec());
            }
        }
    }

    fn unsubscribe(&mut self) {
        let wanted: HashSet<String> = self.home.orders.borrow().filters.iter().cloned().collect();
        let ending = |filter: &&String| {
            !self
                .asking
                .iter()
                .chain(self.asked.values())
                .any(|asking| matches!(asking, Asking::Unsubscribe(other) if other == *filter))
        };
        let gone: Vec<String> = self.home.subscribed.difference(&wanted).filter(ending).cloned().collect();
        for filter in gone {
            if self.client.unsubscribe(&filter) {
                self.asking.push_back(Asking::Unsubscribe(filter));
            }
        }
    }
}
