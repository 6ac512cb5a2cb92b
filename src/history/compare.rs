//! Intervals beside those that they are compared with.
//!
//! What is compared has to be equally known: an energy with a gap beside one without would show a
//! saving that nobody made. So a difference is given only where both are known but for
//! [`MISSING`] of their time; else both energies stand there with their coverage and no difference.

use super::{Amount, Source, Summary, energy};
use crate::calendar::{By, Interval, Shift, Zone};
use crate::site::{FigureKey, Site};
use crate::units::{CENTIJOULES_PER_WH, ONE, Span, Stamp};

/// The share of its time that either side may lack and still be compared: 1 %, about what a restart
/// and a firmware update a day cost, and small beside what a comparison is asked for.
pub const MISSING: f64 = 0.01;

/// How long after a moment its readings are accounted at the latest, in an orderly house: what is
/// younger is not compared, since it would be known here and not there, or the other way round.
const SETTLED: Span = Span::from_seconds(120);

/// An interval beside the one that it is compared with.
#[derive(Clone, Debug, PartialEq, Eq)]
pub struct Pair {
    /// The interval; of one that is not over, the part that is.
    pub this: Summary,
    /// What it is compared with; `None` where there is no such interval, or nothing of this one has
    /// passed.
    pub that: Option<Summary>,
}

/// A figure of a pair.
#[derive(Clone, Copy, Debug, PartialEq)]
pub struct Change {
    /// Energy and coverage now.
    pub this: (Amount, f64),
    /// Energy and coverage then.
    pub that: (Amount, f64),
    /// kWh more than then; `None` where the two are not equally known.
    pub difference_kwh: Option<f64>,
    /// The same as a share of what it was; `None` also where that was 0.
    pub difference_share: Option<f64>,
    /// W more than then, of mean power: this is what to look at where the two last differently long.
    pub difference_w: Option<f64>,
}

/// Every interval of `summaries` beside its counterpart, and all that have one added up.
///
/// An interval that holds `now` is compared as far as it has come, with the same part of its
/// counterpart.
///
/// # Errors
/// What the source fails with.
pub fn compare<S: Source>(
    site: &Site,
    zone: &Zone,
    source: &mut S,
    (by, shift): (By, Shift),
    summaries: &[Summary],
    now: Stamp,
) -> Result<(Vec<Pair>, Option<Pair>), S::Error> {
    let so_far = (now - SETTLED).floor(Span::QUARTER);
    let mut thens: Vec<Interval> = Vec::new();
    let mut pairs = Vec::new();
    for summary in summaries {
        let whole = summary.interval;
        let then = shift.interval(zone, by, site.billing_day, whole);
        let (this, then) = if whole.end <= so_far {
            (summary.clone(), then)
        } else if whole.start >= so_far {
            (summary.clone(), None)
        } else {
            let this = Interval { start: whole.start, end: so_far };
            let then = then.and_then(|then| until(zone, shift, then, this));
            (energy(site, zone, source, &[this])?.remove(0), then)
        };
        // Counterparts follow each other as the intervals do, so the second is not before the first.
        thens.extend(then);
        pairs.push((this, then.is_some()));
    }
    let mut found = energy(site, zone, source, &thens)?.into_iter();
    let pairs: Vec<Pair> = pairs
        .into_iter()
        .map(|(this, has)| Pair { this, that: if has { found.next() } else { None } })
        .collect();
    let whole = added_up(&pairs);
    Ok((pairs, whole))
}

/// `then` as far as `this` has come: to the same time of the local clock, else as long.
fn until(zone: &Zone, shift: Shift, then: Interval, this: Interval) -> Option<Interval> {
    let end = shift.moment(zone, this.end).unwrap_or(then.start + this.span()).min(then.end);
    (end > then.start).then_some(Interval { start: then.start, end })
}

/// All pairs that have both sides as one. Its intervals reach from the first to the last; what has no
/// counterpart between them counts on neither side, and is not part of their length.
fn added_up(pairs: &[Pair]) -> Option<Pair> {
    let mut sides: Option<(Total, Total)> = None;
    for pair in pairs {
        let Some(that) = &pair.that else { continue };
        let (this_total, that_total) = sides.get_or_insert_with(Default::default);
        this_total.add(&pair.this);
        that_total.add(that);
    }
    let (this, that) = sides?;
    Some(Pair { this: this.summary(), that: Some(that.summary()) })
}

#[derive(Default)]
struct Total {
    start: Option<Stamp>,
    length: Span,
    totals: Span,
    rederiving: bool,
    figures: std::collections::BTreeMap<FigureKey, Amount>,
}

impl Total {
    fn add(&mut self, part: &Summary) {
        self.start.get_or_insert(part.interval.start);
        self.length = Span(self.length.0 + part.interval.span().0);
        self.totals = Span(self.totals.0 + part.totals.0);
        self.rederiving |= part.rederiving;
        for (key, amount) in &part.figures {
            *self.figures.entry(*key).or_default() += *amount;
        }
    }

    fn summary(self) -> Summary {
        let start = self.start.unwrap_or_default();
        Summary {
            interval: Interval { start, end: start + self.length },
            totals: self.totals,
            rederiving: self.rederiving,
            figures: self.figures.into_iter().collect(),
        }
    }
}

impl Pair {
    /// What became of a figure; `None` where neither side has it, or there is no other side.
    pub fn change(&self, key: FigureKey) -> Option<Change> {
        let that = self.that.as_ref()?;
        let defined = |side: &Summary| side.figures.iter().any(|(other, _)| *other == key);
        if !defined(&self.this) && !defined(that) {
            return None;
        }
        let of = |side: &Summary| (side.get(key).unwrap_or_default(), side.coverage(key));
        let (now, then) = (of(&self.this), of(that));
        let comparable = now.1 >= 1.0 - MISSING && then.1 >= 1.0 - MISSING;
        let difference = now.0.energy - then.0.energy;
        let kwh = comparable.then(|| Amount { energy: difference, covered: Span(1) }.kwh()).flatten();
        let share = (comparable && then.0.energy != 0)
            .then(|| difference as f64 / then.0.energy.unsigned_abs() as f64);
        Some(Change {
            this: now,
            that: then,
            difference_kwh: kwh,
            difference_share: share,
            difference_w: comparable.then(|| Some(now.0.mean_w()? - then.0.mean_w()?)).flatten(),
        })
    }
}

impl Amount {
    /// The mean power in W over the time in which it is known; `None` where that is none.
    pub fn mean_w(self) -> Option<f64> {
        /// A watt for a tenth of a second, in the unit of `energy`.
        const WATT: f64 = CENTIJOULES_PER_WH as f64 / 36_000.0 * ONE as f64;
        (self.covered > Span::ZERO).then(|| self.energy as f64 / self.covered.0 as f64 / WATT)
    }
}
