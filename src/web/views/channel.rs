//! The body of one CT's past: what it measured, and whose it was when.

use serde::{Deserialize, Serialize};
use utoipa::ToSchema;

use super::super::HistoryError;
use super::super::history::Question;
use super::rounded_down;
use crate::calendar::{Interval, Zone};
use crate::history::{Held, Holder, OfChannel, Source, channel};
use crate::site::{ChannelIndex, Leg, Site};
use crate::units::{ONE, Span};

/// What a CT measured, by interval, and whose it was.
#[derive(Clone, Debug, Deserialize, Serialize, ToSchema)]
pub struct ChannelBody {
    /// The site's id.
    #[schema(example = "heron-lane")]
    pub site: String,
    /// The CT: device and channel.
    #[schema(example = "house/5")]
    pub channel: String,
    /// The length of an interval, as it was asked for.
    #[schema(example = "day")]
    pub by: String,
    /// The zone whose calendar cuts the intervals.
    #[schema(example = "America/Denver")]
    pub time_zone: String,
    /// In the order of time.
    pub intervals: Vec<ChannelInterval>,
}

/// One interval of a CT. Energies are what it measured, before any factor of the map.
#[derive(Clone, Debug, Deserialize, Serialize, ToSchema)]
pub struct ChannelInterval {
    /// Where it starts, in the site's own time (RFC 3339).
    #[schema(example = "2025-03-09T00:00:00-07:00")]
    pub start: String,
    /// Where it ends: the start of the next.
    #[schema(example = "2025-03-10T00:00:00-06:00")]
    pub end: String,
    /// Its length in seconds.
    #[schema(example = 82_800)]
    pub seconds: i64,
    /// The share of it in which the CT was read, 0 to 1.
    pub coverage: f64,
    /// Energy of the moments above 0 W less that of those below.
    pub kwh: Option<f64>,
    /// Energy of the moments above 0 W.
    pub above_kwh: Option<f64>,
    /// Energy of the moments below 0 W, as a positive number.
    pub below_kwh: Option<f64>,
    /// Whose it was, back to back over the whole interval.
    pub held: Vec<ChannelHeld>,
}

/// A stretch of time in which a CT was somebody's.
#[derive(Clone, Debug, Deserialize, Serialize, ToSchema)]
pub struct ChannelHeld {
    /// From when on within the interval.
    pub start: String,
    /// To when.
    pub end: String,
    /// The circuit, by its id; `null` where it is no circuit's.
    pub circuit: Option<String>,
    /// What the circuit was called then.
    pub label: Option<String>,
    /// The bus that it measures the feed of, by its id; `null` where it measures none.
    pub feeds: Option<String>,
    /// The leg of that feed, where the map says it.
    pub leg: Option<String>,
    /// What the map multiplies it by: 2 for a doubled CT, below 0 for a reversed one.
    pub factor: Option<f64>,
    /// What the CT measured meanwhile, before that factor.
    pub kwh: Option<f64>,
    /// The share of the stretch in which that is known.
    pub coverage: f64,
}

/// Reads it.
///
/// # Errors
/// [`HistoryError::Failed`] where the source fails.
pub fn read<S: Source>(
    site: &Site,
    question: &Question,
    of: ChannelIndex,
    source: &mut S,
) -> Result<Vec<OfChannel>, HistoryError> {
    channel(site, &question.zone, source, of, &question.intervals)
        .map_err(|error| HistoryError::Failed(error.to_string()))
}

/// The channel of that name.
///
/// # Errors
/// [`HistoryError::Asked`] with the names that there are.
pub fn named(site: &Site, name: &str) -> Result<ChannelIndex, HistoryError> {
    /// Names in the hint: a map may have thousands.
    const NAMED: usize = 20;
    site.channel(name).ok_or_else(|| {
        let names: Vec<&str> = site.channels.iter().take(NAMED).map(|one| one.name.as_str()).collect();
        let more = if site.channels.len() > NAMED { ", …" } else { "" };
        let name: String = name.chars().take(60).collect();
        HistoryError::Asked {
            what: format!("channel: the map has no channel `{name}`; it has {}{more}", names.join(", ")),
            hint: "channel=house/5, for example: the device and its channel, as the map names them"
                .to_owned(),
        }
    })
}

/// The body.
pub fn body(site: &Site, question: &Question, of: ChannelIndex, all: &[OfChannel]) -> ChannelBody {
    let zone = &question.zone;
    ChannelBody {
        site: site.id.clone(),
        channel: site.channels[of.0 as usize].name.clone(),
        by: question.by.to_string(),
        time_zone: zone.name().to_owned(),
        intervals: all.iter().map(|one| interval(site, zone, one)).collect(),
    }
}

fn interval(site: &Site, zone: &Zone, of: &OfChannel) -> ChannelInterval {
    let Interval { start, end } = of.interval;
    let whole = of.interval.span();
    ChannelInterval {
        start: zone.rfc3339(start),
        end: zone.rfc3339(end),
        seconds: whole.0 / Span::from_seconds(1).0,
        coverage: rounded_down(of.net().coverage(whole)),
        kwh: of.net().kwh(),
        above_kwh: of.positive.kwh(),
        below_kwh: of.negative.kwh(),
        held: of.held.iter().map(|held| stretch(site, zone, held)).collect(),
    }
}

fn stretch(site: &Site, zone: &Zone, held: &Held) -> ChannelHeld {
    let mut body = ChannelHeld {
        start: zone.rfc3339(held.range.start),
        end: zone.rfc3339(held.range.end),
        circuit: None,
        label: None,
        feeds: None,
        leg: None,
        factor: None,
        kwh: held.net.kwh(),
        coverage: rounded_down(held.net.coverage(held.range.end - held.range.start)),
    };
    match held.holder {
        Holder::Circuit { circuit, entry, factor } => {
            let named = &site.circuits[circuit];
            body.circuit = Some(named.id.clone());
            body.label = Some(named.entries[entry].label.clone());
            body.factor = Some(factor as f64 / ONE as f64);
        }
        Holder::Feed { bus, leg, factor } => {
            body.feeds = Some(site.buses[bus].id.clone());
            body.leg = leg.map(|leg| leg_name(leg).to_owned());
            body.factor = Some(factor as f64 / ONE as f64);
        }
        Holder::Nobody => {}
    }
    body
}

fn leg_name(leg: Leg) -> &'static str {
    match leg {
        Leg::A => "A",
        Leg::B => "B",
        Leg::C => "C",
    }
}
