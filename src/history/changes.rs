//! What changed between two maps, in words: for the note that a changed map makes by itself.
//!
//! A map is written down as a *readable form*, a fact a line, that the store keeps beside the
//! readings. The next map's form is compared with it, so that a change is noticed even if nothing ran
//! when it was made; the same map makes the same form, and no note.

use std::collections::BTreeMap;
use std::fmt::Write as _;

use crate::calendar::Zone;
use crate::site::{Circuit, CircuitEntry, Device, FigureKey, Payload, ReadingKind, Role, Site, Term, Unit};
use crate::units::{ONE, Stamp};

/// The first line of a form. A form of another version says nothing about changes: its facts may be
/// worded differently.
const VERSION: &str = "map form 1";

/// Characters of a note about changes: more are summed up by their number.
const MAX_TEXT: usize = 1000;

/// The facts of a map, one a line: what, tab, which of its properties, tab, value.
pub fn map_form(site: &Site, zone: &Zone) -> String {
    let mut form = Form { text: format!("{VERSION}\n"), zone };
    form.fact("site", "name", &site.name);
    form.fact("site", "time zone", &site.time_zone);
    form.fact("site", "billing day", &site.billing_day.to_string());
    form.fact("site", "service", site.service.system.as_str());
    form.some("site", "main breaker", site.service.main_breaker_a.map(|a| format!("{a} A")));
    site.devices.iter().for_each(|device| form.device(device));
    for bus in site.buses.iter().filter(|bus| bus.parent.is_some()) {
        let what = format!("bus {}", bus.id);
        form.fact(&what, "name", &bus.name);
        form.some(&what, "fed by", bus.fed_by.clone());
        form.some(&what, "rating", bus.rating_a.map(|a| format!("{a} A")));
    }
    form.feeds(site);
    for circuit in &site.circuits {
        circuit.entries.iter().for_each(|entry| form.circuit(site, circuit, entry));
    }
    form.text
}

struct Form<'a> {
    text: String,
    zone: &'a Zone,
}

impl Form<'_> {
    fn fact(&mut self, what: &str, property: &str, value: &str) {
        // Names come from a map; a tab or a line feed in one must not make another fact.
        let plain = |text: &str| text.replace(|c: char| c.is_control(), " ");
        // Writing to a String cannot fail.
        let _ = writeln!(self.text, "{}\t{}\t{}", plain(what), plain(property), plain(value));
    }

    fn some(&mut self, what: &str, property: &str, value: Option<String>) {
        if let Some(value) = value {
            self.fact(what, property, &value);
        }
    }

    fn device(&mut self, device: &Device) {
        let what = format!("device {}", device.id);
        let payload = match &device.payload {
            Payload::Number => "a number".to_owned(),
            Payload::Json { pointer, time: None } => format!("JSON at {pointer}"),
            Payload::Json { pointer, time: Some(time) } => format!("JSON at {pointer}, time at {time}"),
        };
        let unit = match device.unit {
            Unit::W => "W".to_owned(),
            Unit::KW => "kW".to_owned(),
            Unit::A { volts } => format!("A at {volts} V"),
            Unit::Wh { .. } => "Wh".to_owned(),
            Unit::KWh { .. } => "kWh".to_owned(),
        };
        let reading = if device.reading == ReadingKind::Mean { "mean" } else { "instant" };
        self.fact(&what, "topic", &device.topic);
        self.fact(&what, "payload", &payload);
        self.fact(&what, "unit", &unit);
        self.fact(&what, "reading", reading);
        self.fact(&what, "period", &format!("{} s", device.every.as_seconds()));
        self.fact(&what, "longest gap", &format!("{} s", device.max_gap.as_seconds()));
    }

    /// The feeds that are not circuits of their own, from each moment on at which they change.
    fn feeds(&mut self, site: &Site) {
        for (index, bus) in site.buses.iter().enumerate().filter(|(_, bus)| bus.fed_by.is_none()) {
            let mut before: Option<&[Term]> = None;
            for epoch in &site.epochs {
                let feed = epoch.plan.figures.iter().find(|figure| figure.key == FigureKey::BusFeed(index));
                let terms = feed.map_or(&[][..], |feed| &feed.terms);
                if before.is_none_or(|before| before != terms) {
                    let what = format!("feed {}{}", bus.id, self.from(epoch.span.start));
                    terms.iter().for_each(|term| self.ct(site, &what, term, 1));
                    before = Some(terms);
                }
            }
        }
    }

    fn circuit(&mut self, site: &Site, circuit: &Circuit, entry: &CircuitEntry) {
        let what = format!("circuit {}{}", circuit.id, self.from(entry.span.start));
        self.fact(&what, "label", &entry.label);
        self.fact(&what, "bus", &site.buses[entry.bus].id);
        match entry.role {
            Role::Feeder(bus) => self.fact(&what, "feeds", &site.buses[bus].id),
            _ => self.fact(&what, "end use", entry.end_use.as_str()),
        }
        let spaces: Vec<String> = entry.spaces.iter().map(u16::to_string).collect();
        self.some(&what, "spaces", (!spaces.is_empty()).then(|| spaces.join(" and ")));
        self.some(&what, "breaker", entry.breaker_a.map(|a| format!("{a} A")));
        self.some(&what, "CT rating", entry.ct_rating_a.map(|a| format!("{a} A")));
        self.fact(&what, "doubled", if entry.doubled { "true" } else { "false" });
        if entry.span.end < Stamp::MAX {
            let until = self.moment(entry.span.end);
            self.fact(&what, UNTIL, &until);
        }
        let doubled = if entry.doubled { 2 } else { 1 };
        entry.terms.iter().for_each(|term| self.ct(site, &what, term, doubled));
    }

    fn ct(&mut self, site: &Site, what: &str, term: &Term, doubled: i64) {
        let factor = (term.millionths / doubled) as f64 / ONE as f64;
        let name = match site.ct_of(term.series) {
            Some(channel) => format!("{CT}{}", site.channels[channel.0 as usize].name),
            None => format!("{CT}{}", site.series_name(term.series)),
        };
        self.fact(what, &name, &factor.to_string());
    }

    fn from(&self, start: Stamp) -> String {
        if start > Stamp::MIN { format!("{FROM}{}", self.moment(start)) } else { String::new() }
    }

    /// By the local clock, as a map writes it.
    fn moment(&self, at: Stamp) -> String {
        let text = self.zone.rfc3339(at);
        let seconds = if &text[17..19] == "00" { "" } else { &text[16..19] };
        let time =
            if &text[11..19] == "00:00:00" { String::new() } else { format!("T{}{seconds}", &text[11..16]) };
        format!("{}{time}", &text[..10])
    }
}

