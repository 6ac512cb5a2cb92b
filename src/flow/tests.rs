//! Readings in, rows and live figures out: by tables, and by properties over random days.

use std::sync::Arc;

use proptest::prelude::*;

use super::*;
use crate::reading::Sample;
use crate::site::*;
use crate::units::{Energy, ONE, Span, Stamp, Watts};

/// 2026-11-25T00:00:00Z, a whole minute.
const T0: Stamp = Stamp::from_seconds(1_764_028_800);

fn at(tenths: i64) -> Stamp {
    Stamp(T0.0 + tenths)
}

fn term(channel: u32, factor: i64) -> Term {
    Term { series: SeriesIndex(channel), part: Part::Net, millionths: factor * ONE }
}

fn device(id: &str, unit: Unit, reading: ReadingKind, every: i64) -> Device {
    Device {
        id: id.into(),
        topic: format!("{id}/{{channel}}"),
        payload: Payload::Number,
        unit,
        reading,
        every: Span(every),
        max_gap: Span(3 * every),
        stale_after: Span(3 * every + SETTLE.0),
    }
}

/// Mains m1 + m2; a doubled load, a reversed load, PV that reads positive. Channels in that order.
/// `m1..` are 1-second means; the reversed load is on a device of its own.
fn house(other: Device) -> Arc<Site> {
    let mains = vec![term(0, 1), term(1, 1)];
    let (doubled, reversed, pv) = (vec![term(2, 2)], vec![term(4, -1)], vec![term(3, -1)]);
    let untracked = vec![term(0, 1), term(1, 1), term(2, -2), term(3, 1), term(4, 1)];
    let split = |index: u32, part| Term { series: SeriesIndex(5 + index), part, millionths: ONE };
    let figure = |key, terms| Figure { key, terms };
    let plan = Plan {
        splits: vec![
            (0, SplitRule::Signed(mains.clone())),
            (1, SplitRule::Signed(pv.clone())),
            (2, SplitRule::SelfConsumed { grid: mains.clone(), pv: vec![pv.clone()] }),
        ],
        figures: vec![
            figure(FigureKey::Grid, mains.clone()),
            figure(FigureKey::BusFeed(0), mains),
            figure(FigureKey::BusUntracked(0), untracked),
            figure(FigureKey::Circuit(0), doubled),
            figure(FigureKey::Circuit(1), reversed),
            figure(FigureKey::Circuit(2), pv),
            figure(FigureKey::Import, vec![split(0, Part::In)]),
            figure(FigureKey::Export, vec![split(0, Part::Out)]),
            figure(FigureKey::Generation, vec![split(1, Part::Out)]),
            figure(FigureKey::SelfConsumed, vec![split(2, Part::In)]),
        ],
    };
    let channel = |device, key: &str| Channel { name: format!("d{device}/{key}"), device, key: key.into() };
    Arc::new(Site {
        id: "heron-lane".into(),
        name: "Heron Lane farmhouse".into(),
        time_zone: "America/Denver".into(),
        billing_day: 1,
        late_window: None,
        loading: Default::default(),
        service: Service { system: System::SplitPhase120_240, main_breaker_a: Some(200.0) },
        devices: vec![device("d0", Unit::W, ReadingKind::Mean, 10), other],
        channels: vec![
            channel(0, "m1"),
            channel(0, "m2"),
            channel(0, "heater"),
            channel(0, "pv"),
            channel(1, "pump"),
        ],
        buses: vec![],
        circuits: vec![],
        feeds: vec![],
        accepts: vec![],
        splits: vec!["grid".into(), "pv/solar".into(), "self-consumed".into()],
        epochs: vec![Epoch { span: Stamp::MIN..Stamp::MAX, plan }],
    })
}

fn one_second_house() -> Arc<Site> {
    house(device("d1", Unit::W, ReadingKind::Mean, 10))
}

/// Pushes each reading as it arrives (a little after its event time) and closes ticks meanwhile.
fn run(site: &Arc<Site>, readings: &[(u32, Sample)], until: Stamp) -> Vec<ClosedMinute> {
    let mut flow = SiteFlow::new(Arc::clone(site), None);
    let mut closed = Vec::new();
    for (channel, sample) in readings {
        flow.advance(sample.at, &mut closed);
        flow.push(ChannelIndex(*channel), *sample);
    }
    flow.advance(until, &mut closed);
    assert_eq!(flow.take_late(), vec![], "nothing came late");
    closed
}

