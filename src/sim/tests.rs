//! The map, applied to what the simulated CTs read, gives back what the simulated loads drew.

use std::sync::Arc;

use super::*;
use crate::flow::evaluate;
use crate::reading::{Delivery, Router, Sample};
use crate::site::{Figure, FigureKey, Role, parse};
use crate::units::{ONE, Span};

pub(super) fn heron_lane() -> Site {
    let parsed = parse("heron-lane.toml", HERON_LANE);
    parsed.site.unwrap_or_else(|| panic!("{:?}", parsed.findings))
}

pub(super) fn at(text: &str) -> Stamp {
    let at: jiff::Timestamp = text.parse().unwrap();
    Stamp::from_seconds(at.as_second())
}

/// The true power behind a figure.
fn true_watts(site: &Site, truth: &Truth, key: FigureKey, wiring: &Powers) -> Option<f64> {
    Some(match key {
        FigureKey::Grid => truth.grid,
        FigureKey::Import => truth.grid.max(0.0),
        FigureKey::Export => (-truth.grid).max(0.0),
        FigureKey::Generation => truth.generation,
        FigureKey::Consumption => truth.consumption,
        FigureKey::Tracked => truth.consumption - truth.untracked,
        FigureKey::Untracked => truth.untracked,
        FigureKey::SelfConsumed => truth.generation - (-truth.grid).max(0.0),
        FigureKey::Circuit(circuit) => truth.circuits[circuit],
        FigureKey::BusFeed(bus) => truth.buses[bus],
        FigureKey::BusUntracked(bus) if site.buses[bus].id == "barn" => {
            truth.circuits[site.circuits.iter().position(|circuit| circuit.id == "barn-door").unwrap()]
        }
        FigureKey::MainsLeg(leg) => wiring.buses[1][leg as usize],
        FigureKey::BusUntracked(_) | FigureKey::Storage | FigureKey::Surplus => return None,
    })
}

/// By how much a sum of channels may be off: the noise of each at its widest, and rounding.
fn tolerance(figure: &Figure, channels: &[i64]) -> f64 {
    let one = |series: usize, millionths: i64| {
        let watts = channels.get(series).map_or(0.0, |value| *value as f64 / 10.0);
        let noise = 3.6 * (NOISE_PART * watts.abs() * 1.02 + NOISE_FLOOR_W) + 0.06;
        noise * (millionths as f64 / ONE as f64).abs()
    };
    figure.terms.iter().map(|term| one(term.series.0 as usize, term.millionths)).sum()
}

#[test]
fn the_map_gives_the_loads_back() {
    let site = heron_lane();
    let mut simulation = Simulation::new(&site, 3).unwrap();
    let mut largest: f64 = 0.0;
    let mut checked = 0;
    for start in ["2026-01-12T06:30:00-07:00", "2026-06-20T12:00:00-06:00", "2026-06-20T19:00:00-06:00"] {
        for second in 0..3_600 {
            simulation.second(at(start) + Span::from_seconds(second)).unwrap();
            let Second { channels, truth, at } = simulation.second.clone();
            for figure in &site.epoch(at).plan.figures {
                // Sign splits are not sums of channels; the store's test below covers them.
                if figure.terms.iter().any(|term| term.series.0 as usize >= channels.len()) {
                    continue;
                }
                let Some(expected) = true_watts(&site, &truth, figure.key, &simulation.powers) else {
                    continue;
                };
                let sum = evaluate(&figure.terms, |series, _| Some(channels[series.0 as usize])).unwrap();
                let watts = sum as f64 / ONE as f64 / 10.0;
                let off = (watts - expected).abs();
                assert!(
                    off <= tolerance(figure, &channels),
                    "{:?}: {watts} for {expected} at {at:?}",
                    figure.key
                );
                largest = largest.max(expected.abs());
                checked += 1;
            }
        }
    }
    assert!(checked > 3_600 * 3 * 25 && largest > 5_000.0, "{checked} figures, the largest {largest} W");
}

