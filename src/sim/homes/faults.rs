//! What can be wrong with a map or its meters, put into a home.

use super::Home;
use super::plan::Wire;
use crate::audit::Kind;
use crate::sim::chance::{mix, unit};

/// Kinds of fault.
#[derive(Clone, Copy, Debug, PartialEq, Eq, PartialOrd, Ord)]
#[allow(missing_docs, reason = "each name is its own definition, and that of the finding it should give")]
pub enum Fault {
    Reversed,
    ReversedOneOfTwo,
    ReversedMains,
    NotDoubled,
    DoubledWrongly,
    Unbalanced,
    WrongScale,
    WrongLeg,
    MainsSwapped,
    PvSign,
    SupplySide,
    NotOnBus,
    FeederTwice,
    SameWire,
    Swapped,
    Dead,
    Stuck,
    Saturated,
    Coarse,
}

impl Fault {
    /// All of them.
    pub const ALL: &[Self] = &[
        Self::Reversed,
        Self::ReversedOneOfTwo,
        Self::ReversedMains,
        Self::NotDoubled,
        Self::DoubledWrongly,
        Self::Unbalanced,
        Self::WrongScale,
        Self::WrongLeg,
        Self::MainsSwapped,
        Self::PvSign,
        Self::SupplySide,
        Self::NotOnBus,
        Self::FeederTwice,
        Self::SameWire,
        Self::Swapped,
        Self::Dead,
        Self::Stuck,
        Self::Saturated,
        Self::Coarse,
    ];

    /// The finding that names it.
    pub fn kind(self) -> Kind {
        match self {
            Self::Reversed | Self::ReversedOneOfTwo | Self::ReversedMains => Kind::Reversed,
            Self::NotDoubled => Kind::NotDoubled,
            Self::DoubledWrongly => Kind::DoubledWrongly,
            Self::Unbalanced => Kind::Unbalanced,
            Self::WrongScale => Kind::WrongScale,
            Self::WrongLeg => Kind::WrongLeg,
            Self::MainsSwapped => Kind::MainsSwapped,
            Self::PvSign => Kind::PvSign,
            Self::SupplySide => Kind::SupplySide,
            Self::NotOnBus => Kind::NotOnBus,
            Self::FeederTwice => Kind::FeederTwice,
            Self::SameWire => Kind::SameWire,
            Self::Swapped => Kind::Swapped,
            Self::Dead => Kind::Dead,
            Self::Stuck => Kind::Stuck,
            Self::Saturated => Kind::Saturated,
            Self::Coarse => Kind::Coarse,
        }
    }

    /// Whether only the map is wrong, so that the same readings serve for it.
    pub fn is_of_map(self) -> bool {
        !matches!(
            self,
            Self::Unbalanced
                | Self::NotOnBus
                | Self::SameWire
                | Self::Dead
                | Self::Stuck
                | Self::Saturated
                | Self::Coarse
        )
    }
}

/// A fault that was put in.
#[derive(Clone, Debug)]
pub struct Injected {
    /// Which.
    pub fault: Fault,
    /// Circuits (or none, for the mains) that a right finding may be about.
    pub about: Vec<usize>,
}

/// What is done to a channel's readings.
#[derive(Clone, Copy, Debug)]
pub(super) enum Tamper {
    Dead,
    Stuck(f32),
    Saturated(f32),
    Coarse(f32),
}

impl Tamper {
    pub(super) fn apply(self, column: &mut [f32]) {
        for sample in column {
            *sample = match self {
                Self::Dead => 0.0,
                Self::Stuck(at) => at,
                Self::Saturated(end) => sample.clamp(-end, end),
                Self::Coarse(step) => (*sample / step).round() * step,
            };
        }
    }
}

