//! The coding of blocks: the readings of a channel in an hour, and the minutes of a series in a UTC
//! day.

use crate::flow::Row;
use crate::reading::Sample;
use crate::units::{Energy, Span, Stamp};

use super::wire::{self, Bytes, Fault};

const READINGS: u8 = 1;
const MINUTES: u8 = 1;

/// A block holds at most a reading every 0.1 s.
const MOST_READINGS: usize = Span::HOUR.0 as usize;
/// Minutes of a UTC day.
const MOST_MINUTES: usize = 1440;

/// Codes the readings of one hour, which stand by time without doubles.
///
/// A time is `first + step × tick + rest`: a device that sends every second has even ticks, and
/// what its clock or the network adds is left in a rest of a few tenths. Coded as plain differences
/// every late arrival would count twice.
pub(super) fn encode_readings(hour: Stamp, samples: &[Sample]) -> Vec<u8> {
    let mut body = wire::begin(READINGS);
    wire::put_u64(&mut body, samples.len() as u64);
    let first = samples.first().map_or(0, |sample| (sample.at - hour).0);
    let step = usual_step(samples);
    wire::put_u64(&mut body, first as u64);
    wire::put_u64(&mut body, step as u64);
    let offsets = || samples.iter().map(|sample| (sample.at - hour).0 - first);
    let tick = |offset: i64| (offset + step / 2).div_euclid(step);
    let ticks: Vec<i64> = offsets().map(tick).collect();
    let rests: Vec<i64> = offsets().map(|offset| offset - step * tick(offset)).collect();
    let values: Vec<i64> = samples.iter().map(|sample| sample.value).collect();
    wire::put_column(&mut body, &ticks);
    wire::put_column(&mut body, &rests);
    wire::put_column(&mut body, &values);
    wire::finish(body)
}

/// The median distance of two readings.
fn usual_step(samples: &[Sample]) -> i64 {
    let mut steps: Vec<i64> = samples.windows(2).map(|pair| (pair[1].at - pair[0].at).0).collect();
    if steps.is_empty() {
        return 1;
    }
    let middle = steps.len() / 2;
    (*steps.select_nth_unstable(middle).1).max(1)
}

/// The readings of a block, by time.
pub(super) fn decode_readings(hour: Stamp, body: &[u8]) -> Result<Vec<Sample>, Fault> {
    let mut bytes = Bytes::open(body, READINGS)?;
    let count = bytes.count(MOST_READINGS)?;
    let first = bytes.count(MOST_READINGS)? as i64;
    let step = bytes.count(MOST_READINGS)? as i64;
    let ticks = bytes.column(count)?;
    let rests = bytes.column(count)?;
    let values = bytes.column(count)?;
    bytes.end()?;
    let mut samples = Vec::with_capacity(count);
    let mut before = -1;
    for ((tick, rest), value) in ticks.into_iter().zip(rests).zip(values) {
        let at = first.wrapping_add(step.wrapping_mul(tick)).wrapping_add(rest);
        if at <= before || at >= Span::HOUR.0 {
            return Err(Fault::Range("a time"));
        }
        before = at;
        samples.push(Sample { at: Stamp(hour.0 + at), value });
    }
    Ok(samples)
}

/// How many readings a block holds.
pub(super) fn count_readings(body: &[u8]) -> Result<u64, Fault> {
    Ok(Bytes::open(body, READINGS)?.count(MOST_READINGS)? as u64)
}

/// The blocks of a day's hours in one body: for each the hour (0 to 23), a length, and the block.
pub(super) fn encode_day<'a>(hours: impl IntoIterator<Item = (u8, &'a [u8])>) -> Vec<u8> {
    let mut body = Vec::new();
    for (hour, block) in hours {
        body.push(hour);
        wire::put_u64(&mut body, block.len() as u64);
        body.extend_from_slice(block);
    }
    body
}

/// The hours of a day's body and their blocks, as they stand.
pub(super) fn decode_day(body: &[u8]) -> Result<Vec<(u8, &[u8])>, Fault> {
    let mut bytes = Bytes::raw(body);
    let mut hours: Vec<(u8, &[u8])> = Vec::new();
    while !bytes.is_empty() {
        let hour = bytes.take(1)?[0];
        if hour > 23 || hours.last().is_some_and(|(last, _)| *last >= hour) {
            return Err(Fault::Range("an hour"));
        }
        let len = bytes.count(bytes.len())?;
        hours.push((hour, bytes.take(len)?));
    }
    Ok(hours)
}

/// Codes the minutes of one series in the UTC day that starts at `day`, by time.
pub(super) fn encode_minutes(day: Stamp, rows: &[Row]) -> Vec<u8> {
    let mut body = wire::begin(MINUTES);
    wire::put_u64(&mut body, rows.len() as u64);
    let mut column = |of: &dyn Fn(&Row) -> i64| {
        let values: Vec<i64> = rows.iter().map(of).collect();
        wire::put_column(&mut body, &values);
    };
    column(&|row| (row.start - day).0 / Span::MINUTE.0);
    column(&|row| row.energy_in.0);
    column(&|row| row.energy_out.0);
    column(&|row| row.covered.0);
    column(&|row| row.min.into());
    column(&|row| row.max.into());
    wire::finish(body)
}

