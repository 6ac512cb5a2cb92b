//! What is kept of a load step, and whether it still holds.

use std::fmt::Write as _;

use super::session::feed_of;
use super::verdict::Verdict;
use crate::audit::claims;
use crate::site::Site;
use crate::units::Stamp;

/// A load step that came to a verdict.
#[derive(Clone, Debug, PartialEq)]
pub struct Proof {
    /// When it was done.
    pub at: Stamp,
    /// What it proved, of which circuit.
    pub verdict: Verdict,
    /// What the map said then, as [`basis`] gives it.
    pub basis: String,
}

impl Proof {
    /// Whether the map still says what it said then.
    pub fn holds(&self, site: &Site, now: Stamp) -> bool {
        basis(site, &self.verdict.circuit, now).is_some_and(|basis| basis == self.basis)
    }
}

/// What a proof of a circuit rests on: its panel, its legs, its CTs with their factors, and the feed that
/// sees it; as text, the same as long as nothing of that changes. `None` where the map has no such circuit
/// at `at`. Labels, ratings and the lines of the file are no part of it.
pub fn basis(site: &Site, circuit: &str, at: Stamp) -> Option<String> {
    let entry = site.circuit(circuit)?.entry(at)?;
    let name = |channel: usize| site.channels[channel].name.as_str();
    let mut text = format!("bus {}", site.buses[entry.bus].id);
    // Writing to a String cannot fail.
    for leg in &entry.legs {
        let _ = write!(text, "; leg {leg}");
    }
    for (ct, term) in entry.cts.iter().zip(&entry.terms) {
        let _ = write!(text, "; ct {} times {}", name(ct.channel.0 as usize), term.millionths);
        if let Some(leg) = ct.leg {
            let _ = write!(text, " on {leg}");
        }
    }
    if entry.doubled {
        text.push_str("; doubled");
    }
    if let Some(claims) = feed_of(site, claims(site, at), entry.bus) {
        let _ = write!(text, "; feed of {}", site.buses[claims.bus].id);
        for response in &claims.responses {
            for (channel, factor) in &response.terms {
                let leg = response.leg.map_or("all".to_owned(), |leg| leg.to_string());
                let _ = write!(text, ", {} times {factor} on {leg}", name(*channel));
            }
        }
    }
    Some(text)
}
