//! Books that come out below zero: the circuits of a panel take more than flows into it.

use super::claims::{BusClaims, Claim};
use super::estimate::{coarse, feed_change};
use super::judge::Court;
use super::mend;
use super::picture::Picture;
use super::report::{Finding, Kind};
use crate::calendar::Zone;
use crate::said::{count, figure, said};
use crate::site::{Leg, Role};
use crate::units::Stamp;

/// Source of the limit: IEC 61869-2, class 1: 3 % at 5 % of the rated current; both sides of the sum err.
const CLASS_1: f64 = 0.03;
/// What meters may be off beside that, in W.
const OFFSET_W: f64 = 20.0;
/// A quarter of an hour, in s: long enough that loads which change between two devices' readings even out.
const QUARTER_S: f64 = 900.0;
/// Quarter-hours that have to be known.
const LEAST: usize = 16;
/// Circuits without a CT that are named: more on one leg are as good as all of them.
const NAMED: usize = 6;

/// Buses whose circuits take more than flows in, for longer than meters can err.
pub(super) fn of_books(court: &Court<'_>, findings: &mut Vec<Finding>) {
    for claims in &court.buses {
        let bus = &court.site.buses[claims.bus];
        // What another finding explains is not said twice.
        let explained = findings.iter().any(|finding| {
            finding.about == bus.id
                || claims.cts.iter().any(|ct| court.site.circuits[ct.place.circuit].id == finding.about)
        });
        if explained || claims.cts.is_empty() {
            continue;
        }
        let below = Below::of(court, claims);
        if below.all >= LEAST && below.at.len() * 10 >= below.all {
            findings.push(negative(court, claims, &below));
        }
    }
}

/// Quarter-hours below what meters can err.
struct Below {
    /// When they begin.
    at: Vec<Stamp>,
    /// All that are known.
    all: usize,
    /// The lowest, in W.
    worst_w: f64,
    /// By response: what was missing there in those quarter-hours, in W.
    legs_w: Vec<f64>,
}

impl Below {
    fn of(court: &Court<'_>, claims: &BusClaims) -> Self {
        let stride = court.evidence.channels.max(1);
        let levels = &court.evidence.levels;
        let times = (QUARTER_S / levels.period.as_seconds()).round().max(1.0) as usize;
        let (rows, starts) = coarse(levels, stride, times);
        let mut below =
            Self { at: Vec::new(), all: 0, worst_w: 0.0, legs_w: vec![0.0; claims.responses.len()] };
        for (row, start) in rows.chunks_exact(stride).zip(starts) {
            let watts = |ct: &Claim| f64::from(row[ct.channel]) * ct.factor;
            let on = |ct: &&Claim| ct.options[0].iter().any(|x| *x != 0.0);
            let flows: Vec<f64> = claims.responses.iter().map(|r| feed_change(row, r)).collect();
            let feed: f64 = flows.iter().sum();
            let mut size = feed.abs();
            let mut rest = flows;
            for ct in claims.cts.iter().filter(on) {
                size += watts(ct).abs() * ct.options[0].iter().sum::<f64>();
                rest.iter_mut().zip(&ct.options[0]).for_each(|(rest, part)| *rest -= watts(ct) * part);
            }
            let whole: f64 = rest.iter().sum();
            if whole.is_nan() {
                continue;
            }
            below.all += 1;
            below.worst_w = below.worst_w.min(whole);
            if whole < -(CLASS_1 * size + OFFSET_W) {
                below.at.push(start);
                below.legs_w.iter_mut().zip(rest).for_each(|(sum, rest)| *sum += rest);
            }
        }
        below
    }

    /// The leg on which nearly all of it is missing; `None` where it is missing on both or legs are not known.
    fn leg(&self, claims: &BusClaims) -> Option<Leg> {
        let total: f64 = self.legs_w.iter().sum();
        let most = (0..self.legs_w.len()).min_by(|a, b| self.legs_w[*a].total_cmp(&self.legs_w[*b]))?;
        (claims.responses.len() > 1 && self.legs_w[most] < 0.8 * total).then_some(())?;
        claims.responses[most].leg
    }

