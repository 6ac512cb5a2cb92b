//! A site's readings, tick by tick, into the rows of closed minutes and into live figures.
//!
//! A tick is closed once the settle time is over and every channel that is not stale has come past
//! it; so the order in which readings arrive within that time makes no difference. A reading that
//! comes later is kept all the same: [`SiteFlow::take_late`] names the minutes to recount from the
//! kept readings, with [`super::account()`], which is this same code.

use std::ops::Range;
use std::sync::Arc;

use super::channel::{Coverage, Pushed, Readings, Tick};
use super::counted::{Counted, is_count};
use super::evaluate::{evaluate, part_of};
use super::late::Late;
use super::row::{ClosedMinute, Row};
use super::split::split;
use super::{Flows, SETTLE};
use crate::reading::Sample;
use crate::site::{ChannelIndex, Part, Plan, SeriesIndex, Site, SplitRule};
use crate::units::{Energy, ONE, Span, Stamp, Watts};

/// What became of a reading.
#[derive(Clone, Copy, Debug, PartialEq, Eq)]
pub enum Taken {
    /// It will be accounted in order.
    InOrder,
    /// Its ticks are closed already; the minutes are recounted.
    Late,
    /// The same reading was there before.
    Again,
}

/// The open ticks of a site.
#[derive(Clone, Debug)]
pub struct SiteFlow {
    site: Arc<Site>,
    readings: Vec<Readings>,
    /// Where the open ticks begin; unknown until the first reading.
    accounted: Option<Stamp>,
    /// The minute that is being filled, one row a series.
    minute: Stamp,
    rows: Vec<Row>,
    ticks: Vec<Tick>,
    /// CTs whose energy a counter says, by split.
    counted: Vec<Option<Counted>>,
    /// Stretches between two counts that are counted again once all of them is accounted.
    between_counts: Vec<Range<Stamp>>,
    late: Late,
}

impl SiteFlow {
    /// An empty flow. With `start`, everything before it counts as closed.
    pub fn new(site: Arc<Site>, start: Option<Stamp>) -> Self {
        let readings = site
            .channels
            .iter()
            .map(|channel| Readings::new(Coverage::of(&site.devices[channel.device])))
            .collect();
        let mut flow = Self {
            rows: vec![Row::empty(Stamp::MIN); site.series_len()],
            ticks: vec![Tick::default(); site.series_len()],
            minute: Stamp::MIN,
            accounted: None,
            counted: Counted::of(&site),
            between_counts: Vec::new(),
            late: Late::default(),
            readings,
            site,
        };
        if let Some(start) = start {
            flow.begin(start.floor(Span::TICK));
        }
        flow
    }

    fn begin(&mut self, start: Stamp) {
        self.accounted = Some(start);
        self.open_minute(start.floor(Span::MINUTE));
    }

    fn open_minute(&mut self, start: Stamp) {
        self.minute = start;
        self.rows.fill(Row::empty(start));
    }

    /// The map that it runs under.
    pub fn site(&self) -> &Arc<Site> {
        &self.site
    }

    /// Where the open ticks begin.
    pub fn accounted(&self) -> Option<Stamp> {
        self.accounted
    }

    /// Event time of the newest reading of a channel.
    pub fn newest(&self, channel: ChannelIndex) -> Option<Stamp> {
        self.readings[channel.0 as usize].newest()
    }

    /// Takes a reading in.
    ///
    /// # Panics
    /// If the site has no such channel.
    pub fn push(&mut self, channel: ChannelIndex, sample: Sample) -> Taken {
        let readings = &mut self.readings[channel.0 as usize];
        let until = sample.at + readings.coverage.max_gap;
        let pushed = readings.push(sample, self.accounted);
        if pushed != Pushed::Again {
            self.take_count(channel.0 as usize, sample.at);
        }
        match pushed {
            Pushed::Ahead => Taken::InOrder,
            Pushed::Again => Taken::Again,
            Pushed::Behind(from) => {
                self.mark_late(from..until);
                Taken::Late
            }
        }
    }

    /// A count tells how much energy there was since the one before. Up to which moment the flow has come makes no
    /// difference: that stretch is counted again from the kept readings, as if it had come late.
    fn take_count(&mut self, channel: usize, at: Stamp) {
        if !self.counted.iter().flatten().any(|counted| counted.counts(channel)) {
            return;
        }
        let before = self.readings[channel].earlier(at);
        let Some(before) = before.filter(|before| is_count(Some(*before), at)) else { return };
        let stretch = before.floor(Span::HOUR)..at;
        if !self.between_counts.contains(&stretch) {
            self.between_counts.push(stretch);
        }
    }

    fn mark_late(&mut self, range: Range<Stamp>) {
        let Some(accounted) = self.accounted else { return };
        self.late.mark(&(range.start..range.end.min(accounted)));
    }

