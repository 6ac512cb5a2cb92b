//! `panelwright schedule`

use std::path::PathBuf;

use anyhow::{Context as _, Result};
use clap::ValueEnum;
use comfy_table::Table;

use super::house::{House, Refusal};
use super::out::Out;
use super::table::{plain, table, trimmed};
use super::{Common, Exit};
use crate::clock::Clock;
use crate::schedule::{self, Kind, MAX_CTS, MAX_SPACES, Panel, Paper, Position, Proofs, Schedule};
use crate::store::{self, Reader};
use crate::units::Stamp;

/// The panel schedule and the CT directory, to print and leave at the panel.
///
/// As a page (HTML, black on white) or as a table. With --blank it is a work sheet to fill in by hand before
/// the map exists.
///
/// Parts of a panel stay energised with the main breaker off: opening it is work for a licensed electrician.
#[derive(Debug, clap::Args)]
#[command(after_help = "Examples:
  panelwright schedule
  panelwright schedule --format html --output schedule.html
  panelwright schedule --format html --paper letter --date 2026-05-02 > before.html
  panelwright schedule --blank --spaces 40 --cts 16 --output sheet.html")]
pub(super) struct Args {
    /// The site's id; not needed where there is one site.
    #[arg(long, value_name = "ID", conflicts_with = "blank")]
    site: Option<String>,
    /// The day whose map it shows: a local date, or date and time [default: now]
    #[arg(long, value_name = "TIME", conflicts_with = "blank")]
    date: Option<String>,
    /// How to print.
    #[arg(long, value_enum, default_value_t)]
    format: Form,
    /// The paper that the page is laid out for.
    #[arg(long, value_enum, default_value_t)]
    paper: Sheet,
    /// A file to write instead of standard output; one that ends in .html is a page.
    #[arg(long, short, value_name = "FILE")]
    output: Option<PathBuf>,
    /// An empty work sheet (HTML).
    #[arg(long)]
    blank: bool,
    /// Positions on the work sheet.
    #[arg(long, value_name = "N", default_value_t = 40, requires = "blank",
          value_parser = clap::value_parser!(u16).range(1..=i64::from(MAX_SPACES)))]
    spaces: u16,
    /// Lines for CTs on the work sheet.
    #[arg(long, value_name = "N", default_value_t = 16, requires = "blank",
          value_parser = clap::value_parser!(u16).range(0..=i64::from(MAX_CTS)))]
    cts: u16,
}

#[derive(Clone, Copy, Debug, Default, PartialEq, Eq, ValueEnum)]
enum Form {
    /// For a terminal.
    #[default]
    Table,
    /// A page to print.
    Html,
    /// For programs.
    Json,
    /// The CT directory, for spreadsheets.
    Csv,
}

#[derive(Clone, Copy, Debug, Default, PartialEq, Eq, ValueEnum)]
enum Sheet {
    #[default]
    A4,
    Letter,
}

impl From<Sheet> for Paper {
    fn from(sheet: Sheet) -> Self {
        match sheet {
            Sheet::A4 => Self::A4,
            Sheet::Letter => Self::Letter,
        }
    }
}

/// Runs it.
pub(super) fn run(common: &Common, args: &Args) -> Result<Exit> {
    let text = match answer(common, args) {
        Ok(text) => text?,
        Err(refusal) => return Ok(refusal.say()),
    };
    let mut out = Out::open(args.output.as_deref())?;
    out.put(&text).context("the schedule cannot be written")?;
    out.finish()?;
    Ok(Exit::Fine)
}

fn answer(common: &Common, args: &Args) -> Result<Result<String>, Refusal> {
    if args.blank {
        return Ok(schedule::blank_sheet(args.spaces, args.cts, args.paper.into()).context("the work sheet"));
    }
    let house = House::find(common, args.site.as_deref())?;
    let at = house.time("date", args.date.as_deref())?.unwrap_or_else(|| Clock::wall().now());
    let schedule = schedule::schedule(house.site(), &house.zone, at, &proofs(&house, at)?);
    let page = args.output.as_ref().is_some_and(|path| path.extension().is_some_and(|end| end == "html"));
    Ok(match args.format {
        Form::Html => schedule::html(&schedule, args.paper.into()).context("the page"),
        Form::Table if page => schedule::html(&schedule, args.paper.into()).context("the page"),
        Form::Table => Ok(tables(&schedule)),
        Form::Json => serde_json::to_string_pretty(&schedule).map(|text| text + "\n").context("JSON"),
        Form::Csv => csv(&schedule),
    })
}

