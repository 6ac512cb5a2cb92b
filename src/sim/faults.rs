//! Ways in which the demo's map can be wrong, one at a time.
//!
//! Either the invented house is wired in another way than its map says (then the map that would be true
//! is the demo's map with some text changed), or the map that is written down has a slip, or a CT or its
//! meter misbehaves. What the loads do is the same in all of them.

use anyhow::{Context, Result, bail};

use super::HERON_LANE;
use super::loads::{self, Draws};
use crate::audit::Kind;
use crate::site::Site;
use crate::units::TENTHS;

/// A fault of the demo.
#[derive(Clone, Copy, Debug)]
pub struct Fault {
    /// Its name on the command line.
    pub name: &'static str,
    /// The finding that it should lead to.
    pub kind: Kind,
    /// The circuit or bus that it is about, by id.
    pub about: &'static str,
    /// What happened at the invented house.
    pub story: &'static str,
    /// Where somebody who only looks at the figures can see it.
    pub symptom: &'static str,
    /// Changes of the map that is written down.
    slips: &'static [Change],
    /// Changes that would make the written map true.
    wiring: &'static [Change],
    /// What a CT or its meter does.
    tampers: &'static [Tamper],
}

/// Behind the first `anchor`, the first `from` is in truth `to`.
#[derive(Clone, Copy, Debug)]
struct Change {
    anchor: &'static str,
    from: &'static str,
    to: &'static str,
}

