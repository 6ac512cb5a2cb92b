//! `panelwright export`

use std::io;
use std::ops::Range;
use std::path::PathBuf;

use anyhow::{Context as _, Result};
use clap::ValueEnum;

use super::house::{House, Refusal};
use super::out::Out;
use super::{Common, Exit};
use crate::calendar::By;
use crate::clock::Clock;
use crate::exchange::{self, Export, ExportError, Exported, ReadingsCsv};
use crate::reading::Sample;
use crate::site::ChannelIndex;
use crate::store::Reader;
use crate::units::{Span, Stamp};

/// Readings are taken out of the store for this long at a time: of the largest panel, with a reading a
/// second of each of its channels, these are some 170 MB, of a common one 10.
const AT_ONCE: Span = Span(6 * Span::HOUR.0);
/// After this much of the readings the view of the store is taken anew: while one is open, the store's
/// write-ahead log grows.
const RENEW: Span = Span(7 * Span::DAY.0);

/// Energy by interval, or readings, as a file for other programs.
///
/// CSV has every figure of `history` with its coverage; ESPI XML (NAESB REQ.21) has the grid's import
/// and export and every circuit, as far as intervals are wholly known. It reads the store itself: the
/// daemon may run meanwhile, or not.
#[derive(Debug, clap::Args)]
#[command(after_help = "Examples:
  panelwright export --from 2025-01-01 --to 2026-01-01 --by hour -o 2025.csv
  panelwright export --form espi --from 2025-03-01 --to 2025-04-01 --by quarter -o march.xml
  panelwright export --readings --channel house/5 --from 2025-03-09 --to 2025-03-10 > heater.csv")]
pub(super) struct Args {
    /// The site's id; not needed where there is one site.
    #[arg(long, value_name = "ID")]
    site: Option<String>,
    /// Where it starts: a local date, a local date and time, or RFC 3339 [default: where the store does]
    #[arg(long, value_name = "TIME")]
    from: Option<String>,
    /// Where it ends, exclusive: the same [default: where the store does]
    #[arg(long, value_name = "TIME")]
    to: Option<String>,
    /// Length of an interval; the range snaps outwards to whole ones. ESPI: minute, quarter, hour or day.
    #[arg(long, value_name = "INTERVAL", default_value = "hour",
          value_parser = clap::builder::PossibleValuesParser::new(By::ALL.map(By::as_str)))]
    by: String,
    /// The form of the file.
    #[arg(long, value_enum, default_value_t)]
    form: Form,
    /// The readings themselves, each channel's, as CSV by time.
    #[arg(long, conflicts_with_all = ["by", "form"])]
    readings: bool,
    /// With --readings: this channel only; can be given again.
    #[arg(long, value_name = "DEVICE/CHANNEL", requires = "readings")]
    channel: Vec<String>,
    /// Where to write; the file is there whole or not at all [default: standard output]
    #[arg(long, short, value_name = "FILE")]
    output: Option<PathBuf>,
}

/// Forms of a file.
#[derive(Clone, Copy, Debug, Default, PartialEq, Eq, ValueEnum)]
enum Form {
    /// A row an interval, as spreadsheets read it.
    #[default]
    Csv,
    /// The XML of NAESB REQ.21, as utilities write it.
    Espi,
}

/// Runs it.
pub(super) fn run(common: &Common, args: &Args) -> Result<Exit> {
    let ready = House::find(common, args.site.as_deref()).and_then(|house| {
        let reader = house.reader()?;
        let range = range(&house, &reader, args)?;
        Ok((house, reader, range))
    });
    let (house, reader, range) = match ready {
        Ok(ready) => ready,
        Err(refusal) => return Ok(refusal.say()),
    };
    let mut out = Out::open(args.output.as_deref())?;
    let done = if args.readings {
        readings(&house, &reader, range, &args.channel, &mut out)
    } else {
        energy(&house, &reader, range, args, &mut out)
    };
    match done {
        Ok(()) => {
            out.finish()?;
            Ok(Exit::Fine)
        }
        Err(Ended::Refused(refusal)) => Ok(refusal.say()),
        // `| head` has seen enough.
        Err(Ended::Io(error)) if error.kind() == io::ErrorKind::BrokenPipe => Ok(Exit::Fine),
        Err(Ended::Io(error)) => Err(error).context("the file was not written"),
    }
}

