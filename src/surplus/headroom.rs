//! What each leg of the service has room for, from the mains CTs.
//!
//! room = 0.8 × main breaker − the highest current of the last minutes, the chargers' own taken off.
//!
//! CTs give watts, a breaker trips by amperes. Without a power factor a current is at least its
//! watts over its volts; the true one is larger by as much as the loads' power factor is below 1, and by as much
//! as the voltage is below its nominal value. So this is a lower bound of the present current, which 80 % leaves
//! room for; it is one more reason why this is advice and no protection. What a leg exports is taken as
//! no current at all: the sun that pays for it can be gone in a second.

use super::types::LegRoom;
use super::window::Highest;
use crate::site::{CONTINUOUS_PART, Leg, Site, System};
use crate::units::Stamp;

/// Volts by which the watts that one CT shows are divided, on the side that gives the larger current.
///
/// In a wye service a load between two legs draws its current a twelfth of a turn off the voltage to
/// neutral, so that each CT shows cos 30° of it: 208 V / 2, not 120 V.
pub(super) fn leg_volts(system: System) -> f64 {
    system.leg_to_leg_v() / 2.0
}

/// The legs of the service and what they carried lately.
#[derive(Clone, Debug)]
pub(super) struct Headroom {
    /// 80 % of the main breaker, in A.
    limit_a: f64,
    volts: f64,
    legs: Vec<(Leg, Highest)>,
}

impl Headroom {
    /// `None` where the map does not say what the main breaker is.
    pub fn new(site: &Site) -> Option<Self> {
        let over = site.loading.headroom_over;
        let leg = |leg: &Leg| (*leg, Highest::new(over));
        Some(Self {
            limit_a: CONTINUOUS_PART * site.service.main_breaker_a?,
            volts: leg_volts(site.service.system),
            legs: site.service.system.legs().iter().map(leg).collect(),
        })
    }

    /// Takes in what a leg carries (in W), and what the chargers take of it (in A).
    pub fn see(&mut self, at: Stamp, leg: Leg, watts: Option<f64>, chargers_a: Option<f64>) {
        let Some((_, highest)) = self.legs.iter_mut().find(|(other, _)| *other == leg) else { return };
        let amps = watts.zip(chargers_a).map(|(watts, own)| (watts / self.volts - own).max(0.0));
        highest.push(at, amps);
    }

    pub fn clear(&mut self) {
        self.legs.iter_mut().for_each(|(_, highest)| highest.clear());
    }

    /// The room on each of these legs.
    pub fn rooms(&self, measured: &[Leg]) -> Vec<LegRoom> {
        let legs = self.legs.iter().filter(|(leg, _)| measured.contains(leg));
        legs.map(|(leg, highest)| LegRoom {
            leg: *leg,
            highest_a: highest.get(),
            room_a: highest.get().map(|amps| self.limit_a - amps),
        })
        .collect()
    }
}
