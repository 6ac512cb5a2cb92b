//! The intake's thread: from the broker through the engine to the store, and back as
//! acknowledgements, topics and the live stream.
//!
//! One task owns everything here and does one thing at a time; it waits for the network, the store
//! and the clock together, and for none of them alone. When the store does not take a batch, it
//! goes on publishing and stops taking in readings once there is no room; the broker holds the rest.

use std::sync::Arc;
use std::time::Duration;

use anyhow::{Context, Result, bail};
use bytes::Bytes;
use tokio::sync::{Notify, mpsc, oneshot, watch};
use tokio::time::{Instant, sleep_until, timeout_at};

use super::batches::Batches;
use super::live::Live;
use super::maps::Maps;
use super::notify::Notifier;
use super::steps::Steps;
use crate::clock::Clock;
use crate::engine::{Effect, Engine, Event};
use crate::flow::ClosedMinute;
use crate::mqtt::{self, AckToken, Incoming};
use crate::reading::{Complaints, Router, SiteIndex};
use crate::site::Site;
use crate::status::{Board, Part};
use crate::store::{self, Command, Store};
use crate::surplus;
use crate::units::{Span, Stamp};

/// The shortest real time between two ticks: a simulated clock may run at hundreds of times the
/// wall's, and nobody can look at more than some 20 figures a second.
const TICK_AT_LEAST: Duration = Duration::from_millis(50);
/// How long after its hour a reading is expected to be there before the hour is sealed. One that
/// comes later is merged; this only keeps that rare.
const SEAL_AFTER: Span = Span::from_seconds(60);
/// Time for the last batch and the last messages of an orderly stop; shorter than what the whole
/// stop may take.
const DRAIN_WITHIN: Duration = Duration::from_secs(4);
/// How often the slow facts (silent channels, lag) are put on the board.
const SURVEY_EVERY: Duration = Duration::from_secs(5);

/// What the daemon's owner can ask for.
#[derive(Debug)]
pub(super) enum Control {
    /// Read the maps again.
    Reload(oneshot::Sender<Result<()>>),
    /// Lead a charger: site by its id, command, answer.
    Lead(String, surplus::Command, oneshot::Sender<Result<surplus::Settings, surplus::Refused>>),
    /// What the audit finds at a site, as the body of its topic.
    Findings(SiteIndex, Bytes),
    /// Stop in order.
    Stop,
}

/// What the thread is given.
pub(super) struct Parts {
    pub broker: mqtt::Options,
    pub router: Router,
    pub late_window: Span,
    pub engine: Engine,
    pub store: Store,
    pub live: Live,
    /// Load steps, which look at readings too.
    pub steps: Arc<Steps>,
    pub maps: Maps,
    pub board: Arc<Board>,
    pub clock: Clock,
    pub notifier: Notifier,
    pub commit_every: Duration,
    pub sites_out: watch::Sender<Arc<Vec<Arc<Site>>>>,
    pub central_sites_out: watch::Sender<Vec<Arc<Site>>>,
    pub wakers: Vec<Arc<Notify>>,
    /// Minutes that the replay of the journal closed.
    pub minutes: Vec<(SiteIndex, ClosedMinute)>,
}

/// Rebuilds the engine's state from the journal, in the order in which it was written; gives the
/// minutes that closed meanwhile.
pub(super) fn replay(store: &Store, engine: &mut Engine) -> Result<Vec<(SiteIndex, ClosedMinute)>> {
    let (mut effects, mut minutes) = (Vec::new(), Vec::new());
    let mut newest = Stamp::MIN;
    store
        .replay(|reading| {
            // Time passes as it did then, so that ticks close as they did and memory stays small.
            if reading.sample.at >= newest + Span::TICK {
                newest = reading.sample.at;
                engine.apply(Event::Tick, newest, &mut effects);
            }
            engine.apply(Event::Reading(reading), newest, &mut effects);
            minutes.extend(effects.drain(..).filter_map(|effect| match effect {
                Effect::Minute(site, minute) => Some((site, minute)),
                _ => None,
            }));
        })
        .context("cannot read the store's journal: run `panelwright store check`")?;
    Ok(minutes)
}

