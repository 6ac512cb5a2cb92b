//! Setting a site up: what comes in, then a map of it, form by form.
//!
//! Each form posts all that was said so far, so nothing is kept between two requests and no script is needed.
//! The map is checked by its own rules, shown as the text that it is, and written by whoever may.

use std::sync::Arc;

use axum::body::Bytes;
use axum::extract::{Query, State};
use axum::http::StatusCode;
use axum::response::Response;
use serde::Serialize;

use super::{Asked, Page, problem, show, show_as};
use crate::site::{EndUse, Payload, Severity, Site, System};
use crate::web::setup::draft::{ChannelDraft, DeviceDraft, Draft};
use crate::web::setup::{Place, Seen, SeenValue};
use crate::web::{Shared, api};

/// Words in the name of a value that is no power: they are not picked at first.
const NO_POWER: [&str; 14] = [
    "energy", "volt", "freq", "temp", "rssi", "uptime", "factor", "time", "total", "kwh", "humid", "battery",
    "signal", "count",
];
/// Height and width of the small picture of a value.
const PICTURE: (f64, f64) = (24.0, 120.0);

#[derive(Serialize)]
struct LookPage {
    filter: String,
    /// Why nothing is seen; empty if that is not so.
    trouble: String,
    rows: Vec<Row>,
    without_number: usize,
    is_full: bool,
    /// Sites that a value can be added to.
    sites: Vec<SiteChoice>,
    has_site: bool,
}

#[derive(Serialize)]
struct SiteChoice {
    id: String,
    name: String,
}

/// A value that comes in.
#[derive(Serialize)]
struct Row {
    key: String,
    topic: String,
    pointer: String,
    newest: String,
    count: u64,
    every: String,
    /// Points of a line in a box of [`PICTURE`].
    picture: String,
    /// What a map says of it.
    known: String,
    /// Whether a map has it on something.
    used: bool,
    picked: bool,
}

/// What is around each form after the first.
#[derive(Serialize)]
struct StepPage {
    /// All that was said in other forms.
    hidden: Vec<(String, String)>,
    /// The site that is added to; empty for a new one.
    into: String,
    filter: String,
    site: String,
    name: String,
    time_zone: String,
    main_a: String,
    system: String,
    systems: Vec<&'static str>,
    zones: Vec<String>,
    devices: Vec<Device>,
    channels: Vec<Channel>,
    end_uses: Vec<&'static str>,
    findings: Vec<Said>,
    has_errors: bool,
    text: String,
    /// Why it was not written; empty if it was not tried.
    refused: String,
    file: String,
    former: String,
}

#[derive(Serialize)]
struct Device {
    n: usize,
    topic: String,
    pointer: String,
    channels: String,
    id: String,
    unit: String,
    reading: String,
    every_s: String,
    time: String,
}

#[derive(Serialize)]
struct Channel {
    n: usize,
    name: String,
    newest: String,
    picture: String,
    on: String,
    label: String,
    end_use: String,
    spaces: String,
    breaker_a: String,
    doubled: bool,
    reversed: bool,
    generation: bool,
}

#[derive(Serialize)]
struct Said {
    severity: String,
    line: usize,
    what: String,
    why: String,
    write: String,
}

/// What comes in.
#[utoipa::path(get, path = "/setup", params(
    ("filter" = Option<String>, Query, description = "MQTT topic filter of what to look at, for a minute at a time"),
), responses(
    (status = 200, body = String, content_type = "text/html"),
    (status = 403, description = "a token reads, and does not set up"),
))]
pub(in crate::web) async fn look(
    State(shared): State<Arc<Shared>>,
    asked: Asked,
    Query(given): Query<Vec<(String, String)>>,
) -> Response {
    if !asked.may_change() {
        let hint = "Sign in with the password.";
        return problem(&shared, &asked, StatusCode::FORBIDDEN, "A token reads, and does not set up.", hint);
    }
    let filter = given.into_iter().find(|(name, _)| name == "filter").map(|(_, filter)| filter);
    let filter = filter.unwrap_or_default().trim().to_owned();
    let (status, seen) = match filter.as_str() {
        "" => (StatusCode::OK, Seen::default()),
        filter => match shared.state.set_up.look(filter) {
            Ok(seen) => (StatusCode::OK, seen),
            Err(trouble) => (StatusCode::BAD_REQUEST, Seen { trouble, ..Seen::default() }),
        },
    };
    let sites = Arc::clone(&shared.state.sites.borrow());
    let page = LookPage {
        rows: seen
            .values
            .iter()
            .filter(|value| !value.is_time())
            .map(|value| row(&asked, &sites, value))
            .collect(),
        trouble: seen.trouble,
        without_number: seen.without_number,
        is_full: seen.is_full,
        sites: sites.iter().map(|site| SiteChoice { id: site.id.clone(), name: site.name.clone() }).collect(),
        has_site: !sites.is_empty(),
        filter,
    };
    show_as(status, &shared, &asked, frame("setup-look.html"), &page)
}

