//! Tests of whole maps.

use super::{Finding, Parsed, Site, parse};

mod demo;

/// A map that has to be sound.
fn sound(text: &str) -> Site {
    let Parsed { site, findings } = parse("map.toml", text);
    let Some(site) = site else { panic!("refused:\n{}", messages(&findings)) };
    site
}

/// Findings as they are shown.
fn messages(findings: &[Finding]) -> String {
    findings.iter().map(|finding| format!("{finding}\n")).collect()
}
