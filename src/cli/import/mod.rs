//! `panelwright import`

mod batches;
pub(in crate::cli) mod file;
mod target;

use std::path::PathBuf;

use anyhow::{Context as _, Result};
use clap::ValueEnum;
use serde_json::json;

use super::house::{House, Refusal};
use super::{Common, Exit, Format};
use crate::clock::Clock;
use crate::exchange::{Fault, Limits};
use crate::store::Imported;
use crate::units::Stamp;
use batches::Batches;
use file::{Channels, Form, Source, Stop};
use target::Target;

/// Readings from files: CSV (time, channel, value), or a utility's interval data (ESPI XML).
///
/// Of any age; doubles are harmless, so a run that was cut short is simply run again. It goes through the
/// running daemon, or where none runs into the store itself. A file with a fault is refused whole, with
/// every faulty line, unless --skip-bad is given.
#[derive(Debug, clap::Args)]
#[command(after_help = "Examples:
  panelwright import march.csv
  panelwright import utility-2025.xml --forward utility/forward --reverse utility/reverse
  panelwright import march.csv --check")]
pub(super) struct Args {
    /// The file; `-` is standard input.
    file: PathBuf,
    /// The site's id; not needed where there is one site.
    #[arg(long, value_name = "ID")]
    site: Option<String>,
    /// The form of the file [default: by its first character]
    #[arg(long, value_enum)]
    form: Option<FileForm>,
    /// ESPI: the channel for what was delivered to the house [default: the imported one named `forward`]
    #[arg(long, value_name = "DEVICE/CHANNEL")]
    forward: Option<String>,
    /// ESPI: the channel for what the house gave back [default: the imported one named `reverse`]
    #[arg(long, value_name = "DEVICE/CHANNEL")]
    reverse: Option<String>,
    /// ESPI: the channel for forward less reverse [default: the imported one named `net`]
    #[arg(long, value_name = "DEVICE/CHANNEL")]
    net: Option<String>,
    /// ESPI: the series to take, by title or number, one a direction; not needed where each direction has one.
    #[arg(long, value_name = "TITLE")]
    series: Vec<String>,
    /// ESPI: take intervals too that the utility marks as estimated.
    #[arg(long)]
    estimated: bool,
    /// Leave out lines that are at fault, and take the others.
    #[arg(long)]
    skip_bad: bool,
    /// Read the file and say what is wrong; put nothing into the store.
    #[arg(long)]
    check: bool,
    /// How to print.
    #[arg(long, value_enum, default_value_t)]
    format: Format,
}

/// Forms of a file.
#[derive(Clone, Copy, Debug, PartialEq, Eq, ValueEnum)]
enum FileForm {
    /// A table of readings.
    Csv,
    /// The XML of NAESB REQ.21.
    Espi,
}

/// What was done.
#[derive(Debug, Default)]
struct Report {
    through: &'static str,
    readings: u64,
    missing: u64,
    estimated: u64,
    rounded: u64,
    refused: u64,
    done: Imported,
    first: Option<Stamp>,
    last: Option<Stamp>,
}

/// Runs it.
pub(super) fn run(common: &Common, args: &Args) -> Result<Exit> {
    let house = match House::find(common, args.site.as_deref()) {
        Ok(house) => house,
        Err(refusal) => return Ok(refusal.say()),
    };
    let mut source = Source::open(&args.file)?;
    match import(&house, args, &mut source) {
        Ok(report) => {
            let text = report.text(&house, args);
            super::print(&text)?;
            Ok(Exit::Fine)
        }
        Err(Stop::Refused(refusal)) => Ok(refusal.say()),
        Err(Stop::Io(error)) => Err(error).context(format!("cannot read {}", args.file.display())),
    }
}

