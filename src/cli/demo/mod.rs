//! `panelwright demo`: a simulated house, a real broker connection, the daemon and its API in one
//! process on loopback.

mod meters;
mod place;
mod screen;
mod summary;
mod switch;

use std::net::{Ipv4Addr, SocketAddr};
use std::path::PathBuf;
use std::sync::Arc;
use std::time::Duration;

use anyhow::{Context, Result, bail};

use super::{Common, Exit};
use crate::clock::Clock;
use crate::daemon::{self, Daemon, Maps, Notifier};
use crate::mqtt::embedded::Broker;
use crate::sim::faults::{self, Fault};
use crate::sim::{self, Laid, Simulation};
use crate::site::Site;
use crate::status::Part;
use crate::units::{Span, Stamp};
use meters::Meters;
use place::Place;
use screen::Screen;

/// Simulated seconds per second, at most: an hour goes by in twelve seconds. Beyond that the figures
/// change faster than anybody can read them, and a slow machine falls behind.
const FASTEST: f64 = 300.0;
/// Days of history that `--days` may ask for: ten years.
const MOST_DAYS: u16 = 3_660;
/// How long the daemon may take to be connected.
const CONNECTED_WITHIN: Duration = Duration::from_secs(20);
/// How long the last messages may take from the meters into the daemon's books.
const ARRIVED_WITHIN: Duration = Duration::from_secs(20);
/// How often a condition is looked at.
const POLL: Duration = Duration::from_millis(20);

/// Everything in one process, on loopback, with a simulated house: nothing else is needed.
///
/// The house and all its data are invented.
#[derive(Debug, clap::Args)]
#[command(after_help = "Examples:
  panelwright demo
  panelwright demo --for 20s
  panelwright demo --days 7 --speed 60 --data ./demo
  panelwright demo --fault reversed --days 2 --data ./demo
  panelwright demo --fault list
  panelwright demo switch water-heater on --settings ./demo/panelwright.toml")]
#[command(args_conflicts_with_subcommands = true)]
pub(super) struct Args {
    #[command(subcommand)]
    then: Option<Then>,
    /// Port of the API on loopback; 0 takes a free one [default: 8433, or a free one if it is taken]
    #[arg(long, value_name = "PORT")]
    port: Option<u16>,
    /// Keep settings, map and store there [default: a temporary directory, removed at the end]
    #[arg(long, value_name = "DIR")]
    data: Option<PathBuf>,
    /// Simulated seconds per second, 1 to 300
    #[arg(long, value_name = "N", default_value_t = 1.0, value_parser = parse_speed)]
    speed: f64,
    /// Stop by itself after this time, such as 30s or 5m
    #[arg(long = "for", value_name = "TIME", value_parser = parse_duration)]
    stop_after: Option<Duration>,
    /// Days of history to lay in before it starts
    #[arg(long, value_name = "N", default_value_t = 0, value_parser = clap::value_parser!(u16).range(0..=i64::from(MOST_DAYS)))]
    days: u16,
    /// Which house, people and weather: the same number gives the same ones
    #[arg(long, value_name = "N", default_value_t = 1)]
    seed: u64,
    /// Make the house differ from its map in one way, for the audit and the load step to find; `list` tells
    /// what there is
    #[arg(long, value_name = "NAME", value_parser = fault_parser())]
    fault: Option<String>,
}

/// What can be done to a demo that runs.
#[derive(Debug, clap::Subcommand)]
enum Then {
    Switch(switch::Args),
}

fn fault_parser() -> clap::builder::PossibleValuesParser {
    faults::FAULTS.iter().map(|fault| fault.name).chain(["list"]).collect::<Vec<_>>().into()
}

fn parse_speed(text: &str) -> Result<f64, String> {
    match text.parse() {
        Ok(speed) if (1.0..=FASTEST).contains(&speed) => Ok(speed),
        _ => Err(format!("a number from 1 to {FASTEST}, simulated seconds per second")),
    }
}

fn parse_duration(text: &str) -> Result<Duration, String> {
    let duration: Option<jiff::SignedDuration> = text.parse().ok();
    let duration = duration.and_then(|duration| Duration::try_from(duration).ok());
    duration.filter(|duration| !duration.is_zero()).ok_or_else(|| "a time such as 30s, 5m or 1h30m".into())
}

