//! What is said when.

use bytes::Bytes;
use proptest::prelude::*;

use super::*;
use crate::publish::{Message, Options, Publisher, now_body};
use crate::reading::SiteIndex;
use FigureKey::*;

/// Feeds figures of the first site and gives the bodies that went out.
struct Desk {
    publisher: Publisher,
    site: Arc<Site>,
}

impl Desk {
    fn new(options: Options) -> Self {
        let sites = houses(&["heron-lane"]);
        // Alerts have a topic of their own, which these tests do not count.
        let options = Options { alerts: None, ..options };
        Self { publisher: Publisher::new(options, &sites), site: sites[0].clone() }
    }

    fn grid(&mut self, at: Stamp, watts: Option<f64>) -> Vec<Message> {
        let now = flows(at, &[(Grid, watts)]);
        let body = Bytes::from(now_body(&self.site, &now, &Default::default()));
        self.publisher.on_flows(SiteIndex(0), &now, &Arc::default(), &body, at)
    }
}

fn after(seconds: f64) -> Stamp {
    NOON + Span((seconds * 10.0) as i64)
}

fn topics(messages: &[Message]) -> Vec<&str> {
    messages.iter().map(|message| &*message.topic).collect()
}

#[test]
fn nothing_is_said_before_the_connection_is_up_and_all_of_it_then() {
    let mut desk = Desk::new(Options::default());
    assert_eq!(desk.grid(after(0.0), Some(100.0)), []);
    assert_eq!(desk.publisher.due(), None);
    let said = desk.publisher.on_up(after(1.0));
    assert_eq!(topics(&said), ["panelwright/state", "panelwright/heron-lane/now"]);
    assert_eq!(said[0].payload, "online");
    assert!(said.iter().all(|message| message.retain));
    assert!(String::from_utf8_lossy(&said[1].payload).contains("\"grid_w\":100.0"));
}

#[test]
fn a_change_goes_out_at_most_once_a_second_and_the_last_one_is_what_stays() {
    let mut desk = Desk::new(Options::default());
    desk.publisher.on_up(after(0.0));
    assert_eq!(desk.grid(after(0.0), Some(100.0)).len(), 1);
    assert_eq!(desk.grid(after(0.3), Some(200.0)), []);
    assert_eq!(desk.grid(after(0.6), Some(300.0)), []);
    assert_eq!(desk.publisher.due(), Some(after(1.0)));
    assert_eq!(desk.publisher.on_tick(after(0.9)), []);
    let said = desk.publisher.on_tick(after(1.0));
    assert!(String::from_utf8_lossy(&said[0].payload).contains("\"grid_w\":300.0"));
    assert_eq!(desk.publisher.due(), None);
    assert_eq!(desk.publisher.on_tick(after(1000.0)), [], "there is nothing newer to say");
}

#[test]
fn what_stays_within_the_dead_band_waits_a_minute() {
    let mut desk = Desk::new(Options::default());
    desk.publisher.on_up(after(0.0));
    assert_eq!(desk.grid(after(0.0), Some(100.0)).len(), 1);
    for second in 1..60 {
        assert_eq!(desk.grid(after(f64::from(second)), Some(100.9)), [], "{second}");
    }
    assert_eq!(desk.grid(after(60.0), Some(100.9)).len(), 1);
    // Slow drift adds up: what counts is the distance from what was said.
    assert_eq!(desk.grid(after(61.0), Some(101.8)), []);
    assert_eq!(desk.grid(after(62.0), Some(102.0)).len(), 1);
}

#[test]
fn to_become_unknown_or_known_is_a_change() {
    let mut desk = Desk::new(Options { dead_band_w: 1e9, ..Options::default() });
    desk.publisher.on_up(after(0.0));
    assert_eq!(desk.grid(after(0.0), Some(100.0)).len(), 1);
    assert_eq!(desk.grid(after(1.0), None).len(), 1);
    assert_eq!(desk.grid(after(2.0), None), []);
    assert_eq!(desk.grid(after(3.0), Some(100.0)).len(), 1);
}

#[test]
fn a_longer_silence_than_readers_allow_cannot_be_set() {
    let options = Options { max_interval: Span::HOUR, ..Options::default() };
    let mut desk = Desk::new(options);
    desk.publisher.on_up(after(0.0));
    assert_eq!(desk.grid(after(0.0), Some(100.0)).len(), 1);
    assert_eq!(desk.grid(after(59.0), Some(100.0)), []);
    assert_eq!(desk.grid(after(60.0), Some(100.0)).len(), 1);
}

