//! One connection, whichever version of the protocol it speaks.
//!
//! The client library has a module for each version; this is the seam that makes them one, so that
//! the supervisor is written once. Nothing here waits except [`Link::next`].

use std::io::ErrorKind;
use std::net::Ipv6Addr;
use std::sync::Arc;
use std::time::Duration;

use bytes::Bytes;
use rumqttc::{NetworkOptions, QoS, StateError, SubscribeFilter, SubscribeReasonCode, TlsConfiguration};
use rumqttc::{Outgoing, Transport, v5};
use rustls::ClientConfig;
use rustls::pki_types::ServerName;

use super::{BadOptions, Options, Protocol, Qos, tls};

/// Publications of ours that the broker has not acknowledged yet, at most: a thousand sites are
/// published at once. The library keeps a table of this length for each connection, 200 bytes each;
/// its default under MQTT 5 takes 13 MB.
const OUTGOING_WINDOW: u16 = 1024;

/// Publications that wait to be written, at most: a site has some 40 figures, and a thousand sites
/// are published in turns.
pub(super) const PUBLISH_QUEUE: usize = 4096;

/// Room for every acknowledgement that can be due (a packet identifier has 16 bits, and each is due
/// once), the publications, and the subscriptions. So an acknowledgement always finds room. The
/// queue grows with what is in it; this is only its limit.
const REQUEST_QUEUE: usize = 65_535 + PUBLISH_QUEUE + 16_384;

/// Name look-up, TCP, TLS and the broker's answer, in seconds.
const CONNECT_WITHIN_S: u64 = 10;

/// The window of a broker that was not told one: what Mosquitto does by default, and the smallest
/// common one.
const COMMON_WINDOW: usize = 20;

/// Options that were looked at: certificates are read, and nothing in them makes the library panic.
#[derive(Clone, Debug)]
pub(super) struct Plan {
    pub(super) options: Options,
    tls: Option<Arc<ClientConfig>>,
}

impl Plan {
    pub(super) fn new(options: Options) -> Result<Self, BadOptions> {
        if options.client_id.is_empty() {
            return Err(BadOptions::NoClientId);
        }
        if options.receive_maximum == 0 {
            return Err(BadOptions::NoWindow);
        }
        if !(5..=65_535).contains(&options.keep_alive.as_secs()) {
            return Err(BadOptions::KeepAlive(options.keep_alive));
        }
        let tls = options.tls.as_ref().map(tls::config).transpose()?;
        // The library writes "host:port", which needs brackets around an IPv6 address, and checks
        // the certificate against the same text, which must have none.
        let address: Option<Ipv6Addr> = options.host.parse().ok();
        if options.host.is_empty()
            || tls.is_some() && (address.is_some() || ServerName::try_from(options.host.as_str()).is_err())
        {
            return Err(BadOptions::Host(options.host));
        }
        Ok(Self { options, tls })
    }

    /// How many unacknowledged messages the broker sends at most.
    pub(super) fn window(&self) -> usize {
        match self.options.protocol {
            Protocol::V5 => self.options.receive_maximum.into(),
            Protocol::V311 => COMMON_WINDOW,
        }
    }

    fn host(&self) -> String {
        match self.options.host.parse::<Ipv6Addr>() {
            Ok(address) => format!("[{address}]"),
            Err(_) => self.options.host.clone(),
        }
    }

    fn transport(&self) -> Transport {
        match &self.tls {
            None => Transport::Tcp,
            Some(config) => Transport::tls_with_config(TlsConfiguration::Rustls(config.clone())),
        }
    }

    /// A fresh client; nothing is sent before [`Link::next`] is first called. With `clean` the broker
    /// forgets the session.
    pub(super) fn connect(&self, clean: bool) -> (Client, Link) {
        let mut network = NetworkOptions::new();
        network.set_tcp_nodelay(true);
        network.set_connection_timeout(CONNECT_WITHIN_S);
        match self.options.protocol {
            Protocol::V5 => {
                let mut options = self.v5(clean);
                options.set_network_options(network);
                let (client, events) = v5::AsyncClient::new(options, REQUEST_QUEUE);
                (Client::V5(client), Link::V5(Box::new(events)))
            }
            Protocol::V311 => {
                let (client, mut events) = rumqttc::AsyncClient::new(self.v311(clean), REQUEST_QUEUE);
                events.set_network_options(network);
                (Client::V311(client), Link::V311(Box::new(events)))
            }
        }
    }

