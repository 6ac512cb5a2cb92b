//! What works and what does not, since when; and the counters behind `/metrics`.
//!
//! One [`Board`] is shared by every part of the daemon. Counting costs one atomic addition; only
//! [`Board::report`] and the label families take a lock, and they are called a few times a second
//! at most.

use std::collections::BTreeMap;
use std::fmt;
use std::sync::atomic::{AtomicI64, AtomicU64};
use std::sync::{Mutex, MutexGuard, PoisonError};

use prometheus_client::encoding::EncodeLabelSet;
use prometheus_client::metrics::counter::Counter;
use prometheus_client::metrics::family::Family;
use prometheus_client::metrics::gauge::Gauge;
use prometheus_client::metrics::histogram::Histogram;
use prometheus_client::metrics::info::Info;
use prometheus_client::registry::{Registry, Unit};

use crate::units::Stamp;

/// Bounds of the commit histogram in seconds: an fsync takes 0.1 ms on a solid-state disk and
/// 5-20 ms on a memory card; seconds mean that the disk is failing or shared with something heavy.
const COMMIT_BUCKETS_S: [f64; 10] = [0.001, 0.002, 0.005, 0.01, 0.02, 0.05, 0.1, 0.5, 2.0, 10.0];

/// A part of the daemon whose state is known.
#[derive(Clone, Debug, PartialEq, Eq, PartialOrd, Ord, Hash)]
pub enum Part {
    /// Deriving the splits of a site again after a correction of its map, by the site's id. It is
    /// there while that goes on, and busy, not broken.
    Rederive(String),
    /// The connection to the broker.
    Broker,
    /// The embedded store.
    Store,
    /// Topics out.
    Publish,
    /// The connection that Homie devices and announcements go out by.
    Hub,
    /// The channel maps: a reload that was refused is told here, while the old maps run on.
    Maps,
    /// The API's certificate: one that cannot serve is told here, while the former is shown on.
    Certificate,
    /// The password and the tokens of the API: a change that was refused is told here, while the former
    /// ones hold on.
    Access,
    /// A central store, by its name in the settings.
    Central(String),
    /// The channels of a site, by the site's id.
    Channels(String),
    /// What breakers and legs of a site carry, by the site's id.
    Loading(String),
    /// What the audit says of the map of a site, by the site's id.
    Audit(String),
}

impl Part {
    /// Whether the daemon fails at its job while this part does. Without the broker nothing comes
    /// in, without the store nothing is kept; all else delays or thins what is known.
    pub fn is_vital(&self) -> bool {
        matches!(self, Self::Broker | Self::Store)
    }

    /// The id of the site that it is about; `None` for what all sites share.
    pub fn site(&self) -> Option<&str> {
        match self {
            Self::Rederive(site) | Self::Channels(site) | Self::Loading(site) | Self::Audit(site) => {
                Some(site)
            }
            Self::Broker
            | Self::Store
            | Self::Publish
            | Self::Hub
            | Self::Maps
            | Self::Certificate
            | Self::Access
            | Self::Central(_) => None,
        }
    }
}

impl fmt::Display for Part {
    fn fmt(&self, f: &mut fmt::Formatter<'_>) -> fmt::Result {
        match self {
            Self::Rederive(site) => write!(f, "rederive/{site}"),
            Self::Broker => f.write_str("broker"),
            Self::Store => f.write_str("store"),
            Self::Publish => f.write_str("publish"),
            Self::Hub => f.write_str("hub"),
            Self::Maps => f.write_str("maps"),
            Self::Certificate => f.write_str("certificate"),
            Self::Access => f.write_str("access"),
            Self::Central(name) => write!(f, "central/{name}"),
            Self::Channels(site) => write!(f, "channels/{site}"),
            Self::Loading(site) => write!(f, "loading/{site}"),
            Self::Audit(site) => write!(f, "audit/{site}"),
        }
    }
}

/// How a part is.
#[derive(Clone, Debug, PartialEq, Eq)]
pub struct PartState {
    /// Whether it does its job.
    pub ok: bool,
    /// What is wrong, or what is worth knowing; empty where there is nothing to say.
    pub why: String,
    /// Since when `ok` has been what it is.
    pub since: Stamp,
}

/// The whole at one moment.
#[derive(Clone, Copy, Debug, PartialEq, Eq, PartialOrd, Ord)]
pub enum Overall {
    /// Every part does its job.
    Healthy,
    /// A part that is not vital does not.
    Degraded,
    /// A vital part does not.
    Failing,
}

impl Overall {
    /// The word that the API uses.
    pub fn as_str(self) -> &'static str {
        match self {
            Self::Healthy => "healthy",
            Self::Degraded => "degraded",
            Self::Failing => "failing",
        }
    }
}

