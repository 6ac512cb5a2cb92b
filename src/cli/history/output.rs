//! History onto standard output: tables, JSON, CSV.

use anyhow::Result;
use comfy_table::{CellAlignment, ContentArrangement, Table};

use crate::calendar::{By, Interval, Zone};
use crate::cli::Format;
use crate::history::{Amount, Note, Summary};
use crate::site::{FigureKey, Site};
use crate::units::{Span, Stamp};
use crate::web::history::{Question, TOTALS};
use crate::web::views::notes::Annotation;
use crate::web::written::Written;

/// The answer in that format.
pub(super) fn text(
    format: Format,
    site: &Site,
    question: &Question,
    summaries: &[Summary],
    noted: &[Note],
) -> Result<String> {
    match format {
        Format::Table => Ok(tables(site, question, summaries) + &notes(&question.zone, noted)),
        Format::Json => {
            let body = body_with_notes(site, question, summaries, noted);
            Ok(serde_json::to_string(&body)? + "\n")
        }
        Format::Csv => csv(site, &question.zone, summaries),
    }
}

/// The body of the API.
pub(super) fn body_with_notes<'a>(
    site: &'a Site,
    question: &'a Question,
    summaries: &'a [Summary],
    notes: &[Note],
) -> Written<'a> {
    let mut body = Written::of(site, question, summaries);
    body.annotations = notes.iter().map(|note| Annotation::of(&question.zone, note)).collect();
    body
}

/// The notes of the range, below a table; nothing where there are none.
pub(super) fn notes(zone: &Zone, notes: &[Note]) -> String {
    if notes.is_empty() {
        return String::new();
    }
    let mut table = plain(["note", "from", "to", "by", "what"].map(str::to_owned).to_vec());
    (1..5).for_each(|column| align(&mut table, column, CellAlignment::Left));
    for note in notes {
        let end = if note.end > note.start { label(zone, By::Minute, note.end) } else { String::new() };
        let start = label(zone, By::Minute, note.start);
        // A terminal would obey a control character; the store keeps none that it was not given.
        let text = note.text.chars().filter(|c| !c.is_control()).collect();
        table.add_row([note.id.to_string(), start, end, note.by.as_str().to_owned(), text]);
    }
    format!("\nNotes\n\n{}\n", table.trim_fmt())
}

/// A row a figure and interval; what is not known is empty.
fn csv(site: &Site, zone: &Zone, summaries: &[Summary]) -> Result<String> {
    let mut writer = csv::Writer::from_writer(Vec::new());
    writer.write_record(["site", "start", "end", "seconds", "figure", "id", "kwh", "coverage"])?;
    for summary in summaries {
        let Interval { start, end } = summary.interval;
        let (start, end) = (zone.rfc3339(start), zone.rfc3339(end));
        let seconds = (summary.interval.span().0 / Span::from_seconds(1).0).to_string();
        for (key, _) in &summary.figures {
            let Some((figure, id)) = name(site, *key) else { continue };
            let kwh = summary.kwh(*key).map(|kwh| kwh.to_string()).unwrap_or_default();
            // Six places, rounded down: 1 means all of it.
            let coverage = ((summary.coverage(*key) * 1e6).floor() / 1e6).to_string();
            writer.write_record([&site.id, &start, &end, &seconds, figure, id, &kwh, &coverage])?;
        }
    }
    Ok(String::from_utf8(writer.into_inner()?)?)
}

/// What a figure is called, and the id of what it belongs to.
pub(super) fn name(site: &Site, key: FigureKey) -> Option<(&'static str, &str)> {
    match key {
        FigureKey::Circuit(index) => Some(("circuit", &site.circuits[index].id)),
        FigureKey::BusFeed(index) => Some(("bus feed", &site.buses[index].id)),
        FigureKey::BusUntracked(index) => Some(("bus untracked", &site.buses[index].id)),
        FigureKey::MainsLeg(leg) => Some((
            "mains leg",
            match leg {
                crate::site::Leg::A => "A",
                crate::site::Leg::B => "B",
                crate::site::Leg::C => "C",
            },
        )),
        FigureKey::SelfConsumed => Some(("self-consumed", "")),
        _ => TOTALS.iter().find(|(_, other)| *other == key).map(|(name, _)| (*name, "")),
    }
}