fn row(minutes: &[ClosedMinute], minute: i64, series: u32) -> Option<Row> {
    let start = at(minute * 600);
    let minute = minutes.iter().find(|closed| closed.start == start)?;
    minute.rows.iter().find(|(index, _)| index.0 == series).map(|(_, row)| *row)
}

fn steady(channel: u32, from: i64, to: i64, every: i64, value: i64) -> Vec<(u32, Sample)> {
    (0..)
        .map(|n| from + n * every)
        .take_while(|t| *t <= to)
        .map(|t| (channel, Sample { at: at(t), value }))
        .collect()
}

fn in_order(mut readings: Vec<(u32, Sample)>) -> Vec<(u32, Sample)> {
    readings.sort_by_key(|(_, sample)| sample.at);
    readings
}

#[test]
fn a_mean_covers_the_span_behind_it_across_ticks_and_minutes() {
    // 100 W from 0.3 s on, a reading a second: the first minute is covered from −0.7 s on.
    let site = one_second_house();
    let minutes = run(&site, &steady(0, 3, 1300, 10, 1000), at(4000));
    let first = row(&minutes, 0, 0).expect("minute 0");
    assert_eq!((first.covered, first.energy_in), (Span(600), Energy(600 * 1000)));
    assert_eq!((first.min, first.max), (1000, 1000));
    let before = row(&minutes, -1, 0).expect("the nominal second of the first reading begins before");
    assert_eq!(before.covered, Span(7));
    // The device went silent at 129.3 s; two more minutes began and hold nothing after it.
    assert_eq!(row(&minutes, 2, 0).map(|row| row.covered), Some(Span(93)));
    assert_eq!(row(&minutes, 3, 0), None);
}

#[test]
fn a_gap_beyond_max_gap_is_covered_by_nobody() {
    let site = one_second_house();
    let readings = [steady(0, 10, 100, 10, 500), steady(0, 200, 600, 10, 500)].concat();
    let minutes = run(&site, &readings, at(2000));
    // 0 s to 10 s, then 19 s (the nominal second of the reading at 20 s) to 60 s.
    assert_eq!(row(&minutes, 0, 0).expect("row").covered, Span(100 + 410));
    // Two lost readings are within max_gap, and the next mean speaks for their time.
    let readings = [steady(0, 10, 100, 10, 500), steady(0, 130, 600, 10, 500)].concat();
    let minutes = run(&site, &readings, at(2000));
    assert_eq!(row(&minutes, 0, 0).expect("row").covered, Span(600));
}

#[test]
fn an_instant_holds_until_the_next_and_no_longer_than_max_gap() {
    let site = house(device("d1", Unit::W, ReadingKind::Instant, 100));
    let readings =
        in_order([steady(4, 0, 0, 1, 100), steady(4, 100, 100, 1, 200), steady(0, 10, 1200, 10, 0)].concat());
    let minutes = run(&site, &readings, at(5000));
    let pump = row(&minutes, 0, 4).expect("row");
    // 10 W for 10 s, then 20 W for max_gap = 30 s.
    assert_eq!((pump.covered, pump.energy_in), (Span(400), Energy(100 * 100 + 200 * 300)));
}

#[test]
fn a_counter_that_grows_rolls_over_or_is_reset() {
    let rolls = |top| house(device("d1", Unit::Wh { rolls_over_at_wh: top }, ReadingKind::Mean, 100));
    // (roll-over in Wh, readings (tenths of a second, 0.1 Wh), energy in Wh, covered tenths)
    type Case<'a> = (Option<f64>, &'a [(i64, i64)], f64, i64);
    let cases: &[Case] = &[
        (None, &[(0, 1000), (100, 1050), (200, 1100)], 10.0, 200),
        (None, &[(0, 1000), (100, 1050), (200, 30), (300, 40)], 6.0, 200),
        (Some(1000.0), &[(0, 9990), (100, 15)], 2.5, 100),
        (Some(1000.0), &[(0, 5000), (100, 15)], 0.0, 0),
        // A gap beyond max_gap (30 s): the energy is known, its time is not covered.
        (None, &[(0, 1000), (400, 1400)], 40.0, 0),
    ];
    for (top, readings, wh, covered) in cases {
        let readings: Vec<_> =
            readings.iter().map(|(t, value)| (4, Sample { at: at(*t), value: *value })).collect();
        let samples = readings.iter().map(|(_, sample)| *sample).collect();
        let kept = [vec![], vec![], vec![], vec![], samples];
        let minutes = account(&rolls(*top), at(0)..at(3000), &kept);
        let row = row(&minutes, 0, 4);
        let got = row.map_or((0.0, 0), |row| (row.energy_in.wh(), row.covered.0));
        assert_eq!(got, (*wh, *covered), "{readings:?}");
    }
}