/// Runs it.
pub(super) fn run(common: &Common, args: &Args) -> Result<Exit> {
    if let Some(Then::Switch(args)) = &args.then {
        return switch::run(common, args);
    }
    if args.fault.as_deref() == Some("list") {
        screen::faults();
        return Ok(Exit::Fine);
    }
    // One thread for the API and the screen, one for the meters; the daemon brings its own.
    let runtime = tokio::runtime::Builder::new_multi_thread()
        .worker_threads(2)
        .enable_all()
        .build()
        .context("the asynchronous runtime did not start")?;
    runtime.block_on(demo(args))
}

async fn demo(args: &Args) -> Result<Exit> {
    let broker = Broker::start(SocketAddr::from((Ipv4Addr::LOCALHOST, 0))).await?;
    let fault = args.fault.as_deref().and_then(Fault::named);
    let map = fault.map_or_else(|| Ok(sim::HERON_LANE.to_owned()), Fault::map)?;
    let place = Place::prepare(args.data.as_deref(), &map, broker.address(), api_port(args.port).await?)?;
    let site = Arc::new(place.site()?);
    let mut screen = Screen::new();
    screen.welcome(&site, args.seed);
    let simulation = args.simulation(&site)?;
    let wired = simulation.site().clone();

    let used_again = place.has_store();
    let history = lay_in(args, &place, &site, &simulation, &mut screen).await?;
    let clock = clock(args.speed, history.as_ref().map(|(_, end)| *end));
    let maps = Maps::load(place.load_maps())?;
    let settings = place.settings()?;
    let daemon = Daemon::start(daemon::config(&settings, maps, clock, None, Notifier::silent())?).await?;
    let house = House {
        args,
        place: &place,
        site: &site,
        broker: broker.address(),
        clock,
        follows: history.as_ref().map(|(_, end)| *end),
        used_again,
        simulation,
        fault,
    };
    let sent = live(&house, &daemon, &mut screen).await;
    let (sent, counted) = match sent {
        Ok(sent) => {
            let arrived = arrived(&daemon, sent.readings).await;
            (Some(sent), arrived)
        }
        Err(error) => {
            screen.problem(&error);
            (None, false)
        }
    };
    // In this order: the daemon says goodbye through the broker.
    daemon.stop().await?;
    broker.shutdown().await;

    let Some(sent) = sent else { return Ok(Exit::Short) };
    if !counted {
        screen.problem(&anyhow::anyhow!("not every reading reached the daemon's books in time"));
    }
    // The map as it is now: somebody may have mended it.
    let site = Arc::new(place.site()?);
    let laid = history.as_ref().map(|(laid, _)| laid);
    let good = summary::closing(&site, &wired, place.store_options(), &sent, laid)?;
    if !good && let Some(fault) = fault {
        screen::fault_is_there(fault);
    }
    screen.farewell(&place);
    Ok(if good && counted { Exit::Fine } else { Exit::Short })
}

impl Args {
    /// The house: wired as its map says, or otherwise.
    fn simulation(&self, site: &Site) -> Result<Simulation> {
        match self.fault.as_deref().and_then(Fault::named) {
            Some(fault) => Simulation::faulty(fault, self.seed),
            None => Simulation::new(site, self.seed),
        }
    }
}

/// The port to use: the one asked for, else the usual one if nobody has it, else any. The settings name it, so that
/// other commands find the API there.
async fn api_port(asked: Option<u16>) -> Result<u16> {
    const USUAL: u16 = 8433;
    let free = async |port: u16| tokio::net::TcpListener::bind((Ipv4Addr::LOCALHOST, port)).await;
    if let Some(port) = asked.filter(|port| *port != 0) {
        return Ok(port);
    }
    if asked.is_none() && free(USUAL).await.is_ok() {
        return Ok(USUAL);
    }
    Ok(free(0).await.context("there is no free port on loopback")?.local_addr()?.port())
}

/// At speed 1 the system's clock; else one that starts now, or where history ends.
fn clock(speed: f64, history_end: Option<Stamp>) -> Clock {
    if speed == 1.0 {
        return Clock::wall();
    }
    Clock::simulated(history_end.unwrap_or_else(|| Clock::wall().now()), speed)
}

