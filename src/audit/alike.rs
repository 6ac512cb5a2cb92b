//! Channels that show the same thing: two CTs on one wire, and circuits that another channel carries.

use super::claims::{BusClaims, Claim};
use super::gather::{Changes, Evidence};
use crate::site::{Role, Site};
use crate::units::Stamp;

/// Moments of change that a likeness has to rest on.
const MIN_MOMENTS: usize = 5;
/// Two CTs of class 1 on one wire differ by less than this part of their changes.
const SAME: f64 = 0.03;
/// And by noise and rounding, as a part of the smallest change that counts as one.
const ROUNDING: f64 = 0.5;

/// The finest changes that have both channels.
fn both(evidence: &Evidence, a: usize, b: usize) -> Option<&Changes> {
    let has = |changes: &&Changes, channel: usize| {
        changes.rows.iter().skip(channel).step_by(evidence.channels.max(1)).any(|x| !x.is_nan())
    };
    evidence.changes.iter().find(|changes| has(changes, a) && has(changes, b))
}

/// Whether two channels always move alike, but for noise and rounding; by how much the second for each watt of the
/// first.
pub fn twins(evidence: &Evidence, a: usize, b: usize) -> Option<f64> {
    alike(evidence, a, b, ROUNDING)
}

/// Whether a circuit's CT is on the wire of a feed. A circuit that is nearly all of its feed is like it by rights: so
/// noise is no excuse here, and the CT has to show what the others of that leg do.
pub fn on_feed(evidence: &Evidence, claims: &BusClaims, ct: &Claim) -> bool {
    claims.responses.iter().enumerate().any(|(leg, response)| {
        response.terms.iter().any(|(feed, factor)| {
            alike(evidence, *feed, ct.channel, 0.0).is_some()
                && shows_others(evidence, claims, ct, leg, (*feed, *factor))
        })
    })
}

/// Whether a channel shows what the other circuits of a leg do: where they changed, it is as near to the feed's
/// change as noise, and so as far from its own as they moved.
fn shows_others(
    evidence: &Evidence,
    claims: &BusClaims,
    ct: &Claim,
    leg: usize,
    (feed, by): (usize, f64),
) -> bool {
    let others: Vec<(&Claim, f64)> = claims
        .cts
        .iter()
        .filter(|other| other.place.circuit != ct.place.circuit)
        .map(|other| (other, other.options.iter().map(|legs| legs[leg]).fold(0.0, f64::max)))
        .filter(|(_, part)| *part > 0.0)
        .collect();
    evidence.changes.iter().any(|changes| {
        let (mut telling, mut shown) = (0, 0);
        for row in changes.rows.chunks_exact(evidence.channels.max(1)) {
            let (own, flow) = (f64::from(row[ct.channel]) * ct.factor, f64::from(row[feed]) * by);
            let of = |(other, part): &(&Claim, f64)| {
                let watts = row[other.channel];
                let moved = watts.abs() > 2.0 * changes.floor_w[other.channel];
                if moved { f64::from(watts) * other.factor * part } else { 0.0 }
            };
            let rest: f64 = others.iter().map(of).sum();
            let floor = f64::from(changes.floor_w[ct.channel].max(changes.floor_w[feed]));
            if (own + flow).is_nan() || rest.abs() < 2.0 * floor || rest.abs() < 0.1 * flow.abs() {
                continue;
            }
            telling += 1;
            // A CT on the feed may be turned round.
            shown += usize::from((own.abs() - flow.abs()).abs() < 0.3 * rest.abs());
        }
        shown >= MIN_MOMENTS && shown * 4 >= telling * 3
    })
}