#[test]
fn books_close_in_the_truth() {
    let site = heron_lane();
    let mut simulation = Simulation::new(&site, 11).unwrap();
    let measured: Vec<usize> = (0..site.circuits.len())
        .filter(|n| {
            let entry = site.circuits[*n].latest();
            !entry.terms.is_empty() && !matches!(entry.role, Role::Feeder(_))
        })
        .collect();
    let start = at("2026-03-08T00:00:00-07:00"); // a day of 23 hours
    for second in (0..23 * 3600).step_by(7) {
        let truth = &simulation.second(start + Span::from_seconds(second)).unwrap().truth;
        let tracked: f64 = measured.iter().map(|n| truth.circuits[*n]).sum();
        assert!((truth.grid - tracked - truth.untracked).abs() < 1e-6);
        assert!((truth.consumption - truth.grid - truth.generation).abs() < 1e-9);
        assert!(truth.untracked > 50.0 && truth.consumption > 200.0 && truth.generation >= 0.0);
    }
}

#[test]
fn a_second_depends_on_seed_and_time_alone() {
    let site = heron_lane();
    let noon = at("2026-04-10T12:00:00-06:00");
    let second = |seed, from: Stamp| {
        let mut simulation = Simulation::new(&site, seed).unwrap();
        simulation.second(from).unwrap();
        let second = simulation.second(noon).unwrap();
        (second.channels.clone(), second.truth.clone())
    };
    let here = second(5, noon);
    assert_eq!(here, second(5, noon - Span::HOUR), "lived through from an hour before");
    assert_eq!(here, second(5, noon - Span::DAY), "from another day");
    assert_eq!(here, second(5, noon + Span::HOUR), "gone back to");
    assert_ne!(here.0, second(6, noon).0, "another seed is another house");
}

#[test]
fn what_meters_send_is_read_back_as_what_they_measured() {
    let site = Arc::new(heron_lane());
    let start = at("2026-11-25T10:51:40-07:00");
    let mut simulation = Simulation::new(&site, 1).unwrap();
    let mut router = Router::new(std::slice::from_ref(&site));
    let (mut measured, mut read, mut messages) = (Vec::new(), Vec::new(), 0);
    let (mut one, mut other) = (Devices::new(&site).unwrap(), Devices::new(&site).unwrap());
    for second in 0..20 {
        let second = simulation.second(start + Span::from_seconds(second)).unwrap().clone();
        one.readings(&second, |channel, sample| measured.push((channel, sample)));
        other.messages(&second, |message| {
            let mut out = Vec::new();
            let arrival = second.at + Span(13);
            router.decode(&message.topic, &message.payload, arrival, Delivery::Live, &mut out);
            assert!(!out.is_empty(), "{} {}", message.topic, String::from_utf8_lossy(&message.payload));
            read.extend(out.iter().map(|reading| (reading.channel, reading.sample)));
            messages += 1;
        });
    }
    let sorted = |mut all: Vec<(crate::site::ChannelIndex, Sample)>| {
        all.sort_by_key(|(channel, sample)| (sample.at, *channel));
        all
    };
    assert_eq!(sorted(measured), sorted(read));
    // 19 channels a second, and the barn's five in one message every 5 s.
    assert_eq!(messages, 20 * 19 + 4);
}

#[test]
fn a_day_of_the_house() {
    let site = heron_lane();
    let mut simulation = Simulation::new(&site, 1).unwrap();
    let mut ledger = Ledger::default();
    let start = at("2026-11-25T00:00:00-07:00");
    for second in 0..86_400 {
        ledger.add(&simulation.second(start + Span::from_seconds(second)).unwrap().truth);
    }
    let mut lines = vec![
        format!("import {:.2}, export {:.2}", ledger.import(), ledger.export()),
        format!("generation {:.2}, consumption {:.2}", ledger.generation(), ledger.consumption()),
        format!("untracked {:.2}", ledger.untracked()),
    ];
    for (circuit, kwh) in site.circuits.iter().zip(ledger.circuits()) {
        lines.push(format!("{} {kwh:.2}", circuit.id));
    }
    insta::assert_snapshot!(lines.join("\n"));
}
