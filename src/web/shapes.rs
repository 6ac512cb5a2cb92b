//! The shapes of the API's answers, for its document and for clients that read them.
//!
//! The bodies of `now` and of history are written elsewhere, each in one place; a test there reads
//! them back through these.

use std::collections::BTreeMap;

use bytes::Bytes;
use serde::{Deserialize, Serialize};
use utoipa::ToSchema;

use super::advice::{AlertNow, EvNow, RoomNow};
use super::views::{channel::ChannelBody, compare::Comparison, notes::Annotation, verify::Proven};
use crate::site::Site;
use crate::units::{Stamp, Watts};

/// What the channels of a site show.
#[derive(Clone, Debug, Default, Deserialize, Serialize, ToSchema)]
pub struct ChannelsNow {
    /// The site's id.
    pub site: String,
    /// The second that the values belong to, in UTC (RFC 3339).
    pub at: String,
    /// Each channel by its name, in W as its device sends it, before the map turns or doubles it; `null`
    /// where nothing fresh came.
    #[schema(example = json!({"house/5": 240.0, "house/6": null}))]
    pub channels: BTreeMap<String, Option<f64>>,
}

/// The body of [`ChannelsNow`], by the order of the map's channels.
pub fn channels_body(site: &Site, at: Stamp, values: &[Option<Watts>]) -> Bytes {
    let names = site.channels.iter().map(|channel| channel.name.clone());
    let channels = names.zip(values.iter().map(|value| value.map(|watts| watts.0))).collect();
    let at = super::api::utc(at);
    let body = ChannelsNow { site: site.id.clone(), at, channels };
    serde_json::to_vec(&body).expect("names and numbers are always JSON").into()
}

/// The sites that the daemon has maps of.
#[derive(Clone, Debug, Deserialize, Serialize, ToSchema)]
pub struct Sites {
    /// In the order of their files.
    pub sites: Vec<SiteInfo>,
}

/// A site: what its figures are called.
#[derive(Clone, Debug, Deserialize, Serialize, ToSchema)]
pub struct SiteInfo {
    /// Its id.
    #[schema(example = "heron-lane")]
    pub site: String,
    /// What people call it.
    #[schema(example = "Heron Lane farmhouse")]
    pub name: String,
    /// Its time zone, by its IANA name.
    #[schema(example = "America/Denver")]
    pub time_zone: String,
    /// Its circuits, in the order of the map, as they are today.
    pub circuits: Vec<CircuitInfo>,
}

/// A circuit: its id with what the panel directory says.
#[derive(Clone, Debug, Deserialize, Serialize, ToSchema)]
pub struct CircuitInfo {
    /// Its id, which `now` and history name it by.
    #[schema(example = "water-heater")]
    pub id: String,
    /// Its label.
    #[schema(example = "Heat-pump water heater")]
    pub label: String,
    /// The id of the bus that it is on.
    #[schema(example = "main")]
    pub bus: String,
    /// Its breaker's spaces in the panel.
    #[schema(example = json!([10, 12]))]
    pub spaces: Vec<u16>,
    /// What the last load step proved of it, while the map still says what it said then.
    #[serde(default, skip_serializing_if = "Option::is_none")]
    pub proven: Option<Proven>,
}

impl From<&Site> for SiteInfo {
    fn from(site: &Site) -> Self {
        let circuits = site.circuits.iter().map(|circuit| {
            let entry = circuit.latest();
            CircuitInfo {
                id: circuit.id.clone(),
                label: entry.label.clone(),
                bus: site.buses[entry.bus].id.clone(),
                spaces: entry.spaces.clone(),
                proven: None,
            }
        });
        Self {
            site: site.id.clone(),
            name: site.name.clone(),
            time_zone: site.time_zone.clone(),
            circuits: circuits.collect(),
        }
    }
}