#[test]
fn everything_is_said_again_after_a_reconnection() {
    let sites = houses(&["a", "b", "c"]);
    let mut publisher = Publisher::new(Options { alerts: None, ..Options::default() }, &sites);
    publisher.on_up(after(0.0));
    for index in 0..2 {
        let now = flows(after(0.0), &[(Grid, Some(1.0))]);
        assert_eq!(
            publisher.on_flows(SiteIndex(index), &now, &Arc::default(), &Bytes::from("x"), after(0.0)).len(),
            1
        );
    }
    publisher.on_down();
    let now = flows(after(5.0), &[(Grid, Some(500.0))]);
    assert_eq!(publisher.on_flows(SiteIndex(1), &now, &Arc::default(), &Bytes::from("y"), after(5.0)), []);
    let said = publisher.on_up(after(5.1));
    // The third has no figures yet, so there is nothing to say of it.
    assert_eq!(topics(&said), ["panelwright/state", "panelwright/a/now", "panelwright/b/now"]);
    assert_eq!((&*said[1].payload, &*said[2].payload), (&b"x"[..], &b"y"[..]));
}

#[test]
fn a_clock_that_was_set_back_silences_nobody() {
    let mut desk = Desk::new(Options::default());
    desk.publisher.on_up(after(0.0));
    assert_eq!(desk.grid(after(7200.0), Some(100.0)).len(), 1);
    assert_eq!(desk.grid(after(0.0), Some(200.0)).len(), 1);
    assert_eq!(desk.grid(after(0.5), Some(300.0)), []);
    assert_eq!(desk.grid(after(1.0), Some(300.0)).len(), 1);
}

#[test]
fn findings_are_said_when_they_change_and_wholly_after_a_reconnection() {
    let sites = houses(&["a", "b"]);
    let mut publisher = Publisher::new(Options::default(), &sites);
    let found = |text: &'static str| Message::retained("panelwright/b/findings", text);
    let body = |text: &'static str| Bytes::from_static(text.as_bytes());
    // The broker is away: nothing is lost by it.
    assert_eq!(publisher.on_findings(SiteIndex(1), body("1")), []);
    assert!(publisher.on_up(after(0.0)).contains(&found("1")));
    assert_eq!(publisher.on_findings(SiteIndex(1), body("1")), [], "no news");
    assert_eq!(publisher.on_findings(SiteIndex(1), body("2")), [found("2")]);
    assert_eq!(publisher.on_findings(SiteIndex(7), body("3")), [], "no such site");
    publisher.on_down();
    assert!(publisher.on_up(after(9.0)).contains(&found("2")));
    // A map that was read again says nothing of it until it is audited anew; a site that is gone is taken back.
    assert_eq!(publisher.on_sites(&houses(&["a", "b"])), []);
    let gone = publisher.on_sites(&houses(&["a"]));
    assert!(gone.contains(&Message::clear("panelwright/b/findings")), "{gone:?}");
}

#[test]
fn a_site_that_is_gone_is_taken_back_even_if_the_broker_was_away() {
    let sites = houses(&["a", "b"]);
    let options = Options { alerts: None, findings: None, ..Options::default() };
    let mut publisher = Publisher::new(options, &sites);
    publisher.on_up(after(0.0));
    let now = flows(after(0.0), &[(Grid, Some(1.0))]);
    publisher.on_flows(SiteIndex(0), &now, &Arc::default(), &Bytes::from("x"), after(0.0));
    // A corrected map of the same site keeps its place, and nothing is said of it.
    assert_eq!(publisher.on_sites(&houses(&["a", "b"])), []);
    assert_eq!(publisher.on_sites(&houses(&["a"])), [Message::clear("panelwright/b/now")]);
    publisher.on_down();
    assert_eq!(publisher.on_sites(&houses(&["c"])), []);
    let said = publisher.on_up(after(9.0));
    assert_eq!(topics(&said), ["panelwright/a/now", "panelwright/state"]);
    assert!(said[0].payload.is_empty());
    // A site that only moved in the list is not taken back.
    assert_eq!(publisher.on_sites(&houses(&["d", "c"])), []);
}

