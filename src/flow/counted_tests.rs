//! CTs with power and a counter: by tables, and by properties over random hours.

use std::collections::BTreeMap;
use std::ops::Range;
use std::sync::Arc;

use proptest::prelude::*;

use super::*;
use crate::reading::Sample;
use crate::site::{ChannelIndex, SeriesIndex, Site};
use crate::units::{CENTIJOULES_PER_WH, Span, Stamp};

/// 2026-11-25T00:00:00Z.
const T0: Stamp = Stamp::from_seconds(1_764_028_800);

/// Two mains CTs with counters that roll over at 100 kWh. Invented.
const MAP: &str = r#"
site = "heron-lane"
time_zone = "America/Denver"

[service]
system = "split-phase 120/240"

[[device]]
id = "house"
topic = "house/{channel}"
payload = { pointer = "/w", time = "/t" }
unit = "W"
every_s = 10
channels = ["m1", "m2"]
counter = { pointer = "/wh", unit = "Wh", rolls_over_at = 100000, every_s = 60 }
export_counter = { pointer = "/wh_out", unit = "Wh", rolls_over_at = 100000, every_s = 60 }

[[feed]]
bus = "main"
channels = [{ channel = "house/m1", leg = "A" }, { channel = "house/m2", leg = "B" }]
"#;

const POWER: u32 = 0;
const COUNTER: u32 = 2;
/// Only some of the tests give it readings: what flows out is the power's in the others.
const EXPORT: u32 = 4;

fn site() -> Arc<Site> {
    let parsed = crate::site::parse("heron-lane.toml", MAP);
    let Some(site) = parsed.site else { panic!("{:#?}", parsed.findings) };
    assert_eq!(site.channels[COUNTER as usize].name, "house/m1/counter");
    assert_eq!(site.channels[EXPORT as usize].name, "house/m1/export-counter");
    Arc::new(site)
}

/// The series of the counted CT.
fn counted(site: &Site) -> SeriesIndex {
    let name = |index: &u32| site.series_name(SeriesIndex(*index)) == "split:counted/house/m1";
    SeriesIndex((0..site.series_len() as u32).find(name).expect("it is there"))
}

fn second(second: i64) -> Stamp {
    T0 + Span::from_seconds(second)
}

type Readings = Vec<(u32, Sample)>;

/// Power in W every 10 s over some seconds; without what is in a gap.
fn power(of: impl Fn(i64) -> i64, range: Range<i64>, gap: Range<i64>) -> Readings {
    let at = range.step_by(10).filter(|at| !gap.contains(at));
    at.map(|at| (POWER, Sample { at: second(at), value: of(at) * 10 })).collect()
}

/// Counts in Wh at some seconds.
fn counts(counts: &[(i64, i64)]) -> Readings {
    counts.iter().map(|(at, wh)| (COUNTER, Sample { at: second(*at), value: wh * 10 })).collect()
}

fn exports(counts: &[(i64, i64)]) -> Readings {
    counts.iter().map(|(at, wh)| (EXPORT, Sample { at: second(*at), value: wh * 10 })).collect()
}

fn by_channel(site: &Site, readings: &[(u32, Sample)]) -> Vec<Vec<Sample>> {
    let mut all = vec![BTreeMap::new(); site.channels.len()];
    for (channel, sample) in readings {
        all[*channel as usize].insert(sample.at, sample.value);
    }
    let samples =
        |all: BTreeMap<Stamp, i64>| all.into_iter().map(|(at, value)| Sample { at, value }).collect();
    all.into_iter().map(samples).collect()
}

/// The rows of the counted CT in some seconds.
fn rows(readings: &[(u32, Sample)], range: Range<i64>) -> Vec<Row> {
    let site = site();
    let series = counted(&site);
    let minutes = account(&site, second(range.start)..second(range.end), &by_channel(&site, readings));
    let rows = minutes.into_iter().flat_map(|minute| minute.rows);
    rows.filter(|(of, _)| *of == series).map(|(_, row)| row).collect()
}

