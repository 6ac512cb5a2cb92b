//! Service settings: built-in defaults < file < environment.
//!
//! [`load`] reads all of it before anything is bound, and reports every problem at once, each with
//! the file's line or the variable it comes from. Secrets come from files that others cannot
//! read, or from the environment; never from the settings file and never from a command line.
//!
//! The structs here are what the settings say, checked. The daemon makes each module's own options
//! from them.

mod access;
mod assemble;
mod hubs;
mod keys;
mod layers;
mod problem;
mod secret;
mod sites;

use std::collections::BTreeMap;
use std::net::SocketAddr;
use std::path::{Path, PathBuf};
use std::time::Duration;

pub use keys::{KEYS, Key, Kind};
pub use problem::{Place, Problem, Problems};
pub use secret::Secret;
pub use sites::{NO_MAP, load_sites};

/// Where settings are looked for when the command line names no file, first found first.
pub const SEARCH: [&str; 2] = ["config/panelwright.toml", "/etc/panelwright/panelwright.toml"];

/// Everything that the service can be told.
#[derive(Clone, Debug)]
pub struct Settings {
    /// The file that they came from; `None` if the environment alone gave them.
    pub file: Option<PathBuf>,
    /// Where readings come from and figures go to.
    pub broker: Broker,
    /// The embedded store.
    pub store: Store,
    /// The directory of the maps, one file a site.
    pub sites: PathBuf,
    /// Central stores; none is needed.
    pub central: Vec<Central>,
    /// Topics out.
    pub publish: Publish,
    /// The API.
    pub web: Web,
    /// What is logged, as `tracing` filter directives (`info`, `warn,panelwright::mqtt=debug`).
    pub log_level: String,
}

/// The MQTT broker.
#[derive(Clone, Debug)]
pub struct Broker {
    /// Where it is.
    pub address: BrokerAddress,
    /// The client's name at the broker; the session is kept under it.
    pub client_id: String,
    /// User name, if the broker wants one.
    pub username: Option<String>,
    /// Password, if the broker wants one.
    pub password: Option<Secret>,
    /// Which version of the protocol is spoken.
    pub protocol: Protocol,
    /// PEM file of the authorities that sign the broker's certificate; the public ones if `None`.
    pub ca_file: Option<PathBuf>,
    /// PEM files of the client's certificate and its key.
    pub client_identity: Option<(PathBuf, PathBuf)>,
    /// How many QoS 1 messages may be unacknowledged at a time (MQTT 5).
    pub receive_maximum: u16,
    /// Time without traffic after which the connection is probed.
    pub keep_alive: Duration,
}

/// Where the broker is.
#[derive(Clone, Debug, PartialEq, Eq)]
pub enum BrokerAddress {
    /// Inside the daemon, listening on loopback.
    Embedded {
        /// The loopback address that it listens at.
        listen: SocketAddr,
    },
    /// Elsewhere.
    Remote {
        /// Name or address.
        host: String,
        /// Port.
        port: u16,
        /// Whether the connection is encrypted.
        tls: bool,
    },
}

/// A version of MQTT.
#[derive(Clone, Copy, Debug, PartialEq, Eq)]
pub enum Protocol {
    /// MQTT 5.
    V5,
    /// MQTT 3.1.1, for brokers that speak nothing newer.
    V3_1_1,
}

/// The embedded store.
#[derive(Clone, Debug, PartialEq, Eq)]
pub struct Store {
    /// Where its file lies.
    pub directory: PathBuf,
    /// The longest that a reading waits for its commit.
    pub commit_every: Duration,
    /// Days that sealed readings are kept; `None` is for ever.
    pub keep_readings_days: Option<u32>,
    /// Days that minutes are kept; `None` is for ever.
    pub keep_minutes_days: Option<u32>,
    /// How old a reading may be when it comes, where the map says nothing else.
    pub late_window: Duration,
}

/// A central store that speaks the InfluxDB v2 write API.
#[derive(Clone, Debug)]
pub struct Central {
    /// What it is called in messages, metrics and the outbox.
    pub name: String,
    /// Base address; a path is kept as a prefix.
    pub url: String,
    /// Organization.
    pub organization: String,
    /// Bucket.
    pub bucket: String,
    /// API token, if it wants one.
    pub token: Option<Secret>,
    /// The file that the token came from; it may be renewed there while the daemon runs.
    pub token_file: Option<PathBuf>,
    /// PEM file of the authorities that sign its certificate; the public ones if `None`.
    pub ca_file: Option<PathBuf>,
    /// How finely rows are sent.
    pub resolution: Resolution,
    /// Whether bodies are compressed.
    pub gzip: bool,
}

/// How finely a central store is told.
#[derive(Clone, Copy, Debug, PartialEq, Eq)]
pub enum Resolution {
    /// A row a minute.
    Minute,
    /// A row every 15 minutes.
    Quarter,
}

/// Topics out.
#[derive(Clone, Debug, PartialEq)]
pub struct Publish {
    /// Topic of the retained `now` body, with `{site}` in it; `None`: nothing is published.
    pub json: Option<String>,
    /// Topic of a site's retained alerts, with `{site}` in it; `None`: none are published.
    pub alerts: Option<String>,
    /// Topic of what the audit finds at a site, with `{site}` in it; `None`: nothing is published.
    pub findings: Option<String>,
    /// Topic that says whether the daemon is connected.
    pub state: String,
    /// Shortest time between two messages of one site.
    pub min_interval: Duration,
    /// Longest time between two messages of one site, changed or not; at most 60 s.
    pub max_interval: Duration,
    /// A change smaller than this in every figure waits for `max_interval`.
    pub dead_band_w: f64,
    /// Domain (the first level of the topics) and root device of the Homie devices; `None`: there
    /// are none.
    pub homie: Option<(String, String)>,
    /// The user's own announcements.
    pub announce: Vec<Announce>,
    /// Topic of a site's commands, with `{site}` in it; `None`: no commands are accepted.
    pub commands: Option<String>,
}

