//! The body of a comparison: each interval beside its counterpart.

use std::collections::BTreeMap;

use serde::{Deserialize, Serialize};
use utoipa::ToSchema;

use super::super::HistoryError;
use super::super::history::{Question, TOTALS, asked};
use super::{rounded_down, six, tenth};
use crate::calendar::{Against, Interval, Shift, Zone};
use crate::history::{Change, Pair, Source, Summary, compare};
use crate::site::{FigureKey, Site};
use crate::units::{Span, Stamp};

/// Every interval beside the one that it is compared with.
#[derive(Clone, Debug, Deserialize, Serialize, ToSchema)]
pub struct Comparison {
    /// `previous`, `week`, `month` or `year`, as it was asked for.
    #[schema(example = "year")]
    pub against: String,
    /// In the order of `intervals` of the body.
    pub intervals: Vec<Compared>,
    /// All intervals that have a counterpart, added up; absent where none has.
    #[serde(default)]
    pub whole: Option<Compared>,
}

/// An interval and its counterpart.
#[derive(Clone, Debug, Deserialize, Serialize, ToSchema)]
pub struct Compared {
    /// Where the interval starts, in the site's own time (RFC 3339).
    pub start: String,
    /// Where it ends; of one that is not over, how far it has come.
    pub end: String,
    /// How long that is; of the whole, without intervals that have no counterpart.
    pub seconds: i64,
    /// Where the counterpart starts; `null` where there is none: the other month has no such day,
    /// the clock jumped over that hour, or nothing of this interval has passed.
    pub then_start: Option<String>,
    /// Where it ends.
    pub then_end: Option<String>,
    /// How long that is.
    pub then_seconds: Option<i64>,
    /// Each total that the map defines: `import`, `untracked` and so on.
    pub totals: BTreeMap<String, Difference>,
    /// Each measured circuit by its id.
    pub circuits: BTreeMap<String, Difference>,
}

/// A figure now and then. It has a difference only if both are known for at least 99 % of their time.
#[derive(Clone, Copy, Debug, Deserialize, Serialize, ToSchema)]
pub struct Difference {
    /// Energy now.
    pub kwh: Option<f64>,
    /// The share of its time in which that is known.
    pub coverage: f64,
    /// Energy then.
    pub then_kwh: Option<f64>,
    /// The share of its time in which that is known.
    pub then_coverage: f64,
    /// How much more it is now.
    pub difference_kwh: Option<f64>,
    /// The same as a share of what it was.
    pub difference_share: Option<f64>,
    /// How much more mean power it is now: this is what to look at where the two last differently long.
    pub difference_w: Option<f64>,
}

/// Reads what to compare with, and compares.
///
/// # Errors
/// [`HistoryError::Asked`] where that makes no sense, [`HistoryError::Failed`] where the source fails.
pub fn pairs<S: Source>(
    site: &Site,
    question: &Question,
    against: &str,
    source: &mut S,
    summaries: &[Summary],
    now: Stamp,
) -> Result<(Against, Vec<Pair>, Option<Pair>), HistoryError> {
    let against: Against = against.parse().map_err(|error| asked("compare", &error))?;
    let shift = Shift::of(against, question.by, &question.zone, &question.intervals)
        .map_err(|error| asked("compare", &error))?;
    let found = compare(site, &question.zone, source, (question.by, shift), summaries, now);
    let (pairs, whole) = found.map_err(|error| HistoryError::Failed(error.to_string()))?;
    Ok((against, pairs, whole))
}

/// The body.
pub fn body(site: &Site, zone: &Zone, against: Against, pairs: &[Pair], whole: Option<&Pair>) -> Comparison {
    let whole = whole.map(|whole| {
        let mut body = compared(site, zone, whole);
        let has = |pair: &&Pair| pair.that.is_some();
        let last = pairs.iter().rev().find(has);
        if let Some((pair, that)) = last.and_then(|pair| Some((pair, pair.that.as_ref()?))) {
            body.end = zone.rfc3339(pair.this.interval.end);
            body.then_end = Some(zone.rfc3339(that.interval.end));
        }
        body
    });
    let intervals = pairs.iter().map(|pair| compared(site, zone, pair)).collect();
    Comparison { against: against.to_string(), intervals, whole }
}

fn compared(site: &Site, zone: &Zone, pair: &Pair) -> Compared {
    let seconds = |interval: Interval| interval.span().0 / Span::TICK.0;
    let then = pair.that.as_ref().map(|that| that.interval);
    let totals = TOTALS.into_iter().filter_map(|(name, key)| Some((name.to_owned(), difference(pair, key)?)));
    let circuits = site.circuits.iter().enumerate();
    let circuits = circuits.filter_map(|(index, circuit)| {
        Some((circuit.id.clone(), difference(pair, FigureKey::Circuit(index))?))
    });
    Compared {
        start: zone.rfc3339(pair.this.interval.start),
        end: zone.rfc3339(pair.this.interval.end),
        seconds: seconds(pair.this.interval),
        then_start: then.map(|then| zone.rfc3339(then.start)),
        then_end: then.map(|then| zone.rfc3339(then.end)),
        then_seconds: then.map(seconds),
        totals: totals.collect(),
        circuits: circuits.collect(),
    }
}

fn difference(pair: &Pair, key: FigureKey) -> Option<Difference> {
    let Change { this, that, difference_kwh, difference_share, difference_w } = pair.change(key)?;
    Some(Difference {
        kwh: this.0.kwh(),
        coverage: rounded_down(this.1),
        then_kwh: that.0.kwh(),
        then_coverage: rounded_down(that.1),
        difference_kwh,
        difference_share: difference_share.map(six),
        difference_w: difference_w.map(tenth),
    })
}
