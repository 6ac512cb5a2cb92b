//! What the rows of a split series were made by: a fingerprint of its rule over a stretch of time.
//!
//! A sign split is not linear, so its stored rows hold only under the rule that made them. A row
//! whose fingerprint is not the one of the map in force counts as not there.

use std::ops::Range;

use crate::site::{SeriesIndex, Site, fingerprint};
use crate::units::Stamp;

/// The fingerprint of a split that a map does not have at that time: that of no text at all.
pub(super) const NOTHING: u64 = 0xcbf2_9ce4_8422_2325;

/// How one split series follows from the channels over time: [`fingerprint`] by [`fingerprint`].
#[derive(Clone, Debug)]
struct Rule {
    /// From when on, and the fingerprint; the first from the beginning of time.
    since: Vec<(Stamp, u64)>,
}

/// The rules of a site's splits, reckoned once a map.
#[derive(Clone, Debug)]
pub(super) struct Rules {
    channels: usize,
    splits: Vec<Rule>,
}

impl Rules {
    pub(super) fn of(site: &Site) -> Self {
        let rule = |split: usize| {
            let mut since: Vec<(Stamp, u64)> = Vec::new();
            for epoch in &site.epochs {
                let print = fingerprint(site, epoch, split);
                // An epoch that leaves this rule as it was makes no difference.
                if since.last().is_none_or(|(_, before)| *before != print) {
                    since.push((epoch.span.start, print));
                }
            }
            Rule { since }
        };
        Self { channels: site.channels.len(), splits: (0..site.splits.len()).map(rule).collect() }
    }

    /// Since when which fingerprint holds for a split (an index into [`Site::splits`]), by time.
    pub(super) fn steps(&self, split: usize) -> &[(Stamp, u64)] {
        &self.splits[split].since
    }

    /// Whether the map has the split at some time within `range`.
    pub(super) fn exists(&self, split: usize, range: &Range<Stamp>) -> bool {
        let since = &self.splits[split].since;
        let first = since.partition_point(|(start, _)| *start <= range.start).saturating_sub(1);
        since[first..].iter().take_while(|(start, _)| *start < range.end).any(|(_, print)| *print != NOTHING)
    }

    /// The fingerprint of a series' rule if it is the same in every range.
    pub(super) fn always(&self, series: SeriesIndex) -> Option<i64> {
        match (series.0 as usize).checked_sub(self.channels) {
            None => Some(0),
            Some(split) => match self.splits[split].since[..] {
                [(_, print)] => Some(print as i64),
                _ => None,
            },
        }
    }

    /// The fingerprint of a series' rule in `range`: 0 for a channel, which follows from nothing but
    /// itself. Where the rule changes inside of the range, one over all its parts.
    pub(super) fn print(&self, series: SeriesIndex, range: &Range<Stamp>) -> i64 {
        let Some(split) = (series.0 as usize).checked_sub(self.channels) else { return 0 };
        let since = &self.splits[split].since;
        let first = since.partition_point(|(start, _)| *start <= range.start).saturating_sub(1);
        let last = since.partition_point(|(start, _)| *start < range.end).max(first + 1);
        let parts = &since[first..last.min(since.len())];
        match parts {
            [] => 0,
            [(_, print)] => *print as i64,
            [(_, print), later @ ..] => {
                later.iter().fold(*print, |all, (start, print)| mix(mix(all, start.0 as u64), *print)) as i64
            }
        }
    }
}

/// One step of FNV-1a, 64 bits, over the eight bytes of a number.
fn mix(hash: u64, number: u64) -> u64 {
    number
        .to_le_bytes()
        .iter()
        .fold(hash, |hash, byte| (hash ^ u64::from(*byte)).wrapping_mul(0x0000_0100_0000_01b3))
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn a_rule_that_changes_inside_a_stretch_gives_another_print() {
        let rule = Rule { since: vec![(Stamp::MIN, 5), (Stamp(100), 7)] };
        let rules = Rules { channels: 2, splits: vec![rule] };
        let print = |series, from, to| rules.print(SeriesIndex(series), &(Stamp(from)..Stamp(to)));
        assert_eq!(print(1, 0, 1000), 0, "a channel has no rule");
        assert_eq!(print(2, 0, 100), 5);
        assert_eq!(print(2, 100, 200), 7);
        assert_eq!((rules.always(SeriesIndex(1)), rules.always(SeriesIndex(2))), (Some(0), None));
        let both = print(2, 0, 200);
        assert!(both != 5 && both != 7 && both != 0);
        assert_eq!(both, print(2, 50, 101), "it is the change that counts");
    }
}
