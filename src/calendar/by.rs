//! Cutting a range of time into local intervals.

use std::fmt;
use std::ops::Range;

use super::{CalendarError, LocalDay, Zone};
use crate::units::{Span, Stamp, TENTHS};

/// The most intervals that one answer holds: a week of minutes, even one in which the clock goes
/// back by an hour or two, and more than a year of hours. At some 1.5 kB an interval for a house of
/// 25 series that bounds an answer to about 15 MB.
pub const MAX_INTERVALS: usize = 10_200;

/// Kinds of local intervals.
#[derive(Clone, Copy, Debug, PartialEq, Eq, Hash)]
pub enum By {
    /// 60 s.
    Minute,
    /// 15 min, the smallest interval that every current zone's offset divides.
    Quarter,
    /// Full hours of the local clock, cut at its shifts.
    Hour,
    /// Local days.
    Day,
    /// Monday to Sunday (ISO 8601).
    Week,
    /// Calendar months.
    Month,
    /// Calendar years.
    Year,
    /// Months that start on the site's billing day.
    Billing,
}

impl By {
    /// All of them, shortest first.
    pub const ALL: [Self; 8] = [
        Self::Minute,
        Self::Quarter,
        Self::Hour,
        Self::Day,
        Self::Week,
        Self::Month,
        Self::Year,
        Self::Billing,
    ];

    /// Its name on the command line and in queries.
    pub fn as_str(self) -> &'static str {
        match self {
            Self::Minute => "minute",
            Self::Quarter => "quarter",
            Self::Hour => "hour",
            Self::Day => "day",
            Self::Week => "week",
            Self::Month => "month",
            Self::Year => "year",
            Self::Billing => "billing",
        }
    }
}

impl fmt::Display for By {
    fn fmt(&self, f: &mut fmt::Formatter<'_>) -> fmt::Result {
        f.write_str(self.as_str())
    }
}

/// A stretch of time; its end is exclusive.
#[derive(Clone, Copy, Debug, PartialEq, Eq, Hash)]
pub struct Interval {
    /// Where it starts.
    pub start: Stamp,
    /// Where it ends, exclusive; after `start`.
    pub end: Stamp,
}

impl Interval {
    /// How long it lasts.
    pub fn span(self) -> Span {
        self.end - self.start
    }
}

/// Cuts `range` into local intervals, snapped outwards: the first holds the start of the range, the
/// last its end. They follow each other without a gap, and none is empty.
///
/// `billing_day` (1 to 28) is the day of the month on which a billing month starts; only
/// [`By::Billing`] looks at it.
///
/// # Errors
/// [`CalendarError::Backwards`] for an empty range, [`CalendarError::TooMany`] past
/// [`MAX_INTERVALS`], and [`CalendarError::OutOfRange`] outside of the years 1900 to 2199.
pub fn intervals(
    zone: &Zone,
    by: By,
    billing_day: u8,
    range: Range<Stamp>,
) -> Result<Vec<Interval>, CalendarError> {
    if range.is_empty() {
        return Err(CalendarError::Backwards);
    }
    let known = Stamp::from_seconds(-2_208_988_800)..Stamp::from_seconds(7_258_118_400);
    if range.start < known.start || range.end > known.end {
        let text = format!("{} s to {} s", range.start.seconds(), range.end.seconds());
        return Err(CalendarError::OutOfRange { text });
    }
    // A cheap look ahead: whoever asks for a century of minutes is told so before any work.
    let seconds = (range.end.0 - range.start.0) / TENTHS;
    if seconds / longest_s(by) > MAX_INTERVALS as i64 {
        return Err(too_many(by));
    }
    let cuts = match by {
        By::Minute => even(&range, Span::MINUTE),
        By::Quarter => even(&range, Span::QUARTER),
        By::Hour => hours(zone, &range),
        _ => days(zone, by, billing_day.clamp(1, 28), &range),
    };
    let found: Vec<Interval> = cuts
        .windows(2)
        .map(|pair| Interval { start: pair[0], end: pair[1] })
        .filter(|interval| interval.start < interval.end)
        .collect();
    if found.len() > MAX_INTERVALS { Err(too_many(by)) } else { Ok(found) }
}

fn too_many(by: By) -> CalendarError {
    CalendarError::TooMany { by, bound: MAX_INTERVALS }
}

/// No interval of the kind is longer, in seconds.
fn longest_s(by: By) -> i64 {
    match by {
        By::Minute => 60,
        By::Quarter => 900,
        By::Hour => 3600,
        // A day can last 48 h where a zone moved to the other side of the date line.
        By::Day => 2 * 86_400,
        By::Week => 8 * 86_400,
        By::Month | By::Billing => 32 * 86_400,
        By::Year => 367 * 86_400,
    }
}

/// Cuts at every multiple of `step` of UTC.
fn even(range: &Range<Stamp>, step: Span) -> Vec<Stamp> {
    let mut cuts = vec![range.start.floor(step)];
    let mut last = cuts[0];
    while last < range.end {
        last = last + step;
        cuts.push(last);
    }
    cuts
}

/// Cuts at every full hour of the local clock and at every shift of it.
fn hours(zone: &Zone, range: &Range<Stamp>) -> Vec<Stamp> {
    // From the start of the local day on: a shift just before the range may be where its hour starts.
    let mut cut = zone.day_start(zone.day_of(range.start));
    let mut shift = zone.next_shift(cut);
    let mut offset = Span::from_seconds(zone.offset_s(cut));
    let mut cuts = Vec::new();
    while cut < range.end {
        let local = Stamp(cut.0 + offset.0);
        let next_full = Stamp((local.floor(Span::HOUR) + Span::HOUR).0 - offset.0);
        let next = shift.map_or(next_full, |shift| shift.min(next_full));
        if next > range.start {
            cuts.push(cut);
        }
        cut = next;
        if shift == Some(cut) {
            offset = Span::from_seconds(zone.offset_s(cut));
            shift = zone.next_shift(cut);
        }
    }
    cuts.push(cut);
    cuts
}

/// Cuts at the start of local days that begin an interval of the kind.
fn days(zone: &Zone, by: By, billing_day: u8, range: &Range<Stamp>) -> Vec<Stamp> {
    let mut day = first_day(by, billing_day, zone.day_of(range.start));
    let mut cut = zone.day_start(day);
    let mut cuts = vec![cut];
    while cut < range.end {
        day = following(by, billing_day, day);
        cut = zone.day_start(day);
        cuts.push(cut);
    }
    cuts
}

/// The first day of the interval that holds `day`.
fn first_day(by: By, billing_day: u8, day: LocalDay) -> LocalDay {
    let month = day.month();
    match by {
        By::Week => day.monday(),
        By::Month => month.day(1),
        By::Year => super::LocalMonth::new(month.civil().0, 1).day(1),
        By::Billing => {
            let start = month.day(billing_day);
            if start <= day { start } else { super::LocalMonth(month.0 - 1).day(billing_day) }
        }
        _ => day,
    }
}

/// The first day of the interval after the one that starts on `first`.
pub(super) fn following(by: By, billing_day: u8, first: LocalDay) -> LocalDay {
    match by {
        By::Week => LocalDay(first.0 + 7),
        By::Month => first.month().next().day(1),
        By::Year => super::LocalMonth(first.month().0 + 12).day(1),
        By::Billing => first.month().next().day(billing_day),
        _ => first.next(),
    }
}
