//! The built program, in a directory of its own.

use std::path::{Path, PathBuf};
use std::process::{Command, ExitStatus};
use std::time::Duration;

use rustix::process::Signal;
use tempfile::TempDir;

use super::process::{Process, command};
use super::{Answer, START, free_port, get, poll};

/// The program under test.
const PROGRAM: &str = env!("CARGO_BIN_EXE_panelwright");

/// What the daemon is started with.
#[derive(Clone, Debug, Default)]
pub struct Setup {
    broker: String,
    sites: Vec<(String, String)>,
    more: String,
    environment: Vec<(String, String)>,
}

impl Setup {
    /// A daemon on the broker at `url` (`mqtt://…`), without a site yet.
    pub fn new(url: &str) -> Self {
        Self { broker: format!("[broker]\nurl = \"{url}\"\n"), ..Self::default() }
    }

    /// More keys of the `[broker]` table, as TOML.
    pub fn broker(mut self, keys: &str) -> Self {
        self.broker.push_str(keys);
        self.broker.push('\n');
        self
    }

    /// A site's map, as the text of its file; `file` without directory or ending.
    pub fn site(mut self, file: &str, map: &str) -> Self {
        self.sites.push((file.to_owned(), map.to_owned()));
        self
    }

    /// More tables of the settings file, as TOML; not `[broker]`, `[web]`, or the directories of
    /// `[store]` and `[sites]`.
    pub fn settings(mut self, tables: &str) -> Self {
        self.more.push_str(tables);
        self.more.push('\n');
        self
    }

    /// A variable of its environment.
    pub fn env(mut self, name: &str, value: &str) -> Self {
        self.environment.push((name.to_owned(), value.to_owned()));
        self
    }

    /// Writes it all into a temporary directory and starts `panelwright run`; ready when its API
    /// answers.
    #[track_caller]
    pub fn start(self) -> Panelwright {
        let mut daemon = self.lay_out();
        daemon.restart();
        daemon
    }

    /// Writes it all into a temporary directory and starts nothing.
    pub fn lay_out(self) -> Panelwright {
        let directory = tempfile::tempdir().expect("a temporary directory");
        let sites = directory.path().join("sites");
        std::fs::create_dir(&sites).expect("a directory for the sites");
        for (file, map) in &self.sites {
            std::fs::write(sites.join(format!("{file}.toml")), map).expect("a map is written");
        }
        let port = free_port();
        let store = directory.path().join("store");
        let text = format!(
            "{}\n[store]\ndirectory = {store:?}\n\n[sites]\ndirectory = \"sites\"\n\n[web]\nlisten = \"127.0.0.1:{port}\"\n\n{}",
            self.broker, self.more
        );
        std::fs::write(directory.path().join("panelwright.toml"), text).expect("settings are written");
        Panelwright { process: None, directory, port, environment: self.environment }
    }
}

/// The daemon; ends with the test.
#[derive(Debug)]
pub struct Panelwright {
    process: Option<Process>,
    directory: TempDir,
    port: u16,
    environment: Vec<(String, String)>,
}

impl Panelwright {
    /// Starts it (again) on the same settings and store, and waits until its API answers.
    #[track_caller]
    pub fn restart(&mut self) {
        self.kill9();
        self.launch();
        if let Some(status) = self.await_answer() {
            panic!("panelwright ended ({status}) before its API answered:\n{}", self.log());
        }
    }

    /// Starts it without waiting for its API: for settings that it must refuse.
    pub fn launch(&mut self) {
        let mut start = self.command(&["run"]);
        self.process = Some(Process::start(&mut start, &self.directory.path().join("log")));
    }

    /// Another command of the program, with this daemon's settings.
    pub fn command(&self, arguments: &[&str]) -> Command {
        let mut start = command(PROGRAM);
        start.args(arguments).arg("--settings").arg(self.settings_file());
        start.envs(self.environment.iter().map(|(name, value)| (name, value)));
        start.current_dir(self.directory.path());
        start
    }

