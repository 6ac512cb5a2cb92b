//! Which intervals go together.

use std::collections::BTreeSet;

use proptest::prelude::*;

use super::*;
use crate::site::{Circuit, Epoch, Plan, Service, System};

const START: Stamp = Stamp::from_seconds(1_768_503_600);

/// A site of some circuits: an interval of it is at most `12 + circuits` lines.
fn site(circuits: usize) -> Arc<Site> {
    Arc::new(Site {
        id: "heron-lane".into(),
        name: String::new(),
        time_zone: "America/Denver".into(),
        billing_day: 1,
        late_window: None,
        loading: Default::default(),
        service: Service { system: System::SplitPhase120_240, main_breaker_a: None },
        devices: Vec::new(),
        channels: Vec::new(),
        buses: Vec::new(),
        circuits: (0..circuits).map(|n| Circuit { id: format!("c{n}"), entries: Vec::new() }).collect(),
        feeds: vec![],
        accepts: vec![],
        splits: Vec::new(),
        epochs: vec![Epoch { span: Stamp::MIN..Stamp::MAX, plan: Plan::default() }],
    })
}

fn mark(seq: u64, site: u32, from_minute: i64, minutes: i64) -> Mark {
    let start = START + Span(Span::MINUTE.0 * from_minute);
    let range = start..start + Span(Span::MINUTE.0 * minutes);
    Mark { seq, site: SiteIndex(site), range, corrected: Vec::new() }
}

/// (site, minutes after the start) of each interval, and the marks that are done with them.
fn chosen(wanted: &Wanted) -> (Vec<(u32, i64)>, Vec<u64>) {
    let minute = |start: Stamp| (start - START).0 / Span::MINUTE.0;
    (
        wanted.intervals.iter().map(|(site, start, _)| (site.0, minute(*start))).collect(),
        wanted.complete.iter().map(|(seq, _)| *seq).collect(),
    )
}

fn after(minutes: i64) -> Stamp {
    START + Span(Span::MINUTE.0 * minutes)
}

#[test]
fn a_minute_that_is_marked_twice_goes_once() {
    let marks = [mark(1, 0, 0, 1), mark(2, 0, 1, 1), mark(3, 0, 0, 2)];
    let (wanted, gathered) = choose(&marks, Resolution::Minute, &[site(0)], None, 5000, after(9));
    assert_eq!(chosen(&wanted), (vec![(0, 0), (0, 1)], vec![1, 2, 3]));
    assert_eq!((gathered.within, gathered.due), (None, None));
}

#[test]
fn a_long_mark_is_sent_in_parts() {
    // 12 lines a minute, 30 lines a batch: two minutes at a time.
    let (marks, sites) = ([mark(7, 0, 0, 5)], [site(0)]);
    let mut within = None;
    let mut seen = Vec::new();
    for _ in 0..3 {
        let (wanted, gathered) = choose(&marks, Resolution::Minute, &sites, within, 30, after(9));
        let (intervals, done) = chosen(&wanted);
        seen.push((intervals.len(), done));
        within = gathered.within;
    }
    assert_eq!(seen, [(2, vec![]), (2, vec![]), (1, vec![7])]);
    assert_eq!(within, None);
}

#[test]
fn an_interval_goes_even_if_it_alone_is_more_than_the_bound() {
    let (wanted, _) = choose(&[mark(1, 0, 0, 2)], Resolution::Minute, &[site(90)], None, 10, after(9));
    assert_eq!(chosen(&wanted).0, [(0, 0)]);
}

#[test]
fn a_quarter_waits_for_its_end_and_goes_once() {
    let marks: Vec<Mark> = (0..20).map(|minute| mark(minute as u64 + 1, 0, minute, 1)).collect();
    let sites = [site(0)];
    let at = |now| choose(&marks, Resolution::Quarter, &sites, None, 5000, now);
    let (wanted, gathered) = at(after(15));
    assert!(wanted.intervals.is_empty() && wanted.complete.is_empty());
    assert_eq!(gathered.due, Some(after(16)), "its last minute closes after its end");
    let (wanted, gathered) = at(after(16));
    assert_eq!(chosen(&wanted), (vec![(0, 0)], (1..=15).collect()));
    assert_eq!((gathered.due, gathered.within), (Some(after(31)), None));
}

