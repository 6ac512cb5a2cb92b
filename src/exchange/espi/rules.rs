//! Local time parameters: the zone's offset and, as far as a rule can say it, its summer time.
//!
//! A rule is 32 bits: second 0-11, hour 12-16, weekday 17-19 (Monday 1), day of month 20-24, operator
//! 25-27 (0: on that day of the month; 2 to 6: the first to fifth such weekday; 7: the last), month
//! 28-31. (The layout is from memory of the standard's schema; the two rules of the United States,
//! `360E2000` and `B40E2000`, that files carry agree with it.)

use jiff::civil::DateTime;

use crate::calendar::Zone;
use crate::units::{Span, Stamp};

/// What the element holds.
#[derive(Clone, Copy, Debug, PartialEq, Eq)]
pub(super) struct LocalTime {
    /// Standard time ahead of UTC, in seconds.
    pub offset_s: i64,
    /// Summer time ahead of standard time, in seconds; 0 where there is none.
    pub dst_s: i64,
    /// When it starts and ends; all ones where there is none, or no rule can say it.
    pub start: u32,
    pub end: u32,
}

const NONE: u32 = u32::MAX;

impl LocalTime {
    /// As the zone has it in the year from `at` on.
    pub(super) fn of(zone: &Zone, at: Stamp) -> Self {
        let first = zone.next_shift(at);
        let second = first.and_then(|shift| zone.next_shift(shift));
        let plain = Self { offset_s: zone.offset_s(at), dst_s: 0, start: NONE, end: NONE };
        let (Some(first), Some(second)) = (first, second) else { return plain };
        let offsets = (zone.offset_s(first), zone.offset_s(second));
        let standard = offsets.0.min(offsets.1);
        let dst_s = offsets.0.max(offsets.1) - standard;
        let (start, end) = if offsets.0 > offsets.1 { (first, second) } else { (second, first) };
        match (rule(zone, start), rule(zone, end)) {
            (Some(start), Some(end)) => Self { offset_s: standard, dst_s, start, end },
            _ => Self { offset_s: standard, ..plain },
        }
    }
}

/// The rule by which the shift comes in this year and the next two; `None` where none does.
fn rule(zone: &Zone, shift: Stamp) -> Option<u32> {
    let shifts =
        [Some(shift), year_later(zone, shift), year_later(zone, shift).and_then(|s| year_later(zone, s))];
    let locals: Vec<DateTime> =
        shifts.into_iter().map(|shift| before(zone, shift?)).collect::<Option<_>>()?;
    let first = locals.first()?;
    let weekday = first.weekday().to_monday_one_offset() as u32;
    let same = |one: &DateTime| {
        (one.month(), one.hour(), one.minute(), one.weekday())
            == (first.month(), first.hour(), first.minute(), first.weekday())
    };
    if !locals.iter().all(same) {
        return None;
    }
    let nth = |date: &DateTime| (date.day() as u32 - 1) / 7 + 2;
    let is_last = |date: &DateTime| date.day() + 7 > date.days_in_month();
    let operator = if locals.iter().all(is_last) {
        7
    } else if locals.iter().all(|date| nth(date) == nth(first)) {
        nth(first)
    } else {
        return None;
    };
    let seconds = first.minute() as u32 * 60;
    Some(
        (first.month() as u32) << 28 | operator << 25 | weekday << 17 | (first.hour() as u32) << 12 | seconds,
    )
}

/// What the local clock would show at the shift without it.
fn before(zone: &Zone, shift: Stamp) -> Option<DateTime> {
    let offset = zone.offset_s(shift - Span(1));
    Some(Zone::utc().local(Stamp(shift.0 + offset * 10)))
}

/// The shift in the same direction a year later.
fn year_later(zone: &Zone, shift: Stamp) -> Option<Stamp> {
    zone.next_shift(shift).and_then(|other| zone.next_shift(other))
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn zones_with_and_without_summer_time() {
        let check = |zone: &str, offset_s, dst_s, start, end| {
            let zone = Zone::new(zone).expect("a zone");
            let at = zone.parse("2025-01-01").expect("a time");
            assert_eq!(
                LocalTime::of(&zone, at),
                LocalTime { offset_s, dst_s, start, end },
                "{}",
                zone.name()
            );
        };
        // The values that files of utilities of the United States carry.
        check("America/Denver", -25_200, 3600, 0x360E_2000, 0xB40E_2000);
        check("America/New_York", -18_000, 3600, 0x360E_2000, 0xB40E_2000);
        check("America/Phoenix", -25_200, 0, NONE, NONE);
        check("Asia/Kathmandu", 20_700, 0, NONE, NONE);
        // The last Sundays of March and October, at 02:00 and 03:00.
        check("Europe/Berlin", 3600, 3600, 0x3E0E_2000, 0xAE0E_3000);
        check("Australia/Lord_Howe", 37_800, 1800, 0xA40E_2000, 0x440E_2000);
    }
}
