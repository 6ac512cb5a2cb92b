//! `panelwright token`

use std::path::PathBuf;

use anyhow::Result;

use super::{Exit, out, print};
use crate::web::access;

/// Makes a token that lets a program or a display read: prints it, and writes its hash into a file.
///
/// The token is shown this once. The settings name the file of its hash in a `[[token]]` of their own; to
/// take the token back, take that out.
#[derive(Debug, clap::Args)]
#[command(after_help = "Example:
  panelwright token --file /etc/panelwright/wall-display.token")]
pub(super) struct Args {
    /// The new file for its hash.
    #[arg(long, value_name = "FILE")]
    file: PathBuf,
}

/// Runs it.
pub(super) fn run(args: &Args) -> Result<Exit> {
    let (token, hash) = access::new_token();
    out::new_secret(&args.file, &(hash + "\n"))?;
    print(&(token + "\n"))?;
    Ok(Exit::Fine)
}
