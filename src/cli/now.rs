//! `panelwright now`

use anyhow::{Result, bail};

use super::{Common, Exit};

/// The live figures of a site, from the running daemon.
#[derive(Debug, clap::Args)]
pub(super) struct Args {}

/// Runs it.
pub(super) fn run(_common: &Common, _args: &Args) -> Result<Exit> {
    bail!("not built yet")
}