/// What the counted CT comes to: Wh in and out, seconds covered.
fn sums(rows: &[Row]) -> (f64, f64, f64) {
    let sum = |of: fn(&Row) -> i64| rows.iter().map(of).sum::<i64>() as f64;
    let wh = CENTIJOULES_PER_WH as f64;
    (sum(|row| row.energy_in.0) / wh, sum(|row| row.energy_out.0) / wh, sum(|row| row.covered.0) / 10.0)
}

fn check(readings: &[Readings], range: Range<i64>, expected: (f64, f64, f64)) {
    let found = sums(&rows(&readings.concat(), range.clone()));
    let near = |a: f64, b: f64| (a - b).abs() < 1e-4;
    let same = near(found.0, expected.0) && near(found.1, expected.1) && near(found.2, expected.2);
    assert!(same, "{range:?}: {found:?}, not {expected:?}");
}

#[test]
fn energy_is_the_counters_and_shape_the_powers() {
    // 600 W in the first half of each hour, 200 W in the second; the counter says a twentieth more.
    let of = |at: i64| if (at - 1) % 3600 < 1800 { 600 } else { 200 };
    let readings = [power(of, 0..7300, 0..0), counts(&[(0, 5000), (3600, 5420), (7200, 5840)])];
    check(&readings, 0..3600, (420.0, 0.0, 3600.0));
    check(&readings, 3600..7200, (420.0, 0.0, 3600.0));
    check(&readings, 0..1800, (315.0, 0.0, 1800.0));
    check(&readings, 0..60, (10.5, 0.0, 60.0));
    // Beyond the last count the power stands.
    check(&readings, 7200..7260, (10.0, 0.0, 60.0));
    // What is shown as lowest and highest is the power.
    let minute = rows(&readings.concat(), 0..60)[0];
    assert_eq!((minute.min, minute.max), (6000, 6000));
}

#[test]
fn steps_of_the_counter_do_not_show_inside_of_an_hour() {
    // 30 W, and a counter that steps by 10 Wh and is read every minute.
    let every_minute: Vec<_> = (0..=120).map(|minute| (minute * 60, (minute * 30 / 60) / 10 * 10)).collect();
    let readings = [power(|_| 30, 0..7300, 0..0), counts(&every_minute)];
    for minute in 0..120 {
        check(&readings, minute * 60..minute * 60 + 60, (0.5, 0.0, 60.0));
    }
}

#[test]
fn a_gap_of_the_power_has_the_counters_energy_and_no_coverage() {
    // 1,000 W is known for half an hour; a heater of 4,000 W ran in the other half.
    let readings = [power(|_| 1000, 0..3700, 1810..3600), counts(&[(0, 0), (3600, 2500)])];
    // Up to a tenth of what is known may be the power's own fault.
    check(&readings, 0..1800, (550.0, 0.0, 1800.0));
    check(&readings, 1800..3600, (1950.0, 0.0, 10.0));
    // A short gap, and a counter that says 3 % more: the gap is like the rest.
    let readings = [power(|_| 1000, 0..3700, 600..640), counts(&[(0, 0), (3600, 1030)])];
    check(&readings, 600..660, (1030.0 / 60.0, 0.0, 30.0));
    check(&readings, 0..3600, (1030.0, 0.0, 3560.0));
    // Nothing known but the counts.
    let readings = [power(|_| 1000, 0..10, 0..0), counts(&[(0, 0), (7200, 500)])];
    check(&readings, 60..7200, (500.0 * 7140.0 / 7200.0, 0.0, 0.0));
}

