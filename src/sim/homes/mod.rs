//! Homes of chance with known wiring, to measure the audit by: panels, subpanels, PV, batteries, circuits
//! with and without a CT, meters with noise, ratio and phase errors, and coarse resolutions.
//!
//! All of it is invented; ratings and habits are of the size that such loads have, from memory. A home is a
//! function of its seed.

mod faults;
mod loads;
mod plan;
#[cfg(test)]
mod tests;

pub use faults::{Fault, Injected};
pub use plan::{Circuit, Ct, Plan};

use super::chance::{bell, mix, unit, wander};
use crate::audit::Block;
use crate::units::{Span, Stamp};
use loads::Load;

/// By which part the voltage wanders within minutes.
const WAVER: f64 = 0.004;
/// Where homes' days start: a Monday at midnight UTC, which is also their time zone.
const START_S: i64 = 1_780_272_000;

/// How a home's meters err.
#[derive(Clone, Debug)]
pub struct Meter {
    /// W of the last digit.
    pub resolution_w: f64,
    /// By channel: ratio error of the CT (1 is none).
    ratio: Vec<f64>,
    /// By channel: tangent of the phase error: this part of the reactive power shows as active.
    phase: Vec<f64>,
}

/// A simulated home.
#[derive(Clone, Debug)]
pub struct Home {
    /// Its wiring, and the map that is true of it.
    pub plan: Plan,
    /// Its meters.
    pub meter: Meter,
    seed: u64,
    loads: Vec<Load>,
    /// What a data fault does to channels.
    tampered: Vec<(usize, faults::Tamper)>,
}

/// Active and reactive power on leg A and B.
type Legs = [[f64; 2]; 2];

impl Home {
    /// The home of a seed, with about so many channels (4 to 40).
    pub fn new(seed: u64, channels: usize) -> Self {
        let (plan, loads) = plan::draw(seed, channels);
        let pick = unit(mix(&[seed, 77]));
        let resolution_w = if pick < 0.6 {
            0.1
        } else if pick < 0.9 {
            1.0
        } else {
            10.0
        };
        let each = |kind: u64, width: f64| -> Vec<f64> {
            (0..plan.channels.len()).map(|c| width * bell(mix(&[seed, kind, c as u64]))).collect()
        };
        // Class 0.5 to 1 (IEC 61869-2), and phase errors of up to about a degree.
        let meter = Meter {
            resolution_w,
            ratio: each(78, 0.004).into_iter().map(|x| 1.0 + x).collect(),
            phase: each(79, 0.006),
        };
        Self { plan, meter, seed, loads, tampered: Vec::new() }
    }

    /// How often circuit `circuit` changed by more than 40 W in a stretch, at most `most`.
    pub fn events(&self, circuit: usize, seconds: i64, most: usize) -> usize {
        let mut load = self.loads[circuit].clone();
        let (mut count, mut before) = (0, f64::NAN);
        for t in (0..seconds).step_by(10) {
            let legs = load.at(START_S + t, 10.0);
            let watts = legs[0][0] + legs[1][0];
            if (watts - before).abs() > 40.0 {
                count += 1;
                if count >= most {
                    break;
                }
            }
            before = watts;
        }
        count
    }

    /// Readings as the meters send them: `period_s` between two, hour by hour.
    pub fn readings(&self, period_s: i64, hours: i64, mut each: impl FnMut(Block)) {
        // Slow meters average; between two of their readings five-second steps are fine enough.
        let step = if period_s >= 30 { 5 } else { 1 };
        let mut loads = self.loads.clone();
        let samples = (3600 / period_s) as usize;
        let mut exact = vec![0.0; self.plan.channels.len()];
        let mut sums = vec![0.0; exact.len()];
        for hour in 0..hours {
            let start = START_S + hour * 3600;
            let mut block = Block::unknown(
                Stamp::from_seconds(start),
                Span::from_seconds(period_s),
                exact.len(),
                samples,
            );
            for sample in 0..samples {
                sums.fill(0.0);
                let first = start + sample as i64 * period_s;
                for at in (first..first + period_s).step_by(step as usize) {
                    self.flow(&mut loads, at, step as f64, &mut exact);
                    sums.iter_mut().zip(&exact).for_each(|(sum, x)| *sum += x);
                }
                let count = (period_s / step) as f64;
                for (channel, sum) in sums.iter().enumerate() {
                    block.columns[channel][sample] =
                        self.read(channel, sum / count, first, count * step as f64);
                }
            }
            self.spoil(&mut block);
            each(block);
        }
    }