/// Runs the intake until it is told to stop.
pub(super) fn thread(
    parts: Parts,
    events: mpsc::Receiver<store::Event>,
    control: mpsc::Receiver<Control>,
) -> Result<()> {
    // The thread is this connection's alone, so it may rest between two wake-ups.
    let pace = Arc::clone(&parts.broker.pace);
    let runtime = tokio::runtime::Builder::new_current_thread()
        .enable_all()
        .on_thread_park(move || pace.rest())
        .build()?;
    runtime.block_on(async move {
        let (mqtt, incoming) = mqtt::start(parts.broker.clone(), parts.router.filters())?;
        let mut intake = Intake::new(parts, mqtt);
        let result = intake.run(incoming, events, control).await;
        intake.store.close();
        result
    })
}

struct Intake {
    mqtt: mqtt::Handle,
    pace: Arc<mqtt::Pace>,
    router: Router,
    late_window: Span,
    engine: Engine,
    store: Store,
    live: Live,
    steps: Arc<Steps>,
    maps: Maps,
    board: Arc<Board>,
    clock: Clock,
    notifier: Notifier,
    sites_out: watch::Sender<Arc<Vec<Arc<Site>>>>,
    central_sites_out: watch::Sender<Vec<Arc<Site>>>,
    wakers: Vec<Arc<Notify>>,
    batches: Batches<AckToken>,
    /// When each batch under way was handed over, for the commit's histogram.
    handed: std::collections::VecDeque<(u64, Instant)>,
    complaints: Complaints,
    effects: Vec<Effect>,
    readings: Vec<crate::reading::Reading>,
    sealed: Stamp,
    /// What the store keeps, where it is not all.
    kept: String,
    seal: Option<Stamp>,
    next_tick: Instant,
    next_survey: Instant,
    next_alive: Option<Instant>,
}

impl Intake {
    fn new(parts: Parts, mqtt: mqtt::Handle) -> Self {
        let now = Instant::now();
        let mut batches = Batches::new(parts.commit_every);
        for (site, minute) in parts.minutes {
            batches.minute(site, minute, now);
        }
        Self {
            mqtt,
            pace: parts.broker.pace,
            router: parts.router,
            late_window: parts.late_window,
            engine: parts.engine,
            store: parts.store,
            live: parts.live,
            steps: parts.steps,
            maps: parts.maps,
            board: parts.board,
            clock: parts.clock,
            sites_out: parts.sites_out,
            central_sites_out: parts.central_sites_out,
            wakers: parts.wakers,
            batches,
            handed: std::collections::VecDeque::new(),
            complaints: Complaints::new(),
            effects: Vec::new(),
            readings: Vec::new(),
            sealed: Stamp::MIN,
            kept: String::new(),
            seal: None,
            next_tick: now,
            next_survey: now,
            next_alive: parts.notifier.alive_every().map(|every| now + every),
            notifier: parts.notifier,
        }
    }

    async fn run(
        &mut self,
        mut incoming: mpsc::Receiver<Vec<Incoming>>,
        mut events: mpsc::Receiver<store::Event>,
        mut control: mpsc::Receiver<Control>,
    ) -> Result<()> {
        self.notifier.ready(&format!("{} sites", self.maps.visible().len()));
        let commands = self.store.sender();
        loop {
            let now = Instant::now();
            let window = self.mqtt.window().unwrap_or(usize::MAX);
            let due = self.batches.due(now, window);
            // From here on the broker may be waiting for acknowledgements.
            self.pace.hurry(self.batches.unacknowledged() > window / 2);
            let deadline = self.batches.deadline().unwrap_or(now + SURVEY_EVERY);
            tokio::select! {
                biased;
                command = control.recv() => match command {
                    Some(Control::Reload(answer)) => {
                        // An owner that is gone needs no answer.
                        let _ = answer.send(self.reload(&commands).await);
                    }
                    Some(Control::Lead(site, command, answer)) => {
                        let _ = answer.send(self.lead(&site, command));
                    }
                    Some(Control::Findings(site, body)) => {
                        let messages = self.live.on_findings(site, body);
                        self.publish(messages);
                    }
                    Some(Control::Stop) | None => break,
                },
                event = events.recv() => match event {
                    Some(event) => self.on_store(event),
                    None => bail!("the store's thread is gone"),
                },
                permit = commands.reserve(), if due || self.seal.is_some() => {
                    let Ok(permit) = permit else { bail!("the store's thread is gone") };
                    if let Some(command) = self.next_command(due) {
                        permit.send(command);
                    }
                }
                () = sleep_until(self.next_tick) => self.on_tick(),
                () = sleep_until(deadline), if !due => {}
                batch = incoming.recv(), if self.batches.has_room() => match batch {
                    Some(batch) => self.on_incoming(batch),
                    None => bail!("the connection's task is gone"),
                },
            }
        }
        self.stop(incoming, events, commands).await
    }

