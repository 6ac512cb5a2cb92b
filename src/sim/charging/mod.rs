//! A closed loop: the simulated house under clouds with edges, the advice, and a car that follows it.
//!
//! House, weather and car are invented. For each day it is known afterwards what a car that
//! needs at least 6 A could have taken of the surplus, with perfect foresight; what the advice caught of
//! that, what it took from the grid instead, and how often it switched, are the figures that the
//! controller is judged by.

mod bound;
mod car;
mod day;
mod picture;
#[cfg(test)]
mod tests;

use std::sync::Arc;

use anyhow::{Result, anyhow};

use super::NOISE_PART;
use super::chance::{bell, mix};
use crate::flow::Flows;
use crate::site::{FigureKey, Leg, Site, parse};
use crate::surplus::Advisor;
use crate::units::{Stamp, Watts};

pub use bound::{Bounds, Foreseen};
pub use car::Car;
pub use day::{DaylightDay, Year};
pub use picture::picture;

/// Volts between the legs, nominal.
const VOLTS: f64 = 240.0;
/// Seconds from what a CT measures until the advice that follows from it: a reading is sent at the end
/// of its second, and the tick after that shows it.
const SEEN_AFTER: usize = 2;

/// What one day, or many, came to. Energies in Wh.
#[derive(Clone, Copy, Debug, Default)]
pub struct Score {
    /// What a car that needs at least its least current could have taken of the surplus.
    pub could: f64,
    /// What foresight would have done with the same shortest charge and pause.
    pub foreseen: Foreseen,
    /// What it took of that.
    pub caught: f64,
    /// What it took of a surplus below the least current, while it sat out a cloud.
    pub below: f64,
    /// What it took from the grid.
    pub from_grid: f64,
    /// How often it started.
    pub starts: u32,
    /// The most starts of a day.
    pub most_starts: u32,
    /// How often the advised current turned from rising to falling or back, while it charged.
    pub turns: u32,
    /// How often the advised current changed while it charged.
    pub changes: u32,
    /// Hours that it charged.
    pub hours: f64,
    /// Days.
    pub days: u32,
}

impl Score {
    /// Adds another stretch of days.
    pub fn add(&mut self, other: &Self) {
        self.could += other.could;
        self.foreseen.caught += other.foreseen.caught;
        self.foreseen.below += other.foreseen.below;
        self.foreseen.from_grid += other.foreseen.from_grid;
        self.foreseen.starts += other.foreseen.starts;
        self.caught += other.caught;
        self.below += other.below;
        self.from_grid += other.from_grid;
        self.starts += other.starts;
        self.most_starts = self.most_starts.max(other.most_starts);
        self.turns += other.turns;
        self.changes += other.changes;
        self.hours += other.hours;
        self.days += other.days;
    }

    /// The share that it caught of the surplus that it could have taken.
    pub fn share(&self) -> f64 {
        self.caught / self.could.max(1.0)
    }

    /// The part of its energy that came from the grid.
    pub fn grid_part(&self) -> f64 {
        self.from_grid / (self.caught + self.below + self.from_grid).max(1.0)
    }
}

/// A charger's settings under test: the map that has them.
#[derive(Clone, Debug)]
pub struct Trial {
    site: Arc<Site>,
    circuit: usize,
}

impl Trial {
    /// With these lines of `[[ev]]` beside `circuit` and `mode`.
    ///
    /// # Errors
    /// Lines that the map refuses.
    pub fn new(lines: &str) -> Result<Self> {
        let map = format!("{MAP}[[ev]]\ncircuit = \"ev-charger\"\nmode = \"surplus only\"\n{lines}\n");
        let parsed = parse("trial.toml", &map);
        let refused = || anyhow!("{:?}", parsed.findings.iter().map(ToString::to_string).collect::<Vec<_>>());
        let site = parsed.site.clone().ok_or_else(refused)?;
        Ok(Self { circuit: site.loading.evs[0].circuit, site: Arc::new(site) })
    }

