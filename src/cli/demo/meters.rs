//! The simulated meters: a real MQTT client that publishes, at QoS 1, what the CTs measured.

use std::net::SocketAddr;
use std::ops::Range;
use std::sync::Arc;
use std::time::Duration;

use anyhow::{Context, Result, bail};
use rumqttc::v5::mqttbytes::QoS;
use rumqttc::v5::{AsyncClient, Event, EventLoop, Incoming, MqttOptions};
use tokio::sync::{mpsc, watch};
use tokio::task::JoinHandle;

use super::{screen, switch};
use crate::clock::Clock;
use crate::sim::{Devices, Ledger, Simulation, Switch};
use crate::site::Site;
use crate::units::{Span, Stamp};

/// Messages that may wait for the connection: some seconds of the house at the highest speed.
const QUEUE: usize = 20_000;
/// Switchings that may wait for the next second: more than anybody does by hand in one.
const SWITCHINGS: usize = 32;
/// How long the broker may take to acknowledge the last messages.
const ACKNOWLEDGED_WITHIN: Duration = Duration::from_secs(10);

/// What the meters sent.
#[derive(Clone, Debug)]
pub(super) struct Sent {
    /// What the truth covers: from the first second that counts to the end of the last.
    pub range: Range<Stamp>,
    /// Messages.
    pub messages: u64,
    /// Readings in them.
    pub readings: u64,
    /// What was so.
    pub truth: Ledger,
    /// By how much the meters were behind the clock at worst.
    pub behind: Span,
}

/// The meters at work.
pub(super) struct Meters {
    stop: watch::Sender<bool>,
    task: JoinHandle<Result<Sent>>,
}

impl Meters {
    /// Connects, and starts to send with the next moment at which the periods of all devices begin
    /// together, so that every channel covers the same time.
    ///
    /// With history before it, it goes on from there (`follows`) and catches up, so that no gap is left.
    /// In a store that is used again the minute of the start may hold an earlier demo's readings, so
    /// the truth is counted from the next one.
    pub(super) async fn start(
        site: &Arc<Site>,
        mut simulation: Simulation,
        broker: SocketAddr,
        clock: Clock,
        follows: Option<Stamp>,
        used_again: bool,
    ) -> Result<Self> {
        let devices = Devices::new(site)?;
        let period = common_period(site);
        // The house lives through its day until now before anybody looks at it.
        tokio::task::block_in_place(|| simulation.second(follows.unwrap_or_else(|| clock.now())).map(drop))?;
        let start = ceiling(follows.unwrap_or_else(|| clock.now()), period);
        let counted = if used_again { ceiling(start, Span::MINUTE) } else { start };

        let mut options = MqttOptions::new("heron-lane-meters", broker.ip().to_string(), broker.port());
        options.set_keep_alive(Duration::from_secs(30));
        let (client, events) = AsyncClient::new(options, QUEUE);
        let (acknowledged, acks) = watch::channel(Ok(0));
        let (switched, switchings) = mpsc::channel(SWITCHINGS);
        client.subscribe(switch::FILTER, QoS::AtLeastOnce).await?;
        tokio::spawn(poll(events, acknowledged, switched));
        let (stop, stopped) = watch::channel(false);
        let run = Run { simulation, devices, clock, period, client, acks, switchings, stopped };
        Ok(Self { stop, task: tokio::spawn(run.send(start, counted)) })
    }

    /// Ends after a whole period, once the broker has acknowledged everything.
    pub(super) async fn stop(self) -> Result<Sent> {
        self.stop.send_replace(true);
        self.task.await.context("the meters ended early")?
    }
}

fn ceiling(at: Stamp, unit: Span) -> Stamp {
    (at + Span(unit.0 - 1)).floor(unit)
}

/// The least time that is a whole number of periods of every device.
fn common_period(site: &Site) -> Span {
    let gcd = |mut a: i64, mut b: i64| {
        while b != 0 {
            (a, b) = (b, a % b);
        }
        a
    };
    let periods = site.devices.iter().map(|device| device.every.0.max(Span::TICK.0));
    Span(periods.fold(Span::TICK.0, |all, period| all / gcd(all, period) * period))
}

struct Run {
    simulation: Simulation,
    devices: Devices,
    clock: Clock,
    period: Span,
    client: AsyncClient,
    /// Messages acknowledged, or why the connection ended.
    acks: watch::Receiver<Result<u64, String>>,
    /// What somebody switched by hand: circuit and state.
    switchings: mpsc::Receiver<(String, Switch)>,
    stopped: watch::Receiver<bool>,
}

impl Run {
    async fn send(mut self, start: Stamp, counted: Stamp) -> Result<Sent> {
        let (mut at, mut messages, mut readings) = (start, 0, 0);
        let (mut truth, mut behind, mut caught_up) = (Ledger::default(), Span::ZERO, false);
        loop {
            let end = at + Span::TICK;
            tokio::time::sleep(self.clock.until(end)).await;
            let late = self.clock.now() - end;
            caught_up |= late <= self.period;
            if caught_up {
                behind = behind.max(late);
            }
            while let Ok((circuit, to)) = self.switchings.try_recv() {
                let known = self.simulation.switch(&circuit, to);
                screen::switched(&circuit, known.then_some(to));
            }
            let second = self.simulation.second(at)?;
            if at >= counted {
                truth.add(&second.truth);
            }
            let mut due = Vec::new();
            readings += self.devices.messages(second, |message| due.push(message));
            for message in due {
                self.client.publish(message.topic, QoS::AtLeastOnce, false, message.payload).await?;
                messages += 1;
            }
            at = end;
            if let Err(why) = &*self.acks.borrow() {
                bail!("the meters lost the broker: {why}");
            }
            if *self.stopped.borrow() && at.floor(self.period) == at {
                break;
            }
        }
        self.acknowledged(messages).await?;
        self.client.disconnect().await?;
        Ok(Sent { range: counted..at, messages, readings, truth, behind })
    }

    async fn acknowledged(&mut self, messages: u64) -> Result<()> {
        let all = self.acks.wait_for(|acks| acks.as_ref().map_or(true, |count| *count >= messages));
        let acks = tokio::time::timeout(ACKNOWLEDGED_WITHIN, all)
            .await
            .context("the broker did not acknowledge every message of the meters")??;
        if let Err(why) = &*acks {
            bail!("the meters lost the broker: {why}");
        }
        Ok(())
    }
}

/// Drives the connection and counts acknowledgements until it ends. The broker is in this process:
/// a connection that breaks will not come back.
async fn poll(
    mut events: EventLoop,
    acknowledged: watch::Sender<Result<u64, String>>,
    switched: mpsc::Sender<(String, Switch)>,
) {
    let mut count = 0;
    loop {
        match events.poll().await {
            Ok(Event::Incoming(Incoming::PubAck(_))) => {
                count += 1;
                drop(acknowledged.send_replace(Ok(count)));
            }
            Ok(Event::Incoming(Incoming::Publish(message))) => {
                if let Some(switching) = switch::read(&message.topic, &message.payload) {
                    // More than fit are switched faster than the house lives.
                    drop(switched.try_send(switching));
                }
            }
            Ok(Event::Outgoing(rumqttc::Outgoing::Disconnect)) => return,
            Ok(_) => {}
            Err(error) => {
                drop(acknowledged.send_replace(Err(error.to_string())));
                return;
            }
        }
    }
}
