//! From what the search found to findings in words, with the lines of the map to change.

use super::alike::{nests, on_feed, twins};
use super::claims::{BusClaims, Claim, claims, options};
use super::estimate::{estimate, feed_change, of_bus};
use super::gather::Evidence;
use super::mend;
use super::picture::{MOMENTS, Picture};
use super::report::{Finding, Kind, Proof, State};
use super::search::{Change, MIN_SUPPORT, Taken, Verdict, search};
use super::stats::NOTHING_W;
use super::words;
use crate::site::{CircuitEntry, Leg, Role, Site};
use crate::units::{ONE, Stamp};

/// A coefficient that is certain to be one of the usual ones lies within this of it.
const NEAR: f64 = 0.15;
/// By how much every other reading of a CT has to be worse before its place is proven.
const PROVEN: f64 = 12.0;

/// What is being judged.
pub(super) struct Court<'a> {
    pub(super) site: &'a Site,
    pub(super) evidence: &'a Evidence,
    pub(super) at: Stamp,
    pub(super) buses: Vec<BusClaims>,
}

/// A finding before its words.
pub(super) struct Draft {
    pub(super) kind: Kind,
    pub(super) circuit: usize,
    pub(super) cts: Vec<usize>,
    /// The other circuit of a pair, or the leg, scale or bus that it should be.
    pub(super) other: Option<usize>,
    pub(super) leg: Option<Leg>,
    pub(super) scale: f64,
    pub(super) bus: Option<usize>,
    pub(super) edits: Vec<mend::Edit>,
    pub(super) confidence: f64,
    /// A change of the feed that explains the data as well.
    pub(super) or_feed: Option<Change>,
}

impl Draft {
    fn of(kind: Kind, circuit: usize, ct: usize, taken: &Taken) -> Self {
        Self {
            kind,
            circuit,
            cts: vec![ct],
            other: None,
            leg: None,
            scale: 1.0,
            bus: None,
            edits: Vec::new(),
            confidence: confidence(taken),
            or_feed: taken.or_feed.clone(),
        }
    }
}

/// How sure: from how much worse the next best reading of the same CT is.
fn confidence(taken: &Taken) -> f64 {
    let ahead = taken.gain - taken.runner_up;
    (1.0 / (1.0 + (-ahead / 2.0).exp())).clamp(0.5, 0.999)
}

/// Whether a factor takes back the scale that the map gives a CT.
fn is_undone(entry: &CircuitEntry, ct: usize, factor: f64) -> bool {
    let scale = entry.cts[ct].scale.or(entry.written.scale_millionths);
    scale.is_some_and(|scale| scale != ONE && (scale as f64 / ONE as f64 * factor - 1.0).abs() < 0.03)
}

impl<'a> Court<'a> {
    pub(super) fn new(site: &'a Site, evidence: &'a Evidence, at: Stamp) -> Self {
        let mut buses = claims(site, at);
        for claims in &mut buses {
            // A channel on the same wire as the feed itself would take everything from the others.
            let all = claims.clone();
            claims.cts.retain(|ct| !on_feed(evidence, &all, ct));
        }
        Self { site, evidence, at, buses }
    }

