//! Central stores: against a server that misbehaves on purpose, against a real one, and against
//! independent readers and writers of line protocol.

mod house;
mod outage;
mod real;
mod server;
mod settings;
mod tls;

use std::sync::Arc;
use std::time::Duration;

use panelwright::central::{self, Handle, Options, Progress};
use panelwright::clock::Clock;
use panelwright::site::Site;
use tokio::sync::watch;

use house::Desk;
use server::split;

/// Longer than anything here takes; only a failing test waits it out.
const LONG: Duration = Duration::from_secs(60);

/// A minute after noon, running this many times as fast as the wall's clock: waits of the task and
/// the server's `Retry-After` shrink with it.
fn clock(speed: f64) -> Clock {
    Clock::simulated(house::minute(1), speed)
}

fn options(name: &str, url: &str) -> Options {
    let mut options = Options::new(name, url.parse().expect("a URL"));
    options.organization = "builder".into();
    options.bucket = "homes".into();
    options
}

/// Starts a central store's task on fixed sites.
fn start(options: Options, sites: &[Arc<Site>], desk: &Desk, clock: Clock) -> Handle {
    let (_, sites) = watch::channel(sites.to_vec());
    central::start(options, sites, desk.clone(), clock).expect("good options")
}

/// Waits until the progress is as wanted, and gives it.
async fn until(handle: &Handle, wanted: impl Fn(&Progress) -> bool) -> Progress {
    let mut progress = handle.progress();
    let found = tokio::time::timeout(LONG, progress.wait_for(|progress| wanted(progress))).await;
    match found {
        Ok(found) => found.expect("the task runs").clone(),
        Err(_) => panic!("not so within {LONG:?}: {:?}", handle.progress().borrow()),
    }
}

/// Waits until everything in the outbox is done.
async fn until_sent(handle: &Handle, desk: &Desk, central: &str, marks: u64) {
    let looks = async {
        while desk.cursor(central) < marks {
            tokio::time::sleep(Duration::from_millis(5)).await;
        }
    };
    if tokio::time::timeout(LONG, looks).await.is_err() {
        panic!("cursor {} of {marks}: {:?}", desk.cursor(central), handle.progress().borrow());
    }
}

/// The keys that one minute of one site has, in the order of their lines.
fn keys(site: &str, number: i64) -> Vec<String> {
    let time = house::minute(number).seconds();
    let total = |figure: &str| format!("panelwright_site,figure={figure},site={site} {time}");
    let circuit = |id: &str| format!("panelwright_circuit,circuit={id},site={site} {time}");
    let bus = |id: &str, figure: &str| format!("panelwright_bus,bus={id},figure={figure},site={site} {time}");
    vec![
        total("grid"),
        total("import"),
        total("export"),
        total("generation"),
        total("consumption"),
        total("tracked"),
        total("untracked"),
        total("self-consumed"),
        total("storage"),
        circuit("well-pump"),
        circuit("freezer"),
        bus("service", "feed"),
        bus("main", "feed"),
        bus("main", "untracked"),
        total("leg-a"),
        total("leg-b"),
    ]
}

#[tokio::test]
async fn the_points_of_a_minute_are_those_of_history() {
    let sites = house::sites(&["heron-lane"]);
    let desk = Desk::new(&sites);
    desk.close(0, 0);
    let server = server::Server::start(|_| server::Reply::Take).await;
    let handle = start(options("builder", &server.url), &sites, &desk, clock(100.0));
    until_sent(&handle, &desk, "builder", 1).await;
    assert_eq!(server.order(), keys("heron-lane", 0));
    let points = server.points();
    // Mains 100 W and 200 W; the pump's CT 300 W, doubled; the freezer 400 W: each for a minute.
    let check = |key: &str, fields: &str| {
        let key = format!("{key} {}", house::NOON.seconds());
        assert_eq!(points.get(&key).map(String::as_str), Some(fields), "{key}");
    };
    check("panelwright_site,figure=leg-a,site=heron-lane", "wh=1.666667,covered_s=60,mean_w=100");
    check("panelwright_site,figure=leg-b,site=heron-lane", "wh=3.333333,covered_s=60,mean_w=200");
    check("panelwright_site,figure=grid,site=heron-lane", "wh=5,covered_s=60,mean_w=300");
    check("panelwright_circuit,circuit=well-pump,site=heron-lane", "wh=10,covered_s=60,mean_w=600");
    check("panelwright_circuit,circuit=freezer,site=heron-lane", "wh=6.666667,covered_s=60,mean_w=400");
    // An impossible house, but the books say so: feed 300 W less circuits of 1,000 W.
    check(
        "panelwright_bus,bus=main,figure=untracked,site=heron-lane",
        "wh=-11.666667,covered_s=60,mean_w=-700",
    );
    let progress = until(&handle, |progress| progress.state == central::State::Idle).await;
    assert_eq!((progress.points, progress.refused), (keys("", 0).len() as u64, 0));
    assert!(progress.is_well() && progress.last_success.is_some() && progress.last_failure.is_none());
    assert_eq!(progress.behind, central::Backlog::default());
    handle.shutdown().await;
}

