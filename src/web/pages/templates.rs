//! The templates and the filters that they write figures with.
//!
//! A release has them inside. A debug build reads them from the source tree at each request, so that
//! a page can be designed without building anything; where there is no such tree it has them inside too.

use std::borrow::Cow;
use std::sync::LazyLock;

use minijinja::syntax::SyntaxConfig;
use minijinja::value::Serde;
use minijinja::{Environment, Error, ErrorKind, State, UndefinedBehavior, Value};

use super::numbers::Numbers;

/// Name and text of each.
const TEMPLATES: &[(&str, &str)] = &[
    ("base.html", include_str!("templates/base.html")),
    ("macros.html", include_str!("templates/macros.html")),
    ("steps.html", include_str!("templates/steps.html")),
    ("now.html", include_str!("templates/now.html")),
    ("history.html", include_str!("templates/history.html")),
    ("typical.html", include_str!("templates/typical.html")),
    ("rank.html", include_str!("templates/rank.html")),
    ("circuit.html", include_str!("templates/circuit.html")),
    ("sites.html", include_str!("templates/sites.html")),
    ("finding.html", include_str!("templates/finding.html")),
    ("findings.html", include_str!("templates/findings.html")),
    ("panel.html", include_str!("templates/panel.html")),
    ("preferences.html", include_str!("templates/preferences.html")),
    ("problem.html", include_str!("templates/problem.html")),
    ("setup-channels.html", include_str!("templates/setup-channels.html")),
    ("setup-check.html", include_str!("templates/setup-check.html")),
    ("setup-done.html", include_str!("templates/setup-done.html")),
    ("setup-house.html", include_str!("templates/setup-house.html")),
    ("setup-look.html", include_str!("templates/setup-look.html")),
    ("setup-macros.html", include_str!("templates/setup-macros.html")),
    ("sign-in.html", include_str!("templates/sign-in.html")),
    ("verify.html", include_str!("templates/verify.html")),
];

/// Fills in a template. Values are escaped, and a name that is missing is an error, not a gap.
pub(super) fn render(name: &str, values: Value) -> Result<String, Error> {
    static EMBEDDED: LazyLock<Result<Environment<'static>, Error>> = LazyLock::new(environment);
    if cfg!(debug_assertions) {
        return environment()?.get_template(name)?.render(values);
    }
    match &*EMBEDDED {
        Ok(environment) => environment.get_template(name)?.render(values),
        Err(error) => Err(Error::new(ErrorKind::BadInclude, error.to_string())),
    }
}

fn environment() -> Result<Environment<'static>, Error> {
    let mut environment = Environment::new();
    environment.set_undefined_behavior(UndefinedBehavior::Strict);
    environment.set_syntax(SyntaxConfig::builder().trim_blocks(true).lstrip_blocks(true).build()?);
    environment.add_filter("watts", |state: &State, w: Serde<Option<f64>>| numbers(state).watts(w.0));
    environment.add_filter("kwh", |state: &State, kwh: Serde<Option<f64>>| numbers(state).kwh(kwh.0));
    environment.add_filter("amps", |state: &State, a: Serde<Option<f64>>| numbers(state).amps(a.0));
    environment.add_filter("percent", |state: &State, s: Serde<Option<f64>>| numbers(state).percent(s.0));
    environment.add_filter("number", |state: &State, value: f64, decimals: usize| {
        numbers(state).number(value, decimals)
    });
    environment.add_filter("sentence", |text: String| sentence(&text));
    environment.add_filter("truncated", |text: String| truncated(&text));
    environment.add_filter("query", |text: String| -> String {
        form_urlencoded::byte_serialize(text.as_bytes()).collect()
    });
    for &(name, embedded) in TEMPLATES {
        let text = on_disk("templates", name).map_or(Cow::Borrowed(embedded), Cow::Owned);
        environment.add_template_owned(name, text)?;
    }
    Ok(environment)
}

/// A remark as a sentence of its own; an empty one stays so.
fn sentence(text: &str) -> String {
    let text = text.trim();
    let mut letters = text.chars();
    let Some(first) = letters.next() else { return String::new() };
    let dot = if text.ends_with(['.', '!', '?', '…', ':']) { "" } else { "." };
    // A name of a channel stays as it is written: `house/13`.
    let word = text.split_whitespace().next().unwrap_or_default();
    let first: String = if word.contains('/') { first.to_string() } else { first.to_uppercase().collect() };
    format!("{first}{}{dot}", letters.as_str())
}

/// The start of a text that a table has no more room for.
fn truncated(text: &str) -> String {
    const MOST: usize = 120;
    if text.chars().count() <= MOST {
        return text.to_owned();
    }
    let start: String = text.chars().take(MOST).collect();
    format!("{start}…")
}

/// How the page's reader writes numbers.
fn numbers(state: &State) -> Numbers {
    let frame = state.lookup("numbers");
    frame.and_then(|name| Numbers::named(name.as_str()?)).unwrap_or_default()
}

/// A file of the source tree, in a debug build.
#[expect(clippy::disallowed_methods, reason = "design without building; never in a release")]
pub(super) fn on_disk(directory: &str, name: &str) -> Option<String> {
    if !cfg!(debug_assertions) {
        return None;
    }
    let path = format!("{}/src/web/pages/{directory}/{name}", env!("CARGO_MANIFEST_DIR"));
    std::fs::read_to_string(path).ok()
}

#[cfg(test)]
mod tests {
    use super::*;

    /// A filter that is missing is told only where it is used, on a branch that no test may take.
    #[test]
    fn every_filter_of_the_templates_is_there() {
        let environment = environment().expect("the templates are read");
        for (file, text) in TEMPLATES {
            let insides = text.split("{{").chain(text.split("{%")).skip(1);
            let insides = insides.filter_map(|rest| rest.split(['}', '%']).next());
            for inside in insides {
                for after in inside.split('|').skip(1) {
                    let name: String =
                        after.chars().take_while(|c| c.is_ascii_alphanumeric() || *c == '_').collect();
                    let text = format!("\"1\"|{name}");
                    let made = environment.compile_expression(&text).expect("an expression");
                    let found = made.eval(Value::UNDEFINED);
                    let is_known =
                        found.as_ref().err().is_none_or(|error| error.kind() != ErrorKind::UnknownFilter);
                    assert!(is_known, "{file}: there is no filter {name}");
                }
            }
        }
    }

    #[test]
    fn a_remark_becomes_a_sentence() {
        let check = |text: &str, expected: &str| assert_eq!(sentence(text), expected);
        check("", "");
        check("change the map as shown", "Change the map as shown.");
        check("Nothing is wrong.", "Nothing is wrong.");
        check("house/13 is dead", "house/13 is dead.");
        check("öffnen?", "Öffnen?");
    }
}
