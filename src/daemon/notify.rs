//! Words to the service manager (`sd_notify`): ready, reloading, alive, stopping.

use std::time::Duration;

use sd_notify::NotifyState;

/// Speaks to the service manager that started this process, or to nobody.
#[derive(Debug, Default)]
pub struct Notifier {
    active: bool,
    watchdog: Option<Duration>,
}

impl Notifier {
    /// For a process that may run under a service manager.
    pub fn from_environment() -> Self {
        Self { active: true, watchdog: sd_notify::watchdog_enabled() }
    }

    /// For a daemon inside another program.
    pub fn silent() -> Self {
        Self::default()
    }

    /// How often the manager wants a sign of life, if it does; half of what it would kill at.
    pub fn alive_every(&self) -> Option<Duration> {
        self.watchdog.map(|limit| limit / 2)
    }

    fn say(&self, states: &[NotifyState<'_>]) {
        if self.active
            && let Err(error) = sd_notify::notify(states)
        {
            tracing::warn!("cannot speak to the service manager: {error}");
        }
    }

    /// Started: readings are taken in.
    pub fn ready(&self, status: &str) {
        self.say(&[NotifyState::Ready, NotifyState::Status(status)]);
    }

    /// The maps are being read again; [`Notifier::ready`] ends it.
    pub fn reloading(&self) {
        match NotifyState::monotonic_usec_now() {
            Ok(moment) => self.say(&[NotifyState::Reloading, moment]),
            Err(_) => self.say(&[NotifyState::Reloading]),
        }
    }

    /// Still doing its job.
    pub fn alive(&self) {
        if self.watchdog.is_some() {
            self.say(&[NotifyState::Watchdog]);
        }
    }

    /// An orderly stop has begun.
    pub fn stopping(&self) {
        self.say(&[NotifyState::Stopping]);
    }
}
