//! The state of all sites: an event in, effects out.
//!
//! The engine decides and touches nothing. Readings and the passing of time come in with the
//! moment at which they do; what has to be done goes out as [`Effect`]s that the shell carries out.
//! So a replayed journal builds the same state as the day that wrote it.

use std::ops::Range;
use std::sync::Arc;

use crate::flow::{ClosedMinute, Flows, SiteFlow, Taken};
use crate::reading::{Reading, SiteIndex};
use crate::site::{ChannelIndex, Site};
use crate::surplus::{Advisor, Command, Guidance, Refused, Settings};
use crate::units::{Span, Stamp, Watts};

/// How often minutes are named for a recount: a device whose clock is behind, or a backlog with
/// times of its own, costs a recount in this time and not one a reading.
const RECOUNT_EVERY: Span = Span::from_seconds(10);

/// Something that happened.
#[derive(Clone, Copy, Debug, PartialEq, Eq)]
pub enum Event {
    /// A reading came in.
    Reading(Reading),
    /// Time has passed.
    Tick,
}

/// Something to do.
#[derive(Clone, Debug, PartialEq)]
#[must_use]
pub enum Effect {
    /// Keep this reading; only then may it be acknowledged.
    Keep(Reading),
    /// This minute of a site is complete.
    Minute(SiteIndex, ClosedMinute),
    /// These closed minutes have to be recounted from the kept readings.
    Late(SiteIndex, Range<Stamp>),
    /// The live figures of a new tick, and what follows from them for chargers and breakers.
    Live(SiteIndex, Flows, Arc<Guidance>),
}

/// Every site's open ticks, by [`SiteIndex`].
#[derive(Debug)]
pub struct Engine {
    sites: Vec<SiteFlow>,
    /// What each site is advised, by the same index.
    advisors: Vec<Advisor>,
    /// The tick of the last live figures.
    shown: Stamp,
    /// When minutes were last named for a recount.
    recounted: Stamp,
}

impl Engine {
    /// An engine for these sites, in the order of their [`SiteIndex`]; what is before `start` (of
    /// each) is closed already.
    pub fn new(sites: impl IntoIterator<Item = (Arc<Site>, Option<Stamp>)>) -> Self {
        let (sites, advisors) = sites
            .into_iter()
            .map(|(site, start)| (SiteFlow::new(Arc::clone(&site), start), Advisor::new(site)))
            .unzip();
        Self { sites, advisors, shown: Stamp::MIN, recounted: Stamp::MIN }
    }

    /// Takes an event in at the moment `now` and adds to `effects` what follows from it.
    ///
    /// A reading of a site or channel that is not there any more (it was under way while the map was
    /// replaced) is dropped without effect: it was never promised to be kept.
    pub fn apply(&mut self, event: Event, now: Stamp, effects: &mut Vec<Effect>) {
        match event {
            Event::Reading(reading) => self.take(reading, effects),
            Event::Tick => self.tick(now, effects),
        }
    }

    fn take(&mut self, reading: Reading, effects: &mut Vec<Effect>) {
        let Some(flow) = self.sites.get_mut(reading.site.0 as usize) else { return };
        if reading.channel.0 as usize >= flow.site().channels.len() {
            return;
        }
        match flow.push(reading.channel, reading.sample) {
            // A late reading is kept like any other; `tick` says what to recount. One that came
            // before is kept again as well: whether the first was ever committed is not known here.
            Taken::InOrder | Taken::Late | Taken::Again => effects.push(Effect::Keep(reading)),
        }
    }

    fn tick(&mut self, now: Stamp, effects: &mut Vec<Effect>) {
        let tick = now.floor(Span::TICK);
        let show = tick != self.shown;
        self.shown = tick;
        // A clock that was set back must not put recounts off for as long.
        let recount = now < self.recounted || now - self.recounted >= RECOUNT_EVERY;
        if recount {
            self.recounted = now;
        }
        let mut closed = Vec::new();
        for (index, flow) in self.sites.iter_mut().enumerate() {
            let site = SiteIndex(index as u32);
            flow.advance(now, &mut closed);
            effects.extend(closed.drain(..).map(|minute| Effect::Minute(site, minute)));
            if recount {
                effects.extend(flow.take_late().into_iter().map(|range| Effect::Late(site, range)));
            }
            if show {
                let flows = flow.live(now);
                let guidance = self.advisors[index].step(&flows, |channel| flow.live_value(channel, now));
                effects.push(Effect::Live(site, flows, guidance));
            }
        }
    }

