//! `panelwright annotate`

use anyhow::Result;
use clap::Subcommand;
use reqwest::Method;

use super::house::{House, Refusal};
use super::now::client::{Client, Failure};
use super::{Common, Exit, Format, print};
use crate::clock::Clock;
use crate::settings::Settings;
use crate::store::{self, NoteChange, NoteRefused, change_notes};
use crate::units::Stamp;
use crate::web::views::notes::{Annotation, NewAnnotation};

/// Dated notes beside the figures: what was changed in the house, and when.
///
/// A change of a map makes a note by itself. Notes are shown by `panelwright history`. Where the daemon
/// runs they go through its API, else straight to the store.
#[derive(Debug, clap::Args)]
#[command(after_help = "Examples:
  panelwright annotate add \"dryer replaced\" --at 2026-05-02
  panelwright annotate add \"guests\" --at 2026-06-01 --until 2026-06-14
  panelwright annotate list --from 2026-01-01
  panelwright annotate remove 7")]
pub(super) struct Args {
    /// The site's id; not needed where there is one site.
    #[arg(long, global = true, value_name = "ID")]
    site: Option<String>,
    /// How to print.
    #[arg(long, global = true, value_enum, default_value_t)]
    format: Format,
    #[command(subcommand)]
    what: What,
}

#[derive(Debug, Subcommand)]
enum What {
    /// Show the notes with their numbers.
    List {
        /// Those that reach past this: a local date, a local date and time, or RFC 3339.
        #[arg(long, value_name = "TIME")]
        from: Option<String>,
        /// Those that begin before this: the same.
        #[arg(long, value_name = "TIME")]
        to: Option<String>,
    },
    /// Add a note.
    Add {
        /// What it says: one line, up to 300 characters.
        text: String,
        /// When: a local date, a local date and time, or RFC 3339 [default: now]
        #[arg(long, value_name = "TIME")]
        at: Option<String>,
        /// When it ends: the same; without it the note is of a moment.
        #[arg(long, value_name = "TIME")]
        until: Option<String>,
    },
    /// Remove a note.
    Remove {
        /// Its number, as `list` shows it.
        number: i64,
    },
}

/// Runs it.
pub(super) fn run(common: &Common, args: &Args) -> Result<Exit> {
    let printed = match answer(common, args) {
        Ok(notes) => text(args.format, &notes)?,
        Err(refusal) => return Ok(refusal.say()),
    };
    print(&printed).map(|()| Exit::Fine)
}

fn answer(common: &Common, args: &Args) -> Result<Vec<Annotation>, Refusal> {
    let house = House::find(common, args.site.as_deref())?;
    let (zone, index) = (&house.zone, house.index);
    let change = match &args.what {
        What::List { from, to } => {
            let from = house.time("from", from.as_deref())?.unwrap_or(Stamp::MIN);
            let to = house.time("to", to.as_deref())?.unwrap_or(Stamp::MAX);
            let notes = house.reader()?.notes(index, from..to).map_err(Refusal::of_store)?;
            return Ok(notes.iter().map(|note| Annotation::of(zone, note)).collect());
        }
        What::Add { text, at, until } => {
            let new = NewAnnotation { start: at.clone(), end: until.clone(), text: text.clone() };
            // Looked at here too, so that what is wrong is told in the words of the command line.
            let change = new.change(zone, Clock::wall().now()).map_err(Refusal::of_question);
            (Some(new), change.map_err(|refusal| in_own_words(&refusal))?)
        }
        What::Remove { number } => (None, NoteChange::Remove { id: *number }),
    };
    match through_daemon(&house.settings, &house.site().id, &change) {
        Ok(note) => Ok(vec![note]),
        Err(failure) if failure.unreachable => {
            let outcome = change_notes(&house.settings.store.directory, &house.sites, index, &change.1)
                .map_err(held)?;
            let note = outcome.map_err(|refused| Refusal::new(exit_of(&refused), refused))?;
            Ok(vec![Annotation::of(zone, &note)])
        }
        Err(Failure { exit, why, .. }) => Err(Refusal::new(exit, why)),
    }
}

/// The options of `add` have other names than the fields of the API.
fn in_own_words(refusal: &Refusal) -> Refusal {
    let why = refusal.why.replacen("--start:", "--at:", 1).replacen("--end:", "--until:", 1);
    Refusal::new(refusal.exit, why.trim_start_matches("--text: "))
}

