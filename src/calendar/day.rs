//! Local dates and months as plain numbers, for keys and for counting.

use jiff::civil::Date;
use jiff::tz::Offset;

/// Days from 1970-01-01 to year 2199's end and back to 1900: what is worked with. Anything beyond is
/// taken as the nearest day inside, so that no operation on a day can fail.
const DAYS: std::ops::RangeInclusive<i32> = -25_567..=84_005;

/// A local calendar date: days since 1970-01-01 of the local date, whatever the zone.
#[derive(Clone, Copy, Debug, PartialEq, Eq, PartialOrd, Ord, Hash)]
pub struct LocalDay(pub i32);

impl LocalDay {
    /// From year, month (1 to 12) and day of the month, if there is such a day.
    pub fn from_civil(year: i16, month: i8, day: i8) -> Option<Self> {
        Date::new(year, month, day).ok().map(Self::from_date)
    }

    /// Year, month (1 to 12), day of the month (1 to 31).
    pub fn civil(self) -> (i16, i8, i8) {
        let date = self.date();
        (date.year(), date.month(), date.day())
    }

    /// The day after.
    pub fn next(self) -> Self {
        Self(self.0 + 1)
    }

    /// The Monday that starts this day's week (ISO 8601).
    pub fn monday(self) -> Self {
        // 1970-01-01 was a Thursday, three days after a Monday.
        Self(self.0 - (self.0 + 3).rem_euclid(7))
    }

    /// Days since Monday, 0 to 6.
    pub fn weekday(self) -> usize {
        (self.0 - self.monday().0) as usize
    }

    /// The month that it lies in.
    pub fn month(self) -> LocalMonth {
        let (year, month, _) = self.civil();
        LocalMonth::new(year, month)
    }

    pub(super) fn date(self) -> Date {
        let days = self.0.clamp(*DAYS.start(), *DAYS.end());
        let midnight = jiff::Timestamp::from_second(i64::from(days) * 86_400).unwrap_or_default();
        Offset::UTC.to_datetime(midnight).date()
    }

    /// The day of a date of the civil calendar.
    pub fn from_date(date: Date) -> Self {
        let midnight = Offset::UTC.to_timestamp(date.at(0, 0, 0, 0)).unwrap_or_default();
        Self(midnight.as_second().div_euclid(86_400) as i32)
    }
}

/// A local calendar month: months since 1970-01.
#[derive(Clone, Copy, Debug, PartialEq, Eq, PartialOrd, Ord, Hash)]
pub struct LocalMonth(pub i32);

impl LocalMonth {
    /// From year and month (1 to 12).
    pub fn new(year: i16, month: i8) -> Self {
        Self((i32::from(year) - 1970) * 12 + i32::from(month) - 1)
    }

    /// Year and month (1 to 12).
    pub fn civil(self) -> (i16, i8) {
        ((1970 + self.0.div_euclid(12)) as i16, (self.0.rem_euclid(12) + 1) as i8)
    }

    /// The month after.
    pub fn next(self) -> Self {
        Self(self.0 + 1)
    }

    /// Its day number `day` (1 to 28, so that every month has it).
    pub fn day(self, day: u8) -> LocalDay {
        let (year, month) = self.civil();
        LocalDay::from_civil(year, month, day.clamp(1, 28) as i8).unwrap_or(LocalDay(0))
    }
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn days_count_from_1970() {
        let check = |year, month, day, number| {
            let local = LocalDay::from_civil(year, month, day).expect("a date");
            assert_eq!(local, LocalDay(number));
            assert_eq!(local.civil(), (year, month, day));
        };
        check(1970, 1, 1, 0);
        check(1969, 12, 31, -1);
        check(2000, 3, 1, 11_017);
        check(1900, 1, 1, *DAYS.start());
        check(2199, 12, 31, *DAYS.end());
        assert_eq!(LocalDay::from_civil(2025, 2, 29), None);
    }

    #[test]
    fn weeks_start_on_monday() {
        // 2024-12-30 is the Monday of ISO week 2025-W01 (ISO 8601).
        let monday = LocalDay::from_civil(2024, 12, 30).expect("a date");
        for day in 0..7 {
            assert_eq!(LocalDay(monday.0 + day).monday(), monday);
        }
        assert_eq!(LocalDay(monday.0 - 1).monday(), LocalDay(monday.0 - 7));
        assert_eq!(LocalDay(-4).monday(), LocalDay(-10));
    }

    #[test]
    fn months_run_on_over_the_year() {
        let december = LocalMonth::new(2024, 12);
        assert_eq!(december.next().civil(), (2025, 1));
        assert_eq!(LocalMonth::new(1969, 12), LocalMonth(-1));
        assert_eq!(LocalMonth(-1).civil(), (1969, 12));
        assert_eq!(december.day(28).month(), december);
    }
}
