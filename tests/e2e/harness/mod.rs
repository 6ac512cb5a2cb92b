//! What every end-to-end test stands on: servers on free loopback ports, in directories of their
//! own, that end with the test.
//!
//! Everything here is synchronous, so that it serves plain and `async` tests alike.
#![allow(dead_code, unused_imports, reason = "each helper is there for whichever test needs it")]

mod daemon;
mod mosquitto;
mod mqtt;
mod process;
mod victoria;

use std::net::{Ipv4Addr, TcpListener};
use std::path::PathBuf;
use std::time::{Duration, Instant};

pub use daemon::{Panelwright, Setup};
pub use mosquitto::Mosquitto;
pub use mqtt::{Publisher, Received, Subscriber};
pub use process::{Process, command};
pub use victoria::{Series, VictoriaMetrics};

/// How often a condition is looked at.
const POLL: Duration = Duration::from_millis(20);

/// How long a server may take to come up. Generous: a loaded CI machine is slow, and only a
/// failing test ever waits it out.
pub const START: Duration = Duration::from_secs(20);

/// Waits until `condition` holds; panics where it was called from if it does not `within` that time.
#[track_caller]
pub fn eventually(within: Duration, mut condition: impl FnMut() -> bool) {
    assert!(poll(within, || condition().then_some(())).is_some(), "not so within {within:?}");
}

/// Waits for a value; `None` if there is none `within` that time.
pub fn poll<T>(within: Duration, mut look: impl FnMut() -> Option<T>) -> Option<T> {
    let until = Instant::now() + within;
    loop {
        if let Some(found) = look() {
            return Some(found);
        }
        if Instant::now() >= until {
            return None;
        }
        std::thread::sleep(POLL);
    }
}

/// Whether `program` is installed. If not: says that the test is skipped, or fails it in CI.
#[must_use]
pub fn require(program: &str) -> bool {
    if find(program).is_some() {
        return true;
    }
    let missing = format!("{program} is not installed (tests/run installs what the tests need)");
    assert!(std::env::var_os("CI").is_none(), "{missing}");
    eprintln!("skipped: {missing}");
    false
}

/// Where `program` is: on the path, or where Debian keeps servers that a user's path lacks.
fn find(program: &str) -> Option<PathBuf> {
    let path = std::env::var_os("PATH").unwrap_or_default();
    let directories = std::env::split_paths(&path).chain(["/usr/sbin", "/usr/local/sbin"].map(PathBuf::from));
    directories.map(|directory| directory.join(program)).find(|candidate| candidate.is_file())
}

/// A loopback port that was free a moment ago. Another process can take it before it is used, so
/// a server that fails to come up on it is tried on another.
pub fn free_port() -> u16 {
    let listener = TcpListener::bind((Ipv4Addr::LOCALHOST, 0)).expect("a free loopback port");
    listener.local_addr().expect("a bound socket has an address").port()
}

/// What a server answered.
#[derive(Debug)]
pub struct Answer {
    /// The HTTP status.
    pub status: u16,
    /// The body, as text.
    pub body: String,
}

impl Answer {
    /// The body as JSON.
    #[track_caller]
    pub fn json(&self) -> serde_json::Value {
        serde_json::from_str(&self.body).unwrap_or_else(|why| panic!("no JSON ({why}): {self:?}"))
    }
}

/// `GET url`; an error only where there is no answer at all.
pub fn get(url: &str) -> Result<Answer, ureq::Error> {
    let config = ureq::Agent::config_builder()
        .http_status_as_error(false)
        .timeout_global(Some(Duration::from_secs(10)))
        .proxy(None)
        .build();
    let mut response = ureq::Agent::new_with_config(config).get(url).call()?;
    // The largest bodies that tests read are exports of some MB.
    let body = response.body_mut().with_config().limit(256 << 20).read_to_string()?;
    Ok(Answer { status: response.status().as_u16(), body })
}
