//! MQTT clients of the tests: one that publishes and waits for every acknowledgement, one that
//! collects what it hears.

use std::sync::atomic::{AtomicU64, Ordering};
use std::sync::{Arc, Mutex};
use std::thread::JoinHandle;
use std::time::Duration;

use rumqttc::{Client, Connection, Event, Incoming, MqttOptions, QoS};

use super::{START, poll};

/// Requests that wait for the network; publishing blocks beyond it.
const QUEUE: usize = 1_000;

/// How long acknowledgements may be in coming.
const ACKNOWLEDGED: Duration = Duration::from_secs(30);

/// A publisher at QoS 1.
pub struct Publisher {
    client: Client,
    sent: u64,
    acknowledged: Arc<AtomicU64>,
    network: Option<JoinHandle<()>>,
}

impl Publisher {
    /// Connects to a broker on loopback that lets anybody in.
    #[track_caller]
    pub fn connect(port: u16) -> Self {
        Self::with(options(port))
    }

    /// Connects as `user`.
    #[track_caller]
    pub fn connect_as(port: u16, user: &str, password: &str) -> Self {
        let mut options = options(port);
        options.set_credentials(user, password);
        Self::with(options)
    }

    fn with(mut options: MqttOptions) -> Self {
        options.set_inflight(100);
        let (client, connection) = Client::new(options, QUEUE);
        let acknowledged = Arc::new(AtomicU64::new(0));
        let connected = Arc::new(AtomicU64::new(0));
        let (acks, ups) = (Arc::clone(&acknowledged), Arc::clone(&connected));
        let network = drive(connection, move |incoming| match incoming {
            Incoming::PubAck(_) => drop(acks.fetch_add(1, Ordering::Relaxed)),
            Incoming::ConnAck(_) => drop(ups.fetch_add(1, Ordering::Relaxed)),
            _ => {}
        });
        super::eventually(START, || connected.load(Ordering::Relaxed) > 0);
        Self { client, sent: 0, acknowledged, network: Some(network) }
    }

    /// Publishes; not retained.
    pub fn publish(&mut self, topic: &str, payload: impl Into<Vec<u8>>) {
        self.client.publish(topic, QoS::AtLeastOnce, false, payload).expect("a running client");
        self.sent += 1;
    }

    /// Publishes a retained message.
    pub fn publish_retained(&mut self, topic: &str, payload: impl Into<Vec<u8>>) {
        self.client.publish(topic, QoS::AtLeastOnce, true, payload).expect("a running client");
        self.sent += 1;
    }

    /// How many publishes the broker has acknowledged so far.
    pub fn acknowledged(&self) -> u64 {
        self.acknowledged.load(Ordering::Relaxed)
    }

    /// Waits until the broker has acknowledged everything that was published.
    #[track_caller]
    pub fn settle(&self) {
        let all = || (self.acknowledged() >= self.sent).then_some(());
        if poll(ACKNOWLEDGED, all).is_none() {
            panic!("{} of {} publishes acknowledged", self.acknowledged(), self.sent);
        }
    }
}

impl Drop for Publisher {
    fn drop(&mut self) {
        finish(&self.client, &mut self.network);
    }
}

/// A message that a [`Subscriber`] heard.
#[derive(Clone, Debug, PartialEq, Eq)]
pub struct Received {
    /// Its topic.
    pub topic: String,
    /// Its payload.
    pub payload: Vec<u8>,
    /// Whether the broker sent it as a kept one.
    pub retained: bool,
}

impl Received {
    /// The payload as text.
    pub fn text(&self) -> String {
        String::from_utf8_lossy(&self.payload).into_owned()
    }

    /// The payload as JSON.
    #[track_caller]
    pub fn json(&self) -> serde_json::Value {
        serde_json::from_slice(&self.payload).unwrap_or_else(|why| panic!("no JSON ({why}): {}", self.text()))
    }
}

/// A subscriber that keeps everything that it hears.
pub struct Subscriber {
    client: Client,
    heard: Arc<Mutex<Vec<Received>>>,
    network: Option<JoinHandle<()>>,
}

impl Subscriber {
    /// Connects and subscribes to `filter`; returns once the broker has confirmed it.
    #[track_caller]
    pub fn connect(port: u16, filter: &str) -> Self {
        Self::with(options(port), filter)
    }

    /// The same as `user`.
    #[track_caller]
    pub fn connect_as(port: u16, user: &str, password: &str, filter: &str) -> Self {
        let mut options = options(port);
        options.set_credentials(user, password);
        Self::with(options, filter)
    }

    fn with(options: MqttOptions, filter: &str) -> Self {
        let (client, connection) = Client::new(options, QUEUE);
        let heard = Arc::new(Mutex::new(Vec::new()));
        let confirmed = Arc::new(AtomicU64::new(0));
        let (keep, subscribed, again, topic) =
            (Arc::clone(&heard), Arc::clone(&confirmed), client.clone(), filter.to_owned());
        let network = drive(connection, move |incoming| match incoming {
            // On every connection: the broker may have been restarted in between.
            Incoming::ConnAck(_) => {
                let _ = again.try_subscribe(topic.as_str(), QoS::AtLeastOnce);
            }
            Incoming::SubAck(_) => drop(subscribed.fetch_add(1, Ordering::Relaxed)),
            Incoming::Publish(publish) => keep.lock().expect("no test panics here").push(Received {
                topic: publish.topic,
                payload: publish.payload.to_vec(),
                retained: publish.retain,
            }),
            _ => {}
        });
        super::eventually(START, || confirmed.load(Ordering::Relaxed) > 0);
        Self { client, heard, network: Some(network) }
    }

    /// Everything heard so far, in order.
    pub fn heard(&self) -> Vec<Received> {
        self.heard.lock().expect("no test panics here").clone()
    }

    /// The latest message on `topic`.
    pub fn latest(&self, topic: &str) -> Option<Received> {
        let heard = self.heard.lock().expect("no test panics here");
        heard.iter().rev().find(|message| message.topic == topic).cloned()
    }
}

impl Drop for Subscriber {
    fn drop(&mut self) {
        finish(&self.client, &mut self.network);
    }
}

/// A client of its own name: two of one name would throw each other out.
fn options(port: u16) -> MqttOptions {
    static COUNT: AtomicU64 = AtomicU64::new(0);
    let name = format!("test-{}-{}", std::process::id(), COUNT.fetch_add(1, Ordering::Relaxed));
    let mut options = MqttOptions::new(name, "127.0.0.1", port);
    options.set_max_packet_size(4 << 20, 4 << 20);
    options
}

/// Polls the connection in a thread of its own until the client is told to disconnect.
fn drive(mut connection: Connection, mut on: impl FnMut(Incoming) + Send + 'static) -> JoinHandle<()> {
    std::thread::spawn(move || {
        for event in connection.iter() {
            match event {
                Ok(Event::Incoming(incoming)) => on(incoming),
                Ok(Event::Outgoing(rumqttc::Outgoing::Disconnect)) => return,
                Ok(Event::Outgoing(_)) => {}
                Err(rumqttc::ConnectionError::RequestsDone) => return,
                // The broker is away: do not spin while it is.
                Err(_) => std::thread::sleep(super::POLL),
            }
        }
    })
}

fn finish(client: &Client, network: &mut Option<JoinHandle<()>>) {
    // Only a client whose broker is there can say goodbye; the thread of any other is left to end
    // with the process.
    if client.try_disconnect().is_ok()
        && let Some(thread) = network.take()
    {
        let _ = poll(Duration::from_secs(1), || thread.is_finished().then_some(()));
    }
}
