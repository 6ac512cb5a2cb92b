//! What is advised, in the log and on the board: when a charger may begin or has to end, and what
//! breakers carry too much.

use std::collections::BTreeMap;
use std::sync::Arc;

use crate::reading::SiteIndex;
use crate::site::Site;
use crate::status::{Board, Part};
use crate::surplus::{Advice, Guidance};
use crate::units::{Span, Stamp};

/// A charger's line is logged when it begins, ends or is held back for another reason, and not more often than
/// this: a sky with broken clouds must not fill a disk.
const LOG_EVERY: Span = Span::from_seconds(30);

/// What was logged and reported last, by site.
#[derive(Default)]
pub(super) struct Guided {
    said: BTreeMap<SiteIndex, Arc<Guidance>>,
    /// When a charger's line was logged, by site and place among its chargers.
    logged: BTreeMap<(SiteIndex, usize), Stamp>,
}

impl Guided {
    /// New advice of a site.
    pub fn on_guidance(
        &mut self,
        index: SiteIndex,
        site: &Site,
        guidance: &Arc<Guidance>,
        board: &Board,
        now: Stamp,
    ) {
        let before = self.said.get(&index);
        if before.is_some_and(|before| Arc::ptr_eq(before, guidance)) {
            return;
        }
        let ids = |guidance: &Guidance| -> Vec<String> {
            guidance.alerts.iter().map(|alert| alert.id.clone()).collect()
        };
        if before.is_none_or(|before| ids(before) != ids(guidance)) {
            for alert in &guidance.alerts {
                tracing::warn!(site = site.id, id = alert.id, "{}", alert.what);
            }
            let what: Vec<&str> = guidance.alerts.iter().map(|alert| alert.what.as_str()).collect();
            let part = Part::Loading(site.id.clone());
            match (what.is_empty(), before.is_some()) {
                // A site of which nothing was ever said needs no line in health.
                (true, false) => board.forget(&part),
                _ => board.report(part, what.is_empty(), what.join("; "), now),
            }
        }
        for (place, advice) in guidance.advice.iter().enumerate() {
            let old = before.and_then(|before| before.advice.get(place));
            let turned = old.is_none_or(|old| said_of(old) != said_of(advice));
            let logged = self.logged.get(&(index, place)).copied().unwrap_or(Stamp::MIN);
            if turned && (now - logged >= LOG_EVERY || now < logged) {
                self.logged.insert((index, place), now);
                let circuit = site.circuits.get(advice.circuit).map_or("", |circuit| &circuit.id);
                tracing::info!(site = site.id, circuit, reason = %advice.reason, "{}", advice.why);
            }
        }
        self.said.insert(index, Arc::clone(guidance));
    }
}

/// What a line is worth writing for.
fn said_of(advice: &Advice) -> (bool, crate::surplus::Reason) {
    (advice.may_charge(), advice.reason)
}
