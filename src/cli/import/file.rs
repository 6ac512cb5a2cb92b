//! The file, read twice: once to see whether it is right, once to take it.

use std::fs::File;
use std::io::{self, BufRead as _, BufReader, Read as _, Seek as _, SeekFrom};
use std::path::Path;

use anyhow::{Context as _, Result};

use crate::cli::Exit;
use crate::cli::house::Refusal;
use crate::exchange::espi::{self, Flow, Series};
use crate::exchange::{Columns, Fault, Limits, MAX_TEXT};
use crate::reading::Sample;
use crate::site::{ChannelIndex, ReadingKind, Site};

/// Why reading ended early.
#[derive(Debug)]
pub(in crate::cli) enum Stop {
    Refused(Refusal),
    Io(io::Error),
}

impl From<Refusal> for Stop {
    fn from(refusal: Refusal) -> Self {
        Self::Refused(refusal)
    }
}

impl From<io::Error> for Stop {
    fn from(error: io::Error) -> Self {
        Self::Io(error)
    }
}

/// What a file is.
#[derive(Clone, Copy, Debug, PartialEq, Eq)]
pub(super) enum Form {
    Csv,
    Espi,
}

/// Where interval data goes.
#[derive(Clone, Debug, Default)]
pub(super) struct Channels {
    pub(super) forward: Option<String>,
    pub(super) reverse: Option<String>,
    pub(super) net: Option<String>,
    pub(super) estimated: bool,
    /// The series that are meant, by title or number; by what the file says where none is named.
    pub(super) series: Vec<String>,
}

/// What a file came to.
#[derive(Clone, Copy, Debug, Default)]
pub(super) struct Read {
    pub(super) readings: u64,
    /// Rows without a value.
    pub(super) missing: u64,
    /// Left out since the utility estimated them.
    pub(super) estimated: u64,
    /// Intervals whose power is no whole number of 0.1 W.
    pub(super) rounded: u64,
}

/// The file.
#[derive(Debug)]
pub(super) struct Source(File);

impl Source {
    /// Opens it; standard input is put into a file first, so that it too can be read twice.
    #[expect(clippy::disallowed_methods, reason = "a command reads the file that it is given")]
    pub(super) fn open(path: &Path) -> Result<Self> {
        if path != Path::new("-") {
            return Ok(Self(File::open(path).with_context(|| format!("cannot read {}", path.display()))?));
        }
        let mut file = tempfile::tempfile().context("no temporary file for standard input")?;
        io::copy(&mut io::stdin().lock(), &mut file).context("standard input")?;
        Ok(Self(file))
    }

    fn again(&mut self) -> io::Result<BufReader<&mut File>> {
        self.0.seek(SeekFrom::Start(0))?;
        Ok(BufReader::new(&mut self.0))
    }

    /// XML starts with `<`, and no table does.
    pub(super) fn form(&mut self) -> io::Result<Form> {
        let mut reader = self.again()?;
        let start = reader.fill_buf()?;
        let text = String::from_utf8_lossy(&start[..start.len().min(1024)]);
        let text = text.trim_start_matches('\u{feff}').trim_start();
        Ok(if text.starts_with('<') { Form::Espi } else { Form::Csv })
    }

    /// Reads it from the start.
    pub(super) fn each(
        &mut self,
        form: Form,
        limits: &Limits<'_>,
        channels: &Channels,
        fault: &mut dyn FnMut(Fault),
        take: &mut dyn FnMut(ChannelIndex, Sample) -> Result<(), Stop>,
    ) -> Result<Read, Stop> {
        match form {
            Form::Csv => self.csv(limits, fault, take),
            Form::Espi => self.espi(limits, channels, fault, take),
        }
    }

    fn csv(
        &mut self,
        limits: &Limits<'_>,
        fault: &mut dyn FnMut(Fault),
        take: &mut dyn FnMut(ChannelIndex, Sample) -> Result<(), Stop>,
    ) -> Result<Read, Stop> {
        let mut reader = csv::ReaderBuilder::new().flexible(true).from_reader(self.again()?);
        let bad = |error: csv::Error| {
            let line = error.position().map_or(1, csv::Position::line);
            Fault::new(line, error.to_string(), "the table has to be CSV in UTF-8")
        };
        let mut read = Read::default();
        let columns = match reader.headers().map_err(bad).and_then(Columns::find) {
            Ok(columns) => columns,
            Err(first) => {
                // Without columns there are no readings to go on with.
                fault(first);
                return Ok(read);
            }
        };
        let mut record = csv::StringRecord::new();
        loop {
            match reader.read_record(&mut record) {
                Ok(false) => return Ok(read),
                Ok(true) => {}
                Err(error) => {
                    if let csv::ErrorKind::Io(_) = error.kind() {
                        return Err(Stop::Io(error.into()));
                    }
                    fault(bad(error));
                    continue;
                }
            }
            let line = record.position().map_or(0, csv::Position::line);
            match columns.row(limits, line, &record) {
                Ok(Some((channel, sample))) => {
                    read.readings += 1;
                    take(channel, sample)?;
                }
                Ok(None) => read.missing += 1,
                Err(one) => fault(one),
            }
        }
    }

