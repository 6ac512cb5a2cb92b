//! What moved: steps that repeat themselves, and the size of each in every channel and leg.

use crate::audit::{Block, Response, Window, steps};

use super::{SMALLEST_W, window};
use crate::units::Span;

/// A step stands out of a channel's noise by this factor.
const CLEAR: f32 = 6.0;
/// Steps are of one load if their sizes differ by less than this part.
const ALIKE: f32 = 0.25;

/// Whoever switches a load by hand does it about once a minute or more often, a few times as slowly where
/// each state has to last long. A refrigerator that cycles by itself
/// does not, and would otherwise be taken for the load in question when that one does not move at all.
const BY_HAND_S: f64 = 75.0;

/// What one channel or leg did when the load was switched.
#[derive(Clone, Copy, Debug, PartialEq)]
pub struct Change {
    /// Typical change at switching on, in W; negative if it fell.
    pub watts: f64,
    /// How uncertain that is: a standard error, in W.
    pub error: f64,
    /// In how many switchings it could be seen.
    pub seen: usize,
}

impl Change {
    const NOTHING: Self = Self { watts: 0.0, error: f64::INFINITY, seen: 0 };

    /// Whether it moved, and not by a small part of what the load as a whole did.
    pub fn is_clear(&self, load_w: f64) -> bool {
        self.seen > 0
            && self.watts.abs() > (4.0 * self.error).max(0.1 * load_w).max(f64::from(SMALLEST_W) / 2.0)
    }
}

/// The switchings that were found, and what moved with them.
#[derive(Clone, Debug, Default)]
pub struct Changes {
    /// Index of the sample of each switching, and whether the load went on.
    pub switchings: Vec<(usize, bool)>,
    /// By channel of the site.
    pub channels: Vec<Option<Change>>,
    /// By response of the bus: a leg of its feed each, or all of it.
    pub legs: Vec<Option<Change>>,
}

impl Changes {
    /// What the feed as a whole did, in W.
    pub fn feed_w(&self) -> f64 {
        self.legs.iter().flatten().map(|moved| moved.watts).sum()
    }

    /// The largest change of a leg or channel, in W.
    pub fn largest_w(&self) -> f64 {
        let all = self.channels.iter().chain(&self.legs).flatten();
        all.map(|moved| moved.watts.abs()).fold(0.0, f64::max)
    }
}

/// Finds the load that was switched again and again and what moved with it.
///
/// `own` are the channels that the map has on the circuit: their steps are believed first. Where they
/// show none, the feed's steps are looked through for one load that repeats itself. `hold` is how long each
/// state has to last to be seen.
pub fn observe(block: &Block, responses: &[Response], own: &[usize], hold: Span) -> Changes {
    let window = window(block.period.as_seconds());
    let legs: Vec<Vec<f32>> = responses.iter().map(|response| sum(block, &response.terms)).collect();
    let of_own =
        own.iter().filter_map(|channel| block.columns.get(*channel)).map(|column| repeated(column, window));
    let of_own = of_own.max_by_key(Vec::len).unwrap_or_default();
    let total = total(&legs);
    let by_hand = |found: Vec<(usize, f32)>| {
        let span = found.last().map_or(0, |(last, _)| last - found[0].0) as f64 * block.period.as_seconds();
        let between = span / (found.len().max(2) - 1) as f64;
        if between <= BY_HAND_S.max(4.0 * hold.as_seconds()) { found } else { Vec::new() }
    };
    let of_feed = by_hand(repeated(&total, window));
    // A refrigerator on the circuit's own CT cycles too; but whoever switches a load by hand does it more often.
    let mut switchings =
        if of_own.len() >= of_feed.len().min(2) && !of_own.is_empty() { of_own } else { of_feed };
    if switchings.is_empty() {
        // The feed may not see it at all (the circuit is on another bus): any channel's steps will do.
        let all = block.columns.iter().map(|column| by_hand(repeated(column, window)));
        switchings = all.max_by_key(Vec::len).filter(|found| found.len() >= 2).unwrap_or_default();
    }
    // "On" is what makes the feed rise; a CT that is turned round shows it the other way.
    let by_feed: f32 = switchings.iter().map(|(at, sign)| sign * change_or_zero(window, &total, *at)).sum();
    let flip = if by_feed < 0.0 { -1.0 } else { 1.0 };
    for (_, sign) in &mut switchings {
        *sign *= flip;
    }
    let moved = |column: &Vec<f32>| (!column.is_empty()).then(|| typical(window, column, &switchings));
    Changes {
        channels: block.columns.iter().map(moved).collect(),
        legs: legs.iter().map(moved).collect(),
        switchings: switchings.into_iter().map(|(at, sign)| (at, sign > 0.0)).collect(),
    }
}

