//! What is worth a CT: circuits and the untracked load by their share of the whole.
//!
//! Shares come from days: a day counts for a circuit if the circuit and the whole are known for the
//! same time in it, to 1 % of the day, so that a CT which came in May has the share of the days since
//! May, and a dead one is not called small. Run time, cycles and peaks come from minutes.

use std::collections::BTreeMap;
use std::ops::Range;

use super::day_runs::{is_other, key_of};
use super::runs::Counter;
use super::{Amount, DayRules, Level, MISSING, Runs, Source, Summary, energy_of, places, series_of, tallies};
use crate::calendar::{Interval, Zone};
use crate::site::{EndUse, FigureKey, Role, Site};
use crate::units::{Span, Stamp};

/// How much of the range run times are counted over, from its end: a year, with all its seasons.
/// Minutes are 15 times as many as quarter-hours, so this bounds the time that a ranking takes.
pub const MINUTES_OVER: Span = Span(366 * Span::DAY.0);

/// Days whose figures are held at a time.
const DAYS_AT_ONCE: usize = 366;

/// Whose place it is.
#[derive(Clone, Copy, Debug, PartialEq, Eq, PartialOrd, Ord)]
pub enum Rank {
    /// A measured load circuit (index into [`Site::circuits`]).
    Circuit(usize),
    /// What flows into no measured circuit.
    Untracked,
}

/// One place of the ranking.
#[derive(Clone, Debug, PartialEq)]
pub struct Ranked {
    /// Whose.
    pub of: Rank,
    /// Its energy over the range.
    pub energy: Amount,
    /// The share of the range in which it is known, 0 to 1.
    pub coverage: f64,
    /// Its share of the whole, 0 to 1 (untracked may be below 0), over the days that count.
    pub share: Option<f64>,
    /// How many days that are.
    pub days: u32,
    /// What its minutes say.
    pub runs: Runs,
}

/// An end use.
#[derive(Clone, Debug, PartialEq)]
pub struct EndUseShare {
    /// Which.
    pub end_use: EndUse,
    /// The energy of its circuits.
    pub energy: Amount,
    /// The shares of its circuits added up; `None` where one has none.
    pub share: Option<f64>,
    /// Its circuits.
    pub circuits: Vec<usize>,
}

/// The whole answer.
#[derive(Clone, Debug)]
pub struct Ranking {
    /// Whole local days.
    pub range: Range<Stamp>,
    /// The part of it that run times, cycles and peaks are of.
    pub minutes: Range<Stamp>,
    /// What shares are of: consumption, or what is tracked where the map has no mains.
    pub whole: FigureKey,
    /// Its energy over the range.
    pub energy: Amount,
    /// The share of the range in which that is known.
    pub coverage: f64,
    /// The largest share first; those without a share last, by energy.
    pub places: Vec<Ranked>,
    /// Likewise.
    pub end_uses: Vec<EndUseShare>,
    /// Load circuits of the map that no CT measures today.
    pub unmeasured: Vec<usize>,
}

/// Ranks the loads over `days`, which are whole local days one after the other, at least one.
///
/// # Errors
/// What the source fails with.
pub fn rank<S: Source>(
    site: &Site,
    zone: &Zone,
    source: &mut S,
    days: &[Interval],
) -> Result<Ranking, S::Error> {
    rank_of(site, zone, source, days, None)
}

/// The same with the minutes of one place counted alone: the [`Ranked::runs`] of the others are empty.
///
/// # Errors
/// What the source fails with.
pub fn rank_of<S: Source>(
    site: &Site,
    zone: &Zone,
    source: &mut S,
    days: &[Interval],
    alone: Option<Rank>,
) -> Result<Ranking, S::Error> {
    let range = days[0].start..days[days.len() - 1].end;
    let defined = |key| site.epochs.iter().any(|epoch| epoch.plan.figures.iter().any(|f| f.key == key));
    let whole = match defined(FigureKey::Consumption) {
        true => FigureKey::Consumption,
        false => FigureKey::Tracked,
    };
    let mut sums = Sums::new(site, whole);
    let figures = sums.figures();
    for some in days.chunks(DAYS_AT_ONCE) {
        for day in energy_of(site, zone, source, some, Some(&figures))? {
            sums.add(site, &day);
        }
    }
    let minutes = range.start.max(range.end - MINUTES_OVER)..range.end;
    // In the order of `places`, as they are counted.
    let counted: Vec<Rank> =
        places(site).into_iter().filter(|of| alone.is_none_or(|alone| alone == *of)).collect();
    let runs = count(site, zone, source, minutes.clone(), &counted)?;
    let runs: BTreeMap<Rank, Runs> = counted.into_iter().zip(runs).collect();
    let length = range.end - range.start;
    let ranked = sums.places.iter().map(|(of, sum)| Ranked {
        of: *of,
        energy: sum.energy,
        coverage: sum.energy.coverage(length),
        share: sum.share(),
        days: sum.days,
        runs: runs.get(of).copied().unwrap_or_default(),
    });
    let mut places: Vec<Ranked> = ranked.collect();
    places.sort_by(|one, other| larger((one.share, one.energy), (other.share, other.energy)));
    let end_uses = end_uses(site, &places, &sums);
    let measured = |index: &usize| {
        let entry = site.circuits[*index].latest();
        entry.role == Role::Load && entry.terms.is_empty() && entry.span.contains(&(range.end - Span(1)))
    };
    Ok(Ranking {
        minutes,
        whole,
        energy: sums.whole,
        coverage: sums.whole.coverage(length),
        places,
        end_uses,
        unmeasured: (0..site.circuits.len()).filter(measured).collect(),
        range,
    })
}

