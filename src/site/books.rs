//! The books of a site at one moment, as linear forms over channels: what flows into each bus, what
//! its circuits take, and what is left.
//!
//! One law holds at each bus: feed = Σ circuits + untracked. From it follows how each case is booked:
//!
//! - A bus's *feed* is its `[[feed]]`, or else the CTs of the circuit that feeds it.
//! - Where only one of main panel and service point is measured, the other follows if every circuit of
//!   the service point (supply-side PV, a tap ahead of the main) is measured: service = main + Σ, or
//!   main = service − Σ. Both feeds are then one measurement, so only one residual is known: the main's.
//! - A circuit counts at the nearest bus above it, or its own, that has a feed. So an unmeasured feeder
//!   is transparent, and what its panel takes is part of the books of the panel above.
//! - A bus with a feed counts as one outflow of the nearest bus above that has one. So a measured feeder
//!   counts once: as the feed of its bus, and not as a load.

use super::buses::{MAIN, SERVICE};
use super::form::Form;
use super::model::{CircuitEntry, EndUse, FeedEntry, Leg, Role, Site};
use crate::units::Stamp;

/// The books at one moment.
pub(super) struct Books {
    /// Flow into the service point.
    pub(super) grid: Option<Form>,
    /// Flow into each bus.
    pub(super) feeds: Vec<Option<Form>>,
    /// What flows into each bus and into none of its measured circuits.
    pub(super) untracked: Vec<Option<Form>>,
    /// The mains are measured somewhere.
    pub(super) mains: bool,
    /// Every measured circuit.
    pub(super) circuits: Vec<(usize, Form)>,
    /// Sum of the measured loads.
    pub(super) loads: Form,
    /// The measured PV circuits.
    pub(super) pv: Vec<(usize, Form)>,
    /// No PV circuit is without a CT.
    pub(super) pv_complete: bool,
    /// The measured storage circuits.
    pub(super) storage: Vec<(usize, Form)>,
    /// No storage circuit is without a CT.
    pub(super) storage_complete: bool,
    /// What all EV chargers take, if all are measured.
    pub(super) ev: Option<Form>,
    /// The mains CTs leg by leg.
    pub(super) mains_legs: Vec<(Leg, Form)>,
}

/// The entries in force at one moment.
type Entries<'s> = Vec<(usize, &'s CircuitEntry)>;

impl Books {
    /// Draws up the books at `at`; `site` needs channels, buses and circuits only.
    pub(super) fn at(site: &Site, feeds: &[FeedEntry], at: Stamp) -> Self {
        let entries: Entries<'_> = site
            .circuits
            .iter()
            .enumerate()
            .filter_map(|(index, circuit)| circuit.entry(at).map(|entry| (index, entry)))
            .collect();
        let feeds: Vec<&FeedEntry> = feeds.iter().filter(|feed| feed.span.contains(&at)).collect();
        let measured = measured(site, &feeds, &entries);
        let mains = measured[MAIN].is_some() || measured[SERVICE].is_some();
        let (flows, one_residual) = derived(measured, &entries);
        let of_role = |role: Role| -> Vec<(usize, Form)> {
            let these = entries.iter().filter(|(_, entry)| entry.role == role && !entry.terms.is_empty());
            these.map(|(index, entry)| (*index, Form::of(&entry.terms))).collect()
        };
        let complete =
            |role: Role| !entries.iter().any(|(_, entry)| entry.role == role && entry.terms.is_empty());
        let measured = entries.iter().filter(|(_, entry)| !entry.terms.is_empty());
        Self {
            grid: flows[SERVICE].clone(),
            untracked: untracked(site, &flows, &entries, one_residual),
            mains,
            circuits: measured.map(|(index, entry)| (*index, Form::of(&entry.terms))).collect(),
            loads: sum(of_role(Role::Load).iter().map(|(_, form)| form)),
            pv: of_role(Role::Pv),
            pv_complete: complete(Role::Pv),
            storage: of_role(Role::Storage),
            storage_complete: complete(Role::Storage),
            ev: ev(&entries),
            mains_legs: mains_legs(&feeds),
            feeds: flows,
        }
    }
}