impl Home {
    /// Puts a fault into the home, on a circuit of chance; `None` where the home has none that it fits.
    /// `may` says which circuits are to be considered.
    pub fn inject(&mut self, fault: Fault, chance: u64, may: impl Fn(usize) -> bool) -> Option<Injected> {
        let fits: Vec<usize> = (0..self.plan.circuits.len())
            .filter(|n| !self.plan.circuits[*n].cts.is_empty() && may(*n) && self.fits(fault, *n))
            .collect();
        let whole = matches!(fault, Fault::ReversedMains | Fault::MainsSwapped);
        if fits.is_empty() || (whole && fits.len() < 3) {
            return None;
        }
        let pick = |of: u64, count: usize| (unit(mix(&[chance, of])) * count as f64) as usize;
        let at = fits[pick(1, fits.len())];
        let mut about = vec![at];
        let channel = |home: &Self, n: usize| {
            let name = &home.plan.circuits[n].cts[0].channel;
            home.plan.channels.iter().position(|known| known == name).expect("a CT has a channel")
        };
        match fault {
            Fault::ReversedMains => {
                let leg = pick(2, 2);
                self.plan.mains[leg].reversed ^= true;
                about.clear();
            }
            Fault::MainsSwapped => {
                self.plan.mains[0].leg = Some(1);
                self.plan.mains[1].leg = Some(0);
                about.clear();
            }
            Fault::NotOnBus => self.elsewhere(at, chance),
            Fault::SameWire => {
                let others: Vec<usize> = fits
                    .iter()
                    .copied()
                    .filter(|n| *n != at && self.plan.circuits[*n].doubled == self.plan.circuits[at].doubled)
                    .collect();
                let other = *others.get(pick(3, others.len().max(1)))?;
                let (mine, theirs) = (channel(self, at), channel(self, other));
                self.plan.wires[mine] = self.plan.wires[theirs];
                self.plan.turned[mine] = if self.plan.circuits[at].reversed { -1.0 } else { 1.0 };
                about.push(other);
            }
            Fault::Swapped => {
                let others: Vec<usize> =
                    fits.iter().copied().filter(|n| *n != at && self.differ(at, *n)).collect();
                let other = *others.get(pick(3, others.len().max(1)))?;
                let name = self.plan.circuits[at].cts[0].channel.clone();
                let theirs = std::mem::replace(&mut self.plan.circuits[other].cts[0].channel, name);
                self.plan.circuits[at].cts[0].channel = theirs;
                about.push(other);
            }
            Fault::Unbalanced => {
                let wire = self.plan.wires[channel(self, at)];
                let Wire::Circuit(_, leg) = wire else { return None };
                self.loads[at].unbalance(1 - leg, 0.6);
            }
            Fault::Dead => self.tampered.push((channel(self, at), Tamper::Dead)),
            Fault::Stuck => self.tampered.push((channel(self, at), Tamper::Stuck(217.3))),
            Fault::Saturated => {
                // A CT that ends at three quarters of what the load draws.
                let most = self.peak(at);
                let amps = (0.75 * most / 120.0).floor().max(1.0);
                if amps * 120.0 > 0.9 * most {
                    return None;
                }
                self.plan.circuits[at].ct_a = amps as u32;
                self.tampered.push((channel(self, at), Tamper::Saturated(amps as f32 * 120.0)));
            }
            Fault::Coarse => self.tampered.push((channel(self, at), Tamper::Coarse(100.0))),
            _ => self.mistake(fault, at, pick(4, 2)),
        }
        Some(Injected { fault, about })
    }

