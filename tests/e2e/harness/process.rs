//! A child process that ends with the test, with its output kept for the message of a failure.

use std::ffi::OsStr;
use std::fs::File;
use std::path::{Path, PathBuf};
use std::process::{Child, Command, ExitStatus, Stdio};
use std::time::Duration;

use rustix::process::{Pid, Signal, kill_process};

/// How much of a log a failure shows.
const TAIL: usize = 6_000;

/// A running program.
#[derive(Debug)]
pub struct Process {
    child: Child,
    log: PathBuf,
    ended: Option<ExitStatus>,
}

impl Process {
    /// Starts `command` with both outputs in `log`, which is appended to over restarts.
    pub fn start(command: &mut Command, log: &Path) -> Self {
        let out = File::options().create(true).append(true).open(log).expect("a log file");
        let err = out.try_clone().expect("a second handle on the log");
        let child = command
            .stdin(Stdio::null())
            .stdout(out)
            .stderr(err)
            .spawn()
            .unwrap_or_else(|why| panic!("{:?} does not start: {why}", command.get_program()));
        Self { child, log: log.to_owned(), ended: None }
    }

    /// Its process id.
    pub fn id(&self) -> u32 {
        self.child.id()
    }

    /// How it ended, if it has.
    pub fn ended(&mut self) -> Option<ExitStatus> {
        if self.ended.is_none() {
            self.ended = self.child.try_wait().expect("a child can be waited for");
        }
        self.ended
    }

    /// Sends a signal, unless it has ended.
    pub fn signal(&mut self, signal: Signal) {
        if self.ended().is_none() {
            let pid = Pid::from_raw(self.child.id() as i32).expect("a process id is not 0");
            kill_process(pid, signal).expect("a child can be signalled");
        }
    }

    /// Waits for its end; panics with its log if that takes longer than `within`.
    #[track_caller]
    pub fn wait(&mut self, within: Duration) -> ExitStatus {
        match super::poll(within, || self.ended()) {
            Some(status) => status,
            None => panic!("still running after {within:?}:\n{}", self.log()),
        }
    }

    /// Ends it at once, as a power cut would.
    pub fn kill(&mut self) {
        self.signal(Signal::KILL);
        self.wait(super::START);
    }

    /// The end of what it wrote.
    pub fn log(&self) -> String {
        let all = std::fs::read(&self.log).unwrap_or_default();
        String::from_utf8_lossy(&all[all.len().saturating_sub(TAIL)..]).into_owned()
    }
}

impl Drop for Process {
    fn drop(&mut self) {
        if std::thread::panicking() {
            eprintln!("--- {} ---\n{}", self.log.display(), self.log());
        }
        // Never panic in drop: a child that is already gone is what is wanted.
        let _ = self.child.kill();
        let _ = self.child.wait();
    }
}

/// A command with nothing of this project's settings in its environment.
pub fn command(program: impl AsRef<OsStr>) -> Command {
    let mut command = Command::new(program);
    for (name, _) in std::env::vars_os() {
        if name.to_string_lossy().starts_with("PANELWRIGHT") {
            command.env_remove(name);
        }
    }
    command
}
