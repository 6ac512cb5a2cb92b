//! What hubs are told beside the plain topics: the Homie devices and announcements.

use std::io::Read as _;

use super::layers::Layers;
use super::problem::Problems;
use super::{Announce, Each, Template};

/// A template of a message about one figure is a few hundred bytes; a larger file was named by
/// mistake.
const MAX_TEMPLATE: u64 = 64 << 10;

/// Domain and root device; `Some(None)` where Homie is off.
pub(super) fn homie(layers: &Layers, problems: &mut Problems) -> Option<Option<(String, String)>> {
    let on = layers.flag("publish.homie", problems)?;
    let domain = layers.text("publish.homie_domain").filter(|text| {
        // One level of a topic; the second is the convention's own.
        let fits = !text.is_empty()
            && text.len() <= 64
            && !text.contains(['/', '+', '#', '$'])
            && !text.contains(char::is_control);
        if !fits {
            let hint = "write one level of a topic, such as homie";
            let what = format!("publish.homie_domain is {text:?}");
            problems.add(layers.place("publish.homie_domain"), what, hint);
        }
        fits
    });
    let device = layers.text("publish.homie_device").filter(|text| {
        let plain = |c: char| c.is_ascii_lowercase() || c.is_ascii_digit() || c == '-';
        let fits = !text.is_empty() && text.len() <= 64 && text.chars().all(plain);
        if !fits {
            let hint = "write 1 to 64 of a-z, 0-9 and -";
            let what = format!("publish.homie_device is {text:?}");
            problems.add(layers.place("publish.homie_device"), what, hint);
        }
        fits
    });
    let (domain, device) = (domain?, device?);
    Some(on.then_some((domain, device)))
}

/// One `[[announce]]`.
pub(super) fn announce(layers: &Layers, index: usize, problems: &mut Problems) -> Option<Announce> {
    let path = |name: &str| format!("announce[{index}].{name}");
    let each = match layers.text(&path("for")).as_deref() {
        Some("site") => Some(Each::Site),
        Some("circuit") => Some(Each::Circuit),
        Some("figure") => Some(Each::Figure),
        other => {
            let what = format!("announce.for is {:?}", other.unwrap_or_default());
            problems.add(layers.place(&path("for")), what, "write \"figure\", \"circuit\" or \"site\"");
            None
        }
    };
    let topic = inline(layers, &path("topic"));
    if topic.is_none() {
        let hint = "write topic = \"hub/{{ site.id }}/{{ figure.id }}\", for example";
        problems.add(layers.place(&path("topic")), "announce.topic is missing", hint);
    }
    let (text, file) = (path("payload"), path("payload_file"));
    let payload = match (layers.is_set(&text), layers.is_set(&file)) {
        (true, false) => inline(layers, &text),
        (false, true) => from_file(layers, &file, problems),
        (both, _) => {
            let what = match both {
                true => "announce has both payload and payload_file",
                false => "announce has neither payload nor payload_file",
            };
            problems.add(layers.place(&text), what, "write the one or the other");
            None
        }
    };
    Some(Announce { each: each?, topic: topic?, payload: payload? })
}

fn inline(layers: &Layers, path: &str) -> Option<Template> {
    let text = layers.text(path)?;
    let (file, line) = layers.text_place(path);
    Some(Template { text, file, line })
}

#[expect(clippy::disallowed_methods, reason = "templates are files that the settings name")]
fn from_file(layers: &Layers, path: &str, problems: &mut Problems) -> Option<Template> {
    let file = layers.path(path)?;
    let mut text = String::new();
    let read = std::fs::File::open(&file)
        .and_then(|opened| opened.take(MAX_TEMPLATE + 1).read_to_string(&mut text))
        .map(|_| text.len() as u64);
    let (what, hint) = match read {
        Ok(length) if length <= MAX_TEMPLATE => {
            return Some(Template { text, file: file.display().to_string(), line: 1 });
        }
        Ok(_) => (format!("{} is longer than {MAX_TEMPLATE} bytes", file.display()), "name a template"),
        Err(error) => (
            format!("{} cannot be read: {error}", file.display()),
            "make it a text file that this user can read",
        ),
    };
    problems.add(layers.place(path), what, hint);
    None
}
