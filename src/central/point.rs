//! A figure over an interval as one line of line protocol.
//!
//! | measurement | tags | one point for |
//! | --- | --- | --- |
//! | `panelwright_site` | `figure`, `site` | grid, import, export, generation, consumption, … |
//! | `panelwright_circuit` | `circuit`, `site` | each measured circuit |
//! | `panelwright_bus` | `bus`, `figure`, `site` | what feeds a bus, and what of it is untracked |
//!
//! Fields: `wh` (energy of the interval), `covered_s` (how much of the interval is known) and
//! `mean_w` (`wh` over `covered_s`). The time is where the interval starts. Nothing in a key changes when
//! a label, an end use or a breaker changes, so that a circuit stays one series and a corrected
//! point lands on the one that it corrects.

use influxdb_line_protocol::LineProtocolBuilder;

use crate::history::Amount;
use crate::site::{FigureKey, Leg, Site};
use crate::units::{CENTIJOULES_PER_WH, Span, Stamp};

/// Appends the point of one figure. A figure that has no place in a central store (live only)
/// appends nothing.
pub(super) fn write(
    body: &mut Vec<u8>,
    site: &Site,
    tags: &[(String, String)],
    key: FigureKey,
    start: Stamp,
    amount: Amount,
) {
    let Some((measurement, own)) = name(site, key) else { return };
    line(body, site, tags, (measurement, own), start, amount, mean_watts(amount));
}

/// Appends the point that takes one back: nothing of the figure of that name
/// ([`crate::site::figure_name`]) is known in this interval, since the map was corrected. A server cannot
/// be told to forget a point by this interface, but to replace it: no energy, over no time.
pub(super) fn take_back(
    body: &mut Vec<u8>,
    site: &Site,
    tags: &[(String, String)],
    figure: &str,
    start: Stamp,
) {
    let Some(named) = of_name(figure) else { return };
    line(body, site, tags, named, start, Amount::default(), Some(0.0));
}

fn line(
    body: &mut Vec<u8>,
    site: &Site,
    tags: &[(String, String)],
    (measurement, own): (&str, OwnTags<'_>),
    start: Stamp,
    amount: Amount,
    mean: Option<f64>,
) {
    let mut all: Vec<(&str, &str)> = tags.iter().map(|(key, value)| (&**key, &**value)).collect();
    all.extend(own.iter().flatten());
    all.push(("site", &site.id));
    // Sorted as the server sorts them, which spares it the work.
    all.sort_unstable();
    let mut line = LineProtocolBuilder::new_with(body).measurement(measurement);
    for (key, value) in all {
        line = line.tag(key, value);
    }
    // Integers over a constant: never NaN, never infinite. A server may store what it cannot
    // read as 0, so nothing that a float cannot hold is ever written.
    let line = line.field("wh", watt_hours(amount.energy)).field("covered_s", amount.covered.as_seconds());
    let line = match mean {
        Some(mean) => line.field("mean_w", mean),
        None => line,
    };
    line.timestamp(start.seconds()).close_line();
}

/// To 1 µWh: the stored integers are 0.01 J = 2.8 µWh apart, so that the sum of a year's points is
/// the year's energy. (The API's mWh would be off by up to 20 Wh a month for a load that never changes.)
fn watt_hours(energy: i128) -> f64 {
    divided(energy, i128::from(CENTIJOULES_PER_WH)) as f64 / 1e6
}

/// Over the time that is known, to 1 mW; `None` where energy is known and no time is.
fn mean_watts(amount: Amount) -> Option<f64> {
    // 0.1 W × 0.1 s × 10⁻⁶ over 0.1 s is 10⁻⁷ W; 10⁴ of them are 1 mW.
    let mw = |span: Span| divided(amount.energy, i128::from(span.0) * 10_000) as f64 / 1e3;
    (amount.covered > Span::ZERO).then(|| mw(amount.covered))
}

/// Rounded to the nearest, halves away from 0; `by` is above 0.
fn divided(number: i128, by: i128) -> i128 {
    let half = if number < 0 { -by / 2 } else { by / 2 };
    (number + half) / by
}

/// The most lines that an interval of the site can have.
pub(super) fn most_lines(site: &Site) -> usize {
    SITE_FIGURES + site.circuits.len() + 2 * site.buses.len()
}

/// The figures of the site as a whole, the legs included.
const SITE_FIGURES: usize = 12;

type OwnTags<'a> = [Option<(&'static str, &'a str)>; 2];

/// Measurement and tags of a figure.
fn name(site: &Site, key: FigureKey) -> Option<(&'static str, OwnTags<'_>)> {
    let total = |figure| Some(("panelwright_site", [Some(("figure", figure)), None]));
    let bus = |index: usize, figure| {
        let id = &*site.buses.get(index)?.id;
        Some(("panelwright_bus", [Some(("bus", id)), Some(("figure", figure))]))
    };
    match key {
        FigureKey::Grid => total("grid"),
        FigureKey::Import => total("import"),
        FigureKey::Export => total("export"),
        FigureKey::Generation => total("generation"),
        FigureKey::Consumption => total("consumption"),
        FigureKey::Tracked => total("tracked"),
        FigureKey::Untracked => total("untracked"),
        FigureKey::SelfConsumed => total("self-consumed"),
        FigureKey::Storage => total("storage"),
        FigureKey::Surplus => None,
        FigureKey::Circuit(index) => {
            let id = &*site.circuits.get(index)?.id;
            Some(("panelwright_circuit", [Some(("circuit", id)), None]))
        }
        FigureKey::BusFeed(index) => bus(index, "feed"),
        FigureKey::BusUntracked(index) => bus(index, "untracked"),
        FigureKey::MainsLeg(Leg::A) => total("leg-a"),
        FigureKey::MainsLeg(Leg::B) => total("leg-b"),
        FigureKey::MainsLeg(Leg::C) => total("leg-c"),
    }
}

/// Measurement and tags of a figure by its name.
fn of_name(figure: &str) -> Option<(&'static str, OwnTags<'_>)> {
    let (kind, of) = figure.split_once('/')?;
    match kind {
        "site" => Some(("panelwright_site", [Some(("figure", of)), None])),
        "circuit" => Some(("panelwright_circuit", [Some(("circuit", of)), None])),
        "bus" => {
            let (bus, figure) = of.split_once('/')?;
            Some(("panelwright_bus", [Some(("bus", bus)), Some(("figure", figure))]))
        }
        _ => None,
    }
}

/// Tags that the user cannot set: they are part of every point's key, or belong to the server.
const RESERVED: [&str; 8] = ["bus", "circuit", "figure", "site", "time", "_measurement", "_field", "_time"];

/// Why a tag of the user's own cannot be written, if so.
///
/// Line protocol has no way to carry a line end or, in every server's reading, a backslash at the
/// end of a value; an empty value is an error to some servers and no tag to others.
pub(super) fn unfit(key: &str, value: &str) -> Option<&'static str> {
    if RESERVED.contains(&key) || key.starts_with('_') {
        return Some("the name is taken; choose another");
    }
    if key.is_empty() || value.is_empty() {
        return Some("neither the name nor the value can be empty; leave the tag out instead");
    }
    // Both go into every line; the batch is bounded, so they are too.
    if key.len() > 64 || value.len() > 256 {
        return Some("the name can have 64 bytes and the value 256; shorten it");
    }
    let bad = |c: char| c.is_control() || c == '\\';
    (key.contains(bad) || value.contains(bad)).then_some(
        "line ends, control characters and backslashes cannot be carried to every server; leave them out",
    )
}

#[cfg(test)]
mod tests;
