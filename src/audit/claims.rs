//! What the map claims of each bus that has a feed: which channels make up its feed, leg by leg, and which
//! leg each circuit's CT is on.
//!
//! A coefficient is in units of the CT's own factor (scale and sign, without doubling): a CT on leg A claims
//! 1 on A and 0 on B, a doubled one 1 on both. Where the map leaves the leg open, each is a claim.

use crate::site::{CircuitEntry, Leg, Role, Site};
use crate::units::{ONE, Stamp};

/// One leg of a feed, or all of it where legs are not known.
#[derive(Clone, Debug, PartialEq)]
pub struct Response {
    /// Which.
    pub leg: Option<Leg>,
    /// (channel, factor) whose sum it is.
    pub terms: Vec<(usize, f64)>,
}

/// Where a CT stands in the map.
#[derive(Clone, Copy, Debug, PartialEq, Eq, PartialOrd, Ord, Hash)]
pub struct Place {
    /// Index into [`Site::circuits`].
    pub circuit: usize,
    /// Which of its CTs.
    pub ct: usize,
}

/// A circuit's CT with its claim on a bus.
#[derive(Clone, Debug)]
pub struct Claim {
    /// Where it stands in the map.
    pub place: Place,
    /// Its channel.
    pub channel: usize,
    /// Scale and sign by the map, without doubling.
    pub factor: f64,
    /// Coefficients by response, any of which is as the map has it.
    pub options: Vec<Vec<f64>>,
    /// The map takes it times 2.
    pub doubled: bool,
}

/// A bus with its feed, and everything that the map has on it.
#[derive(Clone, Debug)]
pub struct BusClaims {
    /// Index into [`Site::buses`].
    pub bus: usize,
    /// The feed. One entry a leg, or a single one for the total.
    pub responses: Vec<Response>,
    /// The map names the leg of each CT of the feed.
    pub legs_written: bool,
    /// Its CTs, feeders of further buses among them.
    pub cts: Vec<Claim>,
}

/// The claims at `at`: buses with a feed, parents before children.
pub fn claims(site: &Site, at: Stamp) -> Vec<BusClaims> {
    let feeds: Vec<Option<(Vec<Response>, bool)>> =
        (0..site.buses.len()).map(|bus| feed(site, bus, at)).collect();
    let fed = |bus: usize| feeds[bus].is_some();
    let mut all = Vec::new();
    for (bus, found) in feeds.iter().enumerate() {
        let Some((responses, legs_written)) = found.clone() else { continue };
        let mut cts = Vec::new();
        for (circuit, named) in site.circuits.iter().enumerate() {
            let Some(entry) = named.entry(at).filter(|entry| !entry.cts.is_empty()) else { continue };
            let here = nearest(site, &fed, entry.bus) == Some(bus);
            // What is tapped ahead of the panel's own feed claims that the feed does not see it.
            let ahead = !here && site.buses[bus].parent == Some(entry.bus) && entry.bus == 0;
            if !here && !ahead {
                continue;
            }
            if matches!(entry.role, Role::Feeder(child) if child == bus) {
                continue;
            }
            for ct in 0..entry.cts.len() {
                let options =
                    if here { options(entry, ct, &responses) } else { vec![vec![0.0; responses.len()]] };
                cts.push(claim(entry, circuit, ct, options));
            }
        }
        all.push(BusClaims { bus, responses, legs_written, cts });
    }
    all
}

/// The claim of one CT.
pub fn claim(entry: &CircuitEntry, circuit: usize, ct: usize, options: Vec<Vec<f64>>) -> Claim {
    let factor = entry.terms[ct].millionths as f64 / ONE as f64;
    Claim {
        place: Place { circuit, ct },
        channel: entry.cts[ct].channel.0 as usize,
        factor: if entry.doubled { factor / 2.0 } else { factor },
        options,
        doubled: entry.doubled,
    }
}

/// What CT number `ct` of an entry claims on a feed of these legs.
pub fn options(entry: &CircuitEntry, ct: usize, responses: &[Response]) -> Vec<Vec<f64>> {
    let on = |legs: &[Leg]| -> Vec<f64> {
        responses.iter().map(|r| f64::from(u8::from(r.leg.is_some_and(|leg| legs.contains(&leg))))).collect()
    };
    if responses.len() == 1 && responses[0].leg.is_none() {
        return vec![vec![if entry.doubled { 2.0 } else { 1.0 }]];
    }
    let legs: Vec<Leg> = responses.iter().filter_map(|response| response.leg).collect();
    if entry.doubled {
        if entry.legs.len() == 2 {
            return vec![on(&entry.legs)];
        }
        let pairs = (0..legs.len()).flat_map(|a| (a + 1..legs.len()).map(move |b| (a, b)));
        return pairs.map(|(a, b)| on(&[legs[a], legs[b]])).collect();
    }
    if let Some(leg) = entry.cts[ct].leg {
        return vec![on(&[leg])];
    }
    let among: Vec<Leg> = if entry.legs.is_empty() { legs } else { entry.legs.clone() };
    let mut all: Vec<Vec<f64>> = among.iter().map(|leg| on(&[*leg])).collect();
    if entry.cts.len() == 1 && among.len() > 1 {
        // One channel that is right without doubling measures the whole load: it may be on any leg, or half
        // on each of two.
        for a in 0..among.len() {
            for b in a + 1..among.len() {
                all.push(on(&[among[a], among[b]]).iter().map(|x| x / 2.0).collect());
            }
        }
    }
    all
}

fn nearest(site: &Site, fed: &dyn Fn(usize) -> bool, bus: usize) -> Option<usize> {
    let mut at = Some(bus);
    while let Some(bus) = at {
        if fed(bus) {
            return Some(bus);
        }
        at = site.buses[bus].parent;
    }
    None
}

/// The feed of a bus: its own, or the CTs of the circuit that feeds it.
fn feed(site: &Site, bus: usize, at: Stamp) -> Option<(Vec<Response>, bool)> {
    let own = site.feeds.iter().find(|feed| feed.bus == bus && feed.span.contains(&at));
    let feeder = || {
        let entries = site.circuits.iter().filter_map(|circuit| circuit.entry(at));
        entries.into_iter().find(|entry| entry.role == Role::Feeder(bus))
    };
    let (cts, terms, legs) = match own {
        Some(feed) => (&feed.cts, &feed.terms, Vec::new()),
        None => feeder().map(|entry| (&entry.cts, &entry.terms, entry.legs.clone()))?,
    };
    if cts.is_empty() {
        return None;
    }
    let written = cts.iter().all(|ct| ct.leg.is_some());
    let legs: Vec<Option<Leg>> = if written {
        cts.iter().map(|ct| ct.leg).collect()
    } else {
        let legs = if legs.is_empty() { site.service.system.legs().to_vec() } else { legs };
        if legs.len() == cts.len() && cts.len() > 1 {
            legs.into_iter().map(Some).collect()
        } else {
            vec![None; cts.len()]
        }
    };
    let terms = terms.iter().map(|term| (term.series.0 as usize, term.millionths as f64 / ONE as f64));
    if legs.iter().all(Option::is_some) {
        let mut responses: Vec<Response> =
            legs.into_iter().zip(terms).map(|(leg, term)| Response { leg, terms: vec![term] }).collect();
        responses.sort_by_key(|response| response.leg);
        return Some((responses, written));
    }
    Some((vec![Response { leg: None, terms: terms.collect() }], written))
}
