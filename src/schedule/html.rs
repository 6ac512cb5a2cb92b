//! The printable page: black on white, no script, nothing loaded from elsewhere.

use minijinja::value::Serde;
use minijinja::{Environment, UndefinedBehavior, Value, context};

use super::Schedule;

/// What it is printed on.
#[derive(Clone, Copy, Debug, Default, PartialEq, Eq)]
pub enum Paper {
    /// ISO 216.
    #[default]
    A4,
    /// 8.5 in × 11 in.
    Letter,
}

impl Paper {
    /// Its name in a style sheet (CSS Paged Media).
    pub fn as_css(self) -> &'static str {
        match self {
            Self::A4 => "A4",
            Self::Letter => "letter",
        }
    }
}

/// The schedule as a page of its own.
///
/// # Errors
/// When the template cannot be filled in, which is a fault of the program.
pub fn html(schedule: &Schedule, paper: Paper) -> Result<String, minijinja::Error> {
    page("schedule.html", context! { schedule => Serde(schedule), paper => paper.as_css() })
}

/// Labels come from a map, so every value is escaped; a name that is missing is an error, not a gap.
pub(super) fn page(name: &str, values: Value) -> Result<String, minijinja::Error> {
    let mut environment = Environment::new();
    environment.set_undefined_behavior(UndefinedBehavior::Strict);
    for (name, text) in [
        ("style.css", include_str!("templates/style.css")),
        ("cautions.html", include_str!("templates/cautions.html")),
        ("schedule.html", include_str!("templates/schedule.html")),
        ("blank.html", include_str!("templates/blank.html")),
    ] {
        environment.add_template(name, text)?;
    }
    environment.get_template(name)?.render(values)
}
