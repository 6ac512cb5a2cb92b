//! What chargers were told, kept over restarts and power cuts.
//!
//! A command is acknowledged only when it is written here. What is kept gives way to the map when
//! the map's own mode was changed since: who edits it means it.

use std::collections::BTreeMap;
use std::sync::Arc;

use serde::{Deserialize, Serialize};

use crate::engine::Engine;
use crate::reading::SiteIndex;
use crate::site::Site;
use crate::surplus::{Command, EvIndex, Guidance, Mode, Order, Settings, Target};
use crate::units::Stamp;

/// By site and circuit.
#[derive(Clone, Debug, Default, PartialEq, Serialize, Deserialize)]
pub(super) struct Chargers(BTreeMap<String, BTreeMap<String, Told>>);

/// What one charger was told.
#[derive(Clone, Debug, PartialEq, Serialize, Deserialize)]
struct Told {
    mode: String,
    cap_a: Option<f64>,
    /// Energy in kWh, and the moment in tenths of a second since the Unix epoch.
    target: Option<(f64, i64)>,
    /// The map's mode at that time.
    map_mode: String,
}

impl Chargers {
    /// Brings what is kept in step with what holds; true if that changed anything.
    pub(super) fn follow(&mut self, site: &Site, guidance: &Guidance) -> bool {
        let mut news = false;
        for advice in &guidance.advice {
            let ev = site.loading.evs.iter().find(|ev| ev.circuit == advice.circuit);
            let (Some(ev), Some(circuit)) = (ev, site.circuits.get(advice.circuit)) else { continue };
            news |= self.keep(&site.id, &circuit.id, ev.mode, advice.settings);
        }
        news
    }

    /// Keeps what holds for the charger now; true if that changed anything.
    pub(super) fn told(&mut self, site: &Site, ev: EvIndex, settings: Settings) -> bool {
        let Some(ev) = site.loading.evs.get(ev.0 as usize) else { return false };
        let Some(circuit) = site.circuits.get(ev.circuit) else { return false };
        self.keep(&site.id, &circuit.id, ev.mode, settings)
    }

    fn keep(&mut self, site: &str, circuit: &str, map_mode: Mode, settings: Settings) -> bool {
        let told = Told {
            mode: settings.mode.as_str().to_owned(),
            cap_a: settings.cap_a,
            target: settings.target.map(|target| (target.kwh, target.by.0)),
            map_mode: map_mode.as_str().to_owned(),
        };
        let known = self.0.get(site).and_then(|chargers| chargers.get(circuit));
        if known == Some(&told) || known.is_none() && told.is_as_mapped() {
            return false;
        }
        self.0.entry(site.to_owned()).or_default().insert(circuit.to_owned(), told);
        true
    }

    /// Tells the engine what is kept. A target whose time is over is left out.
    pub(super) fn restore(&self, sites: &[Arc<Site>], engine: &mut Engine, now: Stamp) {
        for (place, site) in sites.iter().enumerate() {
            let Some(chargers) = self.0.get(&site.id) else { continue };
            for (index, ev) in site.loading.evs.iter().enumerate() {
                let circuit = site.circuits.get(ev.circuit).map(|circuit| circuit.id.as_str());
                let Some(told) = circuit.and_then(|id| chargers.get(id)) else { continue };
                for order in told.orders(ev.mode) {
                    let command = Command { ev: EvIndex(index as u32), order };
                    if let Err(why) = engine.command(SiteIndex(place as u32), command, now) {
                        tracing::info!(site = site.id, "an earlier command does not hold any more: {why}");
                    }
                }
            }
        }
    }
}

impl Told {
    fn is_as_mapped(&self) -> bool {
        self.mode == self.map_mode && self.cap_a.is_none() && self.target.is_none()
    }

    fn orders(&self, map_mode: Mode) -> Vec<Order> {
        let mode = Mode::from_word(&self.mode).filter(|_| self.map_mode == map_mode.as_str());
        let target = self.target.map(|(kwh, by)| Order::Target(Some(Target { kwh, by: Stamp(by) })));
        let cap = self.cap_a.map(|amps| Order::Cap(Some(amps)));
        mode.map(Order::Mode).into_iter().chain(cap).chain(target).collect()
    }
}

#[cfg(test)]
mod tests {
    use super::*;

    const SETTINGS: Settings = Settings { mode: Mode::SurplusOnly, cap_a: Some(16.0), target: None };

    #[test]
    fn what_is_as_the_map_has_it_is_not_kept_and_the_rest_is() {
        let mut kept = Chargers::default();
        assert!(!kept.keep("heron-lane", "charger", Mode::Off, Settings::default()));
        assert!(kept.keep("heron-lane", "charger", Mode::Off, SETTINGS));
        assert!(!kept.keep("heron-lane", "charger", Mode::Off, SETTINGS), "no news");
        let text = serde_json::to_string(&kept).expect("JSON");
        assert_eq!(serde_json::from_str::<Chargers>(&text).expect("what was written"), kept);
        // Told to be as the map has it again: that is kept, over what was.
        assert!(kept.keep("heron-lane", "charger", Mode::Off, Settings::default()));
    }

    #[test]
    fn a_changed_map_goes_before_what_was_told() {
        let target = Some(Target { kwh: 20.0, by: Stamp(99) });
        let told = Told {
            mode: "full".into(),
            cap_a: Some(10.0),
            target: target.map(|target| (target.kwh, target.by.0)),
            map_mode: "off".into(),
        };
        let rest = [Order::Cap(Some(10.0)), Order::Target(target)];
        let all = [Order::Mode(Mode::Full)].into_iter().chain(rest).collect::<Vec<_>>();
        assert_eq!(told.orders(Mode::Off), all);
        assert_eq!(told.orders(Mode::SurplusOnly), rest);
    }
}
