//! A server that is away, busy, broken or picky.

use std::time::Duration;

use panelwright::central::{Resolution, State};
use panelwright::clock::Clock;
use panelwright::units::Span;

use super::house::{self, Desk, minute};
use super::server::{Reply, Server, split};
use super::{clock, keys, options, pairs, start, until, until_sent};

/// Bounds of a request, as documented.
const MAX_LINES: usize = 5_000;
const MAX_BYTES: usize = 1 << 20;

fn no(status: u16) -> Reply {
    Reply::No(status, None, format!("answer {status}"))
}

/// An hour of simulated minutes: 503, then 429 with `Retry-After`, then answers that break off,
/// then well but for one record. Minutes close all the while.
#[tokio::test(flavor = "multi_thread", worker_threads = 2)]
async fn an_hour_of_every_kind_of_trouble_loses_and_doubles_nothing() {
    const BAD: &str = "circuit=freezer,site=a 1768504500"; // minute 15
    let sites = house::sites(&["a", "b"]);
    let desk = Desk::new(&sites);
    let clock = Clock::simulated(minute(0), 1200.0);
    let server = Server::start(move |request| {
        let bad = |line: &String| split(line).0.contains(BAD);
        match (clock.now() - minute(0)).0 / Span::MINUTE.0 {
            0..20 => no(503),
            20..35 => Reply::No(429, Some("60".into()), "slow down".into()),
            35..60 => Reply::CutOff,
            _ if request.lines.iter().any(bad) => Reply::No(400, None, "cannot parse wh".into()),
            _ => Reply::Take,
        }
    })
    .await;
    let handle = start(options("builder", &server.url), &sites, &desk, clock);
    for number in 0..60 {
        tokio::time::sleep(clock.until(minute(number + 1))).await;
        desk.close(0, number);
        desk.close(1, number);
        handle.waker().notify_one();
    }
    until_sent(&handle, &desk, "builder", 120).await;
    let expected: Vec<String> =
        (0..60).flat_map(|number| ["a", "b"].map(|site| keys(site, number)).concat()).collect();
    // The broken-off answers had stored their lines: each was stored again, and is one point.
    let order = server.order();
    let stored_while_cut_off = order.iter().any(|key| key.contains(BAD));
    let bad_ones = usize::from(!stored_while_cut_off);
    assert_eq!(order.len() + bad_ones, expected.len());
    let without_bad: Vec<String> =
        expected.into_iter().filter(|key| stored_while_cut_off || !key.contains(BAD)).collect();
    assert_eq!(order, without_bad, "in the order of the outbox");
    let refused = desk.refused("builder");
    assert_eq!(refused.len(), 1, "{refused:?}");
    assert!(split(&refused[0].record).0.contains(BAD), "{refused:?}");
    assert_eq!(refused[0].answer, "status 400: cannot parse wh");
    let largest = server.requests().iter().map(|request| request.lines.len()).max();
    assert!(largest <= Some(120 * keys("", 0).len()), "{largest:?}");
    let progress = until(&handle, |progress| progress.state == State::Idle).await;
    assert_eq!((progress.refused, progress.is_well()), (1, true));
    handle.shutdown().await;
}

/// Three days of one site in one go.
#[tokio::test(flavor = "multi_thread", worker_threads = 2)]
async fn a_long_backlog_goes_in_bounded_requests() {
    let sites = house::sites(&["a"]);
    let desk = Desk::new(&sites);
    let minutes = 3 * 1440;
    for number in 0..minutes {
        desk.close(0, number);
    }
    // Long tags make long lines, so that the bytes are what bounds a request.
    let server = Server::start(|_| Reply::Take).await;
    let mut long = options("builder", &server.url);
    long.tags = (0..3).map(|n| (format!("tag{n}"), "v".repeat(200))).collect();
    let handle = start(long, &sites, &desk, clock(1000.0));
    until_sent(&handle, &desk, "builder", minutes as u64).await;
    let requests = server.requests();
    let lines: usize = requests.iter().map(|request| request.lines.len()).sum();
    assert_eq!(lines, minutes as usize * keys("", 0).len(), "each once");
    assert_eq!(server.points().len(), lines);
    for request in &requests {
        assert!(request.lines.len() <= MAX_LINES && request.bytes <= MAX_BYTES, "{}", request.bytes);
    }
    let largest = requests.iter().map(|request| request.bytes).max().unwrap_or_default();
    assert!(largest > MAX_BYTES / 2, "the bound is what cuts: {largest}");
    handle.shutdown().await;
}