/// A kind of retained message in the user's own words.
#[derive(Clone, Debug, PartialEq, Eq)]
pub struct Announce {
    /// What there is one of.
    pub each: Each,
    /// Template of the topic.
    pub topic: Template,
    /// Template of the payload.
    pub payload: Template,
}

/// What there is one announcement of.
#[derive(Clone, Copy, Debug, PartialEq, Eq)]
pub enum Each {
    /// Each site.
    Site,
    /// Each circuit.
    Circuit,
    /// Each figure.
    Figure,
}

/// A template, and where it is written.
#[derive(Clone, Debug, PartialEq, Eq)]
pub struct Template {
    /// Its text.
    pub text: String,
    /// The file that it is in.
    pub file: String,
    /// The line of that file on which it begins.
    pub line: usize,
}

/// The API.
#[derive(Clone, Debug)]
pub struct Web {
    /// Where it listens.
    pub listen: SocketAddr,
    /// The password of the user `panelwright`; there always is one beyond loopback.
    pub password: Option<Password>,
    /// Tokens that let programs and displays read.
    pub tokens: Vec<Token>,
    /// How long a browser stays signed in.
    pub session: Duration,
    /// Where browsers reach it through a proxy.
    pub public_url: Option<PublicUrl>,
    /// PEM files of the certificate and its key; without them HTTP is not encrypted.
    pub tls: Option<(PathBuf, PathBuf)>,
}

/// The password, as its file holds it.
#[derive(Clone, Debug, PartialEq, Eq)]
pub enum Password {
    /// The password itself.
    Plain(Secret),
    /// Its hash by argon2id, in PHC string format.
    Hash(Secret),
}

/// A token that lets a program or a display read.
#[derive(Clone, Debug, PartialEq, Eq)]
pub struct Token {
    /// What it is called.
    pub name: String,
    /// SHA-256 of the token: it is 256 bits of chance, so that nothing slower is needed.
    pub hash: [u8; 32],
}

/// Where browsers reach the API through a proxy.
#[derive(Clone, Debug, PartialEq, Eq)]
pub struct PublicUrl {
    /// Host, with the port if it is not the scheme's own.
    pub authority: String,
    /// The path below which it is, such as `/panel`; empty at the root.
    pub base: String,
    /// Whether the proxy speaks TLS with browsers.
    pub is_https: bool,
    /// Whether the host is this machine by a loopback name.
    pub is_local: bool,
}

/// The file beside a store that holds the key by which commands on this machine ask its daemon.
pub fn local_key(store: &Path) -> PathBuf {
    store.join("api.key")
}

/// Reads a secret again whose file the settings name, under the same rules as at the start.
///
/// # Errors
/// What is wrong with the file, and what to do.
pub fn read_secret(path: &Path) -> Result<Secret, String> {
    secret::read(path).map_err(|unfit| format!("{}; {}", unfit.what, unfit.hint))
}

/// Settings that were read, good or not.
#[derive(Clone, Debug, Default)]
pub struct Checked {
    /// The file that they came from.
    pub file: Option<PathBuf>,
    /// The directory of the maps, if settings were found at all.
    pub sites: Option<PathBuf>,
    /// The settings, if nothing is wrong.
    pub settings: Option<Settings>,
    /// All that is wrong.
    pub problems: Problems,
}

/// Reads the settings of this process: [`load`] with its environment and working directory.
///
/// # Errors
/// Every problem at once.
pub fn load_here(path: Option<&Path>) -> Result<Settings, Problems> {
    let checked = check_here(path);
    checked.settings.ok_or(checked.problems)
}

/// Reads the settings of this process, and keeps what can be told of bad ones.
#[expect(clippy::disallowed_methods, reason = "settings are where the environment enters")]
pub fn check_here(path: Option<&Path>) -> Checked {
    check(path, std::env::vars().collect())
}

/// Reads the settings from `path` (else the first file of [`SEARCH`] that exists) and from the
/// variables of `environment` that start with `PANELWRIGHT__`.
///
/// # Errors
/// Every problem at once: the file does not parse, an unknown key, a wrong value, a secret that
/// others can read.
pub fn load(path: Option<&Path>, environment: BTreeMap<String, String>) -> Result<Settings, Problems> {
    let checked = check(path, environment);
    checked.settings.ok_or(checked.problems)
}

fn check(path: Option<&Path>, environment: BTreeMap<String, String>) -> Checked {
    let file = match path {
        Some(path) => Some(path.to_owned()),
        None => SEARCH.iter().map(PathBuf::from).find(|path| path.is_file()),
    };
    let mut problems = Problems::default();
    if file.is_none() && !environment.keys().any(|name| name.starts_with(layers::PREFIX)) {
        let looked = SEARCH.join(" and ");
        let what = format!("there is no settings file: looked for {looked}");
        problems.add(Place::Nowhere, what, "name one with --settings FILE");
        return Checked { problems, ..Checked::default() };
    }
    let layers = layers::Layers::read(file.clone(), environment, &mut problems);
    let sites = layers.path("sites.directory");
    let settings = assemble::assemble(layers, &mut problems).filter(|_| problems.is_empty());
    Checked { file, sites, settings, problems: problems.sorted() }
}

#[cfg(test)]
mod tests;