    /// What each CT carries, in W as a perfect meter would have it.
    fn flow(&self, loads: &mut [Load], at: i64, step_s: f64, exact: &mut [f64]) {
        // The voltage wavers by some thousandths, and with it all that is on.
        let voltage = 1.0 + WAVER * wander(mix(&[self.seed, 81]), at as f64 / 180.0);
        let mut buses: Vec<Legs> = vec![[[0.0; 2]; 2]; self.plan.buses.len()];
        let circuits = &self.plan.circuits;
        let mut powers: Vec<Legs> = circuits
            .iter()
            .zip(loads)
            .map(|(circuit, load)| if circuit.feeds.is_some() { [[0.0; 2]; 2] } else { load.at(at, step_s) })
            .collect();
        powers.iter_mut().flatten().flatten().for_each(|watts| *watts *= voltage);
        for pass in [true, false] {
            for (n, circuit) in circuits.iter().enumerate() {
                // Subpanels first: their feeders carry what they take.
                let below = circuit.wired_bus > 1;
                if below == pass && circuit.feeds.is_none() {
                    add(&mut buses[circuit.wired_bus], &powers[n]);
                }
            }
        }
        for (n, circuit) in circuits.iter().enumerate() {
            if let Some(bus) = circuit.feeds {
                powers[n] = buses[bus];
                let flow = buses[bus];
                add(&mut buses[circuit.wired_bus], &flow);
            }
        }
        for (channel, wire) in self.plan.wires.iter().enumerate() {
            let (ratio, phase) = (self.meter.ratio[channel], self.meter.phase[channel]);
            let of = |legs: &Legs, leg: usize| (legs[leg][0] + phase * legs[leg][1]) * ratio;
            exact[channel] = match wire {
                plan::Wire::Spare => 0.0,
                plan::Wire::Bus(bus, leg) => of(&buses[*bus], *leg),
                plan::Wire::Circuit(circuit, leg) => of(&powers[*circuit], *leg),
                plan::Wire::Whole(circuit) => of(&powers[*circuit], 0) + of(&powers[*circuit], 1),
            };
            exact[channel] *= self.plan.turned[channel];
        }
    }

    fn read(&self, channel: usize, exact: f64, at: i64, seconds: f64) -> f32 {
        let deviation = (0.0015 * exact.abs() + 0.15) / seconds.sqrt();
        let noisy = exact + deviation * bell(mix(&[self.seed, at as u64, channel as u64]));
        ((noisy / self.meter.resolution_w).round() * self.meter.resolution_w) as f32
    }

    /// Whether an input without a load reads exactly 0 all the time, on this home's meter.
    pub fn idle_is_still(&self, period_s: i64) -> bool {
        let step = if period_s >= 30 { 5 } else { 1 };
        let seconds = (period_s / step * step) as f64;
        (0..2000).all(|sample| self.read(0, 0.0, START_S + sample * period_s, seconds) == 0.0)
    }

    /// What faults of its meters do to readings that were sound.
    pub fn spoil(&self, block: &mut Block) {
        for (channel, tamper) in &self.tampered {
            tamper.apply(block.start, block.period, &mut block.columns[*channel]);
        }
    }
}

fn add(sum: &mut Legs, legs: &Legs) {
    for (sum, leg) in sum.iter_mut().zip(legs) {
        sum[0] += leg[0];
        sum[1] += leg[1];
    }
}