/// Lays in `--days` up to the present, and then what went by meanwhile.
async fn lay_in(
    args: &Args,
    place: &Place,
    site: &Arc<Site>,
    simulation: &Simulation,
    screen: &mut Screen,
) -> Result<Option<(Laid, Stamp)>> {
    if args.days == 0 {
        return Ok(None);
    }
    if place.has_store() {
        bail!("there is a store in the directory of --data already: --days lays history into an empty one");
    }
    // Up to a whole minute: the next one is then the live house's alone.
    let now = || Clock::wall().now().floor(Span::MINUTE);
    let mut from = now() - Span(Span::DAY.0 * i64::from(args.days));
    let whole = now() - from;
    let begun = from;
    let mut laid = Laid::default();
    while now() > from {
        let range = from..now();
        let (site, options, house) = (Arc::clone(site), place.store_options(), simulation.clone());
        let (told, mut heard) = tokio::sync::watch::channel(range.start);
        let end = range.end;
        let work = tokio::task::spawn_blocking(move || {
            sim::lay_in_of(options, &site, house, range, |at| {
                told.send_replace(at);
            })
        });
        while heard.changed().await.is_ok() {
            let at = *heard.borrow_and_update();
            screen.progress(args.days, (at - begun).0 as f64 / whole.0 as f64);
        }
        laid.append(work.await.context("laying in history ended early")??);
        from = end;
    }
    screen.laid(args.days, &laid);
    Ok(Some((laid, from)))
}

/// What the live house is made of.
struct House<'a> {
    args: &'a Args,
    place: &'a Place,
    site: &'a Arc<Site>,
    broker: SocketAddr,
    clock: Clock,
    /// Where the history that was laid in ends.
    follows: Option<Stamp>,
    used_again: bool,
    simulation: Simulation,
    fault: Option<&'static Fault>,
}

/// Meters and screen until it is time to stop; what the meters sent.
async fn live(house: &House<'_>, daemon: &Daemon, screen: &mut Screen) -> Result<meters::Sent> {
    let House { args, place, site, broker, clock, follows, used_again, .. } = *house;
    eventually(CONNECTED_WITHIN, || {
        daemon.board().snapshot().parts.iter().any(|(part, state)| *part == Part::Broker && state.ok)
    })
    .await
    .context("the daemon did not reach the broker inside of its own process")?;
    let meters = Meters::start(site, house.simulation.clone(), broker, clock, follows, used_again).await?;
    screen.directions(place, broker, daemon.address(), site, args.speed);
    if let Some(fault) = house.fault {
        screen::hunt(fault, place);
    }
    let ended = {
        let stop = stop_signal(args.stop_after);
        tokio::pin!(stop);
        tokio::select! {
            result = &mut stop => result,
            result = screen.follow(daemon.address(), &house.site.id) => result,
            result = reload_on_hangup(daemon) => result,
        }
    };
    // The meters stop in order whatever ended the screen.
    let sent = meters.stop().await?;
    ended.map(|()| sent)
}

/// Reads the map again whenever the system says so (SIGHUP), as the service does. It does not end.
async fn reload_on_hangup(daemon: &Daemon) -> Result<()> {
    use tokio::signal::unix::{SignalKind, signal};
    let mut hangup = signal(SignalKind::hangup())?;
    loop {
        hangup.recv().await;
        match daemon.reload().await {
            Ok(()) => screen::say("The map was read again."),
            Err(error) => eprintln!("panelwright: the map stays as it was: {error:#}"),
        }
    }
}

/// Ends after the time asked for, or when a person or the system says stop.
async fn stop_signal(after: Option<Duration>) -> Result<()> {
    use tokio::signal::unix::{SignalKind, signal};
    let mut terminate = signal(SignalKind::terminate())?;
    let timer = async {
        match after {
            Some(after) => tokio::time::sleep(after).await,
            None => std::future::pending().await,
        }
    };
    tokio::select! {
        () = timer => {}
        result = tokio::signal::ctrl_c() => result?,
        _ = terminate.recv() => {}
    }
    Ok(())
}

/// Whether every reading got into the daemon's books.
async fn arrived(daemon: &Daemon, readings: u64) -> bool {
    let counters = &daemon.board().counters;
    eventually(ARRIVED_WITHIN, || counters.readings_accepted.get() >= readings).await.is_some()
}

async fn eventually(within: Duration, mut condition: impl FnMut() -> bool) -> Option<()> {
    let look = async {
        while !condition() {
            tokio::time::sleep(POLL).await;
        }
    };
    tokio::time::timeout(within, look).await.ok()
}
