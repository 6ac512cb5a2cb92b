//! `panelwright demo`

use anyhow::{Result, bail};

use super::{Common, Exit};

/// Everything in one process, on loopback, with a simulated site.
#[derive(Debug, clap::Args)]
pub(super) struct Args {}

/// Runs it.
pub(super) fn run(_common: &Common, _args: &Args) -> Result<Exit> {
    bail!("not built yet")
}