    /// Ranges of closed minutes that have to be recounted, oldest first. Asked now and then: all
    /// late readings of a minute meanwhile make one recount.
    pub fn take_late(&mut self) -> Vec<Range<Stamp>> {
        let (late, minute) = (&mut self.late, self.minute);
        self.between_counts.retain(|stretch| {
            let over = stretch.end.floor(Span::MINUTE) <= minute;
            if over {
                late.mark(&(stretch.start..stretch.end.floor(Span::MINUTE)));
            }
            !over
        });
        self.late.take(self.minute)
    }

    /// Closes every tick that can be closed at `now`; minutes that this completes go to `closed`.
    pub fn advance(&mut self, now: Stamp, closed: &mut Vec<ClosedMinute>) {
        let settled = now - SETTLE;
        let mut until = settled.floor(Span::TICK);
        for (readings, channel) in self.readings.iter().zip(&self.site.channels) {
            if self.site.devices[channel.device].is_imported() {
                // Its readings are counted when they are imported; nothing live waits for them.
                continue;
            }
            let Some(newest) = readings.newest() else { continue };
            if now - newest <= readings.coverage.stale_after {
                // Up to a reading that has settled, not to the newest: one that is still under way
                // may yet take over a part of what the newest would cover.
                let covered = readings.newest_until(settled).unwrap_or(Stamp::MIN);
                until = until.min(covered.floor(Span::TICK));
            }
        }
        if self.accounted.is_none() {
            let Some(first) = self.readings.iter().filter_map(Readings::next_from).min() else { return };
            self.begin(first.floor(Span::TICK));
        }
        self.close(until, closed);
    }

    /// Closes all ticks before `until`, a whole second, whatever is missing.
    pub(super) fn close(&mut self, until: Stamp, closed: &mut Vec<ClosedMinute>) {
        let Some(mut tick) = self.accounted else { return };
        let site = Arc::clone(&self.site);
        let mut epoch = site.epoch(tick);
        while tick < until {
            // Nothing anywhere until then: silence of days is passed over at once.
            let next = self.readings.iter().filter_map(Readings::next_from).min().unwrap_or(until);
            let next = next.floor(Span::TICK).min(until);
            if next > tick {
                tick = next;
                self.turn_minute(tick, closed);
                continue;
            }
            if !epoch.span.contains(&tick) {
                epoch = site.epoch(tick);
            }
            self.close_tick(tick, &epoch.plan);
            tick = tick + Span::TICK;
            self.turn_minute(tick, closed);
        }
        self.accounted = Some(tick);
    }

    /// Takes in readings that are in order and ahead of everything: no search, no late marks.
    pub(super) fn preload(&mut self, channel: ChannelIndex, samples: &[Sample]) {
        self.readings[channel.0 as usize].extend(samples);
    }

    /// Closes exactly the ticks of `[start, end)`, both whole minutes, from what was preloaded.
    pub(super) fn close_between(&mut self, start: Stamp, end: Stamp, closed: &mut Vec<ClosedMinute>) {
        for counted in self.counted.iter_mut().flatten() {
            counted.prepare(&self.readings, &(start..end));
        }
        for readings in &mut self.readings {
            readings.begin(start);
        }
        self.begin(start);
        self.close(end, closed);
    }

    fn close_tick(&mut self, tick: Stamp, plan: &Plan) {
        let channels = self.readings.len();
        let end = tick + Span::TICK;
        for (readings, slot) in self.readings.iter_mut().zip(&mut self.ticks) {
            *slot = readings.tick(tick, end);
        }
        self.ticks[channels..].fill(Tick::default());
        // A plan names counted CTs before the splits that add them up.
        for (index, rule) in &plan.splits {
            self.ticks[channels + index] = match (rule, &mut self.counted[*index]) {
                (SplitRule::Counted { power, export, .. }, Some(counted)) => {
                    counted.tick(tick, &self.ticks[power.0 as usize], export.is_some())
                }
                _ => split(rule, &self.ticks, Span::TICK.0),
            };
        }
        for (row, tick) in self.rows.iter_mut().zip(&self.ticks) {
            row.energy_in += Energy(tick.energy_in);
            row.energy_out += Energy(tick.energy_out);
            if tick.covered > 0 {
                row.covered = Span(row.covered.0 + tick.covered);
                row.min = row.min.min(tick.min);
                row.max = row.max.max(tick.max);
            }
        }
    }

    fn turn_minute(&mut self, tick: Stamp, closed: &mut Vec<ClosedMinute>) {
        let minute = tick.floor(Span::MINUTE);
        if minute == self.minute {
            return;
        }
        let rows: Vec<_> = self
            .rows
            .iter()
            .enumerate()
            .filter(|(_, row)| !row.is_empty())
            .map(|(index, row)| (SeriesIndex(index as u32), *row))
            .collect();
        if !rows.is_empty() {
            closed.push(ClosedMinute { start: self.minute, rows });
        }
        self.open_minute(minute);
    }

    /// The channels whose value is not known any more, or never was.
    pub fn silent(&self, now: Stamp) -> Vec<ChannelIndex> {
        let silent = self
            .readings
            .iter()
            .enumerate()
            .filter(|(index, readings)| readings.live(now).is_none() && !self.is_imported(*index));
        silent.map(|(index, _)| ChannelIndex(index as u32)).collect()
    }