#[test]
fn resets_roll_overs_and_exchanged_meters_make_no_energy() {
    let steady = power(|_| 1000, 0..7300, 0..0);
    // It starts again at 100,000 Wh.
    check(&[steady.clone(), counts(&[(0, 99_900), (3600, 950)])], 0..3600, (1050.0, 0.0, 3600.0));
    // It was reset: the power stands, until the next two counts.
    let reset = counts(&[(0, 5000), (3600, 20), (7200, 1060)]);
    check(&[steady.clone(), reset.clone()], 0..3600, (1000.0, 0.0, 3600.0));
    check(&[steady.clone(), reset], 3600..7200, (1040.0, 0.0, 3600.0));
    // Reset within the hour.
    let within = counts(&[(0, 5000), (60, 5010), (120, 3), (3600, 980)]);
    check(&[steady.clone(), within], 0..3600, (1000.0, 0.0, 3600.0));
    // A new meter that starts at another count, and one that stands still.
    check(&[steady.clone(), counts(&[(0, 5000), (3600, 90_000)])], 0..3600, (1000.0, 0.0, 3600.0));
    check(&[steady.clone(), counts(&[(0, 5000), (3600, 5000)])], 0..3600, (1000.0, 0.0, 3600.0));
    // Up to twice, or half: the counter is taken.
    check(&[steady.clone(), counts(&[(0, 0), (3600, 2000)])], 0..3600, (2000.0, 0.0, 3600.0));
    check(&[steady, counts(&[(0, 0), (3600, 500)])], 0..3600, (500.0, 0.0, 3600.0));
}

#[test]
fn what_flows_the_other_way_is_the_powers() {
    // Half an hour of 600 W in, half an hour of 400 W out; the counter counts what comes in.
    let of = |at: i64| if (at - 1) % 3600 < 1800 { 600 } else { -400 };
    let readings = [power(of, 0..3700, 0..0), counts(&[(0, 0), (3600, 330)])];
    check(&readings, 0..3600, (330.0, 200.0, 3600.0));
    check(&readings, 1800..3600, (0.0, 200.0, 1800.0));
    // A power that shows nothing while the counter counts: evenly.
    let readings = [power(|_| 0, 0..3700, 0..0), counts(&[(0, 0), (3600, 60)])];
    check(&readings, 0..60, (1.0, 0.0, 60.0));
}

#[test]
fn both_are_held_against_each_other_where_both_are_known() {
    let site = site();
    let devices = [&site.devices[0], &site.devices[1], &site.devices[2]];
    let of = |readings: &[Readings]| {
        let all = by_channel(&site, &readings.concat());
        compare((devices[0], &all[POWER as usize]), (devices[1], &all[COUNTER as usize]), false)
    };
    let found = of(&[power(|_| 1000, 0..7300, 4000..4100), counts(&[(0, 0), (3600, 2300), (7200, 3300)])]);
    assert_eq!(found.len(), 1, "the second hour has a gap: {found:?}");
    assert_eq!(found[0].range, second(0)..second(3600));
    assert_eq!((found[0].counter.wh(), found[0].power.wh(), found[0].believed), (2300.0, 1000.0, false));
}

