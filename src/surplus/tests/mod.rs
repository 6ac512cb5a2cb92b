//! Tests of whole sites: by hand-made ticks, by tables and under random inputs.

use std::sync::Arc;

use super::{Advisor, Command, EvIndex, Guidance, Mode, Order, Reason, Settings, Target};
use crate::flow::Flows;
use crate::site::{FigureKey, Leg, Site, parse};
use crate::units::{Span, Stamp, Watts};

mod alerts;
mod leading;
mod properties;

/// A site with chargers on two legs, a dryer and mains; `rest` is the end of the map. Invented.
fn site(rest: &str) -> Arc<Site> {
    let text = format!(
        r#"site = "hill-farm"
time_zone = "America/Denver"
[service]
system = "split-phase 120/240"
main_breaker_a = 200
[[device]]
id = "h"
topic = "hill/{{channel}}"
unit = "W"
every_s = 1
[[feed]]
bus = "main"
channels = [{{ channel = "h/m1", leg = "A" }}, {{ channel = "h/m2", leg = "B" }}]
[[circuit]]
id = "car"
end_use = "EV charging"
legs = ["A", "B"]
breaker_a = 60
channels = ["h/1"]
[[circuit]]
id = "van"
end_use = "EV charging"
legs = ["A", "B"]
breaker_a = 40
channels = ["h/2"]
[[circuit]]
id = "dryer"
label = "Clothes dryer"
end_use = "laundry"
legs = ["A", "B"]
breaker_a = 30
channels = [{{ channel = "h/3", leg = "A" }}, {{ channel = "h/4", leg = "B" }}]
{rest}"#
    );
    let parsed = parse("map.toml", &text);
    Arc::new(parsed.site.unwrap_or_else(|| panic!("{:?}", parsed.findings)))
}

/// What a tick says; `None` is not known.
#[derive(Clone, Copy, Debug)]
struct Tick {
    /// What the roof gives less what the house takes, without the chargers.
    spare_w: Option<f64>,
    car_w: Option<f64>,
    van_w: Option<f64>,
    /// How much more leg A carries than leg B.
    tilt_w: f64,
}

impl Default for Tick {
    fn default() -> Self {
        Self { spare_w: Some(0.0), car_w: Some(0.0), van_w: Some(0.0), tilt_w: 0.0 }
    }
}

impl Tick {
    fn flows(&self, at: i64) -> Flows {
        let grid = self.spare_w.map(|spare| self.car_w.unwrap_or(0.0) + self.van_w.unwrap_or(0.0) - spare);
        let watts = |watts: Option<f64>| watts.map(Watts);
        let figures = vec![
            (FigureKey::Grid, watts(grid)),
            (FigureKey::Storage, Some(Watts(0.0))),
            (FigureKey::Circuit(0), watts(self.car_w)),
            (FigureKey::Circuit(1), watts(self.van_w)),
            (FigureKey::Circuit(2), Some(Watts(0.0))),
            (FigureKey::MainsLeg(Leg::A), watts(grid.map(|grid| (grid + self.tilt_w) / 2.0))),
            (FigureKey::MainsLeg(Leg::B), watts(grid.map(|grid| (grid - self.tilt_w) / 2.0))),
        ];
        Flows { at: Stamp::from_seconds(at), figures, unknown: Vec::new() }
    }
}

/// A site whose time passes; its car takes at once what it is advised.
struct House {
    advisor: Advisor,
    now: i64,
    last: Arc<Guidance>,
}

impl House {
    fn new(rest: &str) -> Self {
        Self { advisor: Advisor::new(site(rest)), now: 1_780_000_000, last: Arc::default() }
    }

    fn tick(&mut self, tick: Tick) -> &Guidance {
        self.now += 1;
        self.last = self.advisor.step(&tick.flows(self.now), |_| Some(0));
        &self.last
    }

    /// Seconds with this surplus, the car taking what it is advised.
    fn pass(&mut self, seconds: i64, spare_w: f64) -> &Guidance {
        for _ in 0..seconds {
            let car_w = Some(self.last.advice.first().map_or(0.0, |advice| advice.current_a * 240.0));
            self.tick(Tick { spare_w: Some(spare_w), car_w, ..Tick::default() });
        }
        &self.last
    }

    fn current(&self) -> (f64, Reason) {
        (self.last.advice[0].current_a, self.last.advice[0].reason)
    }

    fn order(&mut self, order: Order) -> Result<Settings, super::Refused> {
        let command = Command { ev: EvIndex(0), order };
        self.advisor.command(command, Stamp::from_seconds(self.now))
    }
}
