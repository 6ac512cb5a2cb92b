//! A home's panels and circuits, and the map that describes them.

use std::fmt::Write as _;

use super::loads::{self, Load, Type, between};
use crate::sim::chance::{mix, unit};

/// A CT in the map.
#[derive(Clone, Debug, PartialEq)]
pub struct Ct {
    /// `device/channel`.
    pub channel: String,
    /// 0 is A, 1 is B.
    pub leg: Option<usize>,
    /// Turned round in the map.
    pub reversed: bool,
}

/// A circuit in the map, and where it is.
#[derive(Clone, Debug)]
pub struct Circuit {
    /// Id.
    pub id: String,
    /// Label.
    pub label: String,
    /// End use; none for a feeder.
    pub end_use: Option<String>,
    /// Bus in the map: 0 service, 1 main, then subpanels.
    pub bus: usize,
    /// Bus that it is wired to.
    pub wired_bus: usize,
    /// Spaces.
    pub spaces: Vec<u32>,
    /// Legs, where the map writes them.
    pub legs: Option<Vec<usize>>,
    /// Breaker in A.
    pub breaker_a: u32,
    /// CT rating in A.
    pub ct_a: u32,
    /// Its CTs.
    pub cts: Vec<Ct>,
    /// Doubled in the map.
    pub doubled: bool,
    /// Reversed in the map.
    pub reversed: bool,
    /// Scale in the map.
    pub scale: Option<f64>,
    /// `sign = "generation-positive"`.
    pub generation_positive: bool,
    /// The bus that it feeds.
    pub feeds: Option<usize>,
    /// 0 or 1 for a 120 V circuit; both for the others.
    pub leg: Option<usize>,
}

/// What a CT is clamped on.
#[derive(Clone, Copy, Debug, PartialEq)]
pub enum Wire {
    /// Nothing.
    Spare,
    /// A leg of what flows into a bus.
    Bus(usize, usize),
    /// A leg of a circuit.
    Circuit(usize, usize),
    /// All of a circuit.
    Whole(usize),
}

/// The wiring of a home with its map.
#[derive(Clone, Debug)]
pub struct Plan {
    /// Bus ids: service, main, subpanels.
    pub buses: Vec<String>,
    /// By bus: whether the map names it.
    pub bus_written: Vec<bool>,
    /// The mains CTs.
    pub mains: Vec<Ct>,
    /// Circuits.
    pub circuits: Vec<Circuit>,
    /// Channel names.
    pub channels: Vec<String>,
    /// By channel.
    pub wires: Vec<Wire>,
    /// By channel: 1, or −1 for a CT that is turned round.
    pub turned: Vec<f64>,
}

const PLENTY: &[Type] = &[
    loads::HEAT_PUMP,
    loads::FRIDGE,
    loads::KITCHEN,
    loads::LIGHTS,
    loads::WATER,
    loads::PLUGS,
    loads::RANGE,
    loads::DRYER,
    loads::UNUSED,
    loads::WASHER,
    loads::PUMP,
    loads::FAN,
    loads::BASEBOARD,
    loads::FREEZER,
    loads::DEHUMIDIFIER,
    loads::EV,
    loads::DISHWASHER,
    loads::PLUGS,
    loads::LIGHTS,
    loads::KITCHEN,
    loads::BASEBOARD,
    loads::PLUGS,
    loads::LIGHTS,
    loads::BASEBOARD,
    loads::FAN,
    loads::PLUGS,
    loads::UNUSED,
    loads::FREEZER,
    loads::LIGHTS,
    loads::PLUGS,
];

/// Draws a home with about `channels` channels; circuits and their loads go together.
pub(super) fn draw(seed: u64, channels: usize) -> (Plan, Vec<Load>) {
    let yes = |of: u64, p: f64| unit(mix(&[seed, of])) < p;
    let mut plan = Plan {
        buses: vec!["service".into(), "main".into()],
        bus_written: vec![false, false],
        mains: Vec::new(),
        circuits: Vec::new(),
        channels: Vec::new(),
        wires: Vec::new(),
        turned: Vec::new(),
    };
    let mut loads: Vec<Load> = Vec::new();
    for leg in 0..2 {
        let channel = plan.ct(Wire::Bus(1, leg), false);
        plan.mains.push(Ct { channel, leg: Some(leg), reversed: false });
    }
    let mut kinds: Vec<(Type, usize)> = Vec::new();
    if channels >= 8 && yes(1, 0.5) {
        kinds.push((loads::PV, if yes(3, 0.2) { 0 } else { 1 }));
    }
    if channels >= 14 && yes(2, 0.3) {
        kinds.push((loads::BATTERY, 1));
    }
    let subpanel = channels >= 10 && yes(4, 0.4);
    let mut budget = channels.saturating_sub(2 + kinds.len() * 2 + if subpanel { 2 } else { 0 });
    let offset = (between(seed, 5, 0.0, 5.0)) as usize;
    for n in 0.. {
        let kind = PLENTY[(n + offset) % PLENTY.len()];
        let need = if kind.two_pole && !kind.balanced { 2 } else { 1 };
        if budget < need || n >= 2 * PLENTY.len() {
            break;
        }
        budget -= need;
        let below = subpanel && n % 3 == 2 && n < 18;
        kinds.push((kind, if below { 2 } else { 1 }));
    }
    if subpanel {
        plan.buses.push("barn".into());
        plan.bus_written.push(true);
        plan.feeder(seed, &mut loads);
    }
    for (n, (kind, bus)) in kinds.into_iter().enumerate() {
        plan.measured(seed, n as u64, kind, bus, &mut loads);
    }
    for n in 0..3 + channels as u64 / 8 {
        let kind = [loads::DISHWASHER, loads::PLUGS, loads::KITCHEN, loads::WASHER][n as usize % 4];
        plan.unmeasured(seed, n, kind, &mut loads);
    }
    for leg in 0..2 {
        plan.unmeasured_base(seed, leg, &mut loads);
    }
    (plan, loads)
}

