//! The task of one central store: gather, send, move the cursor on; wait where the server says so.

use std::ops::Range;
use std::sync::{Arc, Mutex, PoisonError};
use std::time::Duration;

use tokio::sync::{Notify, watch};
use tracing::{info, warn};

use super::answer::Verdict;
use super::backoff::Backoff;
use super::batch::{Batch, MAX_LINES};
use super::client::Client;
use super::gather::{Gathered, Within, gather};
use super::{Failure, Handle, Options, Outbox, Progress, Refused, StartError, State};
use crate::clock::Clock;
use crate::site::Site;
use crate::units::{Span, Stamp, TENTHS};

/// How often the outbox is looked at when nobody says that it has something new.
const LOOK_EVERY: Duration = Duration::from_secs(10);

/// Starts the task of one central store, on the current tokio runtime.
///
/// `sites` is the list that marks index into; it may be replaced at a reload.
///
/// # Errors
/// What is wrong with the options; nothing is sent then.
pub fn start<O: Outbox>(
    options: Options,
    sites: watch::Receiver<Vec<Arc<Site>>>,
    outbox: O,
    clock: Clock,
) -> Result<Handle, StartError> {
    options.check()?;
    let client = Client::new(&options)?;
    let (report, progress) = watch::channel(Progress::default());
    let (stop, stopped) = watch::channel(false);
    let wake = Arc::new(Notify::new());
    let task = Task {
        shared: Arc::new(Shared { options, outbox: Mutex::new(outbox) }),
        sites,
        client,
        clock,
        report,
        wake: wake.clone(),
        stopped,
        backoff: Backoff::default(),
        within: None,
        max_lines: MAX_LINES,
        well: true,
    };
    let task = tokio::spawn(task.run());
    Ok(Handle { progress, wake, stop, task })
}

/// The task was told to end.
struct Stopped;

/// What calls that block need; they run on threads of their own.
struct Shared<O> {
    options: Options,
    outbox: Mutex<O>,
}

struct Task<O> {
    shared: Arc<Shared<O>>,
    sites: watch::Receiver<Vec<Arc<Site>>>,
    client: Client,
    clock: Clock,
    report: watch::Sender<Progress>,
    wake: Arc<Notify>,
    stopped: watch::Receiver<bool>,
    backoff: Backoff,
    within: Option<Within>,
    /// Lines in a batch; fewer after the server said that it was too much.
    max_lines: usize,
    /// Whether the last that was logged was good news.
    well: bool,
}

impl<O: Outbox> Task<O> {
    async fn run(mut self) {
        while let Ok(()) = self.round().await {}
        self.report.send_modify(|progress| progress.state = State::Stopped);
    }

    /// One batch, or one wait.
    async fn round(&mut self) -> Result<(), Stopped> {
        let gathered = match self.gather().await {
            Ok(gathered) => gathered,
            Err(why) => return self.trouble_at_home(why).await,
        };
        self.report.send_modify(|progress| progress.behind = gathered.backlog);
        if gathered.is_idle() {
            return self.idle(gathered.due).await;
        }
        if !gathered.batch.is_empty() {
            self.report.send_modify(|progress| progress.state = State::Sending);
            self.deliver(&gathered.batch).await?;
        }
        self.within = gathered.within;
        if let Some(seq) = gathered.done {
            let advanced = self.with_outbox(move |outbox, options| outbox.advance(&options.name, seq)).await;
            if let Err(why) = advanced {
                return self.trouble_at_home(why).await;
            }
        }
        Ok(())
    }

    async fn gather(&self) -> anyhow::Result<Gathered> {
        let sites = self.sites.borrow().clone();
        let (within, max_lines, now) = (self.within, self.max_lines, self.clock.now());
        self.with_outbox(move |outbox, options| gather(outbox, options, &sites, within, max_lines, now)).await
    }

    /// Nothing to send: until there is, or until the next quarter is due.
    async fn idle(&mut self, due: Option<Stamp>) -> Result<(), Stopped> {
        self.report.send_modify(|progress| progress.state = State::Idle);
        let wait =
            due.map_or(LOOK_EVERY, |due| self.clock.until(due)).clamp(Duration::from_millis(1), LOOK_EVERY);
        let wake = self.wake.clone();
        tokio::select! {
            () = wake.notified() => Ok(()),
            () = tokio::time::sleep(wait) => Ok(()),
            () = stop(&mut self.stopped) => Err(Stopped),
        }
    }

    /// Sends a batch, in parts if it must be, until every line of it is taken or set aside. Parts
    /// go in order, so that the server sees the points in the order of the outbox.
    async fn deliver(&mut self, batch: &Batch) -> Result<(), Stopped> {
        // Last in, first out, the later half below: at most one entry for each halving.
        let whole = 0..batch.len();
        let mut parts = vec![whole];
        while let Some(lines) = parts.pop() {
            match self.offer(batch, lines.clone()).await? {
                Offered::Taken => self.taken(lines.len()),
                Offered::TooLarge(_) if lines.len() > 1 => {
                    self.max_lines = (lines.len() / 2).max(1);
                    parts.extend(halves(lines));
                }
                Offered::BadRecord(_) if lines.len() > 1 => parts.extend(halves(lines)),
                Offered::TooLarge(answer) | Offered::BadRecord(answer) => {
                    self.refuse(batch.record(lines.start), answer).await?;
                }
            }
        }
        Ok(())
    }

