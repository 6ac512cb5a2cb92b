//! When a load runs: run time, cycles and peaks out of minutes, in one pass and bounded memory.
//!
//! **The rule.** A minute counts as running if its mean power is at least a threshold, which follows
//! from the load's own minutes:
//! - its *idle level* is the power below which 2 % of its minutes lie: what it draws when it is off,
//!   for anything that is off now and then;
//! - its *running level* is the power at and above which half of its energy is drawn, of the energy
//!   above the idle level: a dryer's is its heater and not its drum, a refrigerator's its compressor and
//!   not the standby;
//! - the threshold lies a fifth of the way up from the one to the other, and at least 5 W up. Low on the
//!   way, so that a pump that runs for half a minute counts.
//!
//! A load whose running level is less than one and a half times its idle level runs all the time. A
//! *cycle* starts where a running minute follows one that is not. Common practice, no source.

use crate::units::{Span, Stamp};

/// Bins of power: one below 1 W, then eight an octave (each 9 % wide) up to 131 kW.
const BINS: usize = 1 + 8 * 17;
/// The share of minutes that lie below the idle level.
const IDLE: f64 = 0.02;
/// How far up from idle to running the threshold lies.
const UP: f64 = 0.2;
/// The least that a threshold lies above the idle level, in W.
const LEAST_W: f64 = 5.0;
/// A load whose running level is below this many times its idle level is always on.
const ALWAYS: f64 = 1.5;

/// What the minutes of a load say.
#[derive(Clone, Copy, Debug, Default, PartialEq)]
pub struct Runs {
    /// Minutes that are wholly known: the others do not count.
    pub minutes: u64,
    /// From this mean power on, in W, a minute counts as running; `None` where the load was always on
    /// or never.
    pub threshold_w: Option<f64>,
    /// The share of the known minutes in which it ran, 0 to 1.
    pub run_share: f64,
    /// How often it started.
    pub cycles: u64,
    /// Highest mean power of a minute in W, and when.
    pub peak_minute: Option<(f64, Stamp)>,
    /// Highest mean power of a quarter-hour in W, of those wholly known, and when.
    pub peak_quarter: Option<(f64, Stamp)>,
}

/// What the minutes of a stretch say of one load, in a shape that adds up over stretches, so that it can
/// be kept a day at a time.
#[derive(Clone, Debug, Default, PartialEq)]
pub struct Tally {
    /// Minutes by their mean power: the bin, how many, and their watts added up (what is below 0 counts as
    /// 0). Bins rise; what is empty is left out.
    pub bins: Vec<(u8, u32, f64)>,
    /// For each bin how many more minutes crossed into it from below than left the crossing there. Bins
    /// rise; those at which nothing changes are left out.
    pub crossings: Vec<(u8, i32)>,
    /// The first minute that is known, and its bin.
    pub first: Option<(Stamp, u8)>,
    /// The last one.
    pub last: Option<(Stamp, u8)>,
    /// Highest mean power of a minute in W, and when.
    pub peak_minute: Option<(f64, Stamp)>,
    /// Highest mean power of a quarter-hour in W, of those wholly known, and when.
    pub peak_quarter: Option<(f64, Stamp)>,
}

/// Counts the minutes of one load as they go by.
#[derive(Clone, Debug)]
pub(super) struct Counter {
    /// Minutes by bin, and their watts added up.
    bins: Box<[(u64, f64); BINS]>,
    /// For each bin how many more minutes crossed into it from below than left the crossing there:
    /// added up from the lowest bin these are the crossings of every threshold.
    crossings: Box<[i64; BINS + 1]>,
    first: Option<(Stamp, usize)>,
    last: Option<(Stamp, usize)>,
    /// The quarter-hour that is on: start, watts added up, minutes.
    quarter: (Stamp, f64, u32),
    peak_minute: Option<(f64, Stamp)>,
    peak_quarter: Option<(f64, Stamp)>,
}

impl Counter {
    pub fn new() -> Self {
        Self {
            bins: Box::new([(0, 0.0); BINS]),
            crossings: Box::new([0; BINS + 1]),
            first: None,
            last: None,
            quarter: (Stamp::MIN, 0.0, 0),
            peak_minute: None,
            peak_quarter: None,
        }
    }

    /// A wholly known minute of that mean power; minutes come in order of time.
    pub fn add(&mut self, start: Stamp, watts: f64) {
        let bin = bin_of(watts);
        self.bins[bin].0 += 1;
        self.bins[bin].1 += watts.max(0.0);
        self.cross(start, bin);
        self.first = self.first.or(Some((start, bin)));
        self.last = Some((start, bin));
        higher(&mut self.peak_minute, watts, start);
        let quarter = start.floor(Span::QUARTER);
        if self.quarter.0 != quarter {
            self.quarter = (quarter, 0.0, 0);
        }
        self.quarter.1 += watts;
        self.quarter.2 += 1;
        if self.quarter.2 == 15 {
            higher(&mut self.peak_quarter, self.quarter.1 / 15.0, quarter);
        }
    }

