//! Comparisons with every figure worked out by hand.

use super::*;
use crate::exchange::espi::{Feed, Flow, Reading, Series};

const HOUR: i64 = 3600;

fn series(flow: Flow, wh: &[Option<i64>]) -> Series {
    let readings = wh.iter().enumerate().filter_map(|(hour, wh)| {
        let start = Stamp::from_seconds(1_700_000_000 / HOUR * HOUR + hour as i64 * HOUR);
        Some(Reading { start, seconds: HOUR, mwh: (*wh)? * 1000, estimated: false, line: 1 })
    });
    Series { title: flow.as_str().into(), flow, readings: readings.collect(), blocks: 1 }
}

fn feed(series: Vec<Series>) -> Feed {
    Feed { series, summary_mwh: None }
}

fn all(feed: &Feed) -> Vec<&Series> {
    feed.series.iter().collect()
}

fn measured(import_wh: i64, export_wh: i64) -> Option<Measured> {
    Some(Measured { import_mwh: import_wh * 1000, export_mwh: export_wh * 1000 })
}

fn two_percent() -> Tolerance {
    Tolerance::of_classes("1", "0.5").expect("classes")
}

/// Four hours. Meter forward 1000, 2000, 0, 1000 = 4000 Wh; reverse 0, 0, 1000, 0 = 1000 Wh. The CTs
/// count 3 % more: import 4120, export 1030. Error 5150 / 5000 − 1 = 3 %; factor 5000 / 5150.
#[test]
fn a_ct_that_reads_three_percent_high() {
    let file = feed(vec![
        series(Flow::Forward, &[Some(1000), Some(2000), Some(0), Some(1000)]),
        series(Flow::Reverse, &[Some(0), Some(0), Some(1000), Some(0)]),
    ]);
    let pairs = pairs(&all(&file)).expect("pairs");
    assert_eq!(pairs.resolution_mwh, 1_000_000);
    let ours = [measured(1030, 0), measured(2060, 0), measured(0, 1030), measured(1030, 0)];
    let found = compare(&pairs, &ours, two_percent());
    assert_eq!((found.intervals, found.compared, found.not_covered, found.estimated), (4, 4, 0, 0));
    assert_eq!(found.error_percent, Some(3.0));
    assert!((found.factor.expect("a factor") - 5000.0 / 5150.0).abs() < 1e-12);
    let sides: Vec<_> = found
        .sides
        .iter()
        .map(|side| (side.name, side.meter_mwh, side.measured_mwh, side.error_percent()))
        .collect();
    assert_eq!(
        sides,
        [
            ("forward", 4_000_000, 4_120_000, Some(3.0)),
            ("reverse", 1_000_000, 1_030_000, Some(3.0)),
            ("net", 3_000_000, 3_090_000, Some(3.0)),
        ]
    );
    assert_eq!(found.disagreements, []);
    assert_eq!(found.drift_percent, None);
    assert!(!found.is_within(), "3 % is more than 1.5 % + 0.5 %");
}

/// Hours that are not wholly covered, or estimated, count on neither side: 1000 and 3000 Wh are left,
/// 990 and 2970 measured, an error of −1 %.
#[test]
fn only_what_is_covered_and_measured_is_compared() {
    let mut file = feed(vec![series(Flow::Forward, &[Some(1000), Some(5000), Some(7000), Some(3000), None])]);
    file.series[0].readings[2].estimated = true;
    let pairs = pairs(&all(&file)).expect("pairs");
    let ours = [measured(990, 0), None, measured(1, 0), measured(2970, 0)];
    let found = compare(&pairs, &ours, two_percent());
    assert_eq!((found.intervals, found.compared, found.not_covered, found.estimated), (4, 2, 1, 1));
    assert_eq!(found.error_percent, Some(-1.0));
    assert_eq!(found.sides.len(), 1);
    assert!(found.is_within());
}

/// Three hours alike (1000 against 1000) and one in which the CTs missed 500 of 1000: 3500 / 4000, a
/// factor of 8/7. After it the three are 142.857 too high, the one is 428.571 too low.
#[test]
fn the_worst_hour_comes_first() {
    let file = feed(vec![series(Flow::Forward, &[Some(1000), Some(1000), Some(1000), Some(1000)])]);
    let mut pairs = pairs(&all(&file)).expect("pairs");
    // The values leave only a kWh as the register's step; this meter tells Wh.
    pairs.resolution_mwh = 1000;
    let ours = [measured(1000, 0), measured(500, 0), measured(1000, 0), measured(1000, 0)];
    let found = compare(&pairs, &ours, two_percent());
    assert_eq!(found.error_percent, Some(-12.5));
    let left: Vec<i64> = found.disagreements.iter().map(|one| one.left_mwh).collect();
    assert_eq!(left, [-428_571, 142_857, 142_857, 142_857]);
    assert_eq!(found.disagreements[0].interval.start, pairs.all[1].interval.start);
}

/// Five weeks with errors of 0, 1, 2, 3 and 4 %: 1 point in 7 days is 30/7 points in 30 days.
#[test]
fn an_error_that_grows_is_a_drift() {
    let hours = 5 * 7 * 24;
    let file = feed(vec![series(Flow::Forward, &vec![Some(1000); hours])]);
    let pairs = pairs(&all(&file)).expect("pairs");
    let ours: Vec<_> = (0..hours as i64).map(|hour| measured(1000 + 10 * (hour / 168), 0)).collect();
    let found = compare(&pairs, &ours, two_percent());
    assert_eq!(found.weeks.len(), 5);
    assert_eq!(found.weeks[4].error_percent, Some(4.0));
    assert_eq!(found.error_percent, Some(2.0));
    assert!((found.drift_percent.expect("a drift") - 30.0 / 7.0).abs() < 1e-9);
}

#[test]
fn a_net_meter_is_compared_by_what_flowed() {
    let file = feed(vec![series(Flow::Net, &[Some(1000), Some(-1000), Some(500)])]);
    let pairs = pairs(&all(&file)).expect("pairs");
    let ours = [measured(1100, 90), measured(10, 1020), measured(505, 0)];
    let found = compare(&pairs, &ours, two_percent());
    // |1010| + |−1010| + |505| over 2500.
    assert_eq!(found.error_percent, Some(1.0));
    assert_eq!(found.sides[0].name, "net");
    assert!(found.is_within());
}

#[test]
fn what_cannot_be_compared_says_why() {
    assert!(pairs(&[]).expect_err("nothing").contains("no interval"));
    let file = feed(vec![series(Flow::Forward, &[Some(1000)])]);
    let one = pairs(&all(&file)).expect("pairs");
    let found = compare(&one, &[None], two_percent());
    assert!(!found.is_within());
    assert_eq!((found.error_percent, found.factor, found.weeks.len()), (None, None, 0));
    assert_eq!(Tolerance::of_classes("3", "0.5"), None);
    assert_eq!(two_percent().percent(), 2.0);
}