    fn v5(&self, clean: bool) -> v5::MqttOptions {
        let mine = &self.options;
        let mut options = v5::MqttOptions::new(&mine.client_id, self.host(), mine.port);
        let expiry = u32::try_from(mine.session_expiry.as_secs()).unwrap_or(u32::MAX);
        options
            .set_transport(self.transport())
            .set_keep_alive(mine.keep_alive)
            .set_clean_start(clean)
            .set_session_expiry_interval(Some(expiry))
            .set_receive_maximum(Some(mine.receive_maximum))
            .set_max_packet_size(Some(mine.max_packet))
            .set_connection_timeout(CONNECT_WITHIN_S)
            .set_manual_acks(true)
            .set_outgoing_inflight_upper_limit(OUTGOING_WINDOW);
        if let Some((name, password)) = &mine.credentials {
            options.set_credentials(name, password);
        }
        if let Some(will) = &mine.will {
            let payload = will.payload.to_vec();
            let qos = v5_qos(will.qos);
            options.set_last_will(v5::mqttbytes::v5::LastWill::new(
                &will.topic,
                payload,
                qos,
                will.retain,
                None,
            ));
        }
        options
    }

    fn v311(&self, clean: bool) -> rumqttc::MqttOptions {
        let mine = &self.options;
        let mut options = rumqttc::MqttOptions::new(&mine.client_id, self.host(), mine.port);
        options
            .set_transport(self.transport())
            .set_keep_alive(mine.keep_alive)
            .set_clean_session(clean)
            .set_max_packet_size(mine.max_packet as usize, mine.max_packet as usize)
            .set_manual_acks(true)
            .set_inflight(OUTGOING_WINDOW);
        if let Some((name, password)) = &mine.credentials {
            options.set_credentials(name, password);
        }
        if let Some(will) = &mine.will {
            let payload = will.payload.to_vec();
            options.set_last_will(rumqttc::LastWill::new(
                &will.topic,
                payload,
                v311_qos(will.qos),
                will.retain,
            ));
        }
        options
    }
}

fn v5_qos(qos: Qos) -> v5::mqttbytes::QoS {
    match qos {
        Qos::AtMostOnce => v5::mqttbytes::QoS::AtMostOnce,
        Qos::AtLeastOnce => v5::mqttbytes::QoS::AtLeastOnce,
    }
}

fn v311_qos(qos: Qos) -> QoS {
    match qos {
        Qos::AtMostOnce => QoS::AtMostOnce,
        Qos::AtLeastOnce => QoS::AtLeastOnce,
    }
}

/// Puts requests into the connection's queue; never waits. Each method says whether there was room.
#[derive(Clone, Debug)]
pub(super) enum Client {
    V5(v5::AsyncClient),
    V311(rumqttc::AsyncClient),
}

impl Client {
    pub(super) fn acknowledge(&self, packet: u16) -> bool {
        match self {
            Self::V5(client) => {
                let qos = v5::mqttbytes::QoS::AtLeastOnce;
                let mut publish = v5::mqttbytes::v5::Publish::new("", qos, Bytes::new(), None);
                publish.pkid = packet;
                client.try_ack(&publish).is_ok()
            }
            Self::V311(client) => {
                let mut publish = rumqttc::Publish::new("", QoS::AtLeastOnce, Vec::new());
                publish.pkid = packet;
                client.try_ack(&publish).is_ok()
            }
        }
    }

    pub(super) fn publish(&self, topic: &str, payload: Bytes, qos: Qos, retain: bool) -> bool {
        match self {
            Self::V5(client) => client.try_publish(topic, v5_qos(qos), retain, payload).is_ok(),
            Self::V311(client) => client.try_publish(topic, v311_qos(qos), retain, payload).is_ok(),
        }
    }