#[test]
fn a_counter_splits_its_energy_over_minutes_without_losing_any() {
    let site = house(device("d1", Unit::Wh { rolls_over_at_wh: None }, ReadingKind::Mean, 700));
    let readings: Vec<_> = [(0, 0), (700, 7), (1400, 11), (2100, 14)]
        .iter()
        .map(|(t, value)| (4, Sample { at: at(*t), value: *value }))
        .collect();
    let minutes = run(&site, &readings, at(9000));
    let total: i64 = (0..4).filter_map(|minute| row(&minutes, minute, 4)).map(|row| row.energy_in.0).sum();
    assert_eq!(Energy(total).wh(), 1.4);
}

#[test]
fn a_slow_device_is_accounted_as_exactly_as_a_fast_one() {
    let site = house(device("d1", Unit::W, ReadingKind::Mean, 600));
    let readings = in_order([steady(0, 10, 3600, 10, 1000), steady(4, -300, 3600, 600, -600)].concat());
    let minutes = run(&site, &readings, at(3700));
    // Its reading at 30 s covers −30 s to 30 s; each minute is closed only once it is covered.
    let pump = row(&minutes, 1, 4).expect("row");
    assert_eq!((pump.covered, pump.energy_out, pump.energy_in), (Span(600), Energy(600 * 600), Energy(0)));
    assert!(row(&minutes, 4, 0).is_some());
    assert!(row(&minutes, 5, 0).is_none(), "the slow device has not come past 330 s");
}

#[test]
fn live_figures_are_null_where_a_term_is_stale_and_close_where_known() {
    let site = one_second_house();
    let mut flow = SiteFlow::new(Arc::clone(&site), None);
    for (channel, value) in [(0, -20_000), (1, -18_000), (2, 2_250), (3, 50_000), (4, -6_000)] {
        flow.push(ChannelIndex(channel), Sample { at: at(0), value });
    }
    let live = flow.live(at(5));
    let watts = |key| live.watts(key).map(|watts| watts.0);
    assert_eq!(watts(FigureKey::Grid), Some(-3800.0));
    assert_eq!(watts(FigureKey::Circuit(0)), Some(450.0));
    assert_eq!(watts(FigureKey::Circuit(1)), Some(600.0));
    assert_eq!(watts(FigureKey::Circuit(2)), Some(-5000.0));
    assert_eq!(watts(FigureKey::BusUntracked(0)), Some(-3800.0 - 450.0 - 600.0 + 5000.0));
    assert_eq!(watts(FigureKey::Export), Some(3800.0));
    assert_eq!(watts(FigureKey::Import), Some(0.0));
    assert_eq!(watts(FigureKey::Generation), Some(5000.0));
    assert_eq!(watts(FigureKey::SelfConsumed), Some(1200.0));

    for channel in [0, 1, 2, 3] {
        flow.push(ChannelIndex(channel), Sample { at: at(60), value: 10 });
    }
    let live = flow.live(at(61));
    assert_eq!(live.unknown, vec![ChannelIndex(4)]);
    assert_eq!(live.watts(FigureKey::Circuit(1)), None);
    assert_eq!(live.watts(FigureKey::BusUntracked(0)), None, "not larger, unknown");
    assert_eq!(live.watts(FigureKey::Grid), Some(Watts(2.0)));
}

#[test]
fn a_straggler_is_late_and_names_its_minutes_once_they_are_closed() {
    let site = one_second_house();
    let mut flow = SiteFlow::new(Arc::clone(&site), None);
    let mut closed = Vec::new();
    for (channel, sample) in steady(0, 10, 1250, 10, 100) {
        if sample.at == at(300) {
            continue;
        }
        flow.push(ChannelIndex(channel), sample);
        flow.advance(sample.at, &mut closed);
    }
    assert_eq!(flow.push(ChannelIndex(0), Sample { at: at(300), value: 100 }), Taken::Late);
    assert_eq!(flow.push(ChannelIndex(0), Sample { at: at(1240), value: 100 }), Taken::Again);
    assert_eq!(flow.take_late(), vec![at(0)..at(600)]);
    assert_eq!(flow.take_late(), vec![]);
}

