//! What ids, labels, channel names, topics and pointers may look like.

use super::findings::Findings;
use super::rules;
use super::text::At;

/// Topics carry ids, and so do file names on every system.
const MAX_ID: usize = 64;
/// A panel directory's line holds about 40; this leaves room and bounds tables and messages.
const MAX_LABEL: usize = 200;
/// As an id; a topic level.
const MAX_CHANNEL: usize = 64;
/// MQTT allows 65,535 bytes; a topic that long is a slip, and there is one for each channel.
const MAX_TOPIC: usize = 512;
/// A pointer of this length is deeper than any payload.
const MAX_POINTER: usize = 512;

/// What stands for the channel's name in topics and pointers.
pub(super) const PLACEHOLDER: &str = "{channel}";

/// Checks an id; gives it back in any case, so that references to it find it.
pub(super) fn id(id: &Option<At<String>>, of: &str, findings: &mut Findings) -> Option<String> {
    let At { value, line } = id.as_ref()?;
    let fits = |c: char| c.is_ascii_lowercase() || c.is_ascii_digit() || c == '-';
    let good = (1..=MAX_ID).contains(&value.len())
        && value.chars().all(fits)
        && !value.starts_with('-')
        && !value.ends_with('-');
    if !good {
        let what = format!("the {of} id \"{}\" cannot stand in a topic", shown(value));
        findings.add(&rules::BAD_ID, *line, what, format!("write, for example, \"{}\"", slug(value)));
    }
    Some(value.clone())
}

/// A label or name, checked; `default` where there is none.
pub(super) fn label(label: &Option<At<String>>, default: &str, findings: &mut Findings) -> String {
    let Some(At { value, line }) = label else { return default.to_owned() };
    let length = value.chars().count();
    if value.trim().is_empty() || length > MAX_LABEL || value.chars().any(char::is_control) {
        let what = match length {
            0..=MAX_LABEL => format!("the label \"{}\" is empty or has control characters", shown(value)),
            _ => format!("a label has {length} characters"),
        };
        findings.add(&rules::BAD_LABEL, *line, what, "write one line of 1 to 200 characters");
    }
    value.clone()
}

/// Whether a device's own name for a channel can be used.
pub(super) fn is_channel(key: &str) -> bool {
    !key.is_empty()
        && key.chars().count() <= MAX_CHANNEL
        && key.trim() == key
        && !key.chars().any(|c| c.is_control() || matches!(c, '/' | '+' | '#' | '{' | '}'))
}

/// Why a topic cannot be subscribed to as it is, and what to write.
pub(super) fn topic_fault(topic: &str) -> Option<(&'static str, &'static str)> {
    let rest = topic.replacen(PLACEHOLDER, "", 1);
    if topic.is_empty() || topic.len() > MAX_TOPIC {
        Some(("is empty or longer than 512 bytes", "write the topic as the device publishes it"))
    } else if rest.contains(['{', '}']) {
        Some((
            "has braces other than one `{channel}`",
            "write `{channel}` once, where the channel's name stands",
        ))
    } else if topic.contains(['+', '#']) {
        Some(("has a wildcard", "write `{channel}` where the channel's name stands"))
    } else if topic.split('/').any(str::is_empty) {
        Some(("has an empty level", "leave out the `/` at its start or end, or the doubled one"))
    } else if topic.chars().any(char::is_control) {
        Some(("has a control character", "write the topic as the device publishes it"))
    } else if topic.starts_with('$') {
        Some(("starts with `$`, which is the broker's own", "write the topic that the device publishes"))
    } else {
        None
    }
}

/// Why a JSON pointer does not follow RFC 6901 (section 3), and what to write.
pub(super) fn pointer_fault(pointer: &str) -> Option<(&'static str, &'static str)> {
    let mut after_tilde = pointer.split('~').skip(1);
    let rest = pointer.replacen(PLACEHOLDER, "", 1);
    if !pointer.is_empty() && !pointer.starts_with('/') {
        Some(("does not start with `/`", "write `/` before each key, as in \"/channels/1/watts\""))
    } else if after_tilde.any(|part| !part.starts_with(['0', '1'])) {
        Some(("has a `~` without 0 or 1 behind it", "write `~0` for `~` and `~1` for `/` in a key"))
    } else if rest.contains(PLACEHOLDER) {
        Some(("has `{channel}` twice", "write it once"))
    } else if pointer.len() > MAX_POINTER || pointer.chars().any(char::is_control) {
        Some(("is longer than 512 bytes or has control characters", "write the path to one value"))
    } else {
        None
    }
}

/// A text as messages show it: one line, and not endless.
pub(super) fn shown(text: &str) -> String {
    text.chars().map(|c| if c.is_control() { '?' } else { c }).take(80).collect()
}

/// The nearest thing to `text` that is an id.
pub(super) fn slug(text: &str) -> String {
    let mut slug = String::new();
    for c in text.chars() {
        match c.to_ascii_lowercase() {
            c if c.is_ascii_lowercase() || c.is_ascii_digit() => slug.push(c),
            _ if !slug.is_empty() && !slug.ends_with('-') => slug.push('-'),
            _ => {}
        }
    }
    let slug: String = slug.chars().take(MAX_ID).collect();
    match slug.trim_end_matches('-') {
        "" => "dryer".to_owned(),
        slug => slug.to_owned(),
    }
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn topics() {
        for good in ["a", "a/b", "a/{channel}/b", "a/ct{channel}", "house meter/1"] {
            assert_eq!(topic_fault(good), None, "{good}");
        }
        for bad in ["", "/a", "a/", "a//b", "a/+/b", "a/#", "a/{x}", "{channel}/{channel}", "$SYS/a", "a\0b"]
        {
            assert!(topic_fault(bad).is_some(), "{bad}");
        }
    }

    /// RFC 6901, section 3 (grammar) and section 5 (its examples).
    #[test]
    fn pointers() {
        for good in
            ["", "/foo", "/foo/0", "/", "/a~1b", "/c%d", "/e^f", "/g|h", "/i\\j", "/k\"l", "/ ", "/m~0n"]
        {
            assert_eq!(pointer_fault(good), None, "{good}");
        }
        for bad in ["foo", "#/foo", "/a~", "/a~2", "/a~b", "~0"] {
            assert!(pointer_fault(bad).is_some(), "{bad}");
        }
    }

    #[test]
    fn an_id_is_suggested_for_whatever_was_written() {
        assert_eq!(slug("Heat Pump, #2 "), "heat-pump-2");
        assert_eq!(slug("Wärme"), "w-rme");
        assert_eq!(slug("---"), "dryer");
    }
}