fn frame(template: &'static str) -> Page<'static> {
    Page { template, title: "Set up", site: None, tab: "", again_s: 0 }
}

fn row(asked: &Asked, sites: &[Arc<Site>], value: &SeenValue) -> Row {
    let place = Place { topic: value.topic.clone(), pointer: value.pointer.clone() };
    let found = sites.iter().find_map(|site| Some((site, name_of(site, &place)?)));
    let used = found.as_ref().is_some_and(|(site, name)| is_used(site, name));
    let known = found.map(|(site, name)| match used {
        true => format!("{name}, on the map of {}", site.name),
        false => format!("{name}, on nothing yet on the map of {}", site.name),
    });
    let lower = format!("{}{}", value.topic, value.pointer).to_lowercase();
    let last = lower.rsplit('/').next().unwrap_or_default();
    Row {
        key: place.key(),
        topic: value.topic.clone(),
        pointer: value.pointer.clone(),
        newest: newest(asked, value),
        count: value.count,
        every: value.every_s.map(|every| asked.numbers.number(every, 1)).unwrap_or_default(),
        picture: picture(&value.values),
        picked: !used && !NO_POWER.iter().any(|word| last.contains(word)),
        known: known.unwrap_or_default(),
        used,
    }
}

fn newest(asked: &Asked, value: &SeenValue) -> String {
    // As many decimals as the meter sends, at most two, and the same from one value to the next.
    let sent = |value: f64| (0..2).find(|decimals| is_round(value, *decimals)).unwrap_or(2);
    let decimals = value.values.iter().map(|value| sent(*value)).max().unwrap_or(0);
    value.values.last().map_or(String::new(), |newest| asked.numbers.number(*newest, decimals as usize))
}

/// Whether a value has no more decimals than that.
fn is_round(value: f64, decimals: i32) -> bool {
    let scaled = value * 10f64.powi(decimals);
    // What a decimal number misses in binary is far smaller.
    (scaled - scaled.round()).abs() < 1e-6
}

/// The points of a line through the values, the newest at the right.
fn picture(values: &[f64]) -> String {
    let least = values.iter().copied().fold(f64::INFINITY, f64::min);
    let most = values.iter().copied().fold(f64::NEG_INFINITY, f64::max);
    let (height, width) = PICTURE;
    let step = width / (values.len().max(2) - 1) as f64;
    let y = |value: f64| match most - least {
        span if span > 0.0 => height - 2.0 - (height - 4.0) * (value - least) / span,
        _ => height / 2.0,
    };
    let points =
        values.iter().enumerate().map(|(n, value)| format!("{:.1},{:.1}", step * n as f64, y(*value)));
    points.collect::<Vec<_>>().join(" ")
}

/// What the map of a site calls a value.
fn name_of(site: &Site, place: &Place) -> Option<String> {
    let channel = site.channels.iter().find(|channel| {
        let device = &site.devices[channel.device];
        let with = |text: &str| text.replace("{channel}", &channel.key);
        let pointer = match &device.payload {
            Payload::Number => String::new(),
            Payload::Json { pointer, .. } => with(pointer),
        };
        !device.is_imported() && with(&device.topic) == place.topic && pointer == place.pointer
    });
    channel.map(|channel| channel.name.clone())
}

fn is_used(site: &Site, name: &str) -> bool {
    let of = |ct: &crate::site::Ct| site.channels[ct.channel.0 as usize].name == name;
    site.feeds.iter().any(|feed| feed.cts.iter().any(of))
        || site.circuits.iter().any(|circuit| circuit.entries.iter().any(|entry| entry.cts.iter().any(of)))
}

/// The next form, with all that was said in the ones before.
#[utoipa::path(post, path = "/setup",
    request_body(content = String, content_type = "application/x-www-form-urlencoded",
        description = "the fields of the forms; `to` says which comes next: house, channels, check or write"),
    responses(
        (status = 200, body = String, content_type = "text/html", description = "the next form, or that the map is written"),
        (status = 403, description = "a token does not set up, or the form is not of the browser's own page"),
        (status = 409, body = String, content_type = "text/html", description = "the map is not taken, or could not be written"),
    ))]
