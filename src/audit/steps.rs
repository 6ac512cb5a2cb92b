//! Steps: moments at which a power changes and stays changed for a while.
//!
//! The change at a sample is the mean of some samples after it less the mean of some before, with a gap
//! between for starting currents, for samples that hold both sides, and for devices whose clocks differ a
//! little. It is a linear function of the samples, so for a right map the changes of the circuits add up
//! to that of the feed, whatever else the house does at the time, except what has no CT.

/// How a change is measured.
#[derive(Clone, Copy, Debug, PartialEq, Eq)]
pub struct Window {
    /// Samples on each side.
    pub width: usize,
    /// Samples between that count for neither.
    pub gap: usize,
}

impl Window {
    /// For samples of `period_s` seconds: some seconds on each side, and at least one sample.
    pub fn for_period(period_s: f64) -> Self {
        match period_s {
            p if p < 2.0 => Self { width: 4, gap: 2 },
            p if p < 12.0 => Self { width: 2, gap: 1 },
            _ => Self { width: 1, gap: 1 },
        }
    }

    /// Samples from the first one before to the last one after.
    pub fn reach(self) -> usize {
        2 * self.width + self.gap
    }

    /// The change that has its gap at `at`: the samples before it end there, those after it begin behind
    /// the gap. NaN at the ends, or if a sample of it is unknown.
    pub fn change(self, column: &[f32], at: usize) -> f32 {
        let Some(first) = at.checked_sub(self.width) else { return f32::NAN };
        let after = at + self.gap;
        let (Some(before), Some(behind)) = (column.get(first..at), column.get(after..after + self.width))
        else {
            return f32::NAN;
        };
        (behind.iter().sum::<f32>() - before.iter().sum::<f32>()) / self.width as f32
    }
}

/// One step of one channel.
#[derive(Clone, Copy, Debug, PartialEq)]
pub struct Step {
    /// Index of the first sample that may belong to the transition.
    pub at: usize,
    /// By how much it changed, in W.
    pub watts: f32,
}

/// The steps of `column` above `floor_w`, by time: of changes that overlap only the largest.
pub fn steps(column: &[f32], window: Window, floor_w: f32) -> Vec<Step> {
    let mut found: Vec<Step> = Vec::new();
    let apart = window.width + window.gap;
    for at in window.width..column.len().saturating_sub(window.width + window.gap - 1) {
        // The two samples beside the gap differ in a step; most samples are ruled out by this alone.
        let watts = window.change(column, at);
        if watts.is_nan() || watts.abs() < floor_w {
            continue;
        }
        let step = Step { at, watts };
        match found.last_mut() {
            Some(last) if at - last.at < apart => {
                if watts.abs() > last.watts.abs() {
                    *last = step;
                }
            }
            _ => found.push(step),
        }
    }
    found
}

/// The largest change from one sample to the next that is still noise: a robust deviation of the
/// differences (1.4826 times their median, the usual factor for a normal law), in W.
pub fn noise(column: &[f32]) -> f32 {
    let mut changes: Vec<f32> =
        column.windows(2).map(|pair| (pair[1] - pair[0]).abs()).filter(|change| !change.is_nan()).collect();
    if changes.is_empty() {
        return 0.0;
    }
    let middle = changes.len() / 2;
    let (_, median, _) = changes.select_nth_unstable_by(middle, f32::total_cmp);
    1.4826 * *median
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn a_step_is_found_once_with_its_size() {
        let window = Window { width: 3, gap: 2 };
        let mut column = vec![100.0_f32; 40];
        column[11..20].fill(350.0);
        column[35] = f32::NAN;
        let found = steps(&column, window, 50.0);
        assert_eq!(found.len(), 2, "{found:?}");
        assert!((9..=11).contains(&found[0].at) && (found[0].watts - 250.0).abs() < 1.0, "{found:?}");
        assert!((found[1].watts + 250.0).abs() < 1.0, "{found:?}");
        assert!(steps(&column, window, 5000.0).is_empty());
        assert!(steps(&column[..4], window, 1.0).is_empty());
    }

    #[test]
    fn a_starting_current_adds_steps_that_add_up_to_the_change() {
        let mut column = vec![100.0_f32; 30];
        column[10] = 900.0;
        column[11..].fill(350.0);
        let found = steps(&column, Window { width: 3, gap: 2 }, 50.0);
        let sum: f32 = found.iter().map(|step| step.watts).sum();
        assert!((sum - 250.0).abs() < 1.0, "{found:?}");
    }

    #[test]
    fn noise_is_that_of_most_samples() {
        let mut column: Vec<f32> = (0..1000).map(|n| if n % 2 == 0 { 1.0 } else { 2.0 }).collect();
        column[500] = 10_000.0;
        assert!((noise(&column) - 1.4826).abs() < 0.01);
        assert_eq!(noise(&[]), 0.0);
    }
}