    fn next_command(&mut self, due: bool) -> Option<Command> {
        if due && let Some(batch) = self.batches.take() {
            self.handed.push_back((batch.ticket, Instant::now()));
            return Some(Command::Commit(batch));
        }
        self.seal.take().map(|before| Command::Seal { before })
    }

    fn on_incoming(&mut self, batch: Vec<Incoming>) {
        let now = Instant::now();
        let arrival = self.clock.now();
        for incoming in batch {
            match incoming {
                Incoming::Message(message) => self.on_message(message, now),
                Incoming::Refused { filters } => {
                    let why = format!(
                        "the broker does not let this user subscribe to {}: extend its access list",
                        filters.join(", ")
                    );
                    tracing::error!("{why}");
                    self.board.report(Part::Broker, false, why, arrival);
                }
                Incoming::Up { session_present, .. } => {
                    tracing::info!(session_present, "connected to the broker");
                    self.board.report(Part::Broker, true, "", arrival);
                    let messages = self.live.on_up(arrival);
                    self.publish(messages);
                }
                Incoming::Down { why } => {
                    tracing::warn!("the broker is away: {why}");
                    self.board.report(Part::Broker, false, why, arrival);
                    self.board.counters.broker_disconnections.inc();
                    self.live.on_down();
                }
            }
        }
        let waiting = self.batches.unacknowledged() as i64;
        self.board.counters.messages_unacknowledged.set(waiting);
    }

    fn on_message(&mut self, message: mqtt::Message, now: Instant) {
        self.board.counters.messages_received.inc();
        let arrival = message.arrival;
        let (topic, payload) = (message.topic(), message.payload.as_ref());
        let outcome = self.router.decode(topic, payload, arrival, message.delivery, &mut self.readings);
        for (reason, count) in outcome.refusals() {
            self.board.refused(reason.as_str(), u64::from(count));
            if let Some(line) = self.complaints.note(arrival, reason, topic, payload) {
                tracing::warn!("{line}");
            }
        }
        self.board.counters.readings_accepted.inc_by(u64::from(outcome.accepted));
        self.steps.offer(&self.readings);
        for reading in self.readings.drain(..) {
            self.engine.apply(Event::Reading(reading), arrival, &mut self.effects);
        }
        self.carry_out(arrival, now);
        if let Some(ack) = message.ack {
            self.batches.ack(ack, now);
        }
    }

    /// Carries out a command for a charger; what follows shows in the next tick's figures.
    fn lead(&mut self, site: &str, command: surplus::Command) -> Result<surplus::Settings, surplus::Refused> {
        let list = self.maps.list();
        let found = list.iter().position(|other| other.id == site);
        let place = found.filter(|place| self.maps.is_present(*place));
        let place = place.ok_or(surplus::Refused::NoSuchCharger)?;
        let settings = self.engine.command(SiteIndex(place as u32), command, self.clock.now())?;
        tracing::info!(site, ev = command.ev.0, order = ?command.order, "a charger is led otherwise");
        Ok(settings)
    }