    fn is_imported(&self, channel: usize) -> bool {
        self.site.devices[self.site.channels[channel].device].is_imported()
    }

    /// The live figures: the last known values, each until it is stale.
    pub fn live(&self, now: Stamp) -> Flows {
        let channels = self.readings.len();
        let values: Vec<Option<i64>> = self.readings.iter().map(|readings| readings.live(now)).collect();
        let unknown = (0..channels)
            .filter(|index| values[*index].is_none())
            .map(|index| ChannelIndex(index as u32))
            .collect();
        let plan = &self.site.epoch(now).plan;
        // A counted CT is live with its power.
        let net = |series: SeriesIndex, _: Part| match (series.0 as usize).checked_sub(channels) {
            None => values[series.0 as usize],
            Some(split) => values[self.counted.get(split)?.as_ref()?.power],
        };
        let mut splits: Vec<Option<i128>> = vec![None; self.site.splits.len()];
        for (index, rule) in &plan.splits {
            splits[*index] = match rule {
                SplitRule::Counted { power, .. } => {
                    values[power.0 as usize].map(|value| i128::from(value) * i128::from(ONE))
                }
                SplitRule::Signed(terms) => evaluate(terms, net),
                SplitRule::SelfConsumed { grid, pv } => evaluate(grid, net).and_then(|grid| {
                    let pv: Option<Vec<i128>> = pv.iter().map(|terms| evaluate(terms, net)).collect();
                    let generation: i128 = pv?.into_iter().map(|p| (-p).max(0)).sum();
                    Some((generation - (-grid).max(0)).max(0))
                }),
            };
        }
        // A split is known in millionths, a channel in units: figures of splits take units too, to
        // the nearest 0.1 W.
        let value = |series: SeriesIndex, part: Part| {
            let index = series.0 as usize;
            let net = if index < channels {
                values[index]?
            } else {
                super::evaluate::rounded(splits[index - channels]?)
            };
            Some(part_of(net, part))
        };
        let figures = plan
            .figures
            .iter()
            .map(|figure| {
                let watts = evaluate(&figure.terms, value).map(|sum| Watts(sum as f64 / ONE as f64 / 10.0));
                (figure.key, watts)
            })
            .collect();
        Flows { at: now.floor(Span::TICK), figures, unknown }
    }

    /// The last known value of a channel in 0.1 W, until it is stale.
    pub fn live_value(&self, channel: ChannelIndex, now: Stamp) -> Option<i64> {
        self.readings.get(channel.0 as usize)?.live(now)
    }

    /// Goes on under a corrected map: channels are carried over by name, and what the open minute
    /// has so far stays with every series whose rule is the same; others begin anew, which shows as
    /// coverage until the minute is recounted.
    pub fn replace(&mut self, site: Arc<Site>) {
        let mut next = Self::new(Arc::clone(&site), self.accounted);
        next.minute = self.minute;
        next.rows.fill(Row::empty(self.minute));
        next.late = std::mem::take(&mut self.late);
        next.between_counts = std::mem::take(&mut self.between_counts);
        for (index, channel) in site.channels.iter().enumerate() {
            let Some(old) = self.site.channel(&channel.name) else { continue };
            let coverage = next.readings[index].coverage;
            next.readings[index] = self.readings[old.0 as usize].clone();
            next.readings[index].coverage = coverage;
            next.rows[index] = self.rows[old.0 as usize];
        }
        let moment = self.accounted.unwrap_or(self.minute);
        let mut changed = false;
        for (index, name) in site.splits.iter().enumerate() {
            let old = self.site.splits.iter().position(|other| other == name);
            match old {
                Some(old) if same_rule(&self.site, old, &site, index, moment) => {
                    next.rows[site.channels.len() + index] = self.rows[self.site.channels.len() + old];
                }
                _ => changed = true,
            }
        }
        if changed && self.accounted.is_some() {
            next.late.mark(&(self.minute..self.minute + Span::MINUTE));
        }
        *self = next;
    }
}

/// Whether a split follows from the same channels by the same factors under both maps.
fn same_rule(old: &Site, old_split: usize, new: &Site, new_split: usize, at: Stamp) -> bool {
    let named = |site: &Site, split: usize| {
        let rule = site.epoch(at).plan.splits.iter().find(|(index, _)| *index == split)?.1.clone();
        let name = |terms: Vec<crate::site::Term>| -> Vec<(String, i64)> {
            terms.iter().map(|term| (site.series_name(term.series), term.millionths)).collect()
        };
        let channel = |channel: ChannelIndex| (site.channels[channel.0 as usize].name.clone(), 1);
        Some(match rule {
            SplitRule::Counted { power, counter, export } => {
                vec![[Some(power), Some(counter), export].into_iter().flatten().map(channel).collect()]
            }
            SplitRule::Signed(terms) => vec![name(terms)],
            SplitRule::SelfConsumed { grid, pv } => {
                std::iter::once(grid).chain(pv).map(name).collect::<Vec<_>>()
            }
        })
    };
    named(old, old_split) == named(new, new_split)
}
