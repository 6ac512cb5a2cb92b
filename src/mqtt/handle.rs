//! What the rest of the program does with the connection.

use std::sync::atomic::{AtomicUsize, Ordering};
use std::sync::{Arc, Mutex, MutexGuard, PoisonError};
use std::time::Duration;

use bytes::Bytes;
use tokio::sync::{mpsc, watch};
use tokio::task::AbortHandle;

use super::link::{Client, PUBLISH_QUEUE, Plan};
use super::supervisor::Supervisor;
use super::{AckToken, Incoming, Qos};

/// Acknowledges, publishes, changes the subscriptions and ends the connection. Cheap to clone;
/// nothing here waits, except [`Handle::shutdown`].
#[derive(Clone, Debug)]
pub struct Handle {
    current: Arc<Mutex<Option<Current>>>,
    control: Arc<watch::Sender<Control>>,
    window: usize,
    task: AbortHandle,
}

/// The connection that is up.
#[derive(Clone, Debug)]
pub(super) struct Current {
    pub(super) epoch: u32,
    pub(super) client: Client,
    /// Publications that wait to be written.
    pub(super) queued: Arc<AtomicUsize>,
}

/// What the supervisor is asked to do.
#[derive(Clone, Debug)]
pub(super) struct Control {
    pub(super) filters: Vec<String>,
    pub(super) phase: Phase,
}

/// How far the end has come.
#[derive(Clone, Copy, Debug, PartialEq, Eq, PartialOrd, Ord)]
pub(super) enum Phase {
    Running,
    /// Nothing comes in any more; acknowledgements and publications go out.
    Draining,
    /// And then goodbye.
    Leaving,
}

impl Handle {
    pub(super) fn start(plan: Plan, filters: Vec<String>, sender: mpsc::Sender<Vec<Incoming>>) -> Self {
        let (control, orders) = watch::channel(Control { filters, phase: Phase::Running });
        let current = Arc::new(Mutex::new(None));
        let window = plan.window();
        let supervisor = Supervisor::new(plan, sender, orders, Arc::clone(&current));
        let task = tokio::spawn(supervisor.run()).abort_handle();
        Self { current, control: Arc::new(control), window, task }
    }

    /// Acknowledges messages that are dealt with. Tokens of an earlier connection are dropped: the
    /// broker delivers those messages again, and their new tokens count. Returns how many were
    /// dropped.
    pub fn ack(&self, tokens: impl IntoIterator<Item = AckToken>) -> usize {
        // One look at the connection for all of them, held meanwhile, so that none goes elsewhere.
        let current = lock(&self.current);
        let sent = |token: &AckToken| {
            let Some(current) = current.as_ref() else { return false };
            current.epoch == token.epoch && current.client.acknowledge(token.packet)
        };
        tokens.into_iter().filter(|token| !sent(token)).count()
    }

    /// Queues a publication. False if there is no connection, no room, or the topic cannot be
    /// published to (a wildcard in it): then it is for the caller to publish the latest value later,
    /// at the latest after the next [`Incoming::Up`].
    pub fn publish(&self, topic: &str, payload: Bytes, qos: Qos, retain: bool) -> bool {
        let current = lock(&self.current);
        let Some(current) = current.as_ref() else { return false };
        if current.queued.fetch_add(1, Ordering::Relaxed) < PUBLISH_QUEUE
            && current.client.publish(topic, payload, qos, retain)
        {
            return true;
        }
        current.queued.fetch_sub(1, Ordering::Relaxed);
        false
    }

    /// How many unacknowledged messages the broker sends at most before it waits: who acknowledges
    /// in bulk must do so before that many are due. Under MQTT 3.1.1 it is the broker's secret; 20 is
    /// what is common.
    pub fn window(&self) -> Option<usize> {
        Some(self.window)
    }

    /// Subscribes to what is new among the filters and ends what is no longer among them.
    pub fn set_filters(&self, filters: Vec<String>) {
        self.control.send_if_modified(|control| {
            let changed = control.filters != filters;
            control.filters = filters;
            changed
        });
    }

    /// Lets nothing more in: what still comes is neither handed on nor acknowledged, and the broker
    /// keeps it for the next start. Acknowledgements and publications go on.
    pub fn stop_intake(&self) {
        self.advance(Phase::Draining);
    }

    /// Ends the connection: stops the intake, writes what was acknowledged and published before this
    /// call, says goodbye (so that the will is not published) and returns. The session stays at the
    /// broker. False if that took longer than `deadline`; then the connection is cut.
    pub async fn shutdown(&self, deadline: Duration) -> bool {
        self.advance(Phase::Leaving);
        // The supervisor has the only receiver: it is closed when the task has ended.
        let left = tokio::time::timeout(deadline, self.control.closed()).await.is_ok();
        self.task.abort();
        left
    }

    fn advance(&self, phase: Phase) {
        self.control.send_if_modified(|control| {
            let further = control.phase < phase;
            control.phase = control.phase.max(phase);
            further
        });
    }
}

/// A panic elsewhere cannot leave the connection half written: it is replaced as a whole.
pub(super) fn lock(current: &Mutex<Option<Current>>) -> MutexGuard<'_, Option<Current>> {
    current.lock().unwrap_or_else(PoisonError::into_inner)
}