    pub(super) fn entry(&self, circuit: usize) -> &'a CircuitEntry {
        self.site.circuits[circuit].entry(self.at).expect("claims are of entries in force")
    }

    /// Judges every bus; the findings and the proof of each CT.
    pub(super) fn sit(&self) -> (Vec<Finding>, Vec<Proof>) {
        let mut findings: Vec<Finding> = Vec::new();
        let mut proofs = Vec::new();
        for (index, claims) in self.buses.iter().enumerate() {
            let fits = of_bus(self.evidence, claims);
            let nests = nests(self.site, self.evidence, claims, self.at);
            let verdict = search(claims, &fits, &nests);
            for finding in self.findings(index, &verdict) {
                if !findings.iter().any(|known| known.id() == finding.id()) {
                    findings.push(finding);
                }
            }
            self.prove(claims, &verdict, &mut proofs);
        }
        self.on_feeds(&mut findings);
        self.unheard(&mut proofs);
        (findings, proofs)
    }

    fn findings(&self, bus: usize, verdict: &Verdict) -> Vec<Finding> {
        let claims = &self.buses[bus];
        let mut drafts: Vec<Draft> = Vec::new();
        let mut feeds: Vec<Finding> = Vec::new();
        for taken in &verdict.changes {
            match &taken.change {
                Change::Ct { ct, to, free } => {
                    drafts.extend(self.of_ct(bus, *ct, &verdict.claimed[*ct], to, *free, taken));
                }
                Change::Turn(cts) => drafts.extend(cts.iter().map(|ct| {
                    let place = claims.cts[*ct].place;
                    let pv = self.entry(place.circuit).role == Role::Pv;
                    Draft::of(if pv { Kind::PvSign } else { Kind::Reversed }, place.circuit, place.ct, taken)
                })),
                Change::Gone(cts) => {
                    drafts.extend(cts.iter().map(|ct| self.not_here(bus, &claims.cts[*ct], taken)));
                }
                Change::Swap(a, b) => drafts.push(self.swap(claims, *a, *b, taken)),
                Change::Nested { cts, within } => {
                    let carrier = claims.cts[*within].place.circuit;
                    drafts.extend(self.nested(claims, cts, carrier, taken));
                }
                change => feeds.extend(words::of_feed(self, claims, change, taken)),
            }
        }
        let drafts = self.grouped(drafts);
        feeds.extend(drafts.iter().map(|draft| words::finding(self, claims, verdict, draft)));
        feeds
    }

    /// What a CT's other coefficients mean. Two faults of one CT are two drafts.
    fn of_ct(
        &self,
        bus: usize,
        index: usize,
        claimed: &[f64],
        to: &[f64],
        free: bool,
        taken: &Taken,
    ) -> Vec<Draft> {
        let claims = &self.buses[bus];
        let claim = &claims.cts[index];
        let (circuit, ct) = (claim.place.circuit, claim.place.ct);
        let entry = self.entry(circuit);
        let draft = |kind| Draft::of(kind, circuit, ct, taken);
        let sum = |of: &[f64]| of.iter().sum::<f64>();
        if claimed.iter().all(|x| *x == 0.0) {
            return vec![Draft { bus: Some(claims.bus), ..draft(Kind::SupplySide) }];
        }
        if to.iter().all(|x| *x == 0.0) {
            return vec![self.not_here(bus, claim, taken)];
        }
        if free {
            return vec![self.free(claims, claim, claimed, to, taken)];
        }
        let turned = sum(to) < 0.0;
        let size: Vec<f64> = to.iter().map(|x| x.abs()).collect();
        let mut drafts = Vec::new();
        if turned {
            drafts.push(draft(if entry.role == Role::Pv { Kind::PvSign } else { Kind::Reversed }));
        }
        if claim.options.contains(&size) {
            return drafts;
        }
        let total = claims.responses[0].leg.is_none();
        let legs_of = |of: &[f64]| -> Vec<Leg> {
            claims.responses.iter().zip(of).filter(|(_, x)| **x != 0.0).filter_map(|(r, _)| r.leg).collect()
        };
        let (was, is) = (sum(claimed), sum(&size));
        let in_step = size.iter().zip(claimed).all(|(size, was_on)| (size * was - was_on * is).abs() < 1e-9);
        if in_step && is_undone(entry, ct, is / was) {
            // Two mistakes would have to cancel each other; a scale that should not be there is one.
            drafts.push(Draft { scale: is / was, ..draft(Kind::WrongScale) });
        } else if (is - was).abs() < 1e-9 {
            drafts.push(Draft { leg: legs_of(&size).first().copied(), ..draft(Kind::WrongLeg) });
        } else if (is - 2.0 * was).abs() < 1e-9 && !claim.doubled {
            drafts.push(draft(Kind::NotDoubled));
        } else if (is * 2.0 - was).abs() < 1e-9 && claim.doubled {
            let leg = if total || size.iter().filter(|x| **x > 0.0).count() > 1 {
                None
            } else {
                legs_of(&size).first().copied()
            };
            drafts.push(Draft { leg, ..draft(Kind::DoubledWrongly) });
        } else {
            drafts.push(Draft { scale: is / was, ..draft(Kind::WrongScale) });
        }
        drafts
    }

    fn free(&self, claims: &BusClaims, claim: &Claim, claimed: &[f64], to: &[f64], taken: &Taken) -> Draft {
        let draft = |kind| Draft::of(kind, claim.place.circuit, claim.place.ct, taken);
        let on: Vec<(usize, f64)> =
            (0..to.len()).filter(|r| claimed[*r] != 0.0).map(|r| (r, to[r] / claimed[r])).collect();
        let (low, high) = on.iter().fold((f64::INFINITY, 0.0_f64), |(l, h), (_, x)| (l.min(*x), h.max(*x)));
        if claim.doubled && on.len() == 2 && high - low > 0.08 {
            // The leg that the CT is on shows its own reading; the other one is off.
            let own = on.iter().min_by(|a, b| (a.1 - 1.0).abs().total_cmp(&(b.1 - 1.0).abs()));
            let other = on.iter().find(|x| Some(*x) != own);
            let leg = other.and_then(|(r, _)| claims.responses[*r].leg);
            return Draft { leg, scale: other.map_or(1.0, |(_, x)| *x), ..draft(Kind::Unbalanced) };
        }
        let ratio = on.iter().map(|(_, x)| x).sum::<f64>() / on.len().max(1) as f64;
        Draft { scale: ratio, ..draft(Kind::WrongScale) }
    }

    /// A channel that its bus does not see: where is it?
    fn not_here(&self, bus: usize, claim: &Claim, taken: &Taken) -> Draft {
        let claims = &self.buses[bus];
        let (circuit, ct) = (claim.place.circuit, claim.place.ct);
        let draft = |kind| Draft::of(kind, circuit, ct, taken);
        let all = self.buses.iter().flat_map(|bus| &bus.cts).filter(|other| other.place.circuit != circuit);
        for other in all {
            if twins(self.evidence, claim.channel, other.channel).is_some() {
                return Draft { other: Some(other.place.circuit), ..draft(Kind::SameWire) };
            }
        }
        for elsewhere in self.buses.iter().filter(|other| other.bus != claims.bus) {
            if self.is_on(elsewhere, claim) {
                let below = self.is_below(elsewhere.bus, claims.bus);
                let kind = if below { Kind::FeederTwice } else { Kind::NotOnBus };
                return Draft { bus: Some(elsewhere.bus), ..draft(kind) };
            }
        }
        let entry = self.entry(circuit);
        if entry.role == Role::Pv && claims.bus == 1 && entry.bus == 1 {
            return Draft { bus: Some(0), ..draft(Kind::SupplySide) };
        }
        draft(Kind::NotOnBus)
    }

    /// Whether a channel shows up in the feed of another bus as a circuit of it would.
    fn is_on(&self, bus: &BusClaims, claim: &Claim) -> bool {
        let entry = self.entry(claim.place.circuit);
        let options = options(entry, claim.place.ct, &bus.responses);
        let mut cts = bus.cts.clone();
        cts.push(Claim { options: vec![vec![0.0; bus.responses.len()]], ..claim.clone() });
        let fits = estimate(self.evidence, &bus.responses, &cts);
        let last = cts.len() - 1;
        let support = fits.iter().map(|fit| fit.support[last]).fold(0.0, f64::max);
        let near = |option: &[f64]| fits.iter().zip(option).all(|(fit, x)| (fit.mean[last] - x).abs() < NEAR);
        let unit: Vec<Vec<f64>> = (0..bus.responses.len())
            .map(|leg| (0..bus.responses.len()).map(|r| f64::from(u8::from(r == leg))).collect())
            .collect();
        support >= MIN_SUPPORT
            && (options.iter().any(|o| near(o)) || (!claim.doubled && unit.iter().any(|o| near(o))))
    }

    fn is_below(&self, bus: usize, above: usize) -> bool {
        let mut at = self.site.buses[bus].parent;
        while let Some(bus) = at {
            if bus == above {
                return true;
            }
            at = self.site.buses[bus].parent;
        }
        false
    }

    fn swap(&self, claims: &BusClaims, a: usize, b: usize, taken: &Taken) -> Draft {
        let (first, second) = (&claims.cts[a], &claims.cts[b]);
        let one = (self.entry(first.place.circuit), first.place.ct);
        let other = (self.entry(second.place.circuit), second.place.ct);
        Draft {
            other: Some(second.place.circuit),
            edits: mend::exchange(self.site, one, other),
            ..Draft::of(Kind::Swapped, first.place.circuit, first.place.ct, taken)
        }
    }

    fn nested(&self, claims: &BusClaims, cts: &[usize], carrier: usize, taken: &Taken) -> Vec<Draft> {
        let child = self
            .site
            .buses
            .iter()
            .position(|bus| bus.fed_by.as_ref() == Some(&self.site.circuits[carrier].id));
        let mut drafts: Vec<Draft> = Vec::new();
        for ct in cts {
            let place = claims.cts[*ct].place;
            match drafts.iter_mut().find(|draft| draft.circuit == place.circuit) {
                Some(draft) => draft.cts.push(place.ct),
                None => drafts.push(Draft {
                    other: Some(carrier),
                    bus: child,
                    ..Draft::of(Kind::FeederTwice, place.circuit, place.ct, taken)
                }),
            }
        }
        drafts
    }

    /// Drafts of one kind about one circuit as one, with the change of the map.
    fn grouped(&self, drafts: Vec<Draft>) -> Vec<Draft> {
        let mut groups: Vec<Draft> = Vec::new();
        let mut legs: Vec<Vec<(usize, Leg)>> = Vec::new();
        for draft in drafts {
            let leg = draft.leg.map(|leg| (draft.cts[0], leg));
            match groups.iter().position(|known| known.kind == draft.kind && known.circuit == draft.circuit) {
                Some(at) => {
                    groups[at].cts.extend(&draft.cts);
                    legs[at].extend(leg);
                }
                None => {
                    groups.push(draft);
                    legs.push(leg.into_iter().collect());
                }
            }
        }
        let doubling: Vec<usize> =
            groups.iter().filter(|d| d.kind == Kind::NotDoubled).map(|d| d.circuit).collect();
        for (draft, legs) in groups.iter_mut().zip(&legs) {
            if draft.edits.is_empty() {
                let no_leg = draft.kind == Kind::WrongLeg && doubling.contains(&draft.circuit);
                draft.edits = if no_leg { Vec::new() } else { self.edits(draft, legs) };
            }
        }
        groups
    }

    fn edits(&self, draft: &mut Draft, legs: &[(usize, Leg)]) -> Vec<mend::Edit> {
        let entry = self.entry(draft.circuit);
        let ct = draft.cts[0];
        let whole = draft.cts.len() == entry.cts.len();
        match draft.kind {
            Kind::Reversed | Kind::PvSign => {
                if whole {
                    mend::turn(self.site, entry, None)
                } else {
                    draft.cts.iter().flat_map(|ct| mend::turn(self.site, entry, Some(*ct))).collect()
                }
            }
            Kind::NotDoubled => mend::double(entry, self.site.service.system.legs()),
            Kind::DoubledWrongly => mend::single(entry, draft.leg),
            Kind::WrongLeg => mend::legs(self.site, entry, legs),
            Kind::WrongScale => {
                let (edits, value) = mend::rescale(self.site, entry, ct, draft.scale);
                draft.scale = value;
                edits
            }
            Kind::SupplySide | Kind::NotOnBus | Kind::FeederTwice => self.moved(draft, entry),
            Kind::SameWire => mend::without_ct(self.site, entry, ct),
            _ => Vec::new(),
        }
    }

    fn moved(&self, draft: &Draft, entry: &CircuitEntry) -> Vec<mend::Edit> {
        if let Some(bus) = draft.bus {
            return mend::bus(entry, &self.site.buses[bus].id);
        }
        if let (Kind::FeederTwice, Some(carrier)) = (draft.kind, draft.other) {
            let feeder = &self.site.circuits[carrier].id;
            let id = format!("{feeder}-panel");
            let mut edits = mend::bus(entry, &id);
            edits.push(mend::new_bus(self.site, &id, feeder));
            return edits;
        }
        mend::without_cts(entry)
    }

    /// Circuits whose CT is on the wire of a feed.
    fn on_feeds(&self, findings: &mut Vec<Finding>) {
        for claims in claims(self.site, self.at) {
            for ct in &claims.cts {
                if on_feed(self.evidence, &claims, ct) {
                    findings.push(words::on_feed(self, &claims, ct));
                }
            }
        }
    }

    fn prove(&self, claims: &BusClaims, verdict: &Verdict, proofs: &mut Vec<Proof>) {
        for (index, (claim, known)) in claims.cts.iter().zip(&verdict.known).enumerate() {
            let as_mapped = verdict.coefficients[index] == verdict.claimed[index];
            let nothing = self.evidence.stats[claim.channel].top <= NOTHING_W;
            let state = match (as_mapped, known.support) {
                (false, _) => State::Faulty,
                _ if nothing => State::Nothing,
                (true, support) if support < MIN_SUPPORT => State::TooFew,
                (true, _) if known.margin >= PROVEN => State::Proven,
                (true, support) if support < 5.0 => State::TooFew,
                _ => State::Open,
            };
            let legs = claims.responses.iter().zip(known.mean.iter().zip(&known.deviation));
            proofs.push(Proof {
                circuit: self.site.circuits[claim.place.circuit].id.clone(),
                channel: self.site.channels[claim.channel].name.clone(),
                bus: self.site.buses[claims.bus].id.clone(),
                state,
                events: known.support,
                legs: legs.map(|(r, (mean, deviation))| (r.leg, *mean, 2.0 * deviation)).collect(),
            });
        }
    }

    /// CTs that no bus with a feed has.
    fn unheard(&self, proofs: &mut Vec<Proof>) {
        for circuit in &self.site.circuits {
            let Some(entry) = circuit.entry(self.at) else { continue };
            for ct in &entry.cts {
                let channel = &self.site.channels[ct.channel.0 as usize].name;
                let feeds = |bus: &BusClaims| {
                    bus.responses.iter().any(|r| r.terms.iter().any(|(c, _)| *c == ct.channel.0 as usize))
                };
                let known = proofs.iter().any(|proof| proof.channel == *channel);
                let is_feed = matches!(entry.role, Role::Feeder(_)) && self.buses.iter().any(feeds);
                if !known && !is_feed {
                    proofs.push(Proof {
                        circuit: circuit.id.clone(),
                        channel: channel.clone(),
                        bus: self.site.buses[entry.bus].id.clone(),
                        state: State::NoFeed,
                        events: 0.0,
                        legs: Vec::new(),
                    });
                }
            }
        }
    }

    /// The largest changes of a channel beside what the feed did.
    pub(super) fn picture(&self, claims: &BusClaims, channel: usize, factor: f64) -> Picture {
        let stride = self.evidence.channels.max(1);
        let has = |row: &[f32]| {
            !row[channel].is_nan() && claims.responses.iter().all(|r| !feed_change(row, r).is_nan())
        };
        for changes in &self.evidence.changes {
            let mut rows: Vec<(usize, &[f32])> =
                changes.rows.chunks_exact(stride).enumerate().filter(|(_, row)| has(row)).collect();
            rows.sort_by(|a, b| b.1[channel].abs().total_cmp(&a.1[channel].abs()));
            rows.truncate(MOMENTS);
            rows.sort_by_key(|(n, _)| *n);
            if rows.is_empty() {
                continue;
            }
            let feed = claims.responses.iter().map(|response| {
                (response.leg, rows.iter().map(|(_, row)| feed_change(row, response) as f32).collect())
            });
            let channel = rows.iter().map(|(_, row)| row[channel] * factor as f32).collect();
            return Picture { channel, feed: feed.collect() };
        }
        Picture::default()
    }
}