    /// Counts a way up from the last minute, if that is the one before.
    fn cross(&mut self, start: Stamp, bin: usize) {
        if let Some((before, from)) = self.last
            && before + Span::MINUTE == start
            && from < bin
        {
            self.crossings[from + 1] += 1;
            self.crossings[bin + 1] -= 1;
        }
    }

    /// What was counted, to be kept.
    pub fn tally(&self) -> Tally {
        let bins = (0..).zip(self.bins.iter()).filter(|(_, (count, _))| *count > 0);
        let crossings = (0..).zip(self.crossings.iter()).filter(|(_, more)| **more != 0);
        let small = |(at, bin): (Stamp, usize)| (at, bin as u8);
        Tally {
            bins: bins.map(|(bin, (count, watts))| (bin, *count as u32, *watts)).collect(),
            crossings: crossings.map(|(bin, more)| (bin, *more as i32)).collect(),
            first: self.first.map(small),
            last: self.last.map(small),
            peak_minute: self.peak_minute,
            peak_quarter: self.peak_quarter,
        }
    }

    /// Adds a later stretch. A quarter-hour that the two share has no peak, so they are to meet between
    /// quarter-hours, as the local days of every zone have done since 1972.
    pub fn absorb(&mut self, later: &Tally) {
        let (Some((start, bin)), Some((end, last))) = (later.first, later.last) else { return };
        self.cross(start, usize::from(bin));
        for (bin, count, watts) in &later.bins {
            let Some(sum) = self.bins.get_mut(usize::from(*bin)) else { continue };
            sum.0 += u64::from(*count);
            sum.1 += watts;
        }
        for (bin, more) in &later.crossings {
            if let Some(sum) = self.crossings.get_mut(usize::from(*bin)) {
                *sum += i64::from(*more);
            }
        }
        self.first = self.first.or(Some((start, usize::from(bin))));
        self.last = Some((end, usize::from(last)));
        later.peak_minute.iter().for_each(|(watts, at)| higher(&mut self.peak_minute, *watts, *at));
        later.peak_quarter.iter().for_each(|(watts, at)| higher(&mut self.peak_quarter, *watts, *at));
    }

    /// What the minutes say.
    pub fn finish(&self) -> Runs {
        let minutes: u64 = self.bins.iter().map(|(count, _)| count).sum();
        let mut runs = Runs {
            minutes,
            peak_minute: self.peak_minute,
            peak_quarter: self.peak_quarter,
            ..Runs::default()
        };
        let idle = self.idle(minutes);
        let Some(running) = self.running(idle) else { return runs };
        // Within the lowest bin there is nothing to tell apart: below 1 W is off.
        let idle_w = if idle == 0 { 0.0 } else { middle(idle) };
        if running < ALWAYS * idle_w {
            runs.run_share = 1.0;
            return runs;
        }
        let threshold = idle_w + (UP * (running - idle_w)).max(LEAST_W);
        // The bin's edge at or above it, so that what is said is what was counted.
        let edge = (1..BINS).find(|bin| edge(*bin) >= threshold * (1.0 - 1e-9)).unwrap_or(BINS - 1);
        let on: u64 = self.bins[edge..].iter().map(|(count, _)| count).sum();
        runs.threshold_w = Some(self::edge(edge));
        runs.run_share = if minutes > 0 { on as f64 / minutes as f64 } else { 0.0 };
        runs.cycles = self.crossings[..=edge].iter().sum::<i64>().max(0) as u64;
        runs
    }

    /// The bin of the idle level.
    fn idle(&self, minutes: u64) -> usize {
        let mut below = 0;
        for (bin, (count, _)) in self.bins.iter().enumerate() {
            below += count;
            if below as f64 > IDLE * minutes as f64 {
                return bin;
            }
        }
        0
    }

    /// The running level in W: of the energy above the idle bin, or of all where there is none.
    fn running(&self, idle: usize) -> Option<f64> {
        let above: f64 = self.bins[idle + 1..].iter().map(|(_, watts)| watts).sum();
        if above <= 0.0 {
            return (self.bins[idle].1 > 0.0 && idle > 0).then(|| middle(idle));
        }
        let mut left = above / 2.0;
        let from_top = (idle + 1..BINS).rev().find(|bin| {
            left -= self.bins[*bin].1;
            left <= 0.0
        });
        from_top.map(middle)
    }
}

fn higher(peak: &mut Option<(f64, Stamp)>, watts: f64, at: Stamp) {
    if peak.is_none_or(|(highest, _)| watts > highest) {
        *peak = Some((watts, at));
    }
}

fn bin_of(watts: f64) -> usize {
    if watts < 1.0 { 0 } else { ((watts.log2() * 8.0) as usize + 1).min(BINS - 1) }
}

/// The lower edge of a bin in W.
fn edge(bin: usize) -> f64 {
    ((bin as f64 - 1.0) / 8.0).exp2()
}

/// The middle of a bin in W.
fn middle(bin: usize) -> f64 {
    ((bin as f64 - 0.5) / 8.0).exp2()
}

#[cfg(test)]
mod tests {
    use super::*;

