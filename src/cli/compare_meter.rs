//! `panelwright compare-meter`

use std::fs::File;
use std::path::PathBuf;

use anyhow::{Context as _, Result};
use serde_json::json;

use super::house::{House, Refusal};
use super::import::file::{Stop, choose, feed};
use super::{Common, Exit, Format};
use crate::calendar::Interval;
use crate::exchange::compare::{Comparison, Measured, Pairs, Tolerance, compare, pairs};
use crate::history::{Summary, energy};
use crate::site::FigureKey;
use crate::store::Reader;
use crate::units::{ONE, Stamp};

/// Intervals that are looked up together.
const AT_ONCE: usize = 2_000;
/// Intervals that disagree, as far as they are listed.
const LISTED: usize = 20;

/// The utility's meter (ESPI XML) against the mains CTs, interval by interval.
///
/// Only intervals that the CTs cover wholly and that the utility did not estimate are compared. Exit status 1
/// where the two are further apart than their accuracy classes allow together.
#[derive(Debug, clap::Args)]
#[command(after_help = "Examples:
  panelwright compare-meter utility-2025.xml
  panelwright compare-meter two-meters.xml --series House --ct-class 0.5 --format json")]
pub(super) struct Args {
    /// The utility's file.
    file: PathBuf,
    /// The site's id; not needed where there is one site.
    #[arg(long, value_name = "ID")]
    site: Option<String>,
    /// The series to compare, by title or number, one a direction; not needed where each direction has one.
    #[arg(long, value_name = "TITLE")]
    series: Vec<String>,
    /// Accuracy class of the mains CTs (IEC 61869-2).
    #[arg(long, default_value = "1", value_parser = ["1", "0.5", "0.2"])]
    ct_class: String,
    /// Accuracy class of the utility's meter (ANSI C12.20, IEC 62053).
    #[arg(long, default_value = "0.5", value_parser = ["1", "0.5", "0.2"])]
    meter_class: String,
    /// What is allowed in percent, in place of the classes' limits together.
    #[arg(long, value_name = "PERCENT")]
    tolerance: Option<f64>,
    /// How to print.
    #[arg(long, value_enum, default_value_t)]
    format: Format,
}

/// Runs it.
pub(super) fn run(common: &Common, args: &Args) -> Result<Exit> {
    match compared(common, args) {
        Ok((house, found, waiting)) => {
            super::print(&text(&house, &found, waiting, args))?;
            Ok(if found.is_within() { Exit::Fine } else { Exit::Short })
        }
        Err(Stop::Refused(refusal)) => Ok(refusal.say()),
        Err(Stop::Io(error)) => Err(error).context(format!("cannot read {}", args.file.display())),
    }
}

#[expect(clippy::disallowed_methods, reason = "a command reads the file that it is given")]
fn compared(common: &Common, args: &Args) -> Result<(House, Comparison, usize), Stop> {
    let classes = Tolerance::of_classes(&args.ct_class, &args.meter_class);
    let classes = classes.ok_or_else(|| Refusal::new(Exit::Usage, "no such accuracy class"))?;
    let tolerance = match args.tolerance {
        Some(percent) if (0.0..=100.0).contains(&percent) => {
            Tolerance { ct_percent: percent, meter_percent: 0.0 }
        }
        Some(_) => return Err(Refusal::new(Exit::Usage, "--tolerance: write 0 to 100").into()),
        None => classes,
    };
    let house = House::find(common, args.site.as_deref())?;
    let mut faults = Vec::new();
    let read = feed(File::open(&args.file)?, &mut |fault| faults.push(fault.to_string()))?;
    if !faults.is_empty() {
        faults.truncate(LISTED);
        let why = format!("{}\n{} is refused", faults.join("\n"), args.file.display());
        return Err(Refusal::new(Exit::Short, why).into());
    }
    let meant = choose(&read, &args.series)?;
    let pairs = pairs(&meant).map_err(|why| Refusal::new(Exit::Short, why))?;
    let (measured, waiting) = measured(&house, &house.reader()?, &pairs)?;
    let found = compare(&pairs, &measured, tolerance);
    Ok((house, found, waiting))
}

/// What the CTs say of each interval, where they cover it wholly; and how many they do not because
/// import and export have yet to be derived again after a correction of the map.
fn measured(
    house: &House,
    reader: &Reader,
    pairs: &Pairs,
) -> Result<(Vec<Option<Measured>>, usize), Refusal> {
    let mut waiting = 0;
    let intervals: Vec<Interval> = pairs.all.iter().map(|pair| pair.interval).collect();
    let mut source = reader.source(house.index);
    let mut all = Vec::with_capacity(intervals.len());
    for some in intervals.chunks(AT_ONCE) {
        let summaries = energy(house.site(), &house.zone, &mut source, some);
        let summaries = summaries.map_err(Refusal::of_store)?;
        for summary in &summaries {
            let of = |key| whole(summary, key);
            let both = of(FigureKey::Import).zip(of(FigureKey::Export));
            waiting += usize::from(both.is_none() && summary.rederiving);
            all.push(both.map(|(import_mwh, export_mwh)| Measured { import_mwh, export_mwh }));
        }
    }
    Ok((all, waiting))
}

fn whole(summary: &Summary, key: FigureKey) -> Option<i64> {
    let amount = summary.get(key)?;
    let kwh = amount.kwh().filter(|_| amount.covered >= summary.interval.span())?;
    Some((kwh * 1e6).round() as i64)
}

