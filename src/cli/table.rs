//! Live figures for people: a table, and a line for logs and pipes.

use std::io::IsTerminal as _;

use comfy_table::{CellAlignment, ContentArrangement, Table};

use crate::web::{Now, SiteInfo};

/// How much of a table's look the output can bear.
#[derive(Clone, Copy, Debug, Default, PartialEq, Eq)]
pub(super) struct Style {
    /// Whether it is a terminal: tables are redrawn in place.
    pub(super) terminal: bool,
    /// Whether escape sequences for colour may be written.
    pub(super) colour: bool,
}

impl Style {
    /// What standard output can bear. `NO_COLOR`, if it is set and not empty, forbids colour.
    #[expect(clippy::disallowed_methods, reason = "NO_COLOR is no setting of the service")]
    pub(super) fn of_stdout() -> Self {
        let terminal = std::io::stdout().is_terminal();
        let forbidden = std::env::var("NO_COLOR").is_ok_and(|value| !value.is_empty());
        Self { terminal, colour: terminal && !forbidden }
    }

    fn bold(self, text: &str) -> String {
        if self.colour { format!("\x1b[1m{text}\x1b[0m") } else { text.to_owned() }
    }

    fn warning(self, text: &str) -> String {
        if self.colour { format!("\x1b[33m{text}\x1b[0m") } else { text.to_owned() }
    }
}

/// The live figures as a table of at most `circuits` circuits, the largest power first.
///
/// Control characters in names and labels are left out: they come from a map, and a terminal would
/// obey them.
pub(super) fn live_table(now: &Now, site: &SiteInfo, circuits: usize, style: Style) -> String {
    let mut totals = table();
    for (name, watts_of, remark) in [
        ("Grid", now.grid_w, direction(now.grid_w)),
        ("Generation", now.generation_w, String::new()),
        ("Consumption", now.consumption_w, String::new()),
        ("  tracked", now.tracked_w, share(now.tracked_w, now.consumption_w)),
        ("  untracked", now.untracked_w, share(now.untracked_w, now.consumption_w)),
    ] {
        totals.add_row([name.to_owned(), watts(watts_of), remark]);
    }
    let ranked = ranked(now, site);
    let mut list = table();
    list.set_header(["Circuit", "W", "Bus"]);
    for circuit in ranked.iter().take(circuits) {
        list.add_row([circuit.label.clone(), circuit.shown(), circuit.bus.clone()]);
    }
    for table in [&mut totals, &mut list] {
        if let Some(column) = table.column_mut(1) {
            column.set_cell_alignment(CellAlignment::Right);
        }
    }
    let mut text = format!("{}  {}\n\n", style.bold(&plain(&site.name)), plain(&now.at));
    text.push_str(&trimmed(&totals));
    text.push('\n');
    text.push_str(&trimmed(&list));
    if ranked.len() > circuits {
        text.push_str(&format!("and {} circuits more\n", ranked.len() - circuits));
    }
    text.push_str(&guidance(now, site, style));
    if !now.unknown.is_empty() {
        let missing = format!("\nwithout a fresh value: {}", plain(&now.unknown.join(", ")));
        text.push_str(&style.warning(&missing));
        text.push('\n');
    }
    text
}

/// What chargers are advised and which breakers carry too much: a line for each, or nothing.
fn guidance(now: &Now, site: &SiteInfo, style: Style) -> String {
    let label = |id: &str| {
        let known = site.circuits.iter().find(|circuit| circuit.id == id);
        plain(known.map_or(id, |circuit| &circuit.label))
    };
    let mut text = String::new();
    for (id, ev) in &now.ev {
        text.push_str(&format!("\nadvice for {} ({}): {}", label(id), plain(&ev.mode), plain(&ev.why)));
    }
    for alert in &now.alerts {
        text.push('\n');
        text.push_str(&style.warning(&format!("{}: {}", plain(&alert.severity), plain(&alert.what))));
    }
    if !text.is_empty() {
        text.push('\n');
    }
    text
}

/// The live figures in one line: the totals, and the three largest circuits.
pub(super) fn live_line(now: &Now, site: &SiteInfo) -> String {
    let mut line = plain(&now.at);
    for (name, watts_of) in [
        ("grid", now.grid_w),
        ("generation", now.generation_w),
        ("consumption", now.consumption_w),
        ("tracked", now.tracked_w),
        ("untracked", now.untracked_w),
    ] {
        let unit = if watts_of.is_some() { " W" } else { "" };
        line.push_str(&format!("  {name} {}{unit}", watts(watts_of)));
    }
    for (id, ev) in &now.ev {
        line.push_str(&format!("  {} {} A", plain(id), ev.available_a));
    }
    let largest: Vec<_> = ranked(now, site)
        .into_iter()
        .filter(|circuit| circuit.watts.is_some_and(|watts| watts.abs() >= 0.5))
        .take(3)
        .map(|circuit| format!("{} {} W", circuit.label, circuit.shown()))
        .collect();
    if !largest.is_empty() {
        line.push_str(&format!("  | {}", largest.join(", ")));
    }
    line
}

