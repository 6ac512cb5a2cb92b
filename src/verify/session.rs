//! A load step under way: readings come in, and what to do next comes out.
//!
//! It follows the time of the readings, not the clock's: whatever delays them, a switching is seen
//! when the readings around it are there. Nobody has to wait for being asked: the load may simply be
//! switched, and is seen all the same.

use std::sync::Arc;

use super::changes::{Change, Changes, observe};
use super::judge::judge;
use super::progress::{Moved, Progress, Step, Switching};
use super::verdict::{Kind, Verdict};
use super::{ENOUGH, SURE, window};
use crate::audit::{Block, BusClaims, Response, aligned, claims};
use crate::reading::Sample;
use crate::site::{CircuitEntry, Role, Site};
use crate::units::{Span, Stamp, TENTHS};

/// A counter is read in steps of 0.1 Wh: over 10 s they are 36 W and no more.
const COUNTER_GRID: Span = Span::from_seconds(10);
/// The least time that a load is left on or off, however fast its meter is: people are slower, and
/// motors and heaters need some seconds to settle.
const HOLD_AT_LEAST: Span = Span::from_seconds(10);
/// The least time before a session ends by itself: the way to a load and back, some times over.
const LASTS_AT_LEAST: Span = Span::from_seconds(900);
/// Readings that one session keeps, about 16 MB: forty channels a second fill it in seven hours.
const MOST_READINGS: usize = 1_000_000;

/// How a session came to its end.
#[derive(Clone, Copy, Debug, PartialEq, Eq)]
pub enum End {
    /// There is a verdict.
    Settled,
    /// Somebody ended it.
    Stopped,
    /// Its time was over.
    TimedOut,
    /// The map was read again, and what was seen belongs to the former one.
    MapChanged,
    /// More readings came than are kept.
    TooMany,
}

impl End {
    /// Its name in answers.
    pub fn as_str(self) -> &'static str {
        match self {
            Self::Settled => "settled",
            Self::Stopped => "stopped",
            Self::TimedOut => "timed-out",
            Self::MapChanged => "map-changed",
            Self::TooMany => "too-many-readings",
        }
    }
}

/// The load step of one circuit.
#[derive(Clone, Debug)]
pub struct Session {
    site: Arc<Site>,
    circuit: usize,
    started: Stamp,
    grid: Span,
    claims: Option<BusClaims>,
    /// By channel of the site, by time.
    readings: Vec<Vec<Sample>>,
    kept: usize,
}

impl Session {
    /// Begins with a circuit (an index into [`Site::circuits`]) at `now`; `None` where the map has no
    /// entry of it at that moment.
    pub fn begin(site: Arc<Site>, circuit: usize, now: Stamp) -> Option<Self> {
        let entry = site.circuits.get(circuit)?.entry(now)?;
        let claims = feed_of(&site, claims(&site, now), entry.bus);
        let grid = grid(&site, entry, claims.as_ref());
        let readings = vec![Vec::new(); site.channels.len()];
        Some(Self { circuit, started: now, grid, claims, readings, kept: 0, site })
    }

    /// The map that it follows.
    pub fn site(&self) -> &Arc<Site> {
        &self.site
    }

    /// The circuit: an index into [`Site::circuits`].
    pub fn circuit(&self) -> usize {
        self.circuit
    }

    /// When it began.
    pub fn started(&self) -> Stamp {
        self.started
    }

    /// When it ends by itself at the latest.
    pub fn ends(&self) -> Stamp {
        self.started + LASTS_AT_LEAST.max(Span(4 * SURE as i64 * self.hold().0))
    }

    /// How long the load has to stay on, and off, so that it is seen.
    pub fn hold(&self) -> Span {
        let window = window(self.grid.as_seconds());
        HOLD_AT_LEAST.max(Span(self.grid.0 * (window.width + window.gap + 1) as i64))
    }

    /// Takes a reading of a channel (an index into [`Site::channels`]); one from before the session is
    /// left out.
    pub fn take(&mut self, channel: usize, sample: Sample) {
        let Some(readings) = self.readings.get_mut(channel).filter(|_| sample.at >= self.started) else {
            return;
        };
        if self.kept >= MOST_READINGS {
            return;
        }
        let place = readings.partition_point(|other| other.at < sample.at);
        match readings.get_mut(place) {
            Some(other) if other.at == sample.at => *other = sample,
            _ => {
                readings.insert(place, sample);
                self.kept += 1;
            }
        }
    }