    /// Goes on under corrected maps: the same sites at the same indices, new ones at the end. Sites
    /// that are gone keep their index and get a map without devices.
    pub fn replace(&mut self, sites: &[Arc<Site>]) {
        for (index, site) in sites.iter().enumerate() {
            match self.sites.get_mut(index) {
                Some(flow) => {
                    flow.replace(Arc::clone(site));
                    self.advisors[index].replace(Arc::clone(site));
                }
                None => {
                    self.sites.push(SiteFlow::new(Arc::clone(site), None));
                    self.advisors.push(Advisor::new(Arc::clone(site)));
                }
            }
        }
    }

    /// Carries a command out, or says why not; gives what holds for the charger then.
    ///
    /// # Errors
    /// When the site or charger is not there, or no charger could follow the order.
    pub fn command(&mut self, site: SiteIndex, command: Command, now: Stamp) -> Result<Settings, Refused> {
        let advisor = self.advisors.get_mut(site.0 as usize).ok_or(Refused::NoSuchCharger)?;
        advisor.command(command, now)
    }

    /// Up to where every site that has readings is accounted: what ends before it can be sealed.
    pub fn accounted(&self) -> Option<Stamp> {
        self.sites.iter().filter_map(SiteFlow::accounted).min()
    }

    /// What each channel of a site shows at `now`, in W, by the map's order; `None` where nothing fresh came.
    pub fn channels(&self, site: SiteIndex, now: Stamp) -> Vec<Option<Watts>> {
        let Some(flow) = self.sites.get(site.0 as usize) else { return Vec::new() };
        let value =
            |index| flow.live_value(ChannelIndex(index), now).map(|tenths| Watts(tenths as f64 / 10.0));
        (0..flow.site().channels.len() as u32).map(value).collect()
    }

    /// Channels whose newest reading is older than `stale_after`, or that never had one.
    pub fn stale(&self, site: SiteIndex, now: Stamp) -> Vec<ChannelIndex> {
        let Some(flow) = self.sites.get(site.0 as usize) else { return Vec::new() };
        flow.silent(now)
    }
}

#[cfg(test)]
mod tests {
    use super::*;
    use crate::reading::Sample;
    use crate::site::{
        Channel, Device, Epoch, Figure, FigureKey, Part, Payload, Plan, ReadingKind, SeriesIndex, Service,
        System, Term, Unit,
    };
    use crate::surplus::{EvIndex, Mode, Order};
    use crate::units::ONE;

    /// One mains CT on one device, a reading a second.
    fn site(key: &str) -> Arc<Site> {
        let mains = vec![Term { series: SeriesIndex(0), part: Part::Net, millionths: ONE }];
        let plan = Plan { splits: vec![], figures: vec![Figure { key: FigureKey::Grid, terms: mains }] };
        Arc::new(Site {
            id: "barn".into(),
            name: "Barn".into(),
            time_zone: "UTC".into(),
            billing_day: 1,
            late_window: None,
            loading: Default::default(),
            service: Service { system: System::SplitPhase120_240, main_breaker_a: None },
            devices: vec![Device {
                id: "house".into(),
                topic: "t/{channel}".into(),
                payload: Payload::Number,
                unit: Unit::W,
                reading: ReadingKind::Mean,
                every: Span(10),
                max_gap: Span(30),
                stale_after: Span(50),
            }],
            channels: vec![Channel { name: format!("house/{key}"), device: 0, key: key.into() }],
            buses: vec![],
            circuits: vec![],
            feeds: vec![],
            accepts: vec![],
            splits: vec![],
            epochs: vec![Epoch { span: Stamp::MIN..Stamp::MAX, plan }],
        })
    }

    fn reading(site: u32, channel: u32, at: i64, value: i64) -> Reading {
        let sample = Sample { at: Stamp(at), value };
        Reading { site: SiteIndex(site), channel: ChannelIndex(channel), sample }
    }