#[tokio::test]
async fn a_quarter_is_one_point_with_the_energy_of_its_minutes() {
    let sites = house::sites(&["heron-lane"]);
    let desk = Desk::new(&sites);
    for number in 0..30 {
        desk.close(0, number);
    }
    let server = server::Server::start(|_| server::Reply::Take).await;
    let mut quarters = options("builder", &server.url);
    quarters.resolution = central::Resolution::Quarter;
    // The first quarter has settled, the second is about to: a minute after its end.
    let clock = Clock::simulated(house::minute(29), 300.0);
    let handle = start(quarters, &sites, &desk, clock);
    until_sent(&handle, &desk, "builder", 30).await;
    let expected: Vec<String> = [0, 15].into_iter().flat_map(|number| keys("heron-lane", number)).collect();
    assert_eq!(server.order(), expected);
    let lines: usize = server.requests().iter().map(|request| request.lines.len()).sum();
    assert_eq!(lines, expected.len(), "each once");
    let known = desk.summaries(0, 0..2, panelwright::units::Span::QUARTER);
    for (summary, at) in known.iter().zip([0, 15]) {
        let key = &keys("heron-lane", at)[0];
        let points = server.points();
        let wh: f64 = points[key].split(['=', ',']).nth(1).and_then(|wh| wh.parse().ok()).expect("wh");
        let kwh = summary.kwh(panelwright::site::FigureKey::Grid).expect("known");
        assert!((wh - kwh * 1000.0).abs() < 0.001, "{wh} {kwh}");
    }
    handle.shutdown().await;
}

#[tokio::test]
async fn several_central_stores_get_on_each_at_its_own_pace() {
    let sites = house::sites(&["a", "b"]);
    let desk = Desk::new(&sites);
    for number in 0..20 {
        desk.close(0, number);
        desk.close(1, number);
    }
    let well = server::Server::start(|_| server::Reply::Take).await;
    let ill = server::Server::start(|_| server::Reply::No(500, None, "out of order".into())).await;
    let first = start(options("first", &well.url), &sites, &desk, clock(500.0));
    let second = start(options("second", &ill.url), &sites, &desk, clock(500.0));
    until_sent(&first, &desk, "first", 40).await;
    let progress = until(&second, |progress| progress.last_failure.is_some()).await;
    assert!(!progress.is_well());
    assert_eq!(progress.behind.marks, 40);
    assert_eq!(progress.behind.oldest, Some(house::NOON));
    assert!(progress.last_failure.expect("a failure").why.contains("status 500: out of order"));
    assert_eq!(desk.cursor("second"), 0);
    ill.rule(|_| server::Reply::Take);
    until_sent(&second, &desk, "second", 40).await;
    assert_eq!(ill.points(), well.points());
    assert_eq!(ill.points().len(), 40 * keys("", 0).len());
    first.shutdown().await;
    second.shutdown().await;
}

#[tokio::test]
async fn the_outbox_can_fail_for_a_while() {
    let sites = house::sites(&["a"]);
    let desk = Desk::new(&sites);
    desk.close(0, 0);
    desk.trouble(Some("the disk is full"));
    let server = server::Server::start(|_| server::Reply::Take).await;
    let handle = start(options("first", &server.url), &sites, &desk, clock(500.0));
    let progress = until(&handle, |progress| progress.last_failure.is_some()).await;
    assert!(progress.last_failure.expect("a failure").why.contains("the disk is full"));
    desk.trouble(None);
    until_sent(&handle, &desk, "first", 1).await;
    handle.shutdown().await;
}

/// Lines as (key, fields), for comparing what was sent with what arrived.
fn pairs(lines: &[String]) -> Vec<(String, String)> {
    lines.iter().map(|line| split(line)).collect()
}
