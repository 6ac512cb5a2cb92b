//! The range, the counter's small appliances and the dishwasher.

use super::super::day::{Day, Moment};
use super::{Bursts, Draw, Draws, Kind, Thermostat};

/// Bake element, W.
const ELEMENT_W: f64 = 2_600.0;
/// What it takes to warm the oven, J/K, and what it loses, W/K.
const OVEN_J_K: f64 = 7_200.0;
const OVEN_LOSS_W_K: f64 = 5.2;
/// A burner's switch turns it on and off at this period, s.
const BURNER_PERIOD_S: f64 = 24.0;
/// The clock (120 V, on the first leg) and the oven's lamp and fan.
const CLOCK_W: f64 = 4.0;
const LAMP_W: f64 = 38.0;

/// The kitchen on one day.
#[derive(Clone, Debug)]
pub(super) struct Kitchen {
    /// °C wanted, while the oven is in use.
    baking: Bursts,
    oven_c: f64,
    oven: Thermostat,
    /// Burners at full power, and the share of time that they are on.
    burners: Bursts,
    share: f64,
    counter: Bursts,
    dishes: Bursts,
}

impl Kitchen {
    pub(super) fn new(day: &Day) -> Self {
        let mut chance = day.chance(3);
        let (mut baking, mut burners) = (Bursts::default(), Bursts::default());
        let (mut counter, mut dishes) = (Bursts::default(), Bursts::default());
        let wake = if day.is_weekend() { 7.8 } else { 6.4 };
        let dinner = chance.clock(17.4, 18.6);
        if chance.yes(0.42) {
            baking.add(dinner - 1_200.0, chance.between(2_400.0, 4_500.0), chance.between(175.0, 215.0));
        }
        if day.is_weekend() && chance.yes(0.4) {
            baking.add(
                chance.clock(9.0, 14.0),
                chance.between(2_700.0, 5_400.0),
                chance.between(165.0, 225.0),
            );
        }
        for _ in 0..chance.count(1, 3) {
            burners.add(dinner + chance.between(-600.0, 900.0), chance.between(600.0, 1_700.0), 1_750.0);
        }
        if chance.yes(0.5) {
            burners.add(chance.clock(wake, wake + 1.2), chance.between(360.0, 800.0), 1_500.0);
        }
        counter.add(chance.clock(wake - 0.1, wake + 0.4), chance.between(380.0, 540.0), 920.0);
        for _ in 0..chance.count(0, 3) {
            counter.add(chance.clock(wake, wake + 1.5), chance.between(120.0, 190.0), 860.0);
        }
        for _ in 0..chance.count(1, 4) {
            counter.add(chance.clock(wake, 21.5), chance.between(130.0, 260.0), 1_480.0);
        }
        for _ in 0..chance.count(1, 4) {
            counter.add(chance.clock(11.5, 20.5), chance.between(60.0, 300.0), 1_240.0);
        }
        if chance.yes(0.75) {
            let start = chance.clock(19.2, 20.6);
            dishes.add(start, 5_400.0, 65.0);
            dishes.add(start + 420.0, 780.0, 1_150.0);
            dishes.add(start + 3_300.0, 840.0, 1_150.0);
        }
        let share = chance.between(0.45, 0.7);
        Self { baking, oven_c: 21.0, oven: Thermostat::new(6.0), burners, share, counter, dishes }
    }

    pub(super) fn step(&mut self, now: &Moment, draws: &mut Draws) {
        let wanted_c = self.baking.watts(now.clock);
        let bake = wanted_c > 0.0 && self.oven.heats(self.oven_c, wanted_c);
        let element = if bake { ELEMENT_W } else { 0.0 };
        self.oven_c += (element - OVEN_LOSS_W_K * (self.oven_c - 21.0)) / OVEN_J_K;
        let lamp = if wanted_c > 0.0 { LAMP_W } else { 0.0 };
        let on = now.clock % BURNER_PERIOD_S < self.share * BURNER_PERIOD_S;
        let burners = if on { self.burners.watts(now.clock) } else { 0.0 };
        draws.set(Kind::Range, Draw { between: element + burners, first: CLOCK_W + lamp, second: 0.0 });
        draws.set(Kind::KitchenPlugs, Draw::one_pole(11.0 + self.counter.watts(now.clock)));
        draws.set(Kind::Dishwasher, Draw::one_pole(1.5 + self.dishes.watts(now.clock)));
    }
}
