//! The body of the ranking, and what it comes to in plain words.

use serde::{Deserialize, Serialize};
use utoipa::ToSchema;

use super::super::HistoryError;
use super::{rounded_down, six, tenth};
use crate::calendar::Zone;
use crate::history::{Amount, Rank, Ranked, Ranking, Source, rank_of};
use crate::said::{Figure, Said, figure, said};
use crate::site::{EndUse, FigureKey, Site};
use crate::units::{Span, Stamp};

/// Days that are ranked over where the question does not say: a year, with all its seasons.
const DAYS: i32 = 365;
/// Untracked load below this share of the whole is not worth a CT more. Common practice, no source.
const LITTLE: f64 = 0.05;
/// Fewer days than this say little of a year.
const FEW_DAYS: u32 = 28;
/// Circuits without a CT that are named in the conclusion.
const NAMED: usize = 5;

/// Circuits and untracked load by their share of the whole.
#[derive(Clone, Debug, Deserialize, Serialize, ToSchema)]
pub struct RankBody {
    /// The site's id.
    #[schema(example = "heron-lane")]
    pub site: String,
    /// The zone whose days are counted.
    #[schema(example = "America/Denver")]
    pub time_zone: String,
    /// Where it starts, in the site's own time (RFC 3339).
    pub start: String,
    /// Where it ends.
    pub end: String,
    /// Run times, cycles and peaks are counted from here to the end: the last 366 days at most.
    pub minutes_start: String,
    /// What shares are of: `consumption`, or `tracked` where the map has no mains.
    #[schema(example = "consumption")]
    pub whole: String,
    /// Its energy.
    pub kwh: Option<f64>,
    /// The share of the range in which that is known.
    pub coverage: f64,
    /// What it comes to, in a sentence or three.
    #[schema(value_type = String)]
    pub conclusion: Said,
    /// The largest share first.
    pub places: Vec<RankPlace>,
    /// Likewise.
    pub end_uses: Vec<RankEndUse>,
    /// Load circuits that no CT measures, by their ids.
    pub unmeasured: Vec<String>,
}

/// A place of the ranking.
#[derive(Clone, Debug, Deserialize, Serialize, ToSchema)]
pub struct RankPlace {
    /// From 1 on.
    pub place: usize,
    /// The circuit's id; `null` for the untracked load.
    pub circuit: Option<String>,
    /// Its label, or `untracked`.
    pub label: String,
    /// Its end use, as it is today.
    pub end_use: Option<String>,
    /// Its energy; below 0 for an untracked load says that the map is wrong somewhere.
    pub kwh: Option<f64>,
    /// The share of the range in which that is known.
    pub coverage: f64,
    /// Its share of the whole, over the days on which both are known for the same time.
    pub share: Option<f64>,
    /// How many days that are.
    pub days: u32,
    /// Mean energy of a day, over the time in which it is known.
    pub kwh_per_day: Option<f64>,
    /// The share of minutes in which it ran; `null` for the untracked load.
    pub run_share: Option<f64>,
    /// From this mean power on a minute counts as running; `null` where it was always on, or never.
    pub runs_from_w: Option<f64>,
    /// How often it started.
    pub cycles: Option<u64>,
    /// How often that is in 24 h.
    pub cycles_per_day: Option<f64>,
    /// Minutes that run time, cycles and peaks are of: those wholly known.
    pub minutes: u64,
    /// Highest mean power of a minute.
    pub peak_minute_w: Option<f64>,
    /// When it began.
    pub peak_minute_at: Option<String>,
    /// Highest mean power of a quarter-hour.
    pub peak_quarter_w: Option<f64>,
    /// When it began.
    pub peak_quarter_at: Option<String>,
}

/// The circuits of an end use together.
#[derive(Clone, Debug, Deserialize, Serialize, ToSchema)]
pub struct RankEndUse {
    /// Which.
    #[schema(example = "hot water")]
    pub end_use: String,
    /// Their energy, each for the time in which it is known.
    pub kwh: Option<f64>,
    /// Their shares added up; `null` where one has none.
    pub share: Option<f64>,
    /// Their ids.
    pub circuits: Vec<String>,
}

