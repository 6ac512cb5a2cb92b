//! A site's time zone: what the local clock shows, and where its days start.

use std::ops::Range;

use jiff::Timestamp;
use jiff::civil::DateTime;
use jiff::tz::{AmbiguousOffset, TimeZone, TimeZoneDatabase};

use super::{CalendarError, LocalDay, LocalMonth};
use crate::units::Stamp;

/// A zone of the IANA database that is compiled in; the system's own files are never read.
#[derive(Clone, Debug)]
pub struct Zone {
    name: String,
    tz: TimeZone,
}

impl Zone {
    /// The zone of that IANA name.
    ///
    /// # Errors
    /// [`CalendarError::UnknownZone`], with the nearest name that exists.
    pub fn new(name: &str) -> Result<Self, CalendarError> {
        let database = TimeZoneDatabase::bundled();
        match database.get(name) {
            Ok(tz) => Ok(Self { name: name.to_owned(), tz }),
            Err(_) => {
                let example = nearest(&database, name).unwrap_or_else(|| "America/Denver".to_owned());
                Err(CalendarError::UnknownZone { name: name.to_owned(), example })
            }
        }
    }

    /// UTC, for what belongs to no place.
    pub fn utc() -> Self {
        Self { name: "UTC".to_owned(), tz: TimeZone::UTC }
    }

    /// Every name that [`Zone::new`] takes.
    pub fn names() -> Vec<String> {
        TimeZoneDatabase::bundled().available().map(|name| name.as_str().to_owned()).collect()
    }

    /// Its IANA name.
    pub fn name(&self) -> &str {
        &self.name
    }

    /// Seconds that the local clock is ahead of UTC at that moment.
    pub fn offset_s(&self, at: Stamp) -> i64 {
        i64::from(self.tz.to_offset(timestamp(at)).seconds())
    }

    /// The local date and time of day, to the second below.
    pub fn local(&self, at: Stamp) -> DateTime {
        self.tz.to_datetime(timestamp(at))
    }

    /// The moment as RFC 3339 with the local offset, to the second below: `2025-03-09T03:00:00-06:00`.
    pub fn rfc3339(&self, at: Stamp) -> String {
        let local = self.local(at);
        let offset = self.offset_s(at);
        let sign = if offset < 0 { '-' } else { '+' };
        // Offsets with seconds ended in 1972; RFC 3339 has no place for them.
        let minutes = offset.abs() / 60;
        format!("{}{sign}{:02}:{:02}", local.strftime("%Y-%m-%dT%H:%M:%S"), minutes / 60, minutes % 60)
    }

    /// The local day that the moment counts to: its local date, or the day after where that has
    /// begun before the clock went back over midnight.
    pub fn day_of(&self, at: Stamp) -> LocalDay {
        let day = LocalDay::from_date(self.local(at).date());
        if self.day_start(day.next()) <= at { day.next() } else { day }
    }

    /// The first moment at which the local date is `day` or later.
    pub fn day_start(&self, day: LocalDay) -> Stamp {
        let midnight = day.date().at(0, 0, 0, 0);
        match self.tz.to_ambiguous_timestamp(midnight).offset() {
            AmbiguousOffset::Unambiguous { offset } => at_offset(midnight, offset.seconds()),
            AmbiguousOffset::Fold { before, .. } => at_offset(midnight, before.seconds()),
            AmbiguousOffset::Gap { after, .. } => {
                // Midnight is jumped over, so the day starts with the jump: the next shift after
                // what midnight would have been had the clock jumped earlier.
                let early = at_offset(midnight, after.seconds());
                self.next_shift(early).unwrap_or(early)
            }
        }
    }

    /// From its start to the start of the next day. Empty where the zone skipped the day.
    pub fn day_range(&self, day: LocalDay) -> Range<Stamp> {
        self.day_start(day)..self.day_start(day.next())
    }

    /// The local month that the moment counts to.
    pub fn month_of(&self, at: Stamp) -> LocalMonth {
        self.day_of(at).month()
    }

    /// From the start of its first day to the start of the next month's.
    pub fn month_range(&self, month: LocalMonth) -> Range<Stamp> {
        self.day_start(month.day(1))..self.day_start(month.next().day(1))
    }

    /// The first moment after `at` at which the local clock is put forward or back.
    pub fn next_shift(&self, at: Stamp) -> Option<Stamp> {
        let mut offset = self.tz.to_offset(timestamp(at));
        for transition in self.tz.following(timestamp(at)) {
            // A change of name or of the summer-time flag alone shifts nothing.
            if transition.offset() != offset {
                return Some(Stamp::from_seconds(transition.timestamp().as_second()));
            }
            offset = transition.offset();
        }
        None
    }

    /// The moment at which the local clock shows `local`: the first of two, and where the clock
    /// jumps over it, as long after the jump as it was to be after the last full clock time.
    pub(super) fn resolve(&self, local: DateTime) -> Stamp {
        let offset = match self.tz.to_ambiguous_timestamp(local).offset() {
            AmbiguousOffset::Unambiguous { offset } => offset,
            AmbiguousOffset::Fold { before, .. } | AmbiguousOffset::Gap { before, .. } => before,
        };
        at_offset(local, offset.seconds())
    }
}

/// The name of the database that is least changed from `name`.
fn nearest(database: &TimeZoneDatabase, name: &str) -> Option<String> {
    /// Below this similarity (0 to 1) a suggestion would only confuse.
    const SIMILAR: f64 = 0.8;
    let lower = name.to_lowercase();
    let score = |candidate: &str| strsim::jaro_winkler(&lower, &candidate.to_lowercase());
    database
        .available()
        .map(|candidate| (score(candidate.as_str()), candidate.as_str().to_owned()))
        .filter(|(similarity, _)| *similarity >= SIMILAR)
        .max_by(|one, other| one.0.total_cmp(&other.0))
        .map(|(_, candidate)| candidate)
}

/// The moment as jiff has it, to the second below. Beyond the years that jiff knows it is the
/// nearest that it does, two days inside so that every offset fits.
fn timestamp(at: Stamp) -> Timestamp {
    const MARGIN_S: i64 = 2 * 86_400;
    let bounds = Timestamp::MIN.as_second() + MARGIN_S..=Timestamp::MAX.as_second() - MARGIN_S;
    let seconds = at.seconds().clamp(*bounds.start(), *bounds.end());
    Timestamp::from_second(seconds).unwrap_or_default()
}

/// The moment of a local time at an offset, in seconds ahead of UTC.
fn at_offset(local: DateTime, offset_s: i32) -> Stamp {
    let as_utc = jiff::tz::Offset::UTC.to_timestamp(local).unwrap_or_default();
    Stamp::from_seconds(as_utc.as_second() - i64::from(offset_s))
}
