//! From what loads draw on each leg to what each CT reads, as the map says it is installed.
//!
//! The map tells how a channel becomes a circuit's power; a simulated CT has to undo that. A CT
//! clamped backwards reads with the wrong sign, one on a doubled circuit sees half of it, one with a
//! calibration factor reads as much too little as the factor makes up for. So the map, applied to
//! the channels, must give the loads back: that is the test of both.

use std::ops::Range;

use anyhow::{Result, bail};

use super::loads::{Draw, Draws, Kind};
use crate::site::{FigureKey, Leg, Plan, Role, SeriesIndex, Site, Term};
use crate::units::{ONE, Stamp};

/// Watts on each leg: A, B, C.
pub(super) type Legs = [f64; 3];

fn slot(leg: Leg) -> usize {
    match leg {
        Leg::A => 0,
        Leg::B => 1,
        Leg::C => 2,
    }
}

/// What a CT sits on.
#[derive(Clone, Copy, Debug)]
enum Conductor {
    /// One leg of a circuit.
    Circuit(usize, usize),
    /// All conductors of a circuit at once.
    WholeCircuit(usize),
    /// One leg of what flows into a bus.
    Bus(usize, usize),
}

/// A CT: its channel, its conductor, and what its reading is multiplied by to be right.
#[derive(Clone, Copy, Debug)]
struct Clamp {
    channel: usize,
    conductor: Conductor,
    factor: f64,
}

/// A load on its breaker.
#[derive(Clone, Debug)]
struct Branch {
    circuit: usize,
    bus: usize,
    /// The legs of its first and second conductor.
    legs: Vec<usize>,
    role: Role,
    measured: bool,
    kind: Option<Kind>,
}

/// How the house is wired in one epoch of the map.
#[derive(Clone, Debug)]
pub(super) struct Wiring {
    /// When it holds.
    pub span: Range<Stamp>,
    branches: Vec<Branch>,
    clamps: Vec<Clamp>,
    /// By bus: the bus above, and the circuit that feeds it.
    above: Vec<(Option<usize>, Option<usize>)>,
    main: usize,
    /// Circuits whose second leg draws only a part of what it should.
    pub uneven: Vec<(usize, f64)>,
}

/// Power by circuit and by bus in one second.
#[derive(Clone, Debug, Default)]
pub(super) struct Powers {
    /// By circuit, on each leg.
    pub circuits: Vec<Legs>,
    /// Into each bus, on each leg.
    pub buses: Vec<Legs>,
}

impl Wiring {
    /// As the map has it at `at`.
    ///
    /// # Errors
    /// A measured circuit for which there is no load.
    pub(super) fn of(site: &Site, at: Stamp) -> Result<Self> {
        let epoch = site.epoch(at);
        let main = site.buses.iter().position(|bus| bus.id == "main").unwrap_or(0);
        let mut above: Vec<_> = site.buses.iter().map(|bus| (bus.parent, None)).collect();
        let (mut branches, mut clamps) = (Vec::new(), Vec::new());
        for (circuit, named) in site.circuits.iter().enumerate() {
            let Some(entry) = named.entry(at) else { continue };
            let kind = Kind::named(&named.id);
            let measured = !entry.terms.is_empty();
            if let Role::Feeder(bus) = entry.role {
                above[bus].1 = Some(circuit);
            } else if kind.is_none() && measured {
                bail!("no load is simulated for the circuit \"{}\", which has a CT", named.id);
            }
            let legs: Vec<usize> = entry.legs.iter().map(|leg| slot(*leg)).collect();
            clamps.extend(circuit_clamps(circuit, &entry.terms, entry.doubled, &legs));
            branches.push(Branch { circuit, bus: entry.bus, legs, role: entry.role, measured, kind });
        }
        clamps.extend(mains_clamps(site, &epoch.plan, main));
        clamps.extend(bus_clamps(site, &epoch.plan, &clamps));
        Ok(Self { span: epoch.span.clone(), branches, clamps, above, main, uneven: Vec::new() })
    }

    /// Spreads what the loads draw over circuits and buses.
    pub(super) fn flow(&self, draws: &Draws, powers: &mut Powers) {
        powers.circuits.fill([0.0; 3]);
        powers.buses.fill([0.0; 3]);
        for branch in &self.branches {
            if let (Some(kind), false) = (branch.kind, matches!(branch.role, Role::Feeder(_))) {
                let mut legs = on_legs(draws.of(kind), &branch.legs);
                for (_, part) in self.uneven.iter().filter(|(circuit, _)| *circuit == branch.circuit) {
                    legs[branch.legs.get(1).copied().unwrap_or(1)] *= part;
                }
                powers.circuits[branch.circuit] = legs;
                add(&mut powers.buses[branch.bus], legs);
            }
        }
        add(&mut powers.buses[self.main], on_legs(draws.elsewhere, &[0, 1]));
        // Children stand behind their parents, so going backwards adds each up before it is used.
        for bus in (0..self.above.len()).rev() {
            let flow = powers.buses[bus];
            let (parent, feeder) = self.above[bus];
            if let Some(feeder) = feeder {
                powers.circuits[feeder] = flow;
            }
            if let Some(parent) = parent {
                add(&mut powers.buses[parent], flow);
            }
        }
    }

