//! `panelwright password`

use std::io::{self, IsTerminal as _, Read as _};
use std::path::PathBuf;

use anyhow::{Context as _, Result};

use super::{Exit, out, print};
use crate::web::access;

/// Shortest password that is taken. The brake hears one guess a second, so that eight characters that
/// are not a word stand longer than the house.
const SHORTEST: usize = 8;
/// Longest that is looked at when somebody signs in.
const LONGEST: u64 = 1024;

/// Makes the hash of a password, to be kept in the file that `web.password_file` names.
///
/// It asks for the password twice and shows nothing of it; where standard input is no terminal it
/// takes its first line.
#[derive(Debug, clap::Args)]
#[command(after_help = "Examples:
  panelwright password --file /etc/panelwright/web.secret
  printf %s \"$NEW\" | panelwright password > web.secret")]
pub(super) struct Args {
    /// Write the hash into this new file, which only you can read, and not to standard output.
    #[arg(long, value_name = "FILE")]
    file: Option<PathBuf>,
}

/// Runs it.
pub(super) fn run(args: &Args) -> Result<Exit> {
    let password = if io::stdin().is_terminal() { asked()? } else { piped()? };
    let password = match password {
        Ok(password) if password.chars().count() >= SHORTEST => password,
        Ok(_) => return Ok(refuse(&format!("a password has at least {SHORTEST} characters"))),
        Err(why) => return Ok(refuse(why)),
    };
    let line = access::hash(&password) + "\n";
    match &args.file {
        Some(file) => out::new_secret(file, &line)?,
        None => print(&line)?,
    }
    Ok(Exit::Fine)
}

fn refuse(why: &str) -> Exit {
    eprintln!("panelwright: {why}");
    Exit::Usage
}

fn asked() -> Result<Result<String, &'static str>> {
    let once = rpassword::prompt_password("password: ").context("the terminal")?;
    let again = rpassword::prompt_password("once more: ").context("the terminal")?;
    Ok(if once == again { Ok(once) } else { Err("these were two different passwords") })
}

fn piped() -> Result<Result<String, &'static str>> {
    let mut text = String::new();
    io::stdin().take(LONGEST + 2).read_to_string(&mut text).context("standard input")?;
    let line = text.lines().next().unwrap_or_default();
    Ok(if line.len() as u64 > LONGEST { Err("this is too long for a password") } else { Ok(line.to_owned()) })
}
