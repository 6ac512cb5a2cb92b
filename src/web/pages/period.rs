//! Which stretch of time a page of history shows: a local day, week, month, billing month or year.

use crate::calendar::{By, Interval, LocalDay, Zone, intervals};
use crate::site::Site;
use crate::units::{Span, Stamp};

use super::ask::Trouble;
use super::words;
use crate::chart::Tick;

/// How long it is.
#[derive(Clone, Copy, Debug, PartialEq, Eq)]
pub(super) enum Length {
    /// A local day, by quarter-hours.
    Day,
    /// Monday to Sunday, by days.
    Week,
    /// A calendar month, by days.
    Month,
    /// A month by the billing day, by days.
    Billing,
    /// A calendar year, by months.
    Year,
}

impl Length {
    /// All, in the order of the page.
    pub(super) const ALL: [Self; 5] = [Self::Day, Self::Week, Self::Month, Self::Billing, Self::Year];

    /// Its name in an address.
    pub(super) fn as_str(self) -> &'static str {
        self.whole().as_str()
    }

    /// What people call it.
    pub(super) fn words(self) -> &'static str {
        match self {
            Self::Day => "Day",
            Self::Week => "Week",
            Self::Month => "Month",
            Self::Billing => "Bill",
            Self::Year => "Year",
        }
    }

    /// The interval that it is.
    fn whole(self) -> By {
        match self {
            Self::Day => By::Day,
            Self::Week => By::Week,
            Self::Month => By::Month,
            Self::Billing => By::Billing,
            Self::Year => By::Year,
        }
    }

    /// The intervals that it is shown by.
    pub(super) fn by(self) -> By {
        match self {
            Self::Day => By::Quarter,
            Self::Week | Self::Month | Self::Billing => By::Day,
            Self::Year => By::Month,
        }
    }

    /// What one bar of it leads to.
    pub(super) fn within(self) -> Option<Self> {
        match self {
            Self::Day => None,
            Self::Week | Self::Month | Self::Billing => Some(Self::Day),
            Self::Year => Some(Self::Month),
        }
    }
}

/// A stretch of time of the site's own calendar.
#[derive(Clone, Debug)]
pub(super) struct Period {
    /// How long.
    pub(super) length: Length,
    /// From when to when.
    pub(super) interval: Interval,
    /// Its first day.
    pub(super) first: LocalDay,
    /// The day after its last.
    pub(super) after: LocalDay,
    /// The site's zone.
    pub(super) zone: Zone,
    /// The moment of asking.
    pub(super) now: Stamp,
}

impl Period {
    /// Reads `span` and `at`: a month if it is not said, and the one that holds today.
    pub(super) fn read(
        site: &Site,
        span: Option<&str>,
        at: Option<&str>,
        now: Stamp,
    ) -> Result<Self, Trouble> {
        let zone = Zone::new(&site.time_zone).map_err(|error| Trouble::failed(&error.to_string()))?;
        let length = match span {
            None => Length::Month,
            Some(text) => Length::ALL.into_iter().find(|one| one.as_str() == text).ok_or_else(|| {
                let text: String = text.chars().take(40).collect();
                Trouble::asked(
                    format!("span: “{text}” is no stretch of time."),
                    "day, week, month, billing or year",
                )
            })?,
        };
        let at = match at {
            None => zone.day_of(now),
            Some(text) => words::day(text).filter(|_| text.len() == 10).ok_or_else(|| {
                let text: String = text.chars().take(40).collect();
                Trouble::asked(format!("at: “{text}” is no date."), "at=2026-02-03, for example")
            })?,
        };
        let start = zone.day_start(at);
        let found = intervals(&zone, length.whole(), site.billing_day, start..start + Span(1));
        let interval = found.ok().and_then(|found| found.first().copied());
        let interval = interval.ok_or_else(|| {
            Trouble::asked("at: this date is out of reach.".to_owned(), "years 1900 to 2199".to_owned())
        })?;
        let (first, after) = (zone.day_of(interval.start), zone.day_of(interval.end));
        Ok(Self { length, interval, first, after, zone, now })
    }

    /// A day in the one before.
    pub(super) fn before(&self) -> LocalDay {
        LocalDay(self.first.0 - 1)
    }

    /// A day in the one after, if that has begun.
    pub(super) fn next(&self) -> Option<LocalDay> {
        (self.interval.end <= self.now).then_some(self.after)
    }

    /// Whether it is going on.
    pub(super) fn is_open(&self) -> bool {
        self.interval.end > self.now
    }

    /// The last day of it.
    pub(super) fn last(&self) -> LocalDay {
        LocalDay(self.after.0 - 1)
    }

