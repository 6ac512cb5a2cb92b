//! The rules of a map, each in one place: what is refused (or doubted) and why.
//!
//! To add a rule: a line here, the check that calls `findings.add(&rules::NAME, …)`, and a case in
//! `tests/rules.rs` with one map that breaks just this rule and one that is fine. The tests find a
//! rule without a case, and a reference (docs/map.md) whose table lags behind.

use super::findings::Severity;

/// One rule.
#[derive(Clone, Copy, Debug, PartialEq, Eq)]
pub struct Rule {
    /// Stable name, for scripts and for tests.
    pub id: &'static str,
    /// What breaking it means.
    pub severity: Severity,
    /// What is refused or doubted.
    pub refuses: &'static str,
    /// Why.
    pub why: &'static str,
    /// The clause of the standard that it goes by, where there is one.
    pub source: Option<&'static str>,
}

/// A table of rules: a constant each, and all of them.
macro_rules! rules {
    ($($name:ident $severity:ident $id:literal: $refuses:literal, $why:literal $(, $source:literal)?;)*) => {
        $(
            #[doc = $refuses]
            pub const $name: $crate::site::rules::Rule = $crate::site::rules::Rule {
                id: $id,
                severity: $crate::site::Severity::$severity,
                refuses: $refuses,
                why: $why,
                source: $crate::site::rules::rules!(@source $($source)?),
            };
        )*
        /// Every rule of this table, in the order of the reference.
        pub const ALL: &[&$crate::site::rules::Rule] = &[$(&$name),*];
    };
    (@source) => { None };
    (@source $source:literal) => { Some($source) };
}
pub(super) use rules;

