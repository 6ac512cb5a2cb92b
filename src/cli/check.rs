//! `panelwright check`

use anyhow::{Context as _, Result};
use serde::Serialize;

use super::{Common, Exit, Format, print};
use crate::clock::Clock;
use crate::publish::Options;
use crate::publish::announce::{self, Fault, Rendered};
use crate::settings::{self, Place, Problem};
use crate::site::{Finding, Severity, Site};

/// Settings and every site's map: all errors and findings with file and line.
///
/// Warnings are shown and do not fail.
#[derive(Debug, clap::Args)]
#[command(after_help = "Examples:
  panelwright check
  panelwright check --settings /etc/panelwright/panelwright.toml --format json
  panelwright check --announcements")]
pub(super) struct Args {
    /// How to print.
    #[arg(long, value_enum, default_value_t)]
    format: Format,
    /// Show every announcement of the settings as it would be published for each site.
    #[arg(long)]
    announcements: bool,
}

/// One problem of the settings or one finding of a map.
#[derive(Debug, PartialEq, Eq, Serialize)]
struct Line {
    severity: String,
    /// The map's rule that it breaks; `settings` where it is none of a map.
    rule: &'static str,
    /// The file or the variable.
    file: String,
    line: Option<usize>,
    what: String,
    why: String,
    write: String,
    /// The clause of the standard that it goes by.
    source: Option<&'static str>,
    /// Why the map's owner takes it as it is.
    accepted: Option<String>,
}

/// All that was checked.
#[derive(Debug, Serialize)]
struct Report {
    errors: usize,
    warnings: usize,
    settings: Option<String>,
    sites: Vec<String>,
    findings: Vec<Line>,
    /// Only where they were asked for.
    #[serde(skip_serializing_if = "Option::is_none")]
    announcements: Option<Vec<Announced>>,
}

/// A message as it would be published.
#[derive(Debug, PartialEq, Eq, Serialize)]
struct Announced {
    site: String,
    topic: String,
    payload: String,
}

/// Runs it.
pub(super) fn run(common: &Common, args: &Args) -> Result<Exit> {
    let report = report(common, args.announcements);
    let text = match args.format {
        Format::Table => table(&report),
        Format::Json => serde_json::to_string_pretty(&report).context("the report is no JSON")? + "\n",
        Format::Csv => csv(&report).context("the report is no CSV")?,
    };
    print(&text)?;
    Ok(if report.errors > 0 { Exit::Config } else { Exit::Fine })
}

fn report(common: &Common, announcements: bool) -> Report {
    let checked = settings::check_here(common.settings.as_deref());
    let mut findings: Vec<_> = checked.problems.0.into_iter().map(Line::from).collect();
    // Without a settings file there is no directory of maps either: one complaint is enough.
    let (sites, of_maps) = checked.sites.as_deref().map(settings::load_sites).unwrap_or_default();
    findings.extend(of_maps.into_iter().map(Line::from));
    let publish = checked.settings.as_ref().map(|settings| Options::from_settings(&settings.publish));
    let (announced, faults) = publish.map(|options| announced(&options, &sites)).unwrap_or_default();
    findings.extend(faults.into_iter().map(Line::from));
    let count = |severity: Severity| {
        let severity = severity.to_string();
        findings.iter().filter(|line| line.severity == severity && line.accepted.is_none()).count()
    };
    Report {
        errors: count(Severity::Error),
        warnings: count(Severity::Warning),
        settings: checked.file.map(|file| file.display().to_string()),
        sites: sites.into_iter().map(|site| site.id).collect(),
        findings,
        announcements: announcements.then_some(announced),
    }
}

/// What would be announced of the sites, and what is wrong with the templates.
fn announced(options: &Options, sites: &[Site]) -> (Vec<Announced>, Vec<Fault>) {
    let (mut all, now) = (Vec::new(), Clock::wall().now());
    // A template that does not even parse is told once, not for each site.
    let mut faults: Vec<_> = options.announce.iter().flat_map(|announce| announce.faults()).collect();
    for site in sites {
        let (rendered, wrong) = announce::render(options, site, now);
        let site =
            |one: Rendered| Announced { site: site.id.clone(), topic: one.topic, payload: one.payload };
        all.extend(rendered.into_iter().map(site));
        for fault in wrong {
            if !faults.contains(&fault) {
                faults.push(fault);
            }
        }
    }
    (all, faults)
}

impl From<Fault> for Line {
    fn from(fault: Fault) -> Self {
        Self {
            severity: Severity::Error.to_string(),
            rule: "announcement",
            file: fault.file,
            line: Some(fault.line),
            what: fault.what,
            why: String::new(),
            write: fault.write,
            source: None,
            accepted: None,
        }
    }
}

impl From<Problem> for Line {
    fn from(problem: Problem) -> Self {
        let (file, line) = match problem.place {
            Place::File { file, line } => (file, Some(line)),
            place => (place.to_string(), None),
        };
        Self {
            severity: Severity::Error.to_string(),
            rule: "settings",
            file,
            line,
            what: problem.what,
            why: String::new(),
            write: problem.hint,
            source: None,
            accepted: None,
        }
    }
}

impl From<Finding> for Line {
    fn from(finding: Finding) -> Self {
        Self {
            severity: finding.severity.to_string(),
            rule: finding.rule,
            file: finding.file,
            line: Some(finding.line),
            what: finding.what,
            why: finding.why,
            write: finding.write,
            source: finding.source,
            accepted: finding.accepted,
        }
    }
}