#[test]
fn a_mark_across_quarters_is_held_where_the_open_one_begins() {
    // Minutes 10 to 40: two closed quarters and one that is open.
    let (marks, sites) = ([mark(1, 0, 10, 30)], [site(0)]);
    let (wanted, gathered) = choose(&marks, Resolution::Quarter, &sites, None, 5000, after(40));
    assert_eq!(chosen(&wanted), (vec![(0, 0), (0, 15)], vec![]));
    assert_eq!(gathered.within, Some(Within { seq: 1, from: after(30) }));
    let (wanted, again) = choose(&marks, Resolution::Quarter, &sites, gathered.within, 5000, after(41));
    assert!(wanted.intervals.is_empty(), "nothing of it is sent twice meanwhile");
    assert_eq!(again.due, Some(after(46)));
    let (wanted, _) = choose(&marks, Resolution::Quarter, &sites, gathered.within, 5000, after(46));
    assert_eq!(chosen(&wanted), (vec![(0, 30)], vec![1]));
}

#[test]
fn marks_of_a_site_that_is_gone_are_passed_over() {
    let marks = [mark(1, 4, 0, 100), mark(2, 0, 0, 1)];
    let (wanted, _) = choose(&marks, Resolution::Minute, &[site(0)], None, 5000, after(9));
    assert_eq!(chosen(&wanted), (vec![(0, 0)], vec![1, 2]));
}

proptest! {
    /// Drains any outbox in rounds, as the task does.
    #[test]
    fn every_interval_goes_in_order_and_no_batch_is_too_large(
        marks in prop::collection::vec((0..3_u32, 0..120_i64, 1..40_i64), 0..40),
        max_lines in 1..200_usize,
        quarters in any::<bool>(),
    ) {
        let resolution = if quarters { Resolution::Quarter } else { Resolution::Minute };
        let sites = [site(0), site(5), site(40)];
        let marks: Vec<Mark> = marks.into_iter().zip(1..)
            .map(|((site, from, minutes), seq)| mark(seq, site, from, minutes))
            .collect();
        let (mut cursor, mut within, mut order) = (0, None, Vec::new());
        let mut rounds = 0;
        loop {
            let left: Vec<Mark> = marks.iter().filter(|mark| mark.seq > cursor).cloned().collect();
            let (wanted, gathered) = choose(&left, resolution, &sites, within, max_lines, after(10_000));
            if left.is_empty() {
                break;
            }
            let lines: usize = wanted.intervals.iter()
                .map(|(site, _, _)| point::most_lines(&sites[site.0 as usize])).sum();
            prop_assert!(lines <= max_lines || wanted.intervals.len() == 1);
            prop_assert!(!wanted.intervals.is_empty() || !wanted.complete.is_empty(), "it gets on");
            order.extend(wanted.intervals.iter().map(|(site, start, _)| (*site, *start)));
            cursor = wanted.complete.last().map_or(cursor, |(seq, _)| *seq);
            within = gathered.within;
            rounds += 1;
            prop_assert!(rounds < 10_000, "it ends");
        }
        let step = step(resolution);
        let mut expected = BTreeSet::new();
        // The first sending of each interval comes in the order of the marks.
        let mut first = Vec::new();
        for mark in &marks {
            let mut start = mark.range.start.floor(step);
            while start < mark.range.end {
                if expected.insert((mark.site, start)) {
                    first.push((mark.site, start));
                }
                start = start + step;
            }
        }
        let sent: BTreeSet<_> = order.iter().copied().collect();
        prop_assert_eq!(&sent, &expected);
        let mut seen = BTreeSet::new();
        let firsts: Vec<_> = order.into_iter().filter(|one| seen.insert(*one)).collect();
        prop_assert_eq!(firsts, first);
    }
}
