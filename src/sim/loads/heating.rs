//! A heat pump with a variable compressor, the air handler with auxiliary strips, and the house
//! whose warmth they keep.

use super::super::chance::{mix, wander};
use super::super::day::{Day, Moment};
use super::{Draw, Draws, Kind};

/// Heat that the house loses for each degree between in and out, kW/K.
const LOSS_KW_K: f64 = 0.22;
/// What it takes to warm the house, kWh/K.
const STORE_KWH_K: f64 = 4.5;
/// Heat from people and appliances, kW.
const INSIDE_KW: f64 = 0.7;
/// Glass that lets sunlight in, m² of full transmission.
const GLASS_M2: f64 = 2.6;
/// The least heat or cold that the compressor can be turned down to, kW.
const LEAST_KW: f64 = 3.0;
/// One stage of the auxiliary strips, W.
const STRIP_W: f64 = 4_800.0;
/// How long a defrost takes, and the compressor's power while it runs in reverse.
const DEFROST_S: f64 = 330.0;
pub(super) const REVERSE_W: f64 = 1_750.0;
/// Controls of the outdoor unit and of the air handler, W.
const STANDBY_W: f64 = 9.0;

#[derive(Clone, Copy, Debug, PartialEq)]
enum Mode {
    Rest,
    Heat,
    Cool,
}

/// The heating system and the house.
#[derive(Clone, Debug)]
pub(super) struct Heating {
    key: u64,
    inside_c: f64,
    mode: Mode,
    /// Compressor's heat or cold, kW; it ramps.
    output_kw: f64,
    /// Seconds of running since the last defrost, and seconds left of the one in progress.
    frost_s: f64,
    defrost_s: f64,
    strips: u8,
    since_s: f64,
}

impl Heating {
    pub(super) fn new(day: &Day) -> Self {
        let mut chance = day.chance(1);
        let outdoor = day.first_sky().outdoor_c;
        let inside_c = if outdoor > 15.0 { chance.between(22.5, 24.3) } else { chance.between(18.3, 18.9) };
        Self {
            key: mix(&[day.seed, 0x4ea7]),
            inside_c,
            mode: Mode::Rest,
            output_kw: 0.0,
            frost_s: chance.between(0.0, 2_400.0),
            defrost_s: 0.0,
            strips: 0,
            since_s: 900.0,
        }
    }

    pub(super) fn step(&mut self, now: &Moment, draws: &mut Draws) {
        let outdoor = now.sky.outdoor_c;
        let hour = now.clock / 3600.0;
        let warm_set = if (5.5..22.0).contains(&hour) { 20.3 } else { 18.6 };
        let cool_set = if (9.0..22.0).contains(&hour) { 24.6 } else { 23.8 };
        let gains = INSIDE_KW + GLASS_M2 * now.sky.array_w_m2 / 1000.0;

        self.since_s += 1.0;
        let heat_need = LOSS_KW_K * (warm_set - outdoor) - gains + 3.0 * (warm_set - self.inside_c);
        let cool_need = LOSS_KW_K * (outdoor - cool_set) + gains + 3.0 * (self.inside_c - cool_set);
        self.choose(warm_set, cool_set, outdoor);
        let (wanted, most) = match self.mode {
            Mode::Rest => (0.0, 0.0),
            Mode::Heat => (heat_need.max(LEAST_KW), (10.2 + 0.16 * outdoor).clamp(4.0, 12.0)),
            Mode::Cool => (cool_need.max(LEAST_KW), 9.0),
        };
        let target = wanted.min(most);
        self.output_kw += (target - self.output_kw).clamp(-0.08, 0.04);
        if self.mode == Mode::Rest {
            self.output_kw = 0.0;
        }

        let compressor_w = self.compressor(now, outdoor, most);
        self.auxiliary(outdoor, heat_need - most, warm_set);
        let strip_w = f64::from(self.strips) * STRIP_W;

        let pumped = match self.mode {
            Mode::Heat if self.defrost_s > 0.0 => -3.0,
            Mode::Heat => self.output_kw,
            Mode::Cool => -self.output_kw,
            Mode::Rest => 0.0,
        };
        let flow_kw = pumped + strip_w / 1000.0 + gains - LOSS_KW_K * (self.inside_c - outdoor);
        self.inside_c += flow_kw / STORE_KWH_K / 3600.0;

        let blower_w = match self.mode {
            Mode::Rest if self.strips == 0 => 0.0,
            Mode::Rest => 260.0,
            _ => 70.0 + 22.0 * self.output_kw,
        };
        draws.set(Kind::HeatPump, Draw::two_pole(compressor_w));
        draws.set(Kind::AuxiliaryHeat, Draw::two_pole(STANDBY_W + blower_w + strip_w));
    }