#[tokio::test]
async fn one_bad_record_is_found_and_set_aside_and_the_rest_goes() {
    let sites = house::sites(&["a"]);
    let desk = Desk::new(&sites);
    for number in 0..100 {
        desk.close(0, number);
    }
    let bad = |line: &String| {
        line.starts_with("panelwright_circuit,circuit=freezer") && line.ends_with("1768505580")
    };
    let server = Server::start(move |request| {
        if request.lines.iter().any(bad) {
            Reply::No(422, None, "field type conflict".into())
        } else {
            Reply::Take
        }
    })
    .await;
    let handle = start(options("builder", &server.url), &sites, &desk, clock(1000.0));
    until_sent(&handle, &desk, "builder", 100).await;
    let refused = desk.refused("builder");
    assert_eq!(refused.len(), 1);
    assert!(bad(&refused[0].record), "{refused:?}");
    assert_eq!(refused[0].answer, "status 422: field type conflict");
    let all: Vec<String> = (0..100).flat_map(|number| keys("a", number)).collect();
    let rest: Vec<String> = all.into_iter().filter(|key| *key != split(&refused[0].record).0).collect();
    assert_eq!(server.order(), rest);
    // 1,600 lines: 11 halvings, each refused once and its other half taken once.
    assert!(server.requests().len() <= 2 * 11 + 1, "{}", server.requests().len());
    handle.shutdown().await;
}

#[tokio::test]
async fn too_much_at_once_is_sent_in_halves() {
    let sites = house::sites(&["a"]);
    let desk = Desk::new(&sites);
    for number in 0..200 {
        desk.close(0, number);
    }
    let server = Server::start(|request| if request.lines.len() > 300 { no(413) } else { Reply::Take }).await;
    let handle = start(options("builder", &server.url), &sites, &desk, clock(1000.0));
    until_sent(&handle, &desk, "builder", 200).await;
    let expected: Vec<String> = (0..200).flat_map(|number| keys("a", number)).collect();
    assert_eq!(server.order(), expected);
    assert!(desk.refused("builder").is_empty());
    handle.shutdown().await;
}

#[tokio::test]
async fn a_single_record_that_is_too_large_is_set_aside() {
    let sites = house::sites(&["a"]);
    let desk = Desk::new(&sites);
    desk.close(0, 0);
    let server = Server::start(|_| no(413)).await;
    let handle = start(options("builder", &server.url), &sites, &desk, clock(1000.0));
    until_sent(&handle, &desk, "builder", 1).await;
    assert_eq!(desk.refused("builder").len(), keys("", 0).len());
    handle.shutdown().await;
}

#[tokio::test]
async fn retry_after_is_honoured_and_bounded() {
    for (value, least, most) in [("600", 600, 601), ("86400", 3600, 3601), ("soon", 0, 1)] {
        let sites = house::sites(&["a"]);
        let desk = Desk::new(&sites);
        desk.close(0, 0);
        let server = Server::start(move |_| Reply::No(503, Some(value.into()), String::new())).await;
        // A clock that all but stands: what is seen is the time that was set.
        let clock = Clock::simulated(minute(1), 0.001);
        let handle = start(options("builder", &server.url), &sites, &desk, clock);
        let progress = until(&handle, |progress| progress.last_failure.is_some()).await;
        let State::Waiting { until } = progress.state else { panic!("{progress:?}") };
        let wait = (until - minute(1)).as_seconds();
        assert!((f64::from(least)..=f64::from(most)).contains(&wait), "{value}: {wait} s");
        assert_eq!(server.requests().len(), 1, "it is left alone");
        // It ends at once, wait or no wait.
        tokio::time::timeout(Duration::from_secs(5), handle.shutdown()).await.expect("an end");
    }
}

