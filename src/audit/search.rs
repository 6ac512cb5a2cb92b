//! The simplest change of the map that explains what was measured.
//!
//! The estimates come with their covariance, so any set of coefficients has a distance from them (a sum of
//! squares in units of its own uncertainty). The search starts at what the map claims and takes, one after
//! the other, the change that shortens the distance most for its price: a price is how much rarer a fault is
//! than the commonest (twice the logarithm of it, roughly; set by judgement, not measured).

use nalgebra::{Cholesky, DMatrix, DVector};

use super::claims::BusClaims;
use super::fit::Fit;

/// What is taken for granted of any coefficient: CTs of class 1 are off by up to 3 % at small currents (IEC
/// 61869-2), and their phase error turns reactive power into some more.
const SYSTEMATIC: f64 = 0.02;
/// A change has to shorten the distance by this beyond its price.
const ENOUGH: f64 = 20.0;
/// Changes whose gains differ by less than this are as good as each other.
const TIE: f64 = 4.0;
/// Fewer rows in which a channel moved tell nothing of it.
pub const MIN_SUPPORT: f64 = 3.0;
/// The price of one CT that is turned round.
const TURN: f64 = 6.0;
/// The price of a CT, or of all of a circuit, that is no part of its bus.
const GONE: f64 = 8.0;
/// A circuit has one CT a leg: no more than these are tried turned round while its legs are settled.
const MAX_TURNS: usize = 3;
/// More changes than this on one bus are beyond what can be told apart.
const MAX_CHANGES: usize = 16;

/// A change of the map.
#[derive(Clone, Debug, PartialEq)]
pub enum Change {
    /// CT number `ct` has other coefficients.
    Ct {
        /// Index into [`BusClaims::cts`].
        ct: usize,
        /// By response.
        to: Vec<f64>,
        /// They are estimates, and none of the usual sets.
        free: bool,
    },
    /// All CTs of a circuit are turned round.
    Turn(Vec<usize>),
    /// All CTs of a circuit are no part of this bus.
    Gone(Vec<usize>),
    /// Two CTs are on each other's wires.
    Swap(usize, usize),
    /// These are no part of this bus, because CTs that measure their feeder (`within`) are.
    Nested {
        /// The CTs that are counted twice.
        cts: Vec<usize>,
        /// A CT of their feeder.
        within: usize,
    },
    /// A feed's CT is turned round.
    FlipFeed(usize),
    /// The feed's CTs are on each other's legs.
    SwapFeed(usize, usize),
    /// A feed's CT has another scale.
    ScaleFeed(usize, f64),
}

impl Change {
    /// Whether it is one of that CT.
    fn touches(&self, ct: usize) -> bool {
        match self {
            Self::Ct { ct: other, .. } => *other == ct,
            Self::Swap(a, b) => [*a, *b].contains(&ct),
            Self::Turn(cts) | Self::Gone(cts) | Self::Nested { cts, .. } => cts.contains(&ct),
            _ => false,
        }
    }

    /// Whether it is one of the feed, not of a circuit.
    pub fn is_of_feed(&self) -> bool {
        matches!(self, Self::FlipFeed(_) | Self::SwapFeed(..) | Self::ScaleFeed(..))
    }
}

/// A change with what it explains.
#[derive(Clone, Debug)]
pub struct Taken {
    /// The change.
    pub change: Change,
    /// How much closer it comes, net of its price.
    pub gain: f64,
    /// How much closer the next best change of the same CT, or of the feed, came.
    pub runner_up: f64,
    /// A change of the feed comes as close, for its price: with few circuits the data cannot tell them apart.
    pub or_feed: Option<Change>,
}

/// Which way a CT's coefficients are known.
#[derive(Clone, Debug)]
pub struct Known {
    /// Estimates by response, after changes of the feed.
    pub mean: Vec<f64>,
    /// Their deviations.
    pub deviation: Vec<f64>,
    /// Rows in which it moved.
    pub support: f64,
    /// By how much the nearest other reading of the CT is worse: above 12 it is ruled out.
    pub margin: f64,
}

/// What the search found of a bus.
#[derive(Clone, Debug)]
pub struct Verdict {
    /// Changes in the order in which they were taken.
    pub changes: Vec<Taken>,
    /// By CT: what the map claims, where it leaves a leg open as the data has it.
    pub claimed: Vec<Vec<f64>>,
    /// By CT: the coefficients that explain the data.
    pub coefficients: Vec<Vec<f64>>,
    /// By CT.
    pub known: Vec<Known>,
}

