//! Reading a TOML document with a line for each value, and every slip collected.
//!
//! The document is walked by hand rather than through serde's derive, because a derived reader
//! stops at the first value of a wrong type, and an installer wants all of them at once.

use toml::Spanned;
use toml::de::{DeArray, DeTable, DeValue};
use toml::value::Datetime;

use super::findings::{Findings, nearest};
use super::rules;

/// A value and the line (1-based) on which it stands.
#[derive(Clone, Debug)]
pub(super) struct At<T> {
    pub(super) value: T,
    pub(super) line: usize,
}

/// Where lines start, to turn a byte offset into a line.
pub(super) struct Lines {
    starts: Vec<usize>,
}

impl Lines {
    /// The lines of a text.
    pub(super) fn new(text: &str) -> Self {
        let ends = text.bytes().enumerate().filter(|(_, byte)| *byte == b'\n');
        Self { starts: std::iter::once(0).chain(ends.map(|(at, _)| at + 1)).collect() }
    }

    /// The line (1-based) that holds a byte offset.
    pub(super) fn of(&self, offset: usize) -> usize {
        self.starts.partition_point(|start| *start <= offset).max(1)
    }
}

/// One table of the document, read key by key.
pub(super) struct Fields<'t> {
    table: &'t DeTable<'t>,
    lines: &'t Lines,
    /// How messages call it: `circuit "dryer"`.
    name: String,
    /// The line on which it starts.
    pub(super) line: usize,
    /// The keys that were asked for: what is left over is unknown.
    known: Vec<&'static str>,
}

impl<'t> Fields<'t> {
    /// A table that starts at a byte offset.
    pub(super) fn new(table: &'t DeTable<'t>, offset: usize, name: String, lines: &'t Lines) -> Self {
        Self { table, lines, name, line: lines.of(offset), known: Vec::new() }
    }

    /// Calls it by one of its keys, where that is a string: `circuit "dryer"`.
    pub(super) fn named_by(mut self, key: &str) -> Self {
        if let Some(id) = self.table.get(key).and_then(|value| value.get_ref().as_str()) {
            let short: String = id.chars().filter(|c| !c.is_control()).take(64).collect();
            self.name = format!("{} \"{short}\"", self.name);
        }
        self
    }

    /// A string.
    pub(super) fn string(&mut self, key: &'static str, findings: &mut Findings) -> Option<At<String>> {
        self.take(key, findings, |value| value.as_str().map(str::to_owned))
    }

    /// A number, whole or not; never NaN or infinite.
    pub(super) fn number(&mut self, key: &'static str, findings: &mut Findings) -> Option<At<f64>> {
        self.take(key, findings, |value| match value {
            DeValue::Integer(integer) => whole(integer).map(|whole| whole as f64),
            DeValue::Float(float) => float.as_str().parse().ok().filter(|float: &f64| float.is_finite()),
            _ => None,
        })
    }

    /// A whole number.
    pub(super) fn integer(&mut self, key: &'static str, findings: &mut Findings) -> Option<At<i64>> {
        self.take(key, findings, |value| value.as_integer().and_then(whole))
    }

    /// `true` or `false`; absent is `false`.
    pub(super) fn flag(&mut self, key: &'static str, findings: &mut Findings) -> At<bool> {
        let line = self.line;
        self.take(key, findings, DeValue::as_bool).unwrap_or(At { value: false, line })
    }

    /// A date, with or without time and offset.
    pub(super) fn date(&mut self, key: &'static str, findings: &mut Findings) -> Option<At<Datetime>> {
        self.take(key, findings, |value| value.as_datetime().copied())
    }

