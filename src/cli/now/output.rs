//! Bodies of `now` onto standard output: table, lines, JSON, CSV.

use std::io::{self, Write as _};

use super::client::Failure;
use crate::cli::table::{Style, live_line, live_table};
use crate::cli::{Exit, Format};
use crate::web::{Now, SiteInfo};

/// Puts the cursor at the top left and clears all below it (ECMA-48: CUP, ED).
const REDRAW: &str = "\x1b[H\x1b[J";

/// Prints each body in the format that was asked for.
#[derive(Debug)]
pub(super) struct Output {
    format: Format,
    watch: bool,
    style: Style,
    site: SiteInfo,
    /// Whether nothing was printed yet: CSV begins with a header.
    first: bool,
}

impl Output {
    pub(super) fn new(format: Format, watch: bool, site: SiteInfo) -> Self {
        Self { format, watch, style: Style::of_stdout(), site, first: true }
    }

    /// The site's id.
    pub(super) fn site(&self) -> &str {
        &self.site.site
    }

    /// Prints one body.
    pub(super) fn show(&mut self, body: &str) -> Result<(), Failure> {
        let text = self.text(body)?;
        self.first = false;
        let mut out = io::stdout().lock();
        out.write_all(text.as_bytes()).and_then(|()| out.flush()).map_err(|error| match error.kind() {
            // `| head` has seen enough.
            io::ErrorKind::BrokenPipe => Failure::new(Exit::Fine, ""),
            _ => Failure::new(Exit::Short, format!("standard output cannot be written: {error}")),
        })
    }

    fn text(&self, body: &str) -> Result<String, Failure> {
        if self.format == Format::Json {
            return Ok(format!("{body}\n"));
        }
        let now: Now = serde_json::from_str(body)
            .map_err(|error| Failure::new(Exit::Away, format!("the figures cannot be read: {error}")))?;
        match self.format {
            Format::Csv => csv(&now, self.first)
                .map_err(|error| Failure::new(Exit::Short, format!("CSV cannot be written: {error}"))),
            _ if !self.watch => Ok(live_table(&now, &self.site, usize::MAX, self.style)),
            _ if self.style.terminal => {
                Ok(format!("{REDRAW}{}", live_table(&now, &self.site, usize::MAX, self.style)))
            }
            _ => Ok(live_line(&now, &self.site) + "\n"),
        }
    }
}

/// A row a figure: `site,at,figure,id,w`; what is not known is empty.
fn csv(now: &Now, header: bool) -> Result<String, csv::Error> {
    let mut writer = csv::Writer::from_writer(Vec::new());
    if header {
        writer.write_record(["site", "at", "figure", "id", "w"])?;
    }
    let mut row = |figure: &str, id: &str, watts: Option<f64>| {
        let watts = watts.map(|watts| watts.to_string()).unwrap_or_default();
        writer.write_record([now.site.as_str(), now.at.as_str(), figure, id, watts.as_str()])
    };
    row("grid", "", now.grid_w)?;
    row("generation", "", now.generation_w)?;
    row("consumption", "", now.consumption_w)?;
    row("tracked", "", now.tracked_w)?;
    row("untracked", "", now.untracked_w)?;
    row("surplus", "", now.surplus_w)?;
    for (id, circuit) in &now.circuits {
        row("circuit", id, circuit.w)?;
    }
    for (id, bus) in &now.buses {
        row("bus feed", id, bus.feed_w)?;
        row("bus untracked", id, bus.untracked_w)?;
    }
    let bytes = writer.into_inner().map_err(|error| csv::Error::from(error.into_error()))?;
    Ok(String::from_utf8_lossy(&bytes).into_owned())
}

#[cfg(test)]
mod tests {
    use super::*;
    use crate::web::{BusNow, CircuitNow};

    #[test]
    fn csv_has_a_row_a_figure_and_leaves_out_what_is_not_known() {
        let now = Now {
            site: "heron-lane".into(),
            at: "2026-02-03T12:00:00-07:00".into(),
            grid_w: Some(-12.5),
            circuits: [("range".to_owned(), CircuitNow { w: Some(3.0), apparent: false })].into(),
            buses: [("main".to_owned(), BusNow { feed_w: Some(1.0), untracked_w: None })].into(),
            ..Now::default()
        };
        let text = csv(&now, true).expect("it can be written");
        let rows: Vec<_> = text.lines().collect();
        assert_eq!(rows[0], "site,at,figure,id,w");
        assert_eq!(rows[1], "heron-lane,2026-02-03T12:00:00-07:00,grid,,-12.5");
        assert_eq!(rows[2], "heron-lane,2026-02-03T12:00:00-07:00,generation,,");
        assert_eq!(rows[7], "heron-lane,2026-02-03T12:00:00-07:00,circuit,range,3");
        assert_eq!(rows[9], "heron-lane,2026-02-03T12:00:00-07:00,bus untracked,main,");
        assert!(!csv(&now, false).expect("it can be written").contains("figure"));
    }
}
