//! The house's loads. Each begins anew at local midnight, from a state that chance or the weather
//! gives, so that no day needs the days before it; what that cuts off (a tank a few tenths of a
//! degree warmer) is far below what the figures show.
//!
//! All ratings and habits are invented; they are of the size that such loads have, from memory.

mod barn;
mod car;
mod cold;
mod heating;
mod kitchen;
mod laundry;
mod plugs;
pub(super) mod solar;
#[cfg(test)]
mod tests;
mod water;

use super::chance::Chance;
use super::day::{Day, Moment};

/// What a load takes, by conductors: watts between its two legs, and from each leg to neutral.
#[derive(Clone, Copy, Debug, Default, PartialEq)]
pub(super) struct Draw {
    /// 240 V: half of it on each leg.
    pub between: f64,
    /// 120 V on the first leg of its breaker.
    pub first: f64,
    /// 120 V on the second leg.
    pub second: f64,
}

impl Draw {
    fn two_pole(watts: f64) -> Self {
        Self { between: watts, ..Self::default() }
    }

    fn one_pole(watts: f64) -> Self {
        Self { first: watts, ..Self::default() }
    }

    /// Switched on by hand: what the load of a circuit draws while it runs, all of it at once.
    pub(super) fn rated(kind: Kind) -> Self {
        match kind {
            Kind::HeatPump => Self::two_pole(2_400.0),
            Kind::AuxiliaryHeat => Self::two_pole(4_800.0),
            Kind::WaterHeater => Self::two_pole(4_500.0),
            Kind::WellPump => Self::two_pole(1_040.0),
            Kind::Range => Self { between: 2_600.0, first: 42.0, second: 0.0 },
            Kind::Dryer => Self { between: 5_100.0, first: 285.0, second: 0.0 },
            Kind::Car => Self::two_pole(7_200.0),
            Kind::Solar => Self::two_pole(-3_000.0),
            Kind::WorkshopHeater => Self::two_pole(3_600.0),
            Kind::Dehumidifier => Self::one_pole(485.0),
            Kind::Refrigerator => Self::one_pole(196.0),
            Kind::KitchenPlugs => Self::one_pole(1_480.0),
            Kind::LivingPlugs => Self::one_pole(1_050.0),
            Kind::Lighting => Self::one_pole(240.0),
            Kind::Ventilation => Self::one_pole(164.0),
            Kind::Dishwasher => Self::one_pole(1_150.0),
            Kind::Washer => Self::one_pole(340.0),
            Kind::BathroomPlugs => Self::one_pole(1_380.0),
            Kind::OutdoorPlugs => Self::one_pole(420.0),
            Kind::BarnLights => Self::one_pole(210.0),
            Kind::BarnFreezer => Self::one_pole(118.0),
            Kind::BarnDoor => Self::one_pole(540.0),
        }
    }

    /// Altogether.
    pub(super) fn total(&self) -> f64 {
        self.between + self.first + self.second
    }
}

