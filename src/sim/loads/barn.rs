//! The barn: lights and tools, the workshop's heater, and a door opener that has no CT.

use super::super::day::{Day, Moment};
use super::{Bursts, Draw, Draws, Kind, Thermostat};

/// The workshop's heater, W, its room's heat, J/K, and loss, W/K.
const HEATER_W: f64 = 3_600.0;
const ROOM_J_K: f64 = 420_000.0;
const ROOM_LOSS_W_K: f64 = 60.0;
/// The door: seconds of travel and its motor's power.
const DOOR_S: f64 = 14.0;
const DOOR_W: f64 = 540.0;

/// The barn on one day.
#[derive(Clone, Debug)]
pub(super) struct Barn {
    lights: Bursts,
    door: Bursts,
    /// While somebody works there.
    work: Bursts,
    heater: Thermostat,
    room_c: f64,
}

impl Barn {
    pub(super) fn new(day: &Day) -> Self {
        let mut chance = day.chance(12);
        let (mut lights, mut door, mut work) = (Bursts::default(), Bursts::default(), Bursts::default());
        for (from_h, to_h) in [(6.3, 7.3), (16.5, 18.0)] {
            let at = chance.clock(from_h, to_h);
            door.add(at, DOOR_S, DOOR_W);
            door.add(at + chance.between(600.0, 1_500.0), DOOR_S, DOOR_W);
            lights.add(at, chance.between(900.0, 2_400.0), 165.0);
        }
        if chance.yes(if day.is_weekend() { 0.65 } else { 0.2 }) {
            let at = if day.is_weekend() { chance.clock(9.0, 14.0) } else { chance.clock(18.0, 19.0) };
            let length = chance.between(5_400.0, 14_400.0);
            work.add(at, length, 1.0);
            lights.add(at, length, 210.0);
            for _ in 0..chance.count(4, 14) {
                lights.add(at + chance.between(0.0, length), chance.between(10.0, 90.0), 780.0);
            }
        }
        let room_c = day.first_sky().outdoor_c + 4.0;
        Self { lights, door, work, heater: Thermostat::new(0.7), room_c }
    }

    pub(super) fn step(&mut self, now: &Moment, draws: &mut Draws) {
        // Kept from freezing; warm only while somebody works.
        let wanted = if self.work.any(now.clock) { 16.0 } else { 2.0 };
        let heats = self.heater.heats(self.room_c, wanted);
        let heat = if heats { HEATER_W } else { 0.0 };
        self.room_c += (heat - ROOM_LOSS_W_K * (self.room_c - now.sky.outdoor_c)) / ROOM_J_K;
        draws.set(Kind::WorkshopHeater, Draw::two_pole(heat));
        draws.set(Kind::BarnLights, Draw::one_pole(7.0 + self.lights.watts(now.clock)));
        draws.set(Kind::BarnDoor, Draw::one_pole(3.0 + self.door.watts(now.clock)));
    }
}
