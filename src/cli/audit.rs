//! `panelwright audit`

use std::fmt::Write as _;
use std::path::Path;

use anyhow::Result;

use super::house::{House, Refusal};
use super::{Common, Exit, Format, print};
use crate::clock::Clock;
use crate::web::views::audit::{AuditBody, AuditFinding, body, read};

/// Is the map true? Holds the kept readings against it, and names the lines to change.
///
/// It reads the store itself: the daemon may run meanwhile, or not. It ends with status 1 if there is a finding
/// that the map does not accept.
#[derive(Debug, clap::Args)]
#[command(after_help = "Examples:
  panelwright audit
  panelwright audit heron-lane --from 2025-03-01 --to 2025-03-08
  panelwright audit --format json")]
pub(super) struct Args {
    /// The site's id; not needed where there is one site.
    #[arg(value_name = "SITE")]
    site: Option<String>,
    /// Where it starts: a local date, a local date and time, or RFC 3339 [default: a day before the end, or a week where no device sends oftener than twice a minute]
    #[arg(long, value_name = "TIME")]
    from: Option<String>,
    /// Where it ends, exclusive: the same [default: now]
    #[arg(long, value_name = "TIME")]
    to: Option<String>,
    /// How to print.
    #[arg(long, value_enum, default_value_t)]
    format: Format,
}

/// Runs it.
pub(super) fn run(common: &Common, args: &Args) -> Result<Exit> {
    match answer(common, args) {
        Ok((text, exit)) => print(&text).map(|()| exit),
        Err(refusal) => Ok(refusal.say()),
    }
}

fn answer(common: &Common, args: &Args) -> Result<(String, Exit), Refusal> {
    let house = House::find(common, args.site.as_deref())?;
    let site = house.site();
    let range = (args.from.as_deref(), args.to.as_deref());
    let mut source = house.reader()?.source(house.index);
    let now = Clock::wall().now();
    let (zone, report) = read(site, range, now, &mut source).map_err(Refusal::of_question)?;
    let body = body(&zone, &report, now);
    let exit = if report.open().next().is_some() { Exit::Short } else { Exit::Fine };
    let text = match args.format {
        Format::Table => Ok(page(&body, &file(&house.settings.sites, &site.id))),
        Format::Json => serde_json::to_string(&body).map(|text| text + "\n").map_err(anyhow::Error::from),
        Format::Csv => table(&body),
    };
    text.map(|text| (text, exit)).map_err(|error| Refusal::new(Exit::Short, error))
}

/// The map's file as people call it.
fn file(directory: &Path, site: &str) -> String {
    directory.join(format!("{site}.toml")).display().to_string()
}

fn page(body: &AuditBody, file: &str) -> String {
    let mut text = String::new();
    let span = match (&body.start, &body.end) {
        (Some(start), Some(end)) => format!("readings from {start} to {end}"),
        _ => "no readings".to_owned(),
    };
    let _ = writeln!(text, "{}: {span}\n{}.", body.site, body.summary);
    for why in &body.silent {
        let _ = writeln!(text, "{why}.");
    }
    for finding in &body.findings {
        text.push('\n');
        one(&mut text, finding, file);
    }
    let unclear: Vec<_> = body
        .channels
        .iter()
        .filter(|channel| !["proven", "faulty"].contains(&channel.state.as_str()))
        .collect();
    if !unclear.is_empty() {
        let _ = writeln!(text, "\nNot proven:");
        for channel in unclear {
            let _ = writeln!(
                text,
                "  {} ({}): {}, {:.0} changes",
                channel.circuit, channel.channel, channel.state, channel.events
            );
        }
    }
    text
}

fn one(text: &mut String, finding: &AuditFinding, file: &str) {
    let _ =
        writeln!(text, "{file}:{}: {}: {} [{}]", finding.line, finding.severity, finding.what, finding.id);
    if let Some(reason) = &finding.accepted {
        let _ = writeln!(text, "  accepted: {reason}");
    }
    let _ = writeln!(text, "  {}; confidence {:.0} %", finding.evidence, 100.0 * finding.confidence);
    for bars in &finding.picture {
        let _ = writeln!(text, "  {:>8} {}", bars.name, bars.text);
    }
    let _ = writeln!(text, "  do: {}", finding.advice);
    for edit in &finding.edits {
        let place = match (edit.last + 1).cmp(&edit.first) {
            std::cmp::Ordering::Greater if edit.first == edit.last => format!("line {}", edit.first),
            std::cmp::Ordering::Greater => format!("lines {} to {}", edit.first, edit.last),
            _ => format!("after line {}", edit.last),
        };
        if edit.lines.is_empty() {
            let _ = writeln!(text, "    {place}: take it out");
        }
        for line in &edit.lines {
            let _ = writeln!(text, "    {place}: {line}");
        }
    }
    let _ = writeln!(text, "  certain by: {}", finding.certain);
}

fn table(body: &AuditBody) -> Result<String> {
    let mut writer = csv::Writer::from_writer(Vec::new());
    writer.write_record([
        "id",
        "severity",
        "what",
        "where",
        "line",
        "confidence",
        "evidence",
        "do",
        "accepted",
    ])?;
    for finding in &body.findings {
        let (line, confidence) = (finding.line.to_string(), finding.confidence.to_string());
        let accepted = finding.accepted.as_deref().unwrap_or_default();
        writer.write_record([
            &*finding.id,
            &finding.severity,
            &finding.what,
            &finding.place,
            &line,
            &confidence,
            &finding.evidence,
            &finding.advice,
            accepted,
        ])?;
    }
    Ok(String::from_utf8(writer.into_inner()?)?)
}
