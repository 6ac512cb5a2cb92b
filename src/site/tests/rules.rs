//! Each rule both ways: one map that breaks just this rule, one close to it that is fine.
//!
//! A case is a pair of edits of one sound map. The last tests hold the cases and the reference in step
//! with the table of rules.

use std::fmt::Write as _;

use super::super::{parse, rules};
use super::messages;

/// A sound map that the cases edit. Invented.
pub(super) const BASE: &str = r#"site = "hill-farm"
name = "Hill farm"
time_zone = "America/Denver"
billing_day = 1

[service]
system = "split-phase 120/240"
main_breaker_a = 200

[[device]]
id = "house"
topic = "hill/{channel}"
unit = "W"
reading = "mean"
every_s = 1
channels = ["m1", "m2", "1", "2", "3", "4", "5", "6", "7"]

[[device]]
id = "meter"
topic = "hill/meter"
payload = { pointer = "/watts", time = "/time" }
unit = "kW"
every_s = 5
channels = ["1"]

[[feed]]
bus = "main"
channels = [{ channel = "house/m1", leg = "A" }, { channel = "house/m2", leg = "B" }]
measures = "panel"

[[bus]]
id = "barn"
fed_by = "barn-feeder"

[[circuit]]
id = "barn-feeder"
label = "Barn feeder"
spaces = [1, 3]
breaker_a = 60
channels = ["house/1"]
doubled = true

[[circuit]]
id = "dryer"
label = "Dryer"
end_use = "laundry"
spaces = [5, 7]
breaker_a = 30
channels = [{ channel = "house/2", leg = "A" }, { channel = "house/3", leg = "B" }]

[[circuit]]
id = "plugs"
label = "Plugs"
end_use = "plug loads"
spaces = [2]
channels = ["house/4"]
scale = 1.02

[[circuit]]
id = "solar"
label = "Solar"
end_use = "PV"
bus = "barn"
channels = ["house/5"]
sign = "generation-positive"

[[circuit]]
id = "lights"
label = "Lights"
end_use = "lighting"
bus = "barn"
spaces = [2]
"#;

/// Edits, each (what stands there, what to write in its place).
type Edits = &'static [(&'static str, &'static str)];

struct Case {
    rule: &'static str,
    /// Breaks the rule, and no other.
    bad: Edits,
    /// Comes close, and breaks none.
    fine: Edits,
}

/// In the place of what stands there: the end of the map.
const END: &str = "";

/// Text put at the end of the map.
macro_rules! append {
    ($text:expr) => {
        &[(END, $text)]
    };
}

/// A second entry, after the base's lights.
macro_rules! circuit {
    ($id:literal, $rest:literal) => {
        append!(concat!("[[circuit]]\nid = \"", $id, "\"\nend_use = \"other\"\n", $rest))
    };
}

