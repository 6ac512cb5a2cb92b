//! Loads of chance.

use super::Legs;
use crate::sim::chance::{mix, unit, wander};

/// How a load runs.
#[derive(Clone, Debug)]
enum Run {
    /// Compressors, fans, elements on thermostats: on and off for stretches around two means.
    Cycle { on_s: f64, off_s: f64, settle: f64 },
    /// Now and then for a while: (runs a day, mean length in s, first and last hour).
    Bursts { runs: f64, length_s: f64, from_h: f64, to_h: f64 },
    /// Something is always on, and wanders.
    Base { part: f64 },
    /// Power electronics that follow a demand of minutes to hours.
    Modulating,
    /// Falls with the sun, and with clouds.
    Sun,
    /// Charges by day, gives in the evening.
    Battery,
    /// A long flat session on some evenings.
    Session { length_s: f64 },
}

/// A load on its two conductors.
#[derive(Clone, Debug)]
pub(super) struct Load {
    key: u64,
    run: Run,
    watts: f64,
    /// Reactive for each active W.
    reactive: f64,
    /// Parts on the first and second leg, by leg A and B.
    split: [f64; 2],
    /// A second part, at 120 V on one leg, that runs in its own way (a dryer's motor, a range's light).
    motor: Option<(f64, usize)>,
    /// State: day of the drawn bursts, the bursts, the cycle.
    day: i64,
    bursts: Vec<(f64, f64, f64)>,
    on: bool,
    left_s: f64,
    ran_s: f64,
    turns: u64,
}

/// What a circuit's label promises.
#[derive(Clone, Copy, Debug, PartialEq, Eq)]
pub(super) struct Type {
    pub(super) id: &'static str,
    pub(super) label: &'static str,
    pub(super) end_use: &'static str,
    pub(super) two_pole: bool,
    /// Draws alike from both legs.
    pub(super) balanced: bool,
    pub(super) breaker_a: u32,
}

macro_rules! types {
    ($($name:ident $id:literal $label:literal $use:literal $two:literal $balanced:literal $amps:literal;)*) => {
        $(pub(super) const $name: Type = Type {
            id: $id, label: $label, end_use: $use, two_pole: $two, balanced: $balanced, breaker_a: $amps };)*
    };
}

types! {
    HEAT_PUMP "heat-pump" "Heat pump" "heating" true true 40;
    WATER "water-heater" "Water heater" "hot water" true true 30;
    PUMP "well-pump" "Well pump" "well/sump" true true 20;
    RANGE "range" "Range" "cooking" true false 50;
    DRYER "dryer" "Dryer" "laundry" true false 30;
    EV "ev-charger" "EV charger" "EV charging" true true 50;
    BASEBOARD "baseboard" "Baseboard heat" "heating" true true 20;
    PV "solar" "Solar array" "PV" true true 40;
    BATTERY "battery" "Battery" "storage" true true 30;
    FRIDGE "refrigerator" "Refrigerator" "refrigeration" false false 20;
    FREEZER "freezer" "Freezer" "refrigeration" false false 20;
    FAN "ventilation" "Ventilator" "ventilation" false false 15;
    DEHUMIDIFIER "dehumidifier" "Dehumidifier" "dehumidification" false false 15;
    LIGHTS "lighting" "Lighting" "lighting" false false 15;
    KITCHEN "kitchen-plugs" "Kitchen receptacles" "plug loads" false false 20;
    PLUGS "plugs" "Receptacles" "plug loads" false false 20;
    WASHER "washer" "Washer" "laundry" false false 20;
    UNUSED "shed-plugs" "Shed receptacles" "plug loads" false false 20;
    DISHWASHER "dishwasher" "Dishwasher" "other" false false 20;
}

/// A number in `low..high` that follows from a key and what it is for.
pub(super) fn between(key: u64, of: u64, low: f64, high: f64) -> f64 {
    low + (high - low) * unit(mix(&[key, of]))
}