#[test]
fn what_flows_out_is_its_own_counters() {
    // Half an hour of 600 W in, half an hour of 400 W out; both counters say a twentieth or a tenth more.
    let of = |at: i64| if (at - 1).rem_euclid(3600) < 1800 { 600 } else { -400 };
    let (steady, steps) = (power(of, 0..7300, 0..0), counts(&[(0, 0), (3600, 330), (7200, 660)]));
    // That of export starts again at 100,000 Wh.
    let rolled = [steady.clone(), steps.clone(), exports(&[(0, 99_900), (3600, 110), (7200, 320)])];
    check(&rolled, 0..3600, (330.0, 210.0, 3600.0));
    check(&rolled, 0..1800, (330.0, 0.0, 1800.0));
    check(&rolled, 1800..3600, (0.0, 210.0, 1800.0));
    check(&rolled, 3600..7200, (330.0, 210.0, 3600.0));
    // A reset of the one leaves the other as it is.
    let reset = [steady.clone(), steps, exports(&[(0, 5000), (3600, 20), (7200, 230)])];
    check(&reset, 0..3600, (330.0, 200.0, 3600.0));
    check(&reset, 3600..7200, (330.0, 210.0, 3600.0));
    let reset = [steady, counts(&[(0, 5000), (3600, 20)]), exports(&[(0, 0), (3600, 210)])];
    check(&reset, 0..3600, (300.0, 210.0, 3600.0));
    // One that stands still is not believed.
    let still = [power(|_| -4000, 0..3700, 0..0), exports(&[(0, 7000), (3600, 7000)])];
    check(&still, 0..3600, (0.0, 4000.0, 3600.0));
    // A gap of the power has what both say, and no coverage.
    let gap =
        [power(of, 0..3700, 1810..3600), counts(&[(0, 0), (3600, 330)]), exports(&[(0, 0), (3600, 200)])];
    check(&gap, 0..3600, (330.0, 200.0, 1810.0));

    let site = site();
    let devices = [&site.devices[0], &site.devices[2]];
    let all = by_channel(&site, &rolled.concat());
    let found = compare((devices[0], &all[POWER as usize]), (devices[1], &all[EXPORT as usize]), true);
    assert_eq!((found.len(), found[0].counter.wh(), found[0].power.wh()), (2, 210.0, 200.0));
}

/// Hours of an invented CT: its power by the ten minutes, how its counter steps, what is missing, and when it was reset.
#[derive(Clone, Debug)]
struct Day {
    powers: Vec<i64>,
    /// True energy over the power's, in percent.
    percent: i64,
    /// Wh.
    step: i64,
    no_power: Range<i64>,
    no_counter: Range<i64>,
    reset_at: Option<i64>,
}

const HOURS: i64 = 4;

fn day() -> impl Strategy<Value = Day> {
    let seconds = HOURS * 3600;
    let gap = (0..seconds, 0..5000_i64).prop_map(|(from, length)| from..from + length);
    (
        prop::collection::vec(prop_oneof![0..5000_i64, -3000..10_i64, Just(0)], HOURS as usize * 6 + 1),
        70..150_i64,
        prop_oneof![Just(1_i64), Just(10)],
        gap.clone(),
        gap,
        prop::option::weighted(0.3, 60..seconds),
    )
        .prop_map(|(powers, percent, step, no_power, no_counter, reset_at)| Day {
            powers,
            percent,
            step,
            no_power,
            no_counter,
            reset_at,
        })
}

impl Day {
    fn readings(&self) -> Readings {
        let mut readings = Vec::new();
        let mut milli_wh = 7_000_000;
        for at in (10..=HOURS * 3600 + 120).step_by(10) {
            let watts = self.powers[(((at - 1) / 600) as usize).min(self.powers.len() - 1)];
            milli_wh += watts.max(0) * self.percent * 10 / 360;
            if self.reset_at.is_some_and(|reset| (reset..reset + 10).contains(&at)) {
                milli_wh = 0;
            }
            if !self.no_power.contains(&at) {
                readings.push((POWER, Sample { at: second(at), value: watts * 10 }));
            }
            if at % 60 == 0 && !self.no_counter.contains(&at) {
                let wh = milli_wh / 1000 / self.step * self.step;
                readings.push((COUNTER, Sample { at: second(at) + Span(at % 7), value: wh * 10 }));
            }
        }
        readings
    }
}

