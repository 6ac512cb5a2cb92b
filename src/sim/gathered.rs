//! What the audit would gather of a simulated site's readings, without a store.

use std::ops::Range;

use anyhow::Result;

use super::{Devices, Simulation};
use crate::audit::{Block, Evidence, aligned, grids_of};
use crate::reading::Sample;
use crate::site::Site;
use crate::units::{Span, Stamp};

/// Lives through `range` (whole hours are looked at) and gathers what the meters of `site` send in it.
///
/// # Errors
/// When the site cannot be simulated.
pub fn evidence(site: &Site, simulation: &mut Simulation, range: Range<Stamp>) -> Result<Evidence> {
    let grids = grids_of(site);
    let mut devices = Devices::new(site)?;
    let mut evidence = Evidence::new(site.channels.len());
    let mut samples: Vec<Vec<Sample>> = vec![Vec::new(); site.channels.len()];
    let mut at = range.start.floor(Span::HOUR);
    while at + Span::HOUR <= range.end {
        let chunk = at..at + Span::HOUR;
        // A mean covers the time since the reading before it.
        samples.iter_mut().for_each(|known| drop(known.drain(..known.len().saturating_sub(1))));
        while at < chunk.end {
            let second = simulation.second(at)?;
            devices.readings(second, |channel, sample| samples[channel.0 as usize].push(sample));
            at = at + Span::TICK;
        }
        let blocks: Vec<Block> = grids
            .iter()
            .map(|(period, on)| {
                let column = |channel: usize| {
                    let device = &site.devices[site.channels[channel].device];
                    aligned(device, &samples[channel], &chunk, *period)
                };
                let columns = (0..site.channels.len())
                    .map(|channel| if on.contains(&channel) { column(channel) } else { Vec::new() });
                Block { start: chunk.start, period: *period, columns: columns.collect() }
            })
            .collect();
        evidence.take(&blocks);
    }
    Ok(evidence)
}