impl Load {
    /// A load of that type; `leg` is that of a 120 V one.
    pub(super) fn new(kind: Type, key: u64, leg: usize) -> Self {
        let pick = |of: u64, low: f64, high: f64| between(key, of, low, high);
        let cycle = |on: f64, off: f64, settle: f64| Run::Cycle { on_s: on, off_s: off, settle };
        let bursts = |runs, length_s, from_h, to_h| Run::Bursts { runs, length_s, from_h, to_h };
        let (run, watts, reactive) = match kind.id {
            "heat-pump" if unit(mix(&[key, 1])) < 0.4 => (Run::Modulating, pick(2, 1200.0, 4000.0), 0.35),
            "heat-pump" => {
                (cycle(pick(3, 400.0, 1500.0), pick(4, 600.0, 2400.0), 0.2), pick(2, 1500.0, 5000.0), 0.4)
            }
            "water-heater" if unit(mix(&[key, 1])) < 0.5 => {
                (cycle(2400.0, 7200.0, 0.1), pick(2, 350.0, 600.0), 0.5)
            }
            "water-heater" => (cycle(900.0, 5400.0, 0.0), pick(2, 3500.0, 5000.0), 0.0),
            "well-pump" => {
                (bursts(pick(1, 8.0, 30.0), pick(2, 40.0, 180.0), 5.5, 23.0), pick(3, 700.0, 1500.0), 0.7)
            }
            "range" => (bursts(pick(1, 10.0, 25.0), 400.0, 6.0, 21.0), pick(2, 1200.0, 3200.0), 0.0),
            "dryer" => (bursts(pick(1, 7.0, 14.0), 900.0, 8.0, 20.0), pick(2, 4000.0, 5200.0), 0.0),
            "ev-charger" => {
                (Run::Session { length_s: pick(1, 5000.0, 15000.0) }, pick(2, 3300.0, 9600.0), 0.05)
            }
            "baseboard" => {
                (cycle(pick(1, 300.0, 900.0), pick(2, 500.0, 2000.0), 0.0), pick(3, 500.0, 2000.0), 0.0)
            }
            "solar" => (Run::Sun, -pick(1, 2500.0, 9000.0), 0.0),
            "battery" => (Run::Battery, pick(1, 2000.0, 5000.0), 0.0),
            "refrigerator" | "freezer" => {
                (cycle(pick(1, 600.0, 1800.0), pick(2, 1200.0, 3000.0), 0.25), pick(3, 80.0, 190.0), 0.8)
            }
            "ventilation" => {
                (cycle(pick(1, 1200.0, 3600.0), pick(2, 900.0, 2400.0), 0.05), pick(3, 60.0, 400.0), 0.6)
            }
            "dehumidifier" => {
                (cycle(pick(1, 900.0, 2400.0), pick(2, 1200.0, 5400.0), 0.15), pick(3, 300.0, 650.0), 0.7)
            }
            "lighting" => (bursts(pick(1, 14.0, 30.0), 4000.0, 6.0, 23.0), pick(2, 30.0, 110.0), 0.2),
            "kitchen-plugs" => (bursts(pick(1, 8.0, 20.0), 200.0, 6.0, 21.0), pick(2, 700.0, 1500.0), 0.0),
            "washer" => (bursts(pick(1, 9.0, 18.0), 300.0, 7.0, 21.0), pick(2, 200.0, 500.0), 0.6),
            "dishwasher" => (bursts(pick(1, 6.0, 10.0), 900.0, 8.0, 22.0), pick(2, 900.0, 1400.0), 0.0),
            "shed-plugs" => (bursts(0.0, 0.0, 0.0, 1.0), 0.0, 0.0),
            "base" => (Run::Base { part: 0.5 }, pick(1, 80.0, 350.0), 0.3),
            _ => (bursts(pick(1, 8.0, 25.0), 1500.0, 6.5, 23.5), pick(2, 60.0, 900.0), 0.2),
        };
        let split = match (kind.two_pole, leg) {
            (true, _) => [0.5, 0.5],
            (false, 0) => [1.0, 0.0],
            (false, _) => [0.0, 1.0],
        };
        let motor = (kind.two_pole && !kind.balanced)
            .then(|| (pick(9, 0.05, 0.15), usize::from(unit(mix(&[key, 10])) < 0.5)));
        Self {
            key,
            run,
            watts,
            reactive,
            split,
            motor,
            day: i64::MIN,
            bursts: Vec::new(),
            on: false,
            left_s: 0.0,
            ran_s: 1e4,
            turns: 0,
        }
    }

    /// What the house takes that nobody has listed.
    pub(super) fn base(key: u64, leg: usize) -> Self {
        let kind =
            Type { id: "base", label: "", end_use: "", two_pole: false, balanced: false, breaker_a: 15 };
        Self::new(kind, key, leg)
    }

