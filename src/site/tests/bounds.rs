//! How large a map may be.

use super::super::parse;
use super::rules::BASE;

#[test]
fn files_channels_circuits_entries_and_dates_are_bounded() {
    let rule = |text: &str| -> Vec<&'static str> {
        let mut rules: Vec<_> = parse("map.toml", text).findings.iter().map(|finding| finding.rule).collect();
        rules.dedup();
        rules
    };
    assert_eq!(rule(&format!("{BASE}# {}", "x".repeat(1 << 20))), ["file-too-large"]);
    let many = |count: usize, text: &dyn Fn(usize) -> String| -> String {
        BASE.to_owned() + &(0..count).map(text).collect::<String>()
    };
    let circuit = |at: usize| format!("[[circuit]]\nid = \"c{at}\"\nend_use = \"other\"\n");
    assert_eq!(rule(&many(507, &circuit)), [""; 0]);
    assert_eq!(rule(&many(508, &circuit)), ["too-many"]);
    assert_eq!(rule(&many(2100, &circuit)), ["too-many"]);
    let channels: Vec<String> = (0..600).map(|at| format!("\"x{at}\"")).collect();
    let wide = BASE.replacen("\"6\", \"7\"]", &format!("{}]", channels.join(", ")), 1);
    assert!(rule(&wide).contains(&"too-many"));
    let dated = |at: usize| {
        let (year, month) = (1990 + at / 12, at % 12 + 1);
        let next = format!("{}-{:02}-01", 1990 + (at + 1) / 12, (at + 1) % 12 + 1);
        format!("[[circuit]]\nid = \"a\"\nend_use = \"other\"\nfrom = {year}-{month:02}-01\nuntil = {next}\n")
    };
    assert_eq!(rule(&many(255, &dated)), [""; 0]);
    assert_eq!(rule(&many(256, &dated)), ["too-many"]);
    assert!(rule(&many(600, &|at| format!("[[circuit]]\nx{at} = 1\n"))).contains(&"more-findings"));
}
