//! Raw readings as CSV, out and in.
//!
//! Out: `time (UTC), time (local), channel, value, unit`. In: the same, or any table with a column
//! for the time, one for the channel and one for the value, in whatever order.

use super::energy::line;
use super::fault::{Fault, shown};
use crate::calendar::Zone;
use crate::reading::{EARLIEST, MAX_AHEAD, MAX_COUNTER_KWH, MAX_POWER_W, Sample};
use crate::site::{ChannelIndex, Site, Unit};
use crate::units::Stamp;

/// Writes readings, each a row.
#[derive(Clone, Debug)]
pub struct ReadingsCsv<'a> {
    site: &'a Site,
    zone: Zone,
    utc: Zone,
}

impl<'a> ReadingsCsv<'a> {
    /// For the channels of `site`.
    pub fn new(site: &'a Site, zone: &Zone) -> Self {
        Self { site, zone: zone.clone(), utc: Zone::utc() }
    }

    /// The row of names.
    pub fn header() -> String {
        line(["time (UTC)", "time (local)", "channel", "value", "unit"].map(str::to_owned))
    }

    /// A reading's row: time to 0.1 s, value to 0.1 W (or 0.1 Wh of a counter).
    pub fn row(&self, channel: ChannelIndex, sample: Sample) -> String {
        let channel = &self.site.channels[channel.0 as usize];
        let unit = if self.site.devices[channel.device].unit.is_counter() { "Wh" } else { "W" };
        let tenths = sample.at.0.rem_euclid(10);
        let point = |text: String| {
            if tenths == 0 { text } else { format!("{}.{tenths}{}", &text[..19], &text[19..]) }
        };
        let sign = if sample.value < 0 { "-" } else { "" };
        let (whole, part) = (sample.value.unsigned_abs() / 10, sample.value.unsigned_abs() % 10);
        line([
            point(self.utc.rfc3339(sample.at)).replace("+00:00", "Z"),
            point(self.zone.rfc3339(sample.at)),
            channel.name.clone(),
            format!("{sign}{whole}.{part}"),
            unit.to_owned(),
        ])
    }
}

/// Where in a table the columns are that matter.
#[derive(Clone, Debug, PartialEq, Eq)]
pub struct Columns {
    time: usize,
    channel: usize,
    value: usize,
    unit: Option<usize>,
}

/// What readings are held against.
#[derive(Clone, Debug)]
pub struct Limits<'a> {
    /// Whose channels they are of.
    pub site: &'a Site,
    /// The zone of times without an offset.
    pub zone: &'a Zone,
    /// The present: readings can not be from after it.
    pub now: Stamp,
}

/// A row as it was read: a channel and its reading, or nothing where the value is empty (a gap).
pub type Row = Option<(ChannelIndex, Sample)>;

impl Columns {
    /// Finds the columns by their names: `time` (or `time (UTC)`, `time_utc`), `channel`, `value`, and
    /// `unit` if there is one.
    ///
    /// # Errors
    /// Where one of the three is missing or there twice.
    pub fn find<'r>(header: impl IntoIterator<Item = &'r str>) -> Result<Self, Fault> {
        let (mut time, mut channel, mut value, mut unit) = (None, None, None, None);
        for (index, name) in header.into_iter().enumerate() {
            let name = name.trim_start_matches('\u{feff}').trim().to_lowercase();
            let place = match name.as_str() {
                "time" | "time (utc)" | "time_utc" => &mut time,
                "channel" => &mut channel,
                "value" => &mut value,
                "unit" => &mut unit,
                _ => continue,
            };
            if place.replace(index).is_some() {
                return Err(Fault::new(1, format!("the column \"{name}\" is there twice"), "leave one out"));
            }
        }
        let hint = "the first line names the columns: time,channel,value";
        let missing = |name: &str| Fault::new(1, format!("there is no column \"{name}\""), hint);
        Ok(Self {
            time: time.ok_or_else(|| missing("time"))?,
            channel: channel.ok_or_else(|| missing("channel"))?,
            value: value.ok_or_else(|| missing("value"))?,
            unit,
        })
    }

    /// Reads the row that starts in `line`.
    ///
    /// # Errors
    /// What is wrong with it.
    pub fn row(&self, limits: &Limits<'_>, line: u64, cells: &csv::StringRecord) -> Result<Row, Fault> {
        let cell = |index: usize| cells.get(index).map(str::trim).unwrap_or_default();
        let at = time(limits, line, cell(self.time))?;
        let name = cell(self.channel);
        let channel = limits.site.channel(name).ok_or_else(|| {
            let what = format!("the map of {} has no channel \"{}\"", limits.site.id, shown(name));
            Fault::new(line, what, "write device/channel as the map names it, or add it to the map")
        })?;
        let text = cell(self.value);
        if text.is_empty() {
            return Ok(None);
        }
        let number: f64 = text.parse().map_err(|_| {
            let what = format!("the value \"{}\" is no number", shown(text));
            Fault::new(line, what, "write a number with a point, as 1234.5, or nothing where it is missing")
        })?;
        let unit = self.unit.map(cell).filter(|unit| !unit.is_empty());
        let value = value_of(limits.site, channel, number, unit)
            .map_err(|(what, hint)| Fault::new(line, what, hint))?;
        Ok(Some((channel, Sample { at, value })))
    }
}

