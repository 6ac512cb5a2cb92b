//! Energy by interval as CSV: a row an interval, two columns a figure.

use super::figures::columns;
use crate::calendar::Zone;
use crate::history::Summary;
use crate::site::{FigureKey, Site};
use crate::units::Span;

/// Writes the table of a site, a chunk of intervals at a time.
#[derive(Clone, Debug)]
pub struct EnergyCsv {
    zone: Zone,
    columns: Vec<(FigureKey, String)>,
}

impl EnergyCsv {
    /// A table of every figure that the map of `site` defines at any time.
    pub fn new(site: &Site, zone: &Zone) -> Self {
        Self { zone: zone.clone(), columns: columns(site) }
    }

    /// The row of names. Energies are in kWh; a coverage is the share of the interval's seconds for
    /// which that energy is known, 0 to 1; `coverage` is that of all totals at once.
    pub fn header(&self) -> String {
        let fixed = ["start (UTC)", "end (UTC)", "start (local)", "end (local)", "length (s)", "coverage"];
        let figures = self.columns.iter().flat_map(|(_, name)| {
            let name = name.replace('_', "-");
            [format!("{name} (kWh)"), format!("{name} coverage")]
        });
        line(fixed.into_iter().map(str::to_owned).chain(figures))
    }

    /// The rows of these intervals. An energy is that of the time in which it is known; where nothing
    /// is known the cell is empty.
    pub fn rows(&self, summaries: &[Summary]) -> String {
        let utc = Zone::utc();
        let mut text = String::new();
        for summary in summaries {
            let interval = summary.interval;
            let mut cells = vec![
                utc.rfc3339(interval.start).replace("+00:00", "Z"),
                utc.rfc3339(interval.end).replace("+00:00", "Z"),
                self.zone.rfc3339(interval.start),
                self.zone.rfc3339(interval.end),
                (interval.span().0 / Span::from_seconds(1).0).to_string(),
                share(summary.totals_coverage()),
            ];
            for (key, _) in &self.columns {
                let defined = summary.figures.binary_search_by_key(key, |(key, _)| *key).is_ok();
                cells.push(summary.kwh(*key).map(|kwh| kwh.to_string()).unwrap_or_default());
                // A figure that the map of the time does not have is not covered in part: it is not there.
                cells.push(if defined { share(summary.coverage(*key)) } else { String::new() });
            }
            text += &line(cells);
        }
        text
    }
}

/// A share to a millionth, rounded down: 1 means all.
fn share(share: f64) -> String {
    ((share * 1e6).floor() / 1e6).to_string()
}

/// One record with its line end, quoted as RFC 4180 has it.
pub(super) fn line(cells: impl IntoIterator<Item = String>) -> String {
    let mut writer = csv::WriterBuilder::new().terminator(csv::Terminator::CRLF).from_writer(Vec::new());
    // Writing to memory does not fail, and what was text stays text.
    let written = writer.write_record(cells).ok().and_then(|()| writer.into_inner().ok());
    written.and_then(|bytes| String::from_utf8(bytes).ok()).unwrap_or_default()
}
