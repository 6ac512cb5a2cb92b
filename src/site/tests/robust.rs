//! No text makes the reader panic, and a site is refused if and only if there is an error.

use proptest::prelude::*;

use super::super::{Severity, parse};

const HERON_LANE: &str = include_str!("../../../config/sites/heron-lane.toml");

/// What an editor's slip may put in the place of a line.
const LINES: [&str; 24] = [
    "",
    "[[circuit]]",
    "[[bus]]",
    "[[feed]]",
    "[[device]]",
    "id = \"main\"",
    "id = \"service\"",
    "id = \"barn\"",
    "id = \"barn-feeder\"",
    "fed_by = \"barn-feeder\"",
    "fed_by = \"barn-lights\"",
    "fed_by = \"fed_by\"",
    "bus = \"barn\"",
    "bus = \"service\"",
    "channels = []",
    "channels = [{}, 1, \"\", \"/\", \"house/\", { channel = \"house/1\", leg = \"C\", scale = 1e300 }]",
    "spaces = [9223372036854775807, -1, 0]",
    "from = 0000-01-01T00:00:60+23:59",
    "until = 9998-12-31T23:59:59-23:59",
    "scale = -nan",
    "every_s = 1e-300",
    "doubled = true",
    "time_zone = \"../../etc/passwd\"",
    "end_use = \"PV\"",
];

fn check(text: &str) -> Result<(), TestCaseError> {
    let parsed = parse("map.toml", text);
    let errors = parsed.findings.iter().any(|finding| finding.severity == Severity::Error);
    prop_assert_eq!(parsed.site.is_none(), errors);
    let lines = text.lines().count().max(1) + 1;
    for finding in &parsed.findings {
        prop_assert!((1..=lines).contains(&finding.line), "line {} of {}: {}", finding.line, lines, finding);
        prop_assert!(!finding.to_string().contains('\n'), "more than one line: {}", finding);
    }
    Ok(())
}

proptest! {
    #![proptest_config(ProptestConfig::with_cases(300))]

    #[test]
    fn slips_of_an_editor(edits in prop::collection::vec((any::<prop::sample::Index>(), 0..LINES.len(), any::<bool>()), 1..12)) {
        let mut lines: Vec<&str> = HERON_LANE.lines().filter(|line| !line.trim_start().starts_with('#')).collect();
        for (at, line, replace) in edits {
            let at = at.index(lines.len());
            if replace {
                lines[at] = LINES[line];
            } else {
                lines.insert(at, LINES[line]);
            }
        }
        check(&lines.join("\n"))?;
    }

    #[test]
    fn any_text(text in "(?s).{0,200}") {
        check(&text)?;
    }
}

#[test]
fn deep_nesting_and_long_words_are_refused() {
    for text in [
        "x = ".to_owned() + &"[".repeat(200_000),
        "a.".repeat(200_000) + "b = 1",
        "x".repeat(900_000) + " = 1",
    ] {
        assert!(parse("map.toml", &text).site.is_none());
    }
}