#[test]
fn an_orderly_stop_says_what_the_last_will_would_have() {
    let options = Options { state: "home/meter/state".into(), ..Options::default() };
    let will = options.will();
    let mut desk = Desk::new(options);
    desk.publisher.on_up(after(0.0));
    assert_eq!(desk.publisher.on_shutdown(after(1.0)), std::slice::from_ref(&will));
    assert_eq!(will, Message::retained("home/meter/state", "offline"));
    assert_eq!(desk.grid(after(2.0), Some(1.0)), [], "nothing is said after the last word");
}

#[test]
fn without_a_topic_only_the_state_is_said() {
    let mut desk = Desk::new(Options { json: None, ..Options::default() });
    assert_eq!(topics(&desk.publisher.on_up(after(0.0))), ["panelwright/state"]);
    assert_eq!(desk.grid(after(0.0), Some(1.0)), []);
}

#[derive(Clone, Debug)]
enum Step {
    Grid(Option<f64>),
    Tick,
    Down,
    Up,
}

fn steps() -> impl Strategy<Value = Vec<(i64, Step)>> {
    let watts = prop::option::weighted(0.9, prop_oneof![0.0..3.0_f64, -5000.0..5000.0_f64]);
    let step = prop_oneof![
        12 => watts.prop_map(Step::Grid),
        4 => Just(Step::Tick),
        1 => Just(Step::Down),
        1 => Just(Step::Up),
    ];
    prop::collection::vec((0..40_i64, step), 1..200)
}

/// How far apart two values are, as the dead-band sees it.
fn moved(said: Option<f64>, is: Option<f64>) -> f64 {
    match (said, is) {
        (Some(said), Some(is)) => (said - is).abs(),
        (None, None) => 0.0,
        _ => f64::INFINITY,
    }
}

proptest! {
    /// Against any course of events, with the daemon calling `on_tick` when it is due.
    #[test]
    fn never_too_often_never_too_late_and_complete_after_a_reconnection(
        steps in steps(),
        dead_band_w in 0.0..5.0_f64,
        min_interval in 0..30_i64,
    ) {
        let options = Options {
            dead_band_w,
            min_interval: Span(min_interval),
            max_interval: Span::from_seconds(20),
            ..Options::default()
        };
        let (max, min) = (options.max_interval, options.min_interval);
        let mut desk = Desk::new(options);
        let mut up = false;
        let mut at = NOON;
        // What the daemon was told last, and what was said last, with their times.
        let mut latest: Option<(Stamp, Option<f64>)> = None;
        let mut said: Option<(Stamp, Option<f64>)> = None;
        for (wait, step) in steps {
            let next = at + Span(wait);
            // The daemon's loop: wake when something is due.
            while let Some(due) = desk.publisher.due().filter(|due| *due <= next) {
                at = at.max(due);
                let out = desk.publisher.on_tick(at);
                prop_assert_eq!(out.len(), 1, "it was due");
                prop_assert!(said.is_none_or(|(before, _)| at - before >= min));
                said = latest.map(|(_, watts)| (at, watts));
            }
            at = next;
            let out = match step {
                Step::Grid(watts) => {
                    latest = Some((at, watts));
                    desk.grid(at, watts)
                }
                Step::Tick => desk.publisher.on_tick(at),
                Step::Down => {
                    up = false;
                    desk.publisher.on_down();
                    Vec::new()
                }
                Step::Up => {
                    up = true;
                    let out = desk.publisher.on_up(at);
                    prop_assert_eq!(out.len(), 1 + usize::from(latest.is_some()), "all of it");
                    said = latest.map(|(_, watts)| (at, watts));
                    continue;
                }
            };
            prop_assert!(up || out.is_empty());
            if !out.is_empty() {
                prop_assert!(said.is_none_or(|(before, _)| at - before >= min), "too soon");
                said = latest.map(|(_, watts)| (at, watts));
            } else if up && let (Some((before, was)), Some((told, is))) = (said, latest) {
                let waited = at - before;
                if waited >= min {
                    prop_assert!(moved(was, is) <= dead_band_w, "a change was held back");
                }
                if told > before {
                    prop_assert!(waited <= max, "held back for {:?}", waited);
                }
            }
        }
    }
}