    /// Slips of the map alone.
    fn mistake(&mut self, fault: Fault, at: usize, which: usize) {
        let circuit = &mut self.plan.circuits[at];
        match fault {
            Fault::Reversed => circuit.reversed ^= true,
            Fault::ReversedOneOfTwo => circuit.cts[which].reversed ^= true,
            Fault::NotDoubled => circuit.doubled = false,
            Fault::DoubledWrongly => {
                circuit.doubled = true;
                // The map takes a 120 V breaker for one of two poles.
                let row = circuit.spaces.first().map_or(1, |space| (space - 1) / 8 * 8 + 1);
                circuit.spaces = vec![row, row + 2];
            }
            Fault::WrongScale => circuit.scale = Some(if which == 0 { 2.0 } else { 0.5 }),
            Fault::WrongLeg => {
                let leg = 1 - circuit.leg.unwrap_or(0);
                let row = circuit.spaces.first().map_or(1, |space| (space - 1) / 8 * 8 + 1);
                circuit.spaces = vec![row + 2 * leg as u32];
            }
            Fault::PvSign => circuit.generation_positive ^= true,
            Fault::SupplySide => circuit.bus = 1 - circuit.bus.min(1),
            Fault::FeederTwice => circuit.bus = 1,
            _ => {}
        }
    }

    /// A circuit's CT sits on a neighbour's wire: its own load goes on, unseen.
    fn elsewhere(&mut self, at: usize, chance: u64) {
        let mut copy = self.plan.circuits[at].clone();
        copy.id = format!("neighbour-{at}");
        copy.cts.clear();
        copy.wired_bus = 0;
        copy.bus = 0;
        copy.spaces.clear();
        let wire = self.plan.circuits.len();
        let kind = super::loads::KITCHEN;
        let leg = copy.leg.unwrap_or(0);
        copy.leg = Some(leg);
        copy.end_use = Some("other".into());
        copy.doubled = false;
        copy.generation_positive = false;
        copy.reversed = false;
        self.plan.circuits.push(copy);
        self.loads.push(super::loads::Load::new(kind, mix(&[chance, 50]), leg));
        let name = self.plan.circuits[at].cts[0].channel.clone();
        let channel = self.plan.channels.iter().position(|known| *known == name).expect("a CT has a channel");
        self.plan.wires[channel] = Wire::Circuit(wire, leg);
    }

    /// The most that one leg of a circuit carries over a day, in W.
    fn peak(&self, at: usize) -> f64 {
        let mut load = self.loads[at].clone();
        let legs = (0..86_400).step_by(10).map(|t| load.at(super::START_S + t, 10.0));
        legs.map(|legs| legs[0][0].max(legs[1][0])).fold(0.0, f64::max)
    }

    fn differ(&self, a: usize, b: usize) -> bool {
        let (a, b) = (&self.plan.circuits[a], &self.plan.circuits[b]);
        a.wired_bus == b.wired_bus && (a.leg != b.leg || a.doubled != b.doubled)
    }

    fn fits(&self, fault: Fault, n: usize) -> bool {
        let circuit = &self.plan.circuits[n];
        let source = matches!(circuit.end_use.as_deref(), Some("PV" | "storage"));
        let load = !source && circuit.feeds.is_none();
        let one = circuit.cts.len() == 1;
        match fault {
            Fault::Reversed => load,
            Fault::ReversedOneOfTwo => load && circuit.cts.len() == 2,
            Fault::ReversedMains | Fault::MainsSwapped => load && circuit.wired_bus == 1,
            Fault::NotDoubled => circuit.doubled && circuit.wired_bus > 0,
            Fault::DoubledWrongly => load && one && !circuit.doubled && !circuit.spaces.is_empty(),
            Fault::Unbalanced => load && circuit.doubled,
            Fault::WrongScale => load && one,
            Fault::WrongLeg => load && one && circuit.leg.is_some() && !circuit.spaces.is_empty(),
            Fault::PvSign => circuit.end_use.as_deref() == Some("PV") && circuit.wired_bus > 0,
            Fault::SupplySide => circuit.end_use.as_deref() == Some("PV"),
            Fault::NotOnBus => load && one,
            Fault::FeederTwice => load && circuit.wired_bus > 1,
            Fault::SameWire | Fault::Swapped => load && one && circuit.wired_bus == 1,
            Fault::Dead | Fault::Stuck => load && one,
            Fault::Saturated => load && one && circuit.breaker_a >= 30,
            Fault::Coarse => load && one,
        }
    }
}
