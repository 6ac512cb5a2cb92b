//! Dates and times as people and programs write them.

use std::str::FromStr;

use jiff::civil::{Date, DateTime};

use super::{By, CalendarError, LocalDay, Zone};
use crate::units::Stamp;

/// The years that are worked with: a mistyped year must not become a loop over millennia.
const YEARS: std::ops::RangeInclusive<i16> = 1900..=2199;

impl Zone {
    /// Reads a moment: a date (its first moment), a local date and time, or RFC 3339 with an offset.
    ///
    /// A local time that comes twice is the first of the two. One that the clock jumps over is read
    /// by the clock before the jump, so 02:30 of a night without it is 03:30.
    ///
    /// # Errors
    /// [`CalendarError::NotATime`] and [`CalendarError::OutOfRange`].
    pub fn parse(&self, text: &str) -> Result<Stamp, CalendarError> {
        let text = text.trim();
        let in_range = |year: i16| YEARS.contains(&year);
        let out_of_range = || CalendarError::OutOfRange { text: text.to_owned() };
        // A bare date first: jiff would also read it as a date-time at a midnight that may not exist.
        if text.len() <= "2025-03-09".len() {
            let date = Date::from_str(text).map_err(|_| not_a_time(text))?;
            return match in_range(date.year()) {
                true => Ok(self.day_start(LocalDay::from_date(date))),
                false => Err(out_of_range()),
            };
        }
        // A bracketed zone name beside the offset is not RFC 3339, and might contradict the site's.
        if text.contains('[') {
            return Err(not_a_time(text));
        }
        // In a query an unescaped `+` arrives as a space: `…T13:30:00 02:00` is no time, and says so.
        if let Ok(moment) = jiff::Timestamp::from_str(text) {
            return match in_range(jiff::tz::Offset::UTC.to_datetime(moment).year()) {
                true => Ok(Stamp::from_millis(moment.as_millisecond())),
                false => Err(out_of_range()),
            };
        }
        let local = DateTime::from_str(text).map_err(|_| not_a_time(text))?;
        match in_range(local.year()) {
            true => Ok(self.resolve(local)),
            false => Err(out_of_range()),
        }
    }
}

fn not_a_time(text: &str) -> CalendarError {
    /// What is repeated of a text that was not understood: an answer must not grow with its question.
    const SHOWN: usize = 60;
    CalendarError::NotATime { text: text.chars().take(SHOWN).collect() }
}

impl FromStr for By {
    type Err = CalendarError;

    fn from_str(text: &str) -> Result<Self, CalendarError> {
        let found = Self::ALL.into_iter().find(|by| by.as_str() == text);
        found.ok_or_else(|| CalendarError::NotAnInterval { text: text.chars().take(60).collect() })
    }
}

#[cfg(test)]
mod tests {
    use super::*;

    fn parse(zone: &str, text: &str) -> Result<String, CalendarError> {
        let zone = Zone::new(zone).expect("a zone");
        zone.parse(text).map(|at| zone.rfc3339(at))
    }

    #[test]
    fn dates_local_times_and_instants_are_read() {
        let check =
            |zone, text, expected: &str| assert_eq!(parse(zone, text).as_deref(), Ok(expected), "{text}");
        check("America/Denver", "2025-03-09", "2025-03-09T00:00:00-07:00");
        check("America/Denver", " 2025-03-10 ", "2025-03-10T00:00:00-06:00");
        check("America/Denver", "2025-07-01T13:30", "2025-07-01T13:30:00-06:00");
        check("America/Denver", "2025-07-01 13:30:15", "2025-07-01T13:30:15-06:00");
        check("America/Denver", "2025-07-01T13:30:00Z", "2025-07-01T07:30:00-06:00");
        check("America/Denver", "2025-07-01T13:30:00+02:00", "2025-07-01T05:30:00-06:00");
        // The hour that comes twice: the first. The hour that does not come: by the clock before.
        check("America/Denver", "2025-11-02T01:30", "2025-11-02T01:30:00-06:00");
        check("America/Denver", "2025-03-09T02:30", "2025-03-09T03:30:00-06:00");
        // A date whose midnight does not exist starts when the clock has jumped.
        check("America/Santiago", "2025-09-07", "2025-09-07T01:00:00-03:00");
    }

    #[test]
    fn what_is_no_time_says_what_would_be() {
        for text in
            ["", "yesterday", "2025-02-30", "2025-03-09T25:00", "2025-03-09T13:30:00 02:00", "1e9999999999"]
        {
            let error = parse("America/Denver", text).expect_err(text);
            assert!(error.to_string().contains("2025-03-09T13:30"), "{error}");
        }
        let zoned = "2025-03-09T13:30:00-06:00[America/Denver]";
        assert!(matches!(parse("America/Denver", zoned), Err(CalendarError::NotATime { .. })));
        assert!(matches!(parse("UTC", "1025-03-09"), Err(CalendarError::OutOfRange { .. })));
        assert!(matches!(parse("UTC", "9025-03-09T00:00:00Z"), Err(CalendarError::OutOfRange { .. })));
        let long = "9".repeat(10_000);
        assert!(parse("UTC", &long).expect_err("long").to_string().len() < 300);
    }

    #[test]
    fn intervals_have_names() {
        for by in By::ALL {
            assert_eq!(by.to_string().parse(), Ok(by));
        }
        let error = By::from_str("fortnight").expect_err("no such interval").to_string();
        assert!(error.contains("billing"), "{error}");
    }
}