#[test]
fn a_counter_that_returns_after_ten_days_names_all_of_them() {
    let site = house(device("d1", Unit::Wh { rolls_over_at_wh: None }, ReadingKind::Mean, 10));
    let mut flow = SiteFlow::new(Arc::clone(&site), None);
    let days = 10 * Span::DAY.0;
    flow.push(ChannelIndex(4), Sample { at: at(600), value: 0 });
    flow.push(ChannelIndex(0), Sample { at: at(610), value: 100 });
    flow.advance(at(days), &mut vec![]);
    assert_eq!(flow.push(ChannelIndex(4), Sample { at: at(days - 600), value: 50 }), Taken::Late);
    // Up to the minute that is still open.
    assert_eq!(flow.take_late(), vec![at(600)..at(days - 600)]);
}

#[test]
fn days_of_silence_are_passed_over() {
    let site = one_second_house();
    let readings = [steady(0, 10, 600, 10, 100), steady(0, 3_000_000_000, 3_000_001_200, 10, 100)].concat();
    let minutes = run(&site, &readings, at(3_000_009_000));
    assert!(minutes.len() <= 6, "{}", minutes.len());
}

#[test]
fn a_corrected_map_goes_on_with_the_open_minute() {
    let site = one_second_house();
    let mut flow = SiteFlow::new(Arc::clone(&site), None);
    let mut closed = Vec::new();
    let channels = [0, 1, 2, 3, 4];
    let feed = |flow: &mut SiteFlow, closed: &mut Vec<ClosedMinute>, from, to| {
        for tenths in (from..=to).step_by(10) {
            for channel in channels {
                flow.push(ChannelIndex(channel), Sample { at: at(tenths), value: 1000 });
            }
            flow.advance(at(tenths), closed);
        }
    };
    feed(&mut flow, &mut closed, 10, 300);
    let mut corrected = (*site).clone();
    // The PV CT turns out not to need the sign: its split begins anew, the others go on.
    corrected.epochs[0].plan.splits[1].1 = SplitRule::Signed(vec![term(3, 1)]);
    flow.replace(Arc::new(corrected));
    feed(&mut flow, &mut closed, 310, 700);
    let covered = |series| row(&closed, 0, series).map(|row| row.covered);
    assert_eq!(covered(0), Some(Span(600)));
    assert_eq!(covered(5), Some(Span(600)), "the grid follows from the same channels");
    assert_eq!(covered(6), Some(Span(600 - 280)), "what the former map made of it is not shown");
}

/// A random two minutes of five channels: (channel, jitter, value, lost, delay).
fn day() -> impl Strategy<Value = Vec<(u32, Sample, i64)>> {
    let reading = (-30_000_i64..60_000, 0_i64..=4, 0_u8..20, 0_i64..=15);
    proptest::collection::vec(reading, 5 * 130).prop_map(|draws| {
        draws
            .into_iter()
            .enumerate()
            .filter(|(_, (_, _, lost, _))| *lost != 0)
            .map(|(n, (value, jitter, _, delay))| {
                let tenths = (n as i64 / 5) * 10 + jitter;
                ((n % 5) as u32, Sample { at: at(tenths), value }, delay)
            })
            .collect()
    })
}

/// Pushes by arrival, closing ticks at every arrival.
fn live_run(
    site: &Arc<Site>,
    readings: &[(u32, Sample, i64)],
) -> (Vec<ClosedMinute>, Vec<std::ops::Range<Stamp>>) {
    let mut flow = SiteFlow::new(Arc::clone(site), Some(at(-600)));
    let (mut closed, mut arrivals) = (Vec::new(), readings.to_vec());
    arrivals.sort_by_key(|(_, sample, delay)| sample.at.0 + delay);
    for (channel, sample, delay) in arrivals {
        flow.push(ChannelIndex(channel), sample);
        flow.advance(Stamp(sample.at.0 + delay), &mut closed);
    }
    flow.advance(at(3000), &mut closed);
    (closed, flow.take_late())
}

