//! `panelwright check`

use anyhow::{Result, bail};

use super::{Common, Exit};

/// Settings and every site's map: all errors and findings with file and line.
#[derive(Debug, clap::Args)]
pub(super) struct Args {}

/// Runs it.
pub(super) fn run(_common: &Common, _args: &Args) -> Result<Exit> {
    bail!("not built yet")
}
