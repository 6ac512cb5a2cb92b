//! Random houses: what is on each bus, which of it has CTs, and what each thing truly takes. A house
//! writes its own map, and knows what every CT reads, so the books can be held against the truth.

use std::fmt::Write as _;

use proptest::prelude::*;

/// One million: true powers are whole multiples of it, so that every factor divides out exactly.
pub(super) const UNIT: i128 = 1_000_000;

/// A circuit that is no feeder.
#[derive(Clone, Debug)]
pub(super) struct Leaf {
    /// Index into the house's buses.
    pub(super) bus: usize,
    pub(super) end_use: &'static str,
    /// No CT, one, one doubled, or two.
    pub(super) cts: Cts,
    pub(super) reversed: bool,
    /// On the first CT alone.
    pub(super) first_reversed: bool,
    pub(super) scale_millionths: i64,
    pub(super) generation_positive: bool,
    /// What each CT reads, in units of [`UNIT`]; the first is also what an unmeasured circuit takes.
    pub(super) readings: [i64; 2],
}

/// A bus below the main panel or the service point.
#[derive(Clone, Debug)]
pub(super) struct Panel {
    /// Index into the house's buses: 0 the service point, 1 the main panel, then the panels.
    pub(super) above: usize,
    pub(super) feeder: Cts,
    pub(super) reversed: bool,
    /// Where the feeder has no CT: a [[feed]] of its own.
    pub(super) own_feed: bool,
}

#[derive(Clone, Copy, Debug, PartialEq, Eq)]
pub(super) enum Cts {
    None,
    One,
    Doubled,
    Two,
}

/// Where the mains CTs sit.
#[derive(Clone, Copy, Debug, PartialEq, Eq)]
pub(super) enum Mains {
    None,
    Panel,
    Grid,
    Both,
}

#[derive(Clone, Debug)]
pub(super) struct House {
    pub(super) mains: Mains,
    pub(super) panels: Vec<Panel>,
    pub(super) leaves: Vec<Leaf>,
    /// What flows out of each bus through no circuit of the map, in units of [`UNIT`].
    pub(super) unmapped: Vec<i64>,
}

fn cts() -> impl Strategy<Value = Cts> {
    prop_oneof![Just(Cts::None), Just(Cts::One), Just(Cts::Doubled), Just(Cts::Two)]
}

fn leaf() -> impl Strategy<Value = Leaf> {
    let end_use = prop_oneof![
        4 => Just("plug loads"),
        1 => Just("EV charging"),
        2 => Just("PV"),
        1 => Just("storage"),
    ];
    let scale = prop_oneof![2 => Just(UNIT as i64), 1 => 500_000..=2_000_000_i64];
    let flags = (any::<bool>(), any::<bool>(), any::<bool>());
    (0..8_usize, end_use, cts(), scale, flags, [-5000..5000_i64, -5000..5000_i64]).prop_map(
        |(bus, end_use, cts, scale_millionths, (reversed, first_reversed, positive), readings)| Leaf {
            bus,
            end_use,
            cts,
            reversed,
            first_reversed,
            scale_millionths,
            generation_positive: positive && matches!(end_use, "PV" | "storage"),
            readings,
        },
    )
}

/// A valid house.
pub(super) fn house() -> impl Strategy<Value = House> {
    let panel = (0..8_usize, cts(), any::<bool>(), any::<bool>())
        .prop_map(|(above, feeder, reversed, own_feed)| Panel { above, feeder, reversed, own_feed });
    let mains = prop_oneof![
        1 => Just(Mains::None),
        3 => Just(Mains::Panel),
        3 => Just(Mains::Grid),
        1 => Just(Mains::Both),
    ];
    let panels = prop::collection::vec(panel, 0..5);
    let leaves = prop::collection::vec(leaf(), 0..12);
    (mains, panels, leaves, prop::collection::vec(-500..500_i64, 7)).prop_map(
        |(mains, mut panels, mut leaves, mut unmapped)| {
            for (at, panel) in panels.iter_mut().enumerate() {
                // Fed from a bus before it, so that there is no circle.
                panel.above %= at + 2;
                panel.own_feed &= panel.feeder == Cts::None;
            }
            for leaf in &mut leaves {
                leaf.bus %= panels.len() + 2;
            }
            // Nothing leaves a tap ahead of the main that the map does not know, unless both sides are
            // measured: with one measurement there it could not be told from the grid.
            if mains != Mains::Both {
                unmapped[0] = 0;
            }
            House { mains, panels, leaves, unmapped }
        },
    )
}

impl House {
    /// Whether bus `bus` has CTs on what flows into it; 0 and 1 are asked of the mains.
    pub(super) fn is_fed(&self, bus: usize) -> bool {
        match bus {
            0 => matches!(self.mains, Mains::Grid | Mains::Both),
            1 => matches!(self.mains, Mains::Panel | Mains::Both),
            _ => self.panels[bus - 2].feeder != Cts::None || self.panels[bus - 2].own_feed,
        }
    }

    /// The bus above.
    pub(super) fn above(&self, bus: usize) -> Option<usize> {
        match bus {
            0 => None,
            1 => Some(0),
            _ => Some(self.panels[bus - 2].above),
        }
    }

    pub(super) fn buses(&self) -> usize {
        self.panels.len() + 2
    }

    /// What truly flows into a bus, in units × millionths.
    pub(super) fn flow(&self, bus: usize) -> i128 {
        let own: i128 = self.leaves.iter().filter(|leaf| leaf.bus == bus).map(Leaf::power).sum();
        let below = (1..self.buses()).filter(|other| self.above(*other) == Some(bus));
        own + i128::from(self.unmapped[bus]) * UNIT * UNIT + below.map(|other| self.flow(other)).sum::<i128>()
    }