pub(in crate::web) async fn step(State(shared): State<Arc<Shared>>, asked: Asked, body: Bytes) -> Response {
    let sites = Arc::clone(&shared.state.sites.borrow());
    let known = |into: &str, place: &Place| name_of(sites.iter().find(|site| site.id == into)?, place);
    let draft = Draft::read(&body, &known);
    if draft.picks.is_empty() {
        let hint = "Go back, and mark at least one value.";
        return problem(&shared, &asked, StatusCode::BAD_REQUEST, "No value is marked.", hint);
    }
    let seen = match draft.field("filter") {
        "" => Seen::default(),
        filter => shared.state.set_up.look(filter).unwrap_or_default(),
    };
    let former = match draft.target() {
        "" => None,
        site => {
            let (set_up, site) = (Arc::clone(&shared.state.set_up), site.to_owned());
            match api::blocking(&shared, move || set_up.map(&site)).await {
                Ok(Ok(text)) => Some(text),
                Ok(Err(why)) => {
                    return problem(
                        &shared,
                        &asked,
                        StatusCode::CONFLICT,
                        &why,
                        "Look at the directory of the maps.",
                    );
                }
                Err(refusal) => return axum::response::IntoResponse::into_response(refusal),
            }
        }
    };
    let draft = Sheet { draft, seen, former };
    match draft.draft.field("to") {
        "channels" => show(&shared, &asked, frame("setup-channels.html"), &draft.page(&asked, &["c"])),
        "check" => show(&shared, &asked, frame("setup-check.html"), &draft.checked(&asked)),
        "write" => write(&shared, &asked, &draft).await,
        _ => show(&shared, &asked, frame("setup-house.html"), &draft.page(&asked, &["d"])),
    }
}

async fn write(shared: &Shared, asked: &Asked, sheet: &Sheet) -> Response {
    let mut page = sheet.checked(asked);
    if page.has_errors {
        return show_as(StatusCode::CONFLICT, shared, asked, frame("setup-check.html"), &page);
    }
    match shared.state.set_up.write(sheet.draft.site(), page.text.clone()).await {
        Ok(written) => {
            (page.file, page.former) = (written.file, written.former.unwrap_or_default());
            show(shared, asked, frame("setup-done.html"), &page)
        }
        Err(why) => {
            page.refused = why;
            show_as(StatusCode::CONFLICT, shared, asked, frame("setup-check.html"), &page)
        }
    }
}

/// A draft with what is known beside it.
struct Sheet {
    draft: Draft,
    seen: Seen,
    former: Option<String>,
}

impl Sheet {
    /// A form; `own` are the beginnings of the fields that it shows itself.
    fn page(&self, asked: &Asked, own: &[&str]) -> StepPage {
        let draft = &self.draft;
        let devices = draft.devices(&self.seen);
        let channels = draft.channels(&devices);
        let field = |name: &str| draft.field(name).to_owned();
        StepPage {
            hidden: self.hidden(own),
            into: draft.target().to_owned(),
            filter: field("filter"),
            site: draft.site(),
            name: field("name"),
            time_zone: match draft.field("time_zone") {
                "" => jiff::tz::TimeZone::system().iana_name().unwrap_or_default().to_owned(),
                zone => zone.to_owned(),
            },
            main_a: field("main_a"),
            system: field("system"),
            systems: System::ALL.map(System::as_str).to_vec(),
            zones: jiff::tz::db().available().map(|name| name.to_string()).collect(),
            channels: channels.iter().map(|channel| self.channel(asked, channel)).collect(),
            devices: devices.into_iter().map(device).collect(),
            end_uses: EndUse::ALL.map(EndUse::as_str).to_vec(),
            findings: Vec::new(),
            has_errors: false,
            text: String::new(),
            refused: String::new(),
            file: String::new(),
            former: String::new(),
        }
    }