    /// Runs a command to its end: exit status, standard output, standard error.
    pub fn run(&self, arguments: &[&str]) -> (i32, String, String) {
        let output = self.command(arguments).output().expect("the program starts");
        let text = |bytes: &[u8]| String::from_utf8_lossy(bytes).into_owned();
        (output.status.code().unwrap_or(-1), text(&output.stdout), text(&output.stderr))
    }

    /// The settings file.
    pub fn settings_file(&self) -> PathBuf {
        self.directory.path().join("panelwright.toml")
    }

    /// The store's directory.
    pub fn store(&self) -> PathBuf {
        self.directory.path().join("store")
    }

    /// A site's map, to be changed before [`Self::sighup`].
    pub fn map_file(&self, file: &str) -> PathBuf {
        self.directory.path().join("sites").join(format!("{file}.toml"))
    }

    /// The directory that holds all of this.
    pub fn directory(&self) -> &Path {
        self.directory.path()
    }

    /// Its process id; panics if it is not running.
    pub fn id(&self) -> u32 {
        self.process.as_ref().expect("a running daemon").id()
    }

    /// Where its API is, without a slash at the end.
    pub fn url(&self) -> String {
        format!("http://127.0.0.1:{}", self.port)
    }

    /// `GET path`; panics if there is no answer.
    #[track_caller]
    pub fn get(&self, path: &str) -> Answer {
        match get(&format!("{}{path}", self.url())) {
            Ok(answer) => answer,
            Err(why) => panic!("GET {path}: {why}\n{}", self.log()),
        }
    }

    /// The live figures of a site.
    #[track_caller]
    pub fn now(&self, site: &str) -> serde_json::Value {
        let answer = self.get(&format!("/api/sites/{site}/now"));
        assert_eq!(answer.status, 200, "{answer:?}");
        answer.json()
    }

    /// Waits until health is 200: broker and store work.
    #[track_caller]
    pub fn wait_healthy(&self) {
        let url = format!("{}/health", self.url());
        if poll(START, || get(&url).ok().filter(|answer| answer.status == 200)).is_none() {
            panic!("not healthy within {START:?}: {:?}\n{}", get(&url), self.log());
        }
    }

    /// SIGTERM, and how it ended; panics if that takes longer than 20 s (it promises 15).
    #[track_caller]
    pub fn sigterm(&mut self) -> ExitStatus {
        let process = self.process.as_mut().expect("a running daemon");
        process.signal(Signal::TERM);
        let status = process.wait(Duration::from_secs(20));
        self.process = None;
        status
    }

    /// SIGKILL, as a power cut; nothing if it is not running.
    pub fn kill9(&mut self) {
        if let Some(process) = &mut self.process {
            process.kill();
        }
        self.process = None;
    }

    /// SIGHUP: read the maps again.
    pub fn sighup(&mut self) {
        self.process.as_mut().expect("a running daemon").signal(Signal::HUP);
    }

    /// Waits for it to end by itself, and how it did.
    #[track_caller]
    pub fn wait(&mut self, within: Duration) -> ExitStatus {
        self.process.as_mut().expect("a running daemon").wait(within)
    }

    /// The end of what it wrote to standard output and standard error.
    pub fn log(&self) -> String {
        match &self.process {
            Some(process) => process.log(),
            None => std::fs::read_to_string(self.directory.path().join("log")).unwrap_or_default(),
        }
    }

    /// How it ended, if it did before its API answered.
    fn await_answer(&mut self) -> Option<ExitStatus> {
        let url = format!("{}/health", self.url());
        let process = self.process.as_mut().expect("a running daemon");
        let outcome = poll(START, || match process.ended() {
            Some(status) => Some(Some(status)),
            None => get(&url).ok().map(|_| None),
        });
        match outcome {
            Some(ended) => ended,
            None => panic!("no answer from {url} within {START:?}:\n{}", process.log()),
        }
    }
}