/// The live figures of a site: powers in W; what is not known is `null`, never 0.
#[derive(Clone, Debug, Default, Deserialize, Serialize, ToSchema)]
pub struct Now {
    /// Its id.
    #[schema(example = "heron-lane")]
    pub site: String,
    /// The moment that the figures belong to, in the site's own time (RFC 3339).
    #[schema(example = "2026-02-03T18:00:00-07:00")]
    pub at: String,
    /// After this many seconds without a newer body the figures must not be used any more.
    #[serde(default)]
    pub stale_after_s: Option<i64>,
    /// Flow from the grid; below 0 it is exported.
    pub grid_w: Option<f64>,
    /// What the PV circuits give.
    pub generation_w: Option<f64>,
    /// What the site uses: grid + generation − storage.
    pub consumption_w: Option<f64>,
    /// The sum of all measured load circuits.
    pub tracked_w: Option<f64>,
    /// What flows into the buses and into none of their measured circuits; signed.
    pub untracked_w: Option<f64>,
    /// What the house could still use before it leaves the site.
    pub surplus_w: Option<f64>,
    /// Generation that does not leave the site.
    #[serde(default)]
    pub self_consumed_w: Option<f64>,
    /// What storage takes (+) or gives (−).
    #[serde(default)]
    pub storage_w: Option<f64>,
    /// Flow on each leg of the mains.
    #[serde(default)]
    pub legs: BTreeMap<String, Option<f64>>,
    /// Each measured circuit by its id.
    pub circuits: BTreeMap<String, CircuitNow>,
    /// Each bus that has a feed, by its id.
    pub buses: BTreeMap<String, BusNow>,
    /// What each charger of the map is advised, by the id of its circuit.
    #[serde(default)]
    pub ev: BTreeMap<String, EvNow>,
    /// The room on each leg of the service, where the map says the main breaker and the CTs' legs.
    #[serde(default)]
    pub headroom: BTreeMap<String, RoomNow>,
    /// What is too much now, the gravest first.
    #[serde(default)]
    pub alerts: Vec<AlertNow>,
    /// Channels without a fresh value.
    pub unknown: Vec<String>,
}

/// A circuit's power.
#[derive(Clone, Copy, Debug, Default, Deserialize, Serialize, ToSchema)]
pub struct CircuitNow {
    /// A load is positive, a generator negative.
    pub w: Option<f64>,
    /// Whether it is a current times a nominal voltage, not an active power.
    #[serde(default)]
    pub apparent: bool,
}

/// A bus's flows.
#[derive(Clone, Copy, Debug, Default, Deserialize, Serialize, ToSchema)]
pub struct BusNow {
    /// What flows into it.
    pub feed_w: Option<f64>,
    /// What of that flows into none of its measured circuits; signed.
    pub untracked_w: Option<f64>,
}

/// Energy by interval: kWh; what is not known is `null`, never 0.
#[derive(Clone, Debug, Deserialize, Serialize, ToSchema)]
pub struct HistoryBody {
    /// The site's id.
    #[schema(example = "heron-lane")]
    #[serde(default)]
    pub site: String,
    /// The length of an interval, as it was asked for.
    #[schema(example = "day")]
    pub by: String,
    /// The zone whose calendar cuts the intervals.
    #[schema(example = "America/Denver")]
    pub time_zone: String,
    /// In the order of time.
    pub intervals: Vec<HistoryInterval>,
    /// Each interval beside the one that it is compared with, where that was asked for.
    #[serde(default, skip_serializing_if = "Option::is_none")]
    pub comparison: Option<Comparison>,
    /// The notes that touch the range.
    #[serde(default)]
    pub annotations: Vec<Annotation>,
}

/// What history answers: of a site, or of one CT.
#[derive(Debug, Serialize, ToSchema)]
#[serde(untagged)]
#[expect(dead_code, reason = "it stands for both bodies in the API's document; each is written as it is")]
pub(super) enum HistoryAnswer {
    /// By interval.
    Energy(Box<HistoryBody>),
    /// One CT by interval.
    Channel(ChannelBody),
}