    pub(super) fn subscribe(&self, filters: &[String]) -> bool {
        match self {
            Self::V5(client) => {
                let qos = v5::mqttbytes::QoS::AtLeastOnce;
                let filters = filters.iter().map(|filter| v5::mqttbytes::v5::Filter::new(filter, qos));
                client.try_subscribe_many(filters).is_ok()
            }
            Self::V311(client) => {
                let filters =
                    filters.iter().map(|filter| SubscribeFilter::new(filter.clone(), QoS::AtLeastOnce));
                client.try_subscribe_many(filters).is_ok()
            }
        }
    }

    pub(super) fn unsubscribe(&self, filter: &str) -> bool {
        match self {
            Self::V5(client) => client.try_unsubscribe(filter).is_ok(),
            Self::V311(client) => client.try_unsubscribe(filter).is_ok(),
        }
    }

    pub(super) fn disconnect(&self) -> bool {
        match self {
            Self::V5(client) => client.try_disconnect().is_ok(),
            Self::V311(client) => client.try_disconnect().is_ok(),
        }
    }
}

/// What happened on the connection.
#[derive(Debug)]
pub(super) enum Event {
    Up {
        session_present: bool,
    },
    Message {
        topic: Bytes,
        payload: Bytes,
        packet: Option<u16>,
        retained: bool,
        again: bool,
    },
    PublishSent,
    AckSent,
    /// A subscription or the end of one went out as that packet.
    Asked(u16),
    /// The broker's answer; the positions of the filters that it refuses.
    Subscribed {
        packet: u16,
        refused: Vec<usize>,
    },
    Unsubscribed {
        packet: u16,
    },
    DisconnectSent,
    Other,
}

/// Why a connection did not come about or ended.
#[derive(Debug)]
pub(super) struct Broken {
    pub(super) why: String,
    /// The broker sent more than we read: it will again, as long as it keeps the session.
    pub(super) too_large: bool,
}

/// The connection itself.
pub(super) enum Link {
    V5(Box<v5::EventLoop>),
    V311(Box<rumqttc::EventLoop>),
}

impl Link {
    /// The next thing that happens, having connected first if need be. After an error the link is of
    /// no more use. The future must be polled to its end: dropping it in the middle of connecting
    /// would start the connecting over.
    pub(super) async fn next(&mut self) -> Result<Event, Broken> {
        match self {
            Self::V5(events) => events.poll().await.map(v5_event).map_err(|why| v5_broken(&why)),
            Self::V311(events) => events.poll().await.map(v311_event).map_err(|why| v311_broken(&why)),
        }
    }

    /// What had been read when the connection broke, and was not handed out yet.
    pub(super) fn leftovers(&mut self) -> Vec<Event> {
        match self {
            Self::V5(events) => events.state.events.drain(..).map(v5_event).collect(),
            Self::V311(events) => events.state.events.drain(..).map(v311_event).collect(),
        }
    }
}

fn v5_event(event: v5::Event) -> Event {
    use v5::mqttbytes::v5::{Packet, SubscribeReasonCode};
    match event {
        v5::Event::Incoming(Packet::ConnAck(answer)) => Event::Up { session_present: answer.session_present },
        v5::Event::Incoming(Packet::Publish(publish)) => Event::Message {
            packet: (publish.qos != v5::mqttbytes::QoS::AtMostOnce).then_some(publish.pkid),
            retained: publish.retain,
            again: publish.dup,
            topic: publish.topic,
            payload: publish.payload,
        },
        v5::Event::Incoming(Packet::SubAck(answer)) => {
            let refused = |code: &SubscribeReasonCode| !matches!(code, SubscribeReasonCode::Success(_));
            Event::Subscribed { packet: answer.pkid, refused: positions(&answer.return_codes, refused) }
        }
        v5::Event::Incoming(Packet::UnsubAck(answer)) => Event::Unsubscribed { packet: answer.pkid },
        v5::Event::Incoming(_) => Event::Other,
        v5::Event::Outgoing(outgoing) => outgoing_event(outgoing),
    }
}

