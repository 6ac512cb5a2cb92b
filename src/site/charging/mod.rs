//! EV chargers that get advice, and the watch over breakers: `[[ev]]`, `[charging]`, `[watch]`.

mod shape;

use super::findings::{Findings, choice, nearest};
use super::loading::{Ev, First, IMBALANCE_PART, LEAST_A, Loading, MOST_A, Mode, Sharing, Watch};
use super::model::{Circuit, CircuitEntry, EndUse, FeedEntry, Site};
use super::names::shown;
use super::rules;
use super::text::At;
use crate::units::Span;

pub(super) use shape::ChargingShape;
use shape::{EvShape, Numbers};

/// A house has one or two chargers; each is a line of every live body.
const MAX_EVS: usize = 16;

/// Reads what the map says of charging and loading; `site` has buses and circuits already.
pub(super) fn read(
    shape: &ChargingShape,
    site: &Site,
    feeds: &[FeedEntry],
    findings: &mut Findings,
) -> Loading {
    if shape.evs.len() > MAX_EVS {
        let what = format!("the map has {} [[ev]]", shape.evs.len());
        findings.add(&rules::TOO_MANY, shape.evs[MAX_EVS].line, what, "split it into several sites");
        return Loading::default();
    }
    let mut evs: Vec<Ev> = Vec::new();
    for shape in &shape.evs {
        let Some(ev) = ev(shape, site, findings) else { continue };
        if evs.iter().any(|other| other.circuit == ev.circuit) {
            let what = format!("a second [[ev]] of the circuit \"{}\"", site.circuits[ev.circuit].id);
            findings.add(&rules::EV_CIRCUIT, shape.line, what, "write one [[ev]] for each charger");
            continue;
        }
        evs.push(ev);
    }
    if let Some(first) = evs.first() {
        no_headroom(site, feeds, first.line, findings);
    }
    evs.sort_by_key(|ev| ev.priority);
    let sharing = word(&shape.sharing, "sharing", &SHARING, Sharing::default(), findings);
    Loading {
        evs,
        sharing,
        branch_a: shape.charging.get("branch_a"),
        headroom_over: span(&shape.charging, "headroom_over_s", Loading::HEADROOM_OVER),
        watch: watch(&shape.watch, site.service.main_breaker_a),
    }
}

const SHARING: [(&str, Sharing); 2] =
    [("priority order", Sharing::PriorityOrder), ("shared", Sharing::Shared)];
const FIRST: [(&str, First); 2] = [("battery", First::Battery), ("car", First::Car)];

/// What a word stands for, or `default` where there is none or it is not known.
fn word<T: Copy>(
    given: &Option<At<String>>,
    key: &str,
    words: &[(&str, T)],
    default: T,
    findings: &mut Findings,
) -> T {
    let Some(At { value, line }) = given else { return default };
    if let Some((_, meaning)) = words.iter().find(|(word, _)| word == value) {
        return *meaning;
    }
    let all: Vec<&str> = words.iter().map(|(word, _)| *word).collect();
    let what = format!("{key} = \"{}\" is not known", shown(value));
    findings.add(&rules::UNKNOWN_WORD, *line, what, choice(key, value, &all));
    default
}

fn span(numbers: &Numbers, key: &str, default: Span) -> Span {
    numbers.get(key).map_or(default, |seconds| Span((seconds * 10.0).round() as i64))
}

fn ev(shape: &EvShape, site: &Site, findings: &mut Findings) -> Option<Ev> {
    let (circuit, entry) = charger(shape, site, findings)?;
    let id = &site.circuits[circuit].id;
    let Some(breaker_a) = entry.breaker_a else {
        let what = format!("the charger \"{id}\" has no breaker");
        let write = format!("write breaker_a on the circuit \"{id}\"");
        findings.add(&rules::EV_WITHOUT_BREAKER, shape.line, what, write);
        return None;
    };
    let numbers = &shape.numbers;
    let phases = phases(numbers, findings);
    let volts = numbers.get("volts").unwrap_or_else(|| volts(site, entry, phases));
    let step_a = step(numbers, findings);
    let minimum_a = numbers.get("minimum_a").unwrap_or(LEAST_A);
    let grid_share = numbers.get("grid_share").unwrap_or(0.0);
    let mut ev = Ev {
        circuit,
        phases,
        volts,
        breaker_a,
        mode: word(&shape.mode, "mode", &Mode::ALL.map(|mode| (mode.as_str(), mode)), Mode::Off, findings),
        minimum_a,
        maximum_a: MOST_A,
        step_a,
        priority: numbers.get("priority").map_or(1, |priority| priority.round() as u8),
        fall: span(numbers, "fall_s", Ev::FALL),
        rise: span(numbers, "rise_s", Ev::RISE),
        start_w: 0.0,
        stop_w: 0.0,
        start_after: span(numbers, "start_after_s", Ev::START_AFTER),
        stop_after: span(numbers, "stop_after_s", Ev::STOP_AFTER),
        minimum_on: span(numbers, "minimum_on_s", Ev::MINIMUM_ON),
        minimum_off: span(numbers, "minimum_off_s", Ev::MINIMUM_OFF),
        most_starts: numbers.get("most_starts").map_or(Ev::MOST_STARTS, |starts| starts.round() as u8),
        grid_share,
        hold: span(numbers, "hold_s", Ev::HOLD),
        first: word(&shape.first, "first", &FIRST, First::default(), findings),
        line: shape.line,
    };
    let limit = (ev.breaker_limit_a() / step_a + 1e-9).floor() * step_a;
    ev.maximum_a = numbers.get("maximum_a").unwrap_or(limit.clamp(minimum_a, MOST_A));
    let needed = minimum_a * ev.watts_per_amp() * (1.0 - grid_share);
    ev.start_w = numbers.get("start_w").unwrap_or(needed * Ev::START_PART);
    ev.stop_w = numbers.get("stop_w").unwrap_or(needed);
    lines(shape, &ev, findings);
    Some(ev)
}

