//! Instants and local intervals.
//!
//! A household thinks in local days, and a local day lasts 23, 24, 24.5, 25 or 0 h. This module
//! cuts time by the clock of the site's IANA zone, from the time-zone database that is compiled
//! in, so that the same question has the same answer on every machine.
//!
//! Three rules make every cut unambiguous:
//! - A local day starts at the **first** moment at which the local date is that day or later. Where
//!   midnight does not exist (the clock jumps over it), that is the jump; where it comes twice, the
//!   first; the repeated stretch belongs to the day that has begun.
//! - Weeks (from Monday, ISO 8601), months, years and billing months are runs of whole local days.
//!   A day that the zone skipped has no length and is no interval.
//! - Hours are cut where the local clock shows a full hour **and** at every shift of the clock. A
//!   repeated hour is two intervals; a half-hour shift (Lord Howe Island) leaves an interval of
//!   30 min beside it. Quarter-hours and minutes are cut on UTC, which every current offset
//!   (a multiple of 15 min) agrees with.

mod by;
mod day;
mod parse;
mod shift;
#[cfg(test)]
mod tests;
mod zone;

pub use by::{By, Interval, MAX_INTERVALS, intervals};
pub use day::{LocalDay, LocalMonth};
pub use shift::{Against, Shift};
pub use zone::Zone;

/// Why a question about time cannot be answered.
#[derive(Clone, Debug, PartialEq, Eq, thiserror::Error)]
pub enum CalendarError {
    /// The name is in no release of the time-zone database that is compiled in.
    #[error("no time zone is called `{name}`; use a name of the IANA database, such as {example}")]
    UnknownZone {
        /// What was asked for.
        name: String,
        /// The nearest name, or a well-known one.
        example: String,
    },
    /// Not a date or time.
    #[error(
        "`{text}` is no date or time; write 2025-03-09, 2025-03-09T13:30 (local time of the site) or \
         2025-03-09T13:30:00-07:00"
    )]
    NotATime {
        /// What was given.
        text: String,
    },
    /// Outside of the years that are worked with.
    #[error("`{text}` lies outside of the years 1900 to 2199")]
    OutOfRange {
        /// What was given.
        text: String,
    },
    /// Not a kind of interval.
    #[error("`{text}` is no interval; use one of minute, quarter, hour, day, week, month, year, billing")]
    NotAnInterval {
        /// What was given.
        text: String,
    },
    /// Nothing to compare with.
    #[error("`{text}` is nothing to compare with; use one of previous, week, month, year")]
    NotAComparison {
        /// What was given.
        text: String,
    },
    /// What is compared is longer than what lies between it and the other.
    #[error("a {by} has no counterpart a {against} before; compare with previous or year")]
    NoCounterpart {
        /// Which intervals.
        by: By,
        /// With what.
        against: Against,
    },
    /// The end is not after the start.
    #[error("the end of the range is not after its start; `to` is where the range ends, exclusive")]
    Backwards,
    /// More intervals than one answer may hold.
    #[error(
        "the range holds more than {bound} intervals of one {by}; ask for a shorter range or longer intervals"
    )]
    TooMany {
        /// Which intervals.
        by: By,
        /// How many there may be.
        bound: usize,
    },
}