/// The totals by interval, and the circuits over the whole range.
fn tables(site: &Site, question: &Question, summaries: &[Summary]) -> String {
    let zone = &question.zone;
    let totals = totals_table(question, summaries).trim_fmt();
    let mut text = format!(
        "{} ({}), energy in kWh by {}, {}\n\n{totals}\n",
        site.name,
        site.id,
        question.by,
        zone.name()
    );
    if let (Some(first), Some(last)) = (summaries.first(), summaries.last()) {
        let range = Interval { start: first.interval.start, end: last.interval.end };
        let (from, to) = (label(zone, By::Minute, range.start), label(zone, By::Minute, range.end));
        let circuits = circuits_table(site, summaries, range).trim_fmt();
        text += &format!("\nCircuits from {from} to {to}\n\n{circuits}\n");
    }
    if summaries.iter().any(|summary| summary.rederiving) {
        text += "\nThe map was corrected: import, export and the other figures with a sign are being \
                 derived again from\nthe readings, and are not all there yet.\n";
    }
    text += "\nAn energy is that of the time in which it is known; `coverage` says how much of the \
             time that is\n(of the totals: all of them at once). A dash is not known.\n";
    text
}

fn totals_table(question: &Question, summaries: &[Summary]) -> Table {
    // Columns that the map never defines would be dashes from top to bottom.
    let defined =
        |key| summaries.iter().any(|summary| summary.figures.iter().any(|(other, _)| *other == key));
    let columns: Vec<_> =
        TOTALS.iter().filter(|(_, key)| *key != FigureKey::Grid && defined(*key)).copied().collect();
    let names = columns.iter().map(|(name, _)| name.replace('_', "-"));
    let mut table = plain(["start".to_owned(), "coverage".to_owned()].into_iter().chain(names).collect());
    for summary in summaries {
        let start = label(&question.zone, question.by, summary.interval.start);
        let values = columns.iter().map(|(_, key)| number(summary.kwh(*key)));
        table.add_row([start, percent(summary.totals_coverage())].into_iter().chain(values));
    }
    table
}

fn circuits_table(site: &Site, summaries: &[Summary], range: Interval) -> Table {
    let mut table = plain(["circuit", "label", "kWh", "coverage"].map(str::to_owned).to_vec());
    for (index, circuit) in site.circuits.iter().enumerate() {
        let key = FigureKey::Circuit(index);
        let mut total = Amount::default();
        for summary in summaries {
            total += summary.get(key).unwrap_or_default();
        }
        let coverage = percent(total.coverage(range.span()));
        table.add_row([circuit.id.clone(), circuit.latest().label.clone(), number(total.kwh()), coverage]);
    }
    align(&mut table, 1, CellAlignment::Left);
    table
}

pub(super) fn plain(header: Vec<String>) -> Table {
    let mut table = Table::new();
    table.load_style(comfy_table::presets::NOTHING).set_content_arrangement(ContentArrangement::Disabled);
    let columns = header.len();
    table.set_header(header);
    for column in 1..columns {
        align(&mut table, column, CellAlignment::Right);
    }
    table
}

pub(super) fn align(table: &mut Table, column: usize, alignment: CellAlignment) {
    if let Some(column) = table.column_mut(column) {
        column.set_cell_alignment(alignment);
    }
}

/// The start of an interval, as short as its kind allows.
pub(super) fn label(zone: &Zone, by: By, at: Stamp) -> String {
    let text = zone.rfc3339(at);
    match by {
        By::Year => text[..4].to_owned(),
        By::Month => text[..7].to_owned(),
        By::Day | By::Week | By::Billing => text[..10].to_owned(),
        // With the offset: an hour can come twice.
        By::Minute | By::Quarter | By::Hour => format!("{} {} {}", &text[..10], &text[11..16], &text[19..]),
    }
}

pub(super) fn number(kwh: Option<f64>) -> String {
    kwh.map_or_else(|| "-".to_owned(), |kwh| format!("{:.3}", to_watt_hours(kwh)))
}

/// To the decimals that are shown. What rounds to zero has no sign: `-0.000` says nothing.
pub(super) fn to_watt_hours(kwh: f64) -> f64 {
    (kwh * 1e3).round() / 1e3 + 0.0
}

/// In percent, rounded down to a tenth: 100 means all of it.
pub(super) fn percent(share: f64) -> String {
    format!("{:.1} %", (share * 1000.0).floor() / 10.0)
}

#[cfg(test)]
pub(super) mod tests {
    use super::*;
    use crate::flow::Row;
    use crate::history::{Memory, energy};
    use crate::site::{SeriesIndex, parse};
    use crate::units::Energy;

    /// Mains on two legs and a doubled heater, as a map says it.
    pub(in crate::cli::history) fn site() -> Site {
        let map = r#"
            site = "heron-lane"
            name = "Heron Lane farmhouse"
            time_zone = "America/Denver"
            [service]
            system = "split-phase 120/240"
            [[device]]
            id = "house"
            topic = "heron-lane/{channel}"
            unit = "W"
            every_s = 1
            [[feed]]
            bus = "main"
            channels = [ { channel = "house/m1", leg = "A" }, { channel = "house/m2", leg = "B" } ]
            measures = "panel"
            [[circuit]]
            id = "water-heater"
            label = "Heat-pump water heater"
            end_use = "hot water"
            bus = "main"
            spaces = [10, 12]
            breaker_a = 30
            channels = ["house/5"]
            doubled = true
        "#;
        let parsed = parse("heron-lane.toml", map);
        parsed.site.unwrap_or_else(|| panic!("{:?}", parsed.findings))
    }

