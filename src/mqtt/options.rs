//! What a connection needs to know.

use std::fmt;
use std::sync::Arc;
use std::time::Duration;

use bytes::Bytes;

use super::Pace;
use crate::clock::Clock;

/// Unacknowledged messages that a broker may send ahead under MQTT 5.
///
/// A commit releases them every few seconds, so this many seconds' worth must fit: 19 channels at
/// 1 Hz fill a fortieth of it in 5 s. It is also what a broker holds in memory for us (some 1 MB),
/// and what it sends again after a crash. Large fleets commit when it is three quarters full.
const RECEIVE_MAXIMUM: u16 = 4096;

/// The largest packet that is read: a payload of 1 MiB, with room for the longest topic (64 KiB)
/// and as much of properties. The library's own default of 10 KiB ends the connection, for ever
/// again since the broker delivers the message again.
const MAX_PACKET: u32 = (1 << 20) + (128 << 10);

/// How long the broker keeps the session while nobody is connected: a power cut or a repair, not a
/// holiday. Longer would only fill its queue, which is bounded itself; and what has no time of its
/// own covers nothing after a gap anyway.
const SESSION_EXPIRY: Duration = Duration::from_secs(86_400);

/// Everything about a connection. Plain data: the settings fill it in.
#[derive(Clone)]
pub struct Options {
    /// Host name or address; an IPv6 address without brackets.
    pub host: String,
    /// TCP port; by convention 1883, and 8883 with TLS.
    pub port: u16,
    /// Encryption; `None` for plain TCP.
    pub tls: Option<Tls>,
    /// Must be the same at each start, since the broker knows the session by it; 1 to 256 characters.
    pub client_id: String,
    /// User name and password; both or neither.
    pub credentials: Option<(String, String)>,
    /// Version of the protocol.
    pub protocol: Protocol,
    /// MQTT 5's Receive Maximum, at least 1: how many unacknowledged messages the broker may send.
    pub receive_maximum: u16,
    /// Period of the pings on an idle connection, 5 s to 65,535 s. A dead connection is noticed
    /// after two of them.
    pub keep_alive: Duration,
    /// What the broker publishes if the connection breaks.
    pub will: Option<Will>,
    /// The largest packet that is read, in bytes. A larger one is dropped by an MQTT 5 broker; under
    /// 3.1.1 it costs the session, which is then begun anew.
    pub max_packet: u32,
    /// How long an MQTT 5 broker keeps the session while nobody is connected.
    pub session_expiry: Duration,
    /// Where arrival times come from.
    pub clock: Clock,
    /// Is told of what comes and goes; for whoever gives the connection a thread of its own.
    pub pace: Arc<Pace>,
}

impl Options {
    /// A plain connection with the defaults.
    pub fn new(host: impl Into<String>, port: u16, client_id: impl Into<String>, clock: Clock) -> Self {
        Self {
            host: host.into(),
            port,
            tls: None,
            client_id: client_id.into(),
            credentials: None,
            protocol: Protocol::V5,
            receive_maximum: RECEIVE_MAXIMUM,
            keep_alive: Duration::from_secs(30),
            will: None,
            max_packet: MAX_PACKET,
            session_expiry: SESSION_EXPIRY,
            clock,
            pace: Arc::default(),
        }
    }
}

impl fmt::Debug for Options {
    fn fmt(&self, f: &mut fmt::Formatter<'_>) -> fmt::Result {
        f.debug_struct("Options")
            .field("host", &self.host)
            .field("port", &self.port)
            .field("tls", &self.tls.is_some())
            .field("client_id", &self.client_id)
            .field("username", &self.credentials.as_ref().map(|(name, _)| name))
            .field("protocol", &self.protocol)
            .finish_non_exhaustive()
    }
}

/// Version of the protocol.
#[derive(Clone, Copy, Debug, PartialEq, Eq)]
pub enum Protocol {
    /// MQTT 5: the client says how many unacknowledged messages it takes.
    V5,
    /// MQTT 3.1.1: the broker decides that; commonly 20.
    V311,
}

/// Encryption of the connection.
#[derive(Clone, Default)]
pub struct Tls {
    /// Certificates (PEM) of the authorities that may vouch for the broker; `None` for those that the
    /// operating system trusts.
    pub ca: Option<Vec<u8>>,
    /// What this client shows of itself, if the broker asks.
    pub identity: Option<Identity>,
}

/// A client certificate and its key.
#[derive(Clone)]
pub struct Identity {
    /// Certificate chain (PEM), its own certificate first.
    pub certificate: Vec<u8>,
    /// Private key (PEM): PKCS #8, PKCS #1 or SEC 1.
    pub key: Vec<u8>,
}

/// What the broker publishes if the connection breaks without a goodbye.
#[derive(Clone, Debug, PartialEq, Eq)]
pub struct Will {
    /// Topic.
    pub topic: String,
    /// Payload.
    pub payload: Bytes,
    /// Quality of service.
    pub qos: Qos,
    /// Whether the broker keeps it for new subscribers.
    pub retain: bool,
}

/// Quality of service of a publication.
#[derive(Clone, Copy, Debug, PartialEq, Eq)]
pub enum Qos {
    /// QoS 0.
    AtMostOnce,
    /// QoS 1.
    AtLeastOnce,
}

/// Options that no connection can be made with.
#[derive(Debug, thiserror::Error)]
pub enum BadOptions {
    /// Without a name the broker keeps no session.
    #[error("the client id is empty; write a name that no other client of the broker has")]
    NoClientId,
    /// A broker takes 0 for a protocol error.
    #[error("a receive maximum of 0 lets no message in; write 1 to 65535")]
    NoWindow,
    /// Out of 5 to 65,535 s.
    #[error("a keep-alive of {0:?} is not between 5 s and 65,535 s")]
    KeepAlive(Duration),
    /// The name cannot be checked against a certificate.
    #[error("{0:?} is neither a host name nor an address, so no certificate can vouch for it")]
    Host(String),
    /// A file with certificates has none, or one that cannot be read.
    #[error("the {what} cannot be read: {why}; write PEM (-----BEGIN CERTIFICATE-----)")]
    Certificate {
        /// Which file.
        what: &'static str,
        /// What is wrong.
        why: String,
    },
    /// The client's key cannot be read or does not fit its certificate.
    #[error("the client's private key is of no use: {0}; write the PEM key that belongs to the certificate")]
    Key(String),
    /// The operating system trusts no certificate authority that could be read.
    #[error("the system's certificate authorities cannot be read: {0}; name a CA file")]
    SystemRoots(String),
}