/// The state of a search.
struct Search<'a> {
    claims: &'a BusClaims,
    /// By response.
    mean: Vec<DVector<f64>>,
    precision: Vec<DMatrix<f64>>,
    support: Vec<f64>,
    now: Vec<Vec<f64>>,
    claimed: Vec<Vec<f64>>,
    nests: &'a [(Vec<usize>, usize)],
}

/// Looks for the changes. `fits` are by response, with a column for each CT; `nests` are CTs that seem to be
/// measured again by another.
pub fn search(claims: &BusClaims, fits: &[Fit], nests: &[(Vec<usize>, usize)]) -> Verdict {
    let precision = fits.iter().map(|fit| floored(&fit.information)).collect();
    let support =
        (0..claims.cts.len()).map(|ct| fits.iter().map(|fit| fit.support[ct]).fold(0.0, f64::max)).collect();
    let mean = fits.iter().map(|fit| fit.mean.clone()).collect();
    let claimed: Vec<Vec<f64>> = claims.cts.iter().map(|ct| ct.options[0].clone()).collect();
    let mut search = Search { claims, mean, precision, support, now: claimed.clone(), claimed, nests };
    search.choose_options();
    search.claimed = search.now.clone();
    let mut changes: Vec<Taken> = Vec::new();
    while changes.len() < MAX_CHANGES {
        let Some(best) = search.best(&changes) else { break };
        search.apply(&best.change);
        if best.change.is_of_feed() {
            search.choose_options();
        }
        changes.push(best);
    }
    let known = search.known();
    Verdict { changes, claimed: search.claimed, coefficients: search.now, known }
}

/// The precision with the systematic part of every coefficient.
fn floored(information: &DMatrix<f64>) -> DMatrix<f64> {
    let k = information.nrows();
    let covariance =
        Cholesky::new(information.clone()).map(|c| c.inverse()).unwrap_or(DMatrix::identity(k, k));
    let floored = covariance + DMatrix::identity(k, k) * (SYSTEMATIC * SYSTEMATIC);
    Cholesky::new(floored).map(|c| c.inverse()).unwrap_or(DMatrix::identity(k, k))
}

