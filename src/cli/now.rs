//! `panelwright now`

pub(super) mod client;
mod output;
mod pinned;

use std::path::PathBuf;

use anyhow::{Context as _, Result};

use super::{Common, Exit, Format};
use crate::settings;
use client::{Client, Failure, Key};
use output::Output;

/// The live figures of a site, from the running daemon.
#[derive(Debug, clap::Args)]
#[command(after_help = "Examples:
  panelwright now
  panelwright now --site heron-lane --watch
  panelwright now --format json | jq .grid_w")]
pub(super) struct Args {
    /// The site's id; not needed where there is one site.
    #[arg(long, value_name = "ID")]
    site: Option<String>,
    /// Follow the figures as they change, until interrupted.
    #[arg(long)]
    watch: bool,
    /// Where the daemon's API is [default: `web.listen` of the settings]
    #[arg(long, value_name = "URL")]
    url: Option<String>,
    /// The file that holds the API's password, with --url.
    #[arg(long, value_name = "FILE", requires = "url")]
    password_file: Option<PathBuf>,
    /// The file that holds a token for the API, with --url.
    #[arg(long, value_name = "FILE", requires = "url", conflicts_with = "password_file")]
    token_file: Option<PathBuf>,
    /// How to print.
    #[arg(long, value_enum, default_value_t)]
    format: Format,
}

/// Runs it.
pub(super) fn run(common: &Common, args: &Args) -> Result<Exit> {
    let client = match client(common, args) {
        Ok(client) => client,
        Err(problems) => {
            eprintln!("{problems}");
            return Ok(Exit::Config);
        }
    };
    let runtime = tokio::runtime::Builder::new_current_thread()
        .enable_all()
        .build()
        .context("the asynchronous runtime did not start")?;
    match runtime.block_on(show(&client, args)) {
        Ok(()) => Ok(Exit::Fine),
        Err(Failure { exit, why, .. }) => {
            if !why.is_empty() {
                eprintln!("panelwright: {why}");
            }
            Ok(exit)
        }
    }
}

/// A client for the address and password of the command line, else of the settings.
fn client(common: &Common, args: &Args) -> Result<Client, String> {
    match &args.url {
        Some(url) => {
            let file = args.password_file.as_deref();
            let password = file.map(settings::read_secret).transpose()?;
            let token = args.token_file.as_deref().map(settings::read_secret).transpose()?;
            let key = match (password, token) {
                (Some(password), _) => Key::Password(password),
                (None, Some(token)) => Key::Token(token),
                (None, None) => Key::None,
            };
            Client::new(url, key).map_err(|failure| failure.why)
        }
        None => {
            let settings =
                settings::load_here(common.settings.as_deref()).map_err(|problems| problems.to_string())?;
            Client::here(&settings).map_err(|failure| failure.why)
        }
    }
}

async fn show(client: &Client, args: &Args) -> Result<(), Failure> {
    let site = client.site(args.site.as_deref()).await?;
    let mut output = Output::new(args.format, args.watch, site);
    if !args.watch {
        return output.show(&client.now(output.site()).await?);
    }
    let id = output.site().to_owned();
    client.watch(&id, &mut |body| output.show(body)).await
}