#[tokio::test]
async fn a_server_that_does_not_answer_in_time_is_asked_again() {
    let sites = house::sites(&["a"]);
    let desk = Desk::new(&sites);
    desk.close(0, 0);
    let server = Server::start(|_| Reply::Sleep(Duration::from_secs(600))).await;
    let mut hasty = options("builder", &server.url);
    hasty.timeout = Duration::from_millis(100);
    let handle = start(hasty, &sites, &desk, clock(1000.0));
    let progress = until(&handle, |progress| progress.last_failure.is_some()).await;
    assert!(matches!(progress.state, State::Waiting { .. }), "{progress:?}");
    server.rule(|_| Reply::Take);
    until_sent(&handle, &desk, "builder", 1).await;
    assert_eq!(server.order(), keys("a", 0));
    handle.shutdown().await;
}

#[tokio::test]
async fn an_end_does_not_wait_for_a_server_that_hangs() {
    let sites = house::sites(&["a"]);
    let desk = Desk::new(&sites);
    desk.close(0, 0);
    let server = Server::start(|_| Reply::Sleep(Duration::from_secs(600))).await;
    let handle = start(options("builder", &server.url), &sites, &desk, clock(1.0));
    until(&handle, |progress| progress.state == State::Sending).await;
    tokio::time::timeout(Duration::from_secs(5), handle.shutdown()).await.expect("an end");
    assert_eq!(desk.cursor("builder"), 0, "it goes again after the next start");
}

#[tokio::test]
async fn a_server_that_is_not_there_is_waited_for() {
    let sites = house::sites(&["a"]);
    let desk = Desk::new(&sites);
    desk.close(0, 0);
    let port = crate::harness::free_port();
    let url = format!("http://127.0.0.1:{port}");
    let handle = start(options("builder", &url), &sites, &desk, clock(1000.0));
    let progress = until(&handle, |progress| progress.last_failure.is_some()).await;
    let why = progress.last_failure.expect("a failure").why;
    assert!(why.to_lowercase().contains("refused"), "it says why: {why}");
    assert_eq!((desk.cursor("builder"), desk.refused("builder").len()), (0, 0));
    handle.shutdown().await;
}

#[tokio::test]
async fn a_corrected_minute_overwrites_its_points() {
    let sites = house::sites(&["a"]);
    let desk = Desk::new(&sites);
    desk.close(0, 3);
    let server = Server::start(|_| Reply::Take).await;
    let handle = start(options("builder", &server.url), &sites, &desk, clock(1000.0));
    until_sent(&handle, &desk, "builder", 1).await;
    let before = server.points();
    // As much again arrives late for the same minute.
    desk.close(0, 3);
    handle.waker().notify_one();
    until_sent(&handle, &desk, "builder", 2).await;
    let after = server.points();
    assert!(before.keys().eq(after.keys()), "no new key");
    let sent = server.requests().iter().flat_map(|request| pairs(&request.lines)).collect::<Vec<_>>();
    assert_eq!(sent.len(), 2 * keys("", 0).len());
    let grid = &keys("a", 3)[0];
    assert!(
        before[grid].starts_with("wh=5.01,") && after[grid].starts_with("wh=10.02,"),
        "{before:?} {after:?}"
    );
    handle.shutdown().await;
}

#[tokio::test]
async fn quarters_are_marked_again_by_a_late_minute() {
    let sites = house::sites(&["a"]);
    let desk = Desk::new(&sites);
    for number in 0..15 {
        desk.close(0, number);
    }
    let server = Server::start(|_| Reply::Take).await;
    let mut quarters = options("builder", &server.url);
    quarters.resolution = Resolution::Quarter;
    let handle = start(quarters, &sites, &desk, Clock::simulated(minute(100), 1000.0));
    until_sent(&handle, &desk, "builder", 15).await;
    desk.mark(0, minute(7)..minute(9));
    handle.waker().notify_one();
    until_sent(&handle, &desk, "builder", 16).await;
    assert_eq!(server.requests().len(), 2);
    assert_eq!(server.order(), keys("a", 0));
    handle.shutdown().await;
}
