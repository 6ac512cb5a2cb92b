//! Water: who draws it, the heat-pump water heater, the well pump with its pressure tank, and the
//! ventilator's boost after showers.

use super::super::day::{Day, Moment};
use super::{Bursts, Draw, Draws, Kind, Thermostat};

/// Hot-water tank, litres.
const TANK_L: f64 = 250.0;
/// Heat to warm the tank by a degree, kWh/K (4.186 kJ a litre and degree).
const TANK_KWH_K: f64 = TANK_L * 4.186 / 3600.0;
/// Heat lost in a room at 15 °C, kW for each degree.
const TANK_LOSS_KW_K: f64 = 0.0018;
/// Cold water from the well, °C.
const COLD_C: f64 = 11.0;
/// Water that the pressure tank gives between its two switch points, litres.
const PRESSURE_L: f64 = 38.0;
/// What the well pump delivers, litres a second.
const PUMP_L_S: f64 = 0.55;

/// The water of the house.
#[derive(Clone, Debug)]
pub(super) struct Water {
    /// Litres a second, hot (at tank temperature) and cold.
    hot: Bursts,
    cold: Bursts,
    /// Boost of the ventilator, W.
    boost: Bursts,
    tank_c: f64,
    compressor: Thermostat,
    element: Thermostat,
    pressure_l: f64,
    pumping_s: Option<f64>,
}

impl Water {
    pub(super) fn new(day: &Day) -> Self {
        let mut chance = day.chance(2);
        let (mut hot, mut cold, mut boost) = (Bursts::default(), Bursts::default(), Bursts::default());
        let wake = if day.is_weekend() { 7.6 } else { 6.2 };
        for person in 0..3u32 {
            if chance.yes(0.8) {
                let evening = person == 2;
                let at = if evening { chance.clock(19.5, 21.0) } else { chance.clock(wake, wake + 1.4) };
                let length = chance.between(300.0, 620.0);
                hot.add(at, length, 0.085);
                cold.add(at, length, 0.05);
                boost.add(at + 60.0, length + 1_200.0, 96.0);
            }
        }
        for _ in 0..chance.count(3, 6) {
            hot.add(chance.clock(wake, 21.5), chance.between(20.0, 110.0), 0.07);
        }
        hot.add(chance.clock(18.6, 19.8), chance.between(180.0, 420.0), 0.05);
        for _ in 0..chance.count(10, 18) {
            cold.add(chance.clock(wake - 0.5, 22.8), chance.between(40.0, 75.0), 0.12);
        }
        for _ in 0..chance.count(0, 2) {
            cold.add(chance.clock(0.0, 6.0), 55.0, 0.12);
        }
        // The garden, on warm dry days.
        if day.first_sky().outdoor_c > 12.0 && chance.yes(0.45) {
            cold.add(chance.clock(5.0, 5.6), chance.between(1_500.0, 2_700.0), 0.32);
        }
        Self {
            hot,
            cold,
            boost,
            tank_c: chance.between(47.5, 51.5),
            compressor: Thermostat::new(2.4),
            element: Thermostat::new(2.0),
            pressure_l: chance.between(4.0, PRESSURE_L),
            pumping_s: None,
        }
    }

    pub(super) fn step(&mut self, now: &Moment, draws: &mut Draws) {
        let hot = self.hot.watts(now.clock);
        let flow = hot + self.cold.watts(now.clock);
        draws.set(Kind::WaterHeater, Draw::two_pole(self.heater(hot)));
        draws.set(Kind::WellPump, Draw::two_pole(self.pump(flow)));
        let boost = if self.boost.any(now.clock) { 96.0 } else { 0.0 };
        draws.set(Kind::Ventilation, Draw::one_pole(68.0 + boost));
    }

    /// The heat pump keeps 50 °C; the element helps only when showers have drawn the tank down.
    fn heater(&mut self, hot_l_s: f64) -> f64 {
        let drawn_kw = hot_l_s * 4.186 * (self.tank_c - COLD_C);
        let lost_kw = TANK_LOSS_KW_K * (self.tank_c - 15.0);
        let (mut heat_kw, mut watts) = (0.0, 3.0);
        if self.compressor.heats(self.tank_c, 50.0) {
            // It works harder as the tank gets hot.
            let power = 395.0 + 4.2 * (self.tank_c - 45.0);
            watts += power;
            heat_kw += power / 1000.0 * (3.6 - 0.035 * (self.tank_c - 45.0));
        }
        if self.element.heats(self.tank_c, 37.0) {
            watts += 4_500.0;
            heat_kw += 4.5;
        }
        self.tank_c += (heat_kw - drawn_kw - lost_kw) / TANK_KWH_K / 3600.0;
        watts
    }

    fn pump(&mut self, flow_l_s: f64) -> f64 {
        self.pressure_l -= flow_l_s;
        match &mut self.pumping_s {
            None if self.pressure_l <= 0.0 => {
                self.pumping_s = Some(0.0);
                // Starting current, in the mean of its first second.
                2_600.0
            }
            None => 0.0,
            Some(ran) => {
                *ran += 1.0;
                self.pressure_l += PUMP_L_S;
                // More pressure to work against as the tank fills.
                let watts = 985.0 + 110.0 * (self.pressure_l / PRESSURE_L).clamp(0.0, 1.0);
                if self.pressure_l >= PRESSURE_L {
                    self.pumping_s = None;
                }
                watts
            }
        }
    }
}