const CT: &str = "CT ";
const FROM: &str = " from ";
const UNTIL: &str = "until";

/// The facts of a form: by what, the properties with their values.
type Facts<'a> = BTreeMap<&'a str, BTreeMap<&'a str, &'a str>>;

fn facts(form: &str) -> Option<Facts<'_>> {
    let mut lines = form.lines();
    lines.next().filter(|first| *first == VERSION)?;
    let mut facts = Facts::new();
    for line in lines {
        let mut parts = line.splitn(3, '\t');
        if let (Some(what), Some(property), Some(value)) = (parts.next(), parts.next(), parts.next()) {
            facts.entry(what).or_default().insert(property, value);
        }
    }
    Some(facts)
}

/// What the second form says otherwise than the first, as the text of a note; `None` if nothing, or
/// if either is of another version of this program.
pub fn map_changes(before: &str, after: &str) -> Option<String> {
    if before == after {
        return None;
    }
    let (before, after) = (facts(before)?, facts(after)?);
    let mut changes = Changes { before: &before, after: &after, said: Vec::new(), moved_at: Vec::new() };
    changes.moved();
    changes.others();
    let mut text = String::new();
    for (index, change) in changes.said.iter().enumerate() {
        let left = changes.said.len() - index;
        if index > 0 && text.chars().count() + change.chars().count() > MAX_TEXT {
            let _ = write!(text, "; and {left} more changes");
            break;
        }
        text.push_str(if index > 0 { "; " } else { "" });
        text.push_str(change);
    }
    (!text.is_empty()).then_some(text)
}

struct Changes<'a> {
    before: &'a Facts<'a>,
    after: &'a Facts<'a>,
    said: Vec<String>,
    /// What is told by the move of a CT: (what, property) of either form.
    moved_at: Vec<(&'a str, &'a str)>,
}

/// `circuit dryer from 2026-05-02` into `circuit dryer` and `2026-05-02`.
fn undated(what: &str) -> (&str, Option<&str>) {
    what.split_once(FROM).map_or((what, None), |(what, from)| (what, Some(from)))
}