/// Runs live, with every late minute counted again from what has come by then, as the store does.
fn live(site: &Arc<Site>, readings: &[(u32, Sample)], delays: &[i64]) -> BTreeMap<Stamp, ClosedMinute> {
    let mut arrivals: Vec<(Stamp, u32, Sample)> = Vec::new();
    for (index, (channel, sample)) in readings.iter().enumerate() {
        arrivals.push((sample.at + Span(delays[index % delays.len()]), *channel, *sample));
    }
    arrivals.sort_by_key(|(at, ..)| *at);
    let mut flow = SiteFlow::new(Arc::clone(site), None);
    let mut minutes = BTreeMap::new();
    let mut come: Readings = Vec::new();
    let mut step = |flow: &mut SiteFlow, now: Stamp, come: &[(u32, Sample)]| {
        let mut closed = Vec::new();
        flow.advance(now, &mut closed);
        minutes.extend(closed.into_iter().map(|minute| (minute.start, minute)));
        for late in flow.take_late() {
            // To whole stretches, as the store widens them.
            let whole = late.start.floor(Span::HOUR) - Span(2 * Span::DAY.0)..late.end;
            minutes.retain(|start, _| !whole.contains(start));
            let again = account(site, whole, &by_channel(site, come));
            minutes.extend(again.into_iter().map(|minute| (minute.start, minute)));
        }
    };
    for (at, channel, sample) in arrivals {
        step(&mut flow, at, &come);
        flow.push(ChannelIndex(channel), sample);
        come.push((channel, sample));
    }
    step(&mut flow, second(HOURS * 3600 + 4000), &come);
    step(&mut flow, second(HOURS * 3600 + 4000), &come);
    minutes
}

proptest! {
    #![proptest_config(ProptestConfig::with_cases(20))]

    #[test]
    fn live_with_its_late_minutes_is_one_account_in_whatever_order_it_comes(
        day in day(),
        delays in prop::collection::vec(0..15_i64, 1..40),
    ) {
        let site = site();
        let readings = day.readings();
        let all = account(&site, second(-3600)..second(HOURS * 3600 + 3600), &by_channel(&site, &readings));
        let found = live(&site, &readings, &delays);
        // The last minutes are still open.
        let over = second(HOURS * 3600);
        let want: BTreeMap<_, _> = all.into_iter().map(|m| (m.start, m)).filter(|(at, _)| *at < over).collect();
        let have: BTreeMap<_, _> = found.into_iter().filter(|(at, _)| *at < over).collect();
        prop_assert_eq!(have, want);
    }

    #[test]
    fn pieces_are_the_whole_and_a_stretch_is_its_counts_exactly(day in day(), cut in 1..HOURS * 60) {
        let readings = day.readings();
        let whole = rows(&readings, 0..HOURS * 3600);
        let mut pieces = rows(&readings, 0..cut * 60);
        pieces.extend(rows(&readings, cut * 60..HOURS * 3600));
        prop_assert_eq!(&pieces, &whole);
        for row in &whole {
            prop_assert!(row.energy_in.0 >= 0 && row.energy_out.0 >= 0 && row.covered.0 <= 600, "{row:?}");
        }
        // What the power says alone, and where it is known.
        let plain: Readings = readings.iter().filter(|(of, _)| *of == POWER).copied().collect();
        let plain = rows(&plain, 0..HOURS * 3600);
        let out = |rows: &[Row]| rows.iter().map(|row| row.energy_out.0).sum::<i64>();
        let covered = |rows: &[Row]| rows.iter().map(|row| row.covered.0).sum::<i64>();
        prop_assert_eq!((out(&whole), covered(&whole)), (out(&plain), covered(&plain)));
        // Where no reset and no disbelief comes between, counts and energy are the same to the last digit.
        if day.reset_at.is_none() && day.no_power.is_empty() && day.no_counter.is_empty() {
            for hour in 1..HOURS {
                let of = rows(&readings, hour * 3600..hour * 3600 + 3600);
                let count = |hour: i64| readings.iter().find(|(of, sample)| {
                    *of == COUNTER && sample.at >= second(hour * 3600)
                });
                let (Some((_, a)), Some((_, b))) = (count(hour), count(hour + 1)) else { continue };
                if a.at.floor(Span::TICK) != second(hour * 3600) || b.at.floor(Span::TICK) != second(hour * 3600 + 3600) {
                    continue;
                }
                let energy: i64 = of.iter().map(|row| row.energy_in.0).sum();
                prop_assert_eq!(energy, (b.value - a.value) * CENTIJOULES_PER_WH / 10);
            }
        }
    }
}
