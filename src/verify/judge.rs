//! From what moved to what is wrong with the map.

use crate::audit::{BusClaims, Response};
use crate::said::{Said, figure, said};
use crate::site::{CircuitEntry, Role, Site};
use crate::units::ONE;

use super::changes::Changes;
use super::verdict::{Kind, Mend, Verdict};
use super::{ENOUGH, TOLERANCE};

/// A leg that moved by less than this part of the load did not.
const LEG_MOVED: f64 = 0.15;

/// What the switchings say of a circuit. `at` picks the map's entry; `claims` are those of the bus whose
/// feed sees the circuit, `None` where no feed does.
pub fn judge(
    site: &Site,
    circuit: usize,
    entry: &CircuitEntry,
    claims: Option<&BusClaims>,
    changes: &Changes,
) -> Verdict {
    let judge = Judge { site, entry, responses: claims.map_or(&[], |claims| &claims.responses), changes };
    let (kind, what, mend, next) = judge.decide();
    Verdict {
        circuit: site.circuits[circuit].id.clone(),
        kind,
        what,
        moved: judge.moved(),
        switchings: changes.switchings.len(),
        mend,
        next,
    }
}

type Decision = (Kind, Said, Option<Mend>, String);

struct Judge<'a> {
    site: &'a Site,
    entry: &'a CircuitEntry,
    responses: &'a [Response],
    changes: &'a Changes,
}

