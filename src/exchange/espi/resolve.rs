//! From entries to series: which block belongs to which meter reading, and how its values count.

use std::collections::{BTreeMap, HashMap};

use super::{Flow, Reading, Series, UOM_W, UOM_WH};
use crate::exchange::fault::{Fault, Faults};
use crate::units::Stamp;

/// One entry of the feed.
#[derive(Debug, Default)]
pub(super) struct Entry {
    pub line: u64,
    pub title: String,
    /// Its own address, that of what it is part of, and those that go with it.
    pub own: String,
    pub up: String,
    pub related: Vec<String>,
    pub kind: Kind,
}

/// What an entry holds.
#[derive(Debug, Default, PartialEq)]
pub(super) enum Kind {
    #[default]
    Other,
    MeterReading,
    ReadingType(ReadingType),
    Block(Block),
}

#[derive(Clone, Debug, Default, PartialEq)]
pub(super) struct ReadingType {
    pub accumulation: Option<i64>,
    pub flow: Option<i64>,
    pub multiplier: Option<i64>,
    pub uom: Option<i64>,
}

#[derive(Debug, Default, PartialEq)]
pub(super) struct Block {
    pub readings: Vec<RawReading>,
}

#[derive(Clone, Debug, Default, PartialEq)]
pub(super) struct RawReading {
    pub line: u64,
    pub start: Option<i64>,
    pub seconds: Option<i64>,
    pub value: Option<i64>,
    pub quality: Option<i64>,
    /// A fault of it was reported already.
    pub spoilt: bool,
}

/// `value` Wh times 10^`multiplier`, in mWh to the nearest; `None` where that is beyond any meter.
pub(super) fn scaled(value: i64, multiplier: i64) -> Option<i64> {
    let value = i128::from(value);
    let power = u32::try_from((multiplier + 3).unsigned_abs()).ok().filter(|power| *power <= 18)?;
    let factor = 10_i128.pow(power);
    let mwh = if multiplier >= -3 {
        value.checked_mul(factor)?
    } else {
        (value + factor / 2 * value.signum()) / factor
    };
    // A terawatt-hour: no meter of a home has it, and sums of millions of them still fit.
    i64::try_from(mwh).ok().filter(|mwh| mwh.abs() <= 1_000_000_000_000_000)
}

/// Ties the entries together.
pub(super) fn resolve(entries: Vec<Entry>, faults: &mut Faults) -> Vec<Series> {
    let meters: Vec<&Entry> = entries.iter().filter(|entry| entry.kind == Kind::MeterReading).collect();
    let types: Vec<(&Entry, &ReadingType)> = entries
        .iter()
        .filter_map(|entry| match &entry.kind {
            Kind::ReadingType(of) => Some((entry, of)),
            _ => None,
        })
        .collect();
    // The meter reading of an address: it names its blocks and its type as related.
    let mut by_link: HashMap<&str, usize> = HashMap::new();
    for (index, meter) in meters.iter().enumerate() {
        for link in meter.related.iter().map(String::as_str).chain([meter.own.as_str()]) {
            if !link.is_empty() {
                by_link.entry(link).or_insert(index);
            }
        }
    }
    let meter_of = |entry: &Entry| {
        let found = by_link.get(entry.own.as_str()).or_else(|| by_link.get(entry.up.as_str()));
        // A block's way up is the list of blocks under its meter reading.
        let list = entry.up.strip_suffix("/IntervalBlock").and_then(|meter| by_link.get(meter));
        found.or(list).copied().or((meters.len() == 1).then_some(0))
    };
    let type_of = |meter: Option<usize>| {
        let named = meter.and_then(|meter| {
            types
                .iter()
                .find(|(entry, _)| !entry.own.is_empty() && meters[meter].related.contains(&entry.own))
        });
        named.or(if types.len() == 1 { types.first() } else { None })
    };
    let mut raw: BTreeMap<Option<usize>, (usize, Vec<&RawReading>)> = BTreeMap::new();
    for entry in &entries {
        let Kind::Block(block) = &entry.kind else { continue };
        let meter = meter_of(entry);
        if meter.is_none() && meters.len() > 1 {
            let what = "the block belongs to none of the meter readings";
            faults.add(Fault::new(entry.line, what, "its link `up` must name one of them"));
            continue;
        }
        let place = raw.entry(meter).or_default();
        place.0 += 1;
        place.1.extend(&block.readings);
    }
    let mut all = Vec::new();
    for (meter, (blocks, readings)) in raw {
        let line = readings.first().map_or(1, |reading| reading.line);
        let Some((entry, of)) = type_of(meter) else {
            faults.add(Fault::new(line, "no ReadingType says what the values are", "get the whole feed"));
            continue;
        };
        let title = meter.map(|meter| &meters[meter].title).filter(|title| !title.is_empty());
        let title = title.unwrap_or(&entry.title).clone();
        match flow(of) {
            Err((what, hint)) => faults.add(Fault::new(entry.line, what, hint)),
            Ok(flow) => {
                let readings = ordered(of, &readings, faults);
                all.push(Series { title, flow, readings, blocks });
            }
        }
    }
    all
}

