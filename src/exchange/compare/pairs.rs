//! The intervals of the utility's file, its directions side by side.

use std::collections::BTreeMap;

use crate::calendar::Interval;
use crate::exchange::espi::{Flow, Series};
use crate::units::Stamp;

/// One interval of the meter.
#[derive(Clone, Copy, Debug, PartialEq, Eq)]
pub struct Pair {
    /// The interval.
    pub interval: Interval,
    /// Delivered to the customer, in mWh, if the file says.
    pub forward: Option<i64>,
    /// Received from the customer, in mWh, if the file says.
    pub reverse: Option<i64>,
    /// Forward less reverse, in mWh, where the file has nothing else.
    pub net_only: Option<i64>,
    /// Whether the utility estimated any of it.
    pub estimated: bool,
}

impl Pair {
    /// Forward less reverse, in mWh.
    pub fn net(&self) -> i64 {
        self.net_only.unwrap_or_else(|| self.forward.unwrap_or(0) - self.reverse.unwrap_or(0))
    }
}

/// What the CTs say of an interval that they cover wholly, in mWh.
#[derive(Clone, Copy, Debug, PartialEq, Eq)]
pub struct Measured {
    /// Grid import.
    pub import_mwh: i64,
    /// Grid export.
    pub export_mwh: i64,
}

/// A meter's intervals.
#[derive(Clone, Debug, PartialEq, Eq)]
pub struct Pairs {
    /// By time, without overlap; where the file has both directions, those that have both.
    pub all: Vec<Pair>,
    /// Whether the file has the forward direction.
    pub has_forward: bool,
    /// Whether it has the reverse direction.
    pub has_reverse: bool,
    /// The largest energy of which every value of the file is a multiple, in mWh: what the meter's
    /// register tells apart.
    pub resolution_mwh: i64,
}

/// Puts the directions of a meter side by side: the series of a file that are meant, one a direction.
///
/// # Errors
/// Where they have no energy.
pub fn pairs(series: &[&Series]) -> Result<Pairs, String> {
    let of = |flow| series.iter().find(|series| series.flow == flow && !series.readings.is_empty());
    let (forward, reverse, net) = (of(Flow::Forward), of(Flow::Reverse), of(Flow::Net));
    // A net series beside the two says nothing that they do not.
    let net = if forward.is_some() || reverse.is_some() { None } else { net };
    let mut by_time: BTreeMap<(Stamp, Stamp), Pair> = BTreeMap::new();
    let mut resolution = 0;
    for series in [forward, reverse, net].into_iter().flatten() {
        for reading in &series.readings {
            let interval = Interval { start: reading.start, end: reading.end() };
            let pair = by_time.entry((interval.start, interval.end)).or_insert(Pair {
                interval,
                forward: None,
                reverse: None,
                net_only: None,
                estimated: false,
            });
            match series.flow {
                Flow::Forward => pair.forward = Some(reading.mwh),
                Flow::Reverse => pair.reverse = Some(reading.mwh),
                Flow::Net => pair.net_only = Some(reading.mwh),
            }
            pair.estimated |= reading.estimated;
            resolution = common(resolution, reading.mwh.abs());
        }
    }
    let (has_forward, has_reverse) = (forward.is_some(), reverse.is_some());
    let whole =
        |pair: &Pair| !(has_forward && has_reverse) || pair.forward.is_some() && pair.reverse.is_some();
    let all: Vec<Pair> = by_time.into_values().filter(whole).collect();
    if all.is_empty() {
        return Err("the file has no interval with an energy".to_owned());
    }
    Ok(Pairs { all, has_forward, has_reverse, resolution_mwh: resolution })
}

/// The greatest common divisor.
fn common(a: i64, b: i64) -> i64 {
    if b == 0 { a } else { common(b, a % b) }
}