    /// The name of each of the house's buses in its map.
    pub(super) fn bus_id(bus: usize) -> String {
        match bus {
            0 => "service".to_owned(),
            1 => "main".to_owned(),
            _ => format!("p{bus}"),
        }
    }

    /// The map, and what each channel reads, by name.
    pub(super) fn map(&self) -> (String, Vec<(String, i128)>) {
        let mut text = "site = \"any\"\ntime_zone = \"America/Denver\"\n[service]\n\
                        system = \"split-phase 120/240\"\n[[device]]\nid = \"d\"\n\
                        topic = \"any/{channel}\"\nunit = \"W\"\nevery_s = 1\n"
            .to_owned();
        let mut read = Vec::new();
        let sides: &[(usize, &str)] = &[(1, "panel"), (0, "grid")];
        for (bus, measures) in sides {
            if self.is_fed(*bus) {
                let cts = two(measures, self.flow(*bus) / UNIT, &mut read);
                let _ =
                    writeln!(text, "[[feed]]\nbus = \"main\"\nmeasures = \"{measures}\"\nchannels = {cts}");
            }
        }
        for (at, panel) in self.panels.iter().enumerate() {
            let bus = at + 2;
            let (id, above) = (Self::bus_id(bus), Self::bus_id(panel.above));
            let flow = self.flow(bus) / UNIT;
            let _ = writeln!(text, "[[bus]]\nid = \"{id}\"\nfed_by = \"to-{id}\"");
            if panel.own_feed {
                let cts = two(&format!("{id}-own"), flow, &mut read);
                let _ = writeln!(text, "[[feed]]\nbus = \"{id}\"\nchannels = {cts}");
            }
            let _ = writeln!(
                text,
                "[[circuit]]\nid = \"to-{id}\"\nbus = \"{above}\"\nreversed = {}",
                panel.reversed
            );
            let read_as = if panel.reversed { -flow } else { flow };
            let _ = match panel.feeder {
                Cts::None => Ok(()),
                Cts::One => writeln!(text, "channels = [\"d/{id}\"]"),
                Cts::Doubled => writeln!(text, "channels = [\"d/{id}\"]\ndoubled = true"),
                Cts::Two => writeln!(text, "channels = {}", two(&id, read_as, &mut read)),
            };
            match panel.feeder {
                Cts::One => read.push((format!("d/{id}"), read_as)),
                Cts::Doubled => read.push((format!("d/{id}"), read_as / 2)),
                Cts::None | Cts::Two => {}
            }
        }
        for (at, leaf) in self.leaves.iter().enumerate() {
            leaf.write(at, &mut text, &mut read);
        }
        (text, read)
    }
}

/// Two CTs that share a flow.
fn two(name: &str, flow: i128, read: &mut Vec<(String, i128)>) -> String {
    read.push((format!("d/{name}a"), flow - 7));
    read.push((format!("d/{name}b"), 7));
    format!("[\"d/{name}a\", \"d/{name}b\"]")
}

impl Leaf {
    /// The factor of its first or second CT, in millionths.
    pub(super) fn factor(&self, second: bool) -> i64 {
        let turned = self.reversed ^ (self.first_reversed && !second) ^ self.generation_positive;
        let doubled = if self.cts == Cts::Doubled { 2 } else { 1 };
        self.scale_millionths * doubled * if turned { -1 } else { 1 }
    }

    pub(super) fn is_measured(&self) -> bool {
        self.cts != Cts::None
    }

    /// What it truly takes, in units × millionths: even, so that a doubled feeder halves it exactly.
    pub(super) fn power(&self) -> i128 {
        let of = |at: usize| i128::from(self.readings[at]) * 2 * UNIT;
        match self.cts {
            Cts::None => of(0) * UNIT,
            Cts::One | Cts::Doubled => of(0) * i128::from(self.factor(false)),
            Cts::Two => of(0) * i128::from(self.factor(false)) + of(1) * i128::from(self.factor(true)),
        }
    }

    fn write(&self, at: usize, text: &mut String, read: &mut Vec<(String, i128)>) {
        let bus = House::bus_id(self.bus);
        let _ =
            writeln!(text, "[[circuit]]\nid = \"c{at}\"\nend_use = \"{}\"\nbus = \"{bus}\"", self.end_use);
        let _ = writeln!(text, "reversed = {}", self.reversed);
        let names: Vec<String> = match self.cts {
            Cts::None => return,
            Cts::One | Cts::Doubled => vec![format!("d/c{at}")],
            Cts::Two => vec![format!("d/c{at}a"), format!("d/c{at}b")],
        };
        let cts: Vec<String> = names
            .iter()
            .enumerate()
            .map(|(second, name)| {
                let reversed = self.first_reversed && second == 0;
                format!("{{ channel = \"{name}\", reversed = {reversed} }}")
            })
            .collect();
        let _ = writeln!(text, "channels = [{}]\ndoubled = {}", cts.join(", "), self.cts == Cts::Doubled);
        let _ = writeln!(text, "scale = {}", self.scale_millionths as f64 / 1e6);
        if self.generation_positive {
            let _ = writeln!(text, "sign = \"generation-positive\"");
        }
        for (name, reading) in names.into_iter().zip(self.readings) {
            read.push((name, i128::from(reading) * 2 * UNIT));
        }
    }
}
