//! The text of a map's file, from a draft.

use std::collections::BTreeSet;
use std::fmt::Write as _;

use super::draft::{ChannelDraft, DeviceDraft, Draft};
use super::guess::slug;

/// Writes it. With a former text, devices and circuits alone, behind that.
pub(super) fn write(
    draft: &Draft,
    devices: &[DeviceDraft],
    channels: &[ChannelDraft],
    former: Option<&str>,
) -> String {
    let mut text = former.map_or_else(|| head(draft), |former| former.trim_end().to_owned() + "\n");
    for device in devices {
        text.push_str(&of_device(device));
    }
    if former.is_none() {
        text.push_str(&feed(channels));
    }
    let mut taken = former.map(ids).unwrap_or_default();
    for (label, cts) in circuits(channels) {
        let names = (1..).map(|n| if n == 1 { slug(&label) } else { format!("{}-{n}", slug(&label)) });
        let id = names.into_iter().find(|id| !taken.contains(id)).unwrap_or_default();
        text.push_str(&of_circuit(&id, &label, &cts));
        taken.insert(id);
    }
    text
}

fn head(draft: &Draft) -> String {
    let mut text =
        String::from("# Made with the set-up page; docs/map.md says what else can stand here.\n\n");
    line(&mut text, "site", &quoted(&draft.site()));
    line(&mut text, "name", &quoted(draft.field("name")));
    line(&mut text, "time_zone", &quoted(draft.field("time_zone")));
    text.push_str("\n[service]\n");
    line(&mut text, "system", &quoted(draft.field("system")));
    number(&mut text, "main_breaker_a", draft.field("main_a"));
    text
}

fn of_device(device: &DeviceDraft) -> String {
    let mut text = String::from("\n[[device]]\n");
    line(&mut text, "id", &quoted(&device.id));
    line(&mut text, "topic", &quoted(&device.topic));
    if !device.pointer.is_empty() {
        let time = match device.time.as_str() {
            "" => String::new(),
            time => format!(", time = {}", quoted(time)),
        };
        line(&mut text, "payload", &format!("{{ pointer = {}{time} }}", quoted(&device.pointer)));
    }
    line(&mut text, "unit", &quoted(&device.unit));
    if !matches!(device.unit.as_str(), "Wh" | "kWh") {
        line(&mut text, "reading", &quoted(&device.reading));
    }
    number(&mut text, "every_s", &device.every_s);
    let channels: Vec<String> = device.channels.iter().map(|channel| quoted(channel)).collect();
    line(&mut text, "channels", &format!("[{}]", channels.join(", ")));
    text
}

/// The mains CTs; empty where there are none.
fn feed(channels: &[ChannelDraft]) -> String {
    let mains: Vec<String> = ["A", "B", "C"]
        .iter()
        .flat_map(|leg| channels.iter().filter(move |channel| channel.on == *leg))
        .map(|channel| {
            let reversed = if channel.reversed { ", reversed = true" } else { "" };
            format!("{{ channel = {}, leg = {}{reversed} }}", quoted(&channel.name), quoted(&channel.on))
        })
        .collect();
    if mains.is_empty() {
        return String::new();
    }
    format!("\n[[feed]]\nbus = \"main\"\nmeasures = \"panel\"\nchannels = [{}]\n", mains.join(", "))
}

/// Channels of the same name are CTs of one circuit, in the order in which they stand.
fn circuits(channels: &[ChannelDraft]) -> Vec<(String, Vec<&ChannelDraft>)> {
    let mut circuits: Vec<(String, Vec<&ChannelDraft>)> = Vec::new();
    for channel in channels.iter().filter(|channel| channel.on == "circuit") {
        let label = if channel.label.is_empty() { channel.name.clone() } else { channel.label.clone() };
        match circuits.iter_mut().find(|(other, _)| *other == label) {
            Some((_, cts)) => cts.push(channel),
            None => circuits.push((label, vec![channel])),
        }
    }
    circuits
}

fn of_circuit(id: &str, label: &str, cts: &[&ChannelDraft]) -> String {
    let first = cts[0];
    let mut text = String::from("\n[[circuit]]\n");
    line(&mut text, "id", &quoted(id));
    line(&mut text, "label", &quoted(label));
    line(&mut text, "end_use", &quoted(&first.end_use));
    let mut spaces: Vec<u16> = Vec::new();
    let mut odd: Vec<String> = Vec::new();
    for word in
        cts.iter().flat_map(|ct| ct.spaces.split([',', ' ', ';', '/'])).filter(|word| !word.is_empty())
    {
        match word.parse() {
            Ok(space) if !spaces.contains(&space) => spaces.push(space),
            Ok(_) => {}
            // It stands in the map as it was typed, and the map's rules say what is wrong with it.
            Err(_) => odd.push(quoted(word)),
        }
    }
    spaces.sort_unstable();
    let all: Vec<String> = spaces.iter().map(u16::to_string).chain(odd).collect();
    if !all.is_empty() {
        line(&mut text, "spaces", &format!("[{}]", all.join(", ")));
    }
    let breaker = cts.iter().map(|ct| ct.breaker_a.as_str()).find(|breaker| !breaker.is_empty());
    number(&mut text, "breaker_a", breaker.unwrap_or_default());
    let reversed: Vec<bool> = cts.iter().map(|ct| ct.reversed).collect();
    let all_reversed = reversed.iter().all(|reversed| *reversed);
    let channels = cts.iter().map(|ct| match ct.reversed && !all_reversed {
        true => format!("{{ channel = {}, reversed = true }}", quoted(&ct.name)),
        false => quoted(&ct.name),
    });
    line(&mut text, "channels", &format!("[{}]", channels.collect::<Vec<_>>().join(", ")));
    if cts.iter().any(|ct| ct.doubled) {
        line(&mut text, "doubled", "true");
    }
    if all_reversed {
        line(&mut text, "reversed", "true");
    }
    if cts.iter().any(|ct| ct.generation) {
        line(&mut text, "sign", "\"generation-positive\"");
    }
    text
}

/// The ids of the circuits of a map.
fn ids(map: &str) -> BTreeSet<String> {
    let document: toml::Table = map.parse().unwrap_or_default();
    let circuits = document.get("circuit").and_then(toml::Value::as_array);
    let ids = circuits.into_iter().flatten().filter_map(|circuit| circuit.get("id")?.as_str());
    ids.map(str::to_owned).collect()
}

fn line(text: &mut String, key: &str, value: &str) {
    writeln!(text, "{key} = {value}").expect("writing to a String does not fail");
}

/// A number as it was typed; what is none stands there as text, and the map's rules say so.
fn number(text: &mut String, key: &str, typed: &str) {
    if typed.is_empty() {
        return;
    }
    match typed.parse::<f64>() {
        Ok(number) if number.is_finite() => line(text, key, &number.to_string()),
        _ => line(text, key, &quoted(typed)),
    }
}

/// A TOML basic string.
fn quoted(text: &str) -> String {
    let mut quoted = String::from("\"");
    for c in text.chars() {
        match c {
            '"' => quoted.push_str("\\\""),
            '\\' => quoted.push_str("\\\\"),
            c if c.is_control() => {
                write!(quoted, "\\u{:04X}", c as u32).expect("writing to a String does not fail");
            }
            c => quoted.push(c),
        }
    }
    quoted.push('"');
    quoted
}
