//! Debian's VictoriaMetrics, a real server of the InfluxDB v2 write API, on a free loopback port.

use std::collections::BTreeMap;

use rustix::process::Signal;
use serde::Deserialize;
use tempfile::TempDir;

use super::process::{Process, command};
use super::{START, find, free_port, get, poll};

/// Fresh ports tried, as for the broker.
const TRIES: usize = 5;

/// A central store that ends with the test.
#[derive(Debug)]
pub struct VictoriaMetrics {
    process: Option<Process>,
    directory: TempDir,
    port: u16,
    arguments: Vec<String>,
}

/// One series as the server exports it.
#[derive(Clone, Debug, Deserialize, PartialEq)]
pub struct Series {
    /// Its name (`__name__`: measurement and field with `_` between) and tags.
    pub metric: BTreeMap<String, String>,
    /// Its values.
    pub values: Vec<f64>,
    /// Their times in milliseconds since the Unix epoch.
    pub timestamps: Vec<i64>,
}

impl Series {
    /// Its name.
    pub fn name(&self) -> &str {
        self.metric.get("__name__").map_or("", String::as_str)
    }

    /// One of its tags; empty if it has none of that name.
    pub fn tag(&self, name: &str) -> &str {
        self.metric.get(name).map_or("", String::as_str)
    }
}

impl VictoriaMetrics {
    /// Starts a server with an empty store; ready when it answers.
    #[track_caller]
    pub fn start() -> Self {
        Self::start_with(&[])
    }

    /// The same with more arguments on its command line.
    #[track_caller]
    pub fn start_with(arguments: &[&str]) -> Self {
        let arguments: Vec<String> = arguments.iter().map(|&argument| argument.to_owned()).collect();
        let mut log = String::new();
        for _ in 0..TRIES {
            let directory = tempfile::tempdir().expect("a temporary directory");
            let mut server =
                Self { process: None, directory, port: free_port(), arguments: arguments.clone() };
            match server.launch() {
                Ok(()) => return server,
                Err(why) => log = why,
            }
        }
        panic!("victoria-metrics does not come up:\n{log}");
    }

    /// Where it listens, without a slash at the end.
    pub fn url(&self) -> String {
        format!("http://127.0.0.1:{}", self.port)
    }

    /// The port that it listens on.
    pub fn port(&self) -> u16 {
        self.port
    }

    /// Every stored point of the series that `matcher` selects (`{__name__!=""}`, `panelwright_w`, …),
    /// those included that were written a moment ago.
    #[track_caller]
    pub fn export(&self, matcher: &str) -> Vec<Series> {
        // Fresh points are kept in memory for up to a second before queries see them.
        let flushed = get(&format!("{}/internal/force_flush", self.url())).expect("the server answers");
        assert_eq!(flushed.status, 200, "{flushed:?}");
        let url = format!("{}/api/v1/export?match[]={}&reduce_mem_usage=1", self.url(), encode(matcher));
        let answer = get(&url).expect("the server answers");
        assert_eq!(answer.status, 200, "{answer:?}");
        let series = |line| serde_json::from_str(line).unwrap_or_else(|why| panic!("{why}: {line}"));
        answer.body.lines().filter(|line| !line.is_empty()).map(series).collect()
    }

    /// SIGKILL.
    pub fn kill(&mut self) {
        if let Some(process) = &mut self.process {
            process.kill();
        }
        self.process = None;
    }

    /// SIGTERM: it saves what it holds in memory before it ends.
    pub fn stop(&mut self) {
        if let Some(process) = &mut self.process {
            process.signal(Signal::TERM);
            process.wait(START);
        }
        self.process = None;
    }

    /// Starts it again on the same port and data, ending it first if it still runs.
    #[track_caller]
    pub fn restart(&mut self) {
        self.stop();
        if let Err(log) = self.launch() {
            panic!("victoria-metrics does not come back:\n{log}");
        }
    }

    fn launch(&mut self) -> Result<(), String> {
        let program = find("victoria-metrics").expect("installed: ask harness::require first");
        let mut start = command(program);
        start
            .arg(format!("-httpListenAddr=127.0.0.1:{}", self.port))
            .arg(format!("-storageDataPath={}", self.directory.path().join("data").display()))
            .args(["-retentionPeriod=100y", "-search.latencyOffset=0s"])
            // Its default is a share of the machine's memory; tests hold next to nothing.
            .arg("-memory.allowedBytes=128MB")
            .args(&self.arguments);
        let mut process = Process::start(&mut start, &self.directory.path().join("log"));
        let health = format!("{}/health", self.url());
        let up = poll(START, || {
            if process.ended().is_some() {
                return Some(false);
            }
            get(&health).ok().filter(|answer| answer.status == 200).map(|_| true)
        });
        if up == Some(true) && process.ended().is_none() {
            self.process = Some(process);
            return Ok(());
        }
        Err(process.log())
    }
}

/// Percent-encodes everything that is not plainly safe in a query.
fn encode(text: &str) -> String {
    let safe = |byte: u8| byte.is_ascii_alphanumeric() || b"-_.~".contains(&byte);
    text.bytes()
        .map(|byte| if safe(byte) { (byte as char).to_string() } else { format!("%{byte:02X}") })
        .collect()
}
