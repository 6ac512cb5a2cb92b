//! `panelwright history`

use anyhow::{Result, bail};

use super::{Common, Exit};

/// Energy per circuit and total, by interval.
#[derive(Debug, clap::Args)]
pub(super) struct Args {}

/// Runs it.
pub(super) fn run(_common: &Common, _args: &Args) -> Result<Exit> {
    bail!("not built yet")
}
