//! A map in the making, as the fields of a form hold it: nothing is kept between two requests.

use std::collections::BTreeMap;

use super::guess::{self, Guess, slug};
use super::{Place, Seen, text};

/// Values that one map is made of, at most: as many as a site may have channels.
pub(in crate::web) const MAX_PICKS: usize = 256;
/// Longest text of a field.
const MAX_FIELD: usize = 400;
/// Periods that devices are set to, in seconds; a guess is the nearest of them.
const PERIODS_S: [f64; 11] = [1.0, 2.0, 5.0, 10.0, 15.0, 20.0, 30.0, 60.0, 120.0, 300.0, 900.0];

/// The fields of a form, as they were sent.
pub(in crate::web) type Fields = BTreeMap<String, String>;

/// A map in the making.
#[derive(Clone, Debug)]
pub(in crate::web) struct Draft {
    /// What was typed, by the field's name.
    pub(in crate::web) fields: Fields,
    /// The values that were picked.
    pub(in crate::web) picks: Vec<Place>,
    /// Of them those that the site's map has a name for already.
    pub(super) existing: Vec<(String, Place)>,
    /// The devices that the others belong to.
    pub(super) guesses: Vec<Guess>,
}

/// What the map of a site calls a value.
pub(in crate::web) type Known<'a> = &'a dyn Fn(&str, &Place) -> Option<String>;

/// A device of the draft.
#[derive(Clone, Debug, PartialEq, Eq)]
pub(in crate::web) struct DeviceDraft {
    /// Its place: the number in the names of its fields.
    pub(in crate::web) index: usize,
    pub(in crate::web) topic: String,
    pub(in crate::web) pointer: String,
    pub(in crate::web) channels: Vec<String>,
    pub(in crate::web) id: String,
    pub(in crate::web) unit: String,
    pub(in crate::web) reading: String,
    pub(in crate::web) every_s: String,
    /// Pointer to the time of a payload; empty where it says none.
    pub(in crate::web) time: String,
}

/// A channel of the draft, and what it is on.
#[derive(Clone, Debug, PartialEq, Eq)]
pub(in crate::web) struct ChannelDraft {
    /// The number in the names of its fields.
    pub(in crate::web) index: usize,
    /// Where it was seen.
    pub(in crate::web) place: Place,
    /// `house/5`
    pub(in crate::web) name: String,
    /// `none`, `circuit`, or `A`, `B`, `C`: the mains CT of that leg.
    pub(in crate::web) on: String,
    pub(in crate::web) label: String,
    pub(in crate::web) end_use: String,
    pub(in crate::web) spaces: String,
    pub(in crate::web) breaker_a: String,
    /// One CT counts for both legs of a balanced 240 V load.
    pub(in crate::web) doubled: bool,
    pub(in crate::web) reversed: bool,
    /// Solar, whose reading is positive while it gives.
    pub(in crate::web) generation: bool,
}

impl Draft {
    /// From the fields of a form; of fields of the same name the last counts, but for `pick`.
    pub(in crate::web) fn read(form: &[u8], known: Known<'_>) -> Self {
        let (mut fields, mut picks) = (Fields::new(), Vec::new());
        for (name, value) in form_urlencoded::parse(form) {
            if name == "pick" {
                picks.extend(Place::of_key(&value).filter(|_| picks.len() < MAX_PICKS));
            } else if name.len() <= 32 {
                fields.insert(name.into_owned(), value.trim().chars().take(MAX_FIELD).collect());
            }
        }
        picks.sort();
        picks.dedup();
        let into = fields.get("into").map_or("", String::as_str);
        let name = |place: &Place| known(into, place).filter(|_| !into.is_empty());
        let existing = picks.iter().filter_map(|place| Some((name(place)?, place.clone()))).collect();
        let fresh: Vec<Place> = picks.iter().filter(|place| name(place).is_none()).cloned().collect();
        Self { guesses: guess::devices(&fresh), fields, picks, existing }
    }

    /// The site whose map is added to; empty for a new site.
    pub(in crate::web) fn target(&self) -> &str {
        self.field("into")
    }

    /// What was typed into a field; empty if nothing was.
    pub(in crate::web) fn field(&self, name: &str) -> &str {
        self.fields.get(name).map_or("", String::as_str)
    }

    fn or(&self, name: &str, default: impl FnOnce() -> String) -> String {
        match self.fields.get(name) {
            Some(text) => text.clone(),
            None => default(),
        }
    }