/// Reads `from` and `to` (365 days to now where they do not say), and ranks.
///
/// # Errors
/// [`HistoryError::Asked`] where that makes no sense, [`HistoryError::Failed`] where the source fails.
pub fn read<S: Source>(
    site: &Site,
    range: (Option<&str>, Option<&str>),
    only: Option<&[FigureKey]>,
    now: Stamp,
    source: &mut S,
) -> Result<(Zone, Ranking), HistoryError> {
    let (zone, days) = super::days(site, range, DAYS, now)?;
    let alone = only.and_then(|only| match only {
        [FigureKey::Circuit(index)] => Some(Rank::Circuit(*index)),
        _ => None,
    });
    let found = rank_of(site, &zone, source, &days, alone);
    Ok((zone, found.map_err(|error| HistoryError::Failed(error.to_string()))?))
}

/// The body.
pub fn body(site: &Site, zone: &Zone, ranking: &Ranking) -> RankBody {
    let id = |index: &usize| site.circuits[*index].id.clone();
    let places = ranking.places.iter().enumerate();
    let end_uses = ranking.end_uses.iter().map(|one| RankEndUse {
        end_use: one.end_use.to_string(),
        kwh: one.energy.kwh(),
        share: one.share.map(six),
        circuits: one.circuits.iter().map(id).collect(),
    });
    RankBody {
        site: site.id.clone(),
        time_zone: zone.name().to_owned(),
        start: zone.rfc3339(ranking.range.start),
        end: zone.rfc3339(ranking.range.end),
        minutes_start: zone.rfc3339(ranking.minutes.start),
        whole: whole(ranking).to_owned(),
        kwh: ranking.energy.kwh(),
        coverage: rounded_down(ranking.coverage),
        conclusion: conclusion(site, ranking),
        places: places.map(|(index, ranked)| place(site, zone, index + 1, ranked)).collect(),
        end_uses: end_uses.collect(),
        unmeasured: ranking.unmeasured.iter().map(id).collect(),
    }
}

/// What shares are of.
pub fn whole(ranking: &Ranking) -> &'static str {
    if ranking.whole == FigureKey::Consumption { "consumption" } else { "tracked" }
}

fn place(site: &Site, zone: &Zone, place: usize, ranked: &Ranked) -> RankPlace {
    let circuit = match ranked.of {
        Rank::Circuit(index) => Some(&site.circuits[index]),
        Rank::Untracked => None,
    };
    let runs = &ranked.runs;
    // An untracked load is many loads: that they run together says nothing.
    let known = (circuit.is_some() && runs.minutes > 0).then_some(runs);
    let moment = |peak: Option<(f64, Stamp)>| peak.map(|(_, at)| zone.rfc3339(at));
    let watts = |peak: Option<(f64, Stamp)>| peak.map(|(watts, _)| tenth(watts));
    RankPlace {
        place,
        circuit: circuit.map(|circuit| circuit.id.clone()),
        label: circuit.map_or_else(|| "untracked".to_owned(), |circuit| circuit.latest().label.clone()),
        end_use: circuit.map(|circuit| circuit.latest().end_use.to_string()),
        kwh: ranked.energy.kwh(),
        coverage: rounded_down(ranked.coverage),
        share: ranked.share.map(six),
        days: ranked.days,
        kwh_per_day: kwh_per_day(ranked.energy).map(six),
        run_share: known.map(|runs| six(runs.run_share)),
        runs_from_w: known.and_then(|runs| runs.threshold_w).map(tenth),
        cycles: known.map(|runs| runs.cycles),
        cycles_per_day: known.map(|runs| {
            let days = runs.minutes as f64 * Span::MINUTE.0 as f64 / Span::DAY.0 as f64;
            (runs.cycles as f64 / days * 100.0).round() / 100.0
        }),
        minutes: runs.minutes,
        peak_minute_w: watts(runs.peak_minute),
        peak_minute_at: moment(runs.peak_minute),
        peak_quarter_w: watts(runs.peak_quarter),
        peak_quarter_at: moment(runs.peak_quarter),
    }
}