    #[test]
    fn a_minute_of_readings_is_kept_shown_and_closed() {
        let mut engine = Engine::new([(site("m1"), None)]);
        let (mut kept, mut shown, mut minutes) = (0, Vec::new(), Vec::new());
        for second in 1..=66 {
            let mut effects = Vec::new();
            let now = Stamp(second * 10 + 1);
            engine.apply(Event::Reading(reading(0, 0, second * 10, 1234)), now, &mut effects);
            engine.apply(Event::Tick, now, &mut effects);
            engine.apply(Event::Tick, now + Span(3), &mut effects);
            for effect in effects {
                match effect {
                    Effect::Keep(_) => kept += 1,
                    Effect::Live(_, flows, _) => shown.push(flows),
                    Effect::Minute(site, minute) => minutes.push((site, minute)),
                    Effect::Late(..) => panic!("nothing is late"),
                }
            }
        }
        assert_eq!(kept, 66);
        assert_eq!(shown.len(), 66, "once a tick, however often time passes");
        assert_eq!(shown[0].watts(FigureKey::Grid), Some(Watts(123.4)));
        assert_eq!(minutes.len(), 1);
        assert_eq!(minutes[0].1.rows[0].1.energy_in.0, 1234 * 600);
        assert_eq!(engine.accounted(), Some(Stamp(640)));
    }

    #[test]
    fn a_late_reading_is_kept_and_its_minute_named() {
        let mut engine = Engine::new([(site("m1"), None)]);
        let mut effects = Vec::new();
        for second in (1..=70).filter(|second| *second != 30) {
            engine.apply(Event::Reading(reading(0, 0, second * 10, 100)), Stamp(second * 10), &mut effects);
            engine.apply(Event::Tick, Stamp(second * 10), &mut effects);
        }
        effects.clear();
        engine.apply(Event::Reading(reading(0, 0, 300, 100)), Stamp(700), &mut effects);
        assert_eq!(effects, vec![Effect::Keep(reading(0, 0, 300, 100))]);
        for second in 71..=130 {
            engine.apply(Event::Reading(reading(0, 0, second * 10, 100)), Stamp(second * 10), &mut effects);
            engine.apply(Event::Tick, Stamp(second * 10), &mut effects);
        }
        assert!(effects.contains(&Effect::Late(SiteIndex(0), Stamp(0)..Stamp(600))));
    }

    #[test]
    fn readings_of_what_is_gone_have_no_effect() {
        let mut engine = Engine::new([(site("m1"), None)]);
        let mut effects = Vec::new();
        engine.apply(Event::Reading(reading(0, 7, 10, 1)), Stamp(10), &mut effects);
        engine.apply(Event::Reading(reading(3, 0, 10, 1)), Stamp(10), &mut effects);
        assert_eq!(effects, vec![]);
    }

    #[test]
    fn a_charger_is_led_and_its_advice_comes_with_the_figures() {
        let map = r#"site = "barn"
time_zone = "UTC"
[service]
system = "split-phase 120/240"
[[device]]
id = "house"
topic = "t/{channel}"
unit = "W"
every_s = 1
[[feed]]
bus = "main"
channels = ["house/m1"]
[[circuit]]
id = "car"
end_use = "EV charging"
breaker_a = 50
channels = ["house/1"]
[[ev]]
circuit = "car"
minimum_off_s = 0
"#;
        let site = crate::site::parse("barn.toml", map).site.expect("the map is sound");
        let mut engine = Engine::new([(Arc::new(site), None)]);
        let command = Command { ev: EvIndex(0), order: Order::Mode(Mode::Full) };
        assert_eq!(engine.command(SiteIndex(3), command, Stamp(0)), Err(Refused::NoSuchCharger));
        let settings = engine.command(SiteIndex(0), command, Stamp(0)).expect("there is such a charger");
        assert_eq!(settings.mode, Mode::Full);
        let mut effects = Vec::new();
        for second in 1..=3 {
            engine.apply(Event::Reading(reading(0, 0, second * 10, 100)), Stamp(second * 10), &mut effects);
            engine.apply(Event::Reading(reading(0, 1, second * 10, 0)), Stamp(second * 10), &mut effects);
            effects.clear();
            engine.apply(Event::Tick, Stamp(second * 10), &mut effects);
        }
        let advised = effects.iter().find_map(|effect| match effect {
            Effect::Live(_, _, guidance) => Some(guidance.advice[0].current_a),
            _ => None,
        });
        assert_eq!(advised, Some(40.0), "80 % of 50 A");
    }

    #[test]
    fn a_replaced_map_shows_the_channel_that_it_knows() {
        let mut engine = Engine::new([(site("m1"), None)]);
        let mut effects = Vec::new();
        engine.apply(Event::Reading(reading(0, 0, 10, 1)), Stamp(10), &mut effects);
        engine.replace(&[site("m2"), site("m1")]);
        assert_eq!(engine.stale(SiteIndex(0), Stamp(11)), vec![ChannelIndex(0)], "another CT");
        assert_eq!(engine.stale(SiteIndex(1), Stamp(11)), vec![ChannelIndex(0)], "never heard");
    }
}
