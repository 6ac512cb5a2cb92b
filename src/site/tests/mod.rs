//! Tests of whole maps.

use super::{Epoch, FigureKey, Finding, Parsed, Part, SeriesIndex, Site, Term, parse};
use crate::units::{ONE, Stamp};

mod books;
mod bounds;
mod cases;
mod counters;
mod demo;
mod example;
mod houses;
mod reference;
mod robust;
mod rules;
mod ways;

/// A map that has to be sound.
fn sound(text: &str) -> Site {
    let Parsed { site, findings, .. } = parse("map.toml", text);
    let Some(site) = site else { panic!("refused:\n{}\n{text}", messages(&findings)) };
    site
}

/// Findings as they are shown.
fn messages(findings: &[Finding]) -> String {
    findings.iter().map(|finding| format!("{finding}\n")).collect()
}

/// The sum of a figure, as `+1 house/m1 -2 house/3 +1 pv/solar:out`; `None` where the plan has none.
fn figure(site: &Site, epoch: &Epoch, key: FigureKey) -> Option<String> {
    let figure = epoch.plan.figures.iter().find(|figure| figure.key == key)?;
    Some(written(site, &figure.terms))
}

fn written(site: &Site, terms: &[Term]) -> String {
    let term = |term: &Term| {
        let part = match term.part {
            Part::Net => "",
            Part::In => ":in",
            Part::Out => ":out",
        };
        let name = site.series_name(term.series).replace("split:", "");
        format!("{:+} {name}{part}", term.millionths as f64 / ONE as f64)
    };
    terms.iter().map(term).collect::<Vec<_>>().join(" ")
}

/// The circuit of that id.
fn circuit(site: &Site, id: &str) -> FigureKey {
    FigureKey::Circuit(
        site.circuits.iter().position(|circuit| circuit.id == id).expect("a circuit of the map"),
    )
}

/// The index of the bus of that id.
fn bus(site: &Site, id: &str) -> usize {
    site.buses.iter().position(|bus| bus.id == id).expect("a bus of the map")
}

/// The moment of a UTC time stamp.
fn utc(text: &str) -> Stamp {
    Stamp::from_millis(text.parse::<jiff::Timestamp>().expect("a time stamp").as_millisecond())
}

/// A figure at one moment, given each channel's value: value × millionths, as in live figures.
fn value(epoch: &Epoch, key: FigureKey, channels: &[i128]) -> Option<i128> {
    let net = |terms: &[Term]| -> i128 {
        terms.iter().map(|term| channels[term.series.0 as usize] * i128::from(term.millionths)).sum()
    };
    let figure = epoch.plan.figures.iter().find(|figure| figure.key == key)?;
    let term = |term: &Term| -> i128 {
        let index = term.series.0 as usize;
        let Some(split) = index.checked_sub(channels.len()) else {
            return channels[index] * i128::from(term.millionths);
        };
        let rule = &epoch.plan.splits.iter().find(|(index, _)| *index == split).expect("a rule").1;
        // A split's value is in units × millionths; the term's own factor takes the millionths off.
        let (inward, outward) = match rule {
            super::SplitRule::Signed(terms) => (net(terms).max(0), (-net(terms)).max(0)),
            super::SplitRule::Counted { power, .. } => {
                let power = channels[power.0 as usize] * i128::from(ONE);
                (power.max(0), (-power).max(0))
            }
            super::SplitRule::SelfConsumed { grid, pv } => {
                let given: i128 = pv.iter().map(|terms| (-net(terms)).max(0)).sum();
                ((given - (-net(grid)).max(0)).max(0), 0)
            }
        };
        let of_part = match term.part {
            Part::Net => inward - outward,
            Part::In => inward,
            Part::Out => outward,
        };
        of_part * i128::from(term.millionths) / i128::from(ONE)
    };
    Some(figure.terms.iter().map(term).sum())
}

/// A figure with every split written out: what it takes in is its own, what it gives is that less its
/// sum of channels. Two figures are the same if and only if these are.
fn expanded(site: &Site, epoch: &Epoch, key: FigureKey) -> Option<super::form::Form> {
    let figure = epoch.plan.figures.iter().find(|figure| figure.key == key)?;
    let mut form = super::form::Form::default();
    for term in &figure.terms {
        let split = (term.series.0 as usize).checked_sub(site.channels.len());
        let mut add =
            |series: SeriesIndex, part: Part, millionths: i64| form.add_part(series, part, millionths);
        match (split, term.part) {
            (Some(split), Part::Out) => {
                add(term.series, Part::In, term.millionths);
                let rule = &epoch.plan.splits.iter().find(|(index, _)| *index == split).expect("a rule").1;
                let super::SplitRule::Signed(terms) = rule else {
                    panic!("only signed splits have an outward part")
                };
                for own in terms {
                    let product = i128::from(own.millionths) * i128::from(term.millionths) / i128::from(ONE);
                    add(own.series, Part::Net, -(product as i64));
                }
            }
            (_, part) => add(term.series, part, term.millionths),
        }
    }
    Some(form)
}
