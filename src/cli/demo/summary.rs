//! The closing summary: what the store holds against what the loads drew.

use std::ops::Range;
use std::sync::Arc;

use anyhow::{Context, Result};

use super::meters::Sent;
use super::screen::say;
use crate::calendar::{Interval, Zone};
use crate::flow::account;
use crate::history::{Memory, Summary, energy};
use crate::reading::SiteIndex;
use crate::sim::{Laid, Ledger, NOISE_PART};
use crate::site::{FigureKey, Role, Site};
use crate::store::{Options, Reader, Store};
use crate::units::{ONE, Span, Stamp};

/// Books close to this, in Wh: they are sums of integers, so nothing but a fault opens them.
const CLOSED_WH: f64 = 0.001;
/// How far a figure may be from the truth: a part of it, and a floor in W; what is caught here is a
/// factor that is wrong.
const OFF_PART: f64 = 0.01;
const OFF_W: f64 = 1.0;
/// And for the CTs' noise, which averages out with the root of the seconds: this part of all that the
/// house takes and generates, since untracked is a small difference of large figures. Five times the
/// noise of one reading, twice over for a doubled CT.
const NOISE_OFF_PART: f64 = 10.0 * NOISE_PART;
/// Meters this much behind the clock mean that the machine is too slow for `--speed`.
const BEHIND: Span = Span::from_seconds(30);

/// Prints the summary. True if the books close and the figures are the truth.
///
/// `site` is the map, `wired` how the house is wired: the truth is told by its circuits.
pub(super) fn closing(
    site: &Arc<Site>,
    wired: &Site,
    store: Options,
    sent: &Sent,
    laid: Option<&Laid>,
) -> Result<bool> {
    if sent.range.is_empty() {
        say("\nIt ran for less than a minute on a store that was used before: too short for a summary.");
        return Ok(true);
    }
    let summary = stored(site, store, sent.range.clone())?;
    let seconds = sent.truth.seconds;
    say(&format!("\n{seconds} s of {}, {} messages, {} readings:", site.name, sent.messages, sent.readings));
    table(site, wired, &summary, &sent.truth);

    let books = books(site, &summary);
    let closed = books.abs() <= CLOSED_WH;
    say(&format!("\nBooks (feed − circuits − untracked, worst busbar): {books:.6} Wh"));
    let (worst, off_w, agreed) = agreement(site, wired, &summary, &sent.truth);
    let word = if agreed { "agrees" } else { "DISAGREES" };
    say(&format!(
        "Against what the loads drew: {word}; the largest difference is {off_w:.2} W mean ({worst})."
    ));
    if sent.behind > BEHIND {
        say(&format!(
            "The meters were up to {:.0} simulated seconds behind: this machine is too slow for that --speed.",
            sent.behind.as_seconds()
        ));
    }
    if let Some(laid) = laid {
        say(&format!("History laid in before: {} readings over {} s.", laid.readings, laid.truth.seconds));
    }
    Ok(closed && agreed)
}

/// What the store holds of a range. Rows are minutes, and the one that was open when the daemon
/// stopped is none yet: its readings are in the journal, and the same code makes its row of them.
fn stored(site: &Arc<Site>, options: Options, range: Range<Stamp>) -> Result<Summary> {
    let zone = Zone::new(&site.time_zone)?;
    let (start, open) = (range.start.floor(Span::MINUTE), range.end.floor(Span::MINUTE));
    let whole = Interval { start, end: open };
    let last = Interval { start: open, end: open + Span::MINUTE };

    let mut readings = vec![Vec::new(); site.channels.len()];
    let sites = std::slice::from_ref(site);
    let directory = options.directory.clone();
    let kept = Store::open(options, sites, Box::new(drop))?;
    kept.replay(|reading| readings[reading.channel.0 as usize].push(reading.sample))?;
    kept.close();
    for samples in &mut readings {
        samples.sort();
        samples.dedup();
    }
    let mut memory = Memory::new(zone.clone());
    for minute in account(site, last.start..last.end, &readings) {
        for (series, row) in minute.rows {
            memory.add(series, row);
        }
    }
    let Ok(mut of_last) = energy(site, &zone, &mut memory, &[last]);
    let mut summary = of_last.pop().context("no summary of the last minute")?;
    if start < open {
        let mut source = Reader::offline(&directory, sites)?.source(SiteIndex(0));
        for (key, amount) in
            energy(site, &zone, &mut source, &[whole])?.into_iter().flat_map(|all| all.figures)
        {
            match summary.figures.iter_mut().find(|(other, _)| *other == key) {
                Some((_, sum)) => *sum += amount,
                None => summary.figures.push((key, amount)),
            }
        }
        summary.figures.sort_by_key(|(key, _)| *key);
    }
    summary.interval = Interval { start, end: last.end };
    Ok(summary)
}

