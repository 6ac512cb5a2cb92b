//! Ways in which the demo's map can be wrong, one at a time.
//!
//! Either the invented house is wired in another way than its map says (then the map that would be true
//! is the demo's map with some text changed), or the map that is written down has a slip, or a CT or its
//! meter misbehaves. What the loads do is the same in all of them.

use anyhow::{Context, Result, bail};

use super::HERON_LANE;
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
        about: "living-plugs",
        story: "the meter takes the living room's CT for one of half its rating",
        symptom: "the living room takes half of what it should, and untracked the other half",
        wiring: &[change(
            "id = \"living-plugs\"",
            "channels = [\"house/15\"]",
            "channels = [\"house/15\"]\nscale = 2.0",
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
        about: "range",
        story: "the range's CTs are of 10 A, and its elements draw more",
        symptom: "the range never takes more than 2.4 kW, and untracked the rest",
        slips: &[change("id = \"range\"", "ct_rating_a = 50", "ct_rating_a = 10")],
        tampers: &[Tamper::Ends("house/5", 1200.0), Tamper::Ends("house/6", 1200.0)],
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
        story: "both mains CTs read too little, by 6 %",
        symptom: "untracked is below zero whenever much is on",
        wiring: &[
            change(
                "bus = \"main\"",
                "{ channel = \"house/m1\", leg = \"A\" }",
                "{ channel = \"house/m1\", leg = \"A\", scale = 1.06 }",
            ),
            change(
                "bus = \"main\"",
                "{ channel = \"house/m2\", leg = \"B\" }",
                "{ channel = \"house/m2\", leg = \"B\", scale = 1.06 }",
            ),
        ],
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
}

impl Tampering {
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
mod tests {
    use super::*;
    use crate::sim::Simulation;
    use crate::units::Stamp;

    #[test]
    fn every_kind_of_the_audit_has_a_fault_whose_maps_are_good() {
        for kind in Kind::ALL {
            // The demo's meters send no counters beside their power.
            let shown = *kind == Kind::CounterDiffers || FAULTS.iter().any(|fault| fault.kind == *kind);
            assert!(shown, "{kind}");
        }
        for fault in FAULTS {
            let map = crate::site::parse("heron-lane.toml", &fault.map().expect("a map"));
            let map = map.site.unwrap_or_else(|| panic!("{}: {:?}", fault.name, map.findings));
            let wired = fault.wired().expect("a wiring");
            let names =
                |site: &Site| site.channels.iter().map(|channel| channel.name.clone()).collect::<Vec<_>>();
            assert_eq!(names(&map), names(&wired), "{}: the meters send the same", fault.name);
            assert!(
                map.circuits.iter().any(|circuit| circuit.id == fault.about) || fault.about == "main",
                "{}",
                fault.name
            );
        }
        let names: std::collections::BTreeSet<_> = FAULTS.iter().map(|fault| fault.name).collect();
        assert_eq!(names.len(), FAULTS.len());
    }

    #[test]
    fn a_fault_changes_what_the_meters_send_and_nothing_else_of_the_house() {
        let at = Stamp::from_seconds(1_782_000_000);
        let second = |fault: &str| {
            let mut simulation =
                Simulation::faulty(Fault::named(fault).expect("a fault"), 3).expect("a house");
            simulation.second(at).expect("a second").clone()
        };
        let mut sound = Simulation::new(&crate::sim::tests::heron_lane(), 3).expect("a house");
        let sound = sound.second(at).expect("a second").clone();
        let site = crate::sim::tests::heron_lane();
        let check = |fault: &str, channel: &str, expected: &dyn Fn(i64) -> i64| {
            let found = second(fault);
            let index = site.channel(channel).expect("a channel").0 as usize;
            assert_eq!(found.channels[index], expected(sound.channels[index]), "{fault}");
            if fault != "unbalanced" {
                assert_eq!(found.truth.grid, sound.truth.grid, "{fault}");
                assert_eq!(found.truth.circuits, sound.truth.circuits, "{fault}");
            }
        };
        check("dead", "house/13", &|_| 0);
        check("stuck", "house/15", &|_| 2173);
        check("coarse", "house/15", &|value| (2 * value + 1000).div_euclid(2000) * 1000);
        check("not-doubled", "house/3", &|value| value);
        check("wrong-leg", "house/15", &|value| value);
    }
}
