//! What a central store is told in the settings.

use std::fmt;
use std::path::PathBuf;
use std::time::Duration;

use reqwest::Url;

/// One central store.
#[derive(Clone, Debug)]
pub struct Options {
    /// Its name: that of its cursor in the outbox, of its messages and its metrics. Two central
    /// stores must not share one.
    pub name: String,
    /// Where it is, `http` or `https`. A path is kept: `https://host/insert/0/influx` is written
    /// to at `https://host/insert/0/influx/api/v2/write`.
    pub url: Url,
    /// The `org` of the write API; may be empty where the server has none.
    pub organization: String,
    /// The `bucket` of the write API; may be empty where the server has none.
    pub bucket: String,
    /// Where the token comes from.
    pub token: Secret,
    /// A PEM file of the authorities to trust instead of the system's.
    pub ca_file: Option<PathBuf>,
    /// One point a minute, or one a quarter of an hour.
    pub resolution: Resolution,
    /// Tags of the user's own on every point, such as the builder or the subdivision. They are
    /// part of every point's key: changing one starts new series.
    pub tags: Vec<(String, String)>,
    /// Bound on making a connection, TLS included.
    pub connect_timeout: Duration,
    /// Bound on a request as a whole, the answer's body included.
    pub timeout: Duration,
}

impl Options {
    /// Bound on making a connection unless the settings say otherwise.
    pub const CONNECT_TIMEOUT: Duration = Duration::from_secs(10);
    /// Bound on a request unless the settings say otherwise: a batch of 1 MiB over a slow uplink
    /// (about 100 kB after gzip) takes seconds, and a server that is compacting may take its time.
    pub const TIMEOUT: Duration = Duration::from_secs(60);

    /// A central store with the defaults: no token, a point a minute, the system's authorities.
    pub fn new(name: impl Into<String>, url: Url) -> Self {
        Self {
            name: name.into(),
            url,
            organization: String::new(),
            bucket: String::new(),
            token: Secret::None,
            ca_file: None,
            resolution: Resolution::Minute,
            tags: Vec::new(),
            connect_timeout: Self::CONNECT_TIMEOUT,
            timeout: Self::TIMEOUT,
        }
    }
}

/// How far apart the points are.
#[derive(Clone, Copy, Debug, Default, PartialEq, Eq)]
pub enum Resolution {
    /// A point a minute.
    #[default]
    Minute,
    /// A point a quarter of an hour, sent once the quarter is over.
    Quarter,
}

/// Where the token of the write API comes from.
#[derive(Clone, Default)]
pub enum Secret {
    /// The server wants none.
    #[default]
    None,
    /// From the environment.
    Value(String),
    /// From a file; it is read again when the server says that the token is not valid, so that a
    /// renewed token needs no restart.
    File(PathBuf),
}

impl fmt::Debug for Secret {
    fn fmt(&self, f: &mut fmt::Formatter<'_>) -> fmt::Result {
        match self {
            Self::None => f.write_str("None"),
            Self::Value(_) => f.write_str("Value(…)"),
            Self::File(path) => write!(f, "File({path:?})"),
        }
    }
}
