//! Readings of a channel laid onto a grid of time.

use std::ops::Range;

use crate::reading::Sample;
use crate::site::{Device, ReadingKind, Unit};
use crate::units::{Span, Stamp};

/// A counter is kept in 0.1 Wh: (0.1 Wh in 0.1 s of span) to W.
const TENTH_WH_PER_TENTH_S: f64 = 3600.0;

/// Mean powers in W over each interval of a grid; NaN where less than half of it is covered.
pub fn aligned(device: &Device, samples: &[Sample], chunk: &Range<Stamp>, period: Span) -> Vec<f32> {
    let count = ((chunk.end.0 - chunk.start.0) / period.0) as usize;
    let mut sums = vec![(0.0_f64, 0_i64); count];
    let mut add = |from: Stamp, until: Stamp, watts: f64| {
        let (from, until) = (from.max(chunk.start), until.min(chunk.end));
        let mut at = from;
        while at < until {
            let cell = ((at.0 - chunk.start.0) / period.0) as usize;
            let end = Stamp(chunk.start.0 + (cell as i64 + 1) * period.0).min(until);
            let Some(sum) = sums.get_mut(cell) else { break };
            let length = end.0 - at.0;
            sum.0 += watts * length as f64;
            sum.1 += length;
            at = end;
        }
    };
    for (n, sample) in samples.iter().enumerate() {
        let before = n.checked_sub(1).map(|before| samples[before]);
        let watts = sample.value as f64 / 10.0;
        match (device.unit, device.reading) {
            (Unit::Wh { .. } | Unit::KWh { .. }, _) => {
                let Some(before) = before.filter(|before| sample.at - before.at <= device.max_gap) else {
                    continue;
                };
                let grown = sample.value - before.value;
                // A counter that went back was exchanged or rolled over: nothing is known of that stretch.
                if grown >= 0 && sample.at > before.at {
                    let length = (sample.at - before.at).0 as f64;
                    add(before.at, sample.at, grown as f64 * TENTH_WH_PER_TENTH_S / length);
                }
            }
            (_, ReadingKind::Mean) => {
                let longest = sample.at - device.max_gap;
                let from = before.map_or(sample.at - device.every, |before| before.at.max(longest));
                add(from, sample.at, watts);
            }
            (_, ReadingKind::Instant) => {
                let longest = sample.at + device.max_gap;
                let until = samples.get(n + 1).map_or(sample.at + device.every, |next| next.at.min(longest));
                add(sample.at, until, watts);
            }
        }
    }
    sums.into_iter()
        .map(|(sum, covered)| if covered * 2 < period.0 { f32::NAN } else { (sum / covered as f64) as f32 })
        .collect()
}

#[cfg(test)]
mod tests {
    use super::*;
    use crate::site::Payload;

    fn device(unit: Unit, reading: ReadingKind) -> Device {
        Device {
            id: "d".into(),
            topic: "t".into(),
            payload: Payload::Number,
            unit,
            reading,
            every: Span::from_seconds(1),
            max_gap: Span::from_seconds(3),
            stale_after: Span::from_seconds(5),
        }
    }

    fn check(device: &Device, samples: &[(i64, i64)], expected: &[f32]) {
        let samples: Vec<Sample> =
            samples.iter().map(|(at, value)| Sample { at: Stamp(*at), value: *value }).collect();
        let chunk = Stamp(0)..Stamp::from_seconds(expected.len() as i64);
        let found = aligned(device, &samples, &chunk, Span::TICK);
        let same =
            found.iter().zip(expected).all(|(a, b)| (a - b).abs() < 0.01 || (a.is_nan() && b.is_nan()));
        assert!(same && found.len() == expected.len(), "{found:?} {expected:?}");
    }

    #[test]
    fn readings_cover_the_time_that_they_are_of() {
        let nan = f32::NAN;
        let mean = device(Unit::W, ReadingKind::Mean);
        check(&mean, &[(10, 1000), (20, 2000), (60, 500)], &[100.0, 200.0, nan, 50.0, 50.0, 50.0]);
        check(&mean, &[(5, 1000), (15, 3000)], &[200.0, 300.0]);
        let instant = device(Unit::W, ReadingKind::Instant);
        check(&instant, &[(0, 1000), (20, 2000)], &[100.0, 100.0, 200.0, nan]);
        let counter = device(Unit::Wh { rolls_over_at_wh: None }, ReadingKind::Mean);
        check(&counter, &[(0, 10), (10, 20), (20, 15), (30, 25)], &[3600.0, nan, 3600.0]);
    }
}
