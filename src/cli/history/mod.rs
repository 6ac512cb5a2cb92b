//! `panelwright history`

mod channel;
mod compare;
mod output;
mod profile;
mod rank;

use anyhow::Result;

use super::house::{House, Refusal};
use super::{Common, Exit, Format, print};
use crate::calendar::{Against, By};
use crate::clock::Clock;
use crate::history::energy;
use crate::reading::SiteIndex;
use crate::site::{FigureKey, Site};
use crate::store::Reader;
use crate::units::Stamp;
use crate::web::history::Question;
use crate::web::views;

/// Energy per circuit and total, by interval.
///
/// It reads the store itself: the daemon may run meanwhile, or not.
#[derive(Debug, clap::Args)]
#[command(after_help = "Examples:
  panelwright history --from 2025-03-01 --to 2025-04-01 --by day
  panelwright history --from 2025-01-01 --by month --format csv > year.csv
  panelwright history --site heron-lane --from 2025-03-09T06:00 --to 2025-03-09T18:00 --by hour
  panelwright history --from 2025-03-01 --to 2025-04-01 --by month --compare year
  panelwright history --channel house/5 --from 2025-01-01 --by month
  panelwright history --profile --of water-heater
  panelwright history --rank")]
pub(super) struct Args {
    /// The site's id; not needed where there is one site.
    #[arg(long, value_name = "ID")]
    site: Option<String>,
    /// Where it starts: a local date, a local date and time, or RFC 3339 [default: the day of the end]
    #[arg(long, value_name = "TIME")]
    from: Option<String>,
    /// Where it ends, exclusive: the same [default: now]
    #[arg(long, value_name = "TIME")]
    to: Option<String>,
    /// Length of an interval; the range snaps outwards to whole ones.
    #[arg(long, value_name = "INTERVAL", default_value = "day",
          value_parser = clap::builder::PossibleValuesParser::new(By::ALL.map(By::as_str)))]
    by: String,
    /// Show each interval beside that of the time before, or of a week, month or year earlier.
    #[arg(long, value_name = "WITH",
          value_parser = clap::builder::PossibleValuesParser::new(Against::ALL.map(Against::as_str)))]
    compare: Option<String>,
    /// What one CT measured, by its name (device/channel), and whose it was when.
    #[arg(long, value_name = "CHANNEL", conflicts_with_all = ["compare", "profile", "rank", "of"])]
    channel: Option<String>,
    /// The typical day: mean power by time of day and weekday [default range: 28 days]
    #[arg(long, conflicts_with_all = ["compare", "rank"])]
    profile: bool,
    /// Circuits and untracked load by their share: what is worth a CT [default range: 365 days]
    #[arg(long, conflicts_with = "compare")]
    rank: bool,
    /// The figure that a table of --compare or --profile shows: a total, or a circuit by its id.
    #[arg(long, value_name = "FIGURE", conflicts_with = "rank")]
    of: Option<String>,
    /// How to print.
    #[arg(long, value_enum, default_value_t)]
    format: Format,
}

/// Runs it.
pub(super) fn run(common: &Common, args: &Args) -> Result<Exit> {
    match answer(common, args) {
        Ok(text) => print(&text).map(|()| Exit::Fine),
        Err(refusal) => Ok(refusal.say()),
    }
}

fn answer(common: &Common, args: &Args) -> Result<String, Refusal> {
    let house = House::find(common, args.site.as_deref())?;
    let (site, index, reader) = (house.site(), house.index, house.reader());
    let (range, now) = ((args.from.as_deref(), args.to.as_deref()), Clock::wall().now());
    if args.profile {
        let of = figure(site, args)?;
        let mut source = reader?.source(index);
        let (zone, profile) =
            views::profile::read(site, range, None, now, &mut source).map_err(Refusal::of_question)?;
        return printed(match args.format {
            Format::Table => Ok(profile::table(site, &zone, &profile, of)),
            Format::Json => json(&views::profile::body(site, &zone, &profile)),
            Format::Csv => profile::csv(site, &profile),
        });
    }
    if args.rank {
        let mut source = reader?.source(index);
        let (zone, ranking) =
            views::rank::read(site, range, None, now, &mut source).map_err(Refusal::of_question)?;
        let body = views::rank::body(site, &zone, &ranking);
        return printed(match args.format {
            Format::Table => Ok(rank::tables(&site.name, &body)),
            Format::Json => json(&body),
            Format::Csv => rank::csv(&body),
        });
    }
    let question = question(site, args, now)?;
    if let Some(name) = &args.channel {
        let of = views::channel::named(site, name).map_err(Refusal::of_question)?;
        let found = views::channel::read(site, &question, of, &mut reader?.source(index));
        let found = found.map_err(Refusal::of_question)?;
        let body = || views::channel::body(site, &question, of, &found);
        return printed(match args.format {
            Format::Table => Ok(channel::tables(site, &question, of, &found)),
            Format::Json => json(&body()),
            Format::Csv => channel::csv(&body()),
        });
    }
    energies(site, &question, args, (&reader?, index), now)
}

