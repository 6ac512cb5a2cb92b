//! From a finding to the lines of the map.

use crate::site::{CircuitEntry, Ct, FeedEntry, Leg, Role, Site};
use crate::units::ONE;

/// Ratios that a wrong CT type comes to most: ratings go in steps of two, and a CT may have two turns.
const RATIOS: [f64; 5] = [1.0, 2.0, 0.5, 4.0, 0.25];
/// How near an estimate is to one of them: what a CT of class 1 errs at small currents (IEC 61869-2).
const WITHIN: f64 = 0.03;

/// Replaces lines `first..=last` (1-based) of the map by `lines`; `last = first - 1` puts them before `first`.
#[derive(Clone, Debug, PartialEq, Eq)]
pub struct Edit {
    /// First line.
    pub first: usize,
    /// Last line.
    pub last: usize,
    /// What to put there; none takes the lines out.
    pub lines: Vec<String>,
}

impl Edit {
    fn replace((first, last): (usize, usize), line: String) -> Self {
        Self { first, last, lines: vec![line] }
    }

    fn remove(line: usize) -> Self {
        Self { first: line, last: line, lines: Vec::new() }
    }

    fn after(line: usize, text: &str) -> Self {
        Self { first: line + 1, last: line, lines: vec![text.to_owned()] }
    }
}

/// The text of a map with some changes made.
pub fn apply(text: &str, edits: &[Edit]) -> String {
    let mut lines: Vec<&str> = text.lines().collect();
    let mut sorted: Vec<&Edit> = edits.iter().collect();
    // From the end, so that the numbers of what is still to do stay right.
    sorted.sort_by_key(|edit| std::cmp::Reverse((edit.first, edit.last)));
    for edit in sorted {
        let first = (edit.first.max(1) - 1).min(lines.len());
        let last = edit.last.clamp(first, lines.len());
        lines.splice(first..last, edit.lines.iter().map(String::as_str));
    }
    let mut text = lines.join("\n");
    text.push('\n');
    text
}

/// A decimal of at most three places.
fn scale(millionths: i64) -> String {
    let rounded = (millionths as f64 / 1000.0).round() / 1000.0;
    format!("{rounded}")
}

fn ct_text(site: &Site, ct: &Ct) -> String {
    let name = &site.channels[ct.channel.0 as usize].name;
    let mut keys = String::new();
    if let Some(leg) = ct.leg {
        keys.push_str(&format!(", leg = \"{leg}\""));
    }
    if ct.reversed {
        keys.push_str(", reversed = true");
    }
    if let Some(millionths) = ct.scale {
        keys.push_str(&format!(", scale = {}", scale(millionths)));
    }
    if keys.is_empty() { format!("\"{name}\"") } else { format!("{{ channel = \"{name}\"{keys} }}") }
}

fn channels(site: &Site, cts: &[Ct]) -> String {
    let cts: Vec<String> = cts.iter().map(|ct| ct_text(site, ct)).collect();
    format!("channels = [{}]", cts.join(", "))
}

fn of_cts(site: &Site, entry: &CircuitEntry, change: impl FnOnce(&mut [Ct])) -> Vec<Edit> {
    let mut cts = entry.cts.clone();
    change(&mut cts);
    place(entry).map(|lines| Edit::replace(lines, channels(site, &cts))).into_iter().collect()
}

fn place(entry: &CircuitEntry) -> Option<(usize, usize)> {
    entry.written.channels
}

/// The line to name for an entry's CTs.
pub fn line_of(entry: &CircuitEntry) -> usize {
    place(entry).map_or(entry.line, |(first, _)| first)
}

fn last_line(entry: &CircuitEntry) -> usize {
    place(entry).map_or(entry.line, |(_, last)| last)
}

/// Turns one CT of a circuit round, or all of them.
pub fn turn(site: &Site, entry: &CircuitEntry, ct: Option<usize>) -> Vec<Edit> {
    match ct {
        Some(ct) if entry.cts.len() > 1 => of_cts(site, entry, |cts| cts[ct].reversed ^= true),
        _ if entry.cts.iter().all(|ct| ct.reversed) => {
            of_cts(site, entry, |cts| cts.iter_mut().for_each(|ct| ct.reversed = false))
        }
        _ => match (entry.written.sign, entry.written.reversed, entry.role) {
            (_, Some(line), _) if entry.written.is_reversed => vec![Edit::remove(line)],
            (Some(line), ..) => vec![Edit::remove(line)],
            (None, _, Role::Pv) => vec![Edit::after(last_line(entry), "sign = \"generation-positive\"")],
            (_, Some(line), _) => vec![Edit::replace((line, line), "reversed = true".to_owned())],
            _ => vec![Edit::after(last_line(entry), "reversed = true")],
        },
    }
}

fn legs_edit(entry: &CircuitEntry, legs: &[Leg]) -> Edit {
    let names: Vec<String> = legs.iter().map(|leg| format!("\"{leg}\"")).collect();
    let line = format!("legs = [{}]", names.join(", "));
    match entry.written.legs {
        Some(lines) => Edit::replace(lines, line),
        None => Edit::after(last_line(entry), &line),
    }
}

/// Doubles a circuit.
pub fn double(entry: &CircuitEntry, legs: &[Leg]) -> Vec<Edit> {
    let mut edits = match entry.written.doubled {
        Some(line) => vec![Edit::replace((line, line), "doubled = true".to_owned())],
        None => vec![Edit::after(last_line(entry), "doubled = true")],
    };
    if entry.legs.len() != 2 && legs.len() == 2 {
        edits.push(legs_edit(entry, legs));
    }
    edits
}

