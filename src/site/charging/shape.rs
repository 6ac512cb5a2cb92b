//! `[[ev]]`, `[charging]` and `[watch]` as they are written: every number by its key, with the range
//! that it has to be in.

use super::super::findings::Findings;
use super::super::rules;
use super::super::text::{At, Fields};

/// A number that these tables may hold.
pub(super) struct Number {
    pub key: &'static str,
    low: f64,
    high: f64,
}

const fn number(key: &'static str, low: f64, high: f64) -> Number {
    Number { key, low, high }
}

/// An hour and a day in seconds: no wait of these tables is sensibly longer.
const HOUR_S: f64 = 3600.0;
const DAY_S: f64 = 86_400.0;
/// More than any house takes or gives.
const MOST_W: f64 = 100_000.0;

/// The numbers of `[[ev]]`.
const OF_EV: &[Number] = &[
    number("phases", 1.0, 3.0),
    number("volts", 100.0, 500.0),
    number("minimum_a", super::LEAST_A, super::MOST_A),
    number("maximum_a", super::LEAST_A, super::MOST_A),
    number("step_a", 0.1, 1.0),
    number("priority", 1.0, 99.0),
    number("fall_s", 1.0, 600.0),
    number("rise_s", 1.0, 1800.0),
    number("start_w", 0.0, MOST_W),
    number("stop_w", -MOST_W, MOST_W),
    number("start_after_s", 0.0, HOUR_S),
    number("stop_after_s", 0.0, HOUR_S),
    number("minimum_on_s", 0.0, DAY_S),
    number("minimum_off_s", 0.0, DAY_S),
    number("most_starts", 0.0, 100.0),
    number("grid_share", 0.0, 1.0),
    number("hold_s", 1.0, 600.0),
];

/// The numbers of `[charging]`.
const OF_CHARGING: &[Number] = &[number("branch_a", 1.0, 6000.0), number("headroom_over_s", 1.0, HOUR_S)];

/// The numbers of `[watch]`.
const OF_WATCH: &[Number] = &[
    number("over_after_s", 1.0, DAY_S),
    number("imbalance_a", 1.0, 6000.0),
    number("imbalance_after_s", 1.0, DAY_S),
    number("clears_below", 0.5, 1.0),
    number("clears_after_s", 1.0, DAY_S),
];

/// The numbers that a table gives.
#[derive(Default)]
pub(in super::super) struct Numbers(Vec<(&'static str, At<f64>)>);

impl Numbers {
    fn read(fields: &mut Fields<'_>, table: &[Number], findings: &mut Findings) -> Self {
        let mut given = Vec::new();
        for number in table {
            let Some(at) = fields.number(number.key, findings) else { continue };
            if (number.low..=number.high).contains(&at.value) {
                given.push((number.key, at));
            } else {
                let what = format!("{} = {}", number.key, at.value);
                let write = format!("write a number from {} to {}", number.low, number.high);
                findings.add(&rules::CHARGING_NUMBER, at.line, what, write);
            }
        }
        Self(given)
    }

    /// The number of that key, if it is given and in its range.
    pub(super) fn get(&self, key: &str) -> Option<f64> {
        self.at(key).map(|at| at.value)
    }

    pub(super) fn at(&self, key: &str) -> Option<&At<f64>> {
        self.0.iter().find(|(other, _)| *other == key).map(|(_, at)| at)
    }
}

/// `[[ev]]`.
pub(in super::super) struct EvShape {
    pub(super) line: usize,
    pub(super) circuit: Option<At<String>>,
    pub(super) mode: Option<At<String>>,
    pub(super) first: Option<At<String>>,
    pub(super) numbers: Numbers,
}

/// Everything about charging and loading.
#[derive(Default)]
pub(in super::super) struct ChargingShape {
    pub(super) evs: Vec<EvShape>,
    pub(super) sharing: Option<At<String>>,
    pub(super) charging: Numbers,
    pub(super) watch: Numbers,
}

impl ChargingShape {
    /// Takes the three tables off the document.
    pub(in super::super) fn read(top: &mut Fields<'_>, findings: &mut Findings) -> Self {
        let evs = top.tables("ev", findings);
        let evs = evs.into_iter().map(|fields| ev(fields, findings)).collect();
        let (mut sharing, mut charging) = (None, Numbers::default());
        if let Some(mut fields) = top.table("charging", "[charging]".to_owned(), findings) {
            sharing = fields.string("sharing", findings);
            charging = Numbers::read(&mut fields, OF_CHARGING, findings);
            fields.finish(findings);
        }
        let mut watch = Numbers::default();
        if let Some(mut fields) = top.table("watch", "[watch]".to_owned(), findings) {
            watch = Numbers::read(&mut fields, OF_WATCH, findings);
            fields.finish(findings);
        }
        Self { evs, sharing, charging, watch }
    }
}

fn ev(fields: Fields<'_>, findings: &mut Findings) -> EvShape {
    let mut fields = fields.named_by("circuit");
    let circuit = fields.string("circuit", findings);
    fields.require("circuit", circuit.as_ref(), findings);
    let shape = EvShape {
        line: fields.line,
        circuit,
        mode: fields.string("mode", findings),
        first: fields.string("first", findings),
        numbers: Numbers::read(&mut fields, OF_EV, findings),
    };
    fields.finish(findings);
    shape
}
