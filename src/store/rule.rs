//! What a split series was made by: a fingerprint of its rule over a stretch of time.
//!
//! A sign split is not linear, so its stored rows hold only under the rule that made them. A row
//! whose fingerprint is not the one of the map in force counts as not there.

use std::ops::Range;

use crate::site::{SeriesIndex, Site, SplitRule, Term};
use crate::units::Stamp;

/// The fingerprint of a series' rule in `range`: 0 for a channel, which is its own rule, and never 0
/// for a split. FNV-1a over the names of the channels with their factors, epoch by epoch.
pub(super) fn print(site: &Site, series: SeriesIndex, range: &Range<Stamp>) -> i64 {
    let Some(split) = (series.0 as usize).checked_sub(site.channels.len()) else { return 0 };
    let mut print = Fnv::new();
    let mut before = None;
    for epoch in &site.epochs {
        if epoch.span.start >= range.end || epoch.span.end <= range.start {
            continue;
        }
        let rule = epoch.plan.splits.iter().find(|(index, _)| *index == split).map(|(_, rule)| rule);
        // An epoch that leaves this rule as it was makes no difference.
        if before == Some(rule) {
            continue;
        }
        before = Some(rule);
        print.number(epoch.span.start.max(range.start).0);
        print.rule(site, rule);
    }
    print.0.max(1) as i64
}

struct Fnv(u64);

impl Fnv {
    fn new() -> Self {
        Self(0xcbf2_9ce4_8422_2325)
    }

    fn bytes(&mut self, bytes: &[u8]) {
        for byte in bytes {
            self.0 = (self.0 ^ u64::from(*byte)).wrapping_mul(0x0000_0100_0000_01b3);
        }
    }

    fn number(&mut self, number: i64) {
        self.bytes(&number.to_le_bytes());
    }

    fn rule(&mut self, site: &Site, rule: Option<&SplitRule>) {
        match rule {
            None => self.number(0),
            Some(SplitRule::Signed(terms)) => {
                self.number(1);
                self.terms(site, terms);
            }
            Some(SplitRule::SelfConsumed { grid, pv }) => {
                self.number(2);
                self.terms(site, grid);
                self.number(pv.len() as i64);
                for terms in pv {
                    self.terms(site, terms);
                }
            }
        }
    }

    fn terms(&mut self, site: &Site, terms: &[Term]) {
        self.number(terms.len() as i64);
        for term in terms {
            let name = site.series_name(term.series);
            self.number(name.len() as i64);
            self.bytes(name.as_bytes());
            self.number(term.millionths);
        }
    }
}
