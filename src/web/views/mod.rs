//! Bodies of the views of history beside energy by interval: comparisons, the typical day, the
//! ranking, and the notes that go with all of them.

pub mod audit;
pub mod channel;
pub mod compare;
pub mod notes;
pub mod profile;
pub mod rank;
pub mod verify;

use crate::calendar::{By, Interval, Zone};
use crate::site::Site;
use crate::units::{Span, Stamp};

use super::HistoryError;
use super::history::Question;

/// A share to a millionth, rounded down: 1 means all.
pub(super) fn rounded_down(share: f64) -> f64 {
    (share * 1e6).floor() / 1e6
}

/// A share or energy to six decimals.
fn six(value: f64) -> f64 {
    // Adding 0 turns a rounded −0 into 0.
    (value * 1e6).round() / 1e6 + 0.0
}

/// A power in W to a tenth.
fn tenth(watts: f64) -> f64 {
    (watts * 10.0).round() / 10.0 + 0.0
}

/// The local days of a question, `days` of them where it does not say from when on. A day that is not
/// over ends with the last quarter-hour that is.
///
/// # Errors
/// As [`Question::read`], and where nothing of the range has passed.
fn days(
    site: &Site,
    (from, to): (Option<&str>, Option<&str>),
    days: i32,
    now: Stamp,
) -> Result<(Zone, Vec<Interval>), HistoryError> {
    let mut question = Question::read(site, from, to, Some(By::Day.as_str()), now)?;
    let so_far = (now - Span::MINUTE - Span::MINUTE).floor(Span::QUARTER);
    if from.is_none()
        && let Some(last) = question.intervals.last()
    {
        let zone = &question.zone;
        let first = crate::calendar::LocalDay(zone.day_of(last.start).0 - days + 1);
        let range = zone.day_start(first)..last.end;
        question.intervals =
            crate::calendar::intervals(zone, By::Day, 1, range).unwrap_or(question.intervals);
    }
    question.intervals.retain(|day| day.start < so_far);
    match question.intervals.last_mut() {
        Some(last) => last.end = last.end.min(so_far),
        None => {
            let what = "from and to: nothing of this range has passed".to_owned();
            let hint = "from=2025-03-01&to=2025-04-01, for example".to_owned();
            return Err(HistoryError::Asked { what, hint });
        }
    }
    Ok((question.zone, question.intervals))
}
