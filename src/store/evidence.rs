//! Aligned samples for the audit, made of the kept readings hour by hour.

use std::ops::Range;

use crate::audit::{Block, CountedDay, CounterTally, Evidence, aligned, grids_of};
use crate::flow::compare;
use crate::site::{ChannelIndex, Site};
use crate::units::{Span, Stamp};

use super::{Result, Source};

/// What is aligned at a time: one hour of all channels, so that memory does not grow with the range (with 21
/// channels of a reading a second 0.3 MB).
const CHUNK: Span = Span::HOUR;

impl Source {
    /// Gathers what the readings of `range` tell of the map of `site`.
    ///
    /// # Errors
    /// When the file cannot be read, or a block in it.
    pub fn evidence(&mut self, site: &Site, range: Range<Stamp>) -> Result<Evidence> {
        let mut evidence = Evidence::new(site.channels.len());
        let grids = grids_of(site);
        let Some(kept) = self.extent()? else { return Ok(evidence) };
        let mut start = range.start.max(kept.start).floor(CHUNK);
        let end = range.end.min(kept.end);
        while start < end {
            let chunk = start..start + CHUNK;
            let mut blocks: Vec<Block> = grids
                .iter()
                .map(|(period, _)| Block {
                    columns: vec![Vec::new(); site.channels.len()],
                    ..Block::unknown(start, *period, 0, 0)
                })
                .collect();
            let mut known = false;
            for channel in 0..site.channels.len() {
                let device = &site.devices[site.channels[channel].device];
                let reach = device.max_gap;
                let samples =
                    self.readings(ChannelIndex(channel as u32), chunk.start - reach..chunk.end + reach)?;
                known |= !samples.is_empty();
                for ((period, on), block) in grids.iter().zip(&mut blocks) {
                    if on.contains(&channel) {
                        block.columns[channel] = aligned(device, &samples, &chunk, *period);
                    }
                }
            }
            if known {
                evidence.take(&blocks);
            }
            start = chunk.end;
        }
        for (power, counter) in site.beside() {
            evidence.counters.push(self.tally(
                site,
                (power, counter),
                &(range.start.max(kept.start)..end),
            )?);
        }
        Ok(evidence)
    }

    /// Holds a CT's counter against its power, a UTC day at a time.
    fn tally(
        &mut self,
        site: &Site,
        (power, counter): (ChannelIndex, ChannelIndex),
        range: &Range<Stamp>,
    ) -> Result<CounterTally> {
        let device = |channel: ChannelIndex| &site.devices[site.channels[channel.0 as usize].device];
        let (power_of, counter_of) = (device(power), device(counter));
        let (power_at, counter_at) = (power.0 as usize, counter.0 as usize);
        let exports = site.exported().contains(&(power, counter));
        let mut tally =
            CounterTally { power: power_at, counter: counter_at, exports, ..CounterTally::default() };
        let mut day = range.start.floor(Span::DAY);
        let mut before = None;
        while day < range.end {
            let end = day + Span::DAY;
            // The last stretch of the day ends with the first count of the next.
            let counts = self.readings(counter, day..end + Span::HOUR)?;
            let reach = power_of.max_gap.max(power_of.every);
            let powers = match counts.is_empty() {
                true => Vec::new(),
                false => self.readings(power, day - reach..end + Span::HOUR + reach)?,
            };
            for pair in counts.windows(2) {
                tally.step = common_step(tally.step, (pair[1].value - pair[0].value).abs());
            }
            let mut seen = CountedDay::default();
            let compared = compare((power_of, &powers), (counter_of, &counts), exports);
            for found in compared.iter().filter(|found| found.range.start < end) {
                seen.hours += 1;
                seen.disbelieved += u32::from(!found.believed);
                seen.runs += u32::from(before != Some(found.range.start));
                seen.counter += found.counter;
                seen.power += found.power;
                before = Some(found.range.end);
            }
            if seen.hours > 0 {
                tally.days.push(seen);
            }
            day = end;
        }
        Ok(tally)
    }
}

/// The greatest step of which both are multiples.
fn common_step(one: i64, other: i64) -> i64 {
    if other == 0 { one } else { common_step(other, one % other) }
}
