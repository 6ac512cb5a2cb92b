//! What perfect foresight could have had.

use super::day::DaylightDay;
use crate::site::Ev;

/// What a watt-hour from the grid counts against those from the sun, for one who foresees the day: so
/// much that a year of it stays near the 2 % that the controller is judged by.
const GRID_COSTS: f64 = 3.0;
/// What a start counts, in Wh: one that catches less is not worth the contactor's wear.
const START_COSTS_WH: f64 = 30.0;

/// The most that a car could have taken of a day's surplus.
#[derive(Clone, Copy, Debug, Default)]
pub struct Bounds {
    /// Second by second, on and off at will, in Wh: all surplus that covers the least current, up to the
    /// most, in the charger's steps.
    pub free_wh: f64,
    /// With the day foreseen, the shortest charge and pause kept, and the grid and starts spared.
    pub foreseen: Foreseen,
}

/// What foresight would have done.
#[derive(Clone, Copy, Debug, Default, PartialEq)]
pub struct Foreseen {
    /// Wh of the surplus that covers the least current, in the charger's steps.
    pub caught: f64,
    /// Wh of a smaller surplus.
    pub below: f64,
    /// Wh from the grid.
    pub from_grid: f64,
    /// How often it started.
    pub starts: u32,
}

impl Bounds {
    /// Of a day, for a charger.
    pub fn of(day: &DaylightDay, ev: &Ev, volts: f64) -> Self {
        let least = ev.minimum_a * volts;
        let most = ev.maximum_a.min(ev.breaker_limit_a()) * volts;
        let step = ev.step_a * volts;
        let usable = |spare: &f64| match *spare >= least {
            true => (spare.min(most) / step + 1e-9).floor() * step,
            false => 0.0,
        };
        let free_ws: f64 = day.spare_w.iter().map(usable).sum();
        let covered = |spare: f64| spare.clamp(0.0, most);
        let drawn = |spare: f64| (least - spare.max(0.0)).max(0.0);
        let worth: Vec<f64> =
            day.spare_w.iter().map(|spare| covered(*spare) - GRID_COSTS * drawn(*spare)).collect();
        let on = (ev.minimum_on.0 / 10).max(1) as usize;
        let off = (ev.minimum_off.0 / 10).max(1) as usize;
        let mut foreseen = Foreseen::default();
        let mut charged = false;
        for (spare, charges) in day.spare_w.iter().zip(best(&worth, on, off, START_COSTS_WH * 3600.0).1) {
            if charges {
                let part = if *spare >= least { &mut foreseen.caught } else { &mut foreseen.below };
                *part += if *spare >= least { usable(spare) } else { covered(*spare) } / 3600.0;
                foreseen.from_grid += drawn(*spare) / 3600.0;
                foreseen.starts += u32::from(!charged);
            }
            charged = charges;
        }
        Self { free_wh: free_ws / 3600.0, foreseen }
    }
}

/// The highest sum over charges of at least `on` seconds with pauses of at least `off` between them, less
/// `start` for each; and when to charge for it.
///
/// `charging[t]` is the best up to `t` that ends in a charge of at least `on`; `resting[t]` the best
/// that ends in a pause of at least `off`. Each follows from the one before, or from the other before the
/// shortest stretch: one pass over the day, and one back.
fn best(worth: &[f64], on: usize, off: usize, start: f64) -> (f64, Vec<bool>) {
    let mut sums = Vec::with_capacity(worth.len() + 1);
    sums.push(0.0);
    for value in worth {
        sums.push(sums[sums.len() - 1] + value);
    }
    let length = worth.len();
    let mut charging = vec![f64::NEG_INFINITY; length + 1];
    let mut resting = vec![0.0_f64; length + 1];
    let (mut highest, mut end) = (0.0_f64, 0);
    let begun = |at: usize, resting: &[f64]| match at >= on {
        true => resting[at - on] + sums[at] - sums[at - on] - start,
        false => f64::NEG_INFINITY,
    };
    for at in 1..=length {
        charging[at] = (charging[at - 1] + worth[at - 1]).max(begun(at, &resting));
        let ended = if at >= off { charging[at - off] } else { f64::NEG_INFINITY };
        resting[at] = resting[at - 1].max(ended);
        if charging[at] > highest {
            (highest, end) = (charging[at], at);
        }
    }
    let mut charges = vec![false; length];
    let mut at = end;
    while at > 0 {
        // Back through a charge to where it began, then through the pause before it.
        while charging[at] != begun(at, &resting) {
            charges[at - 1] = true;
            at -= 1;
        }
        charges[at - on..at].fill(true);
        at -= on;
        while at > 0 && resting[at] == resting[at - 1] {
            at -= 1;
        }
        at = if at >= off && resting[at] > 0.0 { at - off } else { 0 };
    }
    (highest, charges)
}

#[cfg(test)]
mod tests {
    use super::*;
    use proptest::prelude::*;

    /// Every way to charge, tried out.
    fn tried(worth: &[f64], on: usize, off: usize, start: f64) -> f64 {
        let mut highest = 0.0_f64;
        for ways in 0..1_u32 << worth.len() {
            let charges = |at: usize| ways >> at & 1 == 1;
            let mut runs: Vec<(bool, usize)> = Vec::new();
            for at in 0..worth.len() {
                match runs.last_mut() {
                    Some((is, length)) if *is == charges(at) => *length += 1,
                    _ => runs.push((charges(at), 1)),
                }
            }
            let last = runs.len() - 1;
            let kept = runs.iter().enumerate().all(|(place, (is, length))| match is {
                true => *length >= on,
                false => place == 0 || place == last || *length >= off,
            });
            if kept {
                let sum: f64 = (0..worth.len()).filter(|at| charges(*at)).map(|at| worth[at]).sum();
                let starts = runs.iter().filter(|(is, _)| *is).count();
                highest = highest.max(sum - start * starts as f64);
            }
        }
        highest
    }

    proptest! {
        #[test]
        fn one_pass_finds_what_trying_all_finds(
            worth in prop::collection::vec(-9i32..9, 1..12),
            on in 1..4usize,
            off in 1..4usize,
            start in 0..4u8,
        ) {
            let worth: Vec<f64> = worth.into_iter().map(f64::from).collect();
            let start = f64::from(start);
            let (highest, charges) = best(&worth, on, off, start);
            prop_assert_eq!(highest, tried(&worth, on, off, start));
            let sum: f64 = worth.iter().zip(&charges).filter(|(_, is)| **is).map(|(worth, _)| worth).sum();
            let starts = (0..charges.len()).filter(|at| charges[*at] && (*at == 0 || !charges[at - 1])).count();
            prop_assert_eq!(sum - start * starts as f64, highest);
        }
    }
}
