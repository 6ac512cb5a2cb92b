//! Everything that one site is advised, tick by tick.

use std::sync::Arc;

use super::charger::{Ask, Charger};
use super::headroom::Headroom;
use super::share::{Bound, Common, Wish, grant};
use super::types::{Command, EvIndex, Guidance, LegRoom, Order, Reason, Refused, Settings, Target};
use super::watch::Watch;
use crate::calendar::Zone;
use crate::flow::Flows;
use crate::site::{CONTINUOUS_PART, ChannelIndex, Ev, FigureKey, First, LEAST_A, Leg, MOST_A, Sharing, Site};
use crate::units::{Span, Stamp};

/// A charger that was offered a current for this long and takes less than a tenth of the least has no
/// car to charge: others need not wait for it.
const IDLE_AFTER: Span = Span::from_seconds(300);

/// A site's chargers and its watch over breakers.
#[derive(Clone, Debug)]
pub struct Advisor {
    site: Arc<Site>,
    chargers: Vec<Charger>,
    headroom: Option<Headroom>,
    watch: Watch,
    /// The tick before.
    at: Option<Stamp>,
    last: Arc<Guidance>,
}

/// What one tick says of the site, as far as chargers need it; unknown is `None`.
struct Seen {
    at: Stamp,
    grid: Option<f64>,
    /// What storage takes (+) or gives (−); 0 where there is none or it has no CT.
    storage: Option<f64>,
    /// What each charger takes.
    taken: Vec<Option<f64>>,
    /// The mains CTs whose leg the map says.
    legs: Vec<(Leg, Option<f64>)>,
}

impl Advisor {
    /// Every charger off, nothing known yet, the modes as the map has them.
    pub fn new(site: Arc<Site>) -> Self {
        let charger = |ev: &Ev| Charger::new(ev.clone(), legs_of(&site, ev));
        Self {
            chargers: site.loading.evs.iter().map(charger).collect(),
            headroom: Headroom::new(&site),
            watch: Watch::new(&site),
            at: None,
            last: Arc::default(),
            site,
        }
    }

    /// What follows from the figures of a new tick. `channel` gives a channel's last known value in
    /// 0.1 W.
    pub fn step(&mut self, flows: &Flows, channel: impl Fn(ChannelIndex) -> Option<i64>) -> Arc<Guidance> {
        let watched = self.watch.step(&self.site, flows, channel);
        if self.chargers.is_empty() {
            // Most sites: nothing new to say in most ticks.
            if watched && self.watch.alerts() != self.last.alerts {
                let alerts = self.watch.alerts().to_vec();
                self.last = Arc::new(Guidance { alerts, ..Guidance::default() });
            }
            return Arc::clone(&self.last);
        }
        if self.at == Some(flows.at) {
            return Arc::clone(&self.last);
        }
        let seen = self.seen(flows);
        self.look(&seen);
        let rooms = self.rooms(&seen);
        let room_a = self.lead(&seen, &rooms);
        let advice = self.chargers.iter().zip(room_a).map(|(charger, room)| charger.advice(seen.at, room));
        self.last = Arc::new(Guidance {
            advice: advice.collect(),
            legs: rooms,
            alerts: self.watch.alerts().to_vec(),
        });
        Arc::clone(&self.last)
    }

    fn seen(&self, flows: &Flows) -> Seen {
        let watts = |key| flows.watts(key).map(|watts| watts.0);
        let mut legs = Vec::new();
        for (key, watts) in &flows.figures {
            if let FigureKey::MainsLeg(leg) = key {
                legs.push((*leg, watts.map(|watts| watts.0)));
            }
        }
        let has_storage = flows.figures.iter().any(|(key, _)| *key == FigureKey::Storage);
        Seen {
            at: flows.at,
            grid: watts(FigureKey::Grid),
            storage: if has_storage { watts(FigureKey::Storage) } else { Some(0.0) },
            taken: self.chargers.iter().map(|one| watts(FigureKey::Circuit(one.ev.circuit))).collect(),
            legs,
        }
    }

