//! A comparison onto standard output.

use anyhow::Result;
use comfy_table::CellAlignment;

use super::output::{align, label, name, number, percent, plain, to_watt_hours};
use crate::calendar::{Against, Zone};
use crate::history::{Change, Pair};
use crate::site::{FigureKey, Site};
use crate::units::Span;
use crate::web::history::{Question, TOTALS};

/// What was found.
pub(super) struct Found<'a> {
    pub(super) against: Against,
    pub(super) pairs: &'a [Pair],
    pub(super) whole: Option<&'a Pair>,
}

/// One figure interval by interval, then every total and circuit over all intervals that have a
/// counterpart.
pub(super) fn tables(site: &Site, question: &Question, found: &Found<'_>, of: FigureKey) -> String {
    let zone = &question.zone;
    let title = title(site, of);
    let heads = ["start", "then", "kWh", "kWh then", "more kWh", "more", "known", "known then"];
    let mut table = plain(heads.map(str::to_owned).to_vec());
    align(&mut table, 1, CellAlignment::Left);
    for pair in found.pairs {
        let start = label(zone, question.by, pair.this.interval.start);
        let then = pair.that.as_ref();
        let then = then.map_or_else(|| "-".to_owned(), |that| label(zone, question.by, that.interval.start));
        let change = pair.change(of);
        let figures = change.map_or_else(|| alone(pair, of), |change| cells(&change));
        table.add_row([start, then].into_iter().chain(figures));
    }
    let mut text = format!(
        "{} ({}), {title} in kWh by {}, beside {}, {}\n\n{}\n",
        site.name,
        site.id,
        question.by,
        words(found.against),
        zone.name(),
        table.trim_fmt()
    );
    if let Some(whole) = found.whole {
        let heads = ["figure", "label", "kWh", "kWh then", "more kWh", "more", "known", "known then"];
        let mut table = plain(heads.map(str::to_owned).to_vec());
        align(&mut table, 1, CellAlignment::Left);
        for (name, key) in TOTALS {
            if let Some(change) = whole.change(key) {
                let row = [name.replace('_', "-"), String::new()];
                table.add_row(row.into_iter().chain(cells(&change)));
            }
        }
        for (index, circuit) in site.circuits.iter().enumerate() {
            if let Some(change) = whole.change(FigureKey::Circuit(index)) {
                let row = [circuit.id.clone(), circuit.latest().label.clone()];
                table.add_row(row.into_iter().chain(cells(&change)));
            }
        }
        text += &format!("\nAll of them together, {}\n\n{}\n", lengths(whole), table.trim_fmt());
    }
    text += "\n`more` is given only where both are known for at least 99 % of their time; a dash is not known.\n\
             An interval that is not over is compared as far as it has come.\n";
    text
}

/// The figure of an interval that has no counterpart.
fn alone(pair: &Pair, key: FigureKey) -> [String; 6] {
    let dash = || "-".to_owned();
    [number(pair.this.kwh(key)), dash(), dash(), dash(), percent(pair.this.coverage(key)), dash()]
}

fn cells(change: &Change) -> [String; 6] {
    let more = |value: Option<f64>, of: fn(f64) -> String| value.map_or_else(|| "-".to_owned(), of);
    [
        number(change.this.0.kwh()),
        number(change.that.0.kwh()),
        more(change.difference_kwh, |kwh| format!("{:+.3}", to_watt_hours(kwh))),
        more(change.difference_share, |share| format!("{:+.1} %", share * 100.0)),
        percent(change.this.1),
        percent(change.that.1),
    ]
}

/// How long both sides last: 28 days beside 31 must not pass unseen.
fn lengths(whole: &Pair) -> String {
    let days = |span: Span| {
        let hours = span.as_seconds() / 3600.0;
        if hours < 48.0 { format!("{hours} h") } else { format!("{} days", (hours / 2.4).round() / 10.0) }
    };
    let this = days(whole.this.interval.span());
    match whole.that.as_ref().map(|that| days(that.interval.span())) {
        Some(that) if that != this => format!("{this} beside {that}"),
        _ => this,
    }
}

fn words(against: Against) -> &'static str {
    match against {
        Against::Previous => "the time before",
        Against::Week => "the week before",
        Against::Month => "the month before",
        Against::Year => "the year before",
    }
}

/// A row a figure and interval; what is not known is empty.
pub(super) fn csv(site: &Site, zone: &Zone, found: &Found<'_>) -> Result<String> {
    let mut writer = csv::Writer::from_writer(Vec::new());
    writer.write_record([
        "site",
        "start",
        "end",
        "seconds",
        "then_start",
        "then_end",
        "then_seconds",
        "figure",
        "id",
        "kwh",
        "coverage",
        "then_kwh",
        "then_coverage",
        "difference_kwh",
        "difference_w",
    ])?;
    let seconds = |span: Span| (span.0 / Span::TICK.0).to_string();
    let some = |value: Option<f64>| value.map(|value| value.to_string()).unwrap_or_default();
    let share = |share: f64| ((share * 1e6).floor() / 1e6).to_string();
    for pair in found.pairs {
        let Some(that) = &pair.that else { continue };
        let (this, then) = (pair.this.interval, that.interval);
        for (key, _) in &pair.this.figures {
            let (Some((figure, id)), Some(change)) = (name(site, *key), pair.change(*key)) else { continue };
            let difference_w = change.difference_w.map(|watts| (watts * 10.0).round() / 10.0 + 0.0);
            writer.write_record([
                site.id.as_str(),
                &zone.rfc3339(this.start),
                &zone.rfc3339(this.end),
                &seconds(this.span()),
                &zone.rfc3339(then.start),
                &zone.rfc3339(then.end),
                &seconds(then.span()),
                figure,
                id,
                &some(change.this.0.kwh()),
                &share(change.this.1),
                &some(change.that.0.kwh()),
                &share(change.that.1),
                &some(change.difference_kwh),
                &some(difference_w),
            ])?;
        }
    }
    Ok(String::from_utf8(writer.into_inner()?)?)
}

/// The figure of that name: a total, or a circuit by its id. Without a name it is consumption, or what
/// the map has of the totals.
pub(super) fn figure(site: &Site, of: Option<&str>) -> Result<FigureKey, String> {
    let defined = |key| site.epochs.iter().any(|epoch| epoch.plan.figures.iter().any(|f| f.key == key));
    let Some(of) = of else {
        let usual = [FigureKey::Consumption, FigureKey::Grid, FigureKey::Tracked, FigureKey::Generation];
        return Ok(usual.into_iter().find(|key| defined(*key)).unwrap_or(FigureKey::Tracked));
    };
    let total = TOTALS.into_iter().find(|(name, _)| name.replace('_', "-") == of.replace('_', "-"));
    let circuit = || site.circuit_index(of).map(FigureKey::Circuit);
    total.map(|(_, key)| key).or_else(circuit).ok_or_else(|| {
        let totals = TOTALS.map(|(name, _)| name.replace('_', "-")).join(", ");
        let circuits: Vec<&str> = site.circuits.iter().map(|circuit| circuit.id.as_str()).collect();
        format!(
            "--of: there is no figure `{of}`; there are {totals}, and the circuits {}",
            circuits.join(", ")
        )
    })
}

/// The figure's name for people.
pub(super) fn title(site: &Site, of: FigureKey) -> String {
    match of {
        FigureKey::Circuit(index) => site.circuits[index].latest().label.clone(),
        _ => name(site, of).map_or_else(String::new, |(figure, _)| figure.replace('_', "-")),
    }
}