    /// The map as text, and what its rules say of it.
    fn checked(&self, asked: &Asked) -> StepPage {
        let text = self.draft.text(self.former.as_deref(), &self.seen);
        let site = self.draft.site();
        let parsed = crate::site::parse(&format!("{site}.toml"), &text);
        let mut page = self.page(asked, &[]);
        page.has_errors = parsed.site.is_none();
        let open = parsed.findings.into_iter().chain(parsed.trade).filter(|finding| finding.is_open());
        page.findings = open
            .map(|finding| Said {
                severity: match finding.severity {
                    Severity::Error => "error".to_owned(),
                    other => other.to_string(),
                },
                line: finding.line,
                what: finding.what,
                why: finding.why,
                write: finding.write,
            })
            .collect();
        page.text = text;
        page
    }

    /// What other forms have said. A field of this one that is not sent, such as a box that is not ticked, must
    /// not come back from here.
    fn hidden(&self, own: &[&str]) -> Vec<(String, String)> {
        const HOUSE: [&str; 5] = ["name", "site", "time_zone", "system", "main_a"];
        let is_own = |name: &str| {
            matches!(name, "to" | "csrf")
                || own.iter().any(|own| {
                    let rest = name.strip_prefix(own);
                    rest.is_some_and(|rest| rest.starts_with(|c: char| c.is_ascii_digit()))
                })
                || (own.contains(&"d") && HOUSE.contains(&name))
        };
        let fields = self.draft.fields.iter().filter(|(name, _)| !is_own(name));
        let fields = fields.map(|(name, value)| (name.clone(), value.clone()));
        fields.chain(self.draft.picks.iter().map(|place| ("pick".to_owned(), place.key()))).collect()
    }

    fn channel(&self, asked: &Asked, channel: &ChannelDraft) -> Channel {
        let place = &channel.place;
        let mut values = self.seen.values.iter();
        let value = values.find(|value| value.topic == place.topic && value.pointer == place.pointer);
        Channel {
            n: channel.index,
            name: channel.name.clone(),
            newest: value.map(|value| newest(asked, value)).unwrap_or_default(),
            picture: value.map(|value| picture(&value.values)).unwrap_or_default(),
            on: channel.on.clone(),
            label: channel.label.clone(),
            end_use: channel.end_use.clone(),
            spaces: channel.spaces.clone(),
            breaker_a: channel.breaker_a.clone(),
            doubled: channel.doubled,
            reversed: channel.reversed,
            generation: channel.generation,
        }
    }
}

fn device(device: DeviceDraft) -> Device {
    Device {
        n: device.index,
        topic: device.topic,
        pointer: device.pointer,
        channels: device.channels.join(", "),
        id: device.id,
        unit: device.unit,
        reading: device.reading,
        every_s: device.every_s,
        time: device.time,
    }
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn the_map_knows_its_channels_by_where_they_are_seen() {
        let map = include_str!("../../../config/sites/heron-lane.toml");
        let site = crate::site::parse("heron-lane.toml", map).site.expect("the map is good");
        let check = |topic: &str, pointer: &str, expected: Option<&str>| {
            let place = Place { topic: topic.into(), pointer: pointer.into() };
            assert_eq!(name_of(&site, &place).as_deref(), expected, "{topic} {pointer}");
        };
        let first = &site.channels[0];
        let device = &site.devices[first.device];
        let with = |text: &str| text.replace("{channel}", &first.key);
        let pointer = match &device.payload {
            Payload::Number => String::new(),
            Payload::Json { pointer, .. } => with(pointer),
        };
        check(&with(&device.topic), &pointer, Some(&first.name));
        check(&with(&device.topic), "/elsewhere", None);
        check("heron-lane/meter/house/ct/nowhere/power", "", None);
        check("elsewhere", "/channels/1/watts", None);
        assert!(is_used(&site, &first.name) && !is_used(&site, "house/nowhere"));
    }

    #[test]
    fn a_picture_stays_in_its_box() {
        assert_eq!(picture(&[]), "");
        assert_eq!(picture(&[5.0]), "0.0,12.0");
        assert_eq!(picture(&[1.0, 1.0]), "0.0,12.0 120.0,12.0");
        assert_eq!(picture(&[0.0, 10.0, 5.0]), "0.0,22.0 60.0,2.0 120.0,12.0");
    }
}