    /// The site's id: what was typed, else what follows from its name.
    pub(in crate::web) fn site(&self) -> String {
        let named = if self.target().is_empty() { self.field("site") } else { self.target() };
        match named {
            "" => slug(self.field("name")),
            site => site.to_owned(),
        }
    }

    /// The devices, with what is guessed where nothing was typed.
    pub(in crate::web) fn devices(&self, seen: &Seen) -> Vec<DeviceDraft> {
        let mut taken: Vec<String> = Vec::new();
        let devices = self.guesses.iter().enumerate().map(|(index, guess)| {
            let named = (1..).map(|n| if n == 1 { guess.name() } else { format!("{}-{n}", guess.name()) });
            let free = named.into_iter().find(|name| !taken.contains(name)).unwrap_or_default();
            let id = self.or(&format!("d{index}.id"), || free);
            taken.push(id.clone());
            DeviceDraft {
                index,
                topic: guess.topic.clone(),
                pointer: guess.pointer.clone(),
                channels: guess.channels.iter().map(|(name, _)| name.clone()).collect(),
                id,
                unit: self.or(&format!("d{index}.unit"), || "W".to_owned()),
                reading: self.or(&format!("d{index}.reading"), || "mean".to_owned()),
                every_s: self.or(&format!("d{index}.every_s"), || period(guess, seen)),
                time: self.or(&format!("d{index}.time"), || time(guess, seen)),
            }
        });
        devices.collect()
    }

    /// The channels by device, with what is said of each.
    pub(in crate::web) fn channels(&self, devices: &[DeviceDraft]) -> Vec<ChannelDraft> {
        let places = self.guesses.iter().zip(devices).flat_map(|(guess, device)| {
            guess.channels.iter().map(|(name, place)| (format!("{}/{name}", device.id), place.clone()))
        });
        let channels =
            self.existing.iter().cloned().chain(places).enumerate().map(|(index, (name, place))| {
                let field = |of: &str| self.field(&format!("c{index}.{of}")).to_owned();
                let flag = |of: &str| !field(of).is_empty();
                ChannelDraft {
                    index,
                    place,
                    name,
                    on: self.or(&format!("c{index}.on"), || "none".to_owned()),
                    label: field("label"),
                    end_use: self.or(&format!("c{index}.end_use"), || "other".to_owned()),
                    spaces: field("spaces"),
                    breaker_a: field("breaker_a"),
                    doubled: flag("doubled"),
                    reversed: flag("reversed"),
                    generation: flag("generation"),
                }
            });
        channels.collect()
    }

    /// The text of the map's file. With a former text what is new stands behind it.
    pub(in crate::web) fn text(&self, former: Option<&str>, seen: &Seen) -> String {
        let devices = self.devices(seen);
        let channels = self.channels(&devices);
        text::write(self, &devices, &channels, former)
    }
}

/// Where the payloads of a device say their time; empty if they do not.
fn time(guess: &Guess, seen: &Seen) -> String {
    let topic = guess.channels.first().map(|(_, place)| place.topic.as_str());
    let found = seen.values.iter().find(|value| Some(value.topic.as_str()) == topic && value.is_time());
    found.filter(|_| !guess.pointer.is_empty()).map(|value| value.pointer.clone()).unwrap_or_default()
}

/// How often a device sends: the nearest of the usual periods to what was seen.
fn period(guess: &Guess, seen: &Seen) -> String {
    let of = |place: &Place| {
        let value =
            seen.values.iter().find(|value| value.topic == place.topic && value.pointer == place.pointer);
        value.and_then(|value| value.every_s)
    };
    let mut all: Vec<f64> = guess.channels.iter().filter_map(|(_, place)| of(place)).collect();
    all.sort_by(f64::total_cmp);
    let median = all.get(all.len() / 2).copied().unwrap_or(10.0);
    let apart = |period: &f64| (period.ln() - median.max(0.1).ln()).abs();
    let nearest = PERIODS_S.into_iter().min_by(|one, other| apart(one).total_cmp(&apart(other)));
    nearest.unwrap_or(10.0).to_string()
}

#[cfg(test)]
mod tests {
    use super::*;
    use crate::web::setup::SeenValue;

    /// Invented: a shed of three CTs.
    const FORM: &[u8] =
        b"csrf=x&filter=shed%2F%23&pick=shed%2Fm1%09&pick=shed%2Fm2%09&pick=shed%2F1%09&pick=shed%2F2%09\
        &name=Shed+%22at%22+Heron+Lane&time_zone=America%2FDenver&system=split-phase+120%2F240&main_a=60\
        &c0.on=circuit&c0.label=Kiln&c0.end_use=other&c0.spaces=2,+4&c0.breaker_a=40&c0.doubled=1\
        &c1.on=none&c2.on=A&c3.on=B";

