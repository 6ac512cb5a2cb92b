//! A reader in Python, written from `docs/store.md` alone, against what the program itself gives.

use std::process::{Command, Stdio};

use panelwright::history::{Level, Source as _};
use panelwright::reading::SiteIndex;
use panelwright::store::{Keep, Reader};

use super::house::{self, CHANNELS, Open, at};
use crate::harness::{Setup, require};

/// The interpreter that `tests/run` prepared, else any.
fn python() -> String {
    std::env::var("ORACLE_PYTHON").unwrap_or_else(|_| "python3".to_owned())
}

#[test]
fn a_reader_written_from_the_format_page_gets_the_same_readings_minutes_and_sums() {
    if !require(&python()) {
        return;
    }
    let ready = Command::new(python()).args(["-c", "import pcodec"]).stderr(Stdio::null()).status();
    if !ready.is_ok_and(|status| status.success()) {
        let missing = "Python lacks the package `pcodec` (tests/run installs tests/oracle/requirements.txt)";
        assert!(std::env::var_os("CI").is_none(), "{missing}");
        eprintln!("skipped: {missing}");
        return;
    }
    let house = Setup::new("mqtt://127.0.0.1:1").site("heron-lane", house::MAP).lay_out();
    // A day that is over and joined, an open one, and a journal; some readings came late.
    let mut open = Open::at(&house.store(), &[], Keep::default());
    open.run(79_200..93_700, 300);
    open.seal(93_600);
    let mut late = house::readings(80_000..80_060);
    late.iter_mut().for_each(|reading| reading.sample.at = reading.sample.at + panelwright::units::Span(3));
    open.late(late);
    open.flush();

    let file = house.store().join(panelwright::store::FILE_NAME);
    let script = concat!(env!("CARGO_MANIFEST_DIR"), "/tests/oracle/read_store.py");
    let output = Command::new(python()).arg(script).arg(&file).output().expect("python starts");
    assert!(output.status.success(), "{}", String::from_utf8_lossy(&output.stderr));
    let said: Vec<serde_json::Value> = String::from_utf8(output.stdout)
        .expect("text")
        .lines()
        .map(|line| serde_json::from_str(line).expect("JSON"))
        .collect();
    let of = |series: &str, what: &str| -> Vec<Vec<Option<i64>>> {
        let line = said.iter().find(|line| line["series"] == series && line.get(what).is_some());
        let list =
            line.unwrap_or_else(|| panic!("nothing of {what} of {series}"))[what].as_array().expect("a list");
        let row =
            |row: &serde_json::Value| row.as_array().expect("a row").iter().map(|v| v.as_i64()).collect();
        list.iter().map(row).collect()
    };

    let kept = house::kept(&house.store());
    for (channel, name) in CHANNELS.iter().enumerate() {
        let ours: Vec<_> = kept[channel].iter().map(|s| vec![Some(s.at.0), Some(s.value)]).collect();
        assert!(ours.len() > 2_900, "{}", ours.len());
        assert!(of(name, "readings") == ours, "the readings of {name}");
    }
    let site = house::site();
    let reader = Reader::offline(&house.store(), std::slice::from_ref(&site)).expect("a store");
    let sealed = at(93_600);
    let mut compared = 0;
    for (level, what) in [(Level::Minute, "minutes"), (Level::Quarter, "quarters"), (Level::Hour, "hours")] {
        let rows = reader.source(SiteIndex(0)).rows(level, at(0)..sealed).expect("rows");
        for index in 0..site.series_len() {
            let series = panelwright::site::SeriesIndex(index as u32);
            let ours: Vec<_> = rows
                .iter()
                .filter(|(of, _)| *of == series)
                .map(|(_, row)| {
                    let seen = row.covered.0 > 0;
                    let energies = [row.start.0, row.energy_in.0, row.energy_out.0, row.covered.0];
                    let ends = [row.min, row.max].map(|power| seen.then_some(i64::from(power)));
                    energies.map(Some).into_iter().chain(ends).collect::<Vec<_>>()
                })
                .collect();
            let mut theirs = of(&site.series_name(series), what);
            theirs.retain(|row| row[0].is_some_and(|start| start < sealed.0));
            // Of what is not covered the lowest and highest mean nothing.
            theirs.iter_mut().filter(|row| row[3] == Some(0)).for_each(|row| row[4..].fill(None));
            compared += ours.len();
            assert!(theirs == ours, "{what} of {}", site.series_name(series));
        }
    }
    assert!(compared > 1_700, "{compared}");

    // And what the command shows of it: the grid's minutes are those of the split.
    let (status, text, error) = house.run(&[
        "history",
        "--format",
        "json",
        "--by",
        "minute",
        "--from",
        "2026-03-08T23:00:00Z",
        "--to",
        "2026-03-09T01:00:00Z",
    ]);
    assert_eq!((status, error.as_str()), (0, ""));
    let shown: serde_json::Value = serde_json::from_str(&text).expect("JSON");
    let from = at(82_800).0;
    let grid = of("split:grid", "minutes");
    let intervals = shown["intervals"].as_array().expect("a list");
    assert_eq!(intervals.len(), 120);
    for (index, interval) in intervals.iter().enumerate() {
        let start = Some(from + index as i64 * 600);
        let row = grid.iter().find(|row| row[0] == start).expect("the same minute");
        for (column, figure) in [(1, "import_kwh"), (2, "export_kwh")] {
            let theirs = row[column].expect("a number") as f64 / 360_000_000.0;
            let ours = interval[figure].as_f64().expect("a number");
            assert!((ours - theirs).abs() < 1e-6, "minute {index}: {figure} {ours}, and {theirs}");
        }
    }
}
