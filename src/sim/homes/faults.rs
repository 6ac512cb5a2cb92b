//! What can be wrong with a map or its meters, put into a home.

use super::Home;
use super::plan::Wire;
use crate::audit::Kind;
use crate::sim::chance::{mix, unit, wander};
use crate::units::{Span, Stamp};

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
    SwappedAlike,
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
        Self::SwappedAlike,
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
            Self::Swapped | Self::SwappedAlike => Kind::Swapped,
            Self::Dead => Kind::Dead,
            Self::Stuck => Kind::Stuck,
            Self::Saturated => Kind::Saturated,
            Self::Coarse => Kind::Coarse,
        }
    }

    /// Whether only a meter is wrong, so that it changes what sound readings were.
    pub fn is_of_meter(self) -> bool {
        matches!(self, Self::Dead | Self::Stuck | Self::Saturated | Self::Coarse)
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

/// What a load does on the first day.
#[derive(Clone, Copy, Debug, Default)]
struct Day {
    sustained_w: f64,
    gives: bool,
    by_night: bool,
    longest_s: i64,
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
    /// Changes a column of samples that begins at `start`.
    pub(super) fn apply(self, start: Stamp, period: Span, column: &mut [f32]) {
        for (n, sample) in column.iter_mut().enumerate() {
            // The current is cut off; the power goes on to follow the voltage.
            let minutes = (start.0 + period.0 * n as i64) as f64 / Span::MINUTE.0 as f64;
            *sample = match self {
                Self::Dead => 0.0,
                Self::Stuck(at) => at,
                Self::Saturated(end) => {
                    let end = end * (1.0 + 0.004 * wander(u64::from(end.to_bits()), minutes / 3.0) as f32);
                    sample.clamp(-end, end)
                }
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
            Fault::Swapped | Fault::SwappedAlike => about.push(self.exchange(fault, at, &fits, chance)?),
            Fault::Unbalanced => {
                let wire = self.plan.wires[channel(self, at)];
                let Wire::Circuit(_, leg) = wire else { return None };
                self.loads[at].unbalance(1 - leg, 0.6);
            }
            Fault::Dead => self.tampered.push((channel(self, at), Tamper::Dead)),
            Fault::Stuck => self.tampered.push((channel(self, at), Tamper::Stuck(217.3))),
            Fault::Saturated => {
                // A CT that ends at three quarters of what the load draws for some time.
                let most = self.sustained(at);
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

    /// The map has two circuits' CTs exchanged; the other one of the pair.
    fn exchange(&mut self, fault: Fault, at: usize, fits: &[usize], chance: u64) -> Option<usize> {
        let alike = fault == Fault::SwappedAlike;
        let pair = |n: usize| if alike { self.by_labels(at, n) } else { self.differ(at, n) };
        let others: Vec<usize> = fits.iter().copied().filter(|n| *n != at && pair(*n)).collect();
        let pick = (unit(mix(&[chance, 3])) * others.len().max(1) as f64) as usize;
        let other = *others.get(pick)?;
        let name = self.plan.circuits[at].cts[0].channel.clone();
        let theirs = std::mem::replace(&mut self.plan.circuits[other].cts[0].channel, name);
        self.plan.circuits[at].cts[0].channel = theirs;
        Some(other)
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

    /// What the busier leg of a circuit carries on the first day for a quarter of an hour in all, in W.
    fn sustained(&self, at: usize) -> f64 {
        self.day_of(at).sustained_w
    }

    fn day_of(&self, at: usize) -> Day {
        let mut load = self.loads[at].clone();
        let mut sizes = Vec::with_capacity(8640);
        let mut day = Day::default();
        let mut run = 0;
        for second in (0..86_400).step_by(10) {
            let legs = load.at(super::START_S + second, 10.0);
            let watts = if legs[1][0].abs() > legs[0][0].abs() { legs[1][0] } else { legs[0][0] };
            run = if watts.abs() > 20.0 { run + 10 } else { 0 };
            day.longest_s = day.longest_s.max(run);
            day.gives |= watts < -20.0;
            day.by_night |= watts.abs() > 20.0 && !(4 * 3600..22 * 3600).contains(&second);
            sizes.push(watts.abs());
        }
        sizes.sort_by(|a: &f64, b| b.total_cmp(a));
        day.sustained_w = sizes[90];
        day
    }

    /// Whether the label of `at` rules out what circuit `load` does: it would give power, solar would take
    /// some, its breaker would carry 1.5 times its rating, a charger of electric vehicles would draw less than
    /// 5 A a leg, a refrigerator 2 kW or nothing by night, a pump for 4 h on end.
    fn ruled_out(&self, at: usize, load: usize) -> bool {
        let (circuit, day) = (&self.plan.circuits[at], self.day_of(load));
        let end_use = circuit.end_use.as_deref();
        let source = matches!(end_use, Some("PV" | "storage"));
        (day.gives && !source)
            || (end_use == Some("PV") && !day.gives)
            || day.sustained_w > 180.0 * f64::from(circuit.breaker_a)
            || match end_use {
                Some("EV charging") => day.sustained_w < 600.0,
                Some("refrigeration") => day.sustained_w > 2000.0 || !day.by_night,
                Some("well/sump") => day.longest_s > 4 * 3600,
                _ => false,
            }
    }

    /// Whether two circuits are on the same legs with CTs alike, and each label rules out the other's load.
    fn by_labels(&self, a: usize, b: usize) -> bool {
        let (one, other) = (&self.plan.circuits[a], &self.plan.circuits[b]);
        let alike = one.wired_bus == other.wired_bus
            && one.leg == other.leg
            && one.doubled == other.doubled
            && one.cts.len() == 1
            && other.cts.len() == 1;
        alike && self.ruled_out(a, b) && self.ruled_out(b, a)
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
            Fault::SwappedAlike => {
                one && circuit.wired_bus > 0
                    && (0..self.plan.circuits.len()).any(|other| other != n && self.by_labels(n, other))
            }
            Fault::Dead | Fault::Stuck => load && one,
            Fault::Saturated => load && one && circuit.breaker_a >= 30,
            Fault::Coarse => load && one,
        }
    }
}