/// Why an export ended early.
#[derive(Debug)]
enum Ended {
    Refused(Refusal),
    Io(io::Error),
}

impl From<Refusal> for Ended {
    fn from(refusal: Refusal) -> Self {
        Self::Refused(refusal)
    }
}

impl From<io::Error> for Ended {
    fn from(error: io::Error) -> Self {
        Self::Io(error)
    }
}

/// What was asked for, or else all that the store has of the site.
fn range(house: &House, reader: &Reader, args: &Args) -> Result<Range<Stamp>, Refusal> {
    let (from, to) = (house.time("from", args.from.as_deref())?, house.time("to", args.to.as_deref())?);
    let mut source = reader.source(house.index);
    let extent = source.extent().map_err(Refusal::of_store)?;
    let nothing = || Refusal::new(Exit::Short, format!("the store has nothing of {}", house.site().id));
    let start = from.or(extent.as_ref().map(|extent| extent.start)).ok_or_else(nothing)?;
    let end = to.or(extent.as_ref().map(|extent| extent.end)).ok_or_else(nothing)?;
    if start >= end {
        let shown = |at| house.zone.rfc3339(at);
        let why = format!("--from ({}) is not before --to ({})", shown(start), shown(end));
        return Err(Refusal::new(Exit::Usage, why));
    }
    Ok(start..end)
}

fn energy(
    house: &House,
    reader: &Reader,
    range: Range<Stamp>,
    args: &Args,
    out: &mut Out,
) -> Result<(), Ended> {
    let by: By = args.by.parse().map_err(|error| Refusal::of_time("by", &error))?;
    let form = match args.form {
        Form::Csv => exchange::Form::Csv,
        Form::Espi => exchange::Form::Espi,
    };
    let now = Clock::wall().now();
    let what = Export { site: house.site(), zone: &house.zone, range, by, form, now };
    let mut source = reader.source(house.index);
    let exported = exchange::export(&what, &mut source, &mut |text| out.put(&text));
    let Exported { in_part, written, .. } = exported.map_err(|error| match error {
        ExportError::Asked(error) => Refusal::of_time("from and --to", &error).into(),
        ExportError::NoSuchInterval(by) => {
            let why = format!("ESPI has no intervals by {by}; ask for --by minute, quarter, hour or day");
            Refusal::new(Exit::Usage, why).into()
        }
        ExportError::Source(error) => Refusal::of_store(error).into(),
        ExportError::Out(error) => Ended::Io(error),
    })?;
    if form == exchange::Form::Espi {
        eprintln!("{written} values written; {in_part} left out, known for a part of their interval only");
    }
    Ok(())
}

fn readings(
    house: &House,
    reader: &Reader,
    range: Range<Stamp>,
    names: &[String],
    out: &mut Out,
) -> Result<(), Ended> {
    let site = house.site();
    let mut channels: Vec<ChannelIndex> = Vec::new();
    for name in names {
        let known = site.channel(name).ok_or_else(|| {
            let all: Vec<_> = site.channels.iter().map(|channel| channel.name.as_str()).collect();
            Refusal::new(Exit::Usage, format!("there is no channel \"{name}\"; there is {}", all.join(", ")))
        })?;
        channels.push(known);
    }
    if channels.is_empty() {
        channels.extend((0..site.channels.len() as u32).map(ChannelIndex));
    }
    let csv = ReadingsCsv::new(site, &house.zone);
    out.put(&ReadingsCsv::header())?;
    let (mut source, mut since) = (reader.source(house.index), range.start);
    let mut start = range.start;
    while start < range.end {
        let end = (start.floor(AT_ONCE) + AT_ONCE).min(range.end);
        let mut all: Vec<(ChannelIndex, Sample)> = Vec::new();
        for channel in &channels {
            let some = source.readings(*channel, start..end).map_err(Refusal::of_store)?;
            all.extend(some.into_iter().map(|sample| (*channel, sample)));
        }
        all.sort_by_key(|(channel, sample)| (sample.at, *channel));
        for (channel, sample) in all {
            out.put(&csv.row(channel, sample))?;
        }
        if end - since >= RENEW {
            (source, since) = (reader.source(house.index), end);
        }
        start = end;
    }
    Ok(())
}