fn wh(summary: &Summary, key: FigureKey) -> Option<f64> {
    summary.kwh(key).map(|kwh| kwh * 1000.0)
}

fn table(site: &Site, wired: &Site, summary: &Summary, truth: &Ledger) {
    say(&format!("\n{:34}{:>14}{:>14}", "Wh", "measured", "true"));
    let row = |name: &str, measured: Option<f64>, truth: f64| {
        let measured = measured.map_or_else(|| "unknown".to_owned(), |wh| format!("{wh:.2}"));
        say(&format!("{name:34}{measured:>14}{truth:>14.2}"));
    };
    for (name, key, kwh) in totals(truth) {
        row(name, wh(summary, key), kwh * 1000.0);
    }
    for (index, kwh) in circuits(site, wired, truth) {
        let entry = site.circuits[index].latest();
        if !entry.terms.is_empty() {
            row(&entry.label, wh(summary, FigureKey::Circuit(index)), kwh * 1000.0);
        }
    }
}

/// The truth of each circuit of the map, by its index there.
fn circuits(site: &Site, wired: &Site, truth: &Ledger) -> Vec<(usize, f64)> {
    let all = truth.circuits().into_iter().zip(&wired.circuits);
    all.filter_map(|(kwh, circuit)| Some((site.circuit_index(&circuit.id)?, kwh))).collect()
}

fn totals(truth: &Ledger) -> [(&'static str, FigureKey, f64); 5] {
    [
        ("Grid import", FigureKey::Import, truth.import()),
        ("Grid export", FigureKey::Export, truth.export()),
        ("Generation", FigureKey::Generation, truth.generation()),
        ("Consumption", FigureKey::Consumption, truth.consumption()),
        ("Untracked", FigureKey::Untracked, truth.untracked()),
    ]
}

/// What is left at the busbar where most is: its feed, less its measured circuits, less its
/// untracked, in Wh. An unknown figure is as bad as an open book.
fn books(site: &Site, summary: &Summary) -> f64 {
    let exact = |key| summary.get(key).map(|amount| amount.energy);
    let mut worst = 0.0;
    for bus in 0..site.buses.len() {
        let Some(untracked) = exact(FigureKey::BusUntracked(bus)) else { continue };
        let Some(feed) = exact(FigureKey::BusFeed(bus)) else { return f64::INFINITY };
        let mut left = feed - untracked;
        for (index, circuit) in site.circuits.iter().enumerate() {
            let entry = circuit.latest();
            if entry.bus != bus || entry.terms.is_empty() {
                continue;
            }
            match exact(FigureKey::Circuit(index)) {
                Some(energy) => left -= energy,
                None => return f64::INFINITY,
            }
        }
        let left_wh = left as f64 / ONE as f64 / crate::units::CENTIJOULES_PER_WH as f64;
        if left_wh.abs() > f64::abs(worst) {
            worst = left_wh;
        }
    }
    worst
}

/// The figure that is farthest from the truth for its size, by how much in W, and whether every
/// figure is near enough.
fn agreement(site: &Site, wired: &Site, summary: &Summary, truth: &Ledger) -> (String, f64, bool) {
    let hours = truth.seconds as f64 / 3600.0;
    let circuits = circuits(site, wired, truth).into_iter().filter_map(|(index, kwh)| {
        let entry = site.circuits[index].latest();
        let measured = !entry.terms.is_empty() && !matches!(entry.role, Role::Feeder(_));
        measured.then(|| (entry.label.clone(), FigureKey::Circuit(index), kwh))
    });
    let figures =
        totals(truth).into_iter().map(|(name, key, kwh)| (name.to_owned(), key, kwh)).chain(circuits);
    let through: f64 = totals(truth)
        .iter()
        .filter(|(_, key, _)| matches!(key, FigureKey::Consumption | FigureKey::Generation))
        .map(|(_, _, kwh)| kwh * 1000.0 / hours)
        .sum();
    let noise_w = NOISE_OFF_PART * through / (truth.seconds.max(1) as f64).sqrt();
    let (mut worst, mut worst_w, mut agreed) = (String::from("none"), 0.0, true);
    for (name, key, kwh) in figures {
        let true_w = kwh * 1000.0 / hours;
        let off_w = wh(summary, key).map_or(f64::INFINITY, |wh| (wh / hours - true_w).abs());
        if off_w > worst_w {
            (worst, worst_w) = (name, off_w);
        }
        agreed &= off_w <= OFF_PART * true_w.abs() + OFF_W + noise_w;
    }
    (worst, worst_w, agreed)
}
