//! The same stretch of local time before: a week, a month or a year earlier, or just before.

use std::fmt;
use std::str::FromStr;

use super::by::following;
use super::{By, CalendarError, Interval, LocalDay, LocalMonth, Zone};
use crate::units::{Span, Stamp};

/// What a stretch of time is compared with.
#[derive(Clone, Copy, Debug, PartialEq, Eq, Hash)]
pub enum Against {
    /// The stretch of the same length just before: whole months, weeks or years where it is made of
    /// such, else as many days.
    Previous,
    /// The same weekdays of the week before.
    Week,
    /// The same days of the month before.
    Month,
    /// The same dates of the year before; of weeks, the 52nd before.
    Year,
}

impl Against {
    /// All of them.
    pub const ALL: [Self; 4] = [Self::Previous, Self::Week, Self::Month, Self::Year];

    /// Its name on the command line and in queries.
    pub const fn as_str(self) -> &'static str {
        match self {
            Self::Previous => "previous",
            Self::Week => "week",
            Self::Month => "month",
            Self::Year => "year",
        }
    }
}

impl fmt::Display for Against {
    fn fmt(&self, f: &mut fmt::Formatter<'_>) -> fmt::Result {
        f.write_str(self.as_str())
    }
}

impl FromStr for Against {
    type Err = CalendarError;

    fn from_str(text: &str) -> Result<Self, CalendarError> {
        let found = Self::ALL.into_iter().find(|against| against.as_str() == text);
        found.ok_or_else(|| CalendarError::NotAComparison { text: text.chars().take(60).collect() })
    }
}

/// How far back, by the local calendar.
#[derive(Clone, Copy, Debug, PartialEq, Eq)]
pub enum Shift {
    /// Whole days: the weekday moves along unless they are whole weeks.
    Days(i32),
    /// Whole months: the day of the month stays.
    Months(i32),
}

impl Shift {
    /// How far back `intervals` of that kind are compared, `against` that.
    ///
    /// # Errors
    /// [`CalendarError::NoCounterpart`] where the interval is longer than what it is compared with.
    pub fn of(against: Against, by: By, zone: &Zone, intervals: &[Interval]) -> Result<Self, CalendarError> {
        let refused = || CalendarError::NoCounterpart { by, against };
        let count = intervals.len() as i32;
        match (against, by) {
            (Against::Previous, By::Year) => Ok(Self::Months(12 * count)),
            (Against::Previous, By::Month | By::Billing) => Ok(Self::Months(count)),
            (Against::Previous, By::Week) => Ok(Self::Days(7 * count)),
            (Against::Previous, _) => Ok(before(zone, intervals)),
            (Against::Week, By::Month | By::Billing | By::Year) | (Against::Month, By::Year) => {
                Err(refused())
            }
            (Against::Week, _) => Ok(Self::Days(7)),
            (Against::Month, By::Week) => Ok(Self::Days(28)),
            (Against::Month, _) => Ok(Self::Months(1)),
            (Against::Year, By::Week) => Ok(Self::Days(364)),
            (Against::Year, _) => Ok(Self::Months(12)),
        }
    }

    /// The local day that far before `day`; `None` where the month has no such day (30 February).
    pub fn day(self, day: LocalDay) -> Option<LocalDay> {
        match self {
            Self::Days(days) => Some(LocalDay(day.0 - days)),
            Self::Months(months) => {
                let (year, month) = LocalMonth(day.month().0 - months).civil();
                LocalDay::from_civil(year, month, day.civil().2)
            }
        }
    }

    /// The interval of the same kind that far before `interval`; `None` where there is none: a day
    /// that the month or the zone does not have, an hour that the clock jumped over; and for the
    /// second of two equal hours.
    ///
    /// Days and longer intervals last as long as the calendar then made them; hours and shorter ones
    /// begin at the same time of the local clock and last as long as `interval`.
    pub fn interval(self, zone: &Zone, by: By, billing_day: u8, interval: Interval) -> Option<Interval> {
        let found = match by {
            By::Minute | By::Quarter | By::Hour => {
                let start = self.moment(zone, interval.start)?;
                let end = start + interval.span();
                let shifted = zone.next_shift(start).is_some_and(|shift| shift < end);
                (!shifted).then_some(Interval { start, end })?
            }
            _ => {
                let first = self.day(zone.day_of(interval.start))?;
                let after = following(by, billing_day, first);
                Interval { start: zone.day_start(first), end: zone.day_start(after) }
            }
        };
        (found.start < found.end).then_some(found)
    }

    /// The moment at which the local clock showed the same time that far before `at`: the first of
    /// two. `None` where it never did, and for an `at` that is the second of two.
    pub fn moment(self, zone: &Zone, at: Stamp) -> Option<Stamp> {
        let local = zone.local(at);
        if zone.resolve(local).seconds() != at.seconds() {
            return None;
        }
        let then = self.day(LocalDay::from_date(local.date()))?.date().to_datetime(local.time());
        let found = zone.resolve(then);
        (zone.local(found) == then).then_some(found)
    }
}

/// As long as the intervals together, just before them.
fn before(zone: &Zone, intervals: &[Interval]) -> Shift {
    let (Some(first), Some(last)) = (intervals.first(), intervals.last()) else { return Shift::Days(1) };
    let (from, to) = (zone.day_of(first.start), zone.day_of(last.end));
    let at_midnights = zone.day_start(from) == first.start && zone.day_start(to) == last.end;
    if at_midnights && from.civil().2 == 1 && to.civil().2 == 1 {
        return Shift::Months(to.month().0 - from.month().0);
    }
    let days = zone.day_of(last.end - Span(1)).0 + 1 - from.0;
    Shift::Days(days.max(1))
}

