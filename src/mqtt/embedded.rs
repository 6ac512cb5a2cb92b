//! A broker inside the process, on loopback: for the demo, for a house without a broker, for tests.
//!
//! It wraps the crate `mqtt5` with limits of our own. Sessions and retained messages live in
//! memory: they outlast a client's connection, not the process. It has no accounts, which is why
//! it refuses any address but loopback.

use std::net::SocketAddr;
use std::time::Duration;

use anyhow::{Context, Result, bail, ensure};
use mqtt5::broker::config::{AuthConfig, BrokerConfig, RateLimitConfig, StorageBackend, StorageConfig};
use mqtt5::broker::{BrokerShutdownHandle, MqttBroker};
use tokio::task::JoinHandle;

/// Largest packet: what this project allows on any broker connection.
const MAX_PACKET_BYTES: usize = 1024 * 1024;
/// How many messages a client may leave unacknowledged. The crate's default of 64 would make a
/// subscriber that acknowledges after each commit wait for the commit; the largest number that the
/// protocol has leaves the choice to the client's own Receive Maximum.
const MAX_UNACKNOWLEDGED: u16 = u16::MAX;
/// Messages kept for a client that is away, or is slower than the site: an hour and a half of 40
/// channels at 1 Hz.
const MAX_QUEUED_MESSAGES: usize = 200_000;
/// The same in bytes; the messages of a meter are far below 300 bytes each.
const MAX_QUEUED_BYTES: usize = 64 * 1024 * 1024;
/// Messages on the way to one connected client, before its session's queue takes over.
const CHANNEL_CAPACITY: usize = 16_384;
/// Clients at once: one house's devices and programs, with room.
const MAX_CLIENTS: usize = 256;
/// Retained messages: each figure of a thousand sites has room.
const MAX_RETAINED: usize = 100_000;
/// How long open connections may take to end.
const SHUTDOWN_GRACE: Duration = Duration::from_millis(1_500);

/// A running broker. It stops when it is dropped; [`Broker::shutdown`] also waits for it.
#[derive(Debug)]
pub struct Broker {
    address: SocketAddr,
    stop: Stop,
    task: Option<JoinHandle<mqtt5::Result<()>>>,
}

impl Broker {
    /// Starts it on `bind`, a loopback address; port 0 takes a free one (see [`Broker::address`]).
    /// It accepts connections when this returns.
    ///
    /// # Errors
    /// An address beyond loopback, or one that cannot be bound.
    pub async fn start(bind: SocketAddr) -> Result<Self> {
        ensure!(
            bind.ip().is_loopback(),
            "the embedded broker has no accounts, so it listens on loopback only, not on {bind}: use a broker \
             with passwords for anything else"
        );
        let mut broker = MqttBroker::with_config(config(bind))
            .await
            .with_context(|| format!("the embedded broker could not listen on {bind}"))?;
        let address = broker.local_addr().context("the embedded broker has no address")?;
        let stop = Stop(broker.shutdown_handle());
        let mut ready = broker.ready_receiver();
        let mut task = tokio::spawn(async move { broker.run().await });
        // A signal sent before `run` listens for it would be lost, so wait until it does.
        tokio::select! {
            ended = &mut task => bail!("the embedded broker ended at its start: {ended:?}"),
            seen = ready.wait_for(|ready| *ready) => { seen.context("the embedded broker never became ready")?; }
        }
        Ok(Self { address, stop, task: Some(task) })
    }

    /// Where it listens.
    pub fn address(&self) -> SocketAddr {
        self.address
    }

    /// Ends all connections and waits until it has stopped, for `SHUTDOWN_GRACE` at most.
    pub async fn shutdown(mut self) {
        self.stop.0.shutdown();
        let Some(mut task) = self.task.take() else { return };
        if tokio::time::timeout(SHUTDOWN_GRACE, &mut task).await.is_err() {
            tracing::debug!("the embedded broker's connections did not end in time; they are cut");
            task.abort();
        }
    }
}

impl Drop for Broker {
    fn drop(&mut self) {
        self.stop.0.shutdown();
    }
}

/// The crate's handle, which has no `Debug` of its own.
struct Stop(BrokerShutdownHandle);

impl std::fmt::Debug for Stop {
    fn fmt(&self, f: &mut std::fmt::Formatter<'_>) -> std::fmt::Result {
        f.write_str("Stop")
    }
}

fn config(bind: SocketAddr) -> BrokerConfig {
    let storage = StorageConfig::default()
        .with_backend(StorageBackend::Memory)
        .with_max_queued_messages_per_client(MAX_QUEUED_MESSAGES)
        .with_max_queued_bytes_per_client(MAX_QUEUED_BYTES);
    // Nobody logs in, so there are no attempts to limit.
    let auth = AuthConfig {
        allow_anonymous: true,
        rate_limit: RateLimitConfig { enabled: false, ..RateLimitConfig::default() },
        ..AuthConfig::default()
    };
    BrokerConfig::default()
        .with_bind_address(bind)
        .with_max_clients(MAX_CLIENTS)
        .with_max_packet_size(MAX_PACKET_BYTES)
        .with_client_channel_capacity(CHANNEL_CAPACITY)
        .with_max_outbound_inflight(MAX_UNACKNOWLEDGED)
        .with_max_retained_messages(MAX_RETAINED)
        .with_sys_topics_enabled(false)
        .with_auth(auth)
        .with_storage(storage)
}