/// The sum of forms.
pub(super) fn sum<'f>(forms: impl Iterator<Item = &'f Form>) -> Form {
    forms.fold(Form::default(), Form::plus)
}

/// The feed of each bus that CTs measure.
fn measured(site: &Site, feeds: &[&FeedEntry], entries: &Entries<'_>) -> Vec<Option<Form>> {
    let of_bus = |bus: usize| {
        let own = feeds.iter().find(|feed| feed.bus == bus).map(|feed| &feed.terms);
        let feeder =
            || entries.iter().find(|(_, entry)| entry.role == Role::Feeder(bus)).map(|(_, e)| &e.terms);
        own.or_else(feeder).filter(|terms| !terms.is_empty()).map(|terms| Form::of(terms))
    };
    (0..site.buses.len()).map(of_bus).collect()
}

/// The feeds with that of the service point or the main panel where it follows from the other, and
/// whether one measurement stands for both.
fn derived(mut flows: Vec<Option<Form>>, entries: &Entries<'_>) -> (Vec<Option<Form>>, bool) {
    let flow = |(_, entry): &(usize, &CircuitEntry)| match entry.role {
        Role::Feeder(bus) => flows[bus].clone(),
        _ => (!entry.terms.is_empty()).then(|| Form::of(&entry.terms)),
    };
    let ahead: Option<Vec<Form>> =
        entries.iter().filter(|(_, entry)| entry.bus == SERVICE).map(flow).collect();
    let Some(ahead) = ahead.map(|forms| sum(forms.iter())) else { return (flows, false) };
    match (&flows[SERVICE], &flows[MAIN]) {
        (None, Some(main)) => flows[SERVICE] = Some(main.clone().plus(&ahead)),
        (Some(service), None) => flows[MAIN] = Some(service.clone().minus(&ahead)),
        _ => return (flows, false),
    }
    (flows, true)
}

/// The bus itself or the nearest above it that has a feed.
fn nearest_fed(site: &Site, flows: &[Option<Form>], bus: Option<usize>) -> Option<usize> {
    let mut at = bus;
    while let Some(bus) = at {
        if flows[bus].is_some() {
            return Some(bus);
        }
        at = site.buses[bus].parent;
    }
    None
}

fn untracked(
    site: &Site,
    flows: &[Option<Form>],
    entries: &Entries<'_>,
    one_residual: bool,
) -> Vec<Option<Form>> {
    let mut left = flows.to_vec();
    for (_, entry) in entries {
        if matches!(entry.role, Role::Feeder(_)) {
            continue;
        }
        if let Some(bus) = nearest_fed(site, flows, Some(entry.bus)) {
            left[bus] = left[bus].take().map(|form| form.minus(&Form::of(&entry.terms)));
        }
    }
    for (bus, flow) in flows.iter().enumerate() {
        let Some(flow) = flow else { continue };
        if let Some(above) = nearest_fed(site, flows, site.buses[bus].parent) {
            left[above] = left[above].take().map(|form| form.minus(flow));
        }
    }
    if one_residual {
        left[SERVICE] = None;
    }
    left
}

fn ev(entries: &Entries<'_>) -> Option<Form> {
    let chargers =
        entries.iter().filter(|(_, entry)| entry.role == Role::Load && entry.end_use == EndUse::EvCharging);
    let forms: Option<Vec<Form>> =
        chargers.map(|(_, entry)| (!entry.terms.is_empty()).then(|| Form::of(&entry.terms))).collect();
    forms.map(|forms| sum(forms.iter()))
}

/// The mains CTs of each leg: those of the main panel, or else those of the service point.
fn mains_legs(feeds: &[&FeedEntry]) -> Vec<(Leg, Form)> {
    let of = |bus: usize| feeds.iter().find(|feed| feed.bus == bus);
    let Some(mains) = of(MAIN).or_else(|| of(SERVICE)) else { return Vec::new() };
    let mut legs: Vec<(Leg, Form)> = Vec::new();
    for (ct, term) in mains.cts.iter().zip(&mains.terms) {
        if let Some(leg) = ct.leg {
            legs.push((leg, Form::of(&[*term])));
        }
    }
    legs.sort_by_key(|(leg, _)| *leg);
    legs
}