impl<'a> Changes<'a> {
    /// What it is called: a circuit by its label.
    fn name(&self, what: &str) -> String {
        let label =
            [self.after, self.before].into_iter().find_map(|facts| facts.get(what)?.get("label").copied());
        let (kind, id) = undated(what).0.split_once(' ').unwrap_or(("", what));
        match (kind, label) {
            (_, Some(label)) => label.to_owned(),
            ("feed", None) => format!("feed of {id}"),
            ("", None) => "site".to_owned(),
            _ => format!("{kind} {id}"),
        }
    }

    /// CTs that measure something else than before.
    fn moved(&mut self) {
        for (to, properties) in self.after {
            for ct in properties.keys().filter(|property| property.starts_with(CT)) {
                let known =
                    |facts: &Facts<'_>, what: &str| facts.get(what).is_some_and(|of| of.contains_key(ct));
                if known(self.before, to) {
                    continue;
                }
                // It was here, and is no more, or only until the moment at which it came there.
                let (place, start) = undated(to);
                let left = self.before.iter().find(|(from, of)| {
                    let ends = self.after.get(*from).and_then(|after| after.get(UNTIL).copied());
                    undated(from).0 != place
                        && of.contains_key(ct)
                        && (!known(self.after, from) || (start.is_some() && ends == start))
                });
                let since = start.map_or_else(String::new, |start| format!("{FROM}{start}"));
                match left {
                    Some((from, _)) => {
                        self.said.push(format!(
                            "{ct} moved from {} to {}{since}",
                            self.name(from),
                            self.name(to)
                        ));
                        self.moved_at.extend([(*from, *ct), (*from, UNTIL), (*to, *ct), (*to, "")]);
                    }
                    None if self.before.contains_key(to) => {
                        self.said.push(format!("{}: {ct} added", self.name(to)));
                        self.moved_at.push((*to, *ct));
                    }
                    None => {}
                }
            }
        }
    }

    fn others(&mut self) {
        let whats: std::collections::BTreeSet<&'a str> =
            self.before.keys().chain(self.after.keys()).copied().collect();
        for what in whats {
            match (self.before.get(what), self.after.get(what)) {
                (Some(before), Some(after)) => self.properties(what, before, after),
                (None, Some(_)) => self.came_or_went(what, self.before, "added"),
                (Some(_), None) => self.came_or_went(what, self.after, "removed"),
                (None, None) => {}
            }
        }
    }

    /// `other` is the form that does not have it.
    fn came_or_went(&mut self, what: &'a str, other: &Facts<'_>, how: &str) {
        if self.moved_at.contains(&(what, "")) {
            return;
        }
        let (id, from) = undated(what);
        let name = self.name(what);
        let dated = other.keys().any(|other| undated(other).0 == id);
        self.said.push(match (dated, from) {
            (true, Some(from)) => format!("{name}: entry from {from} {how}"),
            (true, None) => format!("{name}: entry without a date {how}"),
            (false, _) if id.starts_with("circuit ") => format!("{name}: circuit {how}"),
            (false, _) => format!("{name} {how}"),
        });
    }

    fn properties(
        &mut self,
        what: &'a str,
        before: &BTreeMap<&'a str, &'a str>,
        after: &BTreeMap<&'a str, &'a str>,
    ) {
        let name = self.name(what);
        let all: std::collections::BTreeSet<&'a str> = before.keys().chain(after.keys()).copied().collect();
        for property in all {
            let (old, new) = (before.get(property), after.get(property));
            if old == new || self.moved_at.contains(&(what, property)) {
                continue;
            }
            let number = |value: Option<&&str>| value.and_then(|value| value.parse::<f64>().ok());
            let ct = property.starts_with(CT);
            self.said.push(match (number(old), number(new)) {
                (Some(_), None) if ct => format!("{name}: {property} removed"),
                (Some(old), Some(new)) if ct && old == -new => format!("{name}: {property} turned round"),
                (Some(old), Some(new)) if ct => format!("{name}: {property} factor {old} -> {new}"),
                _ => {
                    let word = |value: Option<&&'a str>| value.map_or("none", |value| *value);
                    format!("{name}: {property} {} -> {}", word(old), word(new))
                }
            });
        }
    }
}

#[cfg(test)]
mod tests {
    use super::*;
    use crate::site::parse;

    /// Invented: an entry of a circuit, dryer or pump, with more lines of its own.
    fn circuit(id: &str, label: &str, spaces: &str, channel: &str, more: &str) -> String {
        format!(
            "[[circuit]]\nid = \"{id}\"\nlabel = \"{label}\"\nend_use = \"other\"\nbus = \"main\"\n\
             spaces = [{spaces}]\nbreaker_a = 20\nchannels = [{channel}]\n{more}\n"
        )
    }