    /// Two days: the first wholly known, on the second the heater until noon only.
    fn answer() -> (Site, Question, Vec<Summary>) {
        let site = site();
        let range = (Some("2025-03-08"), Some("2025-03-10"));
        let question = Question::read(&site, range.0, range.1, Some("day"), Stamp(0)).expect("a question");
        let zone = &question.zone;
        let at = |text| zone.parse(text).expect("a time");
        let mut memory = Memory::new(zone.clone());
        let series = |name| SeriesIndex(site.channel(name).expect("a channel").0);
        let splits = (0..site.splits.len()).map(|split| (site.split_series(split), 24_000, "2025-03-10"));
        let channels = [
            (series("house/m1"), 12_000, "2025-03-10"),
            (series("house/m2"), 12_000, "2025-03-10"),
            (series("house/5"), 4_500, "2025-03-09T12:00"),
        ];
        for (series, power, until) in channels.into_iter().chain(splits) {
            let mut start = at("2025-03-08");
            while start < at(until) {
                let energy_in = Energy::of(i64::from(power), Span::MINUTE);
                let covered = Span::MINUTE;
                memory.add(series, Row { energy_in, covered, min: power, max: power, ..Row::empty(start) });
                start = start + Span::MINUTE;
            }
        }
        let summaries = energy(&site, zone, &mut memory, &question.intervals);
        let summaries = summaries.unwrap_or_else(|never| match never {});
        (site, question, summaries)
    }

    #[test]
    fn what_rounds_to_zero_has_no_sign() {
        let check = |kwh, expected: &str| assert_eq!(number(kwh), expected);
        check(Some(-0.000_4), "0.000");
        check(Some(-0.0), "0.000");
        check(Some(-0.000_6), "-0.001");
        check(Some(12.345_6), "12.346");
        check(None, "-");
    }

    #[test]
    fn tables_show_the_totals_by_interval_and_the_circuits() {
        let (site, question, summaries) = answer();
        insta::assert_snapshot!(tables(&site, &question, &summaries));
    }

    fn note() -> Note {
        let at = Stamp::from_seconds(1_741_467_000);
        Note { id: 7, start: at, end: at, by: crate::history::NoteBy::Person, text: "anode replaced".into() }
    }

    #[test]
    fn notes_stand_below_the_table() {
        let zone = Zone::new("America/Denver").expect("a zone");
        let long = Note {
            id: 8,
            end: note().end + Span::DAY,
            by: crate::history::NoteBy::Map,
            text: "Dryer: doubled true -> false".into(),
            ..note()
        };
        insta::assert_snapshot!(notes(&zone, &[note(), long]), @r"

        Notes

         note  from                     to                       by      what
         7     2025-03-08 13:50 -07:00                           person  anode replaced
         8     2025-03-08 13:50 -07:00  2025-03-09 14:50 -06:00  map     Dryer: doubled true -> false
        ");
        assert_eq!(notes(&zone, &[]), "");
    }

    #[test]
    fn csv_has_a_row_a_figure_and_interval() {
        let (site, question, summaries) = answer();
        insta::assert_snapshot!(csv(&site, &question.zone, &summaries).expect("CSV"));
    }

    #[test]
    fn json_is_the_body_of_the_api() {
        let (site, question, summaries) = answer();
        let notes = [note()];
        let text = text(Format::Json, &site, &question, &summaries, &notes).expect("JSON");
        let body: crate::web::HistoryBody = serde_json::from_str(&text).expect("the shape");
        assert_eq!(body.intervals.len(), 2);
        assert_eq!(body.intervals[1].seconds, 82_800);
        assert_eq!(body.intervals[0].circuits["water-heater"], Some(21.6));
        assert_eq!(body.annotations, [Annotation::of(&question.zone, &notes[0])]);
        assert!(body.comparison.is_none());
    }

    #[test]
    fn starts_are_as_short_as_they_can_be() {
        let zone = Zone::new("America/Denver").expect("a zone");
        let at = zone.parse("2025-11-02T01:30").expect("a time");
        let check = |by, expected: &str| assert_eq!(label(&zone, by, at), expected);
        check(By::Year, "2025");
        check(By::Month, "2025-11");
        check(By::Billing, "2025-11-02");
        check(By::Hour, "2025-11-02 01:30 -06:00");
    }
}