/// Doubles no longer; on one leg alone if the data says so.
pub fn single(entry: &CircuitEntry, leg: Option<Leg>) -> Vec<Edit> {
    let mut edits: Vec<Edit> = entry.written.doubled.map(Edit::remove).into_iter().collect();
    if let Some(leg) = leg {
        edits.push(legs_edit(entry, &[leg]));
    }
    edits
}

/// Puts a CT on another leg.
pub fn leg(site: &Site, entry: &CircuitEntry, ct: usize, leg: Leg) -> Vec<Edit> {
    if entry.cts.len() > 1 {
        return of_cts(site, entry, |cts| cts[ct].leg = Some(leg));
    }
    let mut edits = vec![legs_edit(entry, &[leg])];
    if entry.cts[0].leg.is_some() {
        edits.extend(of_cts(site, entry, |cts| cts[0].leg = None));
    }
    edits
}

/// Puts each CT of a circuit on the leg given.
pub fn legs(site: &Site, entry: &CircuitEntry, legs: &[(usize, Leg)]) -> Vec<Edit> {
    match legs {
        [(ct, only)] => leg(site, entry, *ct, *only),
        _ => of_cts(site, entry, |cts| legs.iter().for_each(|(ct, leg)| cts[*ct].leg = Some(*leg))),
    }
}

/// Multiplies the scale of a CT.
pub fn rescale(site: &Site, entry: &CircuitEntry, ct: usize, by: f64) -> (Vec<Edit>, f64) {
    let own = entry.cts[ct].scale;
    let now = own.or(entry.written.scale_millionths).unwrap_or(ONE);
    let exact = now as f64 * by;
    // A CT that is within its class of 1 has no scale.
    // Nor does it come out at 1.98 where its device takes it for one of half its rating.
    let whole = |by: f64| (exact / (by * ONE as f64) - 1.0).abs() < WITHIN;
    let new = match RATIOS.into_iter().find(|by| whole(*by)) {
        Some(by) => (by * ONE as f64) as i64,
        None => ((exact / 1000.0).round() as i64) * 1000,
    };
    let value = new as f64 / ONE as f64;
    if own.is_some() || (entry.cts.len() > 1 && entry.written.scale.is_none()) {
        let new = (new != ONE).then_some(new);
        return (of_cts(site, entry, |cts| cts[ct].scale = new), value);
    }
    let edit = match entry.written.scale {
        Some(line) if new == ONE => Edit::remove(line),
        Some(line) => Edit::replace((line, line), format!("scale = {}", scale(new))),
        None => Edit::after(last_line(entry), &format!("scale = {}", scale(new))),
    };
    (vec![edit], value)
}

/// Moves a circuit to another bus.
pub fn bus(entry: &CircuitEntry, bus: &str) -> Vec<Edit> {
    vec![match (entry.written.bus, bus) {
        (Some(line), "main") => Edit::remove(line),
        (Some(line), _) => Edit::replace((line, line), format!("bus = \"{bus}\"")),
        (None, _) => Edit::after(last_line(entry), &format!("bus = \"{bus}\"")),
    }]
}

/// Takes the CTs of a circuit out, with the keys that mean nothing without them.
pub fn without_cts(entry: &CircuitEntry) -> Vec<Edit> {
    let keys = [entry.written.doubled, entry.written.reversed, entry.written.scale, entry.written.sign];
    let mut edits: Vec<Edit> = keys.into_iter().flatten().map(Edit::remove).collect();
    edits.extend(place(entry).map(|(first, last)| Edit { first, last, lines: Vec::new() }));
    edits
}

/// Takes one CT out.
pub fn without_ct(site: &Site, entry: &CircuitEntry, ct: usize) -> Vec<Edit> {
    if entry.cts.len() < 2 {
        return without_cts(entry);
    }
    let mut cts = entry.cts.clone();
    cts.remove(ct);
    place(entry).map(|lines| Edit::replace(lines, channels(site, &cts))).into_iter().collect()
}

/// Exchanges the channels of two circuits' CTs.
pub fn exchange(site: &Site, a: (&CircuitEntry, usize), b: (&CircuitEntry, usize)) -> Vec<Edit> {
    let (first, second) = (a.0.cts[a.1].channel, b.0.cts[b.1].channel);
    let mut edits = of_cts(site, a.0, |cts| cts[a.1].channel = second);
    edits.extend(of_cts(site, b.0, |cts| cts[b.1].channel = first));
    edits
}

/// Adds a bus that a circuit feeds, before the first circuit of the map.
pub fn new_bus(site: &Site, id: &str, feeder: &str) -> Edit {
    let first = site.circuits.iter().flat_map(|c| &c.entries).map(|entry| entry.line).min().unwrap_or(1);
    let lines =
        ["[[bus]]".to_owned(), format!("id = \"{id}\""), format!("fed_by = \"{feeder}\""), String::new()];
    Edit { first, last: first - 1, lines: lines.to_vec() }
}

/// Changes the CTs of a feed.
pub fn of_feed(site: &Site, feed: &FeedEntry, change: impl FnOnce(&mut [Ct])) -> Vec<Edit> {
    let mut cts = feed.cts.clone();
    change(&mut cts);
    vec![Edit::replace(feed.channels, channels(site, &cts))]
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn edits_are_made_from_the_end() {
        let edits = [
            Edit::remove(2),
            Edit::after(2, "b2"),
            Edit::replace((4, 5), "de".to_owned()),
            Edit { first: 1, last: 0, lines: vec!["top".to_owned()] },
        ];
        assert_eq!(apply("a\nb\nc\nd\ne\nf", &edits), "top\na\nb2\nc\nde\nf\n");
    }

    #[test]
    fn scales_are_short() {
        assert_eq!(
            (scale(1_100_000), scale(500_000), scale(1_062_200)),
            ("1.1".into(), "0.5".into(), "1.062".into())
        );
    }
}
