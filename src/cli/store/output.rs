//! What `panelwright store` prints.

use std::path::Path;

use anyhow::{Context as _, Result};
use serde::Serialize;

use crate::calendar::Zone;
use crate::cli::Format;
use crate::store::{Checked, Compacted, Finding, Repaired, Size};

/// The shape of a finding in every answer of the program.
#[derive(Serialize)]
struct FindingReport<'a> {
    id: &'a str,
    severity: &'a str,
    what: &'a str,
    #[serde(rename = "where")]
    place: &'a str,
    since: Option<&'a str>,
    #[serde(rename = "do")]
    remedy: &'a str,
}

fn findings<'a>(findings: &'a [Finding], severity: &'a str) -> Vec<FindingReport<'a>> {
    let report = |finding: &'a Finding| FindingReport {
        id: finding.id,
        severity,
        what: &finding.what,
        place: &finding.place,
        since: finding.since.as_deref(),
        remedy: &finding.remedy,
    };
    findings.iter().map(report).collect()
}

#[derive(Serialize)]
struct CheckReport<'a> {
    file: String,
    sound: bool,
    blocks: u64,
    minutes: u64,
    sums: u64,
    minutes_of_another_map: u64,
    minutes_to_be_counted: u64,
    readings_since: Option<String>,
    minutes_since: Option<String>,
    findings: Vec<FindingReport<'a>>,
    lost: Vec<FindingReport<'a>>,
}

/// What a check found.
pub(super) fn check_text(checked: &Checked, file: &Path, format: Format) -> Result<String> {
    let utc = |at| Zone::utc().rfc3339(at);
    let report = CheckReport {
        file: file.display().to_string(),
        sound: checked.findings.is_empty(),
        blocks: checked.blocks,
        minutes: checked.minutes,
        sums: checked.sums,
        minutes_of_another_map: checked.other_rule,
        minutes_to_be_counted: checked.pending,
        readings_since: checked.readings_since.map(utc),
        minutes_since: checked.minutes_since.map(utc),
        findings: findings(&checked.findings, "error"),
        lost: findings(&checked.lost, "notice"),
    };
    match format {
        Format::Json => json(&report),
        Format::Csv => {
            let rows = report.findings.iter().chain(&report.lost).map(|f| {
                [f.id, f.severity, f.place, f.since.unwrap_or_default(), f.what, f.remedy].map(str::to_owned)
            });
            csv(&["id", "severity", "where", "since", "what", "do"], rows)
        }
        Format::Table => Ok(check_lines(checked, &report)),
    }
}

fn check_lines(checked: &Checked, report: &CheckReport<'_>) -> String {
    let mut text: String = checked.findings.iter().map(|finding| format!("{finding}\n")).collect();
    text.extend(checked.lost.iter().map(|lost| format!("lost: {lost}\n")));
    if checked.other_rule > 0 {
        let count = checked.other_rule;
        text += &format!("{count} minutes of splits were made by another map; they are not shown\n");
    }
    if checked.pending > 0 {
        let count = checked.pending;
        text += &format!("{count} minutes are to be counted again, because readings came late\n");
    }
    for (what, since) in [("readings", &report.readings_since), ("minutes", &report.minutes_since)] {
        if let Some(since) = since {
            text += &format!("{what} before {since} were let go, as the settings say\n");
        }
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
    text
}

#[derive(Serialize)]
struct RepairReport<'a> {
    backup: Option<String>,
    replaced: Option<String>,
    unsaved: &'a [String],
    found: Vec<FindingReport<'a>>,
    left: Vec<FindingReport<'a>>,
    lost: Vec<FindingReport<'a>>,
}

/// What a repair did; `backup` is the copy that was taken before.
pub(super) fn repair_text(repaired: &Repaired, backup: Option<&Path>, format: Format) -> Result<String> {
    let path = |path: &Path| path.display().to_string();
    let report = RepairReport {
        backup: backup.map(path),
        replaced: repaired.replaced.as_deref().map(path),
        unsaved: &repaired.unsaved,
        found: findings(&repaired.found, "error"),
        left: findings(&repaired.after.findings, "error"),
        lost: findings(&repaired.after.lost, "notice"),
    };
    match format {
        Format::Json => json(&report),
        Format::Csv => {
            let all = [("found", &report.found), ("left", &report.left), ("lost", &report.lost)];
            let rows = all.into_iter().flat_map(|(state, list)| {
                list.iter().map(move |f| {
                    [state, f.id, f.place, f.since.unwrap_or_default(), f.what].map(str::to_owned)
                })
            });
            csv(&["state", "id", "where", "since", "what"], rows)
        }
        Format::Table => {
            let mut text = String::new();
            if let Some(backup) = &report.backup {
                text += &format!("as it was before: {backup}\n");
            }
            if let Some(replaced) = &report.replaced {
                text += &format!("rows were saved to a new file; the broken one is {replaced}\n");
            }
            text.extend(report.unsaved.iter().map(|what| format!("lost: {what}\n")));
            text.extend(repaired.found.iter().map(|finding| format!("found: {finding}\n")));
            text.extend(repaired.after.findings.iter().map(|finding| format!("left: {finding}\n")));
            text.extend(repaired.after.lost.iter().map(|finding| format!("lost: {finding}\n")));
            text += &match (repaired.found.len(), repaired.after.findings.len()) {
                (0, 0) => "nothing was wrong\n".to_owned(),
                (1, 0) => "1 thing was wrong; now it is sound\n".to_owned(),
                (found, 0) => format!("{found} things were wrong; now it is sound\n"),
                (found, left) => format!("{found} things were wrong; {left} are left\n"),
            };
            Ok(text)
        }
    }
}