const CASES: &[Case] = &[
    // The file.
    Case {
        rule: "toml-syntax",
        bad: &[("billing_day = 1", "billing_day = ")],
        fine: &[("billing_day = 1", "billing_day = 2 # of the month")],
    },
    Case {
        rule: "unknown-key",
        bad: &[("breaker_a = 30", "braker_a = 30")],
        fine: &[("breaker_a = 30", "ct_rating_a = 50")],
    },
    Case {
        rule: "missing-key",
        bad: &[("unit = \"kW\"\n", "")],
        fine: &[("label = \"Dryer\"\n", ""), ("name = \"Hill farm\"\n", ""), ("billing_day = 1\n", "")],
    },
    Case {
        rule: "wrong-type",
        bad: &[("breaker_a = 30", "breaker_a = \"30\""), ("doubled = true", "doubled = 1")],
        fine: &[("breaker_a = 30", "breaker_a = 30.0")],
    },
    Case {
        rule: "unknown-word",
        bad: &[("\"laundry\"", "\"Laundry\""), ("unit = \"kW\"", "unit = \"w\"")],
        fine: &[("\"laundry\"", "\"well/sump\"")],
    },
    // Names.
    Case {
        rule: "bad-id",
        bad: &[("id = \"dryer\"", "id = \"Dryer #1\"")],
        fine: &[("id = \"dryer\"", "id = \"dryer-1\"")],
    },
    Case {
        rule: "reserved-id",
        bad: &[("id = \"dryer\"", "id = \"ev\"")],
        fine: &[("id = \"dryer\"", "id = \"ev-charger\"")],
    },
    Case {
        rule: "duplicate-id",
        bad: circuit!("dryer", ""),
        fine: &[
            ("id = \"plugs\"", "id = \"dryer\"\nfrom = 2026-05-02"),
            ("id = \"dryer\"\nlabel", "id = \"dryer\"\nuntil = 2026-05-02\nlabel"),
        ],
    },
    Case {
        rule: "bad-label",
        bad: &[("label = \"Dryer\"", "label = \"Dry\\u0007er\"")],
        fine: &[("label = \"Dryer\"", "label = \"Wäschetrockner 乾燥機\"")],
    },
    Case {
        rule: "time-zone",
        bad: &[("America/Denver", "America/Dever")],
        fine: &[("America/Denver", "Asia/Kathmandu")],
    },
    Case {
        rule: "billing-day",
        bad: &[("billing_day = 1", "billing_day = 29")],
        fine: &[("billing_day = 1", "billing_day = 28")],
    },
    Case {
        rule: "late-window",
        bad: &[("billing_day = 1", "late_window_days = 0")],
        fine: &[("billing_day = 1", "late_window_days = 36500")],
    },
    // Devices and channels.
    Case {
        rule: "bad-channel-name",
        bad: &[("\"6\", \"7\"]", "\"6\", \"a/b\"]")],
        fine: &[("\"6\", \"7\"]", "\"6\", \"Leg 1.power\"]")],
    },
    Case {
        rule: "channel-listed-twice",
        bad: &[("\"6\", \"7\"]", "\"6\", \"6\"]")],
        fine: &[("\"6\", \"7\"]", "\"6\", \"06\"]")],
    },
    Case {
        rule: "bad-topic",
        bad: &[("\"hill/meter\"", "\"hill/+/meter\"")],
        fine: &[("\"hill/meter\"", "\"hill/ct {channel}/W\"")],
    },
    Case {
        rule: "bad-pointer",
        bad: &[("\"/watts\"", "\"watts\"")],
        fine: &[("\"/watts\"", "\"/a~1b/m~0n/0\"")],
    },
    Case {
        rule: "channels-not-apart",
        bad: &[("channels = [\"1\"]", "channels = [\"1\", \"2\"]")],
        fine: &[("channels = [\"1\"]", "channels = [\"1\", \"2\"]"), ("\"/watts\"", "\"/{channel}/watts\"")],
    },
    Case {
        rule: "same-reading-twice",
        bad: append!(
            "[[device]]\nid = \"again\"\ntopic = \"hill/meter\"\npayload = { pointer = \"/watts\" }\nunit = \"W\"\nevery_s = 1\nchannels = [\"x\"]\n"
        ),
        fine: append!(
            "[[device]]\nid = \"again\"\ntopic = \"hill/meter\"\npayload = { pointer = \"/va\" }\nunit = \"W\"\nevery_s = 1\nchannels = [\"x\"]\n"
        ),
    },
    Case {
        rule: "unit-mismatch",
        bad: &[("unit = \"kW\"", "unit = \"kW\"\nvolts = 120\nrolls_over_at = 1000")],
        fine: &[("unit = \"kW\"", "unit = \"kWh\"\nrolls_over_at = 100000")],
    },
    Case {
        rule: "bad-period",
        bad: &[("every_s = 5", "every_s = 5\nmax_gap_s = 4")],
        fine: &[("every_s = 5", "every_s = 2.5\nmax_gap_s = 2.5\nstale_after_s = 60")],
    },
    Case {
        rule: "device-unused",
        bad: &[("channels = [\"1\"]", "channels = []")],
        fine: &[("channels = [\"1\"]\n", ""), ("[\"house/4\"]", "[\"meter/any\"]")],
    },
    // References.
    Case {
        rule: "unknown-device",
        bad: &[("\"house/4\"", "\"hose/4\"")],
        fine: &[("\"house/4\"", "\"meter/1\"")],
    },
    Case {
        rule: "unknown-channel",
        bad: &[("\"house/4\"", "\"house/44\"")],
        fine: &[("\"house/4\"", "\"house/6\"")],
    },
    Case {
        rule: "unknown-bus",
        bad: circuit!("pump", "bus = \"bran\"\n"),
        fine: circuit!("pump", "bus = \"service\"\n"),
    },
    Case {
        rule: "unknown-circuit",
        bad: append!("[[bus]]\nid = \"shop\"\nfed_by = \"shop-feeder\"\n"),
        fine: append!(
            "[[bus]]\nid = \"shop\"\nfed_by = \"shop-feeder\"\n[[circuit]]\nid = \"shop-feeder\"\n"
        ),
    },
    // Buses.
    Case {
        rule: "bus-not-fed",
        bad: append!("[[bus]]\nid = \"shop\"\n"),
        fine: append!("[[bus]]\nid = \"main\"\nname = \"House\"\nrating_a = 225\n"),
    },
    Case {
        rule: "root-bus-fed",
        bad: append!("[[bus]]\nid = \"main\"\nfed_by = \"dryer\"\n"),
        fine: append!("[[bus]]\nid = \"service\"\n"),
    },
    Case {
        rule: "circuit-feeds-two-buses",
        bad: append!("[[bus]]\nid = \"shop\"\nfed_by = \"barn-feeder\"\n"),
        fine: append!("[[bus]]\nid = \"shop\"\nfed_by = \"lights\"\n"),
    },
    Case {
        rule: "bus-cycle",
        bad: append!(
            "[[bus]]\nid = \"x\"\nfed_by = \"to-x\"\n[[bus]]\nid = \"y\"\nfed_by = \"to-y\"\n[[circuit]]\nid = \"to-x\"\nbus = \"y\"\n[[circuit]]\nid = \"to-y\"\nbus = \"x\"\n"
        ),
        fine: append!(
            "[[bus]]\nid = \"x\"\nfed_by = \"to-x\"\n[[bus]]\nid = \"y\"\nfed_by = \"to-y\"\n[[circuit]]\nid = \"to-x\"\nbus = \"y\"\n[[circuit]]\nid = \"to-y\"\nbus = \"barn\"\n"
        ),
    },
    Case {
        rule: "feeder-moved",
        bad: append!(
            "[[bus]]\nid = \"x\"\nfed_by = \"to-x\"\n[[circuit]]\nid = \"to-x\"\nuntil = 2026-01-01\n[[circuit]]\nid = \"to-x\"\nbus = \"barn\"\nfrom = 2026-01-01\n"
        ),
        fine: append!(
            "[[bus]]\nid = \"x\"\nfed_by = \"to-x\"\n[[circuit]]\nid = \"to-x\"\nuntil = 2026-01-01\n[[circuit]]\nid = \"to-x\"\nfrom = 2026-01-01\nchannels = [\"house/6\"]\n"
        ),
    },
    Case {
        rule: "feeder-end-use",
        bad: &[("label = \"Barn feeder\"", "end_use = \"PV\"")],
        fine: &[("label = \"Barn feeder\"", "end_use = \"other\"")],
    },
    // Feeds.
    Case {
        rule: "feed-without-channels",
        bad: append!("[[feed]]\nbus = \"service\"\nchannels = []\n"),
        fine: append!("[[feed]]\nbus = \"service\"\nchannels = [\"house/6\"]\n"),
    },
    Case {
        rule: "two-feeds-at-once",
        bad: append!("[[feed]]\nbus = \"main\"\nchannels = [\"house/6\"]\n"),
        fine: append!("[[feed]]\nbus = \"main\"\nmeasures = \"grid\"\nchannels = [\"house/6\"]\n"),
    },
    Case {
        rule: "feed-and-feeder",
        bad: append!("[[feed]]\nbus = \"barn\"\nchannels = [\"house/6\"]\n"),
        fine: &[
            ("channels = [\"house/1\"]\ndoubled = true\n", ""),
            (END, "[[feed]]\nbus = \"barn\"\nchannels = [\"house/1\", \"house/6\"]\n"),
        ],
    },
    Case {
        rule: "measures-of-subpanel",
        bad: &[("bus = \"main\"", "bus = \"service\"")],
        fine: &[("measures = \"panel\"", "measures = \"grid\""), ("bus = \"main\"", "bus = \"service\"")],
    },
    Case {
        rule: "leg-not-of-system",
        bad: &[("\"house/3\", leg = \"B\"", "\"house/3\", leg = \"C\"")],
        fine: &[
            ("\"house/3\", leg = \"B\"", "\"house/3\", leg = \"C\""),
            ("split-phase 120/240", "wye 120/208"),
            ("[5, 7]", "[7, 9, 11]"),
            ("leg = \"B\" }]\nmeasures", "leg = \"B\" }, { channel = \"house/6\", leg = \"C\" }]\nmeasures"),
        ],
    },
    Case {
        rule: "leg-twice",
        bad: &[("\"house/3\", leg = \"B\"", "\"house/3\", leg = \"A\"")],
        fine: &[("\"house/3\", leg = \"B\"", "\"house/3\"")],
    },
    Case {
        rule: "leg-missing",
        bad: &[(", { channel = \"house/m2\", leg = \"B\" }", "")],
        fine: &[(
            "[{ channel = \"house/m1\", leg = \"A\" }, { channel = \"house/m2\", leg = \"B\" }]",
            "[\"house/m1\"]",
        )],
    },
    Case {
        rule: "leg-elsewhere",
        bad: &[("[\"house/4\"]", "[{ channel = \"house/4\", leg = \"B\" }]")],
        fine: &[("[\"house/4\"]", "[{ channel = \"house/4\", leg = \"B\" }]\nlegs = [\"B\"]")],
    },
    Case {
        rule: "no-mains-feed",
        bad: &[(
            "[[feed]]\nbus = \"main\"\nchannels = [{ channel = \"house/m1\", leg = \"A\" }, { channel = \"house/m2\", leg = \"B\" }]\nmeasures = \"panel\"\n",
            "",
        )],
        fine: &[("bus = \"main\"", "bus = \"service\""), ("measures = \"panel\"\n", "")],
    },
    // Circuits.
    Case {
        rule: "ct-twice",
        bad: &[("[\"house/4\"]", "[\"house/m1\"]")],
        fine: &[
            ("[\"house/4\"]", "[\"house/5\"]\nuntil = 2026-05-02T09:30:00"),
            ("sign =", "from = 2026-05-02T09:30:00\nsign ="),
        ],
    },
    Case {
        rule: "bad-space",
        bad: &[("spaces = [5, 7]", "spaces = [5, 7, 0]")],
        fine: &[("spaces = [5, 7]", "spaces = [84]\nlegs = [\"A\", \"B\"]")],
    },
    Case {
        rule: "spaces-overlap",
        bad: circuit!("pump", "spaces = [7]\n"),
        fine: circuit!("pump", "spaces = [7]\nbus = \"barn\"\n"),
    },
    Case {
        rule: "spaces-apart",
        bad: circuit!("pump", "spaces = [9, 10]\n"),
        fine: circuit!("pump", "spaces = [11, 9]\n"),
    },
    Case {
        rule: "doubled-needs-one-ct",
        bad: &[("spaces = [5, 7]", "spaces = [5, 7]\ndoubled = true")],
        fine: circuit!("pump", "doubled = true\nspaces = [9, 11]\nchannels = [\"house/6\"]\n"),
    },
    Case {
        rule: "doubled-one-pole",
        bad: &[("scale = 1.02", "doubled = true")],
        fine: &[("spaces = [2]\nchannels", "legs = [\"A\", \"B\"]\ndoubled = true\nchannels")],
    },
    Case {
        rule: "bad-amps",
        bad: &[("breaker_a = 30", "breaker_a = -30"), ("main_breaker_a = 200", "main_breaker_a = 0")],
        fine: &[("breaker_a = 30", "breaker_a = 0.5")],
    },
    Case {
        rule: "bad-scale",
        bad: &[("scale = 1.02", "scale = -1.02")],
        fine: &[("scale = 1.02", "scale = 1.020304")],
    },
    Case {
        rule: "odd-scale",
        bad: &[("scale = 1.02", "scale = 20")],
        fine: &[("scale = 1.02", "scale = 2")],
    },
    Case {
        rule: "scale-twice",
        bad: &[("[\"house/4\"]", "[{ channel = \"house/4\", scale = 1.01 }]")],
        fine: &[(
            "[\"house/4\"]\nscale = 1.02",
            "[{ channel = \"house/4\", scale = 1.01 }]\nreversed = true",
        )],
    },
    Case {
        rule: "sign-of-load",
        bad: &[("scale = 1.02", "sign = \"generation-positive\"")],
        fine: &[("\"plug loads\"", "\"storage\""), ("scale = 1.02", "sign = \"generation-positive\"")],
    },
    Case {
        rule: "source-without-ct",
        bad: &[("channels = [\"house/5\"]\n", "")],
        fine: &[("end_use = \"lighting\"", "end_use = \"dehumidification\"")],
    },
    Case {
        rule: "ev-without-ct",
        bad: append!("[[circuit]]\nid = \"car\"\nend_use = \"EV charging\"\n"),
        fine: &[("\"plug loads\"", "\"EV charging\"")],
    },
    // EV charging and the watch over breakers.
    Case {
        rule: "ev-circuit",
        bad: append!(
            "[[circuit]]\nid = \"car\"\nend_use = \"EV charging\"\nbreaker_a = 40\nchannels = [\"house/7\"]\n[[ev]]\ncircuit = \"dryer\"\n"
        ),
        fine: append!(
            "[[circuit]]\nid = \"car\"\nend_use = \"EV charging\"\nbreaker_a = 40\nchannels = [\"house/7\"]\n[[ev]]\ncircuit = \"car\"\n"
        ),
    },
    Case {
        rule: "ev-without-breaker",
        bad: append!(
            "[[circuit]]\nid = \"car\"\nend_use = \"EV charging\"\nchannels = [\"house/7\"]\n[[ev]]\ncircuit = \"car\"\n"
        ),
        fine: append!(
            "[[circuit]]\nid = \"car\"\nend_use = \"EV charging\"\nbreaker_a = 40\nchannels = [\"house/7\"]\n[[ev]]\ncircuit = \"car\"\nmode = \"surplus only\"\n"
        ),
    },
    Case {
        rule: "ev-above-breaker",
        bad: append!(
            "[[circuit]]\nid = \"car\"\nend_use = \"EV charging\"\nbreaker_a = 40\nchannels = [\"house/7\"]\n[[ev]]\ncircuit = \"car\"\nmaximum_a = 33\n"
        ),
        fine: append!(
            "[[circuit]]\nid = \"car\"\nend_use = \"EV charging\"\nbreaker_a = 40\nchannels = [\"house/7\"]\n[[ev]]\ncircuit = \"car\"\nmaximum_a = 32\n"
        ),
    },
    Case {
        rule: "ev-without-headroom",
        bad: &[
            ("main_breaker_a = 200\n", ""),
            (
                END,
                "[[circuit]]\nid = \"car\"\nend_use = \"EV charging\"\nbreaker_a = 40\nchannels = [\"house/7\"]\n[[ev]]\ncircuit = \"car\"\n",
            ),
        ],
        fine: &[("main_breaker_a = 200", "main_breaker_a = 100")],
    },
    Case {
        rule: "charging-number",
        bad: append!(
            "[[circuit]]\nid = \"car\"\nend_use = \"EV charging\"\nbreaker_a = 40\nchannels = [\"house/7\"]\n[[ev]]\ncircuit = \"car\"\nminimum_a = 5\n"
        ),
        fine: append!(
            "[[circuit]]\nid = \"car\"\nend_use = \"EV charging\"\nbreaker_a = 40\nchannels = [\"house/7\"]\n[[ev]]\ncircuit = \"car\"\nminimum_a = 8\n[charging]\nbranch_a = 100\n[watch]\nover_after_s = 30\n"
        ),
    },
    // Dates.
    Case {
        rule: "bad-date",
        bad: &[("scale = 1.02", "from = 09:30:00")],
        fine: &[("scale = 1.02", "from = 2026-05-02")],
    },
    Case {
        rule: "until-before-from",
        bad: &[("scale = 1.02", "from = 2026-05-02\nuntil = 2026-05-02T00:00:00")],
        fine: &[("scale = 1.02", "from = 2026-05-02\nuntil = 2026-05-02T00:00:01")],
    },
    Case {
        rule: "time-skipped",
        bad: &[("scale = 1.02", "from = 2025-03-09T02:30:00")],
        fine: &[("scale = 1.02", "from = 2025-03-09T03:00:00")],
    },
    Case {
        rule: "time-twice",
        bad: &[("scale = 1.02", "from = 2025-11-02T01:30:00")],
        fine: &[("scale = 1.02", "from = 2025-11-02T01:30:00-07:00")],
    },
];

