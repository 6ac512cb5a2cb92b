//! Gathers the evidence of a stretch, block by block, in bounded memory.
//!
//! What is kept does not depend on the map's circuits, only on its channels: so one and the same evidence
//! can be held against a mended map.

use super::block::Block;
use super::counters::CounterTally;
use super::stats::Stats;
use super::steps::{Window, noise, steps};
use crate::units::{Span, Stamp};

/// Moments of change that are kept for each grid. A busy house of 40 circuits has some thousands a day; with
/// 64 channels they take 1 MiB.
const MAX_EVENTS: usize = 4096;
/// Steps that one channel may put in for each block: a load that chatters must not crowd out the others.
const MAX_STEPS: usize = 24;
/// Levels that are kept: a week of minutes fits. Beyond, neighbours are merged.
const MAX_LEVELS: usize = 10_240;
/// The grid of levels where devices are fast.
const LEVEL: Span = Span::MINUTE;
/// A step has to be this many times the noise.
const OVER_NOISE: f32 = 6.0;
/// The smallest step, in W: below it the loads without a CT drown it.
const FLOOR_W: f32 = 12.0;

/// Moments at which some channel changed, and by how much every channel changed then.
#[derive(Clone, Debug, Default)]
pub struct Changes {
    /// Length of a sample, in s.
    pub period_s: f64,
    /// When.
    pub at: Vec<Stamp>,
    /// Row after row, a change for each channel of the site in W; NaN where it is not known or the channel
    /// is not on this grid.
    pub rows: Vec<f32>,
    /// By channel: a change above this is one of the channel's own.
    pub floor_w: Vec<f32>,
    stride: usize,
    offered: u64,
}

/// Mean powers of every channel on a coarse grid.
#[derive(Clone, Debug)]
pub struct Levels {
    /// Length of an interval.
    pub period: Span,
    /// Start of each.
    pub at: Vec<Stamp>,
    /// Row after row, W by channel; NaN where it is not known.
    pub rows: Vec<f32>,
}

/// Everything that is known of a stretch.
#[derive(Clone, Debug)]
pub struct Evidence {
    /// How many channels the site has.
    pub channels: usize,
    /// One for each period of the site's devices, fine to coarse.
    pub changes: Vec<Changes>,
    /// Levels.
    pub levels: Levels,
    /// By channel.
    pub stats: Vec<Stats>,
    /// CTs that have power and a counter.
    pub counters: Vec<CounterTally>,
    /// From the first sample to the end of the last.
    pub span: Option<std::ops::Range<Stamp>>,
}

impl Evidence {
    /// None yet, of a site with so many channels.
    pub fn new(channels: usize) -> Self {
        Self {
            channels,
            changes: Vec::new(),
            levels: Levels { period: LEVEL, at: Vec::new(), rows: Vec::new() },
            stats: vec![Stats::default(); channels],
            counters: Vec::new(),
            span: None,
        }
    }

    /// Takes in blocks of one stretch of time, one for each grid, fine to coarse. A channel belongs into the
    /// finest block that its period allows, and into all coarser ones. Stretches come in order.
    pub fn take(&mut self, grids: &[Block]) {
        for (grid, block) in grids.iter().enumerate() {
            let (start, end) = (block.at(0), block.at(block.len()));
            let known = self.span.clone().unwrap_or(start..end);
            self.span = Some(known.start.min(start)..known.end.max(end));
            while self.changes.len() <= grid {
                self.changes.push(Changes::default());
            }
            self.changes[grid].take(block, self.channels);
            for (channel, column) in block.columns.iter().enumerate() {
                // Only on its own grid: a coarser one has its means.
                let finer = grids[..grid]
                    .iter()
                    .any(|block| block.columns.get(channel).is_some_and(|c| !c.is_empty()));
                if !column.is_empty() && !finer {
                    self.stats[channel].take(column, block.period);
                }
            }
        }
        if let Some(block) = grids.last() {
            self.levels.take(block, self.channels);
        }
    }
}

