//! The past of one CT: its energy, and whose it was when.
//!
//! A circuit's history follows the circuit from CT to CT; this one follows the CT from circuit to
//! circuit. The energy is what the CT measured, before any factor of the map; an interval is cut where
//! the CT changed hands, so that each holder has what was measured while it was theirs.

use std::ops::Range;

use super::summary::{Amount, Summary};
use super::{Source, energy};
use crate::calendar::{Interval, Zone};
use crate::site::{ChannelIndex, Ct, Epoch, Figure, FigureKey, Leg, Part, Plan, SeriesIndex, Site, Term};
use crate::units::{ONE, Span, Stamp};

/// Whose a CT is.
#[derive(Clone, Copy, Debug, PartialEq, Eq)]
pub enum Holder {
    /// A circuit's, with its factor in millionths; signed.
    Circuit {
        /// An index into [`Site::circuits`].
        circuit: usize,
        /// Which of its entries.
        entry: usize,
        /// In millionths.
        factor: i64,
    },
    /// Of the mains, or of what feeds a subpanel.
    Feed {
        /// An index into [`Site::buses`].
        bus: usize,
        /// The leg that it is on, where the map says.
        leg: Option<Leg>,
        /// In millionths; signed.
        factor: i64,
    },
    /// Nobody's that the map names.
    Nobody,
}

/// A stretch of time in which a CT was somebody's.
#[derive(Clone, Debug, PartialEq, Eq)]
pub struct Held {
    /// From when to when, within the interval.
    pub range: Range<Stamp>,
    /// Whose it was.
    pub holder: Holder,
    /// What the CT measured meanwhile, in less out.
    pub net: Amount,
}

/// One interval of a CT.
#[derive(Clone, Debug, PartialEq, Eq)]
pub struct OfChannel {
    /// The interval.
    pub interval: Interval,
    /// Energy of the moments at which it read above 0.
    pub positive: Amount,
    /// Energy of the moments at which it read below 0, as a positive number.
    pub negative: Amount,
    /// Whose it was, by time; back to back over the whole interval.
    pub held: Vec<Held>,
}

impl OfChannel {
    /// In less out.
    pub fn net(&self) -> Amount {
        Amount { energy: self.positive.energy - self.negative.energy, covered: self.positive.covered }
    }
}

/// What a CT measured over each of the intervals, and whose it was.
///
/// # Errors
/// What the source fails with.
pub fn channel<S: Source>(
    site: &Site,
    zone: &Zone,
    source: &mut S,
    channel: ChannelIndex,
    intervals: &[Interval],
) -> Result<Vec<OfChannel>, S::Error> {
    let stretches = holders(site, channel);
    let mut parts = Vec::new();
    for (index, interval) in intervals.iter().enumerate() {
        for (range, holder) in &stretches {
            let (start, end) = (range.start.max(interval.start), range.end.min(interval.end));
            if start < end {
                parts.push((index, Interval { start, end }, *holder));
            }
        }
    }
    let cut: Vec<Interval> = parts.iter().map(|(_, interval, _)| *interval).collect();
    let summaries = energy(&alone(site, channel), zone, source, &cut)?;
    let mut all: Vec<OfChannel> = intervals
        .iter()
        .map(|interval| OfChannel {
            interval: *interval,
            positive: Amount::default(),
            negative: Amount::default(),
            held: Vec::new(),
        })
        .collect();
    for ((index, interval, holder), summary) in parts.into_iter().zip(summaries) {
        let of = |summary: &Summary, key| summary.get(key).unwrap_or_default();
        let whole = &mut all[index];
        whole.positive += of(&summary, FigureKey::Import);
        whole.negative += of(&summary, FigureKey::Export);
        let range = interval.start..interval.end;
        whole.held.push(Held { range, holder, net: of(&summary, FigureKey::Grid) });
    }
    Ok(all)
}

/// A map in which this CT is all there is: net, positive and negative stand where the grid's figures do.
fn alone(site: &Site, channel: ChannelIndex) -> Site {
    let figure = |key, part| {
        let term = Term { series: SeriesIndex(channel.0), part, millionths: ONE };
        Figure { key, terms: vec![term] }
    };
    let figures = vec![
        figure(FigureKey::Grid, Part::Net),
        figure(FigureKey::Import, Part::In),
        figure(FigureKey::Export, Part::Out),
    ];
    let plan = Plan { figures, ..Plan::default() };
    Site { epochs: vec![Epoch { span: Stamp::MIN..Stamp::MAX, plan }], ..site.clone() }
}

/// Who has the CT when, back to back over all time; cut at the full minute after each change, as history
/// cuts.
fn holders(site: &Site, channel: ChannelIndex) -> Vec<(Range<Stamp>, Holder)> {
    let mut holders: Vec<(Range<Stamp>, Holder)> = Vec::new();
    let entries = site.circuits.iter().flat_map(|circuit| &circuit.entries).map(|entry| &entry.span);
    let feeds = site.feeds.iter().map(|feed| &feed.span);
    let mut cuts: Vec<Stamp> = entries
        .chain(feeds)
        .flat_map(|span| [span.start, span.end])
        .chain([Stamp::MIN, Stamp::MAX])
        .collect();
    cuts.sort_unstable();
    cuts.dedup();
    let minute = |at: Stamp| match at {
        Stamp::MIN | Stamp::MAX => at,
        at => (at - Span(1)).floor(Span::MINUTE) + Span::MINUTE,
    };
    for pair in cuts.windows(2) {
        let range = minute(pair[0])..minute(pair[1]);
        let holder = holder(site, channel, pair[0]);
        match holders.last_mut() {
            _ if range.start >= range.end => {}
            Some((last, same)) if *same == holder => last.end = range.end,
            _ => holders.push((range, holder)),
        }
    }
    holders
}