fn larger(one: (Option<f64>, Amount), other: (Option<f64>, Amount)) -> std::cmp::Ordering {
    let share = |share: Option<f64>| share.unwrap_or(f64::NEG_INFINITY);
    share(other.0).total_cmp(&share(one.0)).then(other.1.energy.cmp(&one.1.energy))
}

/// A figure, and the whole beside it on the days that count.
#[derive(Clone, Copy, Debug, Default)]
struct Sum {
    energy: Amount,
    beside: (i128, i128),
    days: u32,
}

impl Sum {
    fn share(&self) -> Option<f64> {
        (self.days > 0 && self.beside.1 > 0).then(|| self.beside.0 as f64 / self.beside.1 as f64)
    }
}

struct Sums {
    key: FigureKey,
    whole: Amount,
    places: BTreeMap<Rank, Sum>,
    /// The energy of each circuit by the end use that it had.
    by_use: BTreeMap<(EndUse, usize), Amount>,
}

impl Sums {
    fn new(site: &Site, key: FigureKey) -> Self {
        let places = places(site).into_iter().map(|place| (place, Sum::default())).collect();
        Self { key, whole: Amount::default(), places, by_use: BTreeMap::new() }
    }

    /// What is looked up of a day.
    fn figures(&self) -> Vec<FigureKey> {
        self.places.keys().map(|place| key_of(*place)).chain([self.key]).collect()
    }

    fn add(&mut self, site: &Site, day: &Summary) {
        let whole = day.get(self.key).unwrap_or_default();
        self.whole += whole;
        let length = day.interval.span();
        for (of, sum) in &mut self.places {
            if is_other(site, *of, day.interval.start) {
                continue;
            }
            let Some(amount) = day.get(key_of(*of)) else { continue };
            sum.energy += amount;
            if let Rank::Circuit(index) = of {
                let circuit = &site.circuits[*index];
                let entry = circuit.entry(day.interval.start).unwrap_or_else(|| circuit.latest());
                *self.by_use.entry((entry.end_use, *index)).or_default() += amount;
            }
            let apart = (amount.covered.0 - whole.covered.0).abs() as f64;
            if amount.covered > Span::ZERO && apart <= MISSING * length.0 as f64 {
                sum.beside.0 += amount.energy;
                sum.beside.1 += whole.energy;
                sum.days += 1;
            }
        }
    }
}

/// End uses, the largest first. A circuit's share counts to the end use that it has today.
fn end_uses(site: &Site, places: &[Ranked], sums: &Sums) -> Vec<EndUseShare> {
    let mut found: BTreeMap<EndUse, EndUseShare> = BTreeMap::new();
    for ((end_use, index), amount) in &sums.by_use {
        let place = found.entry(*end_use).or_insert_with(|| EndUseShare {
            end_use: *end_use,
            energy: Amount::default(),
            share: Some(0.0),
            circuits: Vec::new(),
        });
        place.energy += *amount;
        place.circuits.push(*index);
        // One that was something else before has a share of neither.
        let whole = sums.places[&Rank::Circuit(*index)].energy.energy == amount.energy;
        let ranked = places.iter().find(|place| place.of == Rank::Circuit(*index));
        let share = ranked.and_then(|ranked| ranked.share).filter(|_| whole);
        place.share = place.share.zip(share).map(|(sum, share)| sum + share);
    }
    let mut found: Vec<EndUseShare> = found.into_values().collect();
    debug_assert!(found.iter().flat_map(|use_| &use_.circuits).all(|index| *index < site.circuits.len()));
    found.sort_by(|one, other| larger((one.share, one.energy), (other.share, other.energy)));
    found
}

/// Counts the minutes of some places, in the order of [`places`], over a range, a local day at a time: out of what
/// the source has kept of the day, or of its minutes.
fn count<S: Source>(
    site: &Site,
    zone: &Zone,
    source: &mut S,
    range: Range<Stamp>,
    of: &[Rank],
) -> Result<Vec<Runs>, S::Error> {
    let (all, rules) = (places(site), DayRules::of(site));
    let wanted: Vec<usize> = (0..all.len()).filter(|at| of.contains(&all[*at])).collect();
    let series = series_of(site, of);
    let mut counters = vec![Counter::new(); of.len()];
    // Nothing can be told of the days before the first reading.
    let begins = source.begins()?.map_or(range.start, |begins| begins.clamp(range.start, range.end));
    let mut start = zone.day_range(zone.day_of(begins)).start.max(range.start);
    while start < range.end {
        let day_from = |start: Stamp| start..zone.day_range(zone.day_of(start)).end.min(range.end);
        let mut end = start;
        source.day_runs(start..range.end, &wanted, &mut |kept| {
            let day = day_from(end);
            let sound = kept.day == day && kept.rule == rules.of_day(&day);
            if sound {
                counters.iter_mut().zip(&kept.tallies).for_each(|(counter, tally)| counter.absorb(tally));
                end = day.end;
            }
            sound
        })?;
        if end == start {
            let day = day_from(start);
            end = day.end;
            let rows = source.rows_of(Level::Minute, day.clone(), &series)?;
            let tallies = tallies(site, &day, &rows, of);
            counters.iter_mut().zip(&tallies).for_each(|(counter, tally)| counter.absorb(tally));
        }
        start = end;
    }
    Ok(counters.iter().map(Counter::finish).collect())
}