    fn on_tick(&mut self) {
        let (now, moment) = (Instant::now(), self.clock.now());
        self.engine.apply(Event::Tick, moment, &mut self.effects);
        self.carry_out(moment, now);
        let messages = self.live.on_tick(moment);
        self.publish(messages);

        if let Some(accounted) = self.engine.accounted() {
            let hour = (accounted - SEAL_AFTER).floor(Span::HOUR);
            if hour > self.sealed {
                self.sealed = hour;
                self.seal = Some(hour);
            }
        }
        if now >= self.next_survey {
            self.next_survey = now + SURVEY_EVERY;
            self.survey(moment);
        }
        if let (Some(alive), Some(every)) = (self.next_alive, self.notifier.alive_every())
            && now >= alive
        {
            self.next_alive = Some(now + every);
            self.notifier.alive();
        }
        let next = moment.floor(Span::TICK) + Span::TICK;
        self.next_tick = now + self.clock.until(next).max(TICK_AT_LEAST);
    }

    fn carry_out(&mut self, moment: Stamp, now: Instant) {
        let mut effects = std::mem::take(&mut self.effects);
        for effect in effects.drain(..) {
            match effect {
                Effect::Keep(reading) => self.batches.keep(reading, now),
                Effect::Minute(site, minute) => {
                    self.board.counters.minutes_closed.inc();
                    self.batches.minute(site, minute, now);
                }
                Effect::Late(site, range) => self.batches.late(site, range, now),
                Effect::Live(site, flows, guidance) if self.maps.is_present(site.0 as usize) => {
                    let messages = self.live.on_flows(site, &flows, &guidance, moment);
                    self.publish(messages);
                    if self.live.wants_channels(site) {
                        let values = self.engine.channels(site, moment);
                        self.live.on_channels(site, flows.at, &values);
                    }
                }
                Effect::Live(..) => {}
            }
        }
        self.effects = effects;
    }

    fn publish(&mut self, messages: Vec<crate::publish::Message>) {
        for message in messages {
            // A message that finds no room is made good by the next one of its topic, or after the
            // next connection: every figure is kept in the publisher's own table.
            if self.mqtt.publish(&message.topic, message.payload, mqtt::Qos::AtLeastOnce, message.retain) {
                self.board.counters.messages_published.inc();
            }
        }
    }

    fn on_store(&mut self, event: store::Event) {
        let moment = self.clock.now();
        match event {
            store::Event::Committed { ticket, readings } => {
                self.mqtt.ack(self.batches.committed(ticket));
                while let Some((other, handed)) = self.handed.front()
                    && *other <= ticket
                {
                    self.board.counters.commit_seconds.observe(handed.elapsed().as_secs_f64());
                    self.handed.pop_front();
                }
                self.board.counters.batches_committed.inc();
                self.board.counters.readings_committed.inc_by(readings as u64);
                self.board.counters.messages_unacknowledged.set(self.batches.unacknowledged() as i64);
                self.board.report(Part::Store, true, self.kept.clone(), moment);
                self.wakers.iter().for_each(|waker| waker.notify_one());
            }
            store::Event::Trouble { why } => {
                tracing::error!("the store takes nothing: {why}; readings stay unacknowledged until it does");
                self.board.report(Part::Store, false, why, moment);
            }
            store::Event::Recovered => {
                tracing::info!("the store takes readings again");
                self.board.report(Part::Store, true, self.kept.clone(), moment);
            }
            store::Event::Kept(retention) => {
                self.kept = retention.to_string();
                self.board.report(Part::Store, true, self.kept.clone(), moment);
            }
            store::Event::Damaged { what } => tracing::error!("the store is damaged: {what}"),
            store::Event::Rederived { site, day, derived, left } => {
                self.board.counters.days_rederived.inc_by(u64::from(derived));
                self.board.rederiving(&site, left, moment);
                if left == 0 {
                    tracing::info!(site, "its splits are derived again under the corrected map");
                } else {
                    let day = day.seconds();
                    tracing::debug!(site, day, left, "the splits of a day were derived again");
                }
            }
            store::Event::Corrected { left } => {
                self.board.counters.minutes_to_correct.set(i64::try_from(left).unwrap_or(i64::MAX));
                self.wakers.iter().for_each(|waker| waker.notify_one());
            }
            store::Event::Sealed { .. } | store::Event::Flushed => {
                self.wakers.iter().for_each(|waker| waker.notify_one());
            }
        }
    }

