//! From a validated map to epochs and their plans.
//!
//! Each moment at which an entry starts or ends cuts time; between two cuts the books are one set of
//! linear forms ([`Books`]). A plan writes them down as sums over series. What is linear is a sum of
//! channels, so that a corrected map corrects all history; only what depends on a sign at each moment
//! (import and export, generation and standby, self-consumption) takes a split series. How the figures
//! are defined:
//!
//! - a circuit: its CTs; each factor holds scale, doubling, reversal and sign
//! - grid: the feed of the service point; import and export are its two sides
//! - generation: what PV circuits give; known to be 0 where there is no PV
//! - storage: what storage circuits take, less what they give
//! - consumption: grid + generation − storage
//! - tracked: all measured loads, with what PV circuits take themselves (an inverter at night)
//! - untracked: the residuals of all buses; consumption = tracked + untracked
//! - surplus: what leaves the site, and what the EV chargers take of it now
//!
//! A CT that has a counter beside its power is a series of its own, from the moment on from which it counts: what the
//! books say of the channel is said of that series.
//!
//! A figure whose definition lacks a CT (grid without mains, generation with an unmeasured array) is not
//! in the plan: unknown, never 0.

use std::ops::Range;

use super::books::{Books, sum};
use super::counters::Beside;
use super::findings::Findings;
use super::form::Form;
use super::model::{
    COUNTED, Epoch, FeedEntry, Figure, FigureKey, Part, Plan, SeriesIndex, Site, SplitRule, Term,
};
use super::rules;
use crate::units::Stamp;

/// A map with a change a month over twenty years stays below; each change is a plan of its own in memory.
const MAX_CHANGES: usize = 256;

/// Fills in the splits and epochs of a site.
pub(super) fn compile(site: &mut Site, counters: &[Beside], findings: &mut Findings) {
    let spans = spans(site, &site.feeds, counters);
    if spans.len() > MAX_CHANGES + 1 {
        let what = format!("the map has {} dates of change", spans.len() - 1);
        findings.add(&rules::TOO_MANY, 1, what, "give entries that changed together the same date");
        return;
    }
    let books: Vec<Books> = spans.iter().map(|span| Books::at(site, &site.feeds, span.start)).collect();
    let rules: Vec<Vec<(String, SplitRule)>> = books.iter().map(|books| splits(site, books)).collect();
    site.splits = split_names(site, &rules);
    let first_counted = site.splits.len();
    let counted_name = |beside: &Beside| format!("{COUNTED}{}", site.channels[beside.power.0 as usize].name);
    let counted: Vec<String> = counters.iter().map(counted_name).collect();
    site.splits.extend(counted);
    site.epochs = Vec::new();
    for ((span, books), rules) in spans.into_iter().zip(&books).zip(rules) {
        let index = |name: &str| site.splits.iter().position(|split| split == name);
        let indexed = rules.into_iter().filter_map(|(name, rule)| index(&name).map(|index| (index, rule)));
        let mut plan = Plan { splits: indexed.collect(), figures: figures(site, books) };
        let counting = counters.iter().enumerate().filter(|(_, beside)| beside.since <= span.start);
        let counting = counting.map(|(n, beside)| (first_counted + n, beside));
        count(&mut plan, counting, span.start, site.channels.len());
        match site.epochs.last_mut() {
            // A changed label changes no figure.
            Some(last) if last.plan.splits == plan.splits && last.plan.figures == plan.figures => {
                last.span.end = span.end;
            }
            _ => site.epochs.push(Epoch { span, plan }),
        }
    }
}

/// Puts counted CTs in the place of channels; `counters` with the index of their split.
fn count<'a>(
    plan: &mut Plan,
    counters: impl Iterator<Item = (usize, &'a Beside)>,
    at: Stamp,
    channels: usize,
) {
    let counters: Vec<(usize, &Beside)> = counters.collect();
    let swap = |terms: &mut Vec<Term>| {
        for term in terms.iter_mut() {
            let found = counters.iter().find(|(_, beside)| beside.power.0 == term.series.0);
            if let Some((split, _)) = found {
                term.series = SeriesIndex((channels + split) as u32);
            }
        }
        terms.sort_by_key(|term| term.series);
    };
    for (_, rule) in &mut plan.splits {
        match rule {
            SplitRule::Signed(terms) => swap(terms),
            SplitRule::SelfConsumed { grid, pv } => {
                swap(grid);
                pv.iter_mut().for_each(swap);
            }
            SplitRule::Counted { .. } => {}
        }
    }
    plan.figures.iter_mut().for_each(|figure| swap(&mut figure.terms));
    // Before the splits that add them up.
    let counted = counters.iter().map(|(split, beside)| {
        let Beside { power, counter, .. } = **beside;
        let export = beside.export.filter(|(_, since)| *since <= at).map(|(export, _)| export);
        (*split, SplitRule::Counted { power, counter, export })
    });
    plan.splits.splice(0..0, counted);
}

/// The stretches between two changes.
fn spans(site: &Site, feeds: &[FeedEntry], counters: &[Beside]) -> Vec<Range<Stamp>> {
    let entries = site.circuits.iter().flat_map(|circuit| &circuit.entries).map(|entry| &entry.span);
    let ends = entries.chain(feeds.iter().map(|feed| &feed.span)).flat_map(|span| [span.start, span.end]);
    let counting = |beside: &Beside| [Some(beside.since), beside.export.map(|(_, since)| since)];
    let ends = ends.chain(counters.iter().flat_map(counting).flatten());
    let mut cuts: Vec<Stamp> = ends.chain([Stamp::MIN, Stamp::MAX]).collect();
    cuts.sort_unstable();
    cuts.dedup();
    cuts.windows(2).map(|pair| pair[0]..pair[1]).collect()
}

