//! Channels that are wrong by themselves: dead, stuck, saturated, too coarse.

use super::claims::BusClaims;
use super::estimate::feed_change;
use super::judge::Court;
use super::mend;
use super::picture::Picture;
use super::report::{Finding, Kind};
use super::stats::{NOTHING_W, Stats};
use crate::said::{Said, exact, figure, said};
use crate::site::{CircuitEntry, EndUse};

/// A channel is judged after so many seconds of readings.
const LONG_S: f64 = 20.0 * 3600.0;
/// A live reading repeats itself for so long only if its load is off.
const STUCK_S: f64 = 4.0 * 3600.0;
/// Mains and loads waver by some thousandths: a meter that rounds to 10 W shows that from here on, in W.
const WAVERS_W: f32 = 1500.0;
/// What stands by may well be still, in W.
const STANDBY_W: f32 = 30.0;
/// A load that ran for so long shows what its channel's steps are, in s.
const RAN_S: f64 = 600.0;
/// Inputs that rested for so long show whether they are ever still, in s.
const REST_S: f64 = 3600.0;
/// So many changes have to be expected of an input before none of them means something: by chance alone none would
/// come once in e^20 inputs.
const EXPECTED: f64 = 20.0;
/// A reading with a fine resolution repeats the one before less often than this.
const FINE: f64 = 0.3;
/// A sound load may have two stages and be flat in each; on a meter that rounds, more levels than these that
/// are all multiples of one unit are the unit's.
const STAGES: usize = 2;
/// Changes of both legs alike that nothing explains.
const HIDDEN: usize = 6;
/// Seconds at the highest value: a starting current that is cut off costs no energy.
const AT_TOP_S: f64 = 300.0;
/// How near to its rating a CT ends: class 1 errs by 1 % there (IEC 61869-2), and a service stays within 5 % of
/// its nominal voltage (common practice, no source).
const NEAR_RATING: f32 = 0.06;
/// Where the feed moves by less than this times what the CT does at its top, nothing is cut off.
const CUT_OFF: f64 = 1.04;
/// Nominal leg to neutral.
const VOLTS: f32 = 120.0;

/// What each mapped channel shows by itself.
pub(super) fn of_channels(court: &Court<'_>, findings: &mut Vec<Finding>) {
    for (circuit, named) in court.site.circuits.iter().enumerate() {
        let Some(entry) = named.entry(court.at) else { continue };
        for (ct, of) in entry.cts.iter().enumerate() {
            let stats = &court.evidence.stats[of.channel.0 as usize];
            if stats.seconds < LONG_S {
                continue;
            }
            if let Some((kind, evidence, what)) = of_channel(court, entry, stats, of.channel.0 as usize) {
                findings.push(finding(court, circuit, ct, kind, what, evidence));
            }
        }
    }
}

