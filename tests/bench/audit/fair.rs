//! Which faults no reading can show: the data is that of a sound home.
//!
//! Each criterion looks at what was put in and at what it did to the readings, never at what the audit said.

use panelwright::audit::Evidence;
use panelwright::sim::homes::{Fault, Home, Injected};
use panelwright::site::Site;

use super::{Data, EVENTS};

/// A rating that cuts off less of its circuit's energy than this is within what a CT of class 1 errs.
const CUT_OFF: f64 = 0.01;
/// A load of so many stages is flat in each; a meter that rounds shows no more of it.
const STAGES: usize = 2;

/// Why a fault cannot be told from a sound home, if it cannot. `sound` and `faulty` are the evidence without and
/// with it.
pub fn undecidable(
    home: &Home,
    done: &Injected,
    (sound, faulty): (&Evidence, &Evidence),
    site: &Site,
    data: Data,
) -> Option<&'static str> {
    if done.fault == Fault::MainsSwapped {
        return one_each(home, data).then_some(
            "mains-swapped: one circuit of 120 V, or one on each leg: that this one is on the other leg, or that the \
             two have each other's CTs, reads the same",
        );
    }
    let circuit = *done.about.first()?;
    let plan = &home.plan.circuits[circuit];
    let channel = site.channel(&plan.cts.first()?.channel)?.0 as usize;
    let of = &faulty.stats[channel];
    match done.fault {
        Fault::Dead => {
            let always_runs = matches!(plan.end_use.as_deref(), Some("refrigeration" | "PV"));
            // The feed shows a 240 V load; if no other one of the map can be it, it is this one.
            let by_feed = plan.leg.is_none()
                && !home.plan.circuits.iter().any(|other| other.leg.is_none() && other.cts.is_empty());
            let told = always_runs || by_feed || !home.idle_is_still(data.period_s);
            (!told)
                .then_some("dead: a circuit that is not used reads the same, to the last digit of that meter")
        }
        Fault::Saturated => {
            let (before, after) = (sound.stats[channel].sum, of.sum);
            ((before - after).abs() < CUT_OFF * before.abs())
                .then_some("saturated: less than 1 % of the circuit's energy is cut off")
        }
        Fault::Coarse if of.held() == 0 => {
            Some("coarse: all of the load rounds to zero, and it reads as dead")
        }
        Fault::Coarse if home.meter.resolution_w >= 1.0 && of.held() <= STAGES => {
            Some("coarse: one or two levels, as a load of one or two stages has them on a meter that rounds")
        }
        _ => None,
    }
}

/// Whether the panel has so few circuits whose leg shows that one fault of them is as good as exchanged mains.
fn one_each(home: &Home, data: Data) -> bool {
    let seconds = data.hours * 3600;
    let telling = |n: &usize| {
        let circuit = &home.plan.circuits[*n];
        let legs_written = circuit.cts.len() > 1 && circuit.cts.iter().all(|ct| ct.leg.is_some());
        !circuit.cts.is_empty()
            && circuit.wired_bus == 1
            && (circuit.leg.is_some() || legs_written)
            && home.events(*n, seconds, EVENTS) >= EVENTS
    };
    let circuits: Vec<usize> = (0..home.plan.circuits.len()).filter(telling).collect();
    let legs: Vec<Option<usize>> = circuits.iter().map(|n| home.plan.circuits[*n].leg).collect();
    match legs.as_slice() {
        [] | [Some(_)] => true,
        [Some(one), Some(other)] => one != other,
        _ => false,
    }
}