/// Rules whose maps are too large to be written out, and that of `counters`; each has a test of its own.
const MADE: [&str; 4] = ["file-too-large", "too-many", "more-findings", "counter-beside"];

fn edited(edits: Edits) -> String {
    let mut text = BASE.to_owned();
    for (from, to) in edits {
        if from.is_empty() {
            text.push_str(to);
            continue;
        }
        assert!(text.contains(from), "{from} is not in the map");
        text = text.replacen(from, to, 1);
    }
    text
}

#[test]
fn each_rule_is_broken_by_one_map_and_kept_by_another() {
    for case in CASES {
        let bad = parse("map.toml", &edited(case.bad));
        assert!(
            !bad.findings.is_empty() && bad.findings.iter().all(|finding| finding.rule == case.rule),
            "{} is not what was found:\n{}",
            case.rule,
            messages(&bad.findings)
        );
        let rule = rules::ALL.iter().find(|rule| rule.id == case.rule).expect("a rule of the table");
        assert_eq!(bad.site.is_none(), rule.severity == super::super::Severity::Error, "{}", case.rule);
        let fine = parse("map.toml", &edited(case.fine));
        assert_eq!(messages(&fine.findings), "", "{}", case.rule);
        assert!(fine.site.is_some(), "{}", case.rule);
    }
}

