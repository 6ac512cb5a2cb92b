//! Receptacles and lighting: what people plug in and switch on, and what is never switched off.

use super::super::chance::{mix, wander};
use super::super::day::{Day, Moment};
use super::{Bursts, Draw, Draws, Kind, Thermostat};

/// Receptacles and lights on one day.
#[derive(Clone, Debug)]
pub(super) struct Plugs {
    key: u64,
    living: Bursts,
    bathroom: Bursts,
    outdoor: Bursts,
    trough: Thermostat,
    trough_c: f64,
    /// (watts, on from waking at, off in the morning, on from, off in the evening) by the clock.
    lamps: Vec<[f64; 5]>,
}

impl Plugs {
    pub(super) fn new(day: &Day) -> Self {
        let mut chance = day.chance(10);
        let (mut living, mut bathroom) = (Bursts::default(), Bursts::default());
        let mut outdoor = Bursts::default();
        let late = if day.is_weekend() { 0.7 } else { 0.0 };
        let evening = chance.clock(18.8, 20.2);
        living.add(evening, chance.between(5_400.0, 10_800.0), 118.0);
        if !day.is_weekend() && chance.yes(0.6) {
            living.add(chance.clock(8.2, 9.2), chance.between(9_000.0, 26_000.0), 96.0);
        }
        if chance.yes(0.3) {
            living.add(chance.clock(9.5, 16.0), chance.between(600.0, 1_800.0), 1_050.0);
        }
        for _ in 0..chance.count(0, 2) {
            bathroom.add(chance.clock(6.6 + late, 8.0 + late), chance.between(150.0, 420.0), 1_380.0);
        }
        if chance.yes(0.2) {
            outdoor.add(chance.clock(9.0, 17.0), chance.between(900.0, 3_600.0), 420.0);
        }
        let wake = 5.9 + 1.3 * late;
        let lamps = (0..14)
            .map(|_| {
                let on = chance.clock(wake, wake + 1.0);
                let bed = chance.clock(20.8 + late, 22.9 + late);
                let delay = chance.between(-1_200.0, 4_200.0);
                let morning = if chance.yes(0.45) { on + chance.between(1_200.0, 5_400.0) } else { on };
                let night = if chance.yes(0.75) { bed } else { 0.0 };
                [chance.between(9.0, 34.0), on, morning, delay, night]
            })
            .collect();
        Self {
            key: mix(&[day.seed, 0x91c9]),
            living,
            bathroom,
            outdoor,
            trough: Thermostat::new(1.0),
            trough_c: 2.0,
            lamps,
        }
    }

    pub(super) fn step(&mut self, now: &Moment, draws: &mut Draws) {
        let clock = now.clock;
        let hours = now.utc as f64 / 3600.0;
        let waver = wander(self.key, hours * 9.0);
        let living =
            48.0 + 7.0 * waver + self.living.watts(clock) * (1.0 + 0.12 * wander(self.key, hours * 240.0));
        draws.set(Kind::LivingPlugs, Draw::one_pole(living));
        draws.set(Kind::BathroomPlugs, Draw::one_pole(3.0 + self.bathroom.watts(clock)));

        // A water trough is kept from freezing.
        let heater = if self.trough.heats(self.trough_c, 3.0) { 250.0 } else { 0.0 };
        self.trough_c += (heater - 14.0 * (self.trough_c - now.sky.outdoor_c)) / 160_000.0;
        self.trough_c = self.trough_c.min(20.0);
        draws.set(Kind::OutdoorPlugs, Draw::one_pole(62.0 + heater + self.outdoor.watts(clock)));

        draws.set(Kind::Lighting, Draw::one_pole(self.lights(now)));
        // Doorbell, alarms, an old circuit that nobody has traced.
        let first = 46.0 + 26.0 * wander(self.key ^ 1, hours / 2.7);
        let second = 74.0 + 50.0 * wander(self.key ^ 2, hours / 5.1);
        draws.elsewhere = Draw { between: 0.0, first, second };
    }

    /// In the morning while it is dark outside, and from each lamp's own dusk until bed.
    fn lights(&self, now: &Moment) -> f64 {
        let dark = now.sky.sun_deg < 4.0;
        let mut watts = 4.0;
        for [lamp, on, morning, delay, bed] in &self.lamps {
            // Delay turns into how low the sun must be before this lamp is missed.
            let missed = now.sky.sun_deg < 3.0 - delay / 600.0;
            let evening = now.clock > 43_200.0 && missed && now.clock < *bed;
            let early = dark && *on <= now.clock && now.clock < *morning;
            if evening || early {
                watts += lamp;
            }
        }
        watts
    }
}
