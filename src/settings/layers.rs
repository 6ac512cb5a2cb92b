//! The layers: file under environment, each value with the place that it comes from.

use std::collections::{BTreeMap, BTreeSet};
use std::io::Read as _;
use std::ops::RangeInclusive;
use std::path::{Path, PathBuf};

use config::{Config, Environment, File, FileFormat};
use toml::Spanned;
use toml::de::{DeArray, DeTable, DeValue};

use super::keys::{self, Kind};
use super::problem::{Place, Problems};

/// How the variables of the environment begin that are settings.
pub(super) const PREFIX: &str = "PANELWRIGHT__";
/// A settings file is a few kB; a larger one was named by mistake.
const MAX_BYTES: u64 = 1 << 20;

/// File and environment, merged. A value that is in neither has its default.
#[derive(Debug)]
pub(super) struct Layers {
    /// The settings file.
    pub(super) file: Option<PathBuf>,
    /// How many there are of each section that is a list.
    counts: BTreeMap<&'static str, usize>,
    config: Config,
    /// Where each value that is not a default comes from.
    places: BTreeMap<String, Place>,
    /// Texts that start on the line after their key, in the file.
    dropped: BTreeSet<String>,
    /// Keys (or sections) that were complained about already.
    bad: BTreeSet<String>,
    /// Tokens of central stores from the environment, by name in lower case with `_` for `-`.
    central_tokens: BTreeMap<String, String>,
}

impl Layers {
    /// Reads both layers; what is unknown or of the wrong kind is a problem.
    pub(super) fn read(
        file: Option<PathBuf>,
        environment: BTreeMap<String, String>,
        problems: &mut Problems,
    ) -> Self {
        let mut layers = Self {
            file,
            counts: BTreeMap::new(),
            config: Config::default(),
            places: BTreeMap::new(),
            dropped: BTreeSet::new(),
            bad: BTreeSet::new(),
            central_tokens: BTreeMap::new(),
        };
        let text = match layers.file.clone() {
            Some(path) => layers.read_file(&path, problems),
            None => String::new(),
        };
        let environment = layers.read_environment(environment, problems);
        let built = Config::builder()
            .add_source(File::from_str(&text, FileFormat::Toml))
            .add_source(
                Environment::with_prefix("PANELWRIGHT")
                    .prefix_separator("__")
                    .separator("__")
                    .source(Some(environment.into_iter().collect())),
            )
            .build();
        match built {
            Ok(config) => layers.config = config,
            Err(error) => problems.add(Place::Nowhere, error.to_string(), "mend what it names"),
        }
        layers
    }

    /// Reads and walks the file; gives its text if it is TOML at all.
    #[expect(clippy::disallowed_methods, reason = "settings are where their file enters")]
    fn read_file(&mut self, path: &Path, problems: &mut Problems) -> String {
        let shown = path.display().to_string();
        let mut text = String::new();
        let read = std::fs::File::open(path).and_then(|file| file.take(MAX_BYTES).read_to_string(&mut text));
        if let Err(error) = read {
            let hint = "name a settings file with --settings FILE";
            problems.add(Place::Nowhere, format!("{shown} cannot be read: {error}"), hint);
            return String::new();
        }
        let at = |offset: usize| Place::File { file: shown.clone(), line: line_of(&text, offset) };
        let (root, errors) = DeTable::parse_recoverable(&text);
        for error in &errors {
            let offset = error.span().map_or(0, |span| span.start);
            problems.add(at(offset), error.message().replace('\n', ", "), "write it as TOML has it");
        }
        if !errors.is_empty() {
            return String::new();
        }
        self.walk(root.get_ref(), &at, problems);
        text
    }

    /// Goes through the file's sections and keys.
    fn walk(&mut self, root: &DeTable<'_>, at: &dyn Fn(usize) -> Place, problems: &mut Problems) {
        for (name, value) in root {
            let section = name.get_ref().as_ref();
            let place = at(name.span().start);
            if !keys::sections().contains(&section) {
                problems.add(place, format!("{section} is no setting"), keys::suggest(section));
                continue;
            }
            let list = keys::LISTS.iter().find(|(list, ..)| *list == section);
            match (list, value.get_ref()) {
                (Some(list), DeValue::Array(all)) => self.walk_list(*list, all, place, at, problems),
                (Some((list, thing, _)), _) => {
                    let hint = format!("each {thing} is a [[{list}]] of its own, in double brackets");
                    problems.add(place, format!("{list} is a list"), hint);
                }
                (None, DeValue::Table(table)) => self.walk_section(section, section, table, at, problems),
                _ => self.not_a_section(section, place, problems),
            }
        }
    }

