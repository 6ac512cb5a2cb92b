//! `panelwright store`

use std::io::{self, Write as _};
use std::path::{Path, PathBuf};
use std::sync::Arc;

use anyhow::{Context as _, Result};
use clap::Subcommand;
use serde::Serialize;

use super::{Common, Exit, Format};
use crate::settings;
use crate::site::Site;
use crate::store::{self, Checked, FILE_NAME, Size};

/// Care for the embedded store. Works while the daemon runs.
#[derive(Debug, clap::Args)]
#[command(after_help = "Examples:
  panelwright store size
  panelwright store check --format json
  panelwright store backup /mnt/backup/panelwright-2026-11-25.db")]
pub(super) struct Args {
    /// The store's directory [default: `store.directory` of the settings]
    #[arg(long, global = true, value_name = "DIRECTORY")]
    directory: Option<PathBuf>,
    /// How to print.
    #[arg(long, global = true, value_enum, default_value_t)]
    format: Format,
    #[command(subcommand)]
    what: What,
}

#[derive(Debug, Subcommand)]
enum What {
    /// Decode every block, count every minute again from the readings, and add every sum up again.
    Check,
    /// Copy the store to a new file, as it is at this moment, and check the copy.
    Backup {
        /// Where to; there must be nothing yet.
        file: PathBuf,
    },
    /// How much room it takes, and what for.
    Size,
}

/// Runs it.
pub(super) fn run(common: &Common, args: &Args) -> Result<Exit> {
    let settings = match settings::load_here(common.settings.as_deref()) {
        Ok(settings) => settings,
        Err(problems) => {
            eprintln!("{problems}");
            return Ok(Exit::Config);
        }
    };
    let directory = args.directory.clone().unwrap_or(settings.store.directory);
    match &args.what {
        What::Size => {
            print(&size_text(&store::size(&directory)?, args.format)?)?;
            Ok(Exit::Fine)
        }
        What::Check => check(&directory.join(FILE_NAME), &settings.sites, args.format),
        What::Backup { file } => {
            store::backup(&directory, file)?;
            check(file, &settings.sites, args.format)
        }
    }
}

fn check(file: &Path, maps: &Path, format: Format) -> Result<Exit> {
    let (sites, findings) = settings::load_sites(maps);
    for finding in &findings {
        eprintln!("{finding}");
    }
    let sites: Vec<Arc<Site>> = sites.into_iter().map(Arc::new).collect();
    let checked = store::check(file, &sites)?;
    print(&check_text(&checked, file, format)?)?;
    Ok(if checked.findings.is_empty() { Exit::Fine } else { Exit::Short })
}

fn print(text: &str) -> Result<()> {
    match io::stdout().lock().write_all(text.as_bytes()) {
        // Whoever reads has read enough.
        Err(error) if error.kind() == io::ErrorKind::BrokenPipe => Ok(()),
        written => written.context("standard output"),
    }
}

#[derive(Serialize)]
struct CheckReport<'a> {
    file: String,
    sound: bool,
    blocks: u64,
    minutes: u64,
    sums: u64,
    minutes_of_another_map: u64,
    findings: &'a [String],
}

fn check_text(checked: &Checked, file: &Path, format: Format) -> Result<String> {
    let report = CheckReport {
        file: file.display().to_string(),
        sound: checked.findings.is_empty(),
        blocks: checked.blocks,
        minutes: checked.minutes,
        sums: checked.sums,
        minutes_of_another_map: checked.other_rule,
        findings: &checked.findings,
    };
    match format {
        Format::Json => Ok(serde_json::to_string_pretty(&report).context("the report is no JSON")? + "\n"),
        Format::Csv => {
            let findings = checked.findings.iter().map(|what| [what.as_str()]);
            csv(&["finding"], findings)
        }
        Format::Table => {
            let mut text: String = checked.findings.iter().map(|what| format!("{what}\n")).collect();
            if checked.other_rule > 0 {
                let count = checked.other_rule;
                text += &format!("{count} minutes of splits were made by another map; they are not shown\n");
            }
            let verdict = match checked.findings.len() {
                0 => "sound".to_owned(),
                1 => "1 thing is wrong".to_owned(),
                many => format!("{many} things are wrong"),
            };
            let (blocks, minutes, sums) = (checked.blocks, checked.minutes, checked.sums);
            text += &format!(
                "{}: {verdict}; {blocks} blocks decoded, {minutes} minutes counted, {sums} sums added up\n",
                report.file
            );
            Ok(text)
        }
    }
}

#[derive(Serialize)]
struct SizeReport {
    used_bytes: u64,
    free_bytes: u64,
    log_bytes: u64,
    readings: u64,
    days: u64,
    bytes_per_reading: Option<f64>,
    tables: Vec<TableReport>,
}

