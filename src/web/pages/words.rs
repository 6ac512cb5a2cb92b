//! Dates and times as people say them.

use crate::calendar::LocalDay;

/// From January.
pub(super) const MONTHS: [&str; 12] = [
    "January",
    "February",
    "March",
    "April",
    "May",
    "June",
    "July",
    "August",
    "September",
    "October",
    "November",
    "December",
];

/// From Monday.
pub(super) const WEEKDAYS: [&str; 7] =
    ["Monday", "Tuesday", "Wednesday", "Thursday", "Friday", "Saturday", "Sunday"];

/// The day out of `2026-02-03` or `2026-02-03T18:00:00-07:00`.
pub(super) fn day(text: &str) -> Option<LocalDay> {
    let mut parts = text.get(..10)?.splitn(3, '-');
    let (year, month, day) = (parts.next()?, parts.next()?, parts.next()?);
    LocalDay::from_civil(year.parse().ok()?, month.parse().ok()?, day.parse().ok()?)
}

/// `2026-02-03`
pub(super) fn iso(day: LocalDay) -> String {
    let (year, month, day) = day.civil();
    format!("{year:04}-{month:02}-{day:02}")
}

/// `3 February 2026`
pub(super) fn date(day: LocalDay) -> String {
    let (year, month, day) = day.civil();
    format!("{day} {} {year}", month_name(month))
}

/// `Tuesday 3 February 2026`
pub(super) fn long_date(day: LocalDay) -> String {
    format!("{} {}", WEEKDAYS[day.weekday()], date(day))
}

/// `Tue 3 Feb`
pub(super) fn short_date(day: LocalDay) -> String {
    let (_, month, number) = day.civil();
    format!("{} {number} {}", &WEEKDAYS[day.weekday()][..3], &month_name(month)[..3])
}

/// The name of a month, 1 to 12.
pub(super) fn month_name(month: i8) -> &'static str {
    MONTHS[usize::try_from(month - 1).unwrap_or(0).min(11)]
}

/// `2 to 8 February 2026`, from the first day to the last.
pub(super) fn dates(first: LocalDay, last: LocalDay) -> String {
    let ((year, month, day), (other_year, other_month, _)) = (first.civil(), last.civil());
    if (year, month) == (other_year, other_month) {
        return format!("{day} to {}", date(last));
    }
    if year == other_year {
        return format!("{day} {} to {}", month_name(month), date(last));
    }
    format!("{} to {}", date(first), date(last))
}

/// `3 February 2026, 18:00` out of an RFC 3339 time in the site's own time; what is none stays as it is.
pub(super) fn moment(text: &str) -> String {
    match (day(text), text.get(11..16)) {
        (Some(day), Some(time)) => format!("{}, {time}", date(day)),
        _ => text.to_owned(),
    }
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn dates_read_as_they_are_said() {
        let third = day("2026-02-03T18:00:00-07:00").expect("a date");
        assert_eq!(iso(third), "2026-02-03");
        assert_eq!(long_date(third), "Tuesday 3 February 2026");
        assert_eq!(short_date(third), "Tue 3 Feb");
        assert_eq!(moment("2026-02-03T18:00:00-07:00"), "3 February 2026, 18:00");
        assert_eq!(moment("soon"), "soon");
        assert_eq!([day("2026-13-03"), day("soon"), day("")], [None; 3]);
    }

    #[test]
    fn a_range_says_month_and_year_once() {
        let check = |first: &str, last: &str, expected: &str| {
            assert_eq!(dates(day(first).expect("a date"), day(last).expect("a date")), expected);
        };
        check("2026-02-02", "2026-02-08", "2 to 8 February 2026");
        check("2026-10-18", "2026-11-17", "18 October to 17 November 2026");
        check("2025-12-29", "2026-01-04", "29 December 2025 to 4 January 2026");
    }
}
