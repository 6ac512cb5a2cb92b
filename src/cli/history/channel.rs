//! The past of one CT onto standard output.

use anyhow::Result;
use comfy_table::CellAlignment;

use super::output::{align, label, number, percent, plain};
use crate::calendar::By;
use crate::history::{Held, Holder, OfChannel};
use crate::site::{ChannelIndex, Site};
use crate::units::ONE;
use crate::web::history::Question;
use crate::web::views::channel::{ChannelBody, ChannelHeld};

/// What it measured by interval, and below it whose it was.
pub(super) fn tables(site: &Site, question: &Question, of: ChannelIndex, all: &[OfChannel]) -> String {
    let zone = &question.zone;
    let name = &site.channels[of.0 as usize].name;
    let mut table = plain(["start", "coverage", "kWh", "above 0", "below 0"].map(str::to_owned).to_vec());
    for one in all {
        table.add_row([
            label(zone, question.by, one.interval.start),
            percent(one.net().coverage(one.interval.span())),
            number(one.net().kwh()),
            number(one.positive.kwh()),
            number(one.negative.kwh()),
        ]);
    }
    let heads = ["from", "to", "whose", "label", "factor", "kWh", "coverage"];
    let mut whose = plain(heads.map(str::to_owned).to_vec());
    (1..4).for_each(|column| align(&mut whose, column, CellAlignment::Left));
    for held in joined(all) {
        let (id, text, factor) = words(site, held.holder);
        whose.add_row([
            label(zone, By::Minute, held.range.start),
            label(zone, By::Minute, held.range.end),
            id,
            text,
            factor,
            number(held.net.kwh()),
            percent(held.net.coverage(held.range.end - held.range.start)),
        ]);
    }
    format!(
        "{} ({}), CT {name}, energy in kWh by {}, {}\n\n{}\n\nWhose it was\n\n{}\n\n\
         An energy is what the CT measured, before the factor that the map gives it.\n",
        site.name,
        site.id,
        question.by,
        zone.name(),
        table.trim_fmt(),
        whose.trim_fmt(),
    )
}

/// The stretches over all intervals, with those of one holder that touch as one.
fn joined(all: &[OfChannel]) -> Vec<Held> {
    let mut joined: Vec<Held> = Vec::new();
    for held in all.iter().flat_map(|one| &one.held) {
        match joined.last_mut() {
            Some(last) if last.holder == held.holder && last.range.end == held.range.start => {
                last.range.end = held.range.end;
                last.net += held.net;
            }
            _ => joined.push(held.clone()),
        }
    }
    joined
}

/// Whose it is, what that is called, and the factor.
fn words(site: &Site, holder: Holder) -> (String, String, String) {
    let times = |factor: i64| format!("{}", factor as f64 / ONE as f64);
    match holder {
        Holder::Circuit { circuit, entry, factor } => {
            let named = &site.circuits[circuit];
            (named.id.clone(), named.entries[entry].label.clone(), times(factor))
        }
        Holder::Feed { bus, leg, factor } => {
            let leg = leg.map(|leg| format!(", leg {leg:?}")).unwrap_or_default();
            (
                format!("feed of {}", site.buses[bus].id),
                format!("{}{leg}", site.buses[bus].name),
                times(factor),
            )
        }
        Holder::Nobody => ("nobody".to_owned(), "the map names no one".to_owned(), "-".to_owned()),
    }
}

/// A row a stretch and interval; what is not known is empty.
pub(super) fn csv(body: &ChannelBody) -> Result<String> {
    let mut writer = csv::Writer::from_writer(Vec::new());
    let heads =
        ["site", "channel", "start", "end", "circuit", "label", "feeds", "leg", "factor", "kwh", "coverage"];
    writer.write_record(heads)?;
    let some = |value: Option<f64>| value.map(|value| value.to_string()).unwrap_or_default();
    for held in body.intervals.iter().flat_map(|interval| &interval.held) {
        let ChannelHeld { start, end, circuit, label, feeds, leg, factor, kwh, coverage } = held;
        let text = |of: &Option<String>| of.clone().unwrap_or_default();
        writer.write_record([
            &body.site,
            &body.channel,
            start,
            end,
            &text(circuit),
            &text(label),
            &text(feeds),
            &text(leg),
            &some(*factor),
            &some(*kwh),
            &coverage.to_string(),
        ])?;
    }
    Ok(String::from_utf8(writer.into_inner()?)?)
}
