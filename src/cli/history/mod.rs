//! `panelwright history`

mod output;

use std::io::{self, Write as _};
use std::sync::Arc;

use anyhow::{Context as _, Result};

use super::{Common, Exit, Format};
use crate::calendar::By;
use crate::clock::Clock;
use crate::history::energy;
use crate::reading::SiteIndex;
use crate::settings;
use crate::site::{Severity, Site};
use crate::store::{self, Reader};
use crate::web::HistoryError;
use crate::web::history::Question;

/// Energy per circuit and total, by interval.
///
/// It reads the store itself: the daemon may run meanwhile, or not.
#[derive(Debug, clap::Args)]
#[command(after_help = "Examples:
  panelwright history --from 2025-03-01 --to 2025-04-01 --by day
  panelwright history --from 2025-01-01 --by month --format csv > year.csv
  panelwright history --site heron-lane --from 2025-03-09T06:00 --to 2025-03-09T18:00 --by hour")]
pub(super) struct Args {
    /// The site's id; not needed where there is one site.
    #[arg(long, value_name = "ID")]
    site: Option<String>,
    /// Where it starts: a local date, a local date and time, or RFC 3339 [default: the day of the end]
    #[arg(long, value_name = "TIME")]
    from: Option<String>,
    /// Where it ends, exclusive: the same [default: now]
    #[arg(long, value_name = "TIME")]
    to: Option<String>,
    /// Length of an interval; the range snaps outwards to whole ones.
    #[arg(long, value_name = "INTERVAL", default_value = "day",
          value_parser = clap::builder::PossibleValuesParser::new(By::ALL.map(By::as_str)))]
    by: String,
    /// How to print.
    #[arg(long, value_enum, default_value_t)]
    format: Format,
}

/// Runs it.
pub(super) fn run(common: &Common, args: &Args) -> Result<Exit> {
    match answer(common, args) {
        Ok(text) => match io::stdout().lock().write_all(text.as_bytes()) {
            // `| head` has seen enough.
            Err(error) if error.kind() != io::ErrorKind::BrokenPipe => Err(error).context("standard output"),
            _ => Ok(Exit::Fine),
        },
        Err(Refusal { exit, why }) => {
            eprintln!("panelwright: {why}");
            Ok(exit)
        }
    }
}

/// Why there is nothing to print.
#[derive(Debug)]
struct Refusal {
    exit: Exit,
    why: String,
}

impl Refusal {
    fn new(exit: Exit, why: impl ToString) -> Self {
        Self { exit, why: why.to_string() }
    }
}

fn answer(common: &Common, args: &Args) -> Result<String, Refusal> {
    let settings = settings::load_here(common.settings.as_deref())
        .map_err(|problems| Refusal::new(Exit::Config, problems))?;
    let sites = maps(&settings.sites)?;
    let index = chosen(&sites, args.site.as_deref())?;
    let site = &sites[index];
    let question = question(site, args)?;
    let reader = Reader::offline(&settings.store.directory, &sites).map_err(of_store)?;
    let mut source = reader.source(SiteIndex(index as u32));
    let summaries = energy(site, &question.zone, &mut source, &question.intervals).map_err(of_store)?;
    output::text(args.format, site, &question, &summaries).map_err(|error| Refusal::new(Exit::Short, error))
}

/// The maps of the settings' directory; all of them must be right, as for the daemon.
fn maps(directory: &std::path::Path) -> Result<Vec<Arc<Site>>, Refusal> {
    let (sites, findings) = settings::load_sites(directory);
    let errors: Vec<String> =
        findings.iter().filter(|found| found.severity == Severity::Error).map(ToString::to_string).collect();
    if errors.is_empty() {
        Ok(sites.into_iter().map(Arc::new).collect())
    } else {
        Err(Refusal::new(Exit::Config, errors.join("\n")))
    }
}

/// The position of the site that was asked for.
fn chosen(sites: &[Arc<Site>], id: Option<&str>) -> Result<usize, Refusal> {
    let known = || sites.iter().map(|site| site.id.as_str()).collect::<Vec<_>>().join(", ");
    match (id, sites) {
        (Some(id), _) => sites.iter().position(|site| site.id == id).ok_or_else(|| {
            Refusal::new(Exit::Usage, format!("there is no site `{id}`; there is: {}", known()))
        }),
        (None, [_]) => Ok(0),
        (None, []) => Err(Refusal::new(Exit::Config, "there is no map of a site; see `panelwright check`")),
        (None, _) => {
            let why = format!("there are several sites; name one with --site: {}", known());
            Err(Refusal::new(Exit::Usage, why))
        }
    }
}

fn question(site: &Site, args: &Args) -> Result<Question, Refusal> {
    let (from, to) = (args.from.as_deref(), args.to.as_deref());
    let now = Clock::wall().now();
    Question::read(site, from, to, Some(&args.by), now).map_err(|error| match error {
        HistoryError::Asked { what, .. } => Refusal::new(Exit::Usage, format!("--{what}")),
        HistoryError::Failed(why) => Refusal::new(Exit::Short, why),
    })
}

fn of_store(error: store::Error) -> Refusal {
    let exit = if matches!(error, store::Error::Missing { .. }) { Exit::Away } else { Exit::Short };
    Refusal::new(exit, error)
}

#[cfg(test)]
mod tests {
    use super::*;

    fn sites(ids: &[&str]) -> Vec<Arc<Site>> {
        let of = |id: &&str| {
            let mut site = output::tests::site();
            site.id = (*id).to_owned();
            Arc::new(site)
        };
        ids.iter().map(of).collect()
    }

    #[test]
    fn one_site_needs_no_name_and_several_do() {
        let check = |ids: &[&str], asked, expected: Result<usize, (Exit, &str)>| {
            let found = chosen(&sites(ids), asked);
            match (found, expected) {
                (Ok(found), Ok(expected)) => assert_eq!(found, expected),
                (Err(found), Err((exit, why))) => {
                    assert_eq!(found.exit, exit);
                    assert!(found.why.contains(why), "{}", found.why);
                }
                (found, _) => panic!("{found:?}"),
            }
        };
        check(&["heron-lane"], None, Ok(0));
        check(&["heron-lane", "barn"], Some("barn"), Ok(1));
        check(&["heron-lane", "barn"], None, Err((Exit::Usage, "heron-lane, barn")));
        check(&["heron-lane", "barn"], Some("bran"), Err((Exit::Usage, "no site `bran`")));
        check(&[], None, Err((Exit::Config, "no map")));
    }

    #[test]
    fn a_range_that_makes_no_sense_is_a_wrong_command_line() {
        let args = |from: &str, by: &str| Args {
            site: None,
            from: Some(from.to_owned()),
            to: Some("2025-03-09".to_owned()),
            by: by.to_owned(),
            format: Format::Table,
        };
        let site = output::tests::site();
        let check = |from, by, expected: &str| {
            let refusal = question(&site, &args(from, by)).expect_err("refused");
            assert_eq!(refusal.exit, Exit::Usage);
            assert!(refusal.why.contains(expected), "{}", refusal.why);
        };
        check("soon", "day", "--from: `soon`");
        check("2025-03-10", "day", "not after its start");
        check("1999-01-01", "minute", "more than 10200 intervals");
        assert_eq!(question(&site, &args("2025-03-08", "hour")).map_or(0, |read| read.intervals.len()), 24);
    }
}