/// Which way a type counts; or why it is no energy by interval.
fn flow(of: &ReadingType) -> Result<Flow, (String, &'static str)> {
    if !matches!(of.uom, Some(UOM_WH | UOM_W)) {
        let uom = of.uom.map_or("missing".to_owned(), |uom| uom.to_string());
        return Err((format!("the uom is {uom}"), "72 (Wh) and 38 (W) can be read: ask for electric energy"));
    }
    // 0 is "none": files leave it so that hold the energy of each interval all the same.
    if !matches!(of.accumulation.unwrap_or(0), 0 | 4) {
        let what = format!("accumulationBehaviour is {}", of.accumulation.unwrap_or(0));
        return Err((what, "only 4 (the energy of each interval) can be read: ask for interval data"));
    }
    match of.flow.unwrap_or(0) {
        0 | 1 => Ok(Flow::Forward),
        19 => Ok(Flow::Reverse),
        4 => Ok(Flow::Net),
        other => {
            Err((format!("flowDirection is {other}"), "1 (forward), 19 (reverse) and 4 (net) can be read"))
        }
    }
}

/// The readings by time, without doubles; faults where one is no reading or overlaps another.
fn ordered(of: &ReadingType, raw: &[&RawReading], faults: &mut Faults) -> Vec<Reading> {
    let mut readings: Vec<Reading> = Vec::with_capacity(raw.len());
    for one in raw.iter().filter(|one| !one.spoilt) {
        match reading(of, one) {
            Ok(reading) => readings.push(reading),
            Err((what, hint)) => faults.add(Fault::new(one.line, what, hint)),
        }
    }
    readings.sort_by_key(|reading| (reading.start, reading.line));
    let mut kept: Vec<Reading> = Vec::with_capacity(readings.len());
    for reading in readings {
        match kept.last() {
            Some(last)
                if (last.start, last.seconds, last.mwh) == (reading.start, reading.seconds, reading.mwh) => {}
            Some(last) if reading.start < last.end() => {
                let what = format!("the interval overlaps the one in line {}", last.line);
                faults.add(Fault::new(reading.line, what, "leave one of the two out"));
            }
            _ => kept.push(reading),
        }
    }
    kept
}

fn reading(of: &ReadingType, raw: &RawReading) -> Result<Reading, (String, &'static str)> {
    let missing = |name: &str| (format!("the reading has no <{name}>"), "see what the utility sends");
    let start = raw.start.ok_or_else(|| missing("start"))?;
    let seconds = raw.seconds.ok_or_else(|| missing("duration"))?;
    let value = raw.value.ok_or_else(|| missing("value"))?;
    // The years 2000 to 2199, and at most a month.
    if !(946_684_800..7_258_118_400).contains(&start) {
        return Err((
            format!("the start {start} is in no year from 2000 to 2199"),
            "it is in seconds since 1970",
        ));
    }
    if !(1..=31 * 86_400).contains(&seconds) {
        return Err((format!("the duration is {seconds} s"), "an interval lasts 1 s to 31 days"));
    }
    let far = || (format!("the value {value} is beyond any meter"), "check powerOfTenMultiplier");
    let mut mwh = scaled(value, of.multiplier.unwrap_or(0)).ok_or_else(far)?;
    if of.uom == Some(UOM_W) {
        // The mean power of the interval.
        mwh = i64::try_from(i128::from(mwh) * i128::from(seconds) / 3600).map_err(|_| far())?;
    }
    let estimated = matches!(raw.quality, Some(8..=10 | 12));
    Ok(Reading { start: Stamp::from_seconds(start), seconds, mwh, estimated, line: raw.line })
}