    /// Takes the tick into every window.
    fn look(&mut self, seen: &Seen) {
        let at = seen.at;
        let passed = self.at.map_or(Span::ZERO, |before| at - before);
        self.at = Some(at);
        let longest = self.chargers.iter().map(|charger| charger.ev.hold).min().unwrap_or(Span::ZERO);
        if passed < Span::ZERO || passed > longest {
            // The clock was set back, or nobody looked for so long that no advice was given.
            self.chargers.iter_mut().for_each(|charger| charger.reset(at));
            self.headroom.iter_mut().for_each(Headroom::clear);
        }
        let own: Option<f64> = self
            .chargers
            .iter()
            .zip(&seen.taken)
            .filter(|(charger, _)| charger.follows())
            .map(|(_, taken)| *taken)
            .sum();
        for (leg, watts) in &seen.legs {
            let on = self.chargers.iter().zip(&seen.taken).filter(|(charger, _)| charger.legs.contains(leg));
            let amps = on.map(|(charger, taken)| Some((*taken)?.max(0.0) / charger.ev.watts_per_amp()));
            let own: Option<f64> = amps.sum();
            if let Some(headroom) = &mut self.headroom {
                headroom.see(at, *leg, *watts, own);
            }
        }
        let limited = self.headroom.is_some();
        for (charger, taken) in self.chargers.iter_mut().zip(&seen.taken) {
            let on = |leg: &Leg| charger.legs.contains(leg);
            let legs_known =
                !limited || seen.legs.iter().filter(|(leg, _)| on(leg)).all(|(_, watts)| watts.is_some());
            let own_known = !limited || taken.is_some();
            let battery = seen.storage.map(|watts| match charger.ev.first {
                // What a battery gives is no surplus: the car would empty it.
                First::Battery => watts.min(0.0),
                First::Car => watts,
            });
            let surplus = seen.grid.zip(own).zip(battery).map(|((grid, own), battery)| own + battery - grid);
            let known = legs_known && own_known;
            charger.count(at, *taken, if known { passed } else { Span::ZERO });
            charger.see(at, surplus.filter(|_| known), known);
        }
    }

    fn rooms(&self, seen: &Seen) -> Vec<LegRoom> {
        let measured: Vec<Leg> = seen.legs.iter().map(|(leg, _)| *leg).collect();
        self.headroom.as_ref().map_or_else(Vec::new, |headroom| headroom.rooms(&measured))
    }

    /// Asks every charger, shares out, and settles; gives what branch and legs leave each, in A.
    fn lead(&mut self, seen: &Seen, rooms: &[LegRoom]) -> Vec<Option<f64>> {
        let at = seen.at;
        let several = self.chargers.len() > 1;
        let idle: Vec<bool> = self
            .chargers
            .iter()
            .zip(&seen.taken)
            .map(|(charger, taken)| several && charger.is_idle(at, *taken, IDLE_AFTER))
            .collect();
        let mut asks: Vec<Ask> = Vec::with_capacity(self.chargers.len());
        let mut used_w = 0.0;
        for place in 0..self.chargers.len() {
            let share_w = match self.site.loading.sharing {
                Sharing::PriorityOrder => self.chargers[place].surplus_w().map(|all| all - used_w),
                Sharing::Shared => self.part(place, &idle),
            };
            let charger = &mut self.chargers[place];
            let mut ask = charger.ask(at, share_w);
            if idle[place] {
                ask.amps = ask.amps.min(charger.ev.minimum_a);
            }
            if charger.follows() {
                used_w += match idle[place] {
                    true => seen.taken[place].unwrap_or(0.0).max(0.0),
                    false => ask.amps * charger.ev.watts_per_amp(),
                };
            }
            asks.push(ask);
        }
        let common = Common {
            branch_a: self.site.loading.branch_a.map(|amps| CONTINUOUS_PART * amps),
            legs: rooms.iter().filter_map(|room| Some((room.leg, room.room_a?))).collect(),
        };
        let wishes: Vec<Wish> =
            self.chargers.iter().zip(&asks).map(|(charger, ask)| charger.wish(ask.amps)).collect();
        let grants = grant(&wishes, &common, self.site.loading.sharing);
        for ((charger, ask), (amps, bound)) in self.chargers.iter_mut().zip(asks).zip(grants) {
            let bound = bound.map(|bound| match bound {
                Bound::Branch => Reason::Branch,
                Bound::Leg(_) => Reason::Headroom,
            });
            charger.settle(at, ask, amps, bound);
        }
        self.chargers
            .iter()
            .map(|charger| left_for(charger, &self.chargers, &common, self.headroom.is_some()))
            .collect()
    }

    /// A charger's equal part of the surplus, among those that charge and itself.
    fn part(&self, place: usize, idle: &[bool]) -> Option<f64> {
        let total = self.chargers[place].surplus_w()?;
        let among: Vec<usize> = (0..self.chargers.len())
            .filter(|other| {
                let charger = &self.chargers[*other];
                *other == place || (charger.follows() && charger.is_on() && !idle[*other])
            })
            .collect();
        if among.len() == 1 {
            return Some(total);
        }
        let wishes: Vec<Wish> = among.iter().map(|other| self.chargers[*other].wish_w()).collect();
        let common = Common { branch_a: Some(total), legs: Vec::new() };
        let parts = grant(&wishes, &common, Sharing::Shared);
        among.iter().zip(parts).find(|(other, _)| **other == place).map(|(_, (watts, _))| watts)
    }

