//! The channel map: from the text of a file to a validated [`Site`] with dated plans.
//!
//! A map is read in four steps, and every step goes on past what is wrong, so that its author sees all
//! findings at once: the TOML document with a line for each value (`text`), the shape of the file
//! (`shape`), what it refers to (`devices`, `buses`, `circuits`, `feeds`, `overlap`), and the books that
//! follow (`books`, `compile`). What is refused, and why, is one table: [`rules`].

mod books;
mod buses;
mod charging;
mod circuits;
mod compile;
mod counters;
mod dates;
mod devices;
mod factors;
mod feeds;
mod find;
mod findings;
mod fingerprint;
mod form;
mod legs;
mod loading;
mod model;
mod names;
mod overlap;
pub mod rules;
mod shape;
#[cfg(test)]
mod tests;
mod text;
pub mod trade;
mod words;

use jiff::tz::TimeZone;
use toml::de::DeTable;

pub use findings::{Finding, Severity};
pub use fingerprint::{figure_fingerprint, figure_name, fingerprint, hash_of};
pub use legs::{leg_of_space, legs_of_spaces};
pub use loading::{
    CONTINUOUS_AFTER, CONTINUOUS_PART, Ev, First, LEAST_A, Loading, MOST_A, Mode, Sharing, Watch,
};
pub use model::*;

use crate::units::Span;
use findings::{Findings, choice};
use shape::MapShape;
use text::Lines;

/// The map of a large house with long comments is 30 KiB; a file beyond this is not a map.
pub const MAX_FILE: usize = 1 << 20;

/// One for each circuit of the largest panels; a map that accepts more hides more than it shows.
const MAX_ACCEPTS: usize = 128;

/// What a map's file says.
#[derive(Clone, Debug)]
pub struct Parsed {
    /// The site; `None` if any finding is an error.
    pub site: Option<Site>,
    /// Every finding of the reading, by line.
    pub findings: Vec<Finding>,
    /// What the rules of the trade ask about, by line; none where the map is refused.
    pub trade: Vec<Finding>,
}

/// Reads a map. `file` is the name that findings show; nothing is read from disk.
///
/// All findings come at once; only text that is not TOML stops the reading early.
pub fn parse(file: &str, text: &str) -> Parsed {
    let mut findings = Findings::new(file);
    let mut owners = Vec::new();
    let site = read(text, &mut findings, &mut owners).filter(|_| !findings.any_error());
    let mut of_trade = Findings::new(file);
    if let Some(site) = &site {
        trade::check(site, &mut of_trade);
    }
    let accepted = |findings: Findings| accepted(findings.into_list(), site.as_ref(), &owners);
    Parsed { findings: accepted(findings), trade: accepted(of_trade), site }
}

/// Marks the findings that the map accepts with a reason. What makes a map refused cannot be accepted.
fn accepted(mut findings: Vec<Finding>, site: Option<&Site>, owners: &[(usize, String)]) -> Vec<Finding> {
    let Some(site) = site else { return findings };
    for finding in &mut findings {
        let owner = owners.iter().take_while(|(line, _)| *line <= finding.line).last();
        let about = owner.map_or("", |(_, id)| id.as_str());
        finding.accepted = site.accepted(finding.rule, about).map(|accept| accept.reason.clone());
    }
    findings
}

/// The circuit or bus that each line on which one of the map's tables starts begins; empty for other tables.
fn owners(shape: &MapShape) -> Vec<(usize, String)> {
    let named = |line: usize, id: Option<&text::At<String>>| {
        (line, id.map(|id| id.value.clone()).unwrap_or_default())
    };
    let mut owners: Vec<(usize, String)> =
        shape.circuits.iter().map(|circuit| named(circuit.line, circuit.id.as_ref())).collect();
    owners.extend(shape.buses.iter().map(|bus| named(bus.line, bus.id.as_ref())));
    owners.extend(shape.feeds.iter().map(|feed| named(feed.line, feed.bus.as_ref())));
    owners.extend(shape.devices.iter().map(|device| named(device.line, None)));
    owners.extend(shape.accepts.iter().map(|accept| named(accept.line, None)));
    owners.sort();
    owners
}

fn read(text: &str, findings: &mut Findings, tables: &mut Vec<(usize, String)>) -> Option<Site> {
    if text.len() > MAX_FILE {
        let what = format!("the file has {} bytes", text.len());
        findings.add(&rules::FILE_SIZE, 1, what, "name the file of one site's map");
        return None;
    }
    let lines = Lines::new(text);
    let (document, errors) = DeTable::parse_recoverable(text);
    for error in &errors {
        let line = error.span().map_or(1, |span| lines.of(span.start));
        let what = format!("this is not TOML: {}", error.message().trim().replace('\n', ", "));
        findings.add(&rules::SYNTAX, line, what, "mend this line as https://toml.io describes");
    }
    if !errors.is_empty() {
        return None;
    }
    let shape = MapShape::read(document.get_ref(), &lines, findings);
    *tables = owners(&shape);
    Some(site(&shape, findings))
}

