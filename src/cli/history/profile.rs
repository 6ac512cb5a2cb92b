//! The typical day onto standard output.

use anyhow::Result;

use super::compare::title;
use super::output::{label, name, plain};
use crate::calendar::{By, Zone};
use crate::history::{Profile, QUARTERS, Slot, WEEKDAYS};
use crate::site::{FigureKey, Site};
use crate::web::views::profile::NAMES;

/// Mean power of one figure by hour of the local clock and weekday. Four quarter-hours are one line: a
/// screen has room for 24.
pub(super) fn table(site: &Site, zone: &Zone, profile: &Profile, of: FigureKey) -> String {
    let heads = ["hour", "all days"].into_iter().chain(NAMES.map(|name| &name[..3]));
    let mut table = plain(heads.map(str::to_owned).collect());
    let found = profile.figures.iter().find(|(key, _)| *key == of);
    let nothing = [[Slot::default(); QUARTERS]; WEEKDAYS];
    let days = found.map_or(&nothing, |(_, days)| days);
    let all = Profile::all_days(days);
    let hour_of = |day: &[Slot; QUARTERS], hour: usize| {
        day[hour * 4..hour * 4 + 4].iter().fold(Slot::default(), |sum, slot| sum.with(*slot))
    };
    for hour in 0..24 {
        let cells = std::iter::once(&all).chain(days).map(|day| watts(hour_of(day, hour).mean_w()));
        table.add_row(std::iter::once(format!("{hour:02}:00")).chain(cells));
    }
    let whole = |day: &[Slot; QUARTERS]| day.iter().fold(Slot::default(), |sum, slot| sum.with(*slot));
    let known = std::iter::once(&all).chain(days).map(|day| {
        let whole = whole(day);
        if whole.length.0 > 0 {
            format!("{:.1} %", (whole.coverage() * 1000.0).floor() / 10.0)
        } else {
            "-".into()
        }
    });
    table.add_row(std::iter::once("known".to_owned()).chain(known));
    let most = |day: &[Slot; QUARTERS]| day.iter().map(|slot| slot.days).max().unwrap_or(0);
    let counts = std::iter::once(&all).chain(days).map(|day| most(day).to_string());
    table.add_row(std::iter::once("days".to_owned()).chain(counts));
    let at = |moment| label(zone, By::Minute, moment);
    format!(
        "{} ({}), typical day of {} in W, {}\nFrom {} to {}\n\n{}\n\nMean power of the time in which it is known, \
         by the local clock. JSON and CSV have it by quarter-hour,\nwith coverage and days of each. A dash is \
         not known.\n",
        site.name,
        site.id,
        title(site, of),
        zone.name(),
        at(profile.range.start),
        at(profile.range.end),
        table.trim_fmt()
    )
}

fn watts(watts: Option<f64>) -> String {
    // Adding 0 turns a rounded −0 into 0.
    watts.map_or_else(|| "-".to_owned(), |watts| format!("{:.0}", watts.round() + 0.0))
}

/// A row a figure, weekday and quarter-hour of which something is asked; what is not known is empty.
pub(super) fn csv(site: &Site, profile: &Profile) -> Result<String> {
    let mut writer = csv::Writer::from_writer(Vec::new());
    writer.write_record(["site", "figure", "id", "weekday", "time", "w", "coverage", "days"])?;
    for (key, days) in &profile.figures {
        let Some((figure, id)) = name(site, *key) else { continue };
        for (weekday, day) in NAMES.iter().zip(days.iter()) {
            for (quarter, slot) in day.iter().enumerate().filter(|(_, slot)| slot.length.0 > 0) {
                let time = format!("{:02}:{:02}", quarter / 4, quarter % 4 * 15);
                let watts = slot.mean_w().map(|watts| ((watts * 10.0).round() / 10.0 + 0.0).to_string());
                let coverage = ((slot.coverage() * 1e6).floor() / 1e6).to_string();
                writer.write_record([
                    site.id.as_str(),
                    figure,
                    id,
                    weekday,
                    &time,
                    &watts.unwrap_or_default(),
                    &coverage,
                    &slot.days.to_string(),
                ])?;
            }
        }
    }
    Ok(String::from_utf8(writer.into_inner()?)?)
}