#[cfg(test)]
mod tests {
    use super::*;
    use crate::calendar::intervals;

    /// The counterparts of a range's intervals, as `start/length in minutes`, or `-`.
    fn counterparts(name: &str, by: By, against: Against, from: &str, to: &str) -> Vec<String> {
        let zone = Zone::new(name).expect("a zone");
        let range = zone.parse(from).expect("from")..zone.parse(to).expect("to");
        let cut = intervals(&zone, by, 17, range).expect("intervals");
        let shift = Shift::of(against, by, &zone, &cut).expect("a shift");
        let then = cut.iter().map(|interval| match shift.interval(&zone, by, 17, *interval) {
            Some(then) => format!("{}/{}", &zone.rfc3339(then.start)[..16], then.span().0 / 600),
            None => "-".to_owned(),
        });
        then.collect()
    }

    #[test]
    fn a_range_is_compared_with_what_came_before_it() {
        let check = |by, against, from, to, expected: &[&str]| {
            assert_eq!(counterparts("America/Denver", by, against, from, to), expected, "{from} {by}");
        };
        use Against::{Month, Previous, Week, Year};
        check(By::Day, Previous, "2025-06-10", "2025-06-11", &["2025-06-09T00:00/1440"]);
        check(
            By::Day,
            Previous,
            "2025-06-09",
            "2025-06-11",
            &["2025-06-07T00:00/1440", "2025-06-08T00:00/1440"],
        );
        check(By::Day, Week, "2025-03-10", "2025-03-11", &["2025-03-03T00:00/1440"]);
        // The day of 23 h against one of 24 h, and the other way round.
        check(By::Day, Previous, "2025-03-09", "2025-03-10", &["2025-03-08T00:00/1440"]);
        check(By::Day, Previous, "2025-03-10", "2025-03-11", &["2025-03-09T00:00/1380"]);
        // Months by their number of days; a week by its weekdays.
        check(By::Month, Previous, "2025-03-01", "2025-04-01", &["2025-02-01T00:00/40320"]);
        check(By::Month, Year, "2025-02-01", "2025-03-01", &["2024-02-01T00:00/41760"]);
        check(
            By::Month,
            Previous,
            "2025-02-01",
            "2025-04-01",
            &["2024-12-01T00:00/44640", "2025-01-01T00:00/44640"],
        );
        check(By::Week, Year, "2025-06-09", "2025-06-16", &["2024-06-10T00:00/10080"]);
        check(By::Week, Month, "2025-06-09", "2025-06-16", &["2025-05-12T00:00/10080"]);
        check(By::Billing, Previous, "2025-03-17", "2025-04-17", &["2025-02-17T00:00/40260"]);
        check(By::Billing, Year, "2025-03-17", "2025-04-17", &["2024-03-17T00:00/44640"]);
        check(By::Year, Previous, "2025-01-01", "2026-01-01", &["2024-01-01T00:00/527040"]);
        // Days that the other month or year does not have.
        check(By::Day, Year, "2024-02-29", "2024-03-01", &["-"]);
        check(By::Day, Month, "2025-03-28", "2025-04-01", &["2025-02-28T00:00/1440", "-", "-", "-"]);
        let march = counterparts("America/Denver", By::Day, Previous, "2025-03-01", "2025-04-01");
        assert_eq!(
            (march[0].as_str(), march[27].as_str(), march[28].as_str()),
            ("2025-02-01T00:00/1440", "2025-02-28T00:00/1440", "-")
        );
    }

    #[test]
    fn hours_are_compared_with_the_hour_that_the_clock_showed() {
        let check = |from, to, expected: &[&str]| {
            let found = counterparts("America/Denver", By::Hour, Against::Previous, from, to);
            assert_eq!(found, expected, "{from}");
        };
        check("2025-06-10T06:00", "2025-06-10T08:00", &["2025-06-09T06:00/60", "2025-06-09T07:00/60"]);
        // The day before had no 02:00, and no second 01:00.
        check("2025-03-10T01:00", "2025-03-10T04:00", &["2025-03-09T01:00/60", "-", "2025-03-09T03:00/60"]);
        check("2025-11-02T01:00", "2025-11-02T03:00", &["2025-11-01T01:00/60", "-", "2025-11-01T02:00/60"]);
        check("2025-11-03T01:00", "2025-11-03T02:00", &["2025-11-02T01:00/60"]);
    }

    #[test]
    fn a_day_that_did_not_happen_has_no_counterpart() {
        let found = counterparts("Pacific/Apia", By::Day, Against::Year, "2012-12-29", "2013-01-01");
        assert_eq!(found, ["2011-12-29T00:00/1440", "-", "2011-12-31T00:00/1440"]);
        // Of the day before the one that was skipped, the counterpart is one day and not two.
        let found = counterparts("Pacific/Apia", By::Day, Against::Year, "2011-12-29", "2011-12-31");
        assert_eq!(found, ["2010-12-29T00:00/1440"]);
    }

    #[test]
    fn longer_intervals_have_no_shorter_shift() {
        let zone = Zone::utc();
        for (against, by) in [(Against::Week, By::Month), (Against::Month, By::Year)] {
            let error = Shift::of(against, by, &zone, &[]).expect_err("refused").to_string();
            assert!(error.contains(by.as_str()) && error.contains(against.as_str()), "{error}");
        }
        for against in Against::ALL {
            assert_eq!(against.to_string().parse(), Ok(against));
        }
        assert!(Against::from_str("decade").is_err());
    }
}
