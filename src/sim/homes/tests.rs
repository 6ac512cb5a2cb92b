//! A small part of tests/bench/audit.rs, the same every time, with floors.

use super::{Fault, Home};
use crate::audit::{Evidence, audit};
use crate::site::{Site, parse};

const PERIOD_S: i64 = 60;
const HOURS: i64 = 36;

fn site(home: &Home) -> Site {
    let parsed = parse("home.toml", &home.plan.map(PERIOD_S));
    parsed.site.unwrap_or_else(|| panic!("{}", parsed.findings[0]))
}

fn gather(home: &Home) -> Evidence {
    let mut evidence = Evidence::new(home.plan.channels.len());
    home.readings(PERIOD_S, HOURS, |block| evidence.take(&[block]));
    evidence
}

#[test]
fn a_home_is_a_function_of_its_seed_and_its_map_is_sound() {
    for seed in 0..8 {
        let home = Home::new(seed, 4 + seed as usize * 5);
        assert_eq!(home.plan.map(1), Home::new(seed, 4 + seed as usize * 5).plan.map(1));
        let site = site(&home);
        assert_eq!(site.channels.len(), home.plan.channels.len());
    }
}

/// Floors: what was measured is above them (docs/audit.md).
#[test]
fn faults_of_the_map_are_found_and_clean_homes_are_clean() {
    let (mut put_in, mut found, mut clean) = (0, 0, 0);
    for seed in 0..4 {
        let home = Home::new(seed, 6 + seed as usize * 4);
        let evidence = gather(&home);
        clean += audit(&site(&home), &evidence).open().count();
        for fault in Fault::ALL.iter().filter(|fault| fault.is_of_map()) {
            let mut faulty = home.clone();
            let lively = |n: usize| home.events(n, HOURS * 3600, 8) >= 8;
            let Some(injected) = faulty.inject(*fault, seed, lively) else { continue };
            let report = audit(&site(&faulty), &evidence);
            let about: Vec<&str> =
                injected.about.iter().map(|n| home.plan.circuits[*n].id.as_str()).collect();
            put_in += 1;
            found += usize::from(report.findings.iter().any(|finding| {
                finding.kind == fault.kind() && (about.is_empty() || about.contains(&finding.about.as_str()))
            }));
        }
    }
    assert!(put_in >= 30, "{put_in}");
    assert!(found * 100 >= put_in * 85, "{found} of {put_in}");
    assert_eq!(clean, 0);
}

#[test]
fn a_mended_map_is_clean_over_the_same_readings() {
    let home = Home::new(5, 14);
    let evidence = gather(&home);
    let mut faulty = home.clone();
    let lively = |n: usize| home.events(n, HOURS * 3600, 8) >= 8;
    faulty.inject(Fault::Reversed, 1, lively).expect("a circuit to turn round");
    let text = faulty.plan.map(PERIOD_S);
    let report = audit(&site(&faulty), &evidence);
    assert_eq!(report.findings.len(), 1, "{:?}", report.findings);
    let mended = crate::audit::apply(&text, &report.findings[0].edits);
    let site = parse("home.toml", &mended).site.expect("a sound map");
    assert_eq!(audit(&site, &evidence).open().count(), 0);
}