/// One interval. An energy is that of the time in which it is known; the coverage beside it says
/// which share of the interval, 0 to 1, that is.
#[derive(Clone, Debug, Deserialize, Serialize, ToSchema)]
pub struct HistoryInterval {
    /// Where it starts, in the site's own time (RFC 3339).
    #[schema(example = "2025-03-09T00:00:00-07:00")]
    pub start: String,
    /// Where it ends: the start of the next.
    #[schema(example = "2025-03-10T00:00:00-06:00")]
    pub end: String,
    /// Its length in seconds; a day in which the clock is shifted has 82,800 or 90,000.
    #[schema(example = 82_800)]
    pub seconds: i64,
    /// The share of it in which all totals of the site were known at once.
    pub coverage: f64,
    /// `true` while import, export and the other figures with a sign split have yet to be derived again
    /// for a part of it, after a correction of the map; else it is not there.
    #[serde(default, skip_serializing_if = "std::ops::Not::not")]
    pub rederiving: bool,
    /// Energy from the grid.
    pub import_kwh: Option<f64>,
    /// Energy to the grid.
    pub export_kwh: Option<f64>,
    /// Import less export.
    #[serde(default)]
    pub grid_kwh: Option<f64>,
    /// Energy of the PV circuits.
    pub generation_kwh: Option<f64>,
    /// Generation that did not leave the site.
    #[serde(default)]
    pub self_consumed_kwh: Option<f64>,
    /// What storage took (+) or gave (−).
    #[serde(default)]
    pub storage_kwh: Option<f64>,
    /// Energy that the site used: grid + generation − storage.
    pub consumption_kwh: Option<f64>,
    /// Energy of all measured load circuits.
    pub tracked_kwh: Option<f64>,
    /// Energy into the buses and into none of their measured circuits; signed.
    pub untracked_kwh: Option<f64>,
    /// The coverage of each total that the map defines: `import`, `untracked` and so on.
    #[serde(default)]
    pub total_coverage: BTreeMap<String, f64>,
    /// Energy of each measured circuit by its id; negative for what it gave.
    pub circuits: BTreeMap<String, Option<f64>>,
    /// The coverage of each circuit. A circuit can have energy at a coverage of 0: a counter that
    /// went on while its messages were lost.
    #[serde(default)]
    pub circuit_coverage: BTreeMap<String, f64>,
    /// Each bus that has a feed, by its id.
    #[serde(default)]
    pub buses: BTreeMap<String, BusEnergy>,
}

/// A bus's energies.
#[derive(Clone, Copy, Debug, Default, Deserialize, Serialize, ToSchema)]
pub struct BusEnergy {
    /// What flowed into it.
    pub feed_kwh: Option<f64>,
    /// The share of the interval in which that is known.
    pub feed_coverage: f64,
    /// What of that flowed into none of its measured circuits; signed.
    pub untracked_kwh: Option<f64>,
    /// The share of the interval in which that is known.
    pub untracked_coverage: f64,
}

/// How the daemon is.
#[derive(Clone, Debug, Serialize, ToSchema)]
pub(super) struct Health {
    /// `healthy`, `degraded` (a part that is not vital does not work) or `failing` (a vital one).
    #[schema(example = "healthy")]
    pub(super) status: &'static str,
    /// When this was.
    pub(super) at: String,
    /// The version that runs.
    pub(super) version: &'static str,
    /// Each part by its name: `broker`, `store`, `publish`, `maps`, `central/<name>`, `channels/<site>`.
    pub(super) parts: BTreeMap<String, PartHealth>,
}

/// How a part is.
#[derive(Clone, Debug, Serialize, ToSchema)]
pub(super) struct PartHealth {
    /// Whether it does its job.
    pub(super) ok: bool,
    /// Why not, or what is worth knowing.
    pub(super) why: String,
    /// Since when (RFC 3339, UTC).
    pub(super) since: String,
}

/// What an upload of readings did.
#[derive(Clone, Copy, Debug, Serialize, Deserialize, ToSchema)]
pub struct ImportBody {
    /// Readings that were not there.
    pub new: u64,
    /// Readings that were there with another value, which they have no more.
    pub changed: u64,
    /// Readings that were there.
    pub same: u64,
}

/// A refusal.
#[derive(Clone, Debug, Serialize, ToSchema)]
pub(super) struct Refused {
    /// What is wrong.
    pub(super) error: String,
    /// What to do.
    pub(super) hint: String,
}
