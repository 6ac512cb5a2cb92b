//! Rules have several ways of being broken: the ways that the cases of each rule leave out.

use super::super::parse;
use super::messages;
use super::rules::BASE;

/// (what stands in the map, what to write in its place, the rule, what the message says)
const WAYS: &[(&str, &str, &str, &str)] = &[
    (
        "[[bus]]",
        "[[feed]]\nbus = \"bran\"\nchannels = [\"house/6\"]\n[[bus]]",
        "unknown-bus",
        "bus = \"barn\"",
    ),
    ("measures = \"panel\"", "measures = \"panels\"", "unknown-word", "measures = \"panel\""),
    (
        "[[bus]]",
        "[[feed]]\nbus = \"service\"\nmeasures = \"panel\"\nchannels = [\"house/6\"]\n[[bus]]",
        "measures-of-subpanel",
        "write bus = \"main\"",
    ),
    ("reading = \"mean\"", "reading = \"average\"", "unknown-word", "one of \"mean\", \"instant\""),
    (
        "unit = \"kW\"",
        "unit = \"kWh\"\nreading = \"instant\"",
        "unit-mismatch",
        "covers the span between two counts",
    ),
    ("unit = \"kW\"", "unit = \"kWh\"\nrolls_over_at = 0", "unit-mismatch", "rolls over at 0"),
    ("unit = \"kW\"", "unit = \"A\"\nvolts = -120", "unit-mismatch", "-120 volts"),
    ("every_s = 1", "every_s = 1\nbacklog = \"spread\"", "unknown-key", "a key `backlog`"),
    ("every_s = 1", "every_s = 0.05", "bad-period", "every_s = 0.05"),
    ("every_s = 1", "every_s = 1.25", "bad-period", "in steps of 0.1"),
    ("every_s = 1", "every_s = 86400", "bad-period", "0.1 to 3600"),
    ("every_s = 1", "every_s = inf", "wrong-type", "every_s"),
    ("every_s = 5", "every_s = 5\nstale_after_s = 1", "bad-period", "shorter than every_s = 5"),
    ("\"hill/{channel}\"", "\"hill/{chanel}\"", "bad-topic", "braces"),
    ("\"hill/{channel}\"", "\"/hill/{channel}\"", "bad-topic", "empty level"),
    ("\"hill/{channel}\"", "\"$SYS/{channel}\"", "bad-topic", "broker's own"),
    ("\"hill/{channel}\"", "\"hill/#\"", "bad-topic", "wildcard"),
    ("pointer = \"/watts\", ", "", "missing-key", "no `pointer`"),
    ("time = \"/time\"", "time = \"/~\"", "bad-pointer", "~0"),
    ("\"house/4\"", "{ leg = \"A\" }", "missing-key", "no `channel`"),
    ("\"house/4\"", "{ channel = \"house/4\", led = \"A\" }", "unknown-key", "write `leg`"),
    ("\"house/4\"", "4", "wrong-type", "a whole number"),
    ("\"house/4\"", "\"4\"", "unknown-device", "\"4\" names no device"),
    ("\"house/3\", leg = \"B\"", "\"house/2\", leg = \"B\"", "ct-twice", "\"house/2\""),
    ("doubled = true", "doubled = true\nscale = 1.0000001", "bad-scale", "1.0000001"),
    ("scale = 1.02", "scale = 0", "bad-scale", "scale = 0"),
    ("scale = 1.02", "scale = 1e9", "bad-scale", "scale = 1000000000"),
    ("scale = 1.02", "sign = \"positive\"", "unknown-word", "generation-positive"),
    ("scale = 1.02", "legs = [\"C\"]", "leg-not-of-system", "\"A\" or \"B\""),
    ("scale = 1.02", "legs = [\"A\", \"A\"]", "leg-twice", "leg A"),
    ("spaces = [1, 3]", "spaces = [1]", "doubled-one-pole", "is on leg A"),
    ("channels = [\"house/1\"]\ndoubled", "doubled", "doubled-needs-one-ct", "has 0 CTs"),
    ("spaces = [5, 7]", "spaces = [5, 5, 7]", "bad-space", "space 5 twice"),
    ("spaces = [5, 7]", "spaces = [3, 5]", "spaces-overlap", "space 3 of \"main\""),
    ("split-phase 120/240", "split phase 120/240", "unknown-word", "split-phase 120/240"),
    ("America/Denver", "Denver", "time-zone", "America/Denver"),
    ("main_breaker_a = 200", "main_breaker_a = 1e9", "bad-amps", "main_breaker_a"),
    ("fed_by = \"barn-feeder\"", "fed_by = \"barn-feder\"", "unknown-circuit", "fed_by = \"barn-feeder\""),
    ("id = \"house\"", "id = \"meter\"", "duplicate-id", "\"meter\" is there twice"),
    (
        "[[bus]]",
        "[[bus]]\nid = \"barn\"\nfed_by = \"dryer\"\n[[bus]]",
        "duplicate-id",
        "\"barn\" is there twice",
    ),
    ("id = \"dryer\"", "id = \"-dryer\"", "bad-id", "\"dryer\""),
    ("id = \"dryer\"", "id = \"\"", "bad-id", "\"dryer\""),
    ("site = \"hill-farm\"", "site = \"hill/farm\"", "bad-id", "\"hill-farm\""),
    ("label = \"Dryer\"", "label = \" \"", "bad-label", "is empty"),
    ("end_use = \"laundry\"\n", "", "missing-key", "no `end_use`"),
    ("scale = 1.02", "until = 2026-02-30", "toml-syntax", "not TOML"),
];

#[test]
fn each_way_is_found_with_a_message_that_helps() {
    for (from, to, rule, says) in WAYS {
        assert!(BASE.contains(from), "{from} is not in the map");
        let findings = parse("map.toml", &BASE.replacen(from, to, 1)).findings;
        let found =
            findings.iter().any(|finding| finding.rule == *rule && finding.to_string().contains(says));
        assert!(found, "{to}: {rule} that says {says}, but:\n{}", messages(&findings));
    }
}

#[test]
fn a_label_of_200_characters_is_the_longest() {
    for (length, rules) in [(200, &[][..]), (201, &["bad-label"][..])] {
        let text = BASE.replacen("Dryer", &"ä".repeat(length), 1);
        let found: Vec<_> = parse("map.toml", &text).findings.iter().map(|finding| finding.rule).collect();
        assert_eq!(found, rules, "{length}");
    }
}
