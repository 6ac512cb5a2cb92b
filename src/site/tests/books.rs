//! Properties of the books of any house: every figure is the truth or absent, and the books close.

use proptest::prelude::*;

use super::super::form::Form;
use super::super::{FigureKey, Site, Term};
use super::houses::{Cts, House, UNIT, house};
use super::{bus, circuit, expanded, sound, value};

/// What the house knows of itself.
struct Truth<'h>(&'h House);

impl Truth<'_> {
    /// Whether what the circuits of the service point take is known.
    fn tap_is_known(&self) -> bool {
        let leaves = self.0.leaves.iter().filter(|leaf| leaf.bus == 0).all(|leaf| leaf.is_measured());
        let panels = (2..self.0.buses()).filter(|bus| self.0.above(*bus) == Some(0));
        leaves && panels.into_iter().all(|bus| self.0.is_fed(bus))
    }

    /// Whether the feed of one of service point and main panel follows from the other's.
    fn is_derived(&self) -> bool {
        self.0.is_fed(0) != self.0.is_fed(1) && self.tap_is_known()
    }

    fn has_feed(&self, bus: usize) -> bool {
        self.0.is_fed(bus) || (bus < 2 && self.is_derived())
    }

    /// The bus at which the circuits of `bus` count.
    fn counts_at(&self, bus: usize) -> Option<usize> {
        let mut at = Some(bus);
        while let Some(bus) = at {
            if self.has_feed(bus) {
                return Some(bus);
            }
            at = self.0.above(bus);
        }
        None
    }

    /// What leaves a bus through no measured circuit.
    fn unknown(&self, bus: usize) -> i128 {
        let leaves = self.0.leaves.iter().filter(|leaf| leaf.bus == bus && !leaf.is_measured());
        leaves.map(|leaf| leaf.power()).sum::<i128>() + i128::from(self.0.unmapped[bus]) * UNIT * UNIT
    }

    fn untracked(&self, bus: usize) -> Option<i128> {
        let residual = self.has_feed(bus) && !(bus == 0 && self.is_derived());
        let counted = (0..self.0.buses()).filter(|other| self.counts_at(*other) == Some(bus));
        residual.then(|| counted.map(|other| self.unknown(other)).sum())
    }

    fn sum(&self, end_uses: &[&str], power: impl Fn(i128) -> i128) -> i128 {
        let leaves = self.0.leaves.iter().filter(|leaf| end_uses.contains(&leaf.end_use));
        leaves.map(|leaf| power(leaf.power())).sum()
    }

    fn all_measured(&self, end_use: &str) -> bool {
        self.0.leaves.iter().filter(|leaf| leaf.end_use == end_use).all(|leaf| leaf.is_measured())
    }

    /// Every total of the site, from what is truly taken.
    fn totals(&self) -> Vec<(FigureKey, Option<i128>)> {
        let grid = self.has_feed(0).then(|| self.0.flow(0));
        let given = self.sum(&["PV"], |power| (-power).max(0));
        let generation = self.all_measured("PV").then_some(given);
        let storage = self.all_measured("storage").then(|| self.sum(&["storage"], |power| power));
        let all_known = grid.is_some() && generation.is_some() && storage.is_some();
        let unmapped: i128 =
            self.0.unmapped[..self.0.buses()].iter().map(|unit| i128::from(*unit) * UNIT * UNIT).sum();
        let standby = self.sum(&["PV"], |power| power.max(0));
        let consumed = self.sum(&["plug loads", "EV charging"], |power| power) + unmapped + standby;
        let measured = self.0.leaves.iter().filter(|leaf| leaf.is_measured());
        let tracked = measured.map(|leaf| match leaf.end_use {
            "PV" => leaf.power().max(0),
            "storage" => 0,
            _ => leaf.power(),
        });
        let car = self.sum(&["EV charging"], |power| power);
        let mains = self.0.is_fed(0) || self.0.is_fed(1);
        let no_pv = !self.0.leaves.iter().any(|leaf| leaf.end_use == "PV");
        let exported = grid.map(|grid| (-grid).max(0));
        let self_consumed = exported.map(|exported| (given - exported).max(0)).or(no_pv.then_some(0));
        vec![
            (FigureKey::Grid, grid),
            (FigureKey::Import, grid.map(|grid| grid.max(0))),
            (FigureKey::Export, exported),
            (FigureKey::Generation, generation),
            (FigureKey::Storage, storage),
            (FigureKey::Consumption, all_known.then_some(consumed)),
            (FigureKey::Tracked, Some(tracked.sum())),
            (
                FigureKey::Untracked,
                mains.then(|| (0..self.0.buses()).filter_map(|bus| self.untracked(bus)).sum()),
            ),
            (FigureKey::SelfConsumed, generation.and(self_consumed)),
            (FigureKey::Surplus, grid.filter(|_| self.all_measured("EV charging")).map(|grid| car - grid)),
        ]
    }
}

