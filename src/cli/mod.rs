//! The command line: one file per subcommand.

mod annotate;
mod audit;
mod check;
mod compare_meter;
mod demo;
mod export;
mod history;
mod house;
mod import;
mod now;
mod out;
mod password;
mod run;
mod schedule;
mod store;
mod table;
mod token;
mod verify;

use std::io::{self, Write as _};
use std::path::PathBuf;
use std::process::ExitCode;

use anyhow::Context as _;
use clap::{Parser, Subcommand, ValueEnum};

/// How a command ended; the numbers are those of BSD's sysexits where they have one.
#[derive(Clone, Copy, Debug, PartialEq, Eq)]
#[repr(u8)]
pub enum Exit {
    /// All is well.
    Fine = 0,
    /// It ran, and what it checked falls short.
    Short = 1,
    /// The command line is wrong.
    Usage = 2,
    /// A service that it needs is away (EX_UNAVAILABLE).
    Away = 69,
    /// Settings or a map are bad (EX_CONFIG).
    Config = 78,
}

/// Turns the CT channels of a home's panel into figures that can be trusted.
#[derive(Debug, Parser)]
#[command(name = "panelwright", version, about)]
struct Cli {
    /// Service settings [default: ./config/panelwright.toml, else /etc/panelwright/panelwright.toml]
    #[arg(long, global = true, value_name = "FILE")]
    settings: Option<PathBuf>,
    #[command(subcommand)]
    command: Command,
}

#[derive(Debug, Subcommand)]
enum Command {
    Demo(demo::Args),
    Run(run::Args),
    Check(check::Args),
    Now(now::Args),
    History(history::Args),
    Export(export::Args),
    Annotate(annotate::Args),
    Audit(audit::Args),
    Verify(verify::Args),
    Schedule(schedule::Args),
    Import(import::Args),
    CompareMeter(compare_meter::Args),
    Store(store::Args),
    Password(password::Args),
    Token(token::Args),
}

/// How a command prints its data.
#[derive(Clone, Copy, Debug, Default, PartialEq, Eq, ValueEnum)]
pub enum Format {
    /// For people.
    #[default]
    Table,
    /// For programs.
    Json,
    /// For spreadsheets.
    Csv,
}

/// What every command is given besides its own arguments.
#[derive(Clone, Debug)]
pub struct Common {
    /// `--settings`, if given.
    pub settings: Option<PathBuf>,
}

/// Prints a command's answer.
///
/// # Errors
/// When standard output cannot be written; a reader that has seen enough (`| head`) is none.
fn print(text: &str) -> anyhow::Result<()> {
    match io::stdout().lock().write_all(text.as_bytes()) {
        Err(error) if error.kind() == io::ErrorKind::BrokenPipe => Ok(()),
        written => written.context("standard output"),
    }
}

/// Reads the command line, runs the command, and says how it ended.
pub fn main() -> ExitCode {
    let cli = Cli::parse();
    let common = Common { settings: cli.settings };
    let ended = match cli.command {
        Command::Demo(args) => demo::run(&common, &args),
        Command::Run(args) => run::run(&common, &args),
        Command::Check(args) => check::run(&common, &args),
        Command::Now(args) => now::run(&common, &args),
        Command::History(args) => history::run(&common, &args),
        Command::Export(args) => export::run(&common, &args),
        Command::Annotate(args) => annotate::run(&common, &args),
        Command::Audit(args) => audit::run(&common, &args),
        Command::Verify(args) => verify::run(&common, &args),
        Command::Schedule(args) => schedule::run(&common, &args),
        Command::Import(args) => import::run(&common, &args),
        Command::CompareMeter(args) => compare_meter::run(&common, &args),
        Command::Store(args) => store::run(&common, &args),
        Command::Password(args) => password::run(&args),
        Command::Token(args) => token::run(&args),
    };
    match ended {
        Ok(exit) => ExitCode::from(exit as u8),
        Err(error) => {
            eprintln!("panelwright: {error:#}");
            ExitCode::from(Exit::Short as u8)
        }
    }
}
