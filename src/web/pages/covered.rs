//! When the sun last covered the whole house.

use std::sync::Arc;

use super::{ask, words};
use crate::calendar::{LocalDay, Zone};
use crate::site::{FigureKey, Site};
use crate::web::{HistoryBody, HistoryInterval, HistoryQuery, Shared, View};

/// Days that are looked through, from today backwards: whoever wants to know more has the history.
const DAYS: i32 = 31;
/// So many are asked for at a time: where the sun covers the house on most days, one or two tell it, and
/// where it never does, a few questions and not one a day.
const STEPS: [i32; 3] = [2, 7, 22];
/// An hour counts if nearly all of it is known.
const KNOWN: f64 = 0.98;

/// What was found in the days that were looked through.
enum Found {
    /// So many days back, on this day, from and to these times of the local clock.
    Hour(i32, LocalDay, [String; 2]),
    /// In none of the hours that are known.
    Never,
    /// No hour is known.
    Unknown,
}

/// In a sentence, by hours of the local clock.
pub(super) async fn last(shared: &Shared, site: &Arc<Site>) -> String {
    let Ok(zone) = Zone::new(&site.time_zone) else { return String::new() };
    let today = zone.day_of(shared.state.clock.now());
    let site = Arc::clone(site);
    let found = ask::ask(shared, move |history| {
        let mut after = LocalDay(today.0 + 1);
        let mut any_known = false;
        for days in STEPS {
            let first = LocalDay(after.0 - days);
            let query = HistoryQuery {
                only: Some(vec![FigureKey::Consumption, FigureKey::Generation]),
                ..ask::of(&site, View::Energy, &words::iso(first), &words::iso(after), Some("hour"))
            };
            let body: HistoryBody = ask::body(history, &query)?;
            if let Some(hour) = body.intervals.iter().rev().find(|hour| is_covered(hour)) {
                let day = words::day(&hour.start).unwrap_or(first);
                let time = |text: &str| text.get(11..16).unwrap_or_default().to_owned();
                return Ok(Found::Hour(today.0 - day.0, day, [time(&hour.start), time(&hour.end)]));
            }
            any_known |= body.intervals.iter().any(is_known);
            after = first;
        }
        Ok(if any_known { Found::Never } else { Found::Unknown })
    });
    match found.await {
        Ok(Found::Hour(back, day, [from, to])) => {
            let day = match back {
                0 => "today".to_owned(),
                1 => "yesterday".to_owned(),
                _ => format!("on {}", words::short_date(day)),
            };
            format!("The sun last covered the whole house {day}, {from} to {to}.")
        }
        Ok(Found::Never) => {
            format!("In the last {DAYS} days the sun covered the whole house in no full hour that is known.")
        }
        Ok(Found::Unknown) => {
            format!("Whether the sun covered the whole house in the last {DAYS} days is not known.")
        }
        // The page is of now: it does without what the store cannot tell.
        Err(_) => String::new(),
    }
}

fn is_known(hour: &HistoryInterval) -> bool {
    hour.coverage >= KNOWN && hour.generation_kwh.is_some() && hour.consumption_kwh.is_some()
}

fn is_covered(hour: &HistoryInterval) -> bool {
    let both = hour.generation_kwh.zip(hour.consumption_kwh);
    is_known(hour) && both.is_some_and(|(sun, used)| sun > 0.0 && sun >= used)
}
