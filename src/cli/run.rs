//! `panelwright run`

use std::cell::Cell;
use std::path::Path;
use std::sync::Arc;

use anyhow::{Context, Result, bail};
use tokio::signal::unix::{SignalKind, signal};
use tracing_subscriber::EnvFilter;

use super::{Common, Exit};
use crate::clock::Clock;
use crate::daemon::{self, Daemon, Maps, Notifier, ReadAccess};
use crate::mqtt::embedded::Broker;
use crate::publish::{self, announce};
use crate::settings::{self, BrokerAddress, Settings};
use crate::site::{Severity, Site};
use crate::web;

/// The daemon: takes readings in, keeps them, publishes what they mean.
#[derive(Debug, clap::Args)]
#[command(after_help = "Example:\n  panelwright run --settings /etc/panelwright/panelwright.toml\n\n\
    SIGHUP reads the maps, the API's certificate, and its password and tokens again; if one is bad, the former\n  \
    stays. SIGTERM and SIGINT stop in order.")]
pub(super) struct Args {}

/// Runs it.
pub(super) fn run(common: &Common, _args: &Args) -> Result<Exit> {
    let settings = match settings::load_here(common.settings.as_deref()) {
        Ok(settings) => settings,
        Err(problems) => {
            eprintln!("{problems}");
            return Ok(Exit::Config);
        }
    };
    log_to_stderr(&settings.log_level)?;
    let directory = settings.sites.clone();
    let seen = Cell::new(false);
    let maps = match Maps::load(Box::new(move || load_maps(&directory, &seen))) {
        Ok(maps) => maps,
        Err(error) => {
            eprintln!("{error:#}");
            return Ok(Exit::Config);
        }
    };
    let faults = faults(&settings, &maps);
    if !faults.is_empty() {
        eprintln!("{}", faults.join("\n"));
        return Ok(Exit::Config);
    }
    let runtime = tokio::runtime::Builder::new_multi_thread().worker_threads(2).enable_all().build()?;
    let path = common.settings.clone();
    let access_again = Box::new(move || access_again(path.as_deref()));
    runtime.block_on(serve(settings, maps, access_again))?;
    Ok(Exit::Fine)
}

/// What is wrong with the announcements of the settings, under the maps as they are.
fn faults(settings: &Settings, maps: &Maps) -> Vec<String> {
    let (options, now) = (publish::Options::from_settings(&settings.publish), Clock::wall().now());
    let (mut faults, sites) = (Vec::new(), maps.visible());
    for fault in sites.iter().flat_map(|site| announce::render(&options, site, now).1) {
        let line = fault.to_string();
        if !faults.contains(&line) {
            faults.push(line);
        }
    }
    faults
}

/// Every map of the directory, or every error in them, one a line. Before the first map has been `seen` none
/// is needed: the set-up page makes it.
fn load_maps(directory: &Path, seen: &Cell<bool>) -> Result<Vec<Site>> {
    let (sites, findings) = settings::load_sites(directory);
    let errors: Vec<_> = findings
        .iter()
        .filter(|finding| finding.severity == Severity::Error)
        .filter(|finding| finding.rule != settings::NO_MAP || seen.get())
        .map(ToString::to_string)
        .collect();
    if !errors.is_empty() {
        bail!("{}", errors.join("\n"));
    }
    seen.set(seen.get() || !sites.is_empty());
    Ok(sites)
}

fn log_to_stderr(level: &str) -> Result<()> {
    let filter = EnvFilter::try_new(level).context("the log level does not parse")?;
    // A service's log has its own times and no colours.
    tracing_subscriber::fmt()
        .with_env_filter(filter)
        .with_writer(std::io::stderr)
        .with_ansi(false)
        .without_time()
        .init();
    Ok(())
}

/// Who may ask the API, as settings and files say it now.
fn access_again(settings: Option<&Path>) -> Result<web::access::Options> {
    match settings::load_here(settings) {
        Ok(settings) => Ok(web::access::Options::from_settings(&settings.web)),
        Err(problems) => bail!("{problems}"),
    }
}

async fn serve(settings: Settings, maps: Maps, access_again: ReadAccess) -> Result<()> {
    let mut terminate = signal(SignalKind::terminate())?;
    let mut interrupt = signal(SignalKind::interrupt())?;
    let mut hangup = signal(SignalKind::hangup())?;
    let broker = match settings.broker.address {
        BrokerAddress::Embedded { listen } => {
            Some(Broker::start(listen).await.with_context(|| format!("the embedded broker at {listen}"))?)
        }
        BrokerAddress::Remote { .. } => None,
    };
    let embedded = broker.as_ref().map(Broker::address);
    let notifier = Notifier::from_environment();
    let mut config = daemon::config(&settings, maps, Clock::wall(), embedded, notifier)?;
    config.access_again = Some(access_again);
    let mut daemon = Daemon::start(config).await?;
    let sites: Vec<Arc<Site>> = daemon.sites().iter().cloned().collect();
    let scheme = if settings.web.tls.is_some() { "https" } else { "http" };
    tracing::info!("the API listens at {scheme}://{}", daemon.address());
    if sites.is_empty() {
        tracing::info!("there is no map yet: the page at that address leads to one");
    }
    if let Some(address) = embedded {
        tracing::info!("the embedded broker listens at mqtt://{address}");
    }
    for site in &sites {
        tracing::info!(
            "site {}: {} channels, {} circuits",
            site.id,
            site.channels.len(),
            site.circuits.len()
        );
    }
    loop {
        tokio::select! {
            _ = terminate.recv() => break,
            _ = interrupt.recv() => break,
            _ = hangup.recv() => {
                // What is wrong is in the log and on the board.
                let _ = daemon.reload().await;
            }
            ended = daemon.ended() => {
                ended?;
                bail!("the daemon ended by itself");
            }
        }
    }
    tracing::info!("stopping");
    let stopped = daemon.stop().await;
    if let Some(broker) = broker {
        broker.shutdown().await;
    }
    stopped
}
