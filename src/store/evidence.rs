//! Aligned samples for the audit, made of the kept readings hour by hour.

use std::ops::Range;

use crate::audit::{Block, Evidence, aligned, grids_of};
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
        Ok(evidence)
    }
}