#[cfg(test)]
mod tests {
    use std::time::Duration;

    use rumqttc::v5::mqttbytes::QoS;
    use rumqttc::v5::mqttbytes::v5::{ConnectProperties, Packet, Publish};
    use rumqttc::v5::{AsyncClient, Event, EventLoop, Incoming, MqttOptions};
    use tokio::time::timeout;

    use super::*;

    const DEADLINE: Duration = Duration::from_secs(20);

    /// A client with a session that outlasts its connection.
    fn client(broker: &Broker, id: &str, manual_acks: bool) -> (AsyncClient, EventLoop) {
        let mut options = MqttOptions::new(id, broker.address().ip().to_string(), broker.address().port());
        options.set_clean_start(false);
        options.set_manual_acks(manual_acks);
        let mut properties = ConnectProperties::new();
        properties.session_expiry_interval = Some(3600);
        properties.receive_maximum = Some(5_000);
        options.set_connect_properties(properties);
        AsyncClient::new(options, 10)
    }

    async fn incoming(events: &mut EventLoop) -> Packet {
        loop {
            if let Event::Incoming(packet) = timeout(DEADLINE, events.poll()).await.unwrap().unwrap() {
                return packet;
            }
        }
    }

    async fn next_publish(events: &mut EventLoop) -> Publish {
        loop {
            if let Incoming::Publish(publish) = incoming(events).await {
                return publish;
            }
        }
    }

    /// Publishes `count` messages and returns when all are acknowledged.
    async fn publish(broker: &Broker, count: usize, retain: bool) {
        let (client, mut events) = client(broker, "publisher", false);
        let send = tokio::spawn(async move {
            for n in 0..count {
                let topic = if retain { format!("kept/{n}") } else { "house/power".to_owned() };
                client.publish(topic, QoS::AtLeastOnce, retain, n.to_string()).await.unwrap();
            }
            client
        });
        let mut acknowledged = 0;
        while acknowledged < count {
            acknowledged += usize::from(matches!(incoming(&mut events).await, Incoming::PubAck(_)));
        }
        drop(send.await.unwrap());
    }

    async fn start() -> Broker {
        Broker::start("127.0.0.1:0".parse().unwrap()).await.unwrap()
    }

    #[tokio::test]
    async fn a_session_that_was_away_gets_every_message_in_order() {
        let broker = start().await;
        let (subscriber, mut events) = client(&broker, "subscriber", false);
        subscriber.subscribe("house/#", QoS::AtLeastOnce).await.unwrap();
        while !matches!(incoming(&mut events).await, Incoming::SubAck(_)) {}
        drop((subscriber, events));

        publish(&broker, 1_000, false).await;

        let (_subscriber, mut events) = client(&broker, "subscriber", false);
        for n in 0..1_000 {
            assert_eq!(next_publish(&mut events).await.payload, n.to_string());
        }
        broker.shutdown().await;
    }

    #[tokio::test]
    async fn the_window_is_the_clients_own() {
        let broker = start().await;
        let (subscriber, mut events) = client(&broker, "slow", true);
        subscriber.subscribe("house/#", QoS::AtLeastOnce).await.unwrap();
        while !matches!(incoming(&mut events).await, Incoming::SubAck(_)) {}
        let publishing = tokio::spawn(async move {
            publish(&broker, 1_000, false).await;
            broker
        });
        for n in 0..1_000 {
            assert_eq!(next_publish(&mut events).await.payload, n.to_string(), "none is acknowledged");
        }
        publishing.await.unwrap().shutdown().await;
    }

    #[tokio::test]
    async fn retained_messages_reach_a_late_subscriber() {
        let broker = start().await;
        publish(&broker, 300, true).await;
        let (subscriber, mut events) = client(&broker, "late", false);
        subscriber.subscribe("kept/#", QoS::AtLeastOnce).await.unwrap();
        let mut seen = std::collections::BTreeSet::new();
        while seen.len() < 300 {
            let publish = next_publish(&mut events).await;
            assert!(publish.retain);
            seen.insert(publish.topic);
        }
        broker.shutdown().await;
    }

    #[tokio::test]
    async fn shutdown_ends_within_two_seconds_and_frees_the_port() {
        let broker = start().await;
        let address = broker.address();
        let (_client, mut events) = client(&broker, "still-here", false);
        assert!(matches!(incoming(&mut events).await, Incoming::ConnAck(_)));
        timeout(Duration::from_secs(2), broker.shutdown()).await.expect("it stops in time");
        Broker::start(address).await.expect("the port is free again").shutdown().await;
    }

    #[tokio::test]
    async fn only_loopback_is_served() {
        for address in ["0.0.0.0:0", "192.0.2.1:1883", "[::]:0"] {
            let refused = Broker::start(address.parse().unwrap()).await.unwrap_err();
            assert!(refused.to_string().contains("loopback only"), "{refused}");
        }
    }
}