fn import(house: &House, args: &Args, source: &mut Source) -> Result<Report, Stop> {
    let now = Clock::wall().now();
    let limits = Limits { site: house.site(), zone: &house.zone, now };
    let form = match args.form {
        Some(FileForm::Csv) => Form::Csv,
        Some(FileForm::Espi) => Form::Espi,
        None => source.form()?,
    };
    let channels = Channels {
        forward: args.forward.clone(),
        reverse: args.reverse.clone(),
        net: args.net.clone(),
        estimated: args.estimated,
        series: args.series.clone(),
    };
    // First all of it is read, and only where nothing is wrong the store is told anything.
    let mut faults = Vec::new();
    let mut count = 0_u64;
    let mut fault = |fault: Fault| {
        count += 1;
        if faults.len() < crate::exchange::Faults::SHOWN {
            faults.push(fault.to_string());
        }
    };
    let mut report = Report { through: "nothing: only read", ..Report::default() };
    let read = source.each(form, &limits, &channels, &mut fault, &mut |_, sample| {
        report.first = Some(report.first.map_or(sample.at, |first| first.min(sample.at)));
        report.last = Some(report.last.map_or(sample.at, |last| last.max(sample.at)));
        Ok(())
    })?;
    (report.readings, report.missing) = (read.readings, read.missing);
    (report.estimated, report.rounded, report.refused) = (read.estimated, read.rounded, count);
    if count > 0 {
        let more = count - faults.len() as u64;
        let more = if more > 0 { format!("\n… and {more} more") } else { String::new() };
        eprintln!("{}{more}", faults.join("\n"));
        if !args.skip_bad {
            let why = format!(
                "{} has {count} faults, and nothing of it was taken; mend it, or leave those lines out with \
                 --skip-bad",
                args.file.display()
            );
            return Err(Refusal::new(Exit::Short, why).into());
        }
    }
    if args.check || read.readings == 0 {
        return Ok(report);
    }
    let mut target = Target::open(house)?;
    report.through = target.name();
    let mut batches = Batches::of(target.most());
    source.each(form, &limits, &channels, &mut |_| {}, &mut |channel, sample| {
        batches.add(channel, sample);
        while let Some(batch) = batches.full() {
            report.done += target.put(house, batch)?;
        }
        Ok(())
    })?;
    for batch in batches.rest() {
        report.done += target.put(house, batch)?;
    }
    target.close();
    Ok(report)
}

impl Report {
    fn text(&self, house: &House, args: &Args) -> String {
        let at = |at: Option<Stamp>| at.map(|at| house.zone.rfc3339(at));
        let Imported { new, changed, same } = self.done;
        match args.format {
            Format::Json => {
                let body = json!({
                    "site": house.site().id, "through": self.through, "readings": self.readings,
                    "new": new, "changed": changed, "same": same, "refused": self.refused,
                    "missing": self.missing, "estimated_left_out": self.estimated, "rounded": self.rounded,
                    "first": at(self.first), "last": at(self.last),
                });
                format!("{body}\n")
            }
            Format::Csv => format!(
                "site,readings,new,changed,same,refused,missing,estimated_left_out,rounded,first,last\r\n\
                 {},{},{new},{changed},{same},{},{},{},{},{},{}\r\n",
                house.site().id,
                self.readings,
                self.refused,
                self.missing,
                self.estimated,
                self.rounded,
                at(self.first).unwrap_or_default(),
                at(self.last).unwrap_or_default()
            ),
            Format::Table => {
                let mut text = format!("{} readings", self.readings);
                if let (Some(first), Some(last)) = (at(self.first), at(self.last)) {
                    text += &format!(" from {first} to {last}");
                }
                text += &format!(
                    "\nthrough {}: {new} new, {changed} changed, {same} as they were\n",
                    self.through
                );
                for (count, what) in [
                    (self.refused, "lines left out for being at fault"),
                    (self.missing, "lines without a value, which stay unknown"),
                    (
                        self.estimated,
                        "intervals left out that the utility estimated (--estimated takes them)",
                    ),
                    (self.rounded, "intervals rounded to 0.1 W"),
                ] {
                    if count > 0 {
                        text += &format!("{count} {what}\n");
                    }
                }
                text
            }
        }
    }
}