const GRID: &str = "grid";
const SELF_CONSUMED: &str = "self-consumed";

fn pv_name(site: &Site, circuit: usize) -> String {
    format!("pv/{}", site.circuits[circuit].id)
}

fn storage_name(site: &Site, circuit: usize) -> String {
    format!("storage/{}", site.circuits[circuit].id)
}

/// The split series of one set of books, by name.
fn splits(site: &Site, books: &Books) -> Vec<(String, SplitRule)> {
    let mut splits = Vec::new();
    if let Some(grid) = &books.grid {
        splits.push((GRID.to_owned(), SplitRule::Signed(grid.terms())));
    }
    for (circuit, form) in &books.pv {
        splits.push((pv_name(site, *circuit), SplitRule::Signed(form.terms())));
    }
    for (circuit, form) in &books.storage {
        splits.push((storage_name(site, *circuit), SplitRule::Signed(form.terms())));
    }
    if let Some(grid) = &books.grid
        && books.pv_complete
        && !books.pv.is_empty()
    {
        let pv = books.pv.iter().map(|(_, form)| form.terms()).collect();
        splits.push((SELF_CONSUMED.to_owned(), SplitRule::SelfConsumed { grid: grid.terms(), pv }));
    }
    splits
}

/// The names of all splits: grid, PV by circuit, storage by circuit, self-consumed.
fn split_names(site: &Site, rules: &[Vec<(String, SplitRule)>]) -> Vec<String> {
    let circuits = 0..site.circuits.len();
    let order = std::iter::once(GRID.to_owned())
        .chain(circuits.clone().map(|circuit| pv_name(site, circuit)))
        .chain(circuits.map(|circuit| storage_name(site, circuit)))
        .chain(std::iter::once(SELF_CONSUMED.to_owned()));
    let used: std::collections::HashSet<&str> =
        rules.iter().flatten().map(|(name, _)| name.as_str()).collect();
    order.filter(|name| used.contains(name.as_str())).collect()
}

/// Every figure that the books define.
fn figures(site: &Site, books: &Books) -> Vec<Figure> {
    let mut figures = totals(site, books);
    let mut push = |key, form: &Form| figures.push(Figure { key, terms: form.terms() });
    for (circuit, form) in &books.circuits {
        push(FigureKey::Circuit(*circuit), form);
    }
    for (bus, form) in books.feeds.iter().enumerate() {
        if let Some(form) = form {
            push(FigureKey::BusFeed(bus), form);
        }
    }
    for (bus, form) in books.untracked.iter().enumerate() {
        if let Some(form) = form {
            push(FigureKey::BusUntracked(bus), form);
        }
    }
    for (leg, form) in &books.mains_legs {
        push(FigureKey::MainsLeg(*leg), form);
    }
    figures
}

/// The figures of the whole site.
fn totals(site: &Site, books: &Books) -> Vec<Figure> {
    let series = |name: &str| -> SeriesIndex {
        let split = site.splits.iter().position(|split| split == name);
        site.split_series(split.expect("a split that the books need has a name"))
    };
    let of_split = |name: &str, part: Part| Form::default().with(series(name), part);
    let pv_parts = |part: Part| {
        books
            .pv
            .iter()
            .fold(Form::default(), |form, (circuit, _)| form.with(series(&pv_name(site, *circuit)), part))
    };
    let generation = books.pv_complete.then(|| pv_parts(Part::Out));
    let storage = books.storage_complete.then(|| sum(books.storage.iter().map(|(_, form)| form)));
    let consumption = match (&books.grid, &generation, &storage) {
        (Some(grid), Some(generation), Some(storage)) => Some(grid.clone().plus(generation).minus(storage)),
        _ => None,
    };
    let self_consumed = match (&books.grid, books.pv_complete, books.pv.is_empty()) {
        // Where nothing is generated, nothing of it is consumed.
        (_, true, true) => Some(Form::default()),
        (Some(_), true, false) => Some(of_split(SELF_CONSUMED, Part::In)),
        _ => None,
    };
    let surplus = match (&books.grid, &books.ev) {
        (Some(grid), Some(ev)) => Some(ev.clone().minus(grid)),
        _ => None,
    };
    let has_grid = books.grid.is_some();
    let all = [
        (FigureKey::Grid, books.grid.clone()),
        (FigureKey::Import, has_grid.then(|| of_split(GRID, Part::In))),
        (FigureKey::Export, has_grid.then(|| of_split(GRID, Part::Out))),
        (FigureKey::Generation, generation),
        (FigureKey::Consumption, consumption),
        (FigureKey::Tracked, Some(books.loads.clone().plus(&pv_parts(Part::In)))),
        (FigureKey::Untracked, books.mains.then(|| sum(books.untracked.iter().flatten()))),
        (FigureKey::SelfConsumed, self_consumed),
        (FigureKey::Storage, storage),
        (FigureKey::Surplus, surplus),
    ];
    let defined = all.into_iter().filter_map(|(key, form)| form.map(|form| (key, form)));
    defined.map(|(key, form)| Figure { key, terms: form.terms() }).collect()
}