    /// A list whose items `convert` reads; an item that it cannot read is a finding. `None` where the key is absent.
    pub(super) fn list<T>(
        &mut self,
        key: &'static str,
        findings: &mut Findings,
        mut convert: impl FnMut(&'t Spanned<DeValue<'t>>, usize, &mut Findings) -> Option<T>,
    ) -> Option<Vec<T>> {
        self.known.push(key);
        let value = self.table.get(key)?;
        let Some(items) = value.get_ref().as_array() else {
            self.wrong_type(key, value, findings);
            return Some(Vec::new());
        };
        let items: &'t DeArray<'t> = items;
        let mut list = Vec::new();
        for item in items {
            match convert(item, self.lines.of(item.span().start), findings) {
                Some(item) => list.push(item),
                None => self.wrong_type(key, item, findings),
            }
        }
        Some(list)
    }

    /// A list of strings.
    pub(super) fn strings(&mut self, key: &'static str, findings: &mut Findings) -> Option<Vec<At<String>>> {
        self.list(key, findings, |item, line, _| {
            item.get_ref().as_str().map(|text| At { value: text.to_owned(), line })
        })
    }

    /// A list of whole numbers.
    pub(super) fn integers(&mut self, key: &'static str, findings: &mut Findings) -> Vec<At<i64>> {
        let list = self.list(key, findings, |item, line, _| {
            item.get_ref().as_integer().and_then(whole).map(|value| At { value, line })
        });
        list.unwrap_or_default()
    }

    /// The first and last line of a key's value; `None` where the key is absent.
    pub(super) fn lines_of(&self, key: &str) -> Option<(usize, usize)> {
        let span = self.table.get(key)?.span();
        Some((self.lines.of(span.start), self.lines.of(span.end.saturating_sub(1).max(span.start))))
    }

    /// The line on which a key's value starts.
    pub(super) fn line_of(&self, key: &str) -> Option<usize> {
        self.lines_of(key).map(|(first, _)| first)
    }

