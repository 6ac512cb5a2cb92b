//! When the sun last covered the whole house.

use std::sync::Arc;

use super::{ask, words};
use crate::calendar::{LocalDay, Zone};
use crate::site::Site;
use crate::web::{HistoryBody, HistoryInterval, Shared, View};

/// Days that are looked through, from today backwards: a month of hours is read in some milliseconds, and
/// whoever wants to know more has the history.
const DAYS: i32 = 31;
/// An hour counts if nearly all of it is known.
const KNOWN: f64 = 0.98;

/// In a sentence, by hours of the local clock.
pub(super) async fn last(shared: &Shared, site: &Arc<Site>) -> String {
    let Ok(zone) = Zone::new(&site.time_zone) else { return String::new() };
    let today = zone.day_of(shared.state.clock.now());
    let site = Arc::clone(site);
    let found = ask::ask(shared, move |history| {
        for back in 0..DAYS {
            let day = LocalDay(today.0 - back);
            let query = ask::of(&site, View::Energy, &words::iso(day), &words::iso(day.next()), Some("hour"));
            let body: HistoryBody = ask::body(history, &query)?;
            if let Some(hour) = body.intervals.iter().rev().find(|hour| is_covered(hour)) {
                return Ok(Some((back, day, hour.clone())));
            }
        }
        Ok(None)
    });
    match found.await {
        Ok(Some((back, day, hour))) => {
            let time = |text: &str| text.get(11..16).unwrap_or_default().to_owned();
            let day = match back {
                0 => "today".to_owned(),
                1 => "yesterday".to_owned(),
                _ => format!("on {}", words::short_date(day)),
            };
            format!(
                "The sun last covered the whole house {day}, {} to {}.",
                time(&hour.start),
                time(&hour.end)
            )
        }
        Ok(None) => format!("In the last {DAYS} days the sun covered the whole house in no full hour."),
        // The page is of now: it does without what the store cannot tell.
        Err(_) => String::new(),
    }
}

fn is_covered(hour: &HistoryInterval) -> bool {
    let both = hour.generation_kwh.zip(hour.consumption_kwh);
    hour.coverage >= KNOWN && both.is_some_and(|(sun, used)| sun > 0.0 && sun >= used)
}