    fn form(circuits: &[String]) -> String {
        form_of("America/Denver", circuits)
    }

    fn form_of(zone: &str, circuits: &[String]) -> String {
        let map = format!(
            "site = \"heron-lane\"\nname = \"Heron Lane farmhouse\"\ntime_zone = \"{zone}\"\n[service]\n\
             system = \"split-phase 120/240\"\n[[device]]\nid = \"house\"\ntopic = \"heron-lane/{{channel}}\"\n\
             unit = \"W\"\nevery_s = 1\n[[feed]]\nbus = \"main\"\nchannels = [ {{ channel = \"house/m1\", leg = \"A\" }}, \
             {{ channel = \"house/m2\", leg = \"B\" }} ]\nmeasures = \"panel\"\n{}",
            circuits.concat()
        );
        let parsed = parse("heron-lane.toml", &map);
        let site = parsed.site.unwrap_or_else(|| panic!("{:#?}", parsed.findings));
        map_form(&site, &Zone::new(&site.time_zone).expect("a zone"))
    }

    fn dryer(more: &str) -> String {
        circuit("dryer", "Dryer", "2, 4", "\"house/7\"", more)
    }

    #[test]
    fn the_same_map_says_nothing() {
        let form = form(&[dryer("doubled = false")]);
        assert_eq!(map_changes(&form, &form), None);
        assert_eq!(map_changes("map form 0\nsite\tname\tx\n", &form), None);
        assert_eq!(map_changes("", &form), None);
    }

    #[test]
    fn every_change_is_said_in_words() {
        let check = |before: &[String], after: &[String], expected: &str| {
            assert_eq!(map_changes(&form(before), &form(after)).as_deref(), Some(expected));
        };
        let pump = || circuit("well-pump", "Well pump", "5", "\"house/8\"", "");
        check(&[dryer("doubled = true")], &[dryer("doubled = false")], "Dryer: doubled true -> false");
        check(&[dryer("")], &[dryer("reversed = true")], "Dryer: CT house/7 turned round");
        check(&[dryer("")], &[dryer("scale = 1.03")], "Dryer: CT house/7 factor 1 -> 1.03");
        check(&[dryer("")], &[dryer(""), pump()], "Well pump: circuit added");
        check(&[dryer(""), pump()], &[dryer("")], "Well pump: circuit removed");
        check(
            &[dryer("")],
            &[circuit("dryer", "Dryer, gas", "2, 4", "\"house/7\"", "")],
            "Dryer, gas: label Dryer -> Dryer, gas",
        );
        check(
            &[dryer("")],
            &[circuit("dryer", "Dryer", "2, 4", "\"house/7\", \"house/9\"", "")],
            "Dryer: CT house/9 added",
        );
        check(
            &[circuit("dryer", "Dryer", "2, 4", "\"house/7\", \"house/9\"", "")],
            &[dryer("")],
            "Dryer: CT house/9 removed",
        );
        // A CT moved, with a date and without.
        let unmeasured = circuit("well-pump", "Well pump", "5", "", "");
        let from_may = circuit("well-pump", "Well pump", "5", "\"house/7\"", "from = 2026-05-02");
        check(
            &[dryer("")],
            &[dryer("until = 2026-05-02"), from_may],
            "CT house/7 moved from Dryer to Well pump from 2026-05-02",
        );
        check(
            &[dryer(""), unmeasured],
            &[
                circuit("dryer", "Dryer", "2, 4", "", ""),
                circuit("well-pump", "Well pump", "5", "\"house/7\"", ""),
            ],
            "CT house/7 moved from Dryer to Well pump",
        );
        let zones = map_changes(&form(&[dryer("")]), &form_of("Asia/Kathmandu", &[dryer("")]));
        assert_eq!(zones.as_deref(), Some("site: time zone America/Denver -> Asia/Kathmandu"));
    }

    #[test]
    fn a_flood_of_changes_is_counted() {
        let circuits = |label: &str| -> Vec<String> {
            let of = |n: u16| {
                circuit(
                    &format!("c{n}"),
                    &format!("{label} {n}"),
                    &n.to_string(),
                    &format!("\"house/{n}\""),
                    "",
                )
            };
            (1..=40).map(of).collect()
        };
        let text =
            map_changes(&form(&circuits("Old label")), &form(&circuits("New label"))).expect("changes");
        assert!(text.chars().count() < MAX_TEXT + 40, "{text}");
        assert!(text.ends_with(" more changes"), "{text}");
    }
}