impl Plan {
    fn ct(&mut self, wire: Wire, turned: bool) -> String {
        self.wires.push(wire);
        self.turned.push(if turned { -1.0 } else { 1.0 });
        let name = format!("meter/{}", self.wires.len());
        self.channels.push(name.clone());
        name
    }

    fn circuit(&mut self, id: &str, kind: &Type, bus: usize, leg: Option<usize>) -> usize {
        let taken =
            self.circuits.iter().filter(|c| c.id == id || c.id.starts_with(&format!("{id}-"))).count();
        let id = if taken == 0 { id.to_owned() } else { format!("{id}-{}", taken + 1) };
        // Rows of spaces: 1 and 2 on A, 3 and 4 on B. Each circuit takes a block of four rows of its own.
        let row = 8 * self.circuits.len() as u32;
        let spaces = match leg {
            None => vec![row + 1, row + 3],
            Some(leg) => vec![row + 1 + 2 * leg as u32],
        };
        self.circuits.push(Circuit {
            id,
            label: kind.label.to_owned(),
            end_use: (!kind.end_use.is_empty()).then(|| kind.end_use.to_owned()),
            bus,
            wired_bus: bus,
            spaces: if row + 8 < 200 { spaces } else { Vec::new() },
            legs: (row + 8 >= 200).then(|| leg.map_or(vec![0, 1], |leg| vec![leg])),
            breaker_a: kind.breaker_a,
            ct_a: if kind.breaker_a > 20 { 100 } else { 50 },
            cts: Vec::new(),
            doubled: false,
            reversed: false,
            scale: None,
            generation_positive: false,
            feeds: None,
            leg,
        });
        self.circuits.len() - 1
    }

    fn measured(&mut self, seed: u64, n: u64, kind: Type, bus: usize, loads: &mut Vec<Load>) {
        let key = mix(&[seed, 1000 + n]);
        let pick = |of: u64, p: f64| unit(mix(&[key, of])) < p;
        let leg = (!kind.two_pole).then(|| usize::from(pick(1, 0.5)));
        let at = self.circuit(kind.id, &kind, bus, leg);
        let load = Load::new(kind, key, leg.unwrap_or(0));
        let turned = pick(2, 0.15);
        let pv = kind.id == "solar";
        let source = pv || kind.id == "battery";
        if kind.two_pole && kind.balanced && (!source || pick(3, 0.5)) {
            let on = usize::from(pick(4, 0.5));
            let channel = self.ct(Wire::Circuit(at, on), turned != pv);
            self.circuits[at].cts.push(Ct { channel, leg: None, reversed: false });
            self.circuits[at].doubled = true;
        } else if kind.two_pole {
            for leg in 0..2 {
                let channel = self.ct(Wire::Circuit(at, leg), turned != pv);
                self.circuits[at].cts.push(Ct { channel, leg: pick(5, 0.5).then_some(leg), reversed: false });
            }
        } else {
            let channel = self.ct(Wire::Circuit(at, leg.unwrap_or(0)), turned);
            self.circuits[at].cts.push(Ct { channel, leg: None, reversed: false });
        }
        // Turned CTs are so in the map too; PV mostly reads positive while the sun shines.
        self.circuits[at].generation_positive = pv && !turned;
        self.circuits[at].reversed = turned && !pv;
        if pv && turned {
            for ct in &self.circuits[at].cts {
                let channel =
                    self.channels.iter().position(|name| *name == ct.channel).expect("it was just made");
                self.turned[channel] = 1.0;
            }
        }
        loads.push(load);
    }