fn alike(evidence: &Evidence, a: usize, b: usize, rounding: f64) -> Option<f64> {
    let changes = both(evidence, a, b)?;
    let (mut aa, mut ab, mut bb, mut moments, mut noise) = (0.0, 0.0, 0.0, 0, 0.0);
    for row in changes.rows.chunks_exact(evidence.channels) {
        let (x, y) = (f64::from(row[a]), f64::from(row[b]));
        let floor = f64::from(changes.floor_w[a].max(changes.floor_w[b]));
        if x.is_nan() || y.is_nan() || x.abs().max(y.abs()) < floor {
            continue;
        }
        moments += 1;
        aa += x * x;
        ab += x * y;
        bb += y * y;
        noise += (rounding * floor).powi(2);
    }
    if moments < MIN_MOMENTS || aa == 0.0 || bb == 0.0 {
        return None;
    }
    let slope = ab / aa;
    let rest = (bb - ab * ab / aa).max(0.0);
    (rest < SAME * SAME * bb + noise && (slope.abs() - 1.0).abs() < 0.06).then_some(slope)
}

/// Which circuits of a bus seem to be carried by another circuit of it: their CTs, and one CT of the carrier.
pub fn nests(site: &Site, evidence: &Evidence, claims: &BusClaims, at: Stamp) -> Vec<(Vec<usize>, usize)> {
    let mut circuits: Vec<usize> = claims.cts.iter().map(|ct| ct.place.circuit).collect();
    circuits.dedup();
    let role = |circuit: usize| site.circuits[circuit].entry(at).map(|entry| entry.role);
    let of = |circuit: usize| -> Vec<usize> {
        (0..claims.cts.len()).filter(|ct| claims.cts[*ct].place.circuit == circuit).collect()
    };
    let mut all = Vec::new();
    for carrier in &circuits {
        if matches!(role(*carrier), Some(Role::Pv | Role::Storage)) {
            continue;
        }
        let inside: Vec<usize> = circuits
            .iter()
            .filter(|circuit| *circuit != carrier)
            .filter(|circuit| !matches!(role(**circuit), Some(Role::Feeder(_))))
            .filter(|circuit| {
                // A subpanel may have one circuit alone; another circuit that carries nothing else is a twin.
                let least = if matches!(role(*carrier), Some(Role::Feeder(_))) { 0 } else { 3 };
                carries(evidence, claims, &of(*carrier), &of(**circuit), least)
            })
            .flat_map(|circuit| of(*circuit))
            .collect();
        if !inside.is_empty() {
            all.push((inside, of(*carrier)[0]));
        }
    }
    all
}

/// Whether each change of `inner` is one of `outer`, and `outer` has so many others too.
fn carries(evidence: &Evidence, claims: &BusClaims, outer: &[usize], inner: &[usize], least: usize) -> bool {
    let channel = |ct: usize| claims.cts[ct].channel;
    let Some(changes) = both(evidence, channel(outer[0]), channel(inner[0])) else { return false };
    let watts = |row: &[f32], cts: &[usize]| -> f64 {
        let of = |ct: &Claim| f64::from(row[ct.channel]) * ct.factor * if ct.doubled { 2.0 } else { 1.0 };
        cts.iter().map(|ct| of(&claims.cts[*ct])).sum()
    };
    let floor =
        |cts: &[usize]| cts.iter().map(|ct| f64::from(changes.floor_w[channel(*ct)])).fold(12.0, f64::max);
    let (outer_floor, inner_floor) = (floor(outer), floor(inner));
    let (mut moved, mut carried, mut others) = (0, 0, 0);
    for row in changes.rows.chunks_exact(evidence.channels) {
        let (out, own) = (watts(row, outer), watts(row, inner));
        if out.is_nan() || own.is_nan() {
            continue;
        }
        if own.abs() > 1.5 * inner_floor {
            moved += 1;
            carried += usize::from((out - own).abs() < 0.1 * own.abs() + outer_floor && out * own > 0.0);
        } else if out.abs() > 2.0 * outer_floor && own.abs() < 0.3 * out.abs() {
            others += 1;
        }
    }
    moved >= MIN_MOMENTS && carried * 10 >= moved * 8 && others >= least
}