fn v311_event(event: rumqttc::Event) -> Event {
    use rumqttc::Packet;
    match event {
        rumqttc::Event::Incoming(Packet::ConnAck(answer)) => {
            Event::Up { session_present: answer.session_present }
        }
        rumqttc::Event::Incoming(Packet::Publish(publish)) => Event::Message {
            packet: (publish.qos != QoS::AtMostOnce).then_some(publish.pkid),
            retained: publish.retain,
            again: publish.dup,
            topic: publish.topic.into(),
            payload: publish.payload,
        },
        rumqttc::Event::Incoming(Packet::SubAck(answer)) => {
            let refused = |code: &SubscribeReasonCode| *code == SubscribeReasonCode::Failure;
            Event::Subscribed { packet: answer.pkid, refused: positions(&answer.return_codes, refused) }
        }
        rumqttc::Event::Incoming(Packet::UnsubAck(answer)) => Event::Unsubscribed { packet: answer.pkid },
        rumqttc::Event::Incoming(_) => Event::Other,
        rumqttc::Event::Outgoing(outgoing) => outgoing_event(outgoing),
    }
}

fn positions<T>(codes: &[T], refused: impl Fn(&T) -> bool) -> Vec<usize> {
    codes.iter().enumerate().filter(|(_, code)| refused(code)).map(|(position, _)| position).collect()
}

fn outgoing_event(outgoing: Outgoing) -> Event {
    match outgoing {
        Outgoing::Publish(_) => Event::PublishSent,
        Outgoing::PubAck(_) => Event::AckSent,
        Outgoing::Subscribe(packet) | Outgoing::Unsubscribe(packet) => Event::Asked(packet),
        Outgoing::Disconnect => Event::DisconnectSent,
        _ => Event::Other,
    }
}

const CLOSED: &str = "the broker closed the connection";
const SILENT: &str = "the broker does not answer pings";
const TOO_LARGE: &str = "the broker sent a packet above the limit; its session is begun anew";

fn v5_broken(error: &v5::ConnectionError) -> Broken {
    use v5::mqttbytes::Error;
    use v5::mqttbytes::v5::DisconnectReasonCode::SessionTakenOver;
    use v5::{ConnectionError, StateError};
    let state = match error {
        ConnectionError::ConnectionRefused(code) => return refused(&format!("{code:?}")),
        ConnectionError::Timeout(_) => return Broken::because(no_answer()),
        ConnectionError::Tls(error) => return Broken::because(tls_fails(error)),
        ConnectionError::Io(error) => return Broken::because(io(error)),
        ConnectionError::MqttState(state) => state,
        other => return Broken::because(other.to_string()),
    };
    match state {
        StateError::ConnectionAborted => Broken::because(CLOSED.into()),
        StateError::AwaitPingResp => Broken::because(SILENT.into()),
        StateError::Deserialization(Error::PayloadSizeLimitExceeded { .. }) => {
            Broken { why: TOO_LARGE.into(), too_large: true }
        }
        StateError::ServerDisconnect { reason_code: SessionTakenOver, .. } => Broken::because(
            "another client came with the same client id; give each its own broker.client_id".into(),
        ),
        StateError::ServerDisconnect { reason_code, reason_string } => {
            let more = reason_string.as_ref().map(|text| format!(" ({text})")).unwrap_or_default();
            Broken::because(format!("{CLOSED}: {reason_code:?}{more}"))
        }
        other => Broken::because(other.to_string()),
    }
}