    /// What was seen so far, what to do now, and whether that is the end of it at the moment `now`.
    pub fn look(&self, now: Stamp) -> (Progress, Option<End>) {
        let entry = self.entry();
        let own: Vec<usize> = entry.cts.iter().map(|ct| ct.channel.0 as usize).collect();
        let block = self.block(&own);
        let responses = self.claims.as_ref().map_or(&[][..], |claims| &claims.responses);
        let changes = observe(&block, responses, &own, self.hold());
        let verdict = judge(&self.site, self.circuit, entry, self.claims.as_ref(), &changes);
        let wanted = wanted(verdict.kind);
        let until = block.at(block.len());
        // "On" is what makes the feed rise; a source that goes on makes it fall.
        let source = entry.role == Role::Pv;
        let switchings: Vec<Switching> = changes
            .switchings
            .iter()
            .map(|(at, on)| Switching { at: block.at(at + 1), on: *on != source })
            .collect();
        let step = self.step(&block, &switchings, until, (&verdict, wanted));
        let end = if step == Step::Done {
            Some(End::Settled)
        } else if self.kept >= MOST_READINGS {
            Some(End::TooMany)
        } else {
            (now >= self.ends() || now < self.started).then_some(End::TimedOut)
        };
        let moved = self.moved(&own, responses, &changes);
        let silent = self.silent(&own, now);
        (Progress { step, wanted, hold: self.hold(), switchings, moved, silent, verdict }, end)
    }

    /// The map's entry; there is one, or the session would not have begun.
    fn entry(&self) -> &CircuitEntry {
        let circuit = &self.site.circuits[self.circuit];
        circuit.entry(self.started).unwrap_or_else(|| circuit.latest())
    }

    /// Channels whose time the grid follows: the circuit's own, and the feed's.
    fn main_channels(&self, own: &[usize]) -> Vec<usize> {
        let responses = self.claims.iter().flat_map(|claims| &claims.responses);
        let feed = responses.flat_map(|response| response.terms.iter().map(|(channel, _)| *channel));
        own.iter().copied().chain(feed).collect()
    }

    /// The readings on one grid, as far as all that matters has come.
    fn block(&self, own: &[usize]) -> Block {
        let main = self.main_channels(own);
        let newest = |channel: &usize| self.readings[*channel].last().map(|sample| sample.at);
        let latest = (0..self.readings.len()).filter_map(|channel| newest(&channel)).max();
        // What has been silent for long is not waited for.
        let alive = main.iter().filter_map(|channel| {
            let device = &self.site.devices[self.site.channels[*channel].device];
            newest(channel).filter(|at| latest.is_some_and(|latest| latest - *at <= device.stale_after))
        });
        let until = alive.min().or(latest).unwrap_or(self.started);
        // A meter of means says at a reading what was before it: cells end where its readings do.
        let phase = main.iter().find_map(|channel| {
            let device = &self.site.devices[self.site.channels[*channel].device];
            self.readings[*channel].first().filter(|_| device.every == self.grid).map(|sample| sample.at)
        });
        let start = phase.map_or(self.started, |at| {
            at - Span((at - self.started).0.div_euclid(self.grid.0) * self.grid.0)
        });
        let cells = ((until - start).0 / self.grid.0).max(0);
        let range = start..start + Span(cells * self.grid.0);
        let columns = self.readings.iter().enumerate().map(|(channel, readings)| {
            let device = &self.site.devices[self.site.channels[channel].device];
            if readings.is_empty() { Vec::new() } else { aligned(device, readings, &range, self.grid) }
        });
        Block { start, period: self.grid, columns: columns.collect() }
    }

