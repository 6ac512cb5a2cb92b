//! A circuit: what it used, how its day goes, how often it runs, what its breaker carries, and which CT
//! measured it when.

use std::sync::Arc;

use axum::extract::{Path, Query, State};
use axum::response::Response;
use serde::Serialize;

use super::ask::{self, Trouble};
use super::doubts::{self, Doubts};
use super::history::{Chart, Steps, Wanted};
use super::period::{Length, Period};
use super::sheet::{self, Sheet};
use super::stacks;
use super::typical::{of_day, on_scale, plain, unit_of};
use super::{Asked, Numbers, Page, problem, show, uses, words};
use crate::calendar::Zone;
use crate::chart::{Kind, Piece, Slot, Stack};
use crate::schedule::{CtLine, Proofs, schedule};
use crate::site::{Circuit, CircuitEntry, FigureKey, Role, Site, System};
use crate::units::Stamp;
use crate::web::views::{profile::ProfileBody, rank::RankBody, verify::for_schedule};
use crate::web::{HistoryBody, HistoryQuery, Shared, View, api};

#[derive(Debug, Serialize)]
struct CircuitPage {
    id: String,
    label: String,
    class: &'static str,
    steps: Steps,
    now_w: Option<f64>,
    measured: bool,
    facts: Vec<(&'static str, String)>,
    said: Vec<String>,
    charts: Vec<Chart>,
    rows: Vec<BarRow>,
    cts: Vec<CtLine>,
    entries: Vec<Entry>,
    /// What the hourly audit says of it.
    doubts: Doubts,
    /// When a load step proved it, and how; empty if none did.
    proven: String,
    alerts: Vec<(String, String)>,
    csv: String,
}

/// A bar of the chart as a line of the table.
#[derive(Debug, Serialize)]
struct BarRow {
    label: String,
    link: Option<String>,
    kwh: String,
    known: String,
}

/// A dated entry of the map.
#[derive(Debug, Serialize)]
struct Entry {
    from: String,
    until: String,
    label: String,
    panel: String,
    channels: String,
    line: usize,
}

/// A circuit of a site, for a browser.
#[utoipa::path(get, path = "/sites/{site}/circuits/{circuit}",
    params(
        ("site" = String, Path,),
        ("circuit" = String, Path,),
        ("span" = Option<String>, Query, description = "day, week, month (the default), billing or year"),
        ("at" = Option<String>, Query, description = "a local date within it; today if it is not given"),
        ("form" = Option<String>, Query, description = "csv: what is shown as a file"),
    ),
    responses(
        (status = 200, body = String, content_type = "text/html", description = "or text/csv"),
        (status = 404, description = "no such site or circuit"),
    ))]
pub(in crate::web) async fn circuit(
    State(shared): State<Arc<Shared>>,
    asked: Asked,
    Path((id, circuit)): Path<(String, String)>,
    Query(given): Query<Vec<(String, String)>>,
) -> Response {
    let Some(site) = shared.site(&id) else { return problem::no_such_site(&shared, &asked, &id) };
    let answer = match site.circuit_index(&circuit) {
        Some(place) => page(&shared, &asked, &site, place, &Wanted::read(&given)).await,
        None => {
            let circuit: String = circuit.chars().take(64).collect();
            let what = format!("{} has no circuit “{circuit}”.", site.name);
            Err(Trouble::missing(what, "The page “Now” lists every circuit."))
        }
    };
    answer.unwrap_or_else(|trouble| trouble.page(&shared, &asked))
}

/// What is known of a circuit's past.
struct Past {
    energy: HistoryBody,
    /// The typical day; absent where nothing of the time has passed.
    profile: Option<ProfileBody>,
    ranking: Option<RankBody>,
}

