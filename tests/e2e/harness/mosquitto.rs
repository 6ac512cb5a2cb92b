//! Debian's Mosquitto on a free loopback port.

use std::net::{Ipv4Addr, TcpStream};
use std::path::Path;

use rustix::process::Signal;
use tempfile::TempDir;

use super::process::{Process, command};
use super::{START, find, free_port, poll};

/// How often a fresh port is tried: each try fails only if another process took the port in the
/// milliseconds between its choice and its use.
const TRIES: usize = 5;

/// A broker that ends with the test.
#[derive(Debug)]
pub struct Mosquitto {
    process: Option<Process>,
    directory: TempDir,
    port: u16,
}

impl Mosquitto {
    /// Starts a broker with `extra_conf` added to its settings; ready when it accepts connections.
    ///
    /// Anonymous clients are let in and nothing is kept over a restart, unless `extra_conf` says
    /// `allow_anonymous`, `persistence` or `persistence_location` itself.
    #[track_caller]
    pub fn start(extra_conf: &str) -> Self {
        let mut log = String::new();
        for _ in 0..TRIES {
            let directory = tempfile::tempdir().expect("a temporary directory");
            let mut broker = Self { process: None, directory, port: free_port() };
            std::fs::write(broker.conf(), broker.settings(extra_conf)).expect("settings are written");
            match broker.launch() {
                Ok(()) => return broker,
                Err(why) => log = why,
            }
        }
        panic!("mosquitto does not come up:\n{log}");
    }

    /// The port that it listens on.
    pub fn port(&self) -> u16 {
        self.port
    }

    /// Where clients connect to.
    pub fn url(&self) -> String {
        format!("mqtt://127.0.0.1:{}", self.port)
    }

    /// Its process id; panics if it is not running.
    pub fn id(&self) -> u32 {
        self.process.as_ref().expect("a running broker").id()
    }

    /// Its directory, for password files and certificates.
    pub fn directory(&self) -> &Path {
        self.directory.path()
    }

    /// Adds to its settings, for the next [`Self::restart`]: for what names files in its directory.
    pub fn add_conf(&self, extra: &str) {
        let conf = std::fs::read_to_string(self.conf()).expect("settings are there") + extra;
        std::fs::write(self.conf(), conf).expect("settings are written");
    }

    /// The end of its log.
    pub fn log(&self) -> String {
        std::fs::read_to_string(self.directory.path().join("log")).unwrap_or_default()
    }

    /// SIGKILL: it saves nothing, and its clients see the connection break.
    pub fn kill(&mut self) {
        if let Some(process) = &mut self.process {
            process.kill();
        }
        self.process = None;
    }

    /// SIGTERM: with `persistence true` it saves its sessions before it ends.
    pub fn stop(&mut self) {
        if let Some(process) = &mut self.process {
            process.signal(Signal::TERM);
            process.wait(START);
        }
        self.process = None;
    }

    /// SIGSTOP: the connection stays, and nothing moves on it.
    pub fn freeze(&mut self) {
        self.process.as_mut().expect("a running broker").signal(Signal::STOP);
    }

    /// SIGCONT, after [`Self::freeze`].
    pub fn thaw(&mut self) {
        self.process.as_mut().expect("a running broker").signal(Signal::CONT);
    }

    /// Starts it again on the same port, ending it first (by SIGKILL) if it still runs.
    #[track_caller]
    pub fn restart(&mut self) {
        self.kill();
        if let Err(log) = self.launch() {
            panic!("mosquitto does not come back:\n{log}");
        }
    }

    fn conf(&self) -> std::path::PathBuf {
        self.directory.path().join("mosquitto.conf")
    }

    fn settings(&self, extra: &str) -> String {
        let says = |key: &str| extra.lines().any(|line| line.split_whitespace().next() == Some(key));
        let mut conf = format!("listener {} 127.0.0.1\n", self.port);
        // Started by root it would become another user, who cannot write into this directory.
        conf.push_str("user root\n");
        if !says("persistence_location") {
            conf.push_str(&format!("persistence_location {}/\n", self.directory.path().display()));
        }
        for (key, default) in [("allow_anonymous", "true"), ("persistence", "false")] {
            if !says(key) {
                conf.push_str(&format!("{key} {default}\n"));
            }
        }
        conf.push_str(extra);
        conf.push('\n');
        conf
    }

    fn launch(&mut self) -> Result<(), String> {
        let program = find("mosquitto").expect("mosquitto is installed: ask harness::require first");
        let log = self.directory.path().join("log");
        let mut process = Process::start(command(program).arg("-c").arg(self.conf()), &log);
        let up = poll(START, || {
            if process.ended().is_some() {
                return Some(false);
            }
            TcpStream::connect((Ipv4Addr::LOCALHOST, self.port)).ok().map(|_| true)
        });
        // Another process can have taken the port, so that the connect succeeds while the broker
        // is about to give up: then its log says so.
        if up == Some(true) && process.ended().is_none() && !process.log().contains("Address already in use")
        {
            self.process = Some(process);
            return Ok(());
        }
        Err(process.log())
    }
}