#[test]
fn each_rule_has_a_case() {
    for rule in rules::ALL {
        let cases = CASES.iter().filter(|case| case.rule == rule.id).count();
        assert_eq!(cases, usize::from(!MADE.contains(&rule.id)), "{}", rule.id);
    }
}

#[test]
fn the_base_is_sound() {
    assert_eq!(messages(&parse("map.toml", BASE).findings), "");
}

/// All messages as an installer sees them.
#[test]
fn messages_say_what_why_and_what_to_write() {
    let mut shown = String::new();
    for case in CASES {
        let _ = write!(shown, "{}", messages(&parse("map.toml", &edited(case.bad)).findings));
    }
    insta::assert_snapshot!(shown);
}

#[test]
fn all_findings_come_at_once_and_by_line() {
    let text = edited(&[
        ("billing_day = 1", "billing_day = 30"),
        ("breaker_a = 30", "breaker_a = \"30\""),
        ("\"house/4\"", "\"house/44\""),
        ("\"PV\"", "\"pv\""),
        ("id = \"lights\"", "id = \"plugs\""),
        (END, "colour = \"red\"\n"),
    ]);
    let parsed = parse("map.toml", &text);
    assert!(parsed.site.is_none());
    let found: Vec<_> = parsed.findings.iter().map(|finding| (finding.line, finding.rule)).collect();
    let line = |of: &str| text.lines().position(|line| line.contains(of)).unwrap() + 1;
    let mut expected = vec![
        (line("billing_day"), "billing-day"),
        (line("\"30\""), "wrong-type"),
        (line("house/44"), "unknown-channel"),
        (line("\"pv\""), "unknown-word"),
        (line("sign ="), "sign-of-load"),
        (line("Lights") - 2, "duplicate-id"),
        (line("colour"), "unknown-key"),
    ];
    expected.sort_unstable();
    assert_eq!(found, expected, "\n{}", messages(&parsed.findings));
}