/// What is wrong with a channel or a load.
#[derive(Clone, Copy, Debug)]
pub(super) enum Tamper {
    /// The channel shows nothing.
    Dead(&'static str),
    /// It repeats one value, in W.
    Stuck(&'static str, f64),
    /// It ends at so many W.
    Ends(&'static str, f64),
    /// Its unit is so many W.
    Coarse(&'static str, f64),
    /// Its CT is on the wire of another channel's.
    Beside(&'static str, &'static str),
    /// Its CT is on a wire that is no part of this house.
    Foreign(&'static str),
    /// The second leg of a circuit draws only this part of the first's.
    Uneven(&'static str, f64),
    /// A battery is plugged in on that circuit.
    Battery(&'static str),
}

const fn change(anchor: &'static str, from: &'static str, to: &'static str) -> Change {
    Change { anchor, from, to }
}

/// A fault without changes.
const NONE: Fault = Fault {
    name: "",
    kind: Kind::Reversed,
    about: "",
    story: "",
    symptom: "",
    slips: &[],
    wiring: &[],
    tampers: &[],
};

/// Every fault.
pub const FAULTS: &[Fault] = &[
    Fault {
        name: "reversed",
        kind: Kind::Reversed,
        about: "refrigerator",
        story: "the refrigerator's CT was clamped on the other way round than the map says",
        symptom: "the refrigerator shows negative power, and untracked rises whenever it runs",
        wiring: &[change(
            "id = \"refrigerator\"",
            "channels = [\"house/13\"]",
            "channels = [\"house/13\"]\nreversed = true",
        )],
        ..NONE
    },
    Fault {
        name: "reversed-one-of-two",
        kind: Kind::Reversed,
        about: "range",
        story: "one of the range's two CTs was clamped on the other way round",
        symptom: "the range shows next to nothing while it cooks, and untracked rises by what it takes",
        wiring: &[change("id = \"range\"", "\"house/6\"", "{ channel = \"house/6\", reversed = true }")],
        ..NONE
    },
    Fault {
        name: "reversed-mains",
        kind: Kind::Reversed,
        about: "main",
        story: "the mains CT on leg B was clamped on the other way round",
        symptom: "the grid's figure is far too low, and untracked is negative for hours",
        wiring: &[change(
            "bus = \"main\"",
            "{ channel = \"house/m2\", leg = \"B\" }",
            "{ channel = \"house/m2\", leg = \"B\", reversed = true }",
        )],
        ..NONE
    },
    Fault {
        name: "not-doubled",
        kind: Kind::NotDoubled,
        about: "water-heater",
        story: "whoever wrote the map forgot `doubled = true` at the water heater, which has one CT on one of its two legs",
        symptom: "the water heater takes half of what it should, and untracked rises by the other half",
        slips: &[change(
            "id = \"water-heater\"",
            "channels = [\"house/3\"]\ndoubled = true",
            "channels = [\"house/3\"]",
        )],
        ..NONE
    },
    Fault {
        name: "doubled-wrongly",
        kind: Kind::DoubledWrongly,
        about: "water-heater",
        story: "the water heater's CT measures the whole load, and the map doubles it all the same",
        symptom: "untracked falls below zero whenever the water heater runs",
        wiring: &[change(
            "id = \"water-heater\"",
            "channels = [\"house/3\"]\ndoubled = true",
            "channels = [\"house/3\"]",
        )],
        ..NONE
    },
    Fault {
        name: "unbalanced",
        kind: Kind::Unbalanced,
        about: "water-heater",
        story: "the water heater's second leg draws less than the first, where the one CT is that the map doubles",
        symptom: "untracked is somewhat too low whenever the water heater runs",
        tampers: &[Tamper::Uneven("water-heater", 0.6)],
        ..NONE
    },
    Fault {
        name: "wrong-scale",
        kind: Kind::WrongScale,
        about: "kitchen-plugs",
        story: "the meter takes the kitchen counter's CT for one of half its rating",
        symptom: "the kitchen counter takes half of what it should, and untracked the other half",
        wiring: &[change(
            "id = \"kitchen-plugs\"",
            "channels = [\"house/14\"]",
            "channels = [\"house/14\"]\nscale = 2.0",
        )],
        ..NONE
    },
    Fault {
        name: "wrong-leg",
        kind: Kind::WrongLeg,
        about: "living-plugs",
        story: "the living room's breaker is on leg A, and the map has it on leg B",
        symptom: "none in the sums; the room on each leg is wrong",
        wiring: &[change(
            "id = \"living-plugs\"",
            "channels = [\"house/15\"]",
            "channels = [\"house/15\"]\nlegs = [\"A\"]",
        )],
        ..NONE
    },
    Fault {
        name: "mains-swapped",
        kind: Kind::MainsSwapped,
        about: "main",
        story: "the two mains CTs are on each other's legs",
        symptom: "none in the sums; the room on each leg is wrong",
        wiring: &[
            change(
                "bus = \"main\"",
                "{ channel = \"house/m1\", leg = \"A\" }",
                "{ channel = \"house/m1\", leg = \"B\" }",
            ),
            change(
                "bus = \"main\"",
                "{ channel = \"house/m2\", leg = \"B\" }",
                "{ channel = \"house/m2\", leg = \"A\" }",
            ),
        ],
        ..NONE
    },
    Fault {
        name: "pv-sign",
        kind: Kind::PvSign,
        about: "solar",
        story: "the array's CTs read negative while the sun shines, and the map turns them round",
        symptom: "there is no generation, and the house seems to take what the sun gives",
        wiring: &[change("id = \"solar\"", "sign = \"generation-positive\"\n", "")],
        ..NONE
    },
    Fault {
        name: "supply-side",
        kind: Kind::SupplySide,
        about: "solar",
        story: "the array is tapped ahead of the main breaker and of the mains CTs, and the map has it on a breaker of the panel",
        symptom: "untracked is far too high while the sun shines",
        wiring: &[change("id = \"solar\"", "spaces = [38, 40]", "bus = \"service\"\nlegs = [\"A\", \"B\"]")],
        ..NONE
    },
    Fault {
        name: "not-on-bus",
        kind: Kind::NotOnBus,
        about: "lighting",
        story: "the lighting's CT is on a wire that is no part of this house",
        symptom: "untracked falls below zero at times when nobody needs light",
        tampers: &[Tamper::Foreign("house/16")],
        ..NONE
    },
    Fault {
        name: "feeder-twice",
        kind: Kind::FeederTwice,
        about: "barn-freezer",
        story: "whoever wrote the map forgot `bus = \"barn\"` at the barn's freezer, so it counts beside the feeder that carries it",
        symptom: "untracked falls whenever the barn's freezer runs",
        slips: &[change("id = \"barn-freezer\"", "bus = \"barn\"\nspaces = [3]", "legs = [\"B\"]")],
        ..NONE
    },
    Fault {
        name: "same-wire",
        kind: Kind::SameWire,
        about: "ventilation",
        story: "the ventilator's CT is on the lighting's wire",
        symptom: "the ventilator runs only while there is light",
        tampers: &[Tamper::Beside("house/17", "house/16")],
        ..NONE
    },
    Fault {
        name: "swapped",
        kind: Kind::Swapped,
        about: "refrigerator",
        story: "the refrigerator and the lighting have each other's CTs",
        symptom: "the lighting cycles day and night",
        wiring: &[
            change("id = \"refrigerator\"", "channels = [\"house/13\"]", "channels = [\"house/16\"]"),
            change("id = \"lighting\"", "channels = [\"house/16\"]", "channels = [\"house/13\"]"),
        ],
        ..NONE
    },
    Fault {
        name: "dead",
        kind: Kind::Dead,
        about: "refrigerator",
        story: "the refrigerator's CT is not plugged in",
        symptom: "the refrigerator takes nothing",
        tampers: &[Tamper::Dead("house/13")],
        ..NONE
    },
    Fault {
        name: "stuck",
        kind: Kind::Stuck,
        about: "living-plugs",
        story: "the meter's input for the living room repeats one value",
        symptom: "the living room takes the same by day and night",
        tampers: &[Tamper::Stuck("house/15", 217.3)],
        ..NONE
    },
    Fault {
        name: "saturated",
        kind: Kind::Saturated,
        about: "kitchen-plugs",
        story: "the kitchen counter's CT is one of 5 A, and a kettle draws more",
        symptom: "the kitchen counter never takes more than 600 W, and untracked takes the rest",
        slips: &[change("id = \"kitchen-plugs\"", "ct_rating_a = 20", "ct_rating_a = 5")],
        tampers: &[Tamper::Ends("house/14", 600.0)],
        ..NONE
    },
    Fault {
        name: "coarse",
        kind: Kind::Coarse,
        about: "living-plugs",
        story: "the meter sends the living room in steps of 0.1 kW",
        symptom: "the living room jumps between round figures",
        tampers: &[Tamper::Coarse("house/15", 100.0)],
        ..NONE
    },
    Fault {
        name: "untracked-negative",
        kind: Kind::UntrackedNegative,
        about: "main",
        story: "a battery is plugged in outdoors, on a circuit without a CT, and gives 1.2 kW every evening",
        symptom: "untracked is far below zero every evening",
        tampers: &[Tamper::Battery("outdoor-plugs")],
        ..NONE
    },
];

impl Fault {
    /// The fault of that name.
    pub fn named(name: &str) -> Option<&'static Self> {
        FAULTS.iter().find(|fault| fault.name == name)
    }

    /// The map as it is written down at the invented house.
    ///
    /// # Errors
    /// When the demo's map has not the text that the fault changes.
    pub fn map(&self) -> Result<String> {
        changed(HERON_LANE.to_owned(), self.slips)
    }

    /// How the house is wired: the map that would be true.
    ///
    /// # Errors
    /// When the demo's map has not the text that the fault changes, or the outcome is no map.
    pub fn wired(&self) -> Result<Site> {
        // A slip is of the written map alone.
        let text = changed(HERON_LANE.to_owned(), self.wiring)?;
        let parsed = crate::site::parse("heron-lane.toml", &text);
        parsed
            .site
            .with_context(|| format!("the wiring of \"{}\" is no map: {:?}", self.name, parsed.findings))
    }

    /// What CTs and meters do, by the channels of `site`.
    pub(super) fn tampering(&self, site: &Site) -> Result<Tampering> {
        let channel = |name: &str| {
            let found = site.channel(name).map(|index| index.0 as usize);
            found.with_context(|| format!("the demo's map has no channel {name}"))
        };
        let mut tampering = Tampering::default();
        for tamper in self.tampers {
            match *tamper {
                Tamper::Dead(name) => tampering.shown.push((channel(name)?, Shown::Ends(0.0))),
                Tamper::Stuck(name, watts) => tampering.shown.push((channel(name)?, Shown::Stuck(watts))),
                Tamper::Ends(name, watts) => tampering.shown.push((channel(name)?, Shown::Ends(watts))),
                Tamper::Coarse(name, watts) => tampering.shown.push((channel(name)?, Shown::Coarse(watts))),
                Tamper::Beside(name, other) => tampering.beside.push((channel(name)?, channel(other)?)),
                Tamper::Foreign(name) => tampering.foreign.push(channel(name)?),
                Tamper::Battery(id) => {
                    let kind = loads::Kind::named(id).context("no such load is simulated")?;
                    tampering.batteries.push(kind);
                }
                Tamper::Uneven(id, part) => {
                    let circuit = site.circuit_index(id);
                    tampering.uneven.push((circuit.context("the demo's map has no such circuit")?, part));
                }
            }
        }
        Ok(tampering)
    }
}

fn changed(mut text: String, changes: &[Change]) -> Result<String> {
    for Change { anchor, from, to } in changes {
        let anchored = text.find(anchor).with_context(|| format!("the demo's map has no {anchor}"))?;
        let Some(at) = text[anchored..].find(from) else {
            bail!("the demo's map has no {from} behind {anchor}")
        };
        text.replace_range(anchored + at..anchored + at + from.len(), to);
    }
    Ok(text)
}

/// What a meter shows in place of what its CT sees.
#[derive(Clone, Copy, Debug)]
enum Shown {
    Stuck(f64),
    Ends(f64),
    Coarse(f64),
}

/// Tampers by channel.
#[derive(Clone, Debug, Default)]
pub(super) struct Tampering {
    shown: Vec<(usize, Shown)>,
    beside: Vec<(usize, usize)>,
    foreign: Vec<usize>,
    /// (circuit, part of the first leg that the second draws).
    pub(super) uneven: Vec<(usize, f64)>,
    batteries: Vec<loads::Kind>,
}

/// What the plug-in battery takes and gives, in W, and between which hours of the clock; invented.
const CHARGES: (f64, f64, f64) = (1_500.0, 1.0, 6.0);
const GIVES: (f64, f64, f64) = (-1_200.0, 17.0, 23.0);

impl Tampering {
    /// On what loads draw, at a time of the clock in s.
    pub(super) fn on_loads(&self, clock: f64, draws: &mut Draws) {
        for kind in &self.batteries {
            let on = |(watts, from_h, to_h): (f64, f64, f64)| {
                if (from_h..to_h).contains(&(clock / 3600.0)) { watts } else { 0.0 }
            };
            draws.add(*kind, on(CHARGES) + on(GIVES));
        }
    }

    /// On what the CTs see, in W, at a POSIX second.
    pub(super) fn on_wires(&self, utc: i64, exact: &mut [f64]) {
        for (channel, other) in &self.beside {
            exact[*channel] = exact[*other];
        }
        for channel in &self.foreign {
            // A neighbour's boiler, invented: five minutes in every forty-seven.
            exact[*channel] = if utc.rem_euclid(47 * 60) < 300 { 840.0 } else { 6.0 };
        }
    }

    /// On what the meters send, in 0.1 W.
    pub(super) fn on_meters(&self, measured: &mut [i64]) {
        let tenths = |watts: f64| (watts * TENTHS as f64).round() as i64;
        for (channel, shown) in &self.shown {
            let value = &mut measured[*channel];
            *value = match shown {
                Shown::Stuck(watts) => tenths(*watts),
                Shown::Ends(watts) => (*value).clamp(-tenths(*watts), tenths(*watts)),
                Shown::Coarse(watts) => {
                    let step = tenths(*watts);
                    (2 * *value + step).div_euclid(2 * step) * step
                }
            };
        }
    }
}

#[cfg(test)]
#[path = "faults_tests.rs"]
mod tests;