/// The circuit that the entry is about, as it is today.
fn charger<'s>(
    shape: &EvShape,
    site: &'s Site,
    findings: &mut Findings,
) -> Option<(usize, &'s CircuitEntry)> {
    let At { value, line } = shape.circuit.as_ref()?;
    let is_charger = |circuit: &&Circuit| circuit.latest().end_use == EndUse::EvCharging;
    match site.circuit_index(value) {
        Some(place) if is_charger(&&site.circuits[place]) => Some((place, site.circuits[place].latest())),
        Some(_) => {
            let what = format!("the circuit \"{}\" is no EV charging circuit", shown(value));
            let write = "write end_use = \"EV charging\" on it, if it is one";
            findings.add(&rules::EV_CIRCUIT, *line, what, write);
            None
        }
        None => {
            let what = format!("an [[ev]] of the circuit \"{}\", which is not there", shown(value));
            let ids = site.circuits.iter().filter(is_charger).map(|circuit| circuit.id.as_str());
            let write = match nearest(value, ids.clone()) {
                Some(near) => format!("write circuit = \"{near}\""),
                None => match ids.clone().next() {
                    Some(id) => format!("write the id of an EV charging circuit, such as \"{id}\""),
                    None => "add its [[circuit]] with end_use = \"EV charging\"".to_owned(),
                },
            };
            findings.add(&rules::EV_CIRCUIT, *line, what, write);
            None
        }
    }
}

fn phases(numbers: &Numbers, findings: &mut Findings) -> u8 {
    let Some(At { value, line }) = numbers.at("phases") else { return 1 };
    if *value != 1.0 && *value != 3.0 {
        let what = format!("phases = {value}");
        findings.add(&rules::CHARGING_NUMBER, *line, what, "write 1 or 3");
        return 1;
    }
    *value as u8
}

fn step(numbers: &Numbers, findings: &mut Findings) -> f64 {
    let Some(At { value, line }) = numbers.at("step_a") else { return 1.0 };
    if *value != 1.0 && *value != 0.1 {
        let what = format!("step_a = {value}");
        findings.add(&rules::CHARGING_NUMBER, *line, what, "write 1 or 0.1");
        return 1.0;
    }
    *value
}

/// A charger on one leg sees the volts of that leg to neutral, so does each of three phases; any other
/// lies between two legs.
fn volts(site: &Site, entry: &CircuitEntry, phases: u8) -> f64 {
    match (phases, entry.legs.len()) {
        (3, _) | (_, 1) => 120.0,
        _ => site.service.system.leg_to_leg_v(),
    }
}

/// What the numbers of one charger say together.
fn lines(shape: &EvShape, ev: &Ev, findings: &mut Findings) {
    let line = |key: &str| shape.numbers.at(key).map_or(shape.line, |at| at.line);
    if ev.maximum_a < ev.minimum_a {
        let what = format!("maximum_a = {} is below minimum_a = {}", ev.maximum_a, ev.minimum_a);
        findings.add(&rules::CHARGING_NUMBER, line("maximum_a"), what, "write the larger one as maximum_a");
    }
    if ev.start_w < ev.stop_w {
        let what = format!("start_w = {} is below stop_w = {}", ev.start_w, ev.stop_w);
        findings.add(
            &rules::CHARGING_NUMBER,
            line("start_w"),
            what,
            "write a start line above the stop line",
        );
    }
    if ev.rise < ev.fall {
        let what = "rise_s is shorter than fall_s";
        findings.add(&rules::CHARGING_NUMBER, line("rise_s"), what, "write a rise_s of at least fall_s");
    }
    let limit = ev.breaker_limit_a();
    if ev.maximum_a > limit + 1e-9 || ev.minimum_a > limit + 1e-9 {
        let what = format!("{} A on a breaker of {} A", ev.maximum_a.max(ev.minimum_a), ev.breaker_a);
        let write = format!("write at most {limit:.1} A; the advice stays below it in any case");
        findings.add(&rules::EV_ABOVE_BREAKER, line("maximum_a"), what, write);
    }
}

/// Reports a map that leaves the room of the service unknown.
fn no_headroom(site: &Site, feeds: &[FeedEntry], line: usize, findings: &mut Findings) {
    let legs_known = |feed: &&FeedEntry| !feed.cts.is_empty() && feed.cts.iter().all(|ct| ct.leg.is_some());
    let mains = feeds.iter().filter(|feed| feed.bus <= super::buses::MAIN).any(|feed| legs_known(&feed));
    if site.service.main_breaker_a.is_none() || !mains {
        let what = match site.service.main_breaker_a {
            None => "an [[ev]] in a map that does not say what the main breaker is",
            Some(_) => "an [[ev]] in a map whose mains CTs are on no known legs",
        };
        let write = "write main_breaker_a under [service], and the leg of each mains CT";
        findings.add(&rules::EV_WITHOUT_HEADROOM, line, what, write);
    }
}

fn watch(numbers: &Numbers, main_breaker_a: Option<f64>) -> Watch {
    let default = Watch::default();
    Watch {
        over_after: span(numbers, "over_after_s", default.over_after),
        imbalance_a: numbers.get("imbalance_a").or(main_breaker_a.map(|amps| amps * IMBALANCE_PART)),
        imbalance_after: span(numbers, "imbalance_after_s", default.imbalance_after),
        clears_below: numbers.get("clears_below").unwrap_or(default.clears_below),
        clears_after: span(numbers, "clears_after_s", default.clears_after),
    }
}