type Seen = Option<(Kind, Said, &'static str)>;

fn of_channel(court: &Court<'_>, entry: &CircuitEntry, stats: &Stats, channel: usize) -> Seen {
    let hours = |seconds: f64| seconds / 3600.0;
    if stats.top <= NOTHING_W {
        let still = stats.moves == 0 && (jitters(court, channel) || hidden(court, entry, channel));
        return (still || always_runs(entry.end_use)).then(|| {
            let evidence =
                said!("never above {} W in {} h", figure(stats.top, 1), figure(hours(stats.seconds), 0));
            (Kind::Dead, evidence, "shows nothing")
        });
    }
    if let Some(evidence) = entry.ct_rating_a.and_then(|rating| cut_off(court, stats, channel, rating)) {
        return Some((Kind::Saturated, evidence, "ends at the CT's rating"));
    }
    if let Some(unit) = coarse_unit(court, stats, channel) {
        let evidence = said!("its readings are multiples of {} W", exact(unit));
        return Some((Kind::Coarse, evidence, "is too coarse to follow its load"));
    }
    let (run, value) = stats.longest;
    // On a meter that rounds, a steady load repeats its value until it is large enough to be seen wavering.
    let telling = stats.moves == 0 || value.abs() > WAVERS_W || fine(court, channel);
    (run >= STUCK_S && value.abs() > STANDBY_W && telling).then(|| {
        let evidence = said!("{} W without a change for {} h", figure(value, 1), figure(hours(run), 1));
        (Kind::Stuck, evidence, "repeats one value")
    })
}

/// What shows that a CT ends at its rating.
fn cut_off(court: &Court<'_>, stats: &Stats, channel: usize, rating: f64) -> Option<Said> {
    let end = rating as f32 * VOLTS;
    let near = (stats.top / end - 1.0).abs() < NEAR_RATING;
    // A channel that is always at one value is stuck there.
    let comes_and_goes = stats.at_top_s < 0.95 * stats.seconds;
    (near && stats.at_top_s >= AT_TOP_S && comes_and_goes && !goes_no_further(court, channel)).then(|| {
        said!(
            "for {} min its readings end at {} W; {} A at 120 V are {} W",
            figure(stats.at_top_s / 60.0, 0),
            figure(stats.top, 0),
            exact(rating),
            figure(end, 0)
        )
    })
}

/// The unit that a channel is rounded to, if that hides its load.
fn coarse_unit(court: &Court<'_>, stats: &Stats, channel: usize) -> Option<u32> {
    let ran = stats.active() as f64 * stats.step_s() >= RAN_S;
    let unit = stats.unit_w().filter(|_| ran && stats.moves >= 6)?;
    let levels = stats.held();
    (levels > STAGES || (levels > 0 && stats.repeats() > FINE && fine(court, channel))).then_some(unit)
}

/// Whether a load goes no further than its CT shows: where the CT is at its top its feed moves by as much.
fn goes_no_further(court: &Court<'_>, channel: usize) -> bool {
    let found = |bus: &&BusClaims| bus.cts.iter().any(|ct| ct.channel == channel);
    let Some(claims) = court.buses.iter().find(found) else { return false };
    let Some(ct) = claims.cts.iter().find(|ct| ct.channel == channel) else { return false };
    let enough = 0.6 * f64::from(court.evidence.stats[channel].top) * ct.factor.abs();
    let whole = if claims.responses[0].leg.is_none() && ct.doubled { 2.0 } else { 1.0 };
    let rows = court
        .evidence
        .changes
        .iter()
        .flat_map(|changes| changes.rows.chunks_exact(court.evidence.channels.max(1)));
    let high: Vec<&[f32]> = rows.filter(|row| (f64::from(row[channel]) * ct.factor).abs() > enough).collect();
    let legs = claims.responses.iter().filter_map(|response| {
        let own = |row: &[f32]| f64::from(row[channel]) * ct.factor * whole;
        let mut ratios: Vec<f64> = high.iter().map(|row| feed_change(row, response) / own(row)).collect();
        ratios.retain(|ratio| !ratio.is_nan());
        ratios.sort_by(f64::total_cmp);
        (ratios.len() >= 5).then(|| ratios[ratios.len() / 2].abs())
    });
    legs.reduce(f64::max).is_some_and(|ratio| ratio < CUT_OFF)
}

/// Whether the feed shows 240 V loads that no CT explains, although the map has no other 240 V circuit without
/// a CT: then the one that shows nothing is the one that ran.
fn hidden(court: &Court<'_>, entry: &CircuitEntry, channel: usize) -> bool {
    let open = court.site.circuits.iter().filter_map(|circuit| circuit.entry(court.at));
    let others = open.filter(|other| other.cts.is_empty() && other.legs.len() > 1).count();
    let silent = court.buses.iter().flat_map(|bus| &bus.cts).filter(|ct| {
        ct.channel != channel && ct.doubled && court.evidence.stats[ct.channel].top <= NOTHING_W
    });
    if entry.legs.len() != 2 || others > 0 || silent.count() > 0 {
        return false;
    }
    let Some(claims) = court.buses.iter().find(|bus| bus.cts.iter().any(|ct| ct.channel == channel)) else {
        return false;
    };
    if claims.responses.len() != 2 {
        return false;
    }
    let moments = court.evidence.changes.iter().map(|changes| {
        let rows = changes.rows.chunks_exact(court.evidence.channels.max(1));
        rows.filter(|row| {
            let quiet = claims.cts.iter().all(|ct| row[ct.channel].abs() < 20.0);
            let legs: Vec<f64> = claims.responses.iter().map(|r| feed_change(row, r)).collect();
            let alike = (legs[0] - legs[1]).abs() < 0.06 * legs[0].abs();
            quiet && alike && legs[0].abs() > 150.0
        })
        .count()
    });
    moments.max().unwrap_or(0) >= HIDDEN
}

/// The other channels of the same device.
fn siblings<'c>(court: &'c Court<'_>, channel: usize) -> impl Iterator<Item = &'c Stats> {
    let device = court.site.channels[channel].device;
    (0..court.site.channels.len())
        .filter(move |other| *other != channel && court.site.channels[*other].device == device)
        .map(|other| &court.evidence.stats[other])
        .filter(|stats| stats.seconds >= LONG_S)
}

/// Whether most of them say yes, of those that can tell.
fn most<'c>(stats: impl Iterator<Item = &'c Stats>, says: impl Fn(&Stats) -> Option<bool>) -> bool {
    let said: Vec<bool> = stats.filter_map(says).collect();
    !said.is_empty() && said.iter().filter(|yes| **yes).count() * 4 >= said.len() * 3
}