    fn espi(
        &mut self,
        limits: &Limits<'_>,
        channels: &Channels,
        fault: &mut dyn FnMut(Fault),
        take: &mut dyn FnMut(ChannelIndex, Sample) -> Result<(), Stop>,
    ) -> Result<Read, Stop> {
        let mut read = Read::default();
        let feed = feed(self.again()?, fault)?;
        for series in choose(&feed, &channels.series)? {
            let channel = channels.find(limits.site, series)?;
            let device = &limits.site.devices[limits.site.channels[channel.0 as usize].device];
            for reading in &series.readings {
                if reading.estimated && !channels.estimated {
                    read.estimated += 1;
                    continue;
                }
                if reading.seconds * 10 != device.every.0 {
                    let what = format!("the interval lasts {} s", reading.seconds);
                    let hint =
                        format!("{} takes intervals of {} s alone", device.id, device.every.as_seconds());
                    fault(Fault::new(reading.line, what, hint));
                    continue;
                }
                if reading.end() > limits.now {
                    fault(Fault::new(
                        reading.line,
                        "the interval is in the future",
                        "set this machine's clock",
                    ));
                    continue;
                }
                // The mean power in 0.1 W, to the nearest: mWh × 3600 s/h ÷ 1000 × 10.
                let (mwh, seconds) = (i128::from(reading.mwh) * 36, i128::from(reading.seconds));
                let value = (mwh + seconds / 2 * mwh.signum()) / seconds;
                read.rounded += u64::from(mwh % seconds != 0);
                if value.abs() > (crate::reading::MAX_POWER_W * 10.0) as i128 {
                    fault(Fault::new(reading.line, "no house draws so much", "check powerOfTenMultiplier"));
                    continue;
                }
                read.readings += 1;
                take(channel, Sample { at: reading.end(), value: value as i64 })?;
            }
        }
        Ok(read)
    }
}

/// The feed in a file; what is wrong with it goes to `fault`.
pub(in crate::cli) fn feed(reader: impl io::Read, fault: &mut dyn FnMut(Fault)) -> Result<espi::Feed, Stop> {
    let mut text = Vec::new();
    reader.take(MAX_TEXT as u64 + 1).read_to_end(&mut text)?;
    let text = String::from_utf8(text).map_err(|error| {
        let before = &error.as_bytes()[..error.utf8_error().valid_up_to()];
        let line = before.iter().filter(|byte| **byte == b'\n').count() + 1;
        Refusal::new(Exit::Short, format!("line {line}: not UTF-8; save the file in UTF-8"))
    })?;
    let (feed, faults) = espi::read(&text);
    let more = faults.count() - faults.shown().len() as u64;
    faults.shown().iter().for_each(|one| fault(one.clone()));
    (0..more).for_each(|_| fault(Fault::new(0, "more of them", "")));
    Ok(feed)
}

/// The series of a file that are meant, one a direction.
pub(in crate::cli) fn choose<'a>(feed: &'a espi::Feed, named: &[String]) -> Result<Vec<&'a Series>, Stop> {
    espi::choose(feed, named).map_err(|why| {
        let what = "name what is meant with --series TITLE, or with its number; once for each direction";
        Refusal::new(Exit::Usage, format!("{why}\n{what}")).into()
    })
}

impl Channels {
    /// The channel that a series goes to.
    fn find(&self, site: &Site, series: &Series) -> Result<ChannelIndex, Stop> {
        let (given, word) = match series.flow {
            Flow::Forward => (&self.forward, "forward"),
            Flow::Reverse => (&self.reverse, "reverse"),
            Flow::Net => (&self.net, "net"),
        };
        let every = series.usual_seconds();
        let device = format!(
            "[[device]]\n  id = \"utility\"\n  source = \"import\"\n  unit = \"W\"\n  every_s = {every}\n  channels = \
             [\"{word}\"]"
        );
        let imported = |channel: &&crate::site::Channel| site.devices[channel.device].is_imported();
        let name = match given {
            Some(name) => name.clone(),
            None => {
                let mut named = site.channels.iter().filter(imported).filter(|channel| channel.key == word);
                match (named.next(), named.next()) {
                    (Some(one), None) => one.name.clone(),
                    (None, _) => {
                        let why = format!(
                            "the file has {word} energy (\"{}\"), and the map no channel for it; name one with \
                             --{word}, or add to the map\n\n  {device}",
                            series.title
                        );
                        return Err(Refusal::new(Exit::Usage, why).into());
                    }
                    (Some(_), Some(_)) => {
                        let why = format!("several channels are named {word}; name one with --{word}");
                        return Err(Refusal::new(Exit::Usage, why).into());
                    }
                }
            }
        };
        let Some(channel) = site.channel(&name) else {
            let why = format!("--{word}: the map has no channel \"{name}\"; add to it\n\n  {device}");
            return Err(Refusal::new(Exit::Usage, why).into());
        };
        let of = &site.devices[site.channels[channel.0 as usize].device];
        // Only so an interval covers itself and nothing of a gap before it.
        if of.unit.is_counter() || of.reading != ReadingKind::Mean || of.max_gap != of.every {
            let why = format!(
                "--{word}: \"{name}\" cannot take intervals: its device has to be one of `source = \"import\"`, \
                 `unit = \"W\"`, `every_s` the length of an interval, and no `max_gap_s`"
            );
            return Err(Refusal::new(Exit::Usage, why).into());
        }
        Ok(channel)
    }
}