#[derive(Serialize)]
struct CompactReport {
    before_bytes: u64,
    after_bytes: u64,
}

/// What compacting did.
pub(super) fn compact_text(compacted: Compacted, format: Format) -> Result<String> {
    let Compacted { before, after } = compacted;
    match format {
        Format::Json => json(&CompactReport { before_bytes: before, after_bytes: after }),
        Format::Csv => {
            csv(&["before_bytes", "after_bytes"], [[before, after].map(|n| n.to_string())].into_iter())
        }
        Format::Table => Ok(format!("{before} bytes before, {after} after\n")),
    }
}

fn json(report: &impl Serialize) -> Result<String> {
    Ok(serde_json::to_string_pretty(report).context("the report is no JSON")? + "\n")
}

#[derive(Serialize)]
struct SizeReport {
    used_bytes: u64,
    free_bytes: u64,
    log_bytes: u64,
    readings: u64,
    days: u64,
    since: Option<String>,
    minutes_since: Option<String>,
    bytes_per_reading: Option<f64>,
    tables: Vec<TableReport>,
}

#[derive(Serialize)]
struct TableReport {
    table: String,
    bytes: u64,
    bytes_per_reading: Option<f64>,
}

/// How much room there is and what for.
pub(super) fn size_text(size: &Size, format: Format) -> Result<String> {
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
        since: size.since.map(|at| Zone::utc().rfc3339(at)),
        minutes_since: size.minutes_since.map(|at| Zone::utc().rfc3339(at)),
        bytes_per_reading: size.bytes_per_reading(),
        tables: tables.collect(),
    };
    let share = |value: Option<f64>| value.map_or_else(String::new, |value| format!("{value:.3}"));
    match format {
        Format::Json => json(&report),
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
            let (readings, free, log) = (size.readings, size.free, size.log);
            let days =
                if size.days == 1 { "1 UTC day".to_owned() } else { format!("{} UTC days", size.days) };
            // Without borders every line starts with the room that is left to one.
            let lines: String = table.lines().map(|line| format!("{}\n", line.trim())).collect();
            let since = [("readings", &report.since), ("minutes", &report.minutes_since)]
                .into_iter()
                .filter_map(|(what, since)| Some(format!("{what} since {}\n", since.as_ref()?)));
            Ok(format!(
                "{lines}\n{readings} readings of {days}; {free} bytes free in the file, {log} in its log\n{}",
                since.collect::<String>()
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
            minutes_since: None,
        }
    }

    #[test]
    fn size_says_what_for() {
        insta::assert_snapshot!(size_text(&size(), Format::Table).unwrap(), @r"
        table          bytes  bytes a reading
        reading_day   900000            0.562
        quarter       100000            0.062
        all          1000000            0.625

        1600000 readings of 1 UTC day; 8192 bytes free in the file, 0 in its log
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
        checked.findings.push(Finding {
            id: "journal-unreadable",
            what: "its checksum does not match".into(),
            place: "journal, row 7".into(),
            since: Some("2026-03-08T00:00:00Z".into()),
            remedy: "its readings are lost: `store repair` sets it aside".into(),
        });
        insta::assert_snapshot!(text(&checked, Format::Table), @r"
        journal, row 7, 2026-03-08T00:00:00Z: its checksum does not match; its readings are lost: `store repair` sets it aside
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
          "minutes_to_be_counted": 0,
          "readings_since": null,
          "minutes_since": null,
          "findings": [
            {
              "id": "journal-unreadable",
              "severity": "error",
              "what": "its checksum does not match",
              "where": "journal, row 7",
              "since": "2026-03-08T00:00:00Z",
              "do": "its readings are lost: `store repair` sets it aside"
            }
          ],
          "lost": []
        }
        "#);
    }

    #[test]
    fn repair_says_what_was_wrong_and_what_is_lost() {
        let finding = |what: &str| Finding {
            id: "block-unreadable",
            what: what.into(),
            place: "reading_hour, heron-lane house/m1".into(),
            since: Some("2026-03-08T00:00:00-07:00".into()),
            remedy: "what had been made from it before stands".into(),
        };
        let mut repaired = Repaired::default();
        assert_eq!(repair_text(&repaired, None, Format::Table).unwrap(), "nothing was wrong\n");
        repaired.found.push(finding("its checksum does not match"));
        repaired.after.lost.push(finding("set aside, because its checksum does not match"));
        let backup = Path::new("before.db");
        insta::assert_snapshot!(repair_text(&repaired, Some(backup), Format::Table).unwrap(), @r"
        as it was before: before.db
        found: reading_hour, heron-lane house/m1, 2026-03-08T00:00:00-07:00: its checksum does not match; what had been made from it before stands
        lost: reading_hour, heron-lane house/m1, 2026-03-08T00:00:00-07:00: set aside, because its checksum does not match; what had been made from it before stands
        1 thing was wrong; now it is sound
        ");
        let csv = repair_text(&repaired, Some(backup), Format::Csv).unwrap();
        assert!(csv.starts_with("state,id,where,since,what\nfound,block-unreadable,"), "{csv}");
    }
}
