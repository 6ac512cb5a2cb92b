//! Interval data of meters as NAESB REQ.21 (ESPI) writes it: an Atom feed (RFC 4287) whose entries
//! hold `UsagePoint`, `MeterReading`, `ReadingType` and `IntervalBlock`, tied together by links.
//!
//! Codes of the standard that are used here: `uom` 72 is Wh and 38 is W; `flowDirection` 1 is forward
//! (delivered to the customer), 19 reverse (received from them), 4 net; `accumulationBehaviour` 4 is
//! the energy of each interval by itself; a value counts times 10^`powerOfTenMultiplier`. All times
//! are seconds since 1970 in UTC.

mod choose;
mod read;
mod resolve;
mod rules;
#[cfg(test)]
mod tests;
mod write;

pub use choose::choose;
pub use read::read;
pub use write::{Writer, can_write};

use crate::units::Stamp;

/// `uom`: watt-hours.
pub const UOM_WH: i64 = 72;
/// `uom`: watts.
pub const UOM_W: i64 = 38;

/// What the grid's import is called in a file that this program writes.
pub const GRID_IMPORT: &str = "Grid import";
/// And its export.
pub const GRID_EXPORT: &str = "Grid export";

/// Which way the energy flowed.
#[derive(Clone, Copy, Debug, PartialEq, Eq, PartialOrd, Ord, Hash)]
pub enum Flow {
    /// Delivered to the customer; also where the file does not say.
    Forward,
    /// Received from the customer.
    Reverse,
    /// Forward less reverse.
    Net,
}

impl Flow {
    /// The standard's code.
    pub fn code(self) -> i64 {
        match self {
            Self::Forward => 1,
            Self::Reverse => 19,
            Self::Net => 4,
        }
    }

    /// In words.
    pub fn as_str(self) -> &'static str {
        match self {
            Self::Forward => "forward",
            Self::Reverse => "reverse",
            Self::Net => "net",
        }
    }
}

/// The energy of one interval.
#[derive(Clone, Copy, Debug, PartialEq, Eq)]
pub struct Reading {
    /// When it starts.
    pub start: Stamp,
    /// How long it is, in seconds; above 0.
    pub seconds: i64,
    /// Its energy in mWh.
    pub mwh: i64,
    /// Whether the utility says that it estimated, projected or doubts the value (qualities 8 to 10
    /// and 12).
    pub estimated: bool,
    /// The line of the file in which it starts.
    pub line: u64,
}

impl Reading {
    /// When it ends.
    pub fn end(&self) -> Stamp {
        Stamp(self.start.0 + self.seconds * 10)
    }
}

/// What one meter, or one direction of it, counted.
#[derive(Clone, Debug, PartialEq, Eq)]
pub struct Series {
    /// What the file calls it.
    pub title: String,
    /// Which way it counts.
    pub flow: Flow,
    /// By time, without overlap.
    pub readings: Vec<Reading>,
    /// How many blocks they came in.
    pub blocks: usize,
}

impl Series {
    /// The sum of all readings in mWh.
    pub fn total_mwh(&self) -> i64 {
        self.readings.iter().map(|reading| reading.mwh).sum()
    }

    /// The length in seconds that most intervals have; 0 without readings.
    pub fn usual_seconds(&self) -> i64 {
        let mut counts = std::collections::BTreeMap::new();
        for reading in &self.readings {
            *counts.entry(reading.seconds).or_insert(0_usize) += 1;
        }
        counts.into_iter().max_by_key(|(_, count)| *count).map_or(0, |(seconds, _)| seconds)
    }
}

/// What a file holds.
#[derive(Clone, Debug, Default, PartialEq, Eq)]
pub struct Feed {
    /// Each meter and direction that has energy readings.
    pub series: Vec<Series>,
    /// The energy of the billing period as the file sums it up itself, in mWh, if it does.
    pub summary_mwh: Option<i64>,
}
