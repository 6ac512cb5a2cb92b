//! `panelwright store`

mod output;
mod rederive;

use std::path::{Path, PathBuf};
use std::sync::Arc;

use anyhow::{Context as _, Result};
use clap::Subcommand;

use super::{Common, Exit, Format, print};
use crate::calendar::Zone;
use crate::clock::Clock;
use crate::settings;
use crate::site::Site;
use crate::store::{self, Error, FILE_NAME};

/// Care for the embedded store. All but `repair` and `compact` work while the daemon runs.
#[derive(Debug, clap::Args)]
#[command(after_help = "Examples:
  panelwright store size
  panelwright store check --format json
  panelwright store backup /mnt/backup/panelwright-2026-11-25.db

  systemctl stop panelwright
  panelwright store repair
  panelwright store compact
  systemctl start panelwright")]
pub(super) struct Args {
    /// The store's directory [default: `store.directory` of the settings]
    #[arg(long, global = true, value_name = "DIRECTORY")]
    directory: Option<PathBuf>,
    /// How to print.
    #[arg(long, global = true, value_enum, default_value_t)]
    format: Format,
    #[command(subcommand)]
    what: What,
}

#[derive(Debug, Subcommand)]
enum What {
    /// Decode every block, count every minute again from the readings, and add every sum up again.
    Check,
    /// Make good what can be made good from what is finer, and put away what cannot be read. The daemon
    /// must be stopped.
    Repair {
        /// Take no copy of the store before.
        #[arg(long)]
        no_backup: bool,
    },
    /// Copy the store to a new file, as it is at this moment, and check the copy.
    Backup {
        /// Where to.
        file: PathBuf,
        /// Replace a file that is there already.
        #[arg(long)]
        overwrite: bool,
    },
    /// Write the file anew without its free pages. The daemon must be stopped; there must be room for a
    /// second file.
    Compact,
    /// How much room it takes, and what for.
    Size,
    /// After a correction of the map, derive import, export and the other figures with a sign again
    /// from the readings, now and at once. The daemon does it by itself, between its commits; it must
    /// not run meanwhile.
    Rederive,
}

/// Runs it.
pub(super) fn run(common: &Common, args: &Args) -> Result<Exit> {
    let settings = match settings::load_here(common.settings.as_deref()) {
        Ok(settings) => settings,
        Err(problems) => {
            eprintln!("{problems}");
            return Ok(Exit::Config);
        }
    };
    let directory = args.directory.clone().unwrap_or(settings.store.directory);
    if matches!(args.what, What::Rederive) {
        return rederive::run(&settings.sites, &settings.central, directory, args.format);
    }
    match care(args, &directory, &settings.sites) {
        Err(error) => match error.downcast_ref::<Error>() {
            Some(Error::Held { .. } | Error::Busy { .. } | Error::Missing { .. }) => {
                eprintln!("{error:#}");
                Ok(Exit::Away)
            }
            _ => Err(error),
        },
        done => done,
    }
}

fn care(args: &Args, directory: &Path, maps: &Path) -> Result<Exit> {
    match &args.what {
        // Done above: it needs more of the settings.
        What::Rederive => Ok(Exit::Fine),
        What::Size => {
            print(&output::size_text(&store::size(directory)?, args.format)?)?;
            Ok(Exit::Fine)
        }
        What::Check => check(&directory.join(FILE_NAME), maps, args.format),
        What::Backup { file, overwrite } => {
            store::backup(directory, file, *overwrite)?;
            check(file, maps, args.format)
        }
        What::Repair { no_backup } => repair(directory, maps, *no_backup, args.format),
        What::Compact => {
            print(&output::compact_text(store::compact(directory)?, args.format)?)?;
            Ok(Exit::Fine)
        }
    }
}

fn check(file: &Path, maps: &Path, format: Format) -> Result<Exit> {
    let checked = store::check(file, &sites(maps))?;
    print(&output::check_text(&checked, file, format)?)?;
    Ok(if checked.findings.is_empty() { Exit::Fine } else { Exit::Short })
}

fn repair(directory: &Path, maps: &Path, no_backup: bool, format: Format) -> Result<Exit> {
    let mut backup = None;
    if !no_backup {
        // Before anything is touched, and before it is known that anything is wrong.
        let now = Zone::utc().rfc3339(Clock::wall().now()).replace(':', "");
        let to = directory.join(format!("panelwright-before-repair-{now}.db"));
        store::copy_before_repair(directory, &to)?;
        backup = Some(to);
    }
    let repaired = store::repair(directory, &sites(maps))?;
    if let Some(to) = &backup
        && repaired.found.is_empty()
    {
        // Nothing was changed, and a copy of the same costs room.
        std::fs::remove_file(to).with_context(|| format!("cannot take {} away", to.display()))?;
        backup = None;
    }
    print(&output::repair_text(&repaired, backup.as_deref(), format)?)?;
    Ok(if repaired.after.findings.is_empty() { Exit::Fine } else { Exit::Short })
}

fn sites(maps: &Path) -> Vec<Arc<Site>> {
    let (sites, findings) = settings::load_sites(maps);
    for finding in &findings {
        eprintln!("{finding}");
    }
    sites.into_iter().map(Arc::new).collect()
}
