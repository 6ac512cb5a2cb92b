//! A car at its charger that follows an advised current as cars do: late, gradually, and never between
//! 0 and 6 A. All times are invented, of the size that such pairs show, from memory.

use std::collections::VecDeque;

use crate::surplus::pilot;

/// From the advice to the pilot signal: the charger's controller asks every few seconds, s.
const HEARD_AFTER: usize = 3;
/// From a pilot signal until the car closes its contactor and takes current, s.
const BEGINS_AFTER: u32 = 8;
/// How fast the car's charger goes up, and down, A/s.
const UP_A_S: f64 = 4.0;
const DOWN_A_S: f64 = 12.0;

/// A charger and its car.
#[derive(Clone, Debug, Default)]
pub struct Car {
    heard: VecDeque<f64>,
    /// Seconds since a current is offered.
    offered: u32,
    amps: f64,
}

impl Car {
    /// The next second, with this current advised; what the car takes in it, in A.
    pub fn step(&mut self, advised_a: f64) -> f64 {
        self.heard.push_back(advised_a);
        let heard = if self.heard.len() > HEARD_AFTER { self.heard.pop_front().unwrap_or(0.0) } else { 0.0 };
        // The pilot's duty cycle comes in steps of 0.1 %, the car's current in steps of 0.1 A.
        let duty = pilot::duty(heard).map(|duty| (duty * 10.0).floor() / 10.0);
        let most = duty.and_then(pilot::amps).map_or(0.0, |amps| (amps * 10.0).floor() / 10.0);
        self.offered = if most > 0.0 { self.offered + 1 } else { 0 };
        let aim = if self.offered > BEGINS_AFTER { most } else { 0.0 };
        self.amps = if aim == 0.0 {
            // The contactor opens: no ramp.
            0.0
        } else if self.amps == 0.0 {
            6.0
        } else {
            (self.amps + (aim - self.amps).clamp(-DOWN_A_S, UP_A_S)).max(6.0)
        };
        self.amps
    }
}