    /// What each CT reads, in W; a spare input reads nothing.
    pub(super) fn read(&self, powers: &Powers, channels: &mut [f64]) {
        channels.fill(0.0);
        for clamp in &self.clamps {
            let watts = match clamp.conductor {
                Conductor::Circuit(circuit, leg) => powers.circuits[circuit][leg],
                Conductor::WholeCircuit(circuit) => powers.circuits[circuit].iter().sum(),
                Conductor::Bus(bus, leg) => powers.buses[bus][leg],
            };
            channels[clamp.channel] = watts / clamp.factor;
        }
    }

    /// (what PV circuits give, what loads without a CT take and PV circuits without one give less).
    pub(super) fn totals(&self, powers: &Powers, elsewhere: f64) -> (f64, f64) {
        let (mut generation, mut untracked) = (0.0, elsewhere);
        for branch in &self.branches {
            let watts: f64 = powers.circuits[branch.circuit].iter().sum();
            if branch.role == Role::Pv {
                generation += (-watts).max(0.0);
            }
            if !branch.measured && !matches!(branch.role, Role::Feeder(_)) {
                untracked += watts;
            }
        }
        (generation, untracked)
    }
}

fn add(sum: &mut Legs, legs: Legs) {
    for (sum, watts) in sum.iter_mut().zip(legs) {
        *sum += watts;
    }
}

/// A draw on the legs of its breaker. One leg alone takes everything, as a simulated 240 V load
/// would on a breaker that the map has as 1-pole.
fn on_legs(draw: Draw, legs: &[usize]) -> Legs {
    let mut watts = [0.0; 3];
    let first = legs.first().copied().unwrap_or(0);
    let second = legs.get(1).copied().unwrap_or(first);
    watts[first] += draw.between / 2.0 + draw.first;
    watts[second] += draw.between / 2.0 + draw.second;
    watts
}

fn factor(term: &Term) -> f64 {
    term.millionths as f64 / ONE as f64
}

fn circuit_clamps(circuit: usize, terms: &[Term], doubled: bool, legs: &[usize]) -> Vec<Clamp> {
    let clamp = |term: &Term, conductor, factor| Clamp { channel: term.series.0 as usize, conductor, factor };
    match terms {
        [only] if doubled => {
            let leg = legs.first().copied().unwrap_or(0);
            vec![clamp(only, Conductor::Circuit(circuit, leg), factor(only) / 2.0)]
        }
        [only] => vec![clamp(only, Conductor::WholeCircuit(circuit), factor(only))],
        several => several
            .iter()
            .enumerate()
            .map(|(n, term)| {
                let leg = legs.get(n).copied().unwrap_or(n);
                clamp(term, Conductor::Circuit(circuit, leg), factor(term))
            })
            .collect(),
    }
}

/// The channel of a feed's term, whether a counter says its energy or not.
fn ct(site: &Site, series: SeriesIndex) -> usize {
    site.ct_of(series).expect("feeds are sums of CTs").0 as usize
}

fn figure(plan: &Plan, key: FigureKey) -> &[Term] {
    plan.figures.iter().find(|figure| figure.key == key).map_or(&[], |figure| &figure.terms)
}

/// The mains CTs, one a leg. Below a supply-side tap they see what flows into the panel, above it
/// what flows into the service point: then the panel's feed has more terms than they are.
fn mains_clamps(site: &Site, plan: &Plan, main: usize) -> Vec<Clamp> {
    let legs: Vec<(usize, &Term)> = [Leg::A, Leg::B, Leg::C]
        .into_iter()
        .flat_map(|leg| figure(plan, FigureKey::MainsLeg(leg)).iter().map(move |term| (slot(leg), term)))
        .collect();
    let bus = if figure(plan, FigureKey::BusFeed(main)).len() == legs.len() { main } else { 0 };
    legs.into_iter()
        .map(|(leg, term)| Clamp {
            channel: ct(site, term.series),
            conductor: Conductor::Bus(bus, leg),
            factor: factor(term),
        })
        .collect()
}

/// CTs on a subpanel's own busbar: feeds that are neither mains nor a feeder circuit.
fn bus_clamps(site: &Site, plan: &Plan, taken: &[Clamp]) -> Vec<Clamp> {
    let is_taken = |series: SeriesIndex| taken.iter().any(|clamp| clamp.channel == ct(site, series));
    let mut clamps = Vec::new();
    for figure in &plan.figures {
        let FigureKey::BusFeed(bus) = figure.key else { continue };
        for (leg, term) in figure.terms.iter().enumerate().filter(|(_, term)| !is_taken(term.series)) {
            clamps.push(Clamp {
                channel: ct(site, term.series),
                conductor: Conductor::Bus(bus, leg.min(2)),
                factor: factor(term),
            });
        }
    }
    clamps
}