/// What each channel of the site reads, in the site's order.
fn readings(site: &Site, read: &[(String, i128)]) -> Vec<i128> {
    let of = |name: &str| read.iter().find(|(other, _)| other == name).map(|(_, value)| *value);
    site.channels.iter().map(|channel| of(&channel.name).expect("a channel of the house")).collect()
}

proptest! {
    #![proptest_config(ProptestConfig::with_cases(400))]

    #[test]
    fn every_figure_is_true_or_absent(house in house()) {
        let (text, read) = house.map();
        let site = sound(&text);
        let truth = Truth(&house);
        let channels = readings(&site, &read);
        let figure = |key| value(&site.epochs[0], key, &channels);
        for (key, expected) in truth.totals() {
            prop_assert_eq!(figure(key), expected, "{:?} of\n{}", key, text);
        }
        for at in 0..house.buses() {
            let index = bus(&site, &House::bus_id(at));
            let feed = truth.has_feed(at).then(|| house.flow(at));
            prop_assert_eq!(figure(FigureKey::BusFeed(index)), feed, "feed of {} in\n{}", at, text);
            prop_assert_eq!(figure(FigureKey::BusUntracked(index)), truth.untracked(at), "bus {} in\n{}", at, text);
        }
        for (at, leaf) in house.leaves.iter().enumerate() {
            let known = leaf.is_measured().then(|| leaf.power());
            prop_assert_eq!(figure(circuit(&site, &format!("c{at}"))), known, "circuit {} in\n{}", at, text);
        }
    }

    #[test]
    fn the_books_close_as_sums_of_channels(house in house()) {
        let site = sound(&house.map().0);
        let epoch = &site.epochs[0];
        let form = |key| expanded(&site, epoch, key);
        let all = (form(FigureKey::Consumption), form(FigureKey::Tracked), form(FigureKey::Untracked));
        if let (Some(consumption), Some(tracked), Some(untracked)) = all {
            prop_assert_eq!(consumption.minus(&tracked).minus(&untracked).terms(), vec![]);
        }
        let truth = Truth(&house);
        for at in 0..house.buses() {
            let key = bus(&site, &House::bus_id(at));
            let (Some(feed), Some(untracked)) = (form(FigureKey::BusFeed(key)), form(FigureKey::BusUntracked(key))) else {
                continue;
            };
            let mut left = feed.minus(&untracked);
            for (number, leaf) in house.leaves.iter().enumerate() {
                if truth.counts_at(leaf.bus) == Some(at) && leaf.is_measured() {
                    left = left.minus(&form(circuit(&site, &format!("c{number}"))).expect("a measured circuit"));
                }
            }
            for below in 0..house.buses() {
                let above = house.above(below).and_then(|above| truth.counts_at(above));
                if truth.has_feed(below) && above == Some(at) {
                    let key = bus(&site, &House::bus_id(below));
                    left = left.minus(&form(FigureKey::BusFeed(key)).expect("a feed"));
                }
            }
            prop_assert_eq!(left.terms(), vec![], "bus {}", at);
        }
    }

    #[test]
    fn reversing_turns_the_factor_round_and_doubling_doubles_it(house in house(), which in 0..12_usize) {
        prop_assume!(!house.leaves.is_empty());
        let which = which % house.leaves.len();
        let terms = |house: &House| -> Option<Vec<Term>> {
            let site = sound(&house.map().0);
            let key = circuit(&site, &format!("c{which}"));
            let figure = site.epochs[0].plan.figures.iter().find(|figure| figure.key == key)?;
            Some(figure.terms.clone())
        };
        let own = terms(&house);
        let mut turned = house.clone();
        turned.leaves[which].reversed ^= true;
        match (&own, terms(&turned)) {
            (Some(own), Some(turned)) => prop_assert_eq!(Form::of(own).plus(&Form::of(&turned)).terms(), vec![]),
            (own, turned) => prop_assert!(own.is_none() && turned.is_none()),
        }
        if house.leaves[which].cts == Cts::One {
            let mut doubled = house.clone();
            doubled.leaves[which].cts = Cts::Doubled;
            let twice = Form::of(own.as_ref().expect("a CT")).plus(&Form::of(own.as_ref().expect("a CT")));
            prop_assert_eq!(Form::of(&terms(&doubled).expect("a CT")), twice);
        }
    }
}