/// The minutes of a block, by time.
pub(super) fn decode_minutes(day: Stamp, body: &[u8]) -> Result<Vec<Row>, Fault> {
    let mut bytes = Bytes::open(body, MINUTES)?;
    let count = bytes.count(MOST_MINUTES)?;
    let mut columns = [const { Vec::new() }; 6];
    for column in &mut columns {
        *column = bytes.column(count)?;
    }
    bytes.end()?;
    let [minutes, energy_in, energy_out, covered, low, high] = columns;
    let power = |value: i64| i32::try_from(value).map_err(|_| Fault::Range("a power"));
    let mut rows: Vec<Row> = Vec::with_capacity(count);
    for (index, minute) in minutes.into_iter().enumerate() {
        if !(0..MOST_MINUTES as i64).contains(&minute)
            || (index > 0 && minute <= number(day, &rows[index - 1]))
        {
            return Err(Fault::Range("a minute"));
        }
        rows.push(Row {
            start: Stamp(day.0 + minute * Span::MINUTE.0),
            energy_in: Energy(energy_in[index]),
            energy_out: Energy(energy_out[index]),
            covered: Span(covered[index]),
            min: power(low[index])?,
            max: power(high[index])?,
        });
    }
    Ok(rows)
}

fn number(day: Stamp, row: &Row) -> i64 {
    (row.start - day).0 / Span::MINUTE.0
}

#[cfg(test)]
mod tests {
    use proptest::prelude::*;

    use super::*;

    fn sample(at: i64, value: i64) -> Sample {
        Sample { at: Stamp(at), value }
    }

    #[test]
    fn even_times_cost_next_to_nothing() {
        let even: Vec<_> = (0..3600).map(|second| sample(7 + second * 10, 1234)).collect();
        let body = encode_readings(Stamp(0), &even);
        assert!(body.len() <= 20, "{} bytes", body.len());
        assert_eq!(decode_readings(Stamp(0), &body), Ok(even));
    }

    #[test]
    fn times_that_jitter_cost_little() {
        // One in five arrives a tenth late, as a network has it; without a gap in between.
        let late = |second: i64| i64::from((second * 7919) % 101 < 20);
        let jittered: Vec<_> = (0..3600).map(|second| sample(second * 10 + late(second), 1234)).collect();
        let body = encode_readings(Stamp(0), &jittered);
        // An event of 1 in 5 carries 0.72 bits, 0.09 bytes a reading.
        assert!(body.len() <= 3600 * 11 / 100, "{} bytes", body.len());
        assert_eq!(decode_readings(Stamp(0), &body), Ok(jittered));
    }

    #[test]
    fn a_day_is_its_hours_one_after_the_other() {
        let hours: Vec<(u8, &[u8])> = vec![(0, b"first"), (7, b""), (23, b"last")];
        assert_eq!(decode_day(&encode_day(hours.clone())), Ok(hours));
        assert_eq!(decode_day(&[24, 0]), Err(Fault::Range("an hour")));
        assert_eq!(decode_day(&[3, 0, 3, 0]), Err(Fault::Range("an hour")));
        assert_eq!(decode_day(&[3, 9, 1]), Err(Fault::Range("a count")));
    }

    fn readings() -> impl Strategy<Value = Vec<Sample>> {
        prop::collection::btree_map(0i64..36_000, any::<i64>(), 0..200)
            .prop_map(|map| map.into_iter().map(|(at, value)| sample(36_000 + at, value)).collect())
    }

    fn minutes() -> impl Strategy<Value = Vec<Row>> {
        let row = (any::<i64>(), any::<i64>(), 0i64..=600, any::<i32>(), any::<i32>());
        prop::collection::btree_map(0i64..1440, row, 0..200).prop_map(|map| {
            let row = |(minute, (energy_in, energy_out, covered, min, max))| Row {
                start: Stamp(864_000 + minute * 600),
                energy_in: Energy(energy_in),
                energy_out: Energy(energy_out),
                covered: Span(covered),
                min,
                max,
            };
            map.into_iter().map(row).collect()
        })
    }

    proptest! {
        #[test]
        fn readings_come_back(samples in readings()) {
            let body = encode_readings(Stamp(36_000), &samples);
            prop_assert_eq!(decode_readings(Stamp(36_000), &body), Ok(samples));
        }

        #[test]
        fn minutes_come_back(rows in minutes()) {
            let body = encode_minutes(Stamp(864_000), &rows);
            prop_assert_eq!(decode_minutes(Stamp(864_000), &body), Ok(rows));
        }

        #[test]
        fn damage_never_panics(mut rubbish: Vec<u8>) {
            let _ = decode_day(&rubbish);
            rubbish.splice(0..0, [0, 0, 0, 0, READINGS]);
            let body = wire::finish(rubbish);
            let _ = decode_readings(Stamp(0), &body);
            let _ = decode_minutes(Stamp(0), &body);
        }
    }
}