/// A circuit as it is shown.
struct Shown {
    label: String,
    bus: String,
    watts: Option<f64>,
    apparent: bool,
}

impl Shown {
    /// Its power; a `~` says that it is a current times a nominal voltage.
    fn shown(&self) -> String {
        let mark = if self.apparent && self.watts.is_some() { "~" } else { "" };
        format!("{mark}{}", watts(self.watts))
    }
}

/// The circuits, the largest power first, generation by its size too; unknown ones last.
fn ranked(now: &Now, site: &SiteInfo) -> Vec<Shown> {
    let mut circuits: Vec<_> = now
        .circuits
        .iter()
        .map(|(id, circuit)| {
            let known = site.circuits.iter().find(|other| other.id == *id);
            Shown {
                label: plain(known.map_or(id.as_str(), |circuit| circuit.label.as_str())),
                bus: plain(known.map_or("", |circuit| circuit.bus.as_str())),
                watts: circuit.w,
                apparent: circuit.apparent,
            }
        })
        .collect();
    let size = |circuit: &Shown| circuit.watts.map_or(-1.0, f64::abs);
    circuits.sort_by(|one, other| size(other).total_cmp(&size(one)));
    circuits
}

pub(super) fn table() -> Table {
    let mut table = Table::new();
    table.load_style(comfy_table::presets::NOTHING).set_content_arrangement(ContentArrangement::Disabled);
    table
}

/// A table's lines without the blanks at their ends.
pub(super) fn trimmed(table: &Table) -> String {
    table.lines().fold(String::new(), |text, line| text + line.trim_end() + "\n")
}

/// Watts without decimals, or the word for not known.
fn watts(watts: Option<f64>) -> String {
    // Adding 0 turns a rounded −0 into 0.
    watts.map_or_else(|| "unknown".to_owned(), |watts| format!("{}", watts.round() + 0.0))
}

fn direction(grid_w: Option<f64>) -> String {
    match grid_w.map(f64::round) {
        Some(grid_w) if grid_w > 0.0 => "import".into(),
        Some(grid_w) if grid_w < 0.0 => "export".into(),
        _ => String::new(),
    }
}

fn share(part: Option<f64>, whole: Option<f64>) -> String {
    match (part, whole) {
        (Some(part), Some(whole)) if whole >= 1.0 => format!("{:.0} %", part / whole * 100.0 + 0.0),
        _ => String::new(),
    }
}

/// Text without control characters.
pub(super) fn plain(text: &str) -> String {
    text.chars().filter(|c| !c.is_control()).collect()
}

#[cfg(test)]
mod tests {
    use super::*;
    use crate::web::{CircuitInfo, CircuitNow};

    /// Invented figures of an invented house.
    fn example() -> (Now, SiteInfo) {
        let circuit = |id: &str, label: &str, bus: &str| CircuitInfo {
            id: id.into(),
            label: label.into(),
            bus: bus.into(),
            spaces: vec![],
            proven: None,
        };
        let site = SiteInfo {
            site: "heron-lane".into(),
            name: "Heron Lane\x1b[2J farmhouse".into(),
            time_zone: "America/Denver".into(),
            circuits: vec![
                circuit("range", "Range", "main"),
                circuit("solar", "Array on the barn roof", "main"),
                circuit("dryer", "Dryer", "main"),
                circuit("welder", "Welder \u{7}outlet", "barn"),
            ],
        };
        let power = |w| CircuitNow { w, apparent: false };
        let now = Now {
            site: "heron-lane".into(),
            at: "2026-02-03T12:00:00-07:00".into(),
            grid_w: Some(-1200.4),
            generation_w: Some(3000.0),
            consumption_w: Some(1799.6),
            tracked_w: Some(1750.0),
            untracked_w: None,
            circuits: [
                ("dryer".to_owned(), power(None)),
                ("range".to_owned(), power(Some(1500.4))),
                ("solar".to_owned(), power(Some(-3000.0))),
                ("welder".to_owned(), CircuitNow { w: Some(-0.2), apparent: true }),
            ]
            .into(),
            unknown: vec!["house/7".into()],
            ..Now::default()
        };
        (now, site)
    }

    #[test]
    fn the_table_ranks_circuits_and_tells_unknown_from_zero() {
        let (now, site) = example();
        insta::assert_snapshot!(live_table(&now, &site, 10, Style::default()));
    }

    #[test]
    fn a_short_table_says_how_much_it_leaves_out() {
        let (now, site) = example();
        let text = live_table(&now, &site, 1, Style { terminal: true, colour: true });
        assert!(text.starts_with("\x1b[1mHeron Lane[2J farmhouse\x1b[0m  "), "{text:?}");
        assert!(text.contains("\nand 3 circuits more\n"), "{text}");
        assert!(text.ends_with("\x1b[33m\nwithout a fresh value: house/7\x1b[0m\n"), "{text:?}");
    }

    #[test]
    fn the_line_has_the_totals_and_the_largest_circuits() {
        let (now, site) = example();
        insta::assert_snapshot!(live_line(&now, &site));
    }
}
