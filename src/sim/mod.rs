//! A simulated site with known truth, for the demo, tests and benchmarks.
//!
//! The house, its people, its weather and every figure are invented. What is real is the physics of
//! the sums: each load draws watts on one or two legs, the mains carry the sum of everything, and a
//! CT reads what its conductor carries in the way in which the map says that it is installed. So the
//! map, applied to the channels, has to give back what the loads drew, to within the CTs' noise.
//!
//! A simulation is a function of (map, seed, second): ask for the same second twice and it is the
//! same, wherever the run began. For that, every load begins anew at local midnight (`loads`).

mod chance;
pub mod charging;
mod day;
mod devices;
pub mod faults;
mod gathered;
pub mod homes;
mod lay;
mod ledger;
mod loads;
mod sky;
mod switches;
#[cfg(test)]
mod tests;
mod wiring;

pub use devices::{Devices, Message};
pub use gathered::evidence;
pub use lay::{Laid, lay_in, lay_in_of};
pub use ledger::Ledger;
pub use switches::{Switch, switchable};

use anyhow::{Context, Result};
use jiff::tz::TimeZone;

use crate::site::Site;
use crate::units::{Stamp, TENTHS};
use chance::{bell, mix};
use day::Day;
use faults::{Fault, Tampering};
use loads::{Draws, House};
use switches::Switches;
use wiring::{Powers, Wiring};

/// The map of the demo's site, as it stands in the repository's `config/sites/heron-lane.toml`.
pub const HERON_LANE: &str = include_str!("../../config/sites/heron-lane.toml");

/// Noise of a channel: a part of its reading, and a floor in W (both deviations of the mean over a
/// second; invented, of the size that meters of this kind show).
pub const NOISE_PART: f64 = 0.0015;
const NOISE_FLOOR_W: f64 = 0.15;

/// What happened in one second.
#[derive(Clone, Debug, Default)]
pub struct Second {
    /// Its start.
    pub at: Stamp,
    /// What each channel of the site measured: the mean over the second, in 0.1 W.
    pub channels: Vec<i64>,
    /// What was so.
    pub truth: Truth,
}

/// The true powers of one second, in W, free of any CT's error.
#[derive(Clone, Debug, Default, PartialEq)]
pub struct Truth {
    /// By circuit, in the order of the map: a load is positive, generation negative.
    pub circuits: Vec<f64>,
    /// Into each bus, in the order of the map.
    pub buses: Vec<f64>,
    /// From the grid; negative is export.
    pub grid: f64,
    /// What PV circuits gave.
    pub generation: f64,
    /// What the house used: grid + generation.
    pub consumption: f64,
    /// What loads without a CT took.
    pub untracked: f64,
}

/// A site being simulated.
#[derive(Clone, Debug)]
pub struct Simulation {
    site: Site,
    zone: TimeZone,
    seed: u64,
    today: Option<(Day, House)>,
    /// POSIX second that comes next in `today`.
    next: i64,
    wiring: Wiring,
    tampering: Tampering,
    switches: Switches,
    draws: Draws,
    powers: Powers,
    exact: Vec<f64>,
    second: Second,
}

impl Simulation {
    /// A simulation of the loads that `site` names, by circuit ids as the demo's map has them.
    ///
    /// # Errors
    /// An unknown time zone, or a circuit with a CT for which no load is known.
    pub fn new(site: &Site, seed: u64) -> Result<Self> {
        let zone = TimeZone::get(&site.time_zone)
            .with_context(|| format!("time zone \"{}\" is not known", site.time_zone))?;
        let (circuits, buses) = (site.circuits.len(), site.buses.len());
        Ok(Self {
            zone,
            seed,
            today: None,
            next: 0,
            wiring: Wiring::of(site, Stamp::from_seconds(0))?,
            tampering: Tampering::default(),
            switches: Switches::default(),
            draws: Draws::default(),
            powers: Powers { circuits: vec![[0.0; 3]; circuits], buses: vec![[0.0; 3]; buses] },
            exact: vec![0.0; site.channels.len()],
            second: Second {
                at: Stamp::MIN,
                channels: vec![0; site.channels.len()],
                truth: Truth { circuits: vec![0.0; circuits], buses: vec![0.0; buses], ..Truth::default() },
            },
            site: site.clone(),
        })
    }