    /// Sends some lines until the server says yes or no to them.
    async fn offer(&mut self, batch: &Batch, lines: Range<usize>) -> Result<Offered, Stopped> {
        let body = self.client.body(batch.text(lines));
        // A token file is read again at once, but only once: after that it is worth a wait.
        let mut fresh_token = false;
        loop {
            let verdict = tokio::select! {
                verdict = self.client.write(&body, self.clock.now()) => verdict,
                () = stop(&mut self.stopped) => return Err(Stopped),
            };
            match verdict {
                Verdict::Taken => return Ok(Offered::Taken),
                Verdict::TooLarge(answer) => return Ok(Offered::TooLarge(answer)),
                Verdict::BadRecord(answer) => return Ok(Offered::BadRecord(answer)),
                Verdict::Later { asked, why } => {
                    let wait = self.backoff.next(asked);
                    self.wait(wait, why, |until| State::Waiting { until }).await?;
                }
                Verdict::Rejected { token, why } => {
                    if token && self.client.forget_token() && !fresh_token {
                        fresh_token = true;
                        continue;
                    }
                    let wait = self.backoff.next(None);
                    let what = if token { "the token" } else { "the address, organization or bucket" };
                    let why = format!("{what} is not accepted ({why}); mend the settings, nothing is lost");
                    self.wait(wait, why, |until| State::Held { until }).await?;
                    fresh_token = false;
                }
            }
        }
    }

    fn taken(&mut self, lines: usize) {
        self.backoff.reset();
        // A bound that the server once set may have been a passing one: it is probed slowly.
        self.max_lines = (self.max_lines + self.max_lines.div_ceil(16)).min(MAX_LINES);
        let now = self.clock.now();
        self.report.send_modify(|progress| {
            progress.state = State::Sending;
            progress.last_success = Some(now);
            progress.points += lines as u64;
        });
        if !std::mem::replace(&mut self.well, true) {
            info!(central = self.name(), "the central store takes points again");
        }
    }

    /// Sets a record aside. It has to be certain that it is kept before anything after it is sent.
    async fn refuse(&mut self, record: String, answer: String) -> Result<(), Stopped> {
        self.backoff.reset();
        let refused = Refused { record, answer, at: self.clock.now() };
        warn!(
            central = self.name(),
            record = refused.record,
            answer = refused.answer,
            "the central store refuses a record; it is set aside"
        );
        loop {
            let kept = refused.clone();
            match self.with_outbox(move |outbox, options| outbox.refuse(&options.name, &kept)).await {
                Ok(()) => break,
                Err(why) => self.trouble_at_home(why).await?,
            }
        }
        self.report.send_modify(|progress| {
            progress.refused += 1;
            progress.last_failure = Some(Failure { at: refused.at, why: refused.answer.clone() });
        });
        Ok(())
    }

    /// The embedded store did not answer; the central store has no part in it.
    async fn trouble_at_home(&mut self, why: anyhow::Error) -> Result<(), Stopped> {
        let wait = self.backoff.next(None);
        self.wait(wait, format!("the outbox cannot be read or written: {why:#}"), |until| State::Waiting {
            until,
        })
        .await
    }

    async fn wait(
        &mut self,
        wait: Duration,
        why: String,
        state: impl FnOnce(Stamp) -> State,
    ) -> Result<(), Stopped> {
        // The first of a row is logged; the rest shows in the progress, and the end is logged again.
        if std::mem::replace(&mut self.well, false) {
            warn!(central = self.name(), why, "the central store does not take points; they are kept");
        }
        let now = self.clock.now();
        let until = now + Span((wait.as_secs_f64() * TENTHS as f64) as i64);
        self.report.send_modify(|progress| {
            progress.state = state(until);
            progress.last_failure = Some(Failure { at: now, why });
        });
        tokio::select! {
            () = tokio::time::sleep(self.on_clock(wait)) => Ok(()),
            () = stop(&mut self.stopped) => Err(Stopped),
        }
    }

    /// How long a wait lasts here: a simulated clock that runs faster makes it shorter.
    fn on_clock(&self, wait: Duration) -> Duration {
        wait.div_f64(self.clock.speed())
    }

    /// Calls the outbox on a thread that may block.
    async fn with_outbox<T: Send + 'static>(
        &self,
        call: impl FnOnce(&mut O, &Options) -> anyhow::Result<T> + Send + 'static,
    ) -> anyhow::Result<T> {
        let shared = self.shared.clone();
        let work = move || {
            // A panic in an earlier call says nothing about this one.
            let mut outbox = shared.outbox.lock().unwrap_or_else(PoisonError::into_inner);
            call(&mut outbox, &shared.options)
        };
        tokio::task::spawn_blocking(work).await?
    }

    fn name(&self) -> &str {
        &self.shared.options.name
    }
}

/// What came of some lines that the server said yes or no to.
enum Offered {
    Taken,
    TooLarge(String),
    BadRecord(String),
}

/// The later half first, since the last is taken first.
fn halves(lines: Range<usize>) -> [Range<usize>; 2] {
    let middle = lines.start + lines.len() / 2;
    [middle..lines.end, lines.start..middle]
}

/// Resolves when the task is to end; a handle that was dropped ends it too.
async fn stop(stopped: &mut watch::Receiver<bool>) {
    // Either way it is over.
    let _ = stopped.wait_for(|stop| *stop).await;
}