    fn feeder(&mut self, seed: u64, loads: &mut Vec<Load>) {
        let kind = Type {
            id: "barn-feeder",
            label: "Barn feeder",
            end_use: "",
            two_pole: true,
            balanced: false,
            breaker_a: 60,
        };
        let at = self.circuit(kind.id, &kind, 1, None);
        self.circuits[at].feeds = Some(2);
        for leg in 0..2 {
            let channel = self.ct(Wire::Bus(2, leg), false);
            self.circuits[at].cts.push(Ct { channel, leg: Some(leg), reversed: false });
        }
        loads.push(Load::base(mix(&[seed, 9]), 0));
    }

    fn unmeasured(&mut self, seed: u64, n: u64, kind: Type, loads: &mut Vec<Load>) {
        let key = mix(&[seed, 2000 + n]);
        let leg = (!kind.two_pole).then(|| usize::from(unit(mix(&[key, 1])) < 0.5));
        self.circuit(&format!("other-{}", kind.id), &kind, 1, leg);
        loads.push(Load::new(kind, key, leg.unwrap_or(0)));
    }

    fn unmeasured_base(&mut self, seed: u64, leg: usize, loads: &mut Vec<Load>) {
        let kind = Type {
            id: "always-on",
            label: "Always on",
            end_use: "other",
            two_pole: false,
            balanced: false,
            breaker_a: 15,
        };
        self.circuit(kind.id, &kind, 1, Some(leg));
        loads.push(Load::base(mix(&[seed, 3000 + leg as u64]), leg));
    }

    /// The map, for meters of that period.
    pub fn map(&self, period_s: i64) -> String {
        let mut text = format!(
            "site = \"home\"\ntime_zone = \"UTC\"\n[service]\nsystem = \"split-phase 120/240\"\n\n[[device]]\nid = \
             \"meter\"\ntopic = \"home/{{channel}}\"\nunit = \"W\"\nevery_s = {period_s}\nchannels = [{}]\n\n",
            (1..=self.channels.len()).map(|n| format!("\"{n}\"")).collect::<Vec<_>>().join(", ")
        );
        let _ = writeln!(text, "[[feed]]\nbus = \"main\"\n{}\n", channels(&self.mains));
        for (bus, id) in self.buses.iter().enumerate().skip(2).filter(|(bus, _)| self.bus_written[*bus]) {
            let feeder =
                self.circuits.iter().find(|c| c.feeds == Some(bus)).expect("a subpanel has a feeder");
            let _ = writeln!(text, "[[bus]]\nid = \"{id}\"\nfed_by = \"{}\"\n", feeder.id);
        }
        for circuit in &self.circuits {
            self.write(circuit, &mut text);
        }
        text
    }

    fn write(&self, circuit: &Circuit, text: &mut String) {
        let _ = writeln!(text, "[[circuit]]\nid = \"{}\"\nlabel = \"{}\"", circuit.id, circuit.label);
        let plain = circuit.feeds.is_some_and(|bus| !self.bus_written[bus]).then_some("other");
        if let Some(end_use) = circuit.end_use.as_deref().or(plain) {
            let _ = writeln!(text, "end_use = \"{end_use}\"");
        }
        if circuit.bus != 1 {
            let _ = writeln!(text, "bus = \"{}\"", self.buses[circuit.bus]);
        }
        if !circuit.spaces.is_empty() {
            let _ = writeln!(text, "spaces = {:?}", circuit.spaces);
        }
        if let Some(legs) = &circuit.legs {
            let legs: Vec<&str> = legs.iter().map(|leg| if *leg == 0 { "\"A\"" } else { "\"B\"" }).collect();
            let _ = writeln!(text, "legs = [{}]", legs.join(", "));
        }
        let _ = writeln!(text, "breaker_a = {}", circuit.breaker_a);
        if !circuit.cts.is_empty() {
            let _ = writeln!(text, "ct_rating_a = {}\n{}", circuit.ct_a, channels(&circuit.cts));
        }
        for (is, line) in [
            (circuit.doubled, "doubled = true"),
            (circuit.reversed, "reversed = true"),
            (circuit.generation_positive, "sign = \"generation-positive\""),
        ] {
            if is {
                let _ = writeln!(text, "{line}");
            }
        }
        if let Some(scale) = circuit.scale {
            let _ = writeln!(text, "scale = {scale}");
        }
        text.push('\n');
    }
}

fn channels(cts: &[Ct]) -> String {
    let cts: Vec<String> = cts
        .iter()
        .map(|ct| {
            let leg = ct
                .leg
                .map_or(String::new(), |leg| format!(", leg = \"{}\"", if leg == 0 { "A" } else { "B" }));
            let reversed = if ct.reversed { ", reversed = true" } else { "" };
            format!("{{ channel = \"{}\"{leg}{reversed} }}", ct.channel)
        })
        .collect();
    format!("channels = [{}]", cts.join(", "))
}