    fn step(
        &self,
        block: &Block,
        switchings: &[Switching],
        until: Stamp,
        (verdict, wanted): (&Verdict, usize),
    ) -> Step {
        let Some(last) = switchings.last() else {
            // A change is measured from what was before it.
            let needed = window(self.grid.as_seconds()).width + 1;
            let known = block.columns.iter().map(Vec::len).max().unwrap_or(0);
            return match needed.checked_sub(known) {
                Some(missing) if missing > 0 => Step::Gather { left: Span(self.grid.0 * missing as i64) },
                _ => Step::Switch { on: true },
            };
        };
        let left = last.at + self.hold() - until;
        if left > Span::ZERO {
            return Step::Hold { on: last.on, left };
        }
        if switchings.len() >= wanted && verdict.kind.is_settled() {
            return Step::Done;
        }
        Step::Switch { on: !last.on }
    }

    fn moved(&self, own: &[usize], responses: &[Response], changes: &Changes) -> Vec<Moved> {
        let load = changes.largest_w();
        let known = |change: Option<Change>| change.filter(|change| change.seen > 0);
        let of_channel = |channel: usize, own: bool| Moved {
            name: self.site.channels[channel].name.clone(),
            channel: Some(channel),
            own,
            change: known(changes.channels.get(channel).copied().flatten()),
            now_w: self.newest_w(channel),
        };
        let mut all: Vec<Moved> = own.iter().map(|channel| of_channel(*channel, true)).collect();
        for (response, change) in responses.iter().zip(&changes.legs) {
            let name = response.leg.map_or("feed".to_owned(), |leg| format!("leg {leg}"));
            let terms = response.terms.iter();
            let now_w = terms.map(|(channel, factor)| Some(self.newest_w(*channel)? * factor)).sum();
            all.push(Moved { name, channel: None, own: false, change: known(*change), now_w });
        }
        let feed: Vec<usize> = self.main_channels(&[]);
        let others = (0..self.readings.len()).filter(|other| !own.contains(other) && !feed.contains(other));
        let others = others.map(|channel| of_channel(channel, false));
        all.extend(others.filter(|moved| moved.change.is_some_and(|change| change.is_clear(load))));
        all
    }

    /// Channels that matter and have said nothing for too long.
    fn silent(&self, own: &[usize], now: Stamp) -> Vec<String> {
        let mut names: Vec<String> = Vec::new();
        for channel in self.main_channels(own) {
            let at = &self.site.channels[channel];
            let since = self.readings[channel].last().map_or(self.started, |sample| sample.at);
            if now - since > self.site.devices[at.device].stale_after && !names.contains(&at.name) {
                names.push(at.name.clone());
            }
        }
        names
    }

    /// Newest reading of a channel, in W as the meter sent it; a counter has none.
    fn newest_w(&self, channel: usize) -> Option<f64> {
        let device = &self.site.devices[self.site.channels.get(channel)?.device];
        let sample = self.readings[channel].last().filter(|_| !device.unit.is_counter())?;
        Some(sample.value as f64 / TENTHS as f64)
    }
}

/// Switchings until that verdict counts. One that could come of another load that was switched along
/// twice wants more.
fn wanted(kind: Kind) -> usize {
    match kind {
        Kind::SeveralCts | Kind::Fraction | Kind::TooMuch | Kind::DoubledUnbalanced | Kind::NoCtMoved => SURE,
        _ => ENOUGH,
    }
}

/// The claims of the nearest bus with a feed, from `bus` upwards.
pub(super) fn feed_of(site: &Site, mut all: Vec<BusClaims>, bus: usize) -> Option<BusClaims> {
    let mut at = Some(bus);
    while let Some(bus) = at {
        if let Some(place) = all.iter().position(|claims| claims.bus == bus) {
            return Some(all.swap_remove(place));
        }
        at = site.buses[bus].parent;
    }
    None
}

/// The coarsest period of what has to be compared.
fn grid(site: &Site, entry: &CircuitEntry, claims: Option<&BusClaims>) -> Span {
    let feed = claims.iter().flat_map(|claims| &claims.responses).flat_map(|response| &response.terms);
    let channels = entry.cts.iter().map(|ct| ct.channel.0 as usize).chain(feed.map(|(channel, _)| *channel));
    let periods = channels.map(|channel| {
        let device = &site.devices[site.channels[channel].device];
        let at_least = if device.unit.is_counter() { COUNTER_GRID } else { Span::TICK };
        device.every.max(at_least)
    });
    periods.max().unwrap_or(Span::TICK)
}
