//! Two circuits that have each other's CTs, where the feed cannot tell: both are on the same legs.
//!
//! Then only the labels are wrong. A label promises little, but some things it rules out: a well pump gives
//! no power, solar is not on at midnight, and no 20 A breaker carries 40 A for a quarter of an hour. Where two
//! labels are out of bounds as they are, and within them if the CTs are exchanged, the CTs are exchanged.

use super::claims::Claim;
use super::judge::Court;
use super::mend;
use super::report::{Finding, Kind};
use crate::calendar::Zone;
use crate::said::{Said, exact, figure, said};
use crate::site::{CircuitEntry, EndUse, Role};

/// Below this a circuit is off, in W; standby is a part of what it draws when on.
const OFF_W: f32 = 20.0;
/// Below this part of its sustained power a circuit is off.
const OFF_PART: f32 = 0.05;
/// What a circuit carries for so long in all is no starting current, in s.
const SUSTAINED_S: f64 = 900.0;
/// Hours of the local clock at which no sun shines south of 60° N, nor north of 60° S.
const NIGHT: [i8; 4] = [23, 0, 1, 2];
/// So much of the night has to be known, in s.
const KNOWN_S: f64 = 2.0 * 3600.0;
/// A breaker carries this many times its rating only for minutes (UL 489 wants a trip within an hour at 135 %).
const OVER_BREAKER: f64 = 1.35;
/// Nominal leg to neutral.
const VOLTS: f64 = 120.0;
/// No electric vehicle charges below 6 A (SAE J1772), which is 720 W a leg; less for the error of CTs.
const LEAST_CHARGE_W: f32 = 650.0;
/// A household's refrigerator or freezer draws less than this even while it thaws; common practice, no source.
const MOST_COLD_W: f32 = 1500.0;
/// A pump that runs on for so long is broken, in s; common practice, no source.
const LONGEST_PUMP_S: f64 = 3.0 * 3600.0;

/// What a channel does over the days.
#[derive(Clone, Copy, Debug, Default, PartialEq)]
pub(super) struct Habits {
    /// The magnitude that it reaches for a quarter of an hour in all, in W.
    pub(super) sustained_w: f32,
    /// Seconds of night that are known, and the part of them in which it is on.
    pub(super) night: (f64, f64),
    /// Seconds for which it is on.
    pub(super) on_s: f64,
    /// The part of them in which its sign is negative, as the device sends it.
    pub(super) negative: f64,
    /// The longest stretch for which it is on without a break, in s.
    pub(super) longest_s: f64,
}

/// Circuits of one CT each, alike in legs, that have each other's CTs.
pub(super) fn swapped(court: &Court<'_>, before: &[Finding], findings: &mut Vec<Finding>) {
    let Ok(zone) = Zone::new(&court.site.time_zone) else { return };
    let hours: Vec<i8> = court.evidence.levels.at.iter().map(|at| zone.local(*at).hour()).collect();
    for claims in &court.buses {
        let known: Vec<(&Claim, Habits)> = claims
            .cts
            .iter()
            .filter(|claim| alone(court, claim, before))
            .map(|claim| (claim, habits(court, claim.channel, &hours)))
            .collect();
        for a in 0..known.len() {
            let Some((b, why)) = partner(court, &known, a) else { continue };
            if a < b && partner(court, &known, b).is_some_and(|(back, _)| back == a) {
                findings.push(finding(court, known[a].0, known[b].0, &Said::join(&why, "; ")));
            }
        }
    }
}

/// Whether it is the only CT of a circuit that nothing else is wrong with.
fn alone(court: &Court<'_>, claim: &Claim, before: &[Finding]) -> bool {
    let entry = court.entry(claim.place.circuit);
    let name = &court.site.channels[claim.channel].name;
    entry.cts.len() == 1
        && !matches!(entry.role, Role::Feeder(_))
        && !before.iter().any(|finding| finding.channels.contains(name))
}

/// The circuit that has another's CT in its place, and why. Where several would do as well, none is named.
fn partner(court: &Court<'_>, known: &[(&Claim, Habits)], a: usize) -> Option<(usize, Vec<Said>)> {
    let mut fits: Vec<(usize, Vec<Said>)> = (0..known.len())
        .filter(|b| *b != a)
        .filter_map(|b| Some((b, exchanged(court, &known[a], &known[b])?)))
        .collect();
    // Two labels that are out of bounds say more than one.
    let most = fits.iter().map(|(_, why)| why.len()).max()?;
    fits.retain(|(_, why)| why.len() == most);
    if fits.len() == 1 { fits.pop() } else { None }
}

/// Why two circuits have each other's CTs, if they do.
fn exchanged(court: &Court<'_>, a: &(&Claim, Habits), b: &(&Claim, Habits)) -> Option<Vec<Said>> {
    let alike = a.0.doubled == b.0.doubled && a.0.options == b.0.options && a.0.factor * b.0.factor > 0.0;
    // What never ran fits any label.
    if !alike || a.1.on_s.min(b.1.on_s) < SUSTAINED_S {
        return None;
    }
    let (one, other) = (court.entry(a.0.place.circuit), court.entry(b.0.place.circuit));
    let why: Vec<Said> = [broken(one, a.0, &a.1), broken(other, b.0, &b.1)].into_iter().flatten().collect();
    let mended = broken(one, a.0, &b.1).is_none() && broken(other, b.0, &a.1).is_none();
    (mended && !why.is_empty()).then_some(why)
}

