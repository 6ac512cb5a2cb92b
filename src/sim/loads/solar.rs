//! The array on the barn roof: 7 kW of modules behind an inverter of 7.6 kW.

use super::super::day::{Day, Moment};
use super::{Draw, Draws, Kind};

/// Modules' power at 1,000 W/m² and 25 °C, W.
pub(super) const ARRAY_W: f64 = 7_000.0;
/// The inverter's highest AC power, W.
const CLIP_W: f64 = 7_600.0;
/// What it takes at night, W.
const STANDBY_W: f64 = 4.0;
/// Light below which it does not wake, W/m².
const WAKE_W_M2: f64 = 12.0;
/// Wiring, dust, mismatch.
const SYSTEM: f64 = 0.85;
const INVERTER: f64 = 0.965;

/// The array and its inverter.
#[derive(Clone, Debug)]
pub(super) struct Solar;

impl Solar {
    pub(super) fn new(_day: &Day) -> Self {
        Self
    }

    pub(super) fn step(&mut self, now: &Moment, draws: &mut Draws) {
        draws.set(Kind::Solar, Draw::two_pole(watts(now.sky.array_w_m2, now.sky.outdoor_c)));
    }
}

/// What the inverter takes from the panel at a light on the array (W/m²) and a temperature outside:
/// below 0 when it gives.
pub(in crate::sim) fn watts(light: f64, outdoor_c: f64) -> f64 {
    if light < WAKE_W_M2 {
        return STANDBY_W;
    }
    let cell_c = outdoor_c + 0.03 * light;
    let dc = ARRAY_W * light / 1000.0 * (1.0 - 0.0038 * (cell_c - 25.0)) * SYSTEM;
    STANDBY_W - (dc * INVERTER).min(CLIP_W)
}