/// Energy by interval, with a comparison where it is asked for.
fn energies(
    site: &Site,
    question: &Question,
    args: &Args,
    (reader, index): (&Reader, SiteIndex),
    now: Stamp,
) -> Result<String, Refusal> {
    let of = figure(site, args)?;
    let mut source = reader.source(index);
    let summaries =
        energy(site, &question.zone, &mut source, &question.intervals).map_err(Refusal::of_store)?;
    let notes = reader.notes(index, question.range()).map_err(Refusal::of_store)?;
    let Some(against) = &args.compare else {
        return printed(output::text(args.format, site, question, &summaries, &notes));
    };
    let (against, pairs, whole) =
        views::compare::pairs(site, question, against, &mut source, &summaries, now)
            .map_err(Refusal::of_question)?;
    let found = compare::Found { against, pairs: &pairs, whole: whole.as_ref() };
    printed(match args.format {
        Format::Table => {
            Ok(compare::tables(site, question, &found, of) + &output::notes(&question.zone, &notes))
        }
        Format::Json => {
            let mut body = output::body_with_notes(site, question, &summaries, &notes);
            let comparison = views::compare::body(site, &question.zone, against, &pairs, whole.as_ref());
            body.comparison = Some(comparison);
            json(&body)
        }
        Format::Csv => compare::csv(site, &question.zone, &found),
    })
}

fn json(body: &impl serde::Serialize) -> Result<String> {
    Ok(serde_json::to_string(body)? + "\n")
}

fn printed(text: Result<String>) -> Result<String, Refusal> {
    text.map_err(|error| Refusal::new(Exit::Short, error))
}

fn figure(site: &Site, args: &Args) -> Result<FigureKey, Refusal> {
    compare::figure(site, args.of.as_deref()).map_err(|why| Refusal::new(Exit::Usage, why))
}

fn question(site: &Site, args: &Args, now: Stamp) -> Result<Question, Refusal> {
    let (from, to) = (args.from.as_deref(), args.to.as_deref());
    Question::read(site, from, to, Some(&args.by), now).map_err(Refusal::of_question)
}

#[cfg(test)]
mod tests {
    use std::sync::Arc;

    use super::*;
    use crate::cli::house::chosen;

    fn sites(ids: &[&str]) -> Vec<Arc<Site>> {
        let of = |id: &&str| {
            let mut site = output::tests::site();
            site.id = (*id).to_owned();
            Arc::new(site)
        };
        ids.iter().map(of).collect()
    }

    #[test]
    fn one_site_needs_no_name_and_several_do() {
        let check = |ids: &[&str], asked, expected: Result<usize, (Exit, &str)>| {
            let found = chosen(&sites(ids), asked);
            match (found, expected) {
                (Ok(found), Ok(expected)) => assert_eq!(found, expected),
                (Err(found), Err((exit, why))) => {
                    assert_eq!(found.exit, exit);
                    assert!(found.why.contains(why), "{}", found.why);
                }
                (found, _) => panic!("{found:?}"),
            }
        };
        check(&["heron-lane"], None, Ok(0));
        check(&["heron-lane", "barn"], Some("barn"), Ok(1));
        check(&["heron-lane", "barn"], None, Err((Exit::Usage, "heron-lane, barn")));
        check(&["heron-lane", "barn"], Some("bran"), Err((Exit::Usage, "no site `bran`")));
        check(&[], None, Err((Exit::Config, "no map")));
    }

    #[test]
    fn a_range_that_makes_no_sense_is_a_wrong_command_line() {
        let args = |from: &str, by: &str| Args {
            site: None,
            from: Some(from.to_owned()),
            to: Some("2025-03-09".to_owned()),
            by: by.to_owned(),
            compare: None,
            channel: None,
            profile: false,
            rank: false,
            of: None,
            format: Format::Table,
        };
        let site = output::tests::site();
        let check = |from, by, expected: &str| {
            let refusal = question(&site, &args(from, by), Stamp(0)).expect_err("refused");
            assert_eq!(refusal.exit, Exit::Usage);
            assert!(refusal.why.contains(expected), "{}", refusal.why);
        };
        check("soon", "day", "--from: `soon`");
        check("2025-03-10", "day", "not after its start");
        check("1999-01-01", "minute", "more than 10200 intervals");
        let hours = question(&site, &args("2025-03-08", "hour"), Stamp(0));
        assert_eq!(hours.map_or(0, |read| read.intervals.len()), 24);
    }
}