/// What load steps have proved, as far as the map of that day still says the same. Before the daemon ran for the
/// first time there is no store, and nothing is proved.
fn proofs(house: &House, at: Stamp) -> Result<Proofs, Refusal> {
    let reader = match Reader::offline(&house.settings.store.directory, &house.sites) {
        Ok(reader) => reader,
        Err(store::Error::Missing { .. }) => return Ok(Proofs::new()),
        Err(error) => return Err(Refusal::of_store(error)),
    };
    let found = reader.proofs(house.index).map_err(Refusal::of_store)?;
    let holding = found.into_iter().filter(|proof| proof.holds(house.site(), at));
    let short = |proof: crate::verify::Proof| {
        let verdict = proof.verdict.kind.words().to_owned();
        (proof.verdict.circuit, schedule::Proof { at: proof.at, verdict })
    };
    Ok(holding.map(short).collect())
}

fn tables(schedule: &Schedule) -> String {
    let mut text = format!(
        "{}: panel schedule as mapped on {}\nService: {}\n",
        plain(&schedule.name),
        schedule.date,
        schedule.service
    );
    for panel in &schedule.panels {
        let rating = if panel.rating.is_empty() { String::new() } else { format!("; {}", panel.rating) };
        text.push_str(&format!("\n{}, fed from {}{rating}\n", plain(&panel.name), plain(&panel.fed_from)));
        text.push_str(&trimmed(&positions(panel)));
        if !panel.unplaced.is_empty() {
            let labels: Vec<_> = panel.unplaced.iter().map(|position| plain(&position.label)).collect();
            text.push_str(&format!("position not on the map: {}\n", labels.join("; ")));
        }
    }
    text.push_str("\nCurrent transformers\n");
    let mut cts = table();
    cts.set_header(["CT", "Measures", "Where", "Leg", "Rating", "Counts", "Since", "Proven"]);
    for ct in &schedule.cts {
        let [measures, place] = [&ct.measures, &ct.place].map(|text| plain(text));
        let line = [&ct.channel, &measures, &place, &ct.leg, &ct.rating, &ct.counts, &ct.since, &ct.proven];
        cts.add_row(line);
    }
    text.push_str(&trimmed(&cts));
    if !schedule.free_inputs.is_empty() {
        text.push_str(&format!("inputs without a circuit: {}\n", schedule.free_inputs.join(", ")));
    }
    text.push_str(
        "\nParts of a panel stay energised with the main breaker off: opening it is work for a licensed electrician.\n",
    );
    text
}

/// Left and right, as in the panel.
fn positions(panel: &Panel) -> Table {
    let mut positions = table();
    positions
        .set_header(["No.", "Circuit", "Breaker", "Leg", "CT", "No.", "Circuit", "Breaker", "Leg", "CT"]);
    let cells = |position: &Position| {
        let (label, breaker, cts) = match position.kind {
            Kind::Circuit => (plain(&position.label), position.breaker.clone(), position.cts.clone()),
            Kind::Pole => ("  further pole".to_owned(), String::new(), String::new()),
            Kind::Spare => ("spare".to_owned(), String::new(), String::new()),
            Kind::Unsaid => ("-".to_owned(), String::new(), String::new()),
        };
        [position.space.to_string(), label, breaker, position.leg.clone(), cts]
    };
    for [left, right] in &panel.rows {
        positions.add_row(cells(left).into_iter().chain(cells(right)));
    }
    positions
}

fn csv(schedule: &Schedule) -> Result<String> {
    let mut writer = csv::Writer::from_writer(Vec::new());
    for ct in &schedule.cts {
        writer.serialize(ct)?;
    }
    Ok(String::from_utf8(writer.into_inner()?)?)
}