    /// The hours of the local clock in which most of it lies, if they are a part of the day.
    fn hours(&self, zone: &Zone) -> Option<(i8, i8)> {
        let mut counts = [0_usize; 24];
        self.at.iter().for_each(|at| counts[zone.local(*at).hour() as usize] += 1);
        // The shortest stretch around the clock that holds nine tenths.
        let wanted = (self.at.len() * 9).div_ceil(10);
        let held = |from: usize, length: usize| -> usize {
            (from..from + length).map(|hour| counts[hour % 24]).sum()
        };
        (1..=12).find_map(|length| {
            let from = (0..24).find(|from| held(*from, length) >= wanted)?;
            Some((from as i8, ((from + length) % 24) as i8))
        })
    }
}

fn negative(court: &Court<'_>, claims: &BusClaims, below: &Below) -> Finding {
    let bus = &court.site.buses[claims.bus];
    let own = court.site.feeds.iter().find(|feed| feed.bus == claims.bus && feed.span.contains(&court.at));
    let feeder = court.site.circuits.iter().filter_map(|circuit| circuit.entry(court.at));
    let feeder = feeder.into_iter().find(|entry| entry.role == Role::Feeder(claims.bus)).map(mend::line_of);
    let leg = below.leg(claims);
    let mut evidence = said!(
        "{} of {} quarter-hours lie below what two CTs of class 1 can err (3 % of all flows and {} W); the lowest is \
         {} W",
        count(below.at.len()),
        count(below.all),
        figure(OFFSET_W, 0),
        figure(below.worst_w, 0)
    );
    if let Some(leg) = leg {
        evidence.push(&said!("; it is missing on leg {leg}"));
    }
    let hours = Zone::new(&court.site.time_zone).ok().and_then(|zone| below.hours(&zone));
    if let Some((from, to)) = hours {
        evidence.push(&said!("; nearly all of them between {from:02}:00 and {to:02}:00"));
    }
    Finding {
        kind: Kind::UntrackedNegative,
        about: bus.id.clone(),
        channels: Vec::new(),
        what: said!("the circuits of \"{}\" take more than flows into it", bus.id),
        evidence,
        picture: Picture::default(),
        confidence: 0.7,
        certain: "`panelwright verify` of the circuits that are not yet proven".to_owned(),
        line: own.map(|feed| feed.channels.0).or(feeder).unwrap_or(1),
        edits: Vec::new(),
        advice: format!(
            "see whether anything gives power on a circuit without a CT, such as a battery or plug-in solar{}: it wants \
             a CT and a line of its own; else a circuit that is not proven counts too much, or the feed too little",
            candidates(court, claims, leg)
        ),
        accepted: court
            .site
            .accepted(Kind::UntrackedNegative.as_str(), &bus.id)
            .map(|accept| accept.reason.clone()),
    }
}

/// The circuits without a CT on that bus and leg, with their lines: ` (on leg A: dishwasher, line 230)`.
fn candidates(court: &Court<'_>, claims: &BusClaims, leg: Option<Leg>) -> String {
    let open = court.site.circuits.iter().filter_map(|circuit| {
        let entry = circuit.entry(court.at)?;
        let there = leg.is_none_or(|leg| entry.legs.is_empty() || entry.legs.contains(&leg));
        (entry.cts.is_empty() && entry.bus == claims.bus && there)
            .then(|| format!("{}, line {}", circuit.id, entry.line))
    });
    let names: Vec<String> = open.take(NAMED).collect();
    if names.is_empty() {
        return String::new();
    }
    let on = leg.map_or(String::new(), |leg| format!("on leg {leg}: "));
    format!(" ({on}{})", names.join("; "))
}

#[cfg(test)]
mod tests {
    use super::*;
    use crate::units::Span;

    #[test]
    fn the_hours_are_the_shortest_stretch_that_holds_nearly_all() {
        let zone = Zone::new("UTC").unwrap();
        let check = |hours: &[i64], expected: Option<(i8, i8)>| {
            let quarters = hours.iter().flat_map(|hour| (0..4).map(move |n| hour * 4 + n));
            let at = quarters.map(|quarter| Stamp::from_seconds(quarter * 900)).collect();
            let below = Below { at, all: 96, worst_w: 0.0, legs_w: Vec::new() };
            assert_eq!(below.hours(&zone), expected, "{hours:?}");
        };
        check(&[17, 18, 19, 20, 21, 22], Some((17, 23)));
        check(&[22, 23, 24, 25], Some((22, 2)));
        // One stray hour of eleven does not count; all day long is no stretch.
        check(&[1, 2, 3, 4, 5, 6, 7, 8, 9, 10, 20], Some((1, 11)));
        check(&(0..24).collect::<Vec<_>>(), None);
        assert_eq!(Span::HOUR.as_seconds(), 4.0 * QUARTER_S);
    }
}
