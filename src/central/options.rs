//! What a central store is told in the settings.

use std::path::PathBuf;
use std::time::Duration;

use reqwest::Url;

use super::{StartError, point};
use crate::settings::{self, Secret};

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
    pub token: Token,
    /// A PEM file of the authorities to trust instead of the system's.
    pub ca_file: Option<PathBuf>,
    /// One point a minute, or one a quarter of an hour.
    pub resolution: Resolution,
    /// Whether requests are compressed. About a tenth of the bytes is left; a server that cannot
    /// read it is rare.
    pub gzip: bool,
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
    /// takes seconds, and a server that is compacting may take its time.
    pub const TIMEOUT: Duration = Duration::from_secs(60);

    /// A central store with the defaults: no token, a point a minute, the system's authorities.
    pub fn new(name: impl Into<String>, url: Url) -> Self {
        Self {
            name: name.into(),
            url,
            organization: String::new(),
            bucket: String::new(),
            token: Token::None,
            ca_file: None,
            resolution: Resolution::Minute,
            gzip: true,
            tags: Vec::new(),
            connect_timeout: Self::CONNECT_TIMEOUT,
            timeout: Self::TIMEOUT,
        }
    }

    /// A central store as the settings describe it.
    ///
    /// # Errors
    /// [`StartError::Address`].
    pub fn from_settings(settings: &settings::Central) -> Result<Self, StartError> {
        let url = settings
            .url
            .parse()
            .map_err(|_| StartError::Address { name: settings.name.clone(), url: settings.url.clone() })?;
        let token = match (&settings.token_file, &settings.token) {
            (Some(path), _) => Token::File(path.clone()),
            (None, Some(secret)) => Token::Value(secret.clone()),
            (None, None) => Token::None,
        };
        let resolution = match settings.resolution {
            settings::Resolution::Minute => Resolution::Minute,
            settings::Resolution::Quarter => Resolution::Quarter,
        };
        Ok(Self {
            organization: settings.organization.clone(),
            bucket: settings.bucket.clone(),
            token,
            ca_file: settings.ca_file.clone(),
            resolution,
            gzip: settings.gzip,
            ..Self::new(settings.name.clone(), url)
        })
    }

    /// What would keep every point from being written.
    pub(super) fn check(&self) -> Result<(), StartError> {
        if !matches!(self.url.scheme(), "http" | "https") || !self.url.has_host() {
            return Err(StartError::Address { name: self.name.clone(), url: self.url.to_string() });
        }
        let repeated = |at: usize| self.tags[..at].iter().any(|(key, _)| *key == self.tags[at].0);
        for (at, (key, value)) in self.tags.iter().enumerate() {
            let twice = repeated(at).then_some("it is there twice; leave one out");
            if let Some(why) = point::unfit(key, value).or(twice) {
                return Err(StartError::Tag { name: self.name.clone(), tag: key.clone(), why });
            }
        }
        Ok(())
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
#[derive(Clone, Debug, Default)]
pub enum Token {
    /// The server wants none.
    #[default]
    None,
    /// Known from the start.
    Value(Secret),
    /// From a file; it is read again when the server says that the token is not valid, so that a
    /// renewed token needs no restart.
    File(PathBuf),
}