    fn survey(&mut self, moment: Stamp) {
        if let Some(accounted) = self.engine.accounted() {
            self.board.counters.tick_lag_seconds.set((moment - accounted).as_seconds());
        }
        for (place, site) in self.maps.list().iter().enumerate() {
            if !self.maps.is_present(place) {
                continue;
            }
            let silent = self.engine.stale(SiteIndex(place as u32), moment);
            let names: Vec<_> =
                silent.iter().take(8).map(|index| site.channels[index.0 as usize].name.as_str()).collect();
            let more = if silent.len() > names.len() { ", …" } else { "" };
            let why = match silent.len() {
                0 => String::new(),
                count => format!("{count} without a fresh value: {}{more}", names.join(", ")),
            };
            self.board.channels_stale(&site.id, silent.len());
            self.board.report(Part::Channels(site.id.clone()), silent.is_empty(), why, moment);
        }
    }

    async fn reload(&mut self, commands: &mpsc::Sender<Command>) -> Result<()> {
        self.notifier.reloading();
        let before = self.maps.visible();
        let result = self.maps.reload();
        let moment = self.clock.now();
        let visible = self.maps.visible();
        match &result {
            Ok(()) => {
                let list = self.maps.list();
                // What was taken in under the former map goes to the store before the new one.
                if let Some(batch) = self.batches.take() {
                    self.handed.push_back((batch.ticket, Instant::now()));
                    commands.send(Command::Commit(batch)).await.context("the store's thread is gone")?;
                }
                commands.send(Command::Sites(list.clone())).await.context("the store's thread is gone")?;
                let forms = super::notes::forms(&self.maps, moment);
                commands.send(forms).await.context("the store's thread is gone")?;
                self.engine.replace(&list);
                self.router = Router::with_late_window(&list, self.late_window);
                self.mqtt.set_filters(self.router.filters());
                let messages = self.live.on_sites(&list, &self.maps);
                self.publish(messages);
                self.sites_out.send_replace(Arc::new(visible.clone()));
                self.central_sites_out.send_replace(list);
                for gone in before.iter().filter(|old| visible.iter().all(|site| site.id != old.id)) {
                    self.board.forget(&Part::Channels(gone.id.clone()));
                }
                self.board.report(Part::Maps, true, "", moment);
                tracing::info!(sites = visible.len(), "the maps were read again");
            }
            Err(error) => {
                tracing::error!("the maps stay as they were: {error:#}");
                self.board.report(Part::Maps, false, format!("reload refused: {error:#}"), moment);
            }
        }
        self.notifier.ready(&format!("{} sites", visible.len()));
        result
    }

    /// What came is committed and acknowledged, the topics say that nobody is there.
    async fn stop(
        &mut self,
        incoming: mpsc::Receiver<Vec<Incoming>>,
        mut events: mpsc::Receiver<store::Event>,
        commands: mpsc::Sender<Command>,
    ) -> Result<()> {
        self.notifier.stopping();
        let deadline = Instant::now() + DRAIN_WITHIN;
        self.mqtt.stop_intake();
        // What is still in this queue was not promised; the broker sends it again.
        drop(incoming);
        self.engine.apply(Event::Tick, self.clock.now(), &mut self.effects);
        self.carry_out(self.clock.now(), Instant::now());
        if let Some(batch) = self.batches.take() {
            self.handed.push_back((batch.ticket, Instant::now()));
            let _ = timeout_at(deadline, commands.send(Command::Commit(batch))).await;
        }
        while !self.batches.is_idle() {
            match timeout_at(deadline, events.recv()).await {
                Ok(Some(event)) => self.on_store(event),
                Ok(None) => break,
                Err(_) => {
                    tracing::error!(
                        "the store did not take the last readings in time; the broker keeps them"
                    );
                    break;
                }
            }
        }
        let messages = self.live.on_shutdown(self.clock.now());
        self.publish(messages);
        let left = deadline.saturating_duration_since(Instant::now()).max(Duration::from_millis(200));
        self.mqtt.shutdown(left).await;
        Ok(())
    }
}