/// A line a finding, as compilers print them so that editors jump there, and a sum.
fn table(report: &Report) -> String {
    let mut text = String::new();
    for Announced { topic, payload, .. } in report.announcements.iter().flatten() {
        text.push_str(&format!("{topic}\n    {}\n", payload.trim_end().replace('\n', "\n    ")));
    }
    for Line { severity, file, line, what, why, write, source, accepted, rule } in &report.findings {
        let line = line.map(|line| format!(":{line}")).unwrap_or_default();
        let why = if why.is_empty() { String::new() } else { format!("; {why}") };
        let source = source.map(|source| format!(" ({source})")).unwrap_or_default();
        let end = match accepted {
            Some(reason) => format!("accepted: {reason}"),
            None => write.clone(),
        };
        text.push_str(&format!("{file}{line}: {severity}: {what}{why}{source}; {end} [{rule}]\n"));
    }
    if report.findings.iter().any(|line| line.source.is_some()) {
        text.push_str(
            "Clauses are of the National Electrical Code or IEC standards; the code in force where the house stands, and \
             the licensed electrician who answers for the work, decide.\n",
        );
    }
    let accepted = report.findings.iter().filter(|line| line.accepted.is_some()).count();
    let plural = |count: usize, word: &str| format!("{count} {word}{}", if count == 1 { "" } else { "s" });
    text.push_str(&format!(
        "{}, {}{}; good maps: {}\n",
        plural(report.errors, "error"),
        plural(report.warnings, "warning"),
        if accepted > 0 { format!(", {accepted} accepted") } else { String::new() },
        if report.sites.is_empty() { "none".to_owned() } else { report.sites.join(", ") },
    ));
    text
}

fn csv(report: &Report) -> Result<String> {
    let mut writer = csv::WriterBuilder::new().has_headers(false).from_writer(Vec::new());
    writer
        .write_record(["severity", "rule", "file", "line", "what", "why", "write", "source", "accepted"])?;
    for line in &report.findings {
        writer.serialize(line)?;
    }
    Ok(String::from_utf8(writer.into_inner()?)?)
}

#[cfg(test)]
#[expect(clippy::disallowed_methods, reason = "the tests write the files that are checked")]
mod tests {
    use super::*;

    fn checked(settings: &str, map: Option<&str>) -> (tempfile::TempDir, Report) {
        let directory = tempfile::tempdir().expect("a temporary directory");
        let file = directory.path().join("panelwright.toml");
        std::fs::create_dir(directory.path().join("sites")).expect("mkdir");
        std::fs::write(&file, settings).expect("write");
        if let Some(map) = map {
            std::fs::write(directory.path().join("sites/heron-lane.toml"), map).expect("write");
        }
        let report = report(&Common { settings: Some(file) }, true);
        (directory, report)
    }

    #[test]
    fn the_shipped_settings_and_map_are_good() {
        let report = report(&Common { settings: Some("config/panelwright.toml".into()) }, false);
        assert_eq!(report.errors, 0, "{}", table(&report));
        assert_eq!(report.sites, ["heron-lane"]);
    }

    #[test]
    fn problems_of_settings_and_maps_come_together() {
        let (directory, report) = checked("[web]\nlisen = \"x\"\n", Some("site = 5\n"));
        assert!(report.errors > 1 && report.sites.is_empty());
        let text = table(&report).replace(&directory.path().display().to_string(), "here");
        let first =
            "here/panelwright.toml:2: error: web.lisen is no setting; did you mean web.listen? [settings]\n";
        assert!(text.starts_with(first), "{text}");
        assert!(text.contains("here/sites/heron-lane.toml:1: error: "), "{text}");
        assert!(text.ends_with("; good maps: none\n"), "{text}");
    }

    #[test]
    fn announcements_are_shown_and_their_faults_have_file_and_line() {
        let map = include_str!("../../config/sites/heron-lane.toml");
        let settings = "[[announce]]\nfor = \"circuit\"\ntopic = \"hub/{{ site.id }}/{{ circuit.id }}\"\n\
                        payload = \"\"\"\n{\"label\": {{ circuit.label|json }}}\n\"\"\"\n";
        let (_directory, report) = checked(settings, Some(map));
        let text = table(&report);
        assert_eq!(report.errors, 0, "{text}");
        assert!(
            text.contains("hub/heron-lane/water-heater\n    {\"label\": \"Heat-pump water heater\"}\n"),
            "{text}"
        );
        let (directory, report) = checked(&settings.replace("circuit.label", "circuit.labl"), Some(map));
        let text = table(&report).replace(&directory.path().display().to_string(), "here");
        assert!(
            text.contains("here/panelwright.toml:5: error: for site heron-lane: the template fails"),
            "{text}"
        );
        assert_eq!(report.errors, 1);
    }

    #[test]
    fn programs_get_the_same() {
        let (_directory, report) = checked("[web]\nlisen = \"x\"\n", None);
        let json = serde_json::to_value(&report).expect("JSON");
        assert_eq!(json["errors"], 2);
        assert_eq!(json["findings"][0]["rule"], "settings");
        assert_eq!(json["findings"][0]["line"], 2);
        assert_eq!(json["findings"][1]["rule"], "no-map");
        let csv = csv(&report).expect("CSV");
        assert_eq!(csv.lines().count(), 3, "{csv}");
        assert!(csv.lines().nth(1).is_some_and(|line| line.starts_with("error,settings,")), "{csv}");
    }
}