/// A moment, within the time that readings can be of.
fn time(limits: &Limits<'_>, line: u64, text: &str) -> Result<Stamp, Fault> {
    let at = limits.zone.parse(text).map_err(|error| {
        Fault::new(line, error.to_string(), "a time with an offset is never in doubt: 2025-03-09T13:30:00Z")
    })?;
    if at < EARLIEST {
        return Err(Fault::new(line, format!("{text} is before the year 2000"), "correct the time"));
    }
    if at > limits.now + MAX_AHEAD {
        let hint = "correct it, or set this machine's clock";
        return Err(Fault::new(line, format!("{text} is in the future"), hint));
    }
    Ok(at)
}

/// A number of the file as the channel keeps it: 0.1 W, or 0.1 Wh of a counter. Without `unit` it is
/// W or Wh.
///
/// # Errors
/// What is wrong and what to do: a unit that the channel does not have, or a value that no panel has.
pub fn value_of(
    site: &Site,
    channel: ChannelIndex,
    number: f64,
    unit: Option<&str>,
) -> Result<i64, (String, &'static str)> {
    let channel = &site.channels[channel.0 as usize];
    let of = site.devices[channel.device].unit;
    let factor = match (unit, of.is_counter()) {
        (None | Some("W"), false) | (None | Some("Wh"), true) => 1.0,
        (Some("kW"), false) | (Some("kWh"), true) => 1000.0,
        (Some(unit), counts) => {
            let what = format!("the unit \"{}\" does not suit {}", shown(unit), channel.name);
            let hint = if counts { "it counts: write Wh or kWh" } else { "it is a power: write W or kW" };
            return Err((what, hint));
        }
    };
    let value = number * factor;
    let most = match of {
        Unit::Wh { .. } | Unit::KWh { .. } => MAX_COUNTER_KWH * 1000.0,
        _ => MAX_POWER_W,
    };
    let fits = value.abs() <= most && !(of.is_counter() && value < 0.0);
    if !fits {
        let unit = unit.map(|unit| format!(" {unit}")).unwrap_or_default();
        return Err((format!("{number}{unit} is no value of a panel"), "check the unit"));
    }
    Ok((value * 10.0).round() as i64)
}

#[cfg(test)]
mod tests {
    use super::*;
    use crate::site::parse;
    use crate::units::Span;

    fn site() -> Site {
        let map = r#"
            site = "heron-lane"
            name = "Heron Lane farmhouse"
            time_zone = "America/Denver"
            [service]
            system = "split-phase 120/240"
            [[device]]
            id = "house"
            topic = "heron-lane/{channel}"
            unit = "W"
            every_s = 1
            channels = ["m1", "m2"]
            [[device]]
            id = "count"
            topic = "heron-lane/count/{channel}"
            unit = "kWh"
            every_s = 10
            channels = ["pump"]
            [[feed]]
            bus = "main"
            channels = [ { channel = "house/m1", leg = "A" }, { channel = "house/m2", leg = "B" } ]
        "#;
        let parsed = parse("heron-lane.toml", map);
        parsed.site.unwrap_or_else(|| panic!("{:?}", parsed.findings))
    }