impl Changes {
    fn take(&mut self, block: &Block, channels: usize) {
        self.period_s = block.period.as_seconds();
        self.stride = self.stride.max(1);
        self.floor_w.resize(channels, 0.0);
        let window = Window::for_period(self.period_s);
        let mut moments: Vec<(usize, f32)> = Vec::new();
        for (channel, column) in block.columns.iter().enumerate() {
            let floor = FLOOR_W.max(OVER_NOISE * noise(column) / (window.width as f32).sqrt());
            // The noisiest block decides: a change that was one there is one everywhere.
            self.floor_w[channel] = self.floor_w[channel].max(floor.min(120.0));
            let mut found = steps(column, window, floor);
            if found.len() > MAX_STEPS {
                // The largest, and among them every other one would be as good.
                found.sort_by(|a, b| b.watts.abs().total_cmp(&a.watts.abs()));
                found.truncate(MAX_STEPS);
            }
            moments.extend(found.iter().map(|step| (step.at, step.watts.abs())));
        }
        moments.sort_by_key(|moment| moment.0);
        moments.dedup_by_key(|moment| moment.0);
        for (at, _) in moments {
            self.offered += 1;
            if self.offered.is_multiple_of(self.stride as u64) {
                self.push(block, window, at, channels);
            }
        }
    }

    fn push(&mut self, block: &Block, window: Window, at: usize, channels: usize) {
        if self.at.len() >= MAX_EVENTS {
            // Every other one goes, and of those to come too: what is left stays spread over the stretch.
            let mut keep = 0;
            for row in (0..self.at.len()).step_by(2) {
                self.at[keep] = self.at[row];
                self.rows.copy_within(row * channels..(row + 1) * channels, keep * channels);
                keep += 1;
            }
            self.at.truncate(keep);
            self.rows.truncate(keep * channels);
            self.stride *= 2;
        }
        self.at.push(block.at(at));
        for channel in 0..channels {
            let column = block.columns.get(channel).map_or(&[][..], Vec::as_slice);
            self.rows.push(window.change(column, at));
        }
    }
}

impl Levels {
    fn take(&mut self, block: &Block, channels: usize) {
        let times = (self.period.0 / block.period.0.max(1)).max(1);
        self.period = self.period.max(Span(block.period.0 * times));
        let coarse = block.coarser(times as usize);
        for index in 0..coarse.len() {
            if self.at.len() >= MAX_LEVELS {
                self.merge(channels);
                // What is left of this block is on the old grid; a few rows a week are not missed.
                return;
            }
            self.at.push(coarse.at(index));
            for channel in 0..channels {
                let column = coarse.columns.get(channel);
                self.rows.push(column.and_then(|column| column.get(index)).copied().unwrap_or(f32::NAN));
            }
        }
    }

    /// Twice as coarse.
    fn merge(&mut self, channels: usize) {
        let mut keep = 0;
        for row in (0..self.at.len().saturating_sub(1)).step_by(2) {
            self.at[keep] = self.at[row];
            for channel in 0..channels {
                let pair = [self.rows[row * channels + channel], self.rows[(row + 1) * channels + channel]];
                self.rows[keep * channels + channel] = f32::midpoint(pair[0], pair[1]);
            }
            keep += 1;
        }
        self.at.truncate(keep);
        self.rows.truncate(keep * channels);
        self.period = Span(self.period.0 * 2);
    }

    /// One channel's levels.
    pub fn column(&self, channel: usize, channels: usize) -> impl Iterator<Item = f32> + '_ {
        self.rows.iter().skip(channel).step_by(channels.max(1)).copied()
    }
}

/// The grids of a site: the periods of its devices, rounded up to whole seconds, each once, fine to coarse.
/// At most three: more different devices than that share the coarsest.
pub fn grids(periods: impl Iterator<Item = Span>) -> Vec<Span> {
    let second = Span::TICK.0;
    let mut grids: Vec<Span> =
        periods.map(|period| Span((period.0 + second - 1) / second * second)).collect();
    grids.sort_unstable();
    grids.dedup();
    while grids.len() > 3 {
        grids.remove(1);
    }
    grids
}