    /// Carries a command out, or says why not; gives what holds for the charger then.
    ///
    /// # Errors
    /// When there is no such charger, or no charger could follow the order.
    pub fn command(&mut self, command: Command, now: Stamp) -> Result<Settings, Refused> {
        let charger = self.chargers.get_mut(command.ev.0 as usize).ok_or(Refused::NoSuchCharger)?;
        let mut settings = charger.settings;
        match command.order {
            Order::Mode(mode) => settings.mode = mode,
            Order::Cap(cap_a) => {
                if let Some(amps) = cap_a.filter(|amps| *amps != 0.0 && !(LEAST_A..=MOST_A).contains(amps)) {
                    return Err(Refused::Cap(amps));
                }
                settings.cap_a = cap_a;
            }
            Order::Target(target) => {
                if let Some(target) = target {
                    target.check(now)?;
                }
                settings.target = target;
            }
        }
        charger.told(settings);
        Ok(settings)
    }

    /// What holds for a charger now.
    pub fn settings(&self, ev: EvIndex) -> Option<Settings> {
        self.chargers.get(ev.0 as usize).map(|charger| charger.settings)
    }

    /// Goes on under a corrected map. A charger whose entry is the same goes on as it is; another one
    /// starts anew, with what it was told, unless its mode is what was changed.
    pub fn replace(&mut self, site: Arc<Site>) {
        let old = std::mem::replace(self, Self::new(Arc::clone(&site)));
        for charger in &mut self.chargers {
            let id = &site.circuits[charger.ev.circuit].id;
            let same = |other: &&Charger| old.site.circuits[other.ev.circuit].id == *id;
            let Some(before) = old.chargers.iter().find(same) else { continue };
            let moved = Ev { circuit: charger.ev.circuit, line: charger.ev.line, ..before.ev.clone() };
            if moved == charger.ev && before.legs == charger.legs {
                charger.go_on(before);
            } else if before.ev.mode == charger.ev.mode {
                charger.told(before.settings);
            }
        }
        if old.site.service == site.service && old.site.loading.headroom_over == site.loading.headroom_over {
            self.headroom = old.headroom;
        }
        self.at = old.at;
    }
}

/// The legs of a charger's circuit; all where the map does not say, which is the safe side.
fn legs_of(site: &Site, ev: &Ev) -> Vec<Leg> {
    let legs = &site.circuits[ev.circuit].latest().legs;
    if legs.is_empty() { site.service.system.legs().to_vec() } else { legs.clone() }
}

/// What branch and legs leave a charger, beside what the others are advised; `None` where the room of the
/// service is watched and not known.
fn left_for(charger: &Charger, all: &[Charger], common: &Common, limited: bool) -> Option<f64> {
    let others = |on: &dyn Fn(&Charger) -> bool| -> f64 {
        let those = all.iter().filter(|other| other.ev.circuit != charger.ev.circuit && on(other));
        those.map(Charger::current_a).sum()
    };
    let branch = common.branch_a.map(|amps| amps - others(&|_| true));
    let legs: Vec<f64> = common
        .legs
        .iter()
        .filter(|(leg, _)| charger.legs.contains(leg))
        .map(|(leg, room)| room - others(&|other| other.legs.contains(leg)))
        .collect();
    if limited && legs.is_empty() {
        return None;
    }
    Some(branch.into_iter().chain(legs).fold(f64::INFINITY, f64::min))
}

impl Target {
    /// More than the batteries of cars hold.
    pub const MOST_KWH: f64 = 200.0;
    /// A time of day comes within a day, which lasts up to 25 hours.
    const WITHIN: Span = Span::from_seconds(25 * 3600);

    /// The target's moment for a time of day: the next one after `now` in the site's zone. `None` for
    /// what is no time of day.
    pub fn next(zone: &Zone, now: Stamp, hour: u8, minute: u8) -> Option<Stamp> {
        let today = zone.day_of(now);
        [today, today.next()].into_iter().find_map(|day| {
            let (year, month, day) = day.civil();
            let at = zone.parse(&format!("{year:04}-{month:02}-{day:02}T{hour:02}:{minute:02}")).ok()?;
            (at > now && at <= now + Self::WITHIN).then_some(at)
        })
    }

    fn check(self, now: Stamp) -> Result<(), Refused> {
        if !(self.kwh > 0.0 && self.kwh <= Self::MOST_KWH) {
            return Err(Refused::Energy(self.kwh));
        }
        if self.by <= now || self.by > now + Self::WITHIN {
            return Err(Refused::Time);
        }
        Ok(())
    }
}