/// What the shape says, as far as it can be told; findings decide whether it counts.
fn site(shape: &MapShape, findings: &mut Findings) -> Site {
    let id = names::id(&shape.site, "site", findings).unwrap_or_default();
    let zone = shape.time_zone.as_ref().and_then(|name| dates::zone(name, findings));
    // Without a zone the other dates can still be compared with each other.
    let (zone, time_zone) = zone.unwrap_or((TimeZone::UTC, "UTC".to_owned()));
    let system = system(shape, findings);
    let devices = devices::Devices::read(&shape.devices, &shape.cts(), &zone, findings);
    let buses = buses::read(&shape.buses, &shape.circuits, findings);
    let around = circuits::Around { devices: &devices, buses: &buses, system, zone: &zone };
    let circuits = circuits::read(&shape.circuits, &around, findings);
    let feeds = feeds::read(&shape.feeds, &around, findings);
    overlap::check(&circuits, &feeds, &devices.channels, &buses, findings);
    let counters = devices.counters;
    let main_breaker_a = circuits::amps(&shape.main_breaker_a, "main_breaker_a", findings);
    let mut site = Site {
        name: names::label(&shape.name, &id, findings),
        id,
        time_zone,
        billing_day: billing_day(shape, findings),
        late_window: late_window(shape, findings),
        service: Service { system, main_breaker_a },
        devices: devices.devices,
        channels: devices.channels,
        buses,
        circuits,
        loading: loading::Loading::default(),
        feeds,
        accepts: accepts(shape, findings),
        splits: Vec::new(),
        epochs: Vec::new(),
    };
    site.loading = charging::read(&shape.charging, &site, &site.feeds, findings);
    // Books are drawn up of sound maps only: a circle of buses has none.
    if !findings.any_error() {
        compile::compile(&mut site, &counters, findings);
    }
    site
}

fn system(shape: &MapShape, findings: &mut Findings) -> System {
    let Some(text::At { value, line }) = &shape.system else { return System::SplitPhase120_240 };
    let words = System::ALL.map(System::as_str);
    System::ALL.into_iter().find(|system| system.as_str() == value).unwrap_or_else(|| {
        let what = format!("the system \"{}\" is not known", names::shown(value));
        findings.add(&rules::UNKNOWN_WORD, *line, what, choice("system", value, &words));
        System::SplitPhase120_240
    })
}

fn accepts(shape: &MapShape, findings: &mut Findings) -> Vec<Accept> {
    if let Some(beyond) = shape.accepts.get(MAX_ACCEPTS) {
        let what = format!("the map has {} [[accept]]", shape.accepts.len());
        findings.add(&rules::TOO_MANY, beyond.line, what, "mend what can be mended");
    }
    let accept = |accept: &shape::AcceptShape| {
        let about = accept.circuit.as_ref().or(accept.bus.as_ref());
        let known = about.is_none_or(|about| {
            shape.circuits.iter().any(|circuit| circuit.id.as_ref().is_some_and(|id| id.value == about.value))
                || shape.buses.iter().any(|bus| bus.id.as_ref().is_some_and(|id| id.value == about.value))
                || ["main", "service"].contains(&about.value.as_str())
        });
        if let (false, Some(about)) = (known, about) {
            let what =
                format!("[[accept]] of \"{}\", which is no circuit or bus", names::shown(&about.value));
            findings.add(
                &rules::UNKNOWN_CIRCUIT,
                about.line,
                what,
                "write the id of the circuit, or leave it out",
            );
        }
        if let Some(reason) = &accept.reason
            && reason.value.trim().is_empty()
        {
            let write = "write reason = \"measured by the electrician on 2026-05-02\"";
            findings.add(&rules::BAD_LABEL, reason.line, "[[accept]] has an empty reason", write);
        }
        Some(Accept {
            finding: accept.finding.as_ref()?.value.clone(),
            about: about.map(|about| about.value.clone()),
            reason: accept.reason.as_ref()?.value.clone(),
            line: accept.line,
        })
    };
    shape.accepts.iter().take(MAX_ACCEPTS).filter_map(accept).collect()
}

/// The longest late window, a hundred years: as good as none.
const MAX_LATE_DAYS: i64 = 36_500;

fn late_window(shape: &MapShape, findings: &mut Findings) -> Option<Span> {
    let text::At { value, line } = shape.late_window_days.as_ref()?;
    if !(1..=MAX_LATE_DAYS).contains(value) {
        let what = format!("late_window_days = {value}");
        findings.add(&rules::LATE_WINDOW, *line, what, "write a number of days, 1 to 36500, or leave it out");
        return None;
    }
    Some(Span(value * Span::DAY.0))
}

fn billing_day(shape: &MapShape, findings: &mut Findings) -> u8 {
    let Some(text::At { value, line }) = &shape.billing_day else { return 1 };
    if !(1..=28).contains(value) {
        let what = format!("billing_day = {value}");
        findings.add(
            &rules::BILLING_DAY,
            *line,
            what,
            "write the day of the month of the meter reading, 1 to 28",
        );
        return 1;
    }
    *value as u8
}