macro_rules! kinds {
    ($($kind:ident $id:literal),* $(,)?) => {
        /// The loads that the simulation knows, by the id that their circuit has in the map.
        #[derive(Clone, Copy, Debug, PartialEq, Eq)]
        pub(super) enum Kind { $($kind),* }

        impl Kind {
            /// All of them.
            pub(super) const ALL: &[(Self, &'static str)] = &[$((Self::$kind, $id)),*];

            /// The load of the circuit with that id.
            pub(super) fn named(id: &str) -> Option<Self> {
                Self::ALL.iter().find(|(_, known)| *known == id).map(|(kind, _)| *kind)
            }
        }
    };
}

kinds! {
    HeatPump "heat-pump",
    AuxiliaryHeat "heat-pump-aux",
    WaterHeater "water-heater",
    WellPump "well-pump",
    Range "range",
    Dryer "dryer",
    Car "ev-charger",
    Solar "solar",
    Dehumidifier "dehumidifier",
    Refrigerator "refrigerator",
    KitchenPlugs "kitchen-plugs",
    LivingPlugs "living-plugs",
    Lighting "lighting",
    Ventilation "ventilation",
    Dishwasher "dishwasher",
    Washer "washer",
    BathroomPlugs "bathroom-plugs",
    OutdoorPlugs "outdoor-plugs",
    BarnLights "barn-lights",
    BarnFreezer "barn-freezer",
    WorkshopHeater "workshop-heater",
    BarnDoor "barn-door",
}

/// How many there are.
pub(super) const KINDS: usize = Kind::ALL.len();

/// What all loads draw in one second.
#[derive(Clone, Debug)]
pub(super) struct Draws {
    /// By [`Kind`].
    pub by_kind: [Draw; KINDS],
    /// What no line of the panel's directory tells of; on the house panel.
    pub elsewhere: Draw,
}

impl Default for Draws {
    fn default() -> Self {
        Self { by_kind: [Draw::default(); KINDS], elsewhere: Draw::default() }
    }
}

impl Draws {
    pub(super) fn of(&self, kind: Kind) -> Draw {
        self.by_kind[kind as usize]
    }

    /// Something more on the first leg of a load's circuit, in W.
    pub(super) fn add(&mut self, kind: Kind, watts: f64) {
        self.by_kind[kind as usize].first += watts;
    }

    pub(super) fn set(&mut self, kind: Kind, draw: Draw) {
        self.by_kind[kind as usize] = draw;
    }
}

/// All loads of the house on one day.
#[derive(Clone, Debug)]
pub(super) struct House {
    heating: heating::Heating,
    water: water::Water,
    kitchen: kitchen::Kitchen,
    laundry: laundry::Laundry,
    cold: cold::Cold,
    plugs: plugs::Plugs,
    car: car::Car,
    solar: solar::Solar,
    barn: barn::Barn,
}

impl House {
    /// At the start of `day`.
    pub(super) fn new(day: &Day) -> Self {
        Self {
            heating: heating::Heating::new(day),
            water: water::Water::new(day),
            kitchen: kitchen::Kitchen::new(day),
            laundry: laundry::Laundry::new(day),
            cold: cold::Cold::new(day),
            plugs: plugs::Plugs::new(day),
            car: car::Car::new(day),
            solar: solar::Solar::new(day),
            barn: barn::Barn::new(day),
        }
    }

    /// The next second.
    pub(super) fn step(&mut self, now: &Moment, draws: &mut Draws) {
        self.heating.step(now, draws);
        self.water.step(now, draws);
        self.kitchen.step(now, draws);
        self.laundry.step(now, draws);
        self.cold.step(now, draws);
        self.plugs.step(now, draws);
        self.car.step(now, draws);
        self.solar.step(now, draws);
        self.barn.step(now, draws);
    }
}

/// Stretches of the day at a fixed power.
#[derive(Clone, Debug, Default)]
struct Bursts(Vec<(f64, f64, f64)>);

impl Bursts {
    /// `watts` for `length_s` from `start` (seconds of the clock).
    fn add(&mut self, start: f64, length_s: f64, watts: f64) {
        self.0.push((start, start + length_s, watts));
    }

    /// What is on at `clock`.
    fn watts(&self, clock: f64) -> f64 {
        self.0.iter().filter(|(from, to, _)| *from <= clock && clock < *to).map(|(_, _, watts)| watts).sum()
    }

    /// Whether anything is on at `clock`.
    fn any(&self, clock: f64) -> bool {
        self.0.iter().any(|(from, to, _)| *from <= clock && clock < *to)
    }
}

/// On below a band, off above it.
#[derive(Clone, Copy, Debug)]
struct Thermostat {
    on: bool,
    half_band: f64,
}

impl Thermostat {
    fn new(half_band: f64) -> Self {
        Self { on: false, half_band }
    }

    /// Whether to heat, at `value` with `set` wanted.
    fn heats(&mut self, value: f64, set: f64) -> bool {
        if value < set - self.half_band {
            self.on = true;
        } else if value > set + self.half_band {
            self.on = false;
        }
        self.on
    }
}

/// A compressor that runs and rests for stretches of chance around its means.
#[derive(Clone, Debug)]
struct Cycle {
    chance: Chance,
    on: bool,
    left_s: f64,
    ran_s: f64,
}

impl Cycle {
    /// Somewhere in a cycle of `on_s` and `off_s`.
    fn new(mut chance: Chance, on_s: f64, off_s: f64) -> Self {
        let phase = chance.between(0.0, on_s + off_s);
        let on = phase < on_s;
        let left_s = if on { on_s - phase } else { on_s + off_s - phase };
        Self { chance, on, left_s, ran_s: 900.0 }
    }

    /// The next second, with these means in force. True while it runs.
    fn step(&mut self, on_s: f64, off_s: f64) -> bool {
        self.left_s -= 1.0;
        self.ran_s += 1.0;
        if self.left_s <= 0.0 {
            self.on = !self.on;
            self.ran_s = 0.0;
            let mean = if self.on { on_s } else { off_s };
            self.left_s = mean * self.chance.between(0.85, 1.15);
        }
        self.on
    }

    /// What a motor of `watts` takes: half a second of starting current, then falling to its rated
    /// power as pressures settle.
    fn motor(&self, watts: f64) -> f64 {
        if !self.on {
            return 0.0;
        }
        let start = if self.ran_s < 1.0 { 2.2 } else { 0.0 };
        watts * (1.0 + start + 0.25 * (-self.ran_s / 240.0).exp())
    }
}