    /// Starts and stops, each for four minutes at least.
    fn choose(&mut self, warm_set: f64, cool_set: f64, outdoor: f64) {
        if self.since_s < 240.0 || self.defrost_s > 0.0 {
            return;
        }
        let next = match self.mode {
            Mode::Rest if self.inside_c < warm_set - 0.3 && outdoor < 19.0 => Mode::Heat,
            Mode::Rest if self.inside_c > cool_set + 0.4 && outdoor > 15.0 => Mode::Cool,
            Mode::Heat if self.inside_c > warm_set + 0.4 => Mode::Rest,
            Mode::Cool if self.inside_c < cool_set - 0.4 => Mode::Rest,
            same => same,
        };
        if next != self.mode {
            self.mode = next;
            self.since_s = 0.0;
        }
    }

    /// Electric power of the outdoor unit, W; counts frost and clears it by running in reverse.
    fn compressor(&mut self, now: &Moment, outdoor: f64, most: f64) -> f64 {
        // The crankcase heater keeps the oil warm while it rests in the cold.
        let resting = STANDBY_W + if outdoor < 10.0 { 32.0 } else { 0.0 };
        if self.mode == Mode::Rest {
            self.defrost_s = 0.0;
            return resting;
        }
        if self.defrost_s > 0.0 {
            self.defrost_s -= 1.0;
            return REVERSE_W;
        }
        if self.mode == Mode::Heat && outdoor < 4.0 {
            self.frost_s += 1.0;
            // Damp air near freezing frosts the coil soonest.
            if self.frost_s > 3_000.0 + 150.0 * (1.0 - outdoor).abs() {
                self.frost_s = 0.0;
                self.defrost_s = DEFROST_S;
                return REVERSE_W;
            }
        }
        let full = self.output_kw / most.max(LEAST_KW);
        let cop = match self.mode {
            Mode::Cool => (5.2 - 0.11 * (outdoor - 22.0)).clamp(2.4, 6.0),
            _ => (3.35 + 0.072 * outdoor).clamp(1.5, 5.0),
        };
        // Turned down, the same coils carry less and the pump works less hard.
        let cop = cop * (1.25 - 0.25 * full);
        let breath = 1.0 + 0.015 * wander(self.key, now.utc as f64 / 11.0);
        STANDBY_W + 60.0 + self.output_kw / cop * 1000.0 * breath
    }

    /// Strips: one while the pump defrosts, and one or two when it is below −10 °C and the pump
    /// alone falls behind.
    fn auxiliary(&mut self, outdoor: f64, short_kw: f64, warm_set: f64) {
        let behind = warm_set - self.inside_c;
        self.strips = if self.defrost_s > 0.0 {
            1
        } else if outdoor < -10.0 && self.mode == Mode::Heat && short_kw > 0.0 {
            match self.strips {
                0 => u8::from(behind > 0.5),
                kept => u8::from(behind > 0.1) + u8::from(behind > 1.2 || (kept == 2 && behind > 0.7)),
            }
        } else {
            0
        };
    }
}