/// Mean energy of 24 h, over the time in which it is known.
fn kwh_per_day(energy: Amount) -> Option<f64> {
    energy.mean_w().map(|watts| watts * 24.0 / 1000.0)
}

/// What the ranking says of where the CTs are, in plain words.
pub fn conclusion(site: &Site, ranking: &Ranking) -> Said {
    let with_share = ranking.places.iter().filter(|place| place.share.is_some()).count();
    if with_share == 0 {
        return said!(
            "Nothing can be ranked yet: on no day are a circuit and {} known for the same time.",
            whole(ranking)
        );
    }
    let untracked = ranking.places.iter().enumerate().find(|(_, place)| place.of == Rank::Untracked);
    let mut said = Vec::new();
    let mut much = false;
    match untracked.and_then(|(index, place)| Some((index, place, place.share?))) {
        Some((_, place, share)) if share < 0.0 => said.push(said!(
            "Untracked is below 0 ({} % of consumption, {} kWh a day): the circuits measure more than the mains, \
             so the map or a CT is wrong somewhere; put that right before moving a CT.",
            percent(share),
            per_day(place).inner()
        )),
        Some((_, place, share)) if share < LITTLE => said.push(said!(
            "Untracked is {} % of consumption ({} kWh a day): no circuit more is worth a CT for its energy.",
            percent(share),
            per_day(place).inner()
        )),
        Some((index, place, share)) => {
            much = true;
            said.push(said!(
                "Untracked is {} % of consumption ({} kWh a day), place {} of {with_share}: that much is to be \
                 found by one more CT, or by moving one.",
                percent(share),
                per_day(place).inner(),
                index + 1
            ));
        }
        None => said.push("How much is untracked is not known over these days.".into()),
    }
    said.extend(least(site, ranking, much));
    if !ranking.unmeasured.is_empty() {
        let labels = ranking.unmeasured.iter().take(NAMED);
        let labels: Vec<&str> = labels.map(|index| site.circuits[*index].latest().label.as_str()).collect();
        let more = ranking.unmeasured.len().saturating_sub(NAMED);
        let more = if more > 0 { format!(" and {more} more") } else { String::new() };
        said.push(said!("Without a CT: {}{more}.", labels.join(", ")));
    }
    let days = ranking.places.iter().filter(|place| place.share.is_some()).map(|place| place.days).min();
    if let Some(days) = days.filter(|days| *days < FEW_DAYS) {
        let days = if days == 1 { "1 day".to_owned() } else { format!("{days} days") };
        said.push(said!("Of {days} only, so the seasons may change it."));
    }
    Said::join(&said, " ")
}

/// The circuit whose CT says least. An EV's is not named: what it may draw now follows from it.
fn least(site: &Site, ranking: &Ranking, much: bool) -> Option<Said> {
    let circuit = |place: &Ranked| match place.of {
        Rank::Circuit(index) => Some(&site.circuits[index]),
        Rank::Untracked => None,
    };
    let movable = |place: &&Ranked| {
        circuit(place).is_some_and(|circuit| circuit.latest().end_use != EndUse::EvCharging)
            && place.share.is_some()
    };
    let least = ranking.places.iter().rev().find(movable)?;
    let (share, label) = (least.share?, &circuit(least)?.latest().label);
    let so = if much { ", so it is the first to move" } else { "" };
    Some(said!(
        "The CT that says least is that of {label}: {} % ({} kWh a day){so}.",
        percent(share),
        per_day(least).inner()
    ))
}

fn percent(share: f64) -> Figure {
    figure(share * 100.0, 1)
}

fn per_day(place: &Ranked) -> Said {
    kwh_per_day(place.energy).map_or_else(|| Said::from("-"), |kwh| said!("{}", figure(kwh, 2)))
}
