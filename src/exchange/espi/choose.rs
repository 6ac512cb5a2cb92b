//! Which series of a file are meant, where it has more than a meter's two directions.

use super::{Feed, Flow, GRID_EXPORT, GRID_IMPORT, Series};

/// The series that are meant, at most one a direction: those that are named, by title or by number from 1
/// as the refusal lists them; where none is, the grid's of a file that this program wrote, else all of them.
///
/// # Errors
/// Where a name fits no series or several, or where one direction has several: with a list of all series.
pub fn choose<'a>(feed: &'a Feed, named: &[String]) -> Result<Vec<&'a Series>, String> {
    let filled: Vec<&Series> = feed.series.iter().filter(|series| !series.readings.is_empty()).collect();
    let mut chosen = Vec::new();
    for name in named {
        chosen.push(find(&filled, name).map_err(|why| format!("{why}:\n{}", list(&filled)))?);
    }
    if named.is_empty() {
        chosen = grid(&filled).unwrap_or_else(|| filled.clone());
    }
    for flow in [Flow::Forward, Flow::Reverse, Flow::Net] {
        let count = chosen.iter().filter(|series| series.flow == flow).count();
        if count > 1 {
            let who = if named.is_empty() { "the file has" } else { "named are" };
            return Err(format!("{who} {count} {} series:\n{}", flow.as_str(), list(&filled)));
        }
    }
    Ok(chosen)
}

/// The grid's import and export as [`super::Writer`] calls them; circuits stand beside them. `None` where the
/// file has neither, or one of them twice.
fn grid<'a>(filled: &[&'a Series]) -> Option<Vec<&'a Series>> {
    let titled = |title: &str, flow| -> Vec<&'a Series> {
        filled.iter().filter(|series| series.title == title && series.flow == flow).copied().collect()
    };
    let (import, export) = (titled(GRID_IMPORT, Flow::Forward), titled(GRID_EXPORT, Flow::Reverse));
    let unlike = import.len() <= 1 && export.len() <= 1;
    let found = [import, export].concat();
    (unlike && !found.is_empty()).then_some(found)
}

fn find<'a>(filled: &[&'a Series], name: &str) -> Result<&'a Series, String> {
    let mut titled = filled.iter().filter(|series| series.title.eq_ignore_ascii_case(name.trim()));
    match (titled.next(), titled.next()) {
        (Some(one), None) => return Ok(one),
        (Some(_), Some(_)) => return Err(format!("several series are called \"{name}\"; give a number")),
        (None, _) => {}
    }
    let numbered = name.trim().parse::<usize>().ok().and_then(|number| filled.get(number.checked_sub(1)?));
    numbered.copied().ok_or_else(|| format!("the file has no series \"{name}\""))
}

/// Every series with its number, a line each.
fn list(filled: &[&Series]) -> String {
    let lines = filled.iter().enumerate().map(|(index, series)| {
        let (flow, kwh) = (series.flow.as_str(), series.total_mwh() as f64 / 1e6);
        let count = series.readings.len();
        format!("  {:>2}  {flow:8} {count:>6} intervals {kwh:>12.3} kWh  {}", index + 1, series.title)
    });
    lines.collect::<Vec<_>>().join("\n")
}

#[cfg(test)]
mod tests {
    use super::*;
    use crate::exchange::espi::Reading;
    use crate::units::Stamp;

    fn feed(series: &[(&str, Flow)]) -> Feed {
        let reading = |wh: i64| Reading {
            start: Stamp::from_seconds(1_700_000_000),
            seconds: 3600,
            mwh: wh * 1000,
            estimated: false,
            line: 1,
        };
        let series = series.iter().enumerate().map(|(index, (title, flow))| Series {
            title: (*title).into(),
            flow: *flow,
            readings: vec![reading(index as i64 + 1)],
            blocks: 1,
        });
        Feed { series: series.collect(), summary_mwh: None }
    }

    /// The energies in Wh of what is chosen, which are the numbers of the series.
    fn chosen(feed: &Feed, named: &[&str]) -> Result<Vec<i64>, String> {
        let named: Vec<String> = named.iter().map(|name| (*name).to_owned()).collect();
        choose(feed, &named).map(|all| all.iter().map(|series| series.total_mwh() / 1000).collect())
    }

    const OURS: [(&str, Flow); 4] = [
        ("Grid import", Flow::Forward),
        ("Grid export", Flow::Reverse),
        ("Water heater", Flow::Forward),
        ("Array on the barn roof", Flow::Net),
    ];

    #[test]
    fn of_our_own_file_the_grid_is_meant() {
        assert_eq!(chosen(&feed(&OURS), &[]), Ok(vec![1, 2]));
        assert_eq!(chosen(&feed(&OURS[1..]), &[]), Ok(vec![2 - 1]));
        // Without readings there is nothing to mean.
        let mut empty = feed(&OURS);
        empty.series[0].readings.clear();
        empty.series[1].readings.clear();
        assert_eq!(chosen(&empty, &[]), Ok(vec![3, 4]));
    }

    #[test]
    fn a_file_of_one_meter_is_taken_whole() {
        let file = feed(&[("Meter", Flow::Forward), ("Meter", Flow::Reverse), ("Meter", Flow::Net)]);
        assert_eq!(chosen(&file, &[]), Ok(vec![1, 2, 3]));
    }

    #[test]
    fn of_several_meters_one_has_to_be_named_and_the_refusal_lists_them() {
        let file = feed(&[("House", Flow::Forward), ("Barn", Flow::Forward), ("Barn", Flow::Reverse)]);
        let why = chosen(&file, &[]).expect_err("two are forward");
        assert!(why.starts_with("the file has 2 forward series:\n   1  forward "), "{why}");
        assert!(why.contains("\n   3  reverse       1 intervals        0.003 kWh  Barn"), "{why}");
        assert_eq!(chosen(&file, &["house"]), Ok(vec![1]));
        assert_eq!(chosen(&file, &["2", "3"]), Ok(vec![2, 3]));
        let refused = |named: &[&str]| chosen(&file, named).expect_err("refused");
        assert!(refused(&["Barn"]).starts_with("several series are called \"Barn\"; give a number:"));
        assert!(refused(&["House", "2"]).starts_with("named are 2 forward series:"));
        for absent in ["Shed", "0", "4", "-1", ""] {
            assert!(refused(&[absent]).starts_with("the file has no series"), "{absent}");
        }
    }
}
