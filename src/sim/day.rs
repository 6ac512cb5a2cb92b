//! One local day: its clock, its weather by the minute, and the moments in it.

use anyhow::{Context, Result};
use jiff::tz::TimeZone;
use jiff::{Timestamp, civil::Date};

use super::chance::Chance;
use super::sky::{Sky, Weather};

/// A local day of the site's zone.
#[derive(Clone, Debug)]
pub(super) struct Day {
    /// The seed of the simulation.
    pub seed: u64,
    /// Days since 1970-01-01, by the local date.
    pub number: i64,
    /// POSIX second of its start, and of the next day's.
    pub start: i64,
    /// POSIX second of the next day's start.
    pub end: i64,
    /// 0 on Monday to 6 on Sunday.
    pub weekday: u8,
    /// (from this POSIX second, seconds east of UTC); two entries on a day of change.
    offsets: Vec<(i64, i64)>,
    /// The sky at each minute, and one beyond the end.
    minutes: Vec<Sky>,
}

/// A second of a day.
#[derive(Clone, Copy, Debug)]
pub(super) struct Moment {
    /// POSIX second.
    pub utc: i64,
    /// What a clock on the wall shows, in seconds since 00:00.
    pub clock: f64,
    /// The sky in it.
    pub sky: Sky,
}

impl Day {
    /// The day that holds the POSIX second `at`.
    pub(super) fn holding(at: i64, zone: &TimeZone, seed: u64) -> Result<Self> {
        let stamp = Timestamp::from_second(at).context("the moment is outside of the calendar")?;
        let date = stamp.to_zoned_datetime(zone.clone()).date();
        let start = midnight(date, zone)?;
        let end = midnight(date.tomorrow()?, zone)?;
        let first = Timestamp::from_second(start)?;
        let mut offsets = vec![(start, i64::from(zone.to_offset(first).seconds()))];
        for change in zone.following(first) {
            if change.timestamp().as_second() >= end {
                break;
            }
            offsets.push((change.timestamp().as_second(), i64::from(change.offset().seconds())));
        }
        let weather = Weather::new(seed);
        let minutes = (0..=(end - start + 59) / 60).map(|minute| weather.at(start + minute * 60)).collect();
        let number = i64::from(date.duration_since(jiff::civil::date(1970, 1, 1)).as_hours() as i32) / 24;
        let weekday = date.weekday().to_monday_zero_offset() as u8;
        Ok(Self { seed, number, start, end, weekday, offsets, minutes })
    }

    /// Saturday or Sunday.
    pub(super) fn is_weekend(&self) -> bool {
        self.weekday >= 5
    }

    /// The draws of a load on this day.
    pub(super) fn chance(&self, load: u64) -> Chance {
        Chance::new(self.seed, self.number, load)
    }

    /// The second that starts at `utc`, which lies in the day.
    pub(super) fn moment(&self, utc: i64) -> Moment {
        let since = utc - self.start;
        let minute = (since / 60) as usize;
        let part = (since % 60) as f64 / 60.0;
        let sky = self.minutes[minute].toward(&self.minutes[minute + 1], part);
        Moment { utc, clock: self.clock(utc) as f64, sky }
    }

    /// The sky at the start, for states that begin with the day.
    pub(super) fn first_sky(&self) -> Sky {
        self.minutes[0]
    }

    fn clock(&self, utc: i64) -> i64 {
        let mut east = self.offsets[0].1;
        for (from, offset) in &self.offsets[1..] {
            if utc >= *from {
                east = *offset;
            }
        }
        (utc + east).rem_euclid(86_400)
    }
}

fn midnight(date: Date, zone: &TimeZone) -> Result<i64> {
    let start = date.to_zoned_datetime(zone.clone()).with_context(|| format!("{date} has no start"))?;
    Ok(start.timestamp().as_second())
}

#[cfg(test)]
mod tests {
    use super::*;

    fn day(at: &str) -> Day {
        let at: Timestamp = at.parse().unwrap();
        Day::holding(at.as_second(), &TimeZone::get("America/Denver").unwrap(), 1).unwrap()
    }

    #[test]
    fn days_of_change_have_23_and_25_hours_and_the_clock_shows_it() {
        let check = |at: &str, hours: i64, noon_after_h: i64| {
            let day = day(at);
            assert_eq!(day.end - day.start, hours * 3600, "{at}");
            assert_eq!(day.moment(day.start + noon_after_h * 3600).clock, 12.0 * 3600.0, "{at}");
            assert_eq!(day.moment(day.end - 1).clock, 86_399.0, "{at}");
        };
        check("2026-01-15T12:00:00-07:00", 24, 12);
        check("2026-03-08T12:00:00-06:00", 23, 11);
        check("2026-11-01T12:00:00-07:00", 25, 13);
    }

    #[test]
    fn a_day_knows_its_date() {
        let day = day("2026-11-25T23:59:59-07:00");
        assert_eq!((day.number, day.weekday, day.is_weekend()), (20_782, 2, false));
    }
}