    /// A share of its power on the second leg more than on the first, of a load that should be balanced.
    pub(super) fn unbalance(&mut self, leg: usize, part: f64) {
        self.split[leg] *= part;
    }

    /// Active and reactive power by leg.
    pub(super) fn at(&mut self, at: i64, step_s: f64) -> Legs {
        let second = at.rem_euclid(86_400) as f64;
        let hours = at as f64 / 3600.0;
        let level = match self.run.clone() {
            Run::Cycle { on_s, off_s, settle } => self.cycle(on_s, off_s, settle, step_s),
            Run::Bursts { runs, length_s, from_h, to_h } => {
                self.draw(at, runs, length_s, from_h, to_h);
                self.bursts.iter().filter(|b| b.0 <= second && second < b.1).map(|b| b.2).sum()
            }
            Run::Base { part } => {
                1.0 + part * wander(self.key, hours * 2.0) + 0.05 * wander(self.key ^ 5, hours * 90.0)
            }
            Run::Modulating => {
                let demand = 0.55 + 0.6 * wander(self.key, hours * 1.3);
                if demand < 0.25 {
                    0.0
                } else {
                    demand.min(1.0) * (1.0 + 0.02 * wander(self.key ^ 3, hours * 60.0))
                }
            }
            Run::Sun => {
                let height = ((second / 3600.0 - 12.0) / 6.2 * std::f64::consts::FRAC_PI_2).cos();
                let up = (second / 3600.0 - 12.0).abs() < 6.2;
                let clouds =
                    0.62 + 0.3 * wander(self.key, hours * 0.7) + 0.25 * wander(self.key ^ 2, hours * 14.0);
                if up { height.max(0.0) * clouds.clamp(0.08, 1.0) } else { -0.001 }
            }
            Run::Battery => {
                let clock = second / 3600.0;
                let way = if (10.0..15.0).contains(&clock) {
                    1.0
                } else if (17.5..22.0).contains(&clock) {
                    -0.8
                } else {
                    0.0
                };
                way * (0.7 + 0.3 * wander(self.key, hours * 3.0))
            }
            Run::Session { length_s } => {
                self.draw(at, 1.4, length_s, 16.5, 20.0);
                let on = self.bursts.iter().any(|b| b.0 <= second && second < b.1);
                f64::from(u8::from(on)) + 0.0008
            }
        };
        let watts = self.watts * level;
        let motor = self.motor.map_or([0.0; 2], |(part, leg)| {
            let mut own = [0.0; 2];
            own[leg] = if level > 0.05 { self.watts * part } else { 0.0 };
            own
        });
        let leg = |n: usize| {
            let active = watts * self.split[n] + motor[n];
            [active, active * self.reactive]
        };
        [leg(0), leg(1)]
    }

    fn cycle(&mut self, on_s: f64, off_s: f64, settle: f64, step_s: f64) -> f64 {
        if self.turns == 0 {
            self.on = unit(mix(&[self.key, 21])) < on_s / (on_s + off_s);
            self.left_s = between(self.key, 22, 10.0, if self.on { on_s } else { off_s });
            self.turns = 1;
        }
        self.left_s -= step_s;
        self.ran_s += step_s;
        if self.left_s <= 0.0 {
            self.on = !self.on;
            self.turns += 1;
            self.ran_s = 0.0;
            self.left_s =
                (if self.on { on_s } else { off_s }) * between(self.key, 100 + self.turns, 0.75, 1.25);
        }
        if !self.on {
            return 0.0;
        }
        let start = if settle > 0.0 && self.ran_s < 1.0 { 2.0 } else { 0.0 };
        1.0 + start + settle * (-self.ran_s / 240.0).exp()
    }

    fn draw(&mut self, at: i64, runs: f64, length_s: f64, from_h: f64, to_h: f64) {
        let day = at.div_euclid(86_400);
        if self.day == day {
            return;
        }
        self.day = day;
        let pick = |of: u64, low: f64, high: f64| between(mix(&[self.key, day as u64]), of, low, high);
        let count = (runs * pick(1, 0.8, 1.2)).floor() as u64 + u64::from(pick(2, 0.0, 1.0) < runs.fract());
        self.bursts = (0..count)
            .map(|n| {
                let start = 3600.0 * pick(10 + 3 * n, from_h, to_h);
                (start, start + length_s * pick(11 + 3 * n, 0.4, 1.6), pick(12 + 3 * n, 0.6, 1.0))
            })
            .collect();
    }
}
