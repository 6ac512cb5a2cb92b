//! Every key there is, with its kind and default: the one list that reading, suggestions and the
//! reference follow.

/// What a key holds.
#[derive(Clone, Copy, Debug, PartialEq, Eq)]
pub enum Kind {
    /// Text.
    Text,
    /// A whole number.
    Whole,
    /// A number.
    Number,
    /// `true` or `false`.
    Flag,
    /// A secret: the environment may hold it, the file may not.
    Secret,
}

impl Kind {
    /// How messages name it.
    pub fn as_str(self) -> &'static str {
        match self {
            Self::Text | Self::Secret => "a text in quotes",
            Self::Whole => "a whole number",
            Self::Number => "a number",
            Self::Flag => "true or false",
        }
    }
}

/// One key.
#[derive(Clone, Copy, Debug)]
pub struct Key {
    /// `section.name`.
    pub path: &'static str,
    /// What it holds.
    pub kind: Kind,
    /// What it is when nobody says.
    pub default: Option<&'static str>,
}

const fn key(path: &'static str, kind: Kind, default: Option<&'static str>) -> Key {
    Key { path, kind, default }
}

/// Sections of which there can be several, each a `[[section]]` of its own, and how many at most:
/// each central store is a task and a connection, and nobody has been seen to need more than three;
/// an announcement is a message a figure, and hubs have few kinds of them; a token is a hub or a wall
/// display.
pub(super) const LISTS: [(&str, &str, usize); 3] =
    [("central", "central store", 16), ("announce", "announcement", 16), ("token", "token", 16)];

/// Every key. Those of a section that is a list belong to each of its kind.
pub const KEYS: &[Key] = &[
    key("broker.url", Kind::Text, Some("mqtt://localhost:1883")),
    key("broker.listen", Kind::Text, Some("127.0.0.1:1883")),
    key("broker.client_id", Kind::Text, Some("panelwright")),
    key("broker.username", Kind::Text, None),
    key("broker.password", Kind::Secret, None),
    key("broker.password_file", Kind::Text, None),
    key("broker.protocol", Kind::Text, Some("5")),
    key("broker.ca_file", Kind::Text, None),
    key("broker.client_cert_file", Kind::Text, None),
    key("broker.client_key_file", Kind::Text, None),
    key("broker.receive_maximum", Kind::Whole, Some("4096")),
    key("broker.keep_alive_s", Kind::Whole, Some("30")),
    key("store.directory", Kind::Text, Some("/var/lib/panelwright")),
    key("store.commit_every_s", Kind::Whole, Some("5")),
    key("store.keep_readings", Kind::Text, Some("for ever")),
    key("store.keep_minutes", Kind::Text, Some("for ever")),
    key("store.late_window_days", Kind::Whole, Some("7")),
    key("sites.directory", Kind::Text, Some("sites")),
    key("central.name", Kind::Text, None),
    key("central.kind", Kind::Text, Some("influx")),
    key("central.url", Kind::Text, None),
    key("central.organization", Kind::Text, None),
    key("central.bucket", Kind::Text, None),
    key("central.token", Kind::Secret, None),
    key("central.token_file", Kind::Text, None),
    key("central.ca_file", Kind::Text, None),
    key("central.resolution", Kind::Text, Some("minute")),
    key("central.gzip", Kind::Flag, Some("true")),
    key("publish.json", Kind::Text, Some("panelwright/{site}/now")),
    key("publish.alerts", Kind::Text, Some("panelwright/{site}/alerts")),
    key("publish.findings", Kind::Text, Some("panelwright/{site}/findings")),
    key("publish.state", Kind::Text, Some("panelwright/state")),
    key("publish.min_interval_s", Kind::Number, Some("1")),
    key("publish.max_interval_s", Kind::Number, Some("60")),
    key("publish.dead_band_w", Kind::Number, Some("1")),
    key("publish.homie", Kind::Flag, Some("true")),
    key("publish.homie_domain", Kind::Text, Some("homie")),
    key("publish.homie_device", Kind::Text, Some("panelwright")),
    key("announce.for", Kind::Text, Some("figure")),
    key("announce.topic", Kind::Text, None),
    key("announce.payload", Kind::Text, None),
    key("announce.payload_file", Kind::Text, None),
    key("commands.accept", Kind::Flag, Some("false")),
    key("commands.json", Kind::Text, Some("panelwright/{site}/set")),
    key("web.listen", Kind::Text, Some("127.0.0.1:8433")),
    key("web.password", Kind::Secret, None),
    key("web.password_file", Kind::Text, None),
    key("web.session_days", Kind::Whole, Some("30")),
    key("web.public_url", Kind::Text, None),
    key("web.cert_file", Kind::Text, None),
    key("web.key_file", Kind::Text, None),
    key("token.name", Kind::Text, None),
    key("token.file", Kind::Text, None),
    key("log.level", Kind::Text, Some("info")),
];

/// The key of that path.
pub(super) fn find(path: &str) -> Option<&'static Key> {
    KEYS.iter().find(|key| key.path == path)
}

/// The sections, each once.
pub(super) fn sections() -> Vec<&'static str> {
    let mut sections: Vec<_> = KEYS.iter().map(|key| section_of(key.path)).collect();
    sections.dedup();
    sections
}

fn section_of(path: &str) -> &str {
    path.split_once('.').map_or(path, |(section, _)| section)
}

/// What to write instead of an unknown key.
pub(super) fn suggest(path: &str) -> String {
    let section = section_of(path);
    let known = sections();
    if !known.contains(&section) {
        return match nearest(section, known.iter().copied()) {
            Some(near) => format!("did you mean [{near}]?"),
            None => format!("sections are {}", known.join(", ")),
        };
    }
    let name = path.split_once('.').map_or("", |(_, name)| name);
    let names = || {
        KEYS.iter().filter(|key| section_of(key.path) == section).map(|key| &key.path[section.len() + 1..])
    };
    if let Some(near) = nearest(name, names()) {
        return format!("did you mean {section}.{near}?");
    }
    // The right name in the wrong section.
    match KEYS.iter().find(|key| key.path.split_once('.').is_some_and(|(_, other)| other == name)) {
        Some(key) if !name.is_empty() => format!("did you mean {}?", key.path),
        _ => format!("[{section}] has {}", names().collect::<Vec<_>>().join(", ")),
    }
}

/// The candidate that is most like `word`, if any is near enough to be a slip of the fingers.
fn nearest<'a>(word: &str, candidates: impl Iterator<Item = &'a str>) -> Option<&'a str> {
    const NEAR: f64 = 0.8;
    candidates
        .map(|candidate| (strsim::jaro_winkler(word, candidate), candidate))
        .filter(|(likeness, _)| *likeness >= NEAR)
        .max_by(|(one, _), (other, _)| one.total_cmp(other))
        .map(|(_, candidate)| candidate)
}