/// The longest run of steps of one size, as (sample, sign).
fn repeated(column: &[f32], window: Window) -> Vec<(usize, f32)> {
    if column.is_empty() {
        return Vec::new();
    }
    let floor = (CLEAR * noise(column)).max(SMALLEST_W);
    let found = steps(column, window, floor);
    let of_size = |size: f32| -> Vec<(usize, f32)> {
        let alike = found.iter().filter(|step| (step.watts.abs() - size).abs() <= ALIKE * size);
        let mut alternating: Vec<(usize, f32)> = Vec::new();
        for step in alike {
            // On, off, on, off: two in one direction are two loads, or one whose end was missed.
            if alternating.last().is_none_or(|(_, sign)| *sign != step.watts.signum()) {
                alternating.push((step.at, step.watts.signum()));
            }
        }
        alternating
    };
    let candidates = found.iter().map(|step| (of_size(step.watts.abs()), step.watts.abs()));
    // As often as any, and then the largest.
    let best = candidates.max_by(|(one, a), (other, b)| one.len().cmp(&other.len()).then(a.total_cmp(b)));
    best.map(|(run, _)| run).unwrap_or_default()
}

/// The change at switching on: the median over all switchings in which it can be seen, so that another
/// load that switches along once does not count.
fn typical(window: Window, column: &[f32], switchings: &[(usize, f32)]) -> Change {
    let changes = switchings.iter().map(|(at, sign)| f64::from(sign * near(window, column, *at)));
    let known: Vec<f64> = changes.filter(|change| !change.is_nan()).collect();
    if known.is_empty() {
        return Change::NOTHING;
    }
    let watts = median(known.clone());
    // 1.4826 times the median distance is the deviation of a normal law; one switching tells nothing of its own
    // spread, and the noise of the channel has to do.
    let spread = 1.4826 * median(known.iter().map(|change| (change - watts).abs()).collect());
    let noise = f64::from(noise(column)) / (window.width as f64).sqrt();
    Change { watts, error: spread.max(noise) / (known.len() as f64).sqrt(), seen: known.len() }
}

/// Deviation of the changes from one sample to the next, in W, by their lower quartile: with a slow meter every
/// second change is the switching itself, so that their median would be no noise. For a normal law a quarter
/// of the distances is below 0.3186 deviations (tables of the normal law, from memory).
fn noise(column: &[f32]) -> f32 {
    let mut changes: Vec<f32> =
        column.windows(2).map(|pair| (pair[1] - pair[0]).abs()).filter(|change| !change.is_nan()).collect();
    if changes.is_empty() {
        return 0.0;
    }
    let quarter = changes.len() / 4;
    let (_, change, _) = changes.select_nth_unstable_by(quarter, f32::total_cmp);
    *change / 0.3186
}

fn median(mut values: Vec<f64>) -> f64 {
    values.sort_by(f64::total_cmp);
    let middle = values.len() / 2;
    if values.len() % 2 == 1 { values[middle] } else { f64::midpoint(values[middle - 1], values[middle]) }
}

/// The change at a moment or a sample beside it: clocks of two devices differ a little, and the larger
/// of the neighbours is the one that has the step in its gap.
fn near(window: Window, column: &[f32], at: usize) -> f32 {
    let changes = (at.saturating_sub(1)..=at + 1).map(|at| window.change(column, at));
    changes.filter(|change| !change.is_nan()).max_by(|a, b| a.abs().total_cmp(&b.abs())).unwrap_or(f32::NAN)
}

fn change_or_zero(window: Window, column: &[f32], at: usize) -> f32 {
    let change = near(window, column, at);
    if change.is_nan() { 0.0 } else { change }
}

/// A sum of channels by factor; unknown where one of them is.
fn sum(block: &Block, terms: &[(usize, f64)]) -> Vec<f32> {
    let columns: Option<Vec<_>> = terms
        .iter()
        .map(|(channel, factor)| {
            block.columns.get(*channel).filter(|c| !c.is_empty()).map(|c| (c, *factor as f32))
        })
        .collect();
    let Some(columns) = columns.filter(|columns| !columns.is_empty()) else { return Vec::new() };
    (0..block.len())
        .map(|at| {
            columns.iter().map(|(column, factor)| column.get(at).map_or(f32::NAN, |w| w * factor)).sum()
        })
        .collect()
}

fn total(legs: &[Vec<f32>]) -> Vec<f32> {
    let Some(first) = legs.first() else { return Vec::new() };
    if legs.iter().any(Vec::is_empty) {
        return Vec::new();
    }
    (0..first.len()).map(|at| legs.iter().map(|leg| leg[at]).sum()).collect()
}
