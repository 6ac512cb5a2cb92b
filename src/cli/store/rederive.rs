//! `panelwright store rederive`

use std::io::{self, Write as _};
use std::path::{Path, PathBuf};
use std::sync::{Arc, mpsc};
use std::time::Instant;

use anyhow::{Context as _, Result, bail};
use serde::Serialize;

use crate::cli::{Exit, Format};
use crate::settings::{self, Central};
use crate::site::{Severity, Site};
use crate::store::{self, Command, Event, Store};

/// What was done.
#[derive(Debug, Serialize)]
struct Report {
    days: u64,
    seconds: f64,
}

/// Derives what waits, and says how long it took.
pub(super) fn run(maps: &Path, centrals: &[Central], directory: PathBuf, format: Format) -> Result<Exit> {
    let (sites, findings) = settings::load_sites(maps);
    let (errors, others): (Vec<_>, Vec<_>) =
        findings.into_iter().partition(|finding| finding.severity == Severity::Error);
    errors.iter().for_each(|finding| eprintln!("{finding}"));
    if !errors.is_empty() {
        eprintln!("panelwright: nothing is derived under a map that is wrong");
        return Ok(Exit::Config);
    }
    if !others.is_empty() {
        let what =
            if others.len() == 1 { "1 remark".to_owned() } else { format!("{} remarks", others.len()) };
        eprintln!(
            "panelwright: {what} on the maps, which keep nothing from being derived: `panelwright check`"
        );
    }
    let sites: Vec<Arc<Site>> = sites.into_iter().map(Arc::new).collect();
    let centrals = centrals.iter().map(|central| central.name.clone()).collect();
    let report = derive(store::Options { directory, centrals, keep: store::Keep::default() }, &sites)?;
    let text = match format {
        Format::Json => serde_json::to_string_pretty(&report).context("the report is no JSON")? + "\n",
        Format::Csv => format!("days,seconds\n{},{:.3}\n", report.days, report.seconds),
        Format::Table => match report.days {
            0 => "nothing waits to be derived again\n".to_owned(),
            days => format!("derived the splits of {days} days again in {:.1} s\n", report.seconds),
        },
    };
    match io::stdout().lock().write_all(text.as_bytes()) {
        // Whoever reads has read enough.
        Err(error) if error.kind() != io::ErrorKind::BrokenPipe => Err(error).context("standard output"),
        _ => Ok(Exit::Fine),
    }
}

#[expect(clippy::disallowed_methods, reason = "the command says how long its work took")]
fn derive(options: store::Options, sites: &[Arc<Site>]) -> Result<Report> {
    let started = Instant::now();
    let (tell, events) = mpsc::channel();
    // While the store closes nobody listens any more.
    let on_event = move |event| drop(tell.send(event));
    let store = Store::open(options, sites, Box::new(on_event))?;
    store.sender().blocking_send(Command::Flush).ok().context("the store's writer has ended")?;
    let mut days = 0;
    loop {
        match events.recv().context("the store's writer has ended")? {
            Event::Rederived { derived, .. } => days += u64::from(derived),
            Event::Trouble { why } => bail!("the store cannot be written: {why}"),
            Event::Damaged { what } => eprintln!("the store is damaged: {what}"),
            Event::Flushed => break,
            _ => {}
        }
    }
    store.close();
    Ok(Report { days, seconds: started.elapsed().as_secs_f64() })
}