/// Each mains CT with its scale now, the one suggested, and the line of the map.
fn scales(house: &House, found: &Comparison) -> Vec<(String, f64, f64, usize)> {
    let Some(factor) = found.factor else { return Vec::new() };
    let site = house.site();
    let mains =
        site.feeds.iter().filter(|feed| site.buses[feed.bus].fed_by.is_none() && feed.span.end == Stamp::MAX);
    let cts = mains.flat_map(|feed| feed.cts.iter().map(|ct| (ct, feed.channels.0)));
    cts.map(|(ct, line)| {
        let scale = ct.scale.map_or(1.0, |scale| scale as f64 / ONE as f64);
        let name = site.channels[ct.channel.0 as usize].name.clone();
        (name, scale, (scale * factor * 1e4).round() / 1e4, line)
    })
    .collect()
}

fn text(house: &House, found: &Comparison, waiting: usize, args: &Args) -> String {
    match args.format {
        Format::Json => format!("{}\n", body(house, found, waiting)),
        Format::Csv => {
            let mut text = "start,end,meter_kwh,measured_kwh,left_kwh\r\n".to_owned();
            for one in &found.disagreements {
                let (start, end) =
                    (house.zone.rfc3339(one.interval.start), house.zone.rfc3339(one.interval.end));
                let kwh = |mwh: i64| mwh as f64 / 1e6;
                text += &format!(
                    "{start},{end},{},{},{}\r\n",
                    kwh(one.meter_mwh),
                    kwh(one.measured_mwh),
                    kwh(one.left_mwh)
                );
            }
            text
        }
        Format::Table => table(house, found, waiting, args),
    }
}

fn body(house: &House, found: &Comparison, waiting: usize) -> serde_json::Value {
    let kwh = |mwh: i64| mwh as f64 / 1e6;
    let at = |at| house.zone.rfc3339(at);
    let sides = found.sides.iter().map(|side| {
        json!({ "flow": side.name, "meter_kwh": kwh(side.meter_mwh), "measured_kwh": kwh(side.measured_mwh),
            "error_percent": side.error_percent() })
    });
    let weeks = found.weeks.iter().map(|week| {
        json!({ "start": at(week.start), "intervals": week.intervals, "meter_kwh": kwh(week.meter_mwh),
            "error_percent": week.error_percent })
    });
    let disagreements = found.disagreements.iter().take(LISTED).map(|one| {
        json!({ "start": at(one.interval.start), "end": at(one.interval.end), "meter_kwh": kwh(one.meter_mwh),
            "measured_kwh": kwh(one.measured_mwh), "left_kwh": kwh(one.left_mwh) })
    });
    let scales = scales(house, found).into_iter().map(|(channel, now, suggested, line)| {
        json!({ "channel": channel, "scale": now, "suggested": suggested, "line": line })
    });
    json!({
        "site": house.site().id, "intervals": found.intervals, "compared": found.compared,
        "not_covered": found.not_covered, "rederiving": waiting, "estimated": found.estimated,
        "error_percent": found.error_percent, "factor": found.factor,
        "drift_percent_per_30_days": found.drift_percent, "tolerance_percent": found.tolerance_percent,
        "within": found.is_within(), "resolution_kwh": kwh(found.resolution_mwh),
        "flows": sides.collect::<Vec<_>>(), "weeks": weeks.collect::<Vec<_>>(),
        "disagreeing": found.disagreements.len(), "disagreements": disagreements.collect::<Vec<_>>(),
        "scales": scales.collect::<Vec<_>>(),
    })
}

fn table(house: &House, found: &Comparison, waiting: usize, args: &Args) -> String {
    let percent = |p: Option<f64>| p.map_or("not known".to_owned(), |p| format!("{p:+.2} %"));
    let kwh = |mwh: i64| mwh as f64 / 1e6;
    let share = found.compared as f64 / found.intervals.max(1) as f64 * 100.0;
    let mut text = format!(
        "{} of {} intervals compared ({share:.1} %); left out: {} not wholly covered, {} estimated by the utility\n",
        found.compared, found.intervals, found.not_covered, found.estimated
    );
    if waiting > 0 {
        text += &format!(
            "{waiting} of those not covered wait for import and export to be derived again: the map was corrected, and the\n\
             daemon has not got to it. It does so as it runs; `panelwright store rederive` does it now.\n"
        );
    }
    for side in &found.sides {
        text += &format!(
            "{:8} meter {:>12.3} kWh  CTs {:>12.3} kWh  error {}\n",
            side.name,
            kwh(side.meter_mwh),
            kwh(side.measured_mwh),
            percent(side.error_percent())
        );
    }
    let source = match args.tolerance {
        Some(_) => "as given".to_owned(),
        None => format!(
            "CT class {} at 20 % of its rating, IEC 61869-2, and meter class {}",
            args.ct_class, args.meter_class
        ),
    };
    text += &format!(
        "error    {}, allowed ±{:.2} % ({source}): {}\n",
        percent(found.error_percent),
        found.tolerance_percent,
        if found.is_within() { "within" } else { "outside" }
    );
    if let Some(drift) = found.drift_percent {
        text +=
            &format!("drift    {drift:+.2} percentage points in 30 days, over {} weeks\n", found.weeks.len());
    }
    for (channel, now, suggested, line) in scales(house, found) {
        text += &format!("scale    {channel}: {suggested} in place of {now}, line {line} of the map\n");
    }
    text += &format!("{} intervals disagree after that", found.disagreements.len());
    text += if found.disagreements.is_empty() { "\n" } else { ", the worst first:\n" };
    for one in found.disagreements.iter().take(LISTED) {
        text += &format!(
            "  {}  meter {:>10.3} kWh  CTs {:>10.3} kWh  left {:+.3} kWh\n",
            house.zone.rfc3339(one.interval.start),
            kwh(one.meter_mwh),
            kwh(one.measured_mwh),
            kwh(one.left_mwh)
        );
    }
    text
}