    /// The runs of a load whose minutes are those, over and over for a day.
    fn runs(minutes: &[f64]) -> Runs {
        let mut counter = Counter::new();
        for (index, watts) in minutes.iter().cycle().take(1440).enumerate() {
            counter.add(Stamp(index as i64 * Span::MINUTE.0), *watts);
        }
        counter.finish()
    }

    fn pattern(parts: &[(usize, f64)]) -> Vec<f64> {
        parts.iter().flat_map(|(count, watts)| std::iter::repeat_n(*watts, *count)).collect()
    }

    /// Invented loads.
    #[test]
    fn run_time_and_cycles_follow_the_loads_own_levels() {
        let check = |name: &str, minutes: Vec<f64>, share: f64, cycles: u64| {
            let found = runs(&minutes);
            assert!((found.run_share - share).abs() < 1e-9, "{name}: {found:?}");
            assert_eq!(found.cycles, cycles, "{name}: {found:?}");
            assert_eq!(found.minutes, 1440);
        };
        // A refrigerator: 20 min of 120 W, 40 min of 2 W. The day begins within a run.
        check("refrigerator", pattern(&[(20, 120.0), (40, 2.0)]), 1.0 / 3.0, 23);
        check("refrigerator that begins off", pattern(&[(40, 2.0), (20, 118.0)]), 1.0 / 3.0, 24);
        // A dryer: two runs of an hour with the heater on and off, once a day its drum alone.
        let dryer = pattern(&[(600, 0.5), (60, 4800.0), (420, 0.5), (60, 4900.0), (300, 0.5)]);
        check("dryer", dryer, 120.0 / 1440.0, 2);
        // A well pump that runs for part of a minute.
        check("well pump", pattern(&[(59, 0.0), (1, 430.0)]), 1.0 / 60.0, 24);
        // A ventilation fan that is never off, and one with two speeds.
        check("fan", pattern(&[(30, 44.0), (30, 45.0)]), 1.0, 0);
        check("fan of two speeds", pattern(&[(30, 20.0), (30, 80.0)]), 0.5, 24);
        check("nothing", pattern(&[(1440, 0.0)]), 0.0, 0);
        check("standby below a watt", pattern(&[(1440, 0.4)]), 0.0, 0);
    }

    #[test]
    fn the_threshold_is_what_was_counted() {
        let found = runs(&pattern(&[(20, 120.0), (40, 2.0)]));
        let threshold = found.threshold_w.expect("it is off now and then");
        assert!((20.0..30.0).contains(&threshold), "{threshold}");
        assert_eq!(runs(&[44.0]).threshold_w, None);
    }

    #[test]
    fn a_gap_is_no_start_and_a_quarter_with_a_gap_no_peak() {
        let mut counter = Counter::new();
        let at = |minute: i64| Stamp(minute * Span::MINUTE.0);
        (0..10).for_each(|minute| counter.add(at(minute), 0.0));
        // Minutes 10 to 19 are not known; then it runs.
        (20..60).for_each(|minute| counter.add(at(minute), if minute < 30 { 5000.0 } else { 1000.0 }));
        (60..70).for_each(|minute| counter.add(at(minute), 0.0));
        let found = counter.finish();
        assert_eq!((found.cycles, found.minutes), (0, 60));
        assert_eq!(found.peak_minute, Some((5000.0, at(20))));
        assert_eq!(found.peak_quarter, Some((1000.0, at(30))));
    }

    #[test]
    fn days_add_up_to_what_their_minutes_say_in_one_go() {
        // Invented: a load that starts in the last minute of a stretch, in the first, and over the seam.
        let watts = |minute: i64| match minute % 97 {
            0..=11 => 1800.0 + minute as f64,
            12 => 40.0,
            _ => 2.5,
        };
        let at = |minute: i64| Stamp(minute * Span::MINUTE.0);
        for seam in [15, 90, 105, 195, 300, 390, 2_895] {
            let (mut whole, mut first, mut second) = (Counter::new(), Counter::new(), Counter::new());
            for minute in 0..4_000 {
                whole.add(at(minute), watts(minute));
                (if minute < seam { &mut first } else { &mut second }).add(at(minute), watts(minute));
            }
            let mut sum = Counter::new();
            sum.absorb(&first.tally());
            sum.absorb(&second.tally());
            let (sum, whole) = (sum.finish(), whole.finish());
            assert!(whole.cycles > 30 && whole.run_share > 0.1, "{whole:?}");
            assert_eq!(sum, whole, "seam {seam}");
        }
        let mut nothing = Counter::new();
        nothing.absorb(&Tally::default());
        assert_eq!(nothing.finish(), Counter::new().finish());
    }

    #[test]
    fn bins_hold_what_their_edges_say() {
        for watts in [1.0, 1.05, 2.0, 119.9, 4800.0, 100_000.0] {
            let bin = bin_of(watts);
            assert!(edge(bin) <= watts && watts < edge(bin + 1), "{watts}");
        }
        assert_eq!((bin_of(-50.0), bin_of(0.99), bin_of(1e9)), (0, 0, BINS - 1));
    }
}