/// Every part's state, and what they add up to.
#[derive(Clone, Debug, PartialEq, Eq)]
pub struct Snapshot {
    /// The worst that a part makes of it.
    pub overall: Overall,
    /// In a fixed order: by kind, then by name.
    pub parts: Vec<(Part, PartState)>,
}

/// A label set of a central store. The settings bound how many there are.
#[derive(Clone, Debug, PartialEq, Eq, Hash, EncodeLabelSet)]
struct CentralLabel {
    central: String,
}

/// A label set of a site. The maps bound how many there are.
#[derive(Clone, Debug, PartialEq, Eq, Hash, EncodeLabelSet)]
struct SiteLabel {
    site: String,
}

/// A label set of a reason. Reasons are static texts of the program, which bounds them.
#[derive(Clone, Debug, PartialEq, Eq, Hash, EncodeLabelSet)]
struct ReasonLabel {
    reason: &'static str,
}

/// A gauge of seconds.
type SecondsGauge = Gauge<f64, AtomicU64>;
/// A gauge of things.
type CountGauge = Gauge<i64, AtomicI64>;

/// The counters that parts raise themselves, each with one atomic addition.
#[derive(Debug)]
pub struct Counters {
    /// Messages that came in from the broker.
    pub messages_received: Counter,
    /// Readings that entered the books.
    pub readings_accepted: Counter,
    /// Batches that the store committed.
    pub batches_committed: Counter,
    /// Readings in them.
    pub readings_committed: Counter,
    /// Seconds that a commit took.
    pub commit_seconds: Histogram,
    /// Messages received and not yet acknowledged to the broker.
    pub messages_unacknowledged: CountGauge,
    /// Minutes of a site that closed, or changed because of a late reading.
    pub minutes_closed: Counter,
    /// Messages that were handed to the broker.
    pub messages_published: Counter,
    /// Commands that came over MQTT and were carried out.
    pub commands_accepted: Counter,
    /// Viewers of the live stream.
    pub live_viewers: CountGauge,
    /// How far the newest closed tick is behind the clock, in seconds.
    pub tick_lag_seconds: SecondsGauge,
    /// Times that the connection to the broker was lost.
    pub broker_disconnections: Counter,
    /// UTC days whose splits were derived again after a correction of a map.
    pub days_rederived: Counter,
    /// Minutes that a correction changed and that the outbox has not got yet.
    pub minutes_to_correct: CountGauge,
}

impl Default for Counters {
    fn default() -> Self {
        Self {
            messages_received: Counter::default(),
            readings_accepted: Counter::default(),
            batches_committed: Counter::default(),
            readings_committed: Counter::default(),
            commit_seconds: Histogram::new(COMMIT_BUCKETS_S),
            messages_unacknowledged: CountGauge::default(),
            minutes_closed: Counter::default(),
            messages_published: Counter::default(),
            commands_accepted: Counter::default(),
            live_viewers: CountGauge::default(),
            tick_lag_seconds: SecondsGauge::default(),
            broker_disconnections: Counter::default(),
            days_rederived: Counter::default(),
            minutes_to_correct: CountGauge::default(),
        }
    }
}

/// Where every part says how it is.
#[derive(Debug)]
pub struct Board {
    /// The counters; raise them directly.
    pub counters: Counters,
    parts: Mutex<BTreeMap<Part, PartState>>,
    refused: Family<ReasonLabel, Counter>,
    commands: Family<ReasonLabel, Counter>,
    behind: Family<CentralLabel, CountGauge>,
    stale: Family<SiteLabel, CountGauge>,
    rederiving: Family<SiteLabel, CountGauge>,
    registry: Registry,
}

impl Board {
    /// A board on which the vital parts are still starting.
    pub fn new(now: Stamp) -> Self {
        let counters = Counters::default();
        let refused = Family::default();
        let commands = Family::default();
        let behind = Family::default();
        let stale = Family::default();
        let mut registry = Registry::with_prefix("panelwright");
        register_counters(&mut registry, &counters);
        registry.register(
            "readings_refused",
            "Messages and values that were no reading, by reason",
            refused.clone(),
        );
        registry.register(
            "commands_refused",
            "Messages that asked for something to be set, and were refused, by reason",
            commands.clone(),
        );
        registry.register(
            "central_minutes_behind",
            "Changed minutes that a central store has not taken yet",
            behind.clone(),
        );
        let rederiving = Family::default();
        registry.register(
            "days_to_rederive",
            "UTC days whose splits wait to be derived again after a correction of the map",
            rederiving.clone(),
        );
        registry.register("channels_stale", "Channels of a site that have no fresh value", stale.clone());
        let starting = PartState { ok: false, why: "starting".into(), since: now };
        let parts = [(Part::Broker, starting.clone()), (Part::Store, starting)].into();
        Self { counters, parts: Mutex::new(parts), refused, commands, behind, stale, rederiving, registry }
    }

