//! The moments from which and until which an entry holds.

use std::ops::Range;

use jiff::civil::{Date, DateTime, Time};
use jiff::tz::{AmbiguousOffset, TimeZone, TimeZoneDatabase};
use toml::value::{Datetime, Offset};

use super::findings::{Findings, nearest};
use super::names::shown;
use super::rules;
use super::text::At;
use crate::units::Stamp;

/// The zone of that name and the name as the database writes it. The bundled database is asked, not
/// the machine's, so that a site's days are the same wherever its history is read.
pub(super) fn zone(name: &At<String>, findings: &mut Findings) -> Option<(TimeZone, String)> {
    let database = TimeZoneDatabase::bundled();
    if let Ok(zone) = database.get(&name.value) {
        let canonical = zone.iana_name().unwrap_or(&name.value).to_owned();
        return Some((zone, canonical));
    }
    let names: Vec<String> = database.available().map(|name| name.to_string()).collect();
    let what = format!("there is no time zone \"{}\"", shown(&name.value));
    let last = |name: &str| name.rsplit('/').next().unwrap_or_default().replace('_', " ").to_lowercase();
    let city = names.iter().find(|known| last(known) == last(&name.value));
    let near = nearest(&name.value, names.iter().map(String::as_str)).or(city.map(String::as_str));
    let write = match near {
        Some(near) => format!("write time_zone = \"{near}\""),
        None => "write a name of the IANA database, such as \"America/Denver\"".to_owned(),
    };
    findings.add(&rules::TIME_ZONE, name.line, what, write);
    None
}

/// When an entry holds. What cannot be read is reported and taken as open.
pub(super) fn span(
    from: &Option<At<Datetime>>,
    until: &Option<At<Datetime>>,
    zone: &TimeZone,
    findings: &mut Findings,
) -> Range<Stamp> {
    let start = from.as_ref().and_then(|from| stamp(from, zone, findings));
    let end = until.as_ref().and_then(|until| stamp(until, zone, findings));
    if let (Some(start), Some(end), Some(until)) = (start, end, until)
        && end <= start
    {
        let what = format!("an entry holds until {}, which is not after its `from`", until.value);
        findings.add(
            &rules::UNTIL_BEFORE_FROM,
            until.line,
            what,
            "write a later `until` or an earlier `from`",
        );
        return start..Stamp::MAX;
    }
    start.unwrap_or(Stamp::MIN)..end.unwrap_or(Stamp::MAX)
}

/// The moment of a date: with an offset as it says, else in the site's zone. A date alone is the
/// start of that day.
fn stamp(date: &At<Datetime>, zone: &TimeZone, findings: &mut Findings) -> Option<Stamp> {
    let At { value, line } = date;
    let Some(local) = local(value) else {
        let what = format!("{value} is no moment");
        findings.add(&rules::BAD_DATE, *line, what, "write, for example, 2026-05-02T09:30:00");
        return None;
    };
    let offset = match value.offset {
        None => return Some(local_stamp(local, zone, *line, findings)),
        Some(Offset::Z) => 0,
        Some(Offset::Custom { minutes }) => i64::from(minutes),
    };
    let utc = TimeZone::UTC.to_timestamp(local).ok()?;
    Some(Stamp::from_millis(utc.as_millisecond() - offset * 60_000))
}

fn local(value: &Datetime) -> Option<DateTime> {
    let date = value.date?;
    let date = Date::new(i16::try_from(date.year).ok()?, date.month as i8, date.day as i8).ok()?;
    // The first and the last year of the calendar have moments that no time stamp reaches.
    if !(1..9999).contains(&date.year()) {
        return None;
    }
    let time = match value.time {
        None => Time::midnight(),
        Some(time) => {
            let (second, nanosecond) = (time.second.unwrap_or(0), time.nanosecond.unwrap_or(0));
            Time::new(time.hour as i8, time.minute as i8, second as i8, nanosecond as i32).ok()?
        }
    };
    Some(DateTime::from_parts(date, time))
}

fn local_stamp(local: DateTime, zone: &TimeZone, line: usize, findings: &mut Findings) -> Stamp {
    let ambiguous = zone.to_ambiguous_timestamp(local);
    let rule = match ambiguous.offset() {
        AmbiguousOffset::Unambiguous { .. } => None,
        AmbiguousOffset::Gap { .. } => Some((&rules::TIME_SKIPPED, "is in no clock of the site's zone")),
        AmbiguousOffset::Fold { .. } => {
            Some((&rules::TIME_TWICE, "is twice on the clocks of the site's zone"))
        }
    };
    // RFC 5545's choice: the later of a gap, the earlier of a fold.
    let taken = ambiguous.compatible().expect("years 1 to 9998 are within the range of time stamps");
    if let Some((rule, why)) = rule {
        let write = format!("{taken} (UTC) is taken; write the offset if another moment is meant");
        findings.add(rule, line, format!("{local} {why}"), write);
    }
    Stamp::from_millis(taken.as_millisecond())
}

#[cfg(test)]
mod tests {
    use super::*;

    fn read(text: &str, zone: &str) -> (Option<i64>, Vec<&'static str>) {
        let mut findings = Findings::new("a.toml");
        let zone = TimeZoneDatabase::bundled().get(zone).unwrap();
        let value: Datetime = text.parse().unwrap();
        let stamp = stamp(&At { value, line: 1 }, &zone, &mut findings);
        (stamp.map(Stamp::seconds), findings.into_list().iter().map(|finding| finding.rule).collect())
    }

    /// Source: IANA time-zone database (changes of 2025 in America/Denver: March 9 and November 2, 2:00;
    /// America/Havana starts March 9 with 1:00).
    #[test]
    fn local_dates_are_of_the_sites_zone() {
        let check = |text: &str, zone: &str, same_as: &str, rules: &[&str]| {
            let (stamp, found) = read(text, zone);
            let expected: jiff::Timestamp = same_as.parse().unwrap();
            assert_eq!((stamp, &found[..]), (Some(expected.as_second()), rules), "{text} {zone}");
        };
        check("2025-07-01T09:30:00", "America/Denver", "2025-07-01T15:30:00Z", &[]);
        check("2025-07-01T09:30:00-05:00", "America/Denver", "2025-07-01T14:30:00Z", &[]);
        check("2025-07-01T09:30:00Z", "America/Denver", "2025-07-01T09:30:00Z", &[]);
        check("2025-12-01", "America/Denver", "2025-12-01T07:00:00Z", &[]);
        check("2025-03-09T02:30:00", "America/Denver", "2025-03-09T09:30:00Z", &["time-skipped"]);
        check("2025-11-02T01:30:00", "America/Denver", "2025-11-02T07:30:00Z", &["time-twice"]);
        check("2025-03-09", "America/Havana", "2025-03-09T05:00:00Z", &["time-skipped"]);
    }

    #[test]
    fn what_is_no_moment_is_refused() {
        for text in ["09:30:00", "0000-01-01", "9999-12-31T23:59:59", "2025-07-01T09:30:60"] {
            assert_eq!(read(text, "America/Denver"), (None, vec!["bad-date"]), "{text}");
        }
    }
}