    /// What it is called.
    pub(super) fn heading(&self) -> String {
        let (year, month, _) = self.first.civil();
        match self.length {
            Length::Day => words::long_date(self.first),
            Length::Week | Length::Billing => words::dates(self.first, self.last()),
            Length::Month => format!("{} {year}", words::month_name(month)),
            Length::Year => year.to_string(),
        }
    }

    /// What the bar that starts then is called, at length.
    pub(super) fn of_bar(&self, start: &str, end: &str) -> String {
        let Some(day) = words::day(start) else { return start.to_owned() };
        match self.length {
            Length::Day => {
                format!(
                    "{} to {}",
                    start.get(11..16).unwrap_or_default(),
                    end.get(11..16).unwrap_or_default()
                )
            }
            Length::Week | Length::Month | Length::Billing => words::short_date(day),
            Length::Year => {
                let (year, month, _) = day.civil();
                format!("{} {year}", words::month_name(month))
            }
        }
    }

    /// Words below the bars that start then.
    pub(super) fn ticks(&self, starts: &[&str]) -> Vec<Tick> {
        let days =
            starts.iter().enumerate().filter_map(|(slot, start)| Some((slot, words::day(start)?, *start)));
        let tick = |slot, text: String, short: String| Tick { slot, text, short };
        match self.length {
            Length::Day => days
                .filter_map(|(slot, _, start)| {
                    let hour: u8 = start.get(11..13)?.parse().ok()?;
                    let full = start.get(14..16) == Some("00") && hour.is_multiple_of(3);
                    let text = format!("{hour}:00");
                    let short = if hour.is_multiple_of(6) { text.clone() } else { String::new() };
                    full.then(|| tick(slot, text, short))
                })
                .collect(),
            Length::Week => days
                .map(|(slot, day, _)| {
                    let (_, _, number) = day.civil();
                    let name = &words::WEEKDAYS[day.weekday()][..3];
                    tick(slot, format!("{name} {number}"), name.to_owned())
                })
                .collect(),
            Length::Month | Length::Billing => days
                .filter(|(slot, day, _)| day.weekday() == 0 || *slot == 0 && day.weekday() < 5)
                .map(|(slot, day, _)| {
                    let (_, month, number) = day.civil();
                    tick(slot, format!("{number} {}", &words::month_name(month)[..3]), number.to_string())
                })
                .collect(),
            Length::Year => days
                .map(|(slot, day, _)| {
                    let name = words::month_name(day.civil().1);
                    tick(slot, name[..3].to_owned(), name[..1].to_owned())
                })
                .collect(),
        }
    }
}

#[cfg(test)]
mod tests {
    use super::*;

    fn period(span: &str, at: &str) -> Period {
        let map = include_str!("../../../config/sites/heron-lane.toml");
        let site = crate::site::parse("heron-lane.toml", map).site.expect("the map is good");
        let now = Zone::utc().parse("2026-02-03T20:00:00Z").expect("a time");
        Period::read(&site, Some(span), Some(at), now).expect("a period")
    }

    #[test]
    fn a_date_stands_for_the_stretch_that_holds_it() {
        let check = |span, at, heading: &str, before: &str, next: Option<&str>| {
            let period = period(span, at);
            assert_eq!(period.heading(), heading);
            assert_eq!(words::iso(period.before()), before);
            assert_eq!(period.next().map(words::iso).as_deref(), next);
        };
        check("day", "2026-02-03", "Tuesday 3 February 2026", "2026-02-02", None);
        check("day", "2026-01-31", "Saturday 31 January 2026", "2026-01-30", Some("2026-02-01"));
        check("week", "2026-01-30", "26 January to 1 February 2026", "2026-01-25", Some("2026-02-02"));
        check("month", "2026-01-15", "January 2026", "2025-12-31", Some("2026-02-01"));
        // The demo's map has its billing day on the 18th.
        check(
            "billing",
            "2026-01-17",
            "18 December 2025 to 17 January 2026",
            "2025-12-17",
            Some("2026-01-18"),
        );
        check("year", "2025-06-01", "2025", "2024-12-31", Some("2026-01-01"));
    }

    #[test]
    fn what_is_no_time_is_refused() {
        let map = include_str!("../../../config/sites/heron-lane.toml");
        let site = crate::site::parse("heron-lane.toml", map).site.expect("the map is good");
        let check = |span, at| assert!(Period::read(&site, span, at, Stamp(0)).is_err(), "{span:?} {at:?}");
        check(Some("decade"), None);
        check(None, Some("soon"));
        check(None, Some("2026-02-03T10:00"));
        check(None, Some("2026-02-30"));
    }
}
