//! The work sheet: an empty schedule to fill in by hand at the panel, before the map exists.

use minijinja::context;

use super::html::{Paper, page};

/// The largest panels have 84 spaces.
pub const MAX_SPACES: u16 = 200;
/// Sixteen pages of lines; more CTs are several devices, each with its sheet.
pub const MAX_CTS: u16 = 512;

/// A page with `spaces` positions and `cts` lines for CTs, to print and fill in with a pen.
///
/// # Errors
/// When the template cannot be filled in, which is a fault of the program.
pub fn blank_sheet(spaces: u16, cts: u16, paper: Paper) -> Result<String, minijinja::Error> {
    let rows: Vec<[u16; 2]> = (0..spaces.div_ceil(2)).map(|row| [2 * row + 1, 2 * row + 2]).collect();
    page("blank.html", context! { rows, cts => (1..=cts).collect::<Vec<_>>(), paper => paper.as_css() })
}