fn v311_broken(error: &rumqttc::ConnectionError) -> Broken {
    use rumqttc::ConnectionError;
    let state = match error {
        ConnectionError::ConnectionRefused(code) => return refused(&format!("{code:?}")),
        ConnectionError::NetworkTimeout | ConnectionError::FlushTimeout => {
            return Broken::because(no_answer());
        }
        ConnectionError::Tls(error) => return Broken::because(tls_fails(error)),
        ConnectionError::Io(error) => return Broken::because(io(error)),
        ConnectionError::MqttState(state) => state,
        other => return Broken::because(other.to_string()),
    };
    match state {
        StateError::ConnectionAborted => Broken::because(CLOSED.into()),
        StateError::AwaitPingResp => Broken::because(SILENT.into()),
        StateError::Deserialization(rumqttc::Error::PayloadSizeLimitExceeded(_)) => {
            Broken { why: TOO_LARGE.into(), too_large: true }
        }
        other => Broken::because(other.to_string()),
    }
}

impl Broken {
    pub(super) fn because(why: String) -> Self {
        Self { why, too_large: false }
    }
}

fn no_answer() -> String {
    format!(
        "no answer within {} s: check broker.url and the network",
        Duration::from_secs(CONNECT_WITHIN_S).as_secs()
    )
}

fn tls_fails(error: &rumqttc::TlsError) -> String {
    format!("TLS fails: {error}; check the CA file, and that the broker's certificate names this host")
}

fn io(error: &std::io::Error) -> String {
    match error.kind() {
        ErrorKind::ConnectionRefused => "nothing listens there: is the broker running?".into(),
        ErrorKind::ConnectionReset | ErrorKind::BrokenPipe | ErrorKind::UnexpectedEof => CLOSED.into(),
        _ => error.to_string(),
    }
}

/// The broker's answer to CONNECT; both versions of the protocol name the reasons alike.
fn refused(code: &str) -> Broken {
    let advice = match code {
        "BadUserNamePassword" | "NotAuthorized" => "check broker.username and its password file",
        "RefusedProtocolVersion" | "UnsupportedProtocolVersion" => "write broker.protocol = \"3.1.1\"",
        "BadClientId" | "ClientIdentifierNotValid" => "write another broker.client_id",
        _ => "see the broker's log",
    };
    Broken::because(format!("the broker refuses the connection ({code}): {advice}"))
}

#[cfg(test)]
mod tests {
    use super::*;
    use crate::clock::Clock;
    use crate::mqtt::Tls;

    fn options(host: &str) -> Options {
        Options::new(host, 1883, "panelwright-test", Clock::wall())
    }

    #[test]
    fn options_that_the_library_would_panic_on_are_refused() {
        let check = |change: fn(&mut Options), expected: &str| {
            let mut options = options("localhost");
            change(&mut options);
            let error = Plan::new(options).expect_err(expected).to_string();
            assert!(error.contains(expected), "{error}");
        };
        check(|o| o.client_id.clear(), "client id is empty");
        check(|o| o.receive_maximum = 0, "receive maximum of 0");
        check(|o| o.keep_alive = Duration::from_secs(4), "keep-alive of 4s");
        check(|o| o.keep_alive = Duration::from_secs(65_536), "keep-alive of 65536s");
        check(|o| o.host.clear(), "neither a host name");
        check(|o| (o.host, o.tls) = ("bad name".into(), Some(tls())), "neither a host name");
        check(|o| (o.host, o.tls) = ("::1".into(), Some(tls())), "neither a host name");
        for protocol in [Protocol::V5, Protocol::V311] {
            let mut options = options("::1");
            options.protocol = protocol;
            Plan::new(options).expect("these are good").connect(false);
        }
    }

    fn tls() -> Tls {
        let own = rcgen::generate_simple_self_signed(["broker.test".into()]).expect("a certificate");
        Tls { ca: Some(own.cert.pem().into_bytes()), identity: None }
    }

    #[test]
    fn the_window_is_ours_under_5_and_the_brokers_under_3_1_1() {
        let mut options = options("localhost");
        assert_eq!(Plan::new(options.clone()).expect("good").window(), 4096);
        options.protocol = Protocol::V311;
        assert_eq!(Plan::new(options).expect("good").window(), 20);
    }

    #[test]
    fn an_ipv6_address_gets_its_brackets() {
        assert_eq!(Plan::new(options("::1")).expect("good").host(), "[::1]");
        assert_eq!(Plan::new(options("10.0.0.1")).expect("good").host(), "10.0.0.1");
    }
}