rules! {
    // The file.
    SYNTAX Error "toml-syntax": "text that is not TOML", "a file that cannot be read says nothing";
    FILE_SIZE Error "file-too-large": "a file of more than 1 MiB", "the map of a large house is 30 KiB, so this is another file";
    UNKNOWN_KEY Error "unknown-key": "a key that the map does not know", "a misspelt key would be ignored, and the figures would be wrong in silence";
    MISSING_KEY Error "missing-key": "a required key that is not there", "there is no safe guess for it";
    WRONG_TYPE Error "wrong-type": "a value of the wrong kind", "it cannot be read as what the key stands for";
    UNKNOWN_WORD Error "unknown-word": "a word that the key does not know", "only the listed words have a meaning here";
    TOO_MANY Error "too-many": "more than 512 channels, 512 circuits, 2,048 entries or 256 dates of change", "memory and reading time are bounded by these numbers, and a panel stays far below them";
    MORE Note "more-findings": "more than 500 findings in one file", "the list ends at 500";

    // Names.
    BAD_ID Error "bad-id": "an id with other characters than small letters, digits and inner hyphens, or of more than 64", "ids go into topics, file names and links";
    RESERVED_ID Error "reserved-id": "a circuit called `site`, `ev` or `health`", "the published device has nodes of that name beside its circuits";
    DUPLICATE_ID Error "duplicate-id": "an id that is there twice: two devices, two buses, or two circuits at one moment", "history is kept by id, and two things would be added up in one";
    BAD_LABEL Error "bad-label": "a name or label that is empty, of more than 200 characters, or with control characters", "it is printed on the panel directory and in tables";
    TIME_ZONE Error "time-zone": "a time zone that the IANA database does not have", "it decides where each day and each bill starts";
    BILLING_DAY Error "billing-day": "a billing day outside of 1 to 28", "every month has to have that day";
    LATE_WINDOW Error "late-window": "a late window outside of 1 to 36500 days", "a reading older than that is refused, and one from before there were panels like this is a clock set wrong";

    // Devices and channels.
    BAD_CHANNEL Error "bad-channel-name": "a channel name that is empty, longer than 64 characters, or has `/`, `+`, `#` or control characters", "it stands for one level of a topic and for the second half of `device/channel`";
    CHANNEL_LISTED_TWICE Error "channel-listed-twice": "a channel that a device lists twice", "the list is of what the device sends, each once";
    BAD_TOPIC Error "bad-topic": "a topic with wildcards, empty levels, control characters, a leading `$`, or other braces than one `{channel}`", "a device's readings come on exact topics";
    BAD_POINTER Error "bad-pointer": "a JSON pointer that RFC 6901 does not allow", "it would point at nothing, and no reading would be found";
    CHANNELS_NOT_APART Error "channels-not-apart": "several channels of one device without `{channel}` in its topic or pointer", "nothing tells which channel a message is of";
    SAME_READING_TWICE Error "same-reading-twice": "two channels that are read from the same place of the same topic", "one CT would be counted as two";
    UNIT_MISMATCH Error "unit-mismatch": "`volts` with another unit than A, `rolls_over_at` or `reading = \"instant\"` where the unit does not go with it", "the key means nothing with this unit, so one of the two is wrong";
    COUNTER_BESIDE Error "counter-beside": "a counter beside power in another unit than Wh or kWh, in no place of its own, or where there is no power to be beside; an `export_counter` without a `counter`", "energy would be taken from a number that does not count it";
    BAD_PERIOD Error "bad-period": "a period outside of 0.1 s to 1 h, in finer steps than 0.1 s, or a gap shorter than the period", "times are kept to 0.1 s, and every reading would be late";
    DEVICE_UNUSED Warning "device-unused": "a device without any channel", "nothing is read from it";

    // References.
    UNKNOWN_DEVICE Error "unknown-device": "a channel of a device that is not there", "a channel is written `device/channel`";
    UNKNOWN_CHANNEL Error "unknown-channel": "a channel that its device does not list", "it would never be read";
    UNKNOWN_BUS Error "unknown-bus": "a bus that is not there", "the circuit would be in nobody's books";
    UNKNOWN_CIRCUIT Error "unknown-circuit": "a bus that is fed by a circuit that is not there", "the bus would hang in the air";

    // Buses.
    BUS_NOT_FED Error "bus-not-fed": "a bus, other than `main` and `service`, that no circuit feeds", "its circuits would be in nobody's books";
    ROOT_BUS_FED Error "root-bus-fed": "`fed_by` on `main` or `service`", "the utility feeds the service point, and the service point feeds the main panel";
    CIRCUIT_FEEDS_TWO_BUSES Error "circuit-feeds-two-buses": "two buses that name the same feeder", "its flow cannot be told apart between them";
    BUS_CYCLE Error "bus-cycle": "buses that feed each other in a circle", "no current would come in";
    FEEDER_MOVED Error "feeder-moved": "a feeder whose dated entries sit on different buses", "the tree of buses is one for all times";
    FEEDER_END_USE Error "feeder-end-use": "a feeder with the end use PV or storage", "what it feeds is on the bus below, and would be counted there or not at all";

    // Feeds.
    FEED_EMPTY Error "feed-without-channels": "a feed that names no channel", "a bus without CTs on its feed has no [[feed]] at all";
    TWO_FEEDS_AT_ONCE Error "two-feeds-at-once": "two feeds of one bus at one moment", "the flow would be counted twice";
    FEED_AND_FEEDER Error "feed-and-feeder": "a feed for a bus whose feeder circuit has CTs", "those CTs are its feed already, and the flow would be counted twice";
    MEASURES_OF_SUBPANEL Error "measures-of-subpanel": "`measures` on the feed of another bus than `main`, or one that contradicts it", "it says where the mains CTs sit relative to a tap ahead of the main";
    LEG_NOT_OF_SYSTEM Error "leg-not-of-system": "a leg that the service does not have", "split-phase has A and B, wye has A, B and C";
    LEG_TWICE Error "leg-twice": "a feed or circuit that names a leg twice", "two CTs on one conductor count its current twice";
    LEG_MISSING Warning "leg-missing": "a mains feed with CTs on some legs only", "what flows on the other leg is in no figure";
    LEG_ELSEWHERE Warning "leg-elsewhere": "a CT on another leg than the circuit's spaces or legs say", "one of the two is wrong, or the panel is numbered in another way";
    NO_MAINS Warning "no-mains-feed": "a map without a feed for `main` or `service`", "grid, consumption and untracked are unknown without mains CTs";

    // Circuits.
    CT_TWICE Error "ct-twice": "one CT in two places at one moment", "its energy would be counted twice";
    BAD_SPACE Error "bad-space": "a space outside of 1 to 200, or the same one twice", "spaces are the numbered breaker positions of a panel";
    SPACES_OVERLAP Error "spaces-overlap": "two circuits in one space of a bus at one moment", "a breaker position holds one breaker";
    SPACES_APART Warning "spaces-apart": "a breaker of two or three poles whose spaces are not n, n+2 (, n+4)", "the poles of one breaker sit below each other, so one of the numbers is probably wrong";
    DOUBLED_NEEDS_ONE_CT Error "doubled-needs-one-ct": "a doubled circuit with no CT or several", "doubling makes one CT stand for both legs";
    DOUBLED_ONE_POLE Error "doubled-one-pole": "a doubled circuit that is not on exactly two legs", "there is no second leg that one CT could stand for";
    BAD_AMPS Error "bad-amps": "a rating that is not above 0 and at most 6,000 A", "no house has such a breaker, busbar or CT";
    BAD_SCALE Error "bad-scale": "a scale that is not above 0 and at most 1,000, or has more than 6 decimals", "a scale calibrates; a CT that is turned round is `reversed = true`";
    ODD_SCALE Warning "odd-scale": "a scale outside of 0.5 to 2", "no sound CT is that far off; a wrong ratio is better set in the device";
    SCALE_TWICE Error "scale-twice": "a scale on a circuit and on its channel too", "it is not clear whether they multiply";
    SIGN_OF_LOAD Error "sign-of-load": "`sign` or `inverter_a` on a circuit that is neither PV nor storage", "a load that reads negative has its CT turned round, and has no inverter";
    SOURCE_WITHOUT_CT Warning "source-without-ct": "a PV or storage circuit without a CT", "generation or storage, and consumption, are unknown then, and untracked contains its flow";
    EV_WITHOUT_CT Warning "ev-without-ct": "an EV charging circuit without a CT", "the solar surplus is unknown then";

    // EV charging and the watch over breakers.
    EV_CIRCUIT Error "ev-circuit": "an `[[ev]]` of a circuit that is not there, is not for EV charging, or has one already", "the advice is for one charger, and rests on what its circuit takes";
    EV_WITHOUT_BREAKER Error "ev-without-breaker": "an `[[ev]]` whose circuit has no `breaker_a`", "advice never exceeds 80 % of the breaker, so the breaker has to be known";
    EV_ABOVE_BREAKER Warning "ev-above-breaker": "a charging current above 80 % of the charger's breaker", "charging goes on for hours, and a breaker carries 125 % of such a load";
    EV_WITHOUT_HEADROOM Warning "ev-without-headroom": "an `[[ev]]` in a map that does not say the main breaker or the legs of the mains CTs", "nothing tells then how much room the service has, and the advice does not look at it";
    CHARGING_NUMBER Error "charging-number": "a number of `[[ev]]`, `[charging]` or `[watch]` outside of its range, or two that contradict each other", "the advice would be none that a charger can follow";

    // Dates.
    BAD_DATE Error "bad-date": "a date that is no day of the calendar or a time without a day", "an entry is dated by a moment";
    UNTIL_BEFORE_FROM Error "until-before-from": "an entry that ends before it starts, or as it starts", "it would never hold";
    TIME_SKIPPED Note "time-skipped": "a local time that the clock jumped over", "it never was; the time after the jump is taken";
    TIME_TWICE Note "time-twice": "a local time that was there twice", "the clock was put back; the first of the two is taken";
}