/// What a label rules out of what its channel does.
fn broken(entry: &CircuitEntry, claim: &Claim, has: &Habits) -> Option<Said> {
    let label = &entry.label;
    let sustained = has.sustained_w * claim.factor.abs() as f32;
    // One CT that is right without doubling shows both legs of a 240 V load at once.
    let legs = if entry.legs.len() > 1 && !entry.doubled { 2.0 } else { 1.0 };
    let amps = f64::from(sustained) / (VOLTS * legs);
    if let Some(breaker) = entry.breaker_a.filter(|breaker| amps > OVER_BREAKER * breaker) {
        return Some(said!(
            "{label} draws {} A for a quarter of an hour through {} A",
            figure(amps, 0),
            exact(breaker)
        ));
    }
    let gives = if claim.factor < 0.0 { 1.0 - has.negative } else { has.negative };
    match entry.role {
        Role::Load if gives > 0.2 => return Some(said!("{label} gives power")),
        Role::Pv if gives < 0.8 => return Some(said!("{label} takes power")),
        _ => {}
    }
    let (night_s, night) = has.night;
    match entry.end_use {
        EndUse::Pv if night_s >= KNOWN_S && night > 0.05 => Some(said!("{label} is on at night")),
        EndUse::Refrigeration if sustained > MOST_COLD_W => {
            Some(said!("{label} draws {} W for a quarter of an hour", figure(sustained, 0)))
        }
        EndUse::Refrigeration if night_s >= KNOWN_S && night == 0.0 => {
            Some(said!("{label} never runs at night"))
        }
        EndUse::EvCharging if sustained < LEAST_CHARGE_W => {
            Some(said!("{label} never draws more than {} W, and 6 A are the least", figure(sustained, 0)))
        }
        EndUse::WellSump if has.longest_s > LONGEST_PUMP_S => {
            Some(said!("{label} runs for {} h at a time", figure(has.longest_s / 3600.0, 1)))
        }
        _ => None,
    }
}

/// What a channel did, by its levels.
fn habits(court: &Court<'_>, channel: usize, hours: &[i8]) -> Habits {
    let levels = &court.evidence.levels;
    let column: Vec<f32> = levels.column(channel, court.evidence.channels).collect();
    of_column(&column, hours, levels.period.as_seconds())
}

fn of_column(column: &[f32], hours: &[i8], step_s: f64) -> Habits {
    let mut sizes: Vec<f32> = column.iter().filter(|watts| !watts.is_nan()).map(|w| w.abs()).collect();
    sizes.sort_by(|a, b| b.total_cmp(a));
    let sustained_w = sizes.get((SUSTAINED_S / step_s) as usize).copied().unwrap_or(0.0);
    let off = OFF_W.max(OFF_PART * sustained_w);
    let (mut on, mut negative, mut run, mut longest) = (0, 0, 0, 0);
    let (mut night, mut night_on) = (0, 0);
    for (watts, hour) in column.iter().zip(hours) {
        let is_on = watts.abs() > off;
        run = if is_on { run + 1 } else { 0 };
        longest = longest.max(run);
        on += u32::from(is_on);
        negative += u32::from(is_on && *watts < 0.0);
        if NIGHT.contains(hour) && !watts.is_nan() {
            night += 1;
            night_on += u32::from(is_on);
        }
    }
    let part = |of: u32, all: u32| f64::from(of) / f64::from(all.max(1));
    Habits {
        sustained_w,
        night: (f64::from(night) * step_s, part(night_on, night)),
        on_s: f64::from(on) * step_s,
        negative: part(negative, on),
        longest_s: f64::from(longest) * step_s,
    }
}

fn finding(court: &Court<'_>, first: &Claim, second: &Claim, why: &Said) -> Finding {
    let entry = |claim: &Claim| court.entry(claim.place.circuit);
    let name = |claim: &Claim| court.site.channels[claim.channel].name.clone();
    let (one, other) = (entry(first), entry(second));
    let about = court.site.circuits[first.place.circuit].id.clone();
    let claims = court.buses.iter().find(|bus| bus.cts.iter().any(|ct| ct.channel == first.channel));
    Finding {
        kind: Kind::Swapped,
        channels: vec![name(first), name(second)],
        what: said!(
            "{} ({}) and \"{}\" have each other's CTs",
            one.label,
            name(first),
            court.site.circuits[second.place.circuit].id
        ),
        evidence: said!("as mapped, {}; exchanged, neither is out of bounds", why.inner()),
        picture: claims.map(|claims| court.picture(claims, first.channel, first.factor)).unwrap_or_default(),
        confidence: 0.8,
        certain: format!("`panelwright verify {about}`: switch its load and see which CTs and legs move"),
        line: mend::line_of(one),
        edits: mend::exchange(court.site, (one, 0), (other, 0)),
        advice: "change the map as shown; nothing has to be opened".to_owned(),
        accepted: court.site.accepted(Kind::Swapped.as_str(), &about).map(|accept| accept.reason.clone()),
        about,
    }
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn habits_are_read_off_the_levels() {
        // Two days of quarter-hours; on from 11 to 13 h with a negative sign.
        let hours: Vec<i8> = (0..192).map(|n| (n / 4 % 24) as i8).collect();
        let mut column: Vec<f32> =
            hours.iter().map(|hour| if (11..13).contains(hour) { -900.0 } else { 1.0 }).collect();
        let sun = of_column(&column, &hours, 900.0);
        let expected = Habits {
            sustained_w: 900.0,
            night: (8.0 * 3600.0, 0.0),
            on_s: 4.0 * 3600.0,
            negative: 1.0,
            longest_s: 2.0 * 3600.0,
        };
        assert_eq!(sun, expected);
        column[0] = 400.0;
        column[1] = f32::NAN;
        let lamp = of_column(&column, &hours, 900.0);
        assert_eq!(lamp.night, (31.0 * 900.0, 1.0 / 31.0));
    }
}