    /// A table inside this one.
    pub(super) fn table(
        &mut self,
        key: &'static str,
        name: String,
        findings: &mut Findings,
    ) -> Option<Fields<'t>> {
        self.known.push(key);
        let value = self.table.get(key)?;
        let Some(table) = value.get_ref().as_table() else {
            self.wrong_type(key, value, findings);
            return None;
        };
        Some(Fields::new(table, value.span().start, name, self.lines))
    }

    /// An array of tables, `[[key]]`.
    pub(super) fn tables(&mut self, key: &'static str, findings: &mut Findings) -> Vec<Fields<'t>> {
        let lines = self.lines;
        let list = self.list(key, findings, |item, _, _| {
            let table = item.get_ref().as_table()?;
            Some(Fields::new(table, item.span().start, key.to_owned(), lines))
        });
        list.unwrap_or_default()
    }

    /// Reports a required key that is not there.
    pub(super) fn require<T>(&self, key: &'static str, value: Option<&T>, findings: &mut Findings) {
        if value.is_none() && !self.table.contains_key(key) {
            let what = format!("{} has no `{key}`", self.name);
            findings.add(&rules::MISSING_KEY, self.line, what, format!("write {}", example(key)));
        }
    }

    /// Reports every key that nobody asked for.
    pub(super) fn finish(self, findings: &mut Findings) {
        for key in self.table.keys() {
            let word: &str = key.get_ref();
            if self.known.contains(&word) {
                continue;
            }
            let shown: String = word.chars().filter(|c| !c.is_control()).take(64).collect();
            let what = format!("{} has a key `{shown}`", self.name);
            let write = match nearest(word, self.known.iter().copied()) {
                Some(near) => format!("write `{near}`"),
                None => format!("leave it out; known here: {}", self.known.join(", ")),
            };
            findings.add(&rules::UNKNOWN_KEY, self.lines.of(key.span().start), what, write);
        }
    }

    fn take<T>(
        &mut self,
        key: &'static str,
        findings: &mut Findings,
        convert: impl FnOnce(&DeValue<'t>) -> Option<T>,
    ) -> Option<At<T>> {
        self.known.push(key);
        let value = self.table.get(key)?;
        let line = self.lines.of(value.span().start);
        let converted = convert(value.get_ref()).map(|value| At { value, line });
        if converted.is_none() {
            self.wrong_type(key, value, findings);
        }
        converted
    }

    fn wrong_type(&self, key: &str, value: &Spanned<DeValue<'_>>, findings: &mut Findings) {
        let line = self.lines.of(value.span().start);
        let what = format!("`{key}` of {} holds {}", self.name, kind(value.get_ref()));
        findings.add(&rules::WRONG_TYPE, line, what, format!("write, for example, {}", example(key)));
    }
}

fn whole(integer: &toml::de::DeInteger<'_>) -> Option<i64> {
    i64::from_str_radix(integer.as_str(), integer.radix()).ok()
}

fn kind(value: &DeValue<'_>) -> &'static str {
    match value {
        DeValue::String(_) => "a string",
        DeValue::Integer(_) => "a whole number",
        DeValue::Float(_) => "a number",
        DeValue::Boolean(_) => "true or false",
        DeValue::Datetime(_) => "a date",
        DeValue::Array(_) => "a list",
        DeValue::Table(_) => "a table",
    }
}

/// What a key looks like when it is right.
fn example(key: &str) -> &'static str {
    match key {
        "site" => "site = \"heron-lane\"",
        "name" => "name = \"House panel\"",
        "time_zone" => "time_zone = \"America/Denver\"",
        "billing_day" => "billing_day = 18",
        "service" => "[service] with system = \"split-phase 120/240\"",
        "system" => "system = \"split-phase 120/240\"",
        "main_breaker_a" => "main_breaker_a = 200",
        "device" => "[[device]]",
        "feed" => "[[feed]]",
        "bus" => "bus = \"main\"",
        "id" => "id = \"dryer\"",
        "topic" => "topic = \"heron-lane/meter/house/ct/{channel}/power\"",
        "payload" => "payload = { pointer = \"/watts\", time = \"/time\" }",
        "pointer" => "pointer = \"/channels/{channel}/watts\"",
        "time" => "time = \"/time\"",
        "unit" => "unit = \"W\"",
        "volts" => "volts = 120",
        "reading" => "reading = \"mean\"",
        "every_s" => "every_s = 1",
        "max_gap_s" => "max_gap_s = 3",
        "stale_after_s" => "stale_after_s = 5",
        "rolls_over_at" => "rolls_over_at = 100000",
        "channels" => "channels = [\"house/5\", { channel = \"house/6\", leg = \"B\" }]",
        "channel" => "channel = \"house/5\"",
        "leg" => "leg = \"A\"",
        "reversed" => "reversed = true",
        "scale" => "scale = 1.03",
        "measures" => "measures = \"panel\"",
        "from" => "from = 2026-05-02T09:30:00",
        "until" => "until = 2026-05-02T09:30:00",
        "fed_by" => "fed_by = \"barn-feeder\"",
        "rating_a" => "rating_a = 200",
        "label" => "label = \"Clothes dryer\"",
        "end_use" => "end_use = \"laundry\"",
        "spaces" => "spaces = [10, 12]",
        "legs" => "legs = [\"A\", \"B\"]",
        "breaker_a" => "breaker_a = 30",
        "ct_rating_a" => "ct_rating_a = 50",
        "doubled" => "doubled = true",
        "accept" => "[[accept]]",
        "finding" => "finding = \"odd-scale\"",
        "circuit" => "circuit = \"dryer\"",
        "reason" => "reason = \"measured by the electrician on 2026-05-02\"",
        "sign" => "sign = \"generation-positive\"",
        "ev" => "[[ev]]",
        "charging" => "[charging] with sharing = \"shared\"",
        "watch" => "[watch] with over_after_s = 60",
        "mode" => "mode = \"surplus only\"",
        "sharing" => "sharing = \"priority order\"",
        "first" => "first = \"battery\"",
        "minimum_a" => "minimum_a = 6",
        "maximum_a" => "maximum_a = 32",
        "start_after_s" => "start_after_s = 120",
        "branch_a" => "branch_a = 100",
        _ => "what docs/map.md says of it",
    }
}