fn exit_of(refused: &NoteRefused) -> Exit {
    match refused {
        NoteRefused::Unknown(_) => Exit::Usage,
        NoteRefused::Full => Exit::Short,
        NoteRefused::NoSite => Exit::Away,
    }
}

/// A store that another process holds, though nothing listens at the API's address.
fn held(error: store::Error) -> Refusal {
    match error {
        store::Error::Held { .. } => Refusal::new(
            Exit::Away,
            format!(
                "{error}; a daemon that runs with other settings takes the note: name them with --settings"
            ),
        ),
        other => Refusal::of_store(other),
    }
}

/// Has the running daemon do it, as its store is its own.
fn through_daemon(
    settings: &Settings,
    site: &str,
    (new, change): &(Option<NewAnnotation>, NoteChange),
) -> Result<Annotation, Failure> {
    let client = Client::here(settings)?;
    let runtime = tokio::runtime::Builder::new_current_thread()
        .enable_all()
        .build()
        .map_err(|error| Failure::new(Exit::Short, format!("no runtime: {error}")))?;
    let path = ["api", "sites", site, "annotations"];
    let answer = match (new, change) {
        (_, NoteChange::Remove { id }) => {
            let number = id.to_string();
            let path = [path[0], path[1], path[2], path[3], &number];
            runtime.block_on(client.call(Method::DELETE, &path, None))?
        }
        (new, NoteChange::Add { .. }) => {
            let json =
                serde_json::to_string(new).map_err(|error| Failure::new(Exit::Short, error.to_string()))?;
            runtime.block_on(client.call(Method::POST, &path, Some(json)))?
        }
    };
    serde_json::from_str(&answer)
        .map_err(|error| Failure::new(Exit::Away, format!("the daemon's answer is no note: {error}")))
}

fn text(format: Format, notes: &[Annotation]) -> Result<String> {
    match format {
        Format::Json => Ok(serde_json::to_string_pretty(notes)? + "\n"),
        Format::Csv => {
            let mut writer = csv::Writer::from_writer(Vec::new());
            writer.write_record(["id", "start", "end", "by", "text"])?;
            for note in notes {
                writer.write_record([&note.id.to_string(), &note.start, &note.end, &note.by, &note.text])?;
            }
            Ok(String::from_utf8(writer.into_inner()?)?)
        }
        Format::Table => {
            let mut text = String::new();
            for note in notes {
                let end = if note.end == note.start { String::new() } else { format!(" to {}", note.end) };
                let by = if note.by == "map" { "  (map)" } else { "" };
                let what: String = note.text.chars().filter(|c| !c.is_control()).collect();
                text += &format!("{:>4}  {}{end}{by}  {what}\n", note.id, note.start);
            }
            Ok(if notes.is_empty() { "there are no notes\n".to_owned() } else { text })
        }
    }
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn notes_are_printed_with_their_numbers() {
        let note = |id, end: &str, by: &str, text: &str| Annotation {
            id,
            start: "2026-05-02T00:00:00-06:00".into(),
            end: end.into(),
            by: by.into(),
            text: text.into(),
        };
        let notes = [
            note(3, "2026-05-02T00:00:00-06:00", "map", "Dryer: doubled true -> false"),
            note(12, "2026-05-09T00:00:00-06:00", "person", "guests, \"all week\""),
        ];
        let table = text(Format::Table, &notes).expect("text");
        let expected = "   3  2026-05-02T00:00:00-06:00  (map)  Dryer: doubled true -> false\n  12  \
                        2026-05-02T00:00:00-06:00 to 2026-05-09T00:00:00-06:00  guests, \"all week\"\n";
        assert_eq!(table, expected);
        insta::assert_snapshot!(text(Format::Csv, &notes).expect("text"), @r#"
        id,start,end,by,text
        3,2026-05-02T00:00:00-06:00,2026-05-02T00:00:00-06:00,map,Dryer: doubled true -> false
        12,2026-05-02T00:00:00-06:00,2026-05-09T00:00:00-06:00,person,"guests, ""all week"""
        "#);
        assert_eq!(text(Format::Table, &[]).expect("text"), "there are no notes\n");
    }
}