#[derive(Serialize)]
struct TableReport {
    table: String,
    bytes: u64,
    bytes_per_reading: Option<f64>,
}

fn size_text(size: &Size, format: Format) -> Result<String> {
    let per_reading = |bytes: u64| (size.readings > 0).then(|| bytes as f64 / size.readings as f64);
    let tables = size.parts.iter().map(|part| TableReport {
        table: part.name.clone(),
        bytes: part.bytes,
        bytes_per_reading: per_reading(part.bytes),
    });
    let report = SizeReport {
        used_bytes: size.used,
        free_bytes: size.free,
        log_bytes: size.log,
        readings: size.readings,
        days: size.days,
        bytes_per_reading: size.bytes_per_reading(),
        tables: tables.collect(),
    };
    let share = |value: Option<f64>| value.map_or_else(String::new, |value| format!("{value:.3}"));
    match format {
        Format::Json => Ok(serde_json::to_string_pretty(&report).context("the report is no JSON")? + "\n"),
        Format::Csv => {
            let rows = report
                .tables
                .iter()
                .map(|row| [row.table.clone(), row.bytes.to_string(), share(row.bytes_per_reading)]);
            csv(&["table", "bytes", "bytes_per_reading"], rows)
        }
        Format::Table => {
            let mut table = comfy_table::Table::new();
            table.load_style(comfy_table::presets::NOTHING);
            table.set_header(["table", "bytes", "bytes a reading"]);
            for row in &report.tables {
                table.add_row([row.table.clone(), row.bytes.to_string(), share(row.bytes_per_reading)]);
            }
            table.add_row(["all".to_owned(), size.used.to_string(), share(report.bytes_per_reading)]);
            for column in 1..3 {
                if let Some(column) = table.column_mut(column) {
                    column.set_cell_alignment(comfy_table::CellAlignment::Right);
                }
            }
            let (readings, days, free, log) = (size.readings, size.days, size.free, size.log);
            // Without borders every line starts with the room that is left to one.
            let lines: String = table.lines().map(|line| format!("{}\n", line.trim())).collect();
            Ok(format!(
                "{lines}\n{readings} readings of {days} UTC days; {free} bytes free in the file, {log} in its log\n"
            ))
        }
    }
}

fn csv<R: AsRef<[u8]>, const N: usize>(
    head: &[&str; N],
    rows: impl Iterator<Item = [R; N]>,
) -> Result<String> {
    let mut writer = csv::Writer::from_writer(Vec::new());
    writer.write_record(head)?;
    for row in rows {
        writer.write_record(row)?;
    }
    String::from_utf8(writer.into_inner()?).context("the report is no text")
}

#[cfg(test)]
mod tests {
    use super::*;
    use crate::store::Part;

    fn size() -> Size {
        let part = |name: &str, bytes| Part { name: name.into(), bytes };
        Size {
            parts: vec![part("reading_day", 900_000), part("quarter", 100_000)],
            used: 1_000_000,
            free: 8192,
            log: 0,
            readings: 1_600_000,
            days: 1,
            since: None,
        }
    }

    #[test]
    fn size_says_what_for() {
        insta::assert_snapshot!(size_text(&size(), Format::Table).unwrap(), @r"
        table          bytes  bytes a reading
        reading_day   900000            0.562
        quarter       100000            0.062
        all          1000000            0.625

        1600000 readings of 1 UTC days; 8192 bytes free in the file, 0 in its log
        ");
        insta::assert_snapshot!(size_text(&size(), Format::Csv).unwrap(), @r"
        table,bytes,bytes_per_reading
        reading_day,900000,0.562
        quarter,100000,0.062
        ");
    }

    #[test]
    fn check_says_what_is_wrong() {
        let mut checked = Checked { blocks: 12, minutes: 3600, sums: 40, ..Checked::default() };
        let text =
            |checked: &Checked, format| check_text(checked, Path::new("panelwright.db"), format).unwrap();
        let sound = "panelwright.db: sound; 12 blocks decoded, 3600 minutes counted, 40 sums added up\n";
        assert_eq!(text(&checked, Format::Table), sound);
        checked.findings.push("journal 7: its checksum does not match".into());
        insta::assert_snapshot!(text(&checked, Format::Table), @r"
        journal 7: its checksum does not match
        panelwright.db: 1 thing is wrong; 12 blocks decoded, 3600 minutes counted, 40 sums added up
        ");
        insta::assert_snapshot!(text(&checked, Format::Json), @r#"
        {
          "file": "panelwright.db",
          "sound": false,
          "blocks": 12,
          "minutes": 3600,
          "sums": 40,
          "minutes_of_another_map": 0,
          "findings": [
            "journal 7: its checksum does not match"
          ]
        }
        "#);
    }
}
