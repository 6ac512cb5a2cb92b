//! Refrigerator and freezers, and the dehumidifier: compressors that cycle.

use super::super::day::{Day, Moment};
use super::{Bursts, Cycle, Draw, Draws, Kind};

/// The cold appliances and the dehumidifier on one day.
#[derive(Clone, Debug)]
pub(super) struct Cold {
    refrigerator: Cycle,
    freezer: Cycle,
    /// The refrigerator's defrost heater and lamp.
    extras: Bursts,
    chest: Cycle,
    dehumidifier: Cycle,
}

impl Cold {
    pub(super) fn new(day: &Day) -> Self {
        let mut chance = day.chance(5);
        let mut extras = Bursts::default();
        extras.add(chance.clock(0.0, 23.0), chance.between(900.0, 1_300.0), 360.0);
        for _ in 0..chance.count(14, 30) {
            extras.add(chance.clock(6.0, 22.5), chance.between(8.0, 45.0), 9.0);
        }
        Self {
            refrigerator: Cycle::new(day.chance(6), 1_300.0, 1_900.0),
            freezer: Cycle::new(day.chance(7), 1_100.0, 2_100.0),
            extras,
            chest: Cycle::new(day.chance(8), 700.0, 1_700.0),
            dehumidifier: Cycle::new(day.chance(9), 700.0, 1_500.0),
        }
    }

    pub(super) fn step(&mut self, now: &Moment, draws: &mut Draws) {
        // A kitchen in use at supper keeps the compressor on for longer.
        let busy = if (16.0..20.0).contains(&(now.clock / 3600.0)) { 1.25 } else { 1.0 };
        self.refrigerator.step(1_300.0 * busy, 1_900.0 / busy);
        self.freezer.step(1_100.0, 2_100.0);
        let kitchen = self.refrigerator.motor(92.0) + self.freezer.motor(104.0);
        draws.set(Kind::Refrigerator, Draw::one_pole(4.0 + kitchen + self.extras.watts(now.clock)));

        // The barn is as warm as the day.
        let warm = ((now.sky.outdoor_c + 5.0) / 35.0).clamp(0.05, 1.2);
        self.chest.step(350.0 + 700.0 * warm, 2_100.0 - 900.0 * warm);
        draws.set(Kind::BarnFreezer, Draw::one_pole(2.0 + self.chest.motor(118.0)));

        // In a dry winter it only waits.
        let damp = now.sky.damp;
        let runs = self.dehumidifier.step(400.0 + 1_500.0 * damp, 2_400.0 - 1_500.0 * damp) && damp > 0.05;
        let watts = if runs { 55.0 + self.dehumidifier.motor(430.0) } else { 1.5 };
        draws.set(Kind::Dehumidifier, Draw::one_pole(watts));
    }
}