async fn page(
    shared: &Shared,
    asked: &Asked,
    site: &Arc<Site>,
    place: usize,
    wanted: &Wanted,
) -> Result<Response, Trouble> {
    let now = shared.state.clock.now();
    let period = Period::read(site, wanted.span.as_deref(), wanted.at.as_deref(), now)?;
    let circuit = &site.circuits[place];
    let past = past(shared, site, place, &period).await?;
    if wanted.as_file {
        return Ok(file(site, circuit, &period, &past.energy));
    }
    let live = api::figures(shared, site);
    let proofs = for_schedule(shared, site, now);
    let cts = cts(site, &period.zone, &circuit.id, now, &proofs);
    let measured = circuit.entries.iter().any(|entry| !entry.cts.is_empty());
    let entry = circuit.latest();
    let numbers = asked.numbers;
    let body = CircuitPage {
        id: circuit.id.clone(),
        class: uses::class(entry.end_use),
        steps: Steps::of(wanted, &period),
        now_w: live.as_ref().and_then(|now| now.circuits.get(&circuit.id)?.w),
        measured,
        facts: facts(numbers, site, entry),
        said: if measured { said(numbers, site, circuit, &period, &past) } else { Vec::new() },
        charts: if measured { charts(numbers, circuit, &period, &past) } else { Vec::new() },
        rows: rows(numbers, circuit, wanted, &period, &past.energy),
        proven: cts.iter().map(|ct| ct.proven.clone()).find(|proven| !proven.is_empty()).unwrap_or_default(),
        cts,
        entries: circuit.entries.iter().map(|one| of_entry(site, &period.zone, one)).collect(),
        doubts: doubts::of_circuit(numbers, site, circuit, shared.audit(&site.id).as_ref()),
        alerts: live
            .into_iter()
            .flat_map(|now| now.alerts)
            .filter(|alert| alert.circuit.as_deref() == Some(&circuit.id))
            .map(|alert| (super::now::too_much(numbers, &alert), alert.r#do))
            .collect(),
        csv: wanted.file(&period),
        label: entry.label.clone(),
    };
    let frame =
        Page { template: "circuit.html", title: &body.label, site: Some(site), tab: "circuit", again_s: 0 };
    Ok(show(shared, asked, frame, &body))
}

async fn past(shared: &Shared, site: &Arc<Site>, place: usize, period: &Period) -> Result<Past, Trouble> {
    let (from, to) = (words::iso(period.first), words::iso(period.after));
    let by = period.length.by();
    let this = Some(vec![FigureKey::Circuit(place)]);
    let energy =
        HistoryQuery { only: this.clone(), ..ask::of(site, View::Energy, &from, &to, Some(by.as_str())) };
    let profile = HistoryQuery { only: this.clone(), ..ask::of(site, View::Profile, &from, &to, None) };
    let ranking = HistoryQuery { only: this, ..ask::of(site, View::Rank, &from, &to, None) };
    ask::ask(shared, move |history| {
        // A time that has not begun has no typical day and no ranking: the page does without.
        Ok(Past {
            energy: ask::body(history, &energy)?,
            profile: ask::body(history, &profile).ok(),
            ranking: ask::body(history, &ranking).ok(),
        })
    })
    .await
}

/// What the map says of it.
fn facts(numbers: Numbers, site: &Site, entry: &CircuitEntry) -> Vec<(&'static str, String)> {
    let mut facts = vec![("Panel", site.buses[entry.bus].name.clone())];
    if !entry.spaces.is_empty() {
        let spaces: Vec<String> = entry.spaces.iter().map(u16::to_string).collect();
        facts.push(("Spaces", spaces.join(" · ")));
    }
    if !entry.legs.is_empty() {
        let legs: Vec<&str> = entry.legs.iter().map(|leg| leg.as_str()).collect();
        facts.push(("Legs", legs.join(" and ")));
    }
    if let Some(amps) = entry.breaker_a {
        facts.push(("Breaker", format!("{}\u{a0}A", numbers.digits(&amps.to_string()))));
    }
    let what = match entry.role {
        Role::Feeder(bus) => format!("feeds {}", site.buses[bus].name),
        _ => entry.end_use.to_string(),
    };
    facts.push(("For", what));
    let names: Vec<&str> =
        entry.cts.iter().map(|ct| site.channels[ct.channel.0 as usize].name.as_str()).collect();
    facts.push(("CT", if names.is_empty() { "none".to_owned() } else { names.join(", ") }));
    facts
}

/// Amperes of a power on that circuit at nominal voltage, for a power factor of 1.
fn amps(system: System, legs: usize, watts: f64) -> Option<f64> {
    let volts = match (system, legs) {
        (_, 1) => 120.0,
        (_, 2) => system.leg_to_leg_v(),
        // Three legs of a wye: the line current is P / (√3 · V).
        (System::Wye120_208, 3) => system.leg_to_leg_v() * 3f64.sqrt(),
        _ => return None,
    };
    Some(watts / volts)
}

fn said(numbers: Numbers, site: &Site, circuit: &Circuit, period: &Period, past: &Past) -> Vec<String> {
    let entry = circuit.latest();
    let values = past.energy.intervals.iter().map(|one| one.circuits.get(&circuit.id).copied().flatten());
    let total = stacks::sum(values);
    let so_far = if period.is_open() { " so far" } else { "" };
    let place = past.ranking.as_ref();
    let place = place
        .and_then(|ranking| ranking.places.iter().find(|one| one.circuit.as_deref() == Some(&circuit.id)));
    let share = place.and_then(|place| place.share).filter(|_| entry.role == Role::Load);
    let share = share.map_or_else(String::new, |share| {
        format!(", {} of what the house used", numbers.percent(Some(share)))
    });
    let mut said = vec![match total {
        Some(kwh) if kwh < 0.0 => format!("It gave {}{so_far}.", numbers.kwh(Some(-kwh))),
        Some(kwh) => format!("{} {}{so_far}{share}.", verb(entry.role), numbers.kwh(Some(kwh))),
        None => "Nothing is known of it in this time: there are no readings of it.".to_owned(),
    }];
    let Some(place) = place else { return said };
    if let (Some(share), Some(cycles)) = (place.run_share, place.cycles_per_day) {
        let from =
            place.runs_from_w.map_or_else(String::new, |w| format!(" (from {} on)", numbers.watts(Some(w))));
        said.push(format!(
            "It ran {} of the time{from} and started {} times a day.",
            numbers.percent(Some(share)),
            numbers.number(cycles, usize::from(cycles < 9.95))
        ));
    }
    if let (Some(peak), Some(at)) = (place.peak_minute_w, &place.peak_minute_at) {
        let mut sentence =
            format!("Its highest minute had {}, on {}", numbers.watts(Some(peak)), words::moment(at));
        let current = amps(site.service.system, entry.legs.len(), peak.abs());
        if let (Some(current), Some(breaker)) = (current, entry.breaker_a) {
            sentence.push_str(&format!(
                ": about {} at nominal voltage, {} of its {breaker}\u{a0}A breaker",
                numbers.amps(Some(current)),
                numbers.percent(Some(current / breaker))
            ));
        }
        sentence.push('.');
        said.push(sentence);
    }
    said
}

/// What a circuit does with what flows through it.
fn verb(role: Role) -> &'static str {
    match role {
        Role::Load => "It used",
        Role::Pv => "It gave",
        Role::Storage => "It took",
        Role::Feeder(_) => "It fed",
    }
}

fn charts(numbers: Numbers, circuit: &Circuit, period: &Period, past: &Past) -> Vec<Chart> {
    let class = uses::class(circuit.latest().end_use);
    let body = &past.energy;
    let starts: Vec<&str> = body.intervals.iter().map(|one| one.start.as_str()).collect();
    // What a source gives is drawn upwards here: its page is about what it gives.
    let role = circuit.latest().role;
    let sign = if role == Role::Pv { -1.0 } else { 1.0 };
    // A day is drawn as power, which is read more easily than the energy of a quarter-hour.
    let is_day = period.length == Length::Day;
    let factor = if is_day { 4_000.0 * sign } else { sign };
    let slot = |one: &crate::web::HistoryInterval| {
        let value = one.circuits.get(&circuit.id).copied().flatten();
        let share = one.circuit_coverage.get(&circuit.id).copied().unwrap_or(0.0);
        Slot {
            pieces: value
                .map(|kwh| Piece { class: class.to_owned(), value: factor * kwh })
                .into_iter()
                .collect(),
            coverage: stacks::of_passed(one, share, period.now.seconds()),
            ghost: None,
        }
    };
    let slots: Vec<Slot> = body.intervals.iter().map(slot).collect();
    if slots.iter().all(|slot| slot.pieces.is_empty()) {
        return Vec::new();
    }
    let axis = Stack::axis(&slots, 4);
    let heading = period.heading();
    let stack = Stack {
        label: format!("What this circuit took or gave, {heading}. The table below has every figure."),
        slots,
        kind: if is_day { Kind::Area } else { Kind::Bars },
        ticks: period.ticks(&starts),
        height: 220,
        axis,
        marks: Vec::new(),
        shows_coverage: true,
    };
    let title = match role {
        Role::Load => "What it used",
        Role::Pv => "What it gave",
        Role::Storage => "What it took, and gave",
        Role::Feeder(_) => "What it fed",
    };
    let (unit, watts) = if is_day { unit_of(axis) } else { ("kWh", 1.0) };
    let mut charts =
        vec![Chart { title, unit, svg: stack.draw(|value| on_scale(numbers, axis, watts, value)) }];
    let figure = past.profile.as_ref().and_then(|profile| profile.circuits.get(&circuit.id));
    if let Some(figure) = figure.filter(|figure| figure.all.w.iter().any(Option::is_some)) {
        let watts: Vec<Option<f64>> = figure.all.w.iter().map(|w| w.map(|w| sign * w)).collect();
        let label = format!("Mean power of this circuit through the day, {heading}");
        let (unit, svg) = of_day(numbers, &label, plain(class, &watts), 160);
        charts.push(Chart { title: "Its typical day", unit, svg });
    }
    charts
}

fn rows(
    numbers: Numbers,
    circuit: &Circuit,
    wanted: &Wanted,
    period: &Period,
    body: &HistoryBody,
) -> Vec<BarRow> {
    let row = |one: &crate::web::HistoryInterval| {
        let share = one.circuit_coverage.get(&circuit.id).copied().unwrap_or(0.0);
        let known = stacks::of_passed(one, share, period.now.seconds())?;
        let kwh = one.circuits.get(&circuit.id).copied().flatten();
        let within = period.length.within().zip(one.start.get(..10));
        Some(BarRow {
            label: period.of_bar(&one.start, &one.end),
            link: within.map(|(length, day)| wanted.link(length, day)),
            kwh: kwh.map_or_else(|| "–".to_owned(), |kwh| numbers.number(kwh, 2)),
            known: numbers.percent(Some(known)),
        })
    };
    body.intervals.iter().filter_map(row).collect()
}

/// The same as a file.
fn file(site: &Site, circuit: &Circuit, period: &Period, body: &HistoryBody) -> Response {
    let columns = ["start", "end", "known", "energy (kWh)"].map(str::to_owned).to_vec();
    let row = |one: &crate::web::HistoryInterval| {
        let share = one.circuit_coverage.get(&circuit.id).copied().unwrap_or(0.0);
        let known = stacks::of_passed(one, share, period.now.seconds())?;
        let kwh = one.circuits.get(&circuit.id).copied().flatten();
        Some(vec![one.start.clone(), one.end.clone(), sheet::number(Some(known)), sheet::number(kwh)])
    };
    let rows = body.intervals.iter().filter_map(row).collect();
    Sheet { name: sheet::name(site, &circuit.id, period), columns, rows }.answer()
}

/// Its lines of the CT directory.
fn cts(site: &Site, zone: &Zone, circuit: &str, now: Stamp, proofs: &Proofs) -> Vec<CtLine> {
    let lines = schedule(site, zone, now, proofs).cts;
    lines.into_iter().filter(|line| line.circuit == circuit).collect()
}

fn of_entry(site: &Site, zone: &Zone, entry: &CircuitEntry) -> Entry {
    let when =
        |at: Stamp, open: Stamp| if at == open { String::new() } else { words::moment(&zone.rfc3339(at)) };
    let names: Vec<&str> =
        entry.cts.iter().map(|ct| site.channels[ct.channel.0 as usize].name.as_str()).collect();
    Entry {
        from: when(entry.span.start, Stamp::MIN),
        until: when(entry.span.end, Stamp::MAX),
        label: entry.label.clone(),
        panel: site.buses[entry.bus].name.clone(),
        channels: if names.is_empty() { "no CT".to_owned() } else { names.join(", ") },
        line: entry.line,
    }
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn currents_follow_from_nominal_voltages() {
        let check = |system, legs, expected: Option<f64>| {
            let found = amps(system, legs, 7_200.0).map(|amps| (amps * 10.0).round() / 10.0);
            assert_eq!(found, expected);
        };
        check(System::SplitPhase120_240, 1, Some(60.0));
        check(System::SplitPhase120_240, 2, Some(30.0));
        check(System::Wye120_208, 2, Some(34.6));
        // 7,200 W / (√3 · 208 V).
        check(System::Wye120_208, 3, Some(20.0));
        check(System::SplitPhase120_240, 0, None);
    }
}