    fn rows(text: &str) -> Result<Vec<Row>, Fault> {
        let site = site();
        let zone = Zone::new(&site.time_zone).expect("a zone");
        let limits = Limits { site: &site, zone: &zone, now: zone.parse("2025-04-01").expect("a time") };
        let mut reader = csv::Reader::from_reader(text.as_bytes());
        let columns = Columns::find(reader.headers().expect("a header"))?;
        let mut rows = Vec::new();
        for record in reader.records() {
            let record = record.expect("a row");
            let line = record.position().expect("a position").line();
            rows.push(columns.row(&limits, line, &record)?);
        }
        Ok(rows)
    }

    #[test]
    fn what_is_written_is_read_back() {
        let site = site();
        let zone = Zone::new(&site.time_zone).expect("a zone");
        let csv = ReadingsCsv::new(&site, &zone);
        let noon = zone.parse("2025-03-09T12:00").expect("a time");
        let all = [
            (ChannelIndex(0), Sample { at: noon, value: 12_345 }),
            (ChannelIndex(1), Sample { at: noon + Span(3), value: -5 }),
            (ChannelIndex(2), Sample { at: noon, value: 98_765_432 }),
        ];
        let text = all.iter().fold(ReadingsCsv::header(), |text, (c, sample)| text + &csv.row(*c, *sample));
        assert_eq!(
            text.lines().nth(2),
            Some("2025-03-09T18:00:00.3Z,2025-03-09T12:00:00.3-06:00,house/m2,-0.5,W")
        );
        assert_eq!(rows(&text).expect("rows"), all.map(Some));
    }

    #[test]
    fn a_plain_table_in_any_order_and_units() {
        let noon = Zone::utc().parse("2025-03-09T18:00:00Z").expect("a time");
        let text = "note,value,Time,unit,channel\n,1.26,2025-03-09T12:00,kW,house/m1\nx,,2025-03-09T18:00:00Z,,house/m2\n,12.5,2025-03-09T18:00:00Z,kWh,count/pump\n";
        let expected = [
            Some((ChannelIndex(0), Sample { at: noon, value: 12_600 })),
            None,
            Some((ChannelIndex(2), Sample { at: noon, value: 125_000 })),
        ];
        assert_eq!(rows(text).expect("rows"), expected);
    }

    #[test]
    fn what_is_wrong_names_its_line() {
        let check = |text: &str, line: u64, expected: &str| {
            let fault = rows(text).expect_err(expected);
            assert_eq!(fault.line, line, "{fault}");
            assert!(fault.what.contains(expected) && !fault.hint.is_empty(), "{fault}");
        };
        check("when,channel,value\n", 1, "no column \"time\"");
        check("time,channel,value,TIME\n", 1, "\"time\" is there twice");
        check("time,channel,value\n2025-03-09T12:00:00Z,house/m1,1\nsoon,house/m1,1\n", 3, "`soon`");
        check("time,channel,value\n2025-03-09T12:00:00Z,house/9,1\n", 2, "no channel \"house/9\"");
        check("time,channel,value\n2025-03-09T12:00:00Z,house/m1,1 W\n", 2, "\"1 W\" is no number");
        check("time,channel,value\n2025-03-09T12:00:00Z,house/m1,NaN\n", 2, "no value of a panel");
        check("time,channel,value\n2025-03-09T12:00:00Z,house/m1,2e7\n", 2, "no value of a panel");
        check("time,channel,value\n2025-03-09T12:00:00Z,count/pump,-1\n", 2, "no value of a panel");
        check(
            "time,channel,value,unit\n2025-03-09T12:00:00Z,house/m1,1,kWh\n",
            2,
            "\"kWh\" does not suit house/m1",
        );
        check("time,channel,value\n2025-05-09T12:00:00Z,house/m1,1\n", 2, "in the future");
        check("time,channel,value\n1999-05-09T12:00:00Z,house/m1,1\n", 2, "before the year 2000");
    }
}