fn by_channel(readings: &[(u32, Sample, i64)]) -> Vec<Vec<Sample>> {
    let mut channels = vec![Vec::new(); 5];
    for (channel, sample, _) in readings {
        channels[*channel as usize].push(*sample);
    }
    channels.iter_mut().for_each(|samples| samples.sort());
    channels
}

proptest! {
    #![proptest_config(ProptestConfig::with_cases(64))]

    #[test]
    fn arrival_order_within_the_settle_time_changes_nothing(day in day()) {
        let site = one_second_house();
        let (live, late) = live_run(&site, &day);
        prop_assert_eq!(late, vec![]);
        let punctual: Vec<_> = day.iter().map(|(channel, sample, _)| (*channel, *sample, 0)).collect();
        prop_assert_eq!(&live, &live_run(&site, &punctual).0);
        let counted = account(&site, at(-600)..at(3000), &by_channel(&day));
        prop_assert_eq!(&live, &counted);
    }

    #[test]
    fn late_minutes_are_named_and_a_recount_gives_what_order_would_have_given(
        day in day(), straggler in 0_usize..400, delay in 30_i64..900
    ) {
        let site = one_second_house();
        let mut late_day = day.clone();
        let index = straggler % day.len();
        late_day[index].2 = delay;
        let (live, late) = live_run(&site, &late_day);
        let counted = account(&site, at(-600)..at(3000), &by_channel(&day));
        for minute in &counted {
            let recounted = late.iter().any(|range| range.contains(&minute.start));
            let same = live.iter().any(|other| other == minute);
            prop_assert!(recounted || same, "minute {:?} is wrong and nobody is told", minute.start);
        }
    }

    #[test]
    fn books_close_and_splits_agree_with_the_net(day in day()) {
        let site = one_second_house();
        let plan = &site.epochs[0].plan;
        for minute in account(&site, at(0)..at(1300), &by_channel(&day)) {
            let find = |series: SeriesIndex| minute.rows.iter().find(|(index, _)| *index == series).map(|(_, row)| *row);
            let full = site.channels.iter().enumerate().all(|(index, _)| {
                find(SeriesIndex(index as u32)).is_some_and(|row| row.covered == Span::MINUTE)
            });
            if !full { continue; }
            let value = |series, part| find(series).map(|row| match part {
                Part::Net => row.net().0,
                Part::In => row.energy_in.0,
                Part::Out => row.energy_out.0,
            });
            let figure = |key| {
                let figure = plan.figures.iter().find(|figure| figure.key == key).expect("in the plan");
                evaluate(&figure.terms, value).expect("all known")
            };
            let circuits: i128 = (0..3).map(|circuit| figure(FigureKey::Circuit(circuit))).sum();
            prop_assert_eq!(figure(FigureKey::BusFeed(0)), circuits + figure(FigureKey::BusUntracked(0)));
            prop_assert_eq!(figure(FigureKey::Grid), figure(FigureKey::Import) - figure(FigureKey::Export));
            prop_assert!(figure(FigureKey::SelfConsumed) <= figure(FigureKey::Generation));
            prop_assert!(figure(FigureKey::SelfConsumed) >= figure(FigureKey::Generation) - figure(FigureKey::Export));
        }
    }

    #[test]
    fn a_channel_that_is_silent_never_turns_into_zero(day in day(), silent in 0_u32..5) {
        let site = one_second_house();
        let heard: Vec<_> = day.into_iter().filter(|(channel, ..)| *channel != silent).collect();
        for minute in account(&site, at(0)..at(1300), &by_channel(&heard)) {
            let has = |series: u32| minute.rows.iter().any(|(index, _)| index.0 == series);
            prop_assert!(!has(silent));
            if silent < 2 { prop_assert!(!has(5), "grid needs both mains"); }
            if silent == 3 { prop_assert!(!has(6) && !has(7), "generation and self-consumed need the PV"); }
        }
    }

    #[test]
    fn reversal_and_doubling_round_trip(value in -100_000_i64..100_000) {
        let site = one_second_house();
        let mut flow = SiteFlow::new(Arc::clone(&site), None);
        for (channel, factor) in [(2_u32, 2_i64), (4, -1)] {
            flow.push(ChannelIndex(channel), Sample { at: at(0), value });
            let circuit = if channel == 2 { 0 } else { 1 };
            let live = flow.live(at(0)).watts(FigureKey::Circuit(circuit)).expect("known").0;
            prop_assert!((live * 10.0 / factor as f64 - value as f64).abs() < 1e-6);
        }
    }
}
