//! The minute rows of a past stretch, from kept readings.

use std::ops::Range;
use std::sync::Arc;

use super::row::ClosedMinute;
use super::site_flow::SiteFlow;
use crate::reading::Sample;
use crate::site::{ChannelIndex, Site};
use crate::units::{Span, Stamp};

/// The rows of every minute in `range` (snapped outwards to whole minutes) that holds anything.
///
/// `readings[channel]` is in time order and free of duplicates; what channels did around the edges
/// follows from readings outside the range, so it should hold everything from the last reading
/// before `range.start − max_gap` to the first one after `range.end + max_gap`.
///
/// The same readings give the same rows, however they arrived: this is [`SiteFlow`] with all of
/// them at hand.
pub fn account(site: &Arc<Site>, range: Range<Stamp>, readings: &[Vec<Sample>]) -> Vec<ClosedMinute> {
    let start = range.start.floor(Span::MINUTE);
    let end = (range.end + Span::MINUTE - Span(1)).floor(Span::MINUTE);
    let mut flow = SiteFlow::new(Arc::clone(site), None);
    for (channel, samples) in readings.iter().enumerate() {
        flow.preload(ChannelIndex(channel as u32), samples);
    }
    let mut closed = Vec::new();
    flow.close_between(start, end, &mut closed);
    closed
}