    fn seen() -> Seen {
        let value = |topic: &str, every_s| SeenValue {
            topic: topic.into(),
            pointer: String::new(),
            values: vec![1.0],
            count: 9,
            every_s: Some(every_s),
        };
        Seen { values: vec![value("shed/1", 1.04), value("shed/m1", 0.97)], ..Seen::default() }
    }

    #[test]
    fn a_form_becomes_a_map_that_the_rules_take() {
        let draft = Draft::read(FORM, &|_, _| None);
        let text = draft.text(None, &seen());
        insta::assert_snapshot!(text);
        let parsed = crate::site::parse("shed.toml", &text);
        let site = parsed.site.unwrap_or_else(|| panic!("{:?}\n{text}", parsed.findings));
        assert_eq!((site.id.as_str(), site.name.as_str()), ("shed-at-heron-lane", "Shed \"at\" Heron Lane"));
        assert_eq!(site.circuits.len(), 1);
        assert_eq!(site.channels.len(), 4, "a channel that is on nothing yet is kept all the same");
    }

    #[test]
    fn what_is_new_stands_behind_what_there_was() {
        let former = Draft::read(FORM, &|_, _| None).text(None, &seen());
        let more = Draft::read(
            b"into=shed-at-heron-lane&pick=shed%2Fbench%2F1%09&pick=shed%2Fbench%2F2%09&c0.on=circuit&c0.label=Bench\
              &c0.end_use=plug+loads&c0.spaces=1&c0.breaker_a=20&c1.on=circuit&c1.label=Bench&c1.spaces=3",
            &|_, _| None,
        );
        let text = more.text(Some(&former), &Seen::default());
        assert!(text.starts_with(&former));
        let parsed = crate::site::parse("shed.toml", &text);
        let site = parsed.site.unwrap_or_else(|| panic!("{:?}\n{text}", parsed.findings));
        let bench = site.circuits.iter().find(|circuit| circuit.id == "bench").expect("the new circuit");
        assert_eq!(bench.latest().cts.len(), 2, "two CTs of one name are on one circuit");
        assert_eq!(bench.latest().spaces, [1, 3]);
    }

    #[test]
    fn a_channel_that_the_map_has_already_needs_no_device() {
        let former = Draft::read(FORM, &|_, _| None).text(None, &seen());
        let known = |site: &str, place: &Place| {
            (site == "shed-at-heron-lane" && place.topic == "shed/2").then(|| "shed/2".to_owned())
        };
        let form = b"into=shed-at-heron-lane&pick=shed%2F2%09&c0.on=circuit&c0.label=Lamp&c0.spaces=6";
        let text = Draft::read(form, &known).text(Some(&former), &Seen::default());
        let site = crate::site::parse("shed.toml", &text).site.expect("a good map");
        assert_eq!((site.devices.len(), site.circuits.len()), (1, 2), "{text}");
    }

    #[test]
    fn nothing_typed_breaks_out_of_the_text() {
        let hostile = "x\"\\\n[[device]]\nid = 'evil'";
        let mut form = form_urlencoded::Serializer::new(String::new());
        form.append_pair("pick", "shed/1\t").append_pair("name", hostile).append_pair("time_zone", hostile);
        form.append_pair("d0.every_s", hostile)
            .append_pair("c0.on", "circuit")
            .append_pair("c0.label", hostile);
        form.append_pair("c0.spaces", hostile)
            .append_pair("c0.breaker_a", hostile)
            .append_pair("site", "../../etc");
        let text = Draft::read(form.finish().as_bytes(), &|_, _| None).text(None, &Seen::default());
        let document: toml::Table = text.parse().unwrap_or_else(|error| panic!("{error}\n{text}"));
        assert_eq!(document["device"].as_array().map(Vec::len), Some(1), "{text}");
        let parsed = crate::site::parse("x.toml", &text);
        assert!(parsed.site.is_none(), "the rules refuse such an id");
    }

    #[test]
    fn fields_and_picks_are_bounded() {
        let mut form = form_urlencoded::Serializer::new(String::new());
        for n in 0..2 * MAX_PICKS {
            form.append_pair("pick", &format!("shed/{n}\t"));
        }
        form.append_pair("name", &"n".repeat(9_000)).append_pair("pick", "no tab").append_pair("pick", "\t");
        let draft = Draft::read(form.finish().as_bytes(), &|_, _| None);
        assert_eq!((draft.picks.len(), draft.field("name").len()), (MAX_PICKS, MAX_FIELD));
    }
}
