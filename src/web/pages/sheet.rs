//! What a page shows as a file: comma-separated values (RFC 4180), with the figures in full.

use axum::http::{HeaderName, HeaderValue, header};
use axum::response::{IntoResponse, Response};

use super::period::Period;
use super::words;
use crate::site::Site;

/// A table that is sent as a file.
pub(super) struct Sheet {
    /// The file's name, without its ending: letters, digits and `-`.
    pub(super) name: String,
    /// What stands above the columns.
    pub(super) columns: Vec<String>,
    /// Cells row by row.
    pub(super) rows: Vec<Vec<String>>,
}

impl Sheet {
    pub(super) fn answer(self) -> Response {
        let mut writer = csv::WriterBuilder::new().terminator(csv::Terminator::CRLF).from_writer(Vec::new());
        let rows = std::iter::once(&self.columns).chain(&self.rows);
        // Rows of one length into memory: there is nothing that can fail.
        let written =
            rows.into_iter().try_for_each(|row| writer.write_record(row.iter().map(|cell| guarded(cell))));
        let text = written.ok().and_then(|()| writer.into_inner().ok()).unwrap_or_default();
        // A site's id, a view and a date are plain text.
        let file = HeaderValue::from_str(&format!("attachment; filename=\"{}.csv\"", self.name))
            .unwrap_or(HeaderValue::from_static("attachment"));
        let kind = HeaderValue::from_static("text/csv; charset=utf-8");
        let about: [(HeaderName, HeaderValue); 2] =
            [(header::CONTENT_TYPE, kind), (header::CONTENT_DISPOSITION, file)];
        (about, text).into_response()
    }
}

/// A label that a spreadsheet would take for a formula begins with an apostrophe, which it takes for "this is
/// text". A number stays one.
fn guarded(cell: &str) -> String {
    let is_formula = cell.starts_with(['=', '+', '-', '@', '\t', '\r']) && cell.parse::<f64>().is_err();
    if is_formula { format!("'{cell}") } else { cell.to_owned() }
}

/// A figure to a millionth; what is not known is empty, never 0.
pub(super) fn number(value: Option<f64>) -> String {
    value.map_or_else(String::new, |value| format!("{}", (value * 1e6).round() / 1e6 + 0.0))
}

/// What the file of a view is called.
pub(super) fn name(site: &Site, view: &str, period: &Period) -> String {
    format!("{}-{view}-{}-{}", site.id, period.length.as_str(), words::iso(period.first))
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn figures_are_whole_and_what_is_not_known_is_empty() {
        let check = |value, expected: &str| assert_eq!(number(value), expected);
        check(None, "");
        check(Some(-0.0), "0");
        check(Some(1_234.567_890_1), "1234.56789");
        check(Some(-0.5), "-0.5");
    }

    #[test]
    fn a_label_is_no_formula() {
        let check = |cell: &str, expected: &str| assert_eq!(guarded(cell), expected);
        check("=1+1", "'=1+1");
        check("@SUM(A1)", "'@SUM(A1)");
        check("-12.5", "-12.5");
        check("Well pump", "Well pump");
    }

    #[tokio::test]
    async fn the_file_says_what_it_is() {
        let sheet = Sheet {
            name: "heron-lane-history-month-2026-02-01".into(),
            columns: vec!["start".into(), "a, \"b\"".into()],
            rows: vec![vec!["2026-02-01".into(), number(Some(1.5))]],
        };
        let answer = sheet.answer();
        assert_eq!(answer.headers()["content-type"], "text/csv; charset=utf-8");
        let expected = "attachment; filename=\"heron-lane-history-month-2026-02-01.csv\"";
        assert_eq!(answer.headers()["content-disposition"], expected);
        let body = axum::body::to_bytes(answer.into_body(), 1000).await.expect("a body");
        assert_eq!(body, "start,\"a, \"\"b\"\"\"\r\n2026-02-01,1.5\r\n");
    }
}