    /// Goes through the sections of one kind.
    fn walk_list(
        &mut self,
        (section, _, most): (&'static str, &str, usize),
        all: &DeArray<'_>,
        place: Place,
        at: &dyn Fn(usize) -> Place,
        problems: &mut Problems,
    ) {
        if all.len() > most {
            let what = format!("there are {} [[{section}]] sections", all.len());
            problems.add(place, what, format!("keep at most {most}"));
        }
        self.counts.insert(section, all.len().min(most));
        for (index, one) in all.iter().enumerate().take(most) {
            let path = format!("{section}[{index}]");
            self.places.insert(path.clone(), at(one.span().start));
            match one.get_ref() {
                DeValue::Table(table) => self.walk_section(section, &path, table, at, problems),
                _ => self.not_a_section(&path, at(one.span().start), problems),
            }
        }
    }

    fn not_a_section(&mut self, path: &str, place: Place, problems: &mut Problems) {
        self.bad.insert(path.to_owned());
        problems.add(place, format!("{path} is a section"), format!("write [{path}] and its keys below it"));
    }

    /// Checks the keys of one section; `path` names it in messages and in the merged settings.
    fn walk_section(
        &mut self,
        section: &str,
        path: &str,
        table: &DeTable<'_>,
        at: &dyn Fn(usize) -> Place,
        problems: &mut Problems,
    ) {
        for (name, value) in table {
            let generic = format!("{section}.{}", name.get_ref());
            let full = format!("{path}.{}", name.get_ref());
            let place = at(name.span().start);
            let Some(key) = keys::find(&generic) else {
                problems.add(place, format!("{generic} is no setting"), keys::suggest(&generic));
                continue;
            };
            if key.kind == Kind::Secret {
                let what = format!("{generic} is a secret, and others may read this file");
                let hint = format!("put it into a file of mode 600 and name that as {generic}_file");
                problems.add(place, what, hint);
                self.bad.insert(full);
            } else if !fits(key.kind, value) {
                let what = format!("{generic} is {}", value.get_ref().type_str());
                problems.add(place, what, format!("write {}", key.kind.as_str()));
                self.bad.insert(full);
            } else {
                if let (DeValue::String(text), span) = (value.get_ref(), value.span())
                    && is_dropped(text, at(span.start), at(span.end))
                {
                    self.dropped.insert(full.clone());
                }
                self.places.insert(full, place);
            }
        }
    }

    /// Sorts the variables that are settings into those that the merge takes and tokens of central
    /// stores, which it could not place in a list.
    fn read_environment(
        &mut self,
        environment: BTreeMap<String, String>,
        problems: &mut Problems,
    ) -> BTreeMap<String, String> {
        let mut taken = BTreeMap::new();
        for (name, value) in environment {
            let Some(rest) = name.strip_prefix(PREFIX) else { continue };
            let path = rest.to_lowercase().replace("__", ".");
            if let Some(store) = path.strip_prefix("central.").and_then(|rest| rest.strip_suffix(".token")) {
                self.central_tokens.insert(store.to_owned(), value);
            } else if path.starts_with("announce") {
                let what = "announcements are set in the file".to_owned();
                problems.add(Place::Environment(name), what, "take the variable out");
            } else if path.starts_with("token.") {
                let what = "tokens are set in the file".to_owned();
                problems.add(Place::Environment(name), what, "take the variable out");
            } else if path.starts_with("central") {
                let what = "central stores are set in the file".to_owned();
                let hint = format!("only {PREFIX}CENTRAL__<NAME>__TOKEN may be in the environment");
                problems.add(Place::Environment(name), what, hint);
            } else if keys::find(&path).is_some() {
                self.places.insert(path, Place::Environment(name.clone()));
                taken.insert(name, value);
            } else {
                let hint = keys::suggest(&path);
                problems.add(Place::Environment(name), format!("{path} is no setting"), hint);
            }
        }
        taken
    }

    /// How many `[[section]]` there are.
    pub(super) fn count(&self, section: &str) -> usize {
        self.counts.get(section).copied().unwrap_or(0)
    }

    /// File and line at which the text at `path` begins; a text in triple quotes may do so on the line
    /// after its key.
    pub(super) fn text_place(&self, path: &str) -> (String, usize) {
        match self.place(path) {
            Place::File { file, line } => (file, line + usize::from(self.dropped.contains(path))),
            other => (other.to_string(), 1),
        }
    }

    /// Where the value at `path` comes from.
    pub(super) fn place(&self, path: &str) -> Place {
        let section = path.rsplit_once('.').map_or(path, |(section, _)| section);
        self.places.get(path).or_else(|| self.places.get(section)).cloned().unwrap_or(Place::Nowhere)
    }

    /// Whether file or environment says anything of `path`, right or wrong.
    pub(super) fn is_set(&self, path: &str) -> bool {
        self.places.contains_key(path) || self.bad.contains(path)
    }

    /// The text at `path`, or its default. A secret is never told apart by its text in messages.
    pub(super) fn text(&self, path: &str) -> Option<String> {
        match self.places.contains_key(path) {
            true => self.config.get_string(path).ok(),
            false => default(path).map(str::to_owned),
        }
    }

    /// The whole number at `path`, if it lies in `range`.
    pub(super) fn whole(
        &self,
        path: &str,
        range: RangeInclusive<i64>,
        problems: &mut Problems,
    ) -> Option<i64> {
        let text = self.text(path)?;
        match text.trim().parse() {
            Ok(number) if range.contains(&number) => Some(number),
            _ => {
                let hint = format!("write a whole number from {} to {}", range.start(), range.end());
                problems.add(self.place(path), format!("{path} is {text}"), hint);
                None
            }
        }
    }

    /// The number at `path`, if it lies in `range`.
    pub(super) fn number(
        &self,
        path: &str,
        range: RangeInclusive<f64>,
        problems: &mut Problems,
    ) -> Option<f64> {
        let text = self.text(path)?;
        match text.trim().parse() {
            Ok(number) if range.contains(&number) => Some(number),
            _ => {
                let hint = format!("write a number from {} to {}", range.start(), range.end());
                problems.add(self.place(path), format!("{path} is {text}"), hint);
                None
            }
        }
    }

    /// The flag at `path`.
    pub(super) fn flag(&self, path: &str, problems: &mut Problems) -> Option<bool> {
        let text = self.text(path)?;
        match text.as_str() {
            "true" => Some(true),
            "false" => Some(false),
            _ => {
                problems.add(self.place(path), format!("{path} is {text}"), "write true or false");
                None
            }
        }
    }

    /// A path, relative to the settings file's directory (to the working directory without a file).
    pub(super) fn path(&self, path: &str) -> Option<PathBuf> {
        let named = PathBuf::from(self.text(path)?);
        let base = self.file.as_deref().and_then(Path::parent).unwrap_or(Path::new(""));
        Some(base.join(named))
    }

    /// The token that the environment has for a central store.
    pub(super) fn take_central_token(&mut self, name: &str) -> Option<String> {
        self.central_tokens.remove(&name.to_lowercase().replace('-', "_"))
    }

    /// Tokens in the environment that belong to no central store.
    pub(super) fn stray_central_tokens(&self) -> impl Iterator<Item = String> {
        self.central_tokens.keys().map(|name| format!("{PREFIX}CENTRAL__{}__TOKEN", name.to_uppercase()))
    }
}

/// What is there when nobody says.
pub(super) fn default(path: &str) -> Option<&'static str> {
    let generic = match (path.split_once('['), path.split_once("].")) {
        (Some((section, _)), Some((_, name))) => format!("{section}.{name}"),
        _ => path.to_owned(),
    };
    keys::find(&generic).and_then(|key| key.default)
}

/// Whether a text begins on the line after its opening quotes: TOML drops the line break that
/// follows them, so that the text has one line break less than it takes lines.
fn is_dropped(text: &str, start: Place, end: Place) -> bool {
    let (Place::File { line: first, .. }, Place::File { line: last, .. }) = (start, end) else {
        return false;
    };
    last - first > text.matches('\n').count()
}

/// Whether a value of the file is of the key's kind. A whole number serves as a number.
fn fits(kind: Kind, value: &Spanned<DeValue<'_>>) -> bool {
    let value = value.get_ref();
    match kind {
        Kind::Text | Kind::Secret => value.is_str(),
        Kind::Whole => value.is_integer(),
        Kind::Number => value.is_integer() || value.is_float(),
        Kind::Flag => value.is_bool(),
    }
}

/// The line (1-based) at which `offset` lies.
pub(super) fn line_of(text: &str, offset: usize) -> usize {
    text.as_bytes().iter().take(offset).filter(|byte| **byte == b'\n').count() + 1
}