    /// Lives through the sunlit part of a day; `each` sees every second: surplus, advised A, taken W.
    pub fn live(&self, day: &DaylightDay, mut each: impl FnMut(usize, f64, f64, f64)) -> Score {
        let ev = &self.site.loading.evs[0];
        let mut advisor = Advisor::new(Arc::clone(&self.site));
        let mut car = Car::default();
        let mut seen: Vec<(f64, f64)> = vec![(day.spare_w[0], 0.0); SEEN_AFTER];
        let bounds = Bounds::of(day, ev, VOLTS);
        let mut score =
            Score { could: bounds.free_wh, foreseen: bounds.foreseen, days: 1, ..Score::default() };
        let mut course = Course::default();
        for (second, spare) in day.spare_w.iter().enumerate() {
            let at = day.start + second as i64;
            let (spare_then, taken_then) = seen[second % SEEN_AFTER];
            let advised = advisor.step(&self.flows(at, spare_then, taken_then), |_| None).advice[0].current_a;
            // Mains voltage moves, and with it the power of a fixed current.
            let volts = VOLTS * (1.0 + day.volts_off[second / 60]);
            let taken = car.step(advised) * volts;
            seen[second % SEEN_AFTER] = (*spare, taken);
            let covered = taken.min(spare.max(0.0));
            let least = ev.minimum_a * VOLTS;
            *(if *spare >= least { &mut score.caught } else { &mut score.below }) += covered / 3600.0;
            score.from_grid += (taken - covered) / 3600.0;
            course.see(advised, &mut score);
            each(second, *spare, advised, taken);
        }
        score.most_starts = score.starts;
        score
    }

    /// A tick as the daemon has it, with the CTs' noise.
    fn flows(&self, at: i64, spare: f64, taken: f64) -> Flows {
        let noisy = |watts: f64, channel: u64| {
            watts + (NOISE_PART * watts.abs() + 0.15) * bell(mix(&[at as u64, channel]))
        };
        let legs = [1, 2].map(|channel| noisy((taken - spare) / 2.0, channel));
        let taken = noisy(taken, 3);
        let figures = vec![
            (FigureKey::Grid, Some(Watts(legs[0] + legs[1]))),
            (FigureKey::Storage, Some(Watts(0.0))),
            (FigureKey::Circuit(self.circuit), Some(Watts(taken))),
            (FigureKey::MainsLeg(Leg::A), Some(Watts(legs[0]))),
            (FigureKey::MainsLeg(Leg::B), Some(Watts(legs[1]))),
        ];
        Flows { at: Stamp::from_seconds(at), figures, unknown: Vec::new() }
    }
}

/// The ups and downs of the advised current.
#[derive(Default)]
struct Course {
    before: f64,
    rising: Option<bool>,
}

impl Course {
    fn see(&mut self, advised: f64, score: &mut Score) {
        if advised > 0.0 {
            score.hours += 1.0 / 3600.0;
        }
        if advised > 0.0 && self.before == 0.0 {
            score.starts += 1;
            self.rising = None;
        } else if advised != self.before && advised > 0.0 {
            score.changes += 1;
            let rising = advised > self.before;
            score.turns += u32::from(self.rising.is_some_and(|before| before != rising));
            self.rising = Some(rising);
        }
        self.before = advised;
    }
}

/// Mains and a charger, as at the invented Heron Lane farmhouse.
const MAP: &str = r#"site = "heron-lane"
time_zone = "America/Denver"
[service]
system = "split-phase 120/240"
main_breaker_a = 200
[[device]]
id = "house"
topic = "heron-lane/meter/house/ct/{channel}/power"
unit = "W"
every_s = 1
[[feed]]
bus = "main"
channels = [{ channel = "house/m1", leg = "A" }, { channel = "house/m2", leg = "B" }]
[[circuit]]
id = "ev-charger"
label = "EV charger, carport"
end_use = "EV charging"
spaces = [17, 19]
breaker_a = 50
channels = ["house/11"]
"#;