impl Judge<'_> {
    fn decide(&self) -> Decision {
        let load = self.changes.largest_w();
        if self.changes.switchings.is_empty() || load == 0.0 {
            return self.nothing();
        }
        if self.changes.switchings.len() < ENOUGH {
            let seen = self.changes.switchings.len();
            let what = said!("{seen} of {ENOUGH} switchings seen so far, of about {} W", figure(load, 0));
            return (
                Kind::TooFew,
                what,
                None,
                "go on switching it, each state for ten seconds or more".to_owned(),
            );
        }
        let own: Vec<usize> = self.channels().collect();
        let moved: Vec<usize> = self.others(&own, load);
        let own_moved = own.iter().any(|channel| self.is_clear(*channel, load));
        match (own_moved, moved.as_slice()) {
            (false, []) if self.feed_moved(load) => self.no_ct(&own),
            (false, []) => self.nothing(),
            (false, others) => self.wrong_ct(others),
            (true, []) => self.its_own(load),
            (true, others) => self.several(others),
        }
    }

    /// The channels that the map has on it.
    fn channels(&self) -> impl Iterator<Item = usize> {
        self.entry.cts.iter().map(|ct| ct.channel.0 as usize)
    }

    fn name(&self, channel: usize) -> &str {
        &self.site.channels[channel].name
    }

    fn watts(&self, channel: usize) -> f64 {
        self.changes.channels.get(channel).copied().flatten().map_or(0.0, |moved| moved.watts)
    }

    fn is_clear(&self, channel: usize, load: f64) -> bool {
        self.changes.channels.get(channel).copied().flatten().is_some_and(|moved| moved.is_clear(load))
    }

    /// Channels that moved, and neither belong to it nor see it by their place: its bus's feed and the feeders above.
    fn others(&self, own: &[usize], load: f64) -> Vec<usize> {
        let mut above: Vec<usize> = Vec::new();
        for feed in &self.site.feeds {
            above.extend(feed.cts.iter().map(|ct| ct.channel.0 as usize));
        }
        for circuit in &self.site.circuits {
            let entry = circuit.latest();
            let feeds_it = |child: usize| child == self.entry.bus || self.is_above(child, self.entry.bus);
            if matches!(entry.role, Role::Feeder(child) if feeds_it(child)) {
                above.extend(entry.cts.iter().map(|ct| ct.channel.0 as usize));
            }
        }
        // The counter beside a channel's power moves when that does, and is no CT of its own.
        let all = (0..self.site.channels.len()).filter(|c| !self.site.channels[*c].is_beside());
        all.filter(|c| !own.contains(c) && !above.contains(c) && self.is_clear(*c, load)).collect()
    }

    fn is_above(&self, bus: usize, other: usize) -> bool {
        let mut at = self.site.buses[other].parent;
        while let Some(parent) = at {
            if parent == bus {
                return true;
            }
            at = self.site.buses[parent].parent;
        }
        false
    }

    fn feed_moved(&self, load: f64) -> bool {
        self.changes.legs.iter().flatten().any(|moved| moved.is_clear(load))
    }

    fn nothing(&self) -> Decision {
        let what = "no CT and no leg changed in step with a load that was switched again and again".into();
        let next = "see that the load draws at least 100 W and is on this circuit; then switch it on and off four \
                    times, ten seconds or more each";
        (Kind::NothingMoved, what, None, next.to_owned())
    }

    fn no_ct(&self, own: &[usize]) -> Decision {
        let feed = self.legs_text();
        let (what, next) = if own.is_empty() {
            (
                said!("{}; the map has no CT on this circuit, and none moved", feed.inner()),
                "nothing: it is part of untracked",
            )
        } else {
            let names: Vec<_> = own.iter().map(|channel| self.name(*channel)).collect();
            let what = said!("{}, and no CT moved: {} stands still", feed.inner(), names.join(" and "));
            (what, "look whether its CT is plugged in, closed, and on the conductor of this breaker")
        };
        (Kind::NoCtMoved, what, None, next.to_owned())
    }

    fn wrong_ct(&self, others: &[usize]) -> Decision {
        let names: Vec<_> = others.iter().map(|channel| self.told(*channel)).collect();
        let names = Said::join(&names, " and ");
        let what = said!("{} moved instead; {}", names.inner(), self.legs_text().inner());
        let list = others.iter().map(|channel| format!("\"{}\"", self.name(*channel)));
        let write = format!("channels = [{}]", list.collect::<Vec<_>>().join(", "));
        let line = self.entry.written.channels.map_or(self.entry.line, |(first, _)| first);
        let next = "verify the circuit that the map has on that CT too: the two are often swapped";
        (Kind::WrongCt, what, Some(Mend { line, write }), next.to_owned())
    }

    fn several(&self, others: &[usize]) -> Decision {
        let names: Vec<_> = others.iter().map(|channel| self.told(*channel)).collect();
        let what = said!("{} moved with it", Said::join(&names, " and ").inner());
        let next = "two CTs see one conductor, or the load is on two circuits; verify with another load, and look at \
                    where those CTs are clamped";
        (Kind::SeveralCts, what, None, next.to_owned())
    }

    /// `house/7, mapped to "dryer", by 840 W`.
    fn told(&self, channel: usize) -> Said {
        let holds = |entry: &CircuitEntry| entry.cts.iter().any(|ct| ct.channel.0 as usize == channel);
        let of = self.site.circuits.iter().find(|circuit| holds(circuit.latest()));
        let of = of.map_or("on no circuit".to_owned(), |circuit| format!("mapped to \"{}\"", circuit.id));
        said!("{} ({of}) by {} W", self.name(channel), figure(self.watts(channel), 0))
    }

    /// Its own CTs moved, and no other.
    fn its_own(&self, load: f64) -> Decision {
        let feed = self.changes.feed_w();
        if !self.feed_moved(load) {
            let what = said!("its CT moved by {} W and no leg of the feed did", figure(self.mapped(), 0));
            let next = "it is on another panel, or tapped ahead of the CTs of this feed: mend `bus`, or look at where \
                        the feed's CTs are";
            return (
                Kind::OnNoLeg,
                what,
                self.mend(self.entry.written.bus, "bus = \"…\", the panel that it is in"),
                next.to_owned(),
            );
        }
        if let Some(turned) = self.turned(feed, load) {
            return turned;
        }
        if let Some(leg) = self.elsewhere(load) {
            return leg;
        }
        if self.entry.cts.len() == 1
            && let Some(doubling) = self.doubling(feed)
        {
            return doubling;
        }
        let ratio = self.mapped() / feed;
        let figures = said!("its CTs moved by {} W, {}", figure(self.mapped(), 0), self.legs_text().inner());
        if ratio < 1.0 - TOLERANCE {
            let what = said!("{}: {} % of it", figures.inner(), figure(100.0 * ratio, 0));
            let next = "a CT that is not closed, or does not go round all conductors of its pole, sees a part; another \
                        load may also be switched along. Only if all that is right, calibrate with `scale`";
            return (Kind::Fraction, what, None, next.to_owned());
        }
        if ratio > 1.0 + TOLERANCE {
            let what = said!("{}: {} times as much", figures.inner(), figure(ratio, 2));
            let next = "look at the CT's rating and turns: the device may be set for another; then at the feed's CTs";
            return (Kind::TooMuch, what, None, next.to_owned());
        }
        (Kind::AsMapped, figures, None, "nothing: the map is true of this circuit".to_owned())
    }

    /// What the map makes of what its CTs did, in W.
    fn mapped(&self) -> f64 {
        let terms = self.entry.terms.iter().zip(&self.entry.cts);
        terms.map(|(term, ct)| self.watts(ct.channel.0 as usize) * term.millionths as f64 / ONE as f64).sum()
    }

    /// A CT whose sign is not that of the feed's change.
    fn turned(&self, feed: f64, load: f64) -> Option<Decision> {
        let terms = self.entry.terms.iter().zip(&self.entry.cts);
        let wrong: Vec<_> = terms
            .filter(|(term, ct)| {
                let channel = ct.channel.0 as usize;
                self.is_clear(channel, load) && (self.watts(channel) * term.millionths as f64 * feed) < 0.0
            })
            .map(|(_, ct)| ct)
            .collect();
        let first = wrong.first()?;
        let names: Vec<_> = wrong.iter().map(|ct| self.name(ct.channel.0 as usize)).collect();
        let what = said!(
            "{} moved by {} W as the map counts it, {}",
            names.join(" and "),
            figure(-self.mapped().abs(), 0),
            self.legs_text().inner()
        );
        let all = wrong.len() == self.entry.cts.len();
        let mend = match (self.entry.role, self.entry.written.sign, all) {
            (Role::Pv | Role::Storage, Some(line), true) => {
                Mend { line, write: "leave `sign` out".to_owned() }
            }
            (Role::Pv | Role::Storage, None, true) => {
                Mend { line: self.entry.line, write: "sign = \"generation-positive\"".to_owned() }
            }
            (_, _, true) => Mend {
                line: self.entry.written.reversed.unwrap_or(self.entry.line),
                write: format!("reversed = {}", !self.entry.written.is_reversed),
            },
            (..) => Mend {
                line: self.entry.written.channels.map_or(self.entry.line, |(first, _)| first),
                write: format!(
                    "{{ channel = \"{}\", reversed = {} }}",
                    self.name(first.channel.0 as usize),
                    !first.reversed
                ),
            },
        };
        let next = "mend the map, or have the CT turned round by a licensed electrician; not both";
        Some((Kind::Reversed, what, Some(mend), next.to_owned()))
    }

    /// The legs that moved, where they are not those that the map names for its CTs.
    fn elsewhere(&self, load: f64) -> Option<Decision> {
        if self.responses.iter().any(|response| response.leg.is_none()) {
            return None;
        }
        let moved: Vec<_> = self.moved_legs(load);
        let strange: Vec<_> = moved.iter().filter(|leg| !self.entry.legs.contains(leg)).collect();
        // A circuit whose legs the map does not say is on whichever moved; a doubled one is looked at by its halves.
        if self.entry.legs.is_empty() || strange.is_empty() || (moved.len() > self.entry.legs.len()) {
            return None;
        }
        let names =
            |legs: &[crate::site::Leg]| legs.iter().map(|leg| leg.as_str()).collect::<Vec<_>>().join(" and ");
        let mapped = names(&self.entry.legs);
        let what = said!("it is on leg {mapped} by the map, and {}", self.legs_text().inner());
        let write = format!("legs = {:?}", moved.iter().map(|leg| leg.as_str()).collect::<Vec<_>>());
        let line =
            self.entry.written.legs.or(self.entry.written.spaces).map_or(self.entry.line, |(first, _)| first);
        let next = "see in which spaces its breaker is; if the spaces are right, the panel is numbered in another way \
                    or the mains CTs are swapped: verify a second circuit to tell";
        Some((Kind::WrongLeg, what, Some(Mend { line, write }), next.to_owned()))
    }

    fn moved_legs(&self, load: f64) -> Vec<crate::site::Leg> {
        let legs = self.responses.iter().zip(&self.changes.legs);
        let clear = legs.filter(|(_, moved)| {
            moved.is_some_and(|moved| {
                moved.is_clear(load) && moved.watts.abs() > LEG_MOVED * self.changes.feed_w().abs()
            })
        });
        clear.filter_map(|(response, _)| response.leg).collect()
    }

    /// One CT on a load of one or two legs.
    fn doubling(&self, feed: f64) -> Option<Decision> {
        let one = self.mapped() / if self.entry.doubled { 2.0 } else { 1.0 };
        let close = |a: f64, b: f64| (a - b).abs() <= TOLERANCE * b.abs();
        let legs_text = self.legs_text();
        let (mine, feed_text) = (figure(one, 0), legs_text.inner());
        if !self.entry.doubled {
            let legs: Vec<f64> = self.changes.legs.iter().flatten().map(|moved| moved.watts).collect();
            let both = legs.len() < 2 || legs.iter().all(|leg| close(*leg, one));
            if close(2.0 * one, feed) && both {
                let what = said!("its CT moved by {mine} W, {feed_text}: it is a load on two legs");
                let mend = self.mend(self.entry.written.doubled, "doubled = true");
                return Some((
                    Kind::NotDoubled,
                    what,
                    mend,
                    "write it only if the load has no part on one leg alone".to_owned(),
                ));
            }
            return None;
        }
        if close(one, feed) {
            let what = said!("its CT moved by {mine} W, {feed_text}: the load draws from one leg");
            let mend = self.mend(self.entry.written.doubled, "doubled = false");
            return Some((
                Kind::DoubledOneLeg,
                what,
                mend,
                "verify with a load that uses both legs, if it has one".to_owned(),
            ));
        }
        let legs: Vec<f64> = self.changes.legs.iter().flatten().map(|moved| moved.watts).collect();
        let [a, b] = legs.as_slice() else { return None };
        let apart = (a - b).abs() > TOLERANCE * a.abs().max(b.abs());
        (apart && (close(one, *a) || close(one, *b))).then(|| {
            let (made, of) = (figure(2.0 * one, 0), figure(feed, 0));
            let what = said!("its CT moved by {mine} W, {feed_text}: doubling makes {made} W of {of} W");
            let next = "fit a CT on the other leg and leave `doubled` out; one CT cannot know what the other leg draws";
            (Kind::DoubledUnbalanced, what, None, next.to_owned())
        })
    }

    fn mend(&self, line: Option<usize>, write: &str) -> Option<Mend> {
        Some(Mend { line: line.unwrap_or(self.entry.line), write: write.to_owned() })
    }

    /// `leg A moved by 2,610 W and leg B by 2,590 W`.
    fn legs_text(&self) -> Said {
        let legs = self.responses.iter().zip(&self.changes.legs);
        let parts: Vec<_> = legs
            .filter_map(|(response, moved)| {
                let watts = moved.as_ref()?.watts;
                let name = response.leg.map_or("the feed".to_owned(), |leg| format!("leg {leg}"));
                Some(said!("{name} by {} W", figure(watts, 0)))
            })
            .collect();
        if parts.is_empty() { "no feed sees this circuit".into() } else { Said::join(&parts, " and ") }
    }

    /// What moved, by name.
    fn moved(&self) -> Vec<(String, f64)> {
        let load = self.changes.largest_w();
        let own: Vec<usize> = self.channels().collect();
        let mut all: Vec<(String, f64)> =
            own.iter().map(|channel| (self.name(*channel).to_owned(), self.watts(*channel))).collect();
        for (response, moved) in self.responses.iter().zip(&self.changes.legs) {
            let name = response.leg.map_or("feed".to_owned(), |leg| format!("leg {leg}"));
            all.extend(moved.map(|moved| (name, moved.watts)));
        }
        let others = self.others(&own, load);
        all.extend(others.into_iter().map(|channel| (self.name(channel).to_owned(), self.watts(channel))));
        all
    }
}