impl Search<'_> {
    fn responses(&self) -> usize {
        self.mean.len()
    }

    /// The distance of a set of coefficients.
    fn distance(&self, of: &[Vec<f64>], mean: &[DVector<f64>]) -> f64 {
        (0..self.responses())
            .map(|r| {
                let off =
                    DVector::from_iterator(of.len(), of.iter().enumerate().map(|(c, b)| b[r] - mean[r][c]));
                (&self.precision[r] * &off).dot(&off)
            })
            .sum()
    }

    /// What the map leaves open is settled by the data; that is no change. CTs of one circuit are settled
    /// together, each on a leg of its own: those of a balanced load move alike.
    fn choose_options(&mut self) {
        let mut circuits: Vec<usize> = self.claims.cts.iter().map(|ct| ct.place.circuit).collect();
        circuits.dedup();
        for _ in 0..2 {
            for circuit in &circuits {
                let cts: Vec<usize> = (0..self.now.len())
                    .filter(|ct| {
                        self.claims.cts[*ct].place.circuit == *circuit && self.now[*ct] == self.claimed[*ct]
                    })
                    .collect();
                if cts.iter().any(|ct| self.claims.cts[*ct].options.len() > 1) {
                    self.settle(&cts);
                }
            }
        }
    }

    fn settle(&mut self, cts: &[usize]) {
        let mut ways: Vec<Vec<Vec<f64>>> = vec![Vec::new()];
        for ct in cts {
            let mut next = Vec::new();
            for way in &ways {
                for option in &self.claims.cts[*ct].options {
                    if !way.contains(option) {
                        next.push([way.as_slice(), std::slice::from_ref(option)].concat());
                    }
                }
            }
            ways = next;
        }
        // One of them may be turned round: that says nothing of its leg.
        let distance = |way: &Vec<Vec<f64>>| {
            let turns = 0..1_u32 << cts.len().min(MAX_TURNS);
            let turned = turns.map(|turns| {
                let mut of = self.now.clone();
                for (n, (ct, legs)) in cts.iter().zip(way).enumerate() {
                    let sign = if turns >> n & 1 == 1 { -1.0 } else { 1.0 };
                    of[*ct] = legs.iter().map(|x| sign * x).collect();
                }
                self.distance(&of, &self.mean) + TURN * f64::from(turns.count_ones())
            });
            turned.fold(f64::INFINITY, f64::min)
        };
        let best = ways.iter().min_by(|a, b| distance(a).total_cmp(&distance(b))).cloned();
        for (ct, legs) in cts.iter().zip(best.unwrap_or_default()) {
            self.now[*ct].clone_from(&legs);
            self.claimed[*ct] = legs;
        }
    }

    fn with(&self, ct: usize, to: &[f64]) -> f64 {
        let mut of = self.now.clone();
        of[ct] = to.to_vec();
        self.distance(&of, &self.mean)
    }

    /// The best change, if it is worth its price.
    fn best(&self, before: &[Taken]) -> Option<Taken> {
        let here = self.distance(&self.now, &self.mean);
        let mut best: Option<Taken> = None;
        let mut offer = |change: Change, distance: f64, price: f64| {
            let gain = here - distance - price;
            if gain > ENOUGH && best.as_ref().is_none_or(|best| gain > best.gain) {
                best = Some(Taken { change, gain, runner_up: 0.0, or_feed: None });
            }
        };
        let touched = |ct: usize| before.iter().any(|taken| taken.change.touches(ct));
        for ct in 0..self.now.len() {
            if touched(ct) || self.support[ct] < MIN_SUPPORT {
                continue;
            }
            for (to, price, free) in self.alternatives(ct) {
                let distance = self.with(ct, &to);
                offer(Change::Ct { ct, to, free }, distance, price);
            }
            for other in ct + 1..self.now.len() {
                if touched(other) || self.support[other] < MIN_SUPPORT {
                    continue;
                }
                if let Some(of) = self.swapped(ct, other) {
                    offer(Change::Swap(ct, other), self.distance(&of, &self.mean), 9.0);
                }
            }
        }
        for cts in self.circuits() {
            if cts.len() > 1 && !cts.iter().any(|ct| touched(*ct) || self.support[*ct] < MIN_SUPPORT) {
                let mut of = self.now.clone();
                cts.iter().for_each(|ct| of[*ct].iter_mut().for_each(|x| *x = -*x));
                offer(Change::Turn(cts.clone()), self.distance(&of, &self.mean), TURN);
                // CTs that move alike are on the bus or off it together: of one alone the data says only what it
                // is beside the other.
                cts.iter().for_each(|ct| of[*ct] = vec![0.0; self.responses()]);
                offer(Change::Gone(cts), self.distance(&of, &self.mean), GONE);
            }
        }
        for (cts, within) in self.nests {
            if cts.iter().any(|ct| touched(*ct)) || touched(*within) {
                continue;
            }
            let mut of = self.now.clone();
            for ct in cts {
                of[*ct] = vec![0.0; self.responses()];
            }
            let distance = self.distance(&of, &self.mean);
            offer(Change::Nested { cts: cts.clone(), within: *within }, distance, 5.0);
        }
        self.offer_feeds(before, &mut offer);
        let mut best = best?;
        best.runner_up = self.runner_up(&best.change, here);
        if !best.change.is_of_feed() {
            let mut rival = (best.gain - TIE, None);
            self.offer_feeds(before, &mut |change, distance, price| {
                let gain = here - distance - price;
                best.runner_up = best.runner_up.max(gain);
                if gain > rival.0 {
                    rival = (gain, Some(change));
                }
            });
            best.or_feed = rival.1;
        }
        Some(best)
    }

    fn offer_feeds(&self, before: &[Taken], offer: &mut impl FnMut(Change, f64, f64)) {
        let done = |change: &Change| before.iter().any(|taken| taken.change == *change);
        // With one circuit alone a turned feed and a turned circuit are the same to the data.
        for r in 0..self.responses() {
            if !done(&Change::FlipFeed(r)) {
                let mut mean = self.mean.clone();
                mean[r] *= -1.0;
                offer(Change::FlipFeed(r), self.distance(&self.now, &mean), 9.0);
            }
            let ratio = self.feed_scale(r);
            let scaled =
                before.iter().any(|taken| matches!(taken.change, Change::ScaleFeed(to, _) if to == r));
            if !scaled && (ratio - 1.0).abs() > 0.1 && ratio > 0.2 && ratio < 5.0 {
                let mut mean = self.mean.clone();
                mean[r] /= ratio;
                offer(Change::ScaleFeed(r, ratio), self.distance(&self.now, &mean), 16.0);
            }
            for other in r + 1..self.responses() {
                if !done(&Change::SwapFeed(r, other)) {
                    let mut of = self.now.clone();
                    of.iter_mut().for_each(|legs| legs.swap(r, other));
                    let price = if self.claims.legs_written { 9.0 } else { 0.0 };
                    offer(Change::SwapFeed(r, other), self.distance(&of, &self.mean), price);
                }
            }
        }
    }

    /// The factor between what a feed shows and what its circuits claim; 1 where fewer than three tell.
    fn feed_scale(&self, response: usize) -> f64 {
        let mut ratios: Vec<f64> = (0..self.now.len())
            .filter(|ct| self.support[*ct] >= MIN_SUPPORT && self.now[*ct][response].abs() > 0.4)
            .filter(|ct| self.precision[response][(*ct, *ct)] > 100.0)
            .map(|ct| self.mean[response][ct] / self.now[ct][response])
            .collect();
        if ratios.len() < 3 {
            return 1.0;
        }
        ratios.sort_by(f64::total_cmp);
        let middle = ratios[ratios.len() / 2];
        let agree = ratios.iter().filter(|ratio| (*ratio / middle - 1.0).abs() < 0.1).count();
        if agree * 4 >= ratios.len() * 3 { middle } else { 1.0 }
    }

    /// The CTs of each circuit.
    fn circuits(&self) -> Vec<Vec<usize>> {
        let mut all: Vec<Vec<usize>> = Vec::new();
        for (ct, claim) in self.claims.cts.iter().enumerate() {
            match all.last_mut() {
                Some(last) if self.claims.cts[last[0]].place.circuit == claim.place.circuit => last.push(ct),
                _ => all.push(vec![ct]),
            }
        }
        all
    }

    fn swapped(&self, a: usize, b: usize) -> Option<Vec<Vec<f64>>> {
        let (first, second) = (&self.claims.cts[a], &self.claims.cts[b]);
        if first.place.circuit == second.place.circuit {
            return None;
        }
        let ratio = second.factor / first.factor;
        let mut of = self.now.clone();
        of[a] = self.now[b].iter().map(|x| x * ratio).collect();
        of[b] = self.now[a].iter().map(|x| x / ratio).collect();
        (of[a] != self.now[a] || of[b] != self.now[b]).then_some(of)
    }

    /// What else a CT can be, with its price.
    fn alternatives(&self, ct: usize) -> Vec<(Vec<f64>, f64, bool)> {
        let r = self.responses();
        let claim = &self.claims.cts[ct];
        let now = &self.now[ct];
        let mut all: Vec<(Vec<f64>, f64, bool)> = Vec::new();
        let mut push = |to: Vec<f64>, price: f64, free: bool| {
            let known = claim.options.contains(&to) || all.iter().any(|(other, ..)| *other == to);
            if !known {
                all.push((to, price, free));
            }
        };
        let total = self.claims.responses[0].leg.is_none();
        let is_pair = now.iter().filter(|x| **x != 0.0).count() > 1 || (total && claim.doubled);
        let unit = |legs: &[usize], by: f64| -> Vec<f64> {
            (0..r).map(|leg| if legs.contains(&leg) { by } else { 0.0 }).collect()
        };
        push(now.iter().map(|x| -x).collect(), TURN, false);
        push(vec![0.0; r], GONE, false);
        for leg in 0..r {
            for sign in [1.0, -1.0] {
                let more = if sign < 0.0 { 7.0 } else { 0.0 };
                push(unit(&[leg], sign), 7.0 + more, false);
                if total {
                    push(unit(&[leg], 2.0 * sign), 7.0 + more, false);
                    push(unit(&[leg], 0.5 * sign), 10.0 + more, false);
                }
                for other in leg + 1..r {
                    push(unit(&[leg, other], sign), 7.0 + more, false);
                    if is_pair {
                        push(unit(&[leg, other], 0.5 * sign), 8.0 + more, false);
                    }
                }
            }
        }
        let free = self.free(ct);
        // What lies near one of the usual readings is that reading.
        let usual = |to: &[f64]| to.iter().zip(&free).all(|(a, b)| (a - b).abs() < 0.12 * a.abs().max(0.5));
        if self.is_free_sensible(ct, &free) && !all.iter().any(|(to, ..)| usual(to)) {
            all.push((free, 14.0, true));
        }
        all
    }

    /// The best coefficients of one CT, all others left as they are. A scale keeps the shape of the claim;
    /// a doubled circuit may have a leg each of its own.
    fn free(&self, ct: usize) -> Vec<f64> {
        let single: Vec<f64> = (0..self.responses())
            .map(|r| {
                let row = self.precision[r].row(ct);
                let off: f64 = (0..self.now.len())
                    .filter(|other| *other != ct)
                    .map(|other| row[other] * (self.mean[r][other] - self.now[other][r]))
                    .sum();
                self.mean[r][ct] + off / row[ct]
            })
            .collect();
        if self.claims.cts[ct].doubled && self.responses() > 1 {
            return (0..single.len()).map(|r| if self.now[ct][r] == 0.0 { 0.0 } else { single[r] }).collect();
        }
        let weight = |r: usize| self.precision[r][(ct, ct)];
        let claimed = &self.now[ct];
        let top: f64 = (0..single.len()).map(|r| weight(r) * single[r] * claimed[r]).sum();
        let bottom: f64 = (0..single.len()).map(|r| weight(r) * claimed[r] * claimed[r]).sum();
        let scale = if bottom > 0.0 { top / bottom } else { 0.0 };
        claimed.iter().map(|x| x * scale).collect()
    }

    /// A scale that a CT can have, known well enough to write it down.
    fn is_free_sensible(&self, ct: usize, free: &[f64]) -> bool {
        let known = (0..self.responses()).all(|r| self.precision[r][(ct, ct)] > 1.0 / (0.06 * 0.06));
        let off = free.iter().zip(&self.now[ct]).any(|(a, b)| (a - b).abs() > 0.08);
        let size = free.iter().fold(0.0_f64, |most, x| most.max(x.abs()));
        known
            && off
            && self.support[ct] >= 6.0
            && free.iter().all(|x| *x >= 0.0)
            && (0.15..=4.0).contains(&size)
    }

    /// The gain of the best change of the same CTs but this one.
    fn runner_up(&self, change: &Change, here: f64) -> f64 {
        let cts: Vec<usize> = match change {
            Change::Ct { ct, .. } => vec![*ct],
            Change::Swap(a, b) => vec![*a, *b],
            Change::Turn(cts) | Change::Gone(cts) | Change::Nested { cts, .. } => cts.clone(),
            _ => Vec::new(),
        };
        let mut best = 0.0_f64;
        for ct in cts {
            for (to, price, _) in self.alternatives(ct) {
                if !matches!(change, Change::Ct { to: taken, .. } if *taken == to) {
                    best = best.max(here - self.with(ct, &to) - price);
                }
            }
        }
        best
    }

    fn apply(&mut self, change: &Change) {
        match change {
            Change::Ct { ct, to, .. } => self.now[*ct].clone_from(to),
            Change::Swap(a, b) => {
                if let Some(of) = self.swapped(*a, *b) {
                    self.now = of;
                }
            }
            Change::Turn(cts) => {
                cts.iter().for_each(|ct| self.now[*ct].iter_mut().for_each(|x| *x = -*x));
            }
            Change::Gone(cts) | Change::Nested { cts, .. } => {
                for ct in cts {
                    self.now[*ct] = vec![0.0; self.responses()];
                }
            }
            Change::FlipFeed(r) => self.mean[*r] *= -1.0,
            Change::ScaleFeed(r, ratio) => self.mean[*r] /= *ratio,
            Change::SwapFeed(a, b) => {
                self.mean.swap(*a, *b);
                self.precision.swap(*a, *b);
            }
        }
    }

    fn known(&self) -> Vec<Known> {
        let covariance: Vec<DMatrix<f64>> = self
            .precision
            .iter()
            .map(|p| Cholesky::new(p.clone()).map(|c| c.inverse()).unwrap_or_else(|| p.clone()))
            .collect();
        let here = self.distance(&self.now, &self.mean);
        (0..self.now.len())
            .map(|ct| {
                let others = self.alternatives(ct).into_iter().filter(|(.., free)| !free);
                let margin = others.map(|(to, ..)| self.with(ct, &to) - here).fold(f64::INFINITY, f64::min);
                Known {
                    mean: self.mean.iter().map(|mean| mean[ct]).collect(),
                    deviation: covariance.iter().map(|c| c[(ct, ct)].sqrt()).collect(),
                    support: self.support[ct],
                    margin,
                }
            })
            .collect()
    }
}