    /// The demo's house, wired otherwise than its map says.
    ///
    /// # Errors
    /// When the demo's map does not hold what the fault changes.
    pub fn faulty(fault: &Fault, seed: u64) -> Result<Self> {
        let wired = fault.wired()?;
        let tampering = fault.tampering(&wired)?;
        let mut simulation = Self::new(&wired, seed)?;
        simulation.wiring.uneven.clone_from(&tampering.uneven);
        simulation.tampering = tampering;
        Ok(simulation)
    }

    /// The map by which the house is wired.
    pub fn site(&self) -> &Site {
        &self.site
    }

    /// Switches the load of a circuit by hand, from the next second on; false if it has no load.
    pub fn switch(&mut self, circuit: &str, to: Switch) -> bool {
        self.switches.set(circuit, to)
    }

    /// The second that starts at `at`. Asking for seconds in order is fast; going back, or over to
    /// another day, first lives through that day up to `at` (some tens of milliseconds).
    ///
    /// # Errors
    /// A moment outside of the calendar, or a map that by then has a circuit that no load is known for.
    pub fn second(&mut self, at: Stamp) -> Result<&Second> {
        let utc = at.seconds();
        self.reach(utc)?;
        if !self.wiring.span.contains(&at) {
            self.wiring = Wiring::of(&self.site, at)?;
            self.wiring.uneven.clone_from(&self.tampering.uneven);
        }
        self.step();
        self.wiring.flow(&self.draws, &mut self.powers);
        self.wiring.read(&self.powers, &mut self.exact);
        self.tampering.on_wires(utc, &mut self.exact);
        self.second.at = Stamp::from_seconds(utc);
        self.measure(utc);
        self.tell_truth();
        Ok(&self.second)
    }

    /// Makes `utc` the next second of `today`.
    fn reach(&mut self, utc: i64) -> Result<()> {
        let inside = matches!(&self.today, Some((day, _)) if (self.next..day.end).contains(&utc));
        if !inside {
            let day = Day::holding(utc, &self.zone, self.seed)?;
            let house = House::new(&day);
            self.next = day.start;
            self.today = Some((day, house));
        }
        while self.next < utc {
            self.step();
        }
        Ok(())
    }

    fn step(&mut self) {
        if let Some((day, house)) = &mut self.today {
            let now = day.moment(self.next);
            house.step(&now, &mut self.draws);
            self.switches.on_loads(&mut self.draws);
            self.tampering.on_loads(now.clock, &mut self.draws);
            self.next += 1;
        }
    }

    fn measure(&mut self, utc: i64) {
        let key = mix(&[self.seed, utc as u64]);
        for (channel, (exact, measured)) in self.exact.iter().zip(&mut self.second.channels).enumerate() {
            let noise = (NOISE_PART * exact.abs() + NOISE_FLOOR_W) * bell(mix(&[key, channel as u64]));
            *measured = ((exact + noise) * TENTHS as f64).round() as i64;
        }
        self.tampering.on_meters(&mut self.second.channels);
    }

    fn tell_truth(&mut self) {
        let truth = &mut self.second.truth;
        for (watts, legs) in truth.circuits.iter_mut().zip(&self.powers.circuits) {
            *watts = legs.iter().sum();
        }
        for (watts, legs) in truth.buses.iter_mut().zip(&self.powers.buses) {
            *watts = legs.iter().sum();
        }
        let elsewhere = self.draws.elsewhere;
        let elsewhere = elsewhere.between + elsewhere.first + elsewhere.second;
        (truth.generation, truth.untracked) = self.wiring.totals(&self.powers, elsewhere);
        truth.grid = truth.buses[0];
        truth.consumption = truth.grid + truth.generation;
    }
}