/// Whether the device resolves what loads waver by.
fn fine(court: &Court<'_>, channel: usize) -> bool {
    most(siblings(court, channel), |stats| (stats.active() > 100).then(|| stats.repeats() < FINE))
}

/// Whether the other channels of the same device show that a working input without a load would not have been
/// still for all of that time. Only inputs at rest can tell: a load wavers for reasons of its own.
fn jitters(court: &Court<'_>, channel: usize) -> bool {
    let at_rest = || siblings(court, channel).filter(|stats| stats.rest_s >= REST_S);
    let samples = |stats: &Stats| stats.rest_s / stats.step_s();
    let (moves, all) = at_rest()
        .fold((0.0, 0.0), |(moves, all), stats| (moves + stats.rest_moves as f64, all + samples(stats)));
    let rate = moves / f64::max(all, 1.0);
    rate * court.evidence.stats[channel].known as f64 >= EXPECTED
        && most(at_rest(), |stats| (rate * samples(stats) >= EXPECTED).then_some(stats.rest_moves > 0))
}

/// Loads that run every day, whatever people do.
fn always_runs(end_use: EndUse) -> bool {
    matches!(end_use, EndUse::Refrigeration | EndUse::Pv)
}

fn finding(court: &Court<'_>, circuit: usize, ct: usize, kind: Kind, what: &str, evidence: Said) -> Finding {
    let entry = court.entry(circuit);
    let about = court.site.circuits[circuit].id.clone();
    let channel = court.site.channels[entry.cts[ct].channel.0 as usize].name.clone();
    let advice = match kind {
        Kind::Dead => "see that the CT's plug is in and its jaws are closed (a licensed electrician's work)",
        Kind::Stuck => "restart the device; if it stays, its input is broken",
        Kind::Saturated => {
            "have a CT of a higher rating put in, and set it in the device and in `ct_rating_a`"
        }
        _ => "have the device send a finer unit, for example W in place of kW",
    };
    Finding {
        kind,
        what: said!("{} ({channel}) {what}", entry.label),
        channels: vec![channel],
        evidence,
        picture: Picture::default(),
        confidence: 0.9,
        certain: "the device's own display, read while the load is switched".to_owned(),
        line: mend::line_of(entry),
        edits: Vec::new(),
        advice: advice.to_owned(),
        accepted: court.site.accepted(kind.as_str(), &about).map(|accept| accept.reason.clone()),
        about,
    }
}