    /// Says how a part is. `since` moves only when `ok` changes.
    pub fn report(&self, part: Part, ok: bool, why: impl Into<String>, now: Stamp) {
        let why = why.into();
        let mut parts = self.parts();
        match parts.get_mut(&part) {
            Some(state) if state.ok == ok => state.why = why,
            _ => {
                if ok {
                    tracing::info!(%part, why, "part works");
                } else {
                    tracing::warn!(%part, why, "part does not work");
                }
                parts.insert(part, PartState { ok, why, since: now });
            }
        }
    }

    /// Takes a part off the board: a site or central store that a reload removed.
    pub fn forget(&self, part: &Part) {
        self.parts().remove(part);
        match part {
            Part::Central(name) => {
                self.behind.remove(&CentralLabel { central: name.clone() });
            }
            Part::Channels(site) => {
                self.stale.remove(&SiteLabel { site: site.clone() });
            }
            Part::Rederive(site) => {
                self.rederiving.remove(&SiteLabel { site: site.clone() });
            }
            _ => {}
        }
    }

    /// Counts what was no reading.
    pub fn refused(&self, reason: &'static str, count: u64) {
        self.refused.get_or_create(&ReasonLabel { reason }).inc_by(count);
    }

    /// Counts a command that was refused.
    pub fn command_refused(&self, reason: &'static str) {
        self.commands.get_or_create(&ReasonLabel { reason }).inc();
    }

    /// How many changed minutes a central store has not taken yet.
    pub fn central_behind(&self, central: &str, minutes: u64) {
        let label = CentralLabel { central: central.to_owned() };
        self.behind.get_or_create(&label).set(i64::try_from(minutes).unwrap_or(i64::MAX));
    }

    /// How many channels of a site have no fresh value.
    pub fn channels_stale(&self, site: &str, channels: usize) {
        let label = SiteLabel { site: site.to_owned() };
        self.stale.get_or_create(&label).set(channels as i64);
    }

    /// How many UTC days of a site wait for their splits to be derived again; with 0 it is done.
    pub fn rederiving(&self, site: &str, days: u64, now: Stamp) {
        let label = SiteLabel { site: site.to_owned() };
        self.rederiving.get_or_create(&label).set(i64::try_from(days).unwrap_or(i64::MAX));
        let part = Part::Rederive(site.to_owned());
        if days == 0 {
            self.forget(&part);
            return;
        }
        let why = format!(
            "deriving import, export and the other splits again under the corrected map: {days} days left"
        );
        self.report(part, true, why, now);
    }

    /// Every part's state now.
    pub fn snapshot(&self) -> Snapshot {
        let parts: Vec<_> = self.parts().iter().map(|(part, state)| (part.clone(), state.clone())).collect();
        let worst = parts.iter().filter(|(_, state)| !state.ok).map(|(part, _)| match part.is_vital() {
            true => Overall::Failing,
            false => Overall::Degraded,
        });
        Snapshot { overall: worst.max().unwrap_or(Overall::Healthy), parts }
    }

    /// Every metric as OpenMetrics text; its content type is [`OPENMETRICS`].
    pub fn metrics(&self) -> String {
        let mut text = String::new();
        prometheus_client::encoding::text::encode(&mut text, &self.registry)
            .expect("writing to a String does not fail");
        text
    }

    /// The map of parts. A panic while it was held cannot have left it half written.
    fn parts(&self) -> MutexGuard<'_, BTreeMap<Part, PartState>> {
        self.parts.lock().unwrap_or_else(PoisonError::into_inner)
    }
}

/// The content type of [`Board::metrics`].
pub const OPENMETRICS: &str = "application/openmetrics-text; version=1.0.0; charset=utf-8";