fn holder(site: &Site, channel: ChannelIndex, at: Stamp) -> Holder {
    // A counter beside a CT's power is whose that CT is.
    let beside = site.beside().into_iter().find(|(_, counter)| *counter == channel);
    let channel = beside.map_or(channel, |(power, _)| power);
    let factor = |terms: &[Term]| {
        let term = terms.iter().find(|term| site.ct_of(term.series) == Some(channel));
        term.map(|term| term.millionths)
    };
    for (circuit, named) in site.circuits.iter().enumerate() {
        let in_force = named.entries.iter().position(|entry| entry.span.contains(&at));
        if let Some(entry) = in_force
            && let Some(factor) = factor(&named.entries[entry].terms)
        {
            return Holder::Circuit { circuit, entry, factor };
        }
    }
    let feeds = site.feeds.iter().filter(|feed| feed.span.contains(&at));
    for feed in feeds {
        if let Some(factor) = factor(&feed.terms) {
            let own = |ct: &&Ct| ct.channel == channel;
            let leg = feed.cts.iter().find(own).and_then(|ct| ct.leg);
            return Holder::Feed { bus: feed.bus, leg, factor };
        }
    }
    Holder::Nobody
}

#[cfg(test)]
mod tests {
    use super::super::Memory;
    use super::*;
    use crate::flow::Row;
    use crate::site::parse;
    use crate::units::Energy;

    /// Invented: one CT is the dryer's, then nobody's, then the well pump's, turned round; another is on the
    /// mains all the time.
    const MAP: &str = r#"
site = "heron-lane"
time_zone = "America/Denver"
[service]
system = "split-phase 120/240"
[[device]]
id = "house"
topic = "heron-lane/{channel}"
unit = "W"
every_s = 1
[[feed]]
bus = "main"
channels = [{ channel = "house/m1", leg = "A" }, { channel = "house/m2", leg = "B" }]
measures = "panel"
[[circuit]]
id = "dryer"
label = "Dryer"
end_use = "laundry"
spaces = [3, 5]
channels = ["house/1"]
doubled = true
until = 2025-06-08T06:30:20
[[circuit]]
id = "pump"
label = "Well pump"
end_use = "well/sump"
spaces = [4, 6]
channels = ["house/1"]
reversed = true
from = 2025-06-09
"#;

    fn at(text: &str) -> Stamp {
        Zone::new("America/Denver").expect("a zone").parse(text).expect("a time")
    }

    #[test]
    fn a_ct_that_moved_is_first_the_ones_then_nobodys_then_the_others() {
        let site = parse("heron-lane.toml", MAP).site.expect("a sound map");
        let zone = Zone::new("America/Denver").expect("a zone");
        let of = site.channel("house/1").expect("it is there");
        let mut memory = Memory::new(zone.clone());
        let mut start = at("2025-06-08");
        while start < at("2025-06-10") {
            // 600 W the one way, from the 9th on the other.
            let power = if start < at("2025-06-09") { 6000 } else { -6000 };
            let energy = Energy::of(6000, Span::MINUTE);
            let (energy_in, energy_out) =
                if power > 0 { (energy, Energy::default()) } else { (Energy::default(), energy) };
            let covered = Span::MINUTE;
            let row = Row { energy_in, energy_out, covered, min: power, max: power, ..Row::empty(start) };
            memory.add(SeriesIndex(of.0), row);
            start = start + Span::MINUTE;
        }
        let whole = Interval { start: at("2025-06-08"), end: at("2025-06-11") };
        let found = channel(&site, &zone, &mut memory, of, &[whole]).unwrap_or_else(|never| match never {});
        let kwh = |amount: Amount| amount.kwh();
        assert_eq!((kwh(found[0].positive), kwh(found[0].negative)), (Some(14.4), Some(14.4)));
        assert_eq!((kwh(found[0].net()), found[0].net().covered), (Some(0.0), Span(2 * Span::DAY.0)));
        let held: Vec<_> =
            found[0].held.iter().map(|held| (held.range.clone(), held.holder, held.net.kwh())).collect();
        let circuit = |circuit, factor| Holder::Circuit { circuit, entry: 0, factor };
        // The minute in which it changed hands is still the dryer's.
        let moved = at("2025-06-08T06:31");
        let expected = [
            (whole.start..moved, circuit(0, 2 * ONE), Some(0.6 * 391.0 / 60.0)),
            (moved..at("2025-06-09"), Holder::Nobody, Some((14.4 - 3.91) * 1.0)),
            (at("2025-06-09")..whole.end, circuit(1, -ONE), Some(-14.4)),
        ];
        for ((range, holder, kwh), (wanted_range, wanted_holder, wanted)) in held.iter().zip(&expected) {
            assert_eq!((range, holder), (wanted_range, wanted_holder));
            assert!((kwh.expect("known") - wanted.expect("known")).abs() < 1e-6, "{kwh:?} {wanted:?}");
        }
        assert_eq!(held.len(), expected.len());
        assert!((found[0].held[2].net.coverage(Span(2 * Span::DAY.0)) - 0.5).abs() < 1e-9);

        let mains = site.channel("house/m2").expect("it is there");
        let found =
            channel(&site, &zone, &mut memory, mains, &[whole]).unwrap_or_else(|never| match never {});
        let bus = site.buses.iter().position(|bus| bus.id == "main").expect("the panel");
        let feed = Holder::Feed { bus, leg: Some(Leg::B), factor: ONE };
        let held: Vec<_> = found[0].held.iter().map(|held| (held.holder, held.net.kwh())).collect();
        assert_eq!(held, [(feed, None)], "nothing was read of it");
    }
}