/// Names the counters; the encoder adds `_total` and the unit.
fn register_counters(registry: &mut Registry, counters: &Counters) {
    let build = Info::new([("version", env!("CARGO_PKG_VERSION"))]);
    registry.register("build", "The version that runs", build);
    for (name, help, counter) in [
        ("messages_received", "Messages that came in from the broker", &counters.messages_received),
        ("readings_accepted", "Readings that entered the books", &counters.readings_accepted),
        ("batches_committed", "Batches that the store committed", &counters.batches_committed),
        ("readings_committed", "Readings that the store committed", &counters.readings_committed),
        ("minutes_closed", "Minutes of a site that closed or changed", &counters.minutes_closed),
        ("messages_published", "Messages that were handed to the broker", &counters.messages_published),
        ("commands_accepted", "Commands that were carried out", &counters.commands_accepted),
        (
            "broker_disconnections",
            "Times that the connection to the broker was lost",
            &counters.broker_disconnections,
        ),
        (
            "days_rederived",
            "UTC days whose splits were derived again after a correction of a map",
            &counters.days_rederived,
        ),
    ] {
        registry.register(name, help, counter.clone());
    }
    for (name, help, gauge) in [
        (
            "messages_unacknowledged",
            "Messages received and not yet acknowledged to the broker",
            &counters.messages_unacknowledged,
        ),
        (
            "minutes_to_correct",
            "Minutes that a correction of a map changed and that central stores wait to be told",
            &counters.minutes_to_correct,
        ),
        ("live_viewers", "Viewers of the live stream", &counters.live_viewers),
    ] {
        registry.register(name, help, gauge.clone());
    }
    let commit = counters.commit_seconds.clone();
    registry.register_with_unit("commit", "Time that a commit took", Unit::Seconds, commit);
    let lag = counters.tick_lag_seconds.clone();
    registry.register_with_unit("tick_lag", "Newest closed tick behind the clock", Unit::Seconds, lag);
}

#[cfg(test)]
mod tests {
    use super::*;

    fn state(board: &Board, part: &Part) -> PartState {
        let parts = board.snapshot().parts;
        parts.into_iter().find(|(other, _)| other == part).expect("part is on the board").1
    }

    #[test]
    fn since_moves_only_when_a_part_turns() {
        let board = Board::new(Stamp(10));
        board.report(Part::Broker, false, "refused", Stamp(20));
        assert_eq!(
            state(&board, &Part::Broker),
            PartState { ok: false, why: "refused".into(), since: Stamp(10) }
        );
        board.report(Part::Broker, true, "", Stamp(30));
        board.report(Part::Broker, true, "session resumed", Stamp(40));
        let turned = PartState { ok: true, why: "session resumed".into(), since: Stamp(30) };
        assert_eq!(state(&board, &Part::Broker), turned);
    }

    #[test]
    fn the_worst_part_decides() {
        let board = Board::new(Stamp(0));
        assert_eq!(board.snapshot().overall, Overall::Failing, "nothing works before it started");
        board.report(Part::Broker, true, "", Stamp(1));
        board.report(Part::Store, true, "", Stamp(1));
        assert_eq!(board.snapshot().overall, Overall::Healthy);
        let central = Part::Central("builder".into());
        board.report(central.clone(), false, "503 Service Unavailable", Stamp(2));
        assert_eq!(board.snapshot().overall, Overall::Degraded);
        board.report(Part::Store, false, "disk full", Stamp(3));
        assert_eq!(board.snapshot().overall, Overall::Failing);
        board.report(Part::Store, true, "", Stamp(4));
        board.forget(&central);
        assert_eq!(board.snapshot().overall, Overall::Healthy);
    }

    #[test]
    fn metrics_are_openmetrics_text() {
        let board = Board::new(Stamp(0));
        board.counters.messages_received.inc_by(3);
        board.counters.commit_seconds.observe(0.004);
        board.counters.tick_lag_seconds.set(2.5);
        board.refused("not a number", 2);
        board.central_behind("builder", 7);
        board.channels_stale("heron-lane", 1);
        let text = board.metrics();
        for line in [
            "panelwright_messages_received_total 3",
            "panelwright_readings_refused_total{reason=\"not a number\"} 2",
            "panelwright_central_minutes_behind{central=\"builder\"} 7",
            "panelwright_channels_stale{site=\"heron-lane\"} 1",
            "panelwright_commit_seconds_bucket{le=\"0.005\"} 1",
            "panelwright_commit_seconds_bucket{le=\"0.002\"} 0",
            "panelwright_tick_lag_seconds 2.5",
            concat!("panelwright_build_info{version=\"", env!("CARGO_PKG_VERSION"), "\"} 1"),
        ] {
            assert!(text.lines().any(|other| other == line), "{line} is missing from\n{text}");
        }
        assert!(text.ends_with("# EOF\n"));
    }

    #[test]
    fn a_part_that_is_gone_leaves_no_label_behind() {
        let board = Board::new(Stamp(0));
        board.channels_stale("heron-lane", 1);
        board.central_behind("builder", 1);
        board.forget(&Part::Channels("heron-lane".into()));
        board.forget(&Part::Central("builder".into()));
        let text = board.metrics();
        assert!(!text.contains("heron-lane") && !text.contains("builder"), "{text}");
    }
}
