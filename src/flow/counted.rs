//! Power and a counter of one CT side by side: energy comes from the counter, its shape from the power.
//!
//! A count is taken at the first reading of each hour of UTC: counters step by whole watt-hours or coarser, so what
//! they say of a minute is mostly their step, while from hour to hour it is energy. Between two such counts is a
//! *stretch*. Its energy is what the counter grew, shared out over its ticks in proportion to their power, in
//! integers and with what a division leaves carried on, so that the ticks of a stretch add up to it exactly.
//!
//! A device that counts what flows out apart has a second counter, whose stretches are shared out in the same way
//! over the power below 0. What flows in and what flows out are each their own counter's, so the CT's net is import
//! less export, and either counter can be reset, roll over or fall silent without touching the other.
//!
//! A stretch whose second count has not come yet is booked by its power alone, and counted again when it has come.
//! Which readings are counts depends on nothing but the readings, so the same readings give the same rows.

use std::collections::VecDeque;
use std::ops::Range;

use super::channel::{Coverage, Readings, Tick, grown};
use crate::reading::Sample;
use crate::site::{Device, Site, SplitRule};
use crate::units::{CENTIJOULES_PER_WH, Energy, Span, Stamp};

/// How far apart counts are taken.
const APART: Span = Span::HOUR;

/// The longest stretch that a counter speaks for: a counter's neighbours are looked for that far.
pub const LONGEST: Span = Span(31 * Span::DAY.0);

/// The most readings of power in one stretch: a day and an hour of one a second. A counter that is away for
/// longer while the power goes on says nothing of that time; so what one stretch takes in memory is bounded
/// (1.4 MB a CT).
pub const MOST: usize = 90_000;

/// What a counter may be off beyond a factor of two before it is not believed: the coarsest meters count
/// 0.1 kWh a step.
const SLACK: i64 = 100 * CENTIJOULES_PER_WH;

/// 10 MW, in 0.1 W: no panel has it, so a counter that grew by more was exchanged.
const MAX_POWER: i64 = 100_000_000;

/// The count of an hour is its first reading: whether `sample` is one, and `before` the reading before it.
pub fn is_count(before: Option<Stamp>, sample: Stamp) -> bool {
    before.is_none_or(|before| before.floor(APART) != sample.floor(APART))
}

/// From one count to the next.
#[derive(Clone, Copy, Debug, PartialEq)]
struct Stretch {
    from: Stamp,
    to: Stamp,
    energy: i64,
}

/// The stretches of a counter's readings, of which the first is the first of its hour. A count is taken at the
/// start of the second that it falls into. Where the counter was reset in between there is none.
fn stretches(samples: impl Iterator<Item = Sample>, rolls_over_at: Option<i64>) -> Vec<Stretch> {
    let mut all = Vec::new();
    let mut count: Option<Sample> = None;
    let mut before: Option<Sample> = None;
    let mut energy = Some(0);
    for sample in samples {
        let more = before.and_then(|before| grown(before.value, sample.value, rolls_over_at));
        energy = energy.zip(more).map(|(energy, more)| energy + more.0);
        if is_count(before.map(|before| before.at), sample.at) {
            if let (Some(count), Some(energy)) = (count, energy) {
                let (from, to) = (count.at.floor(Span::TICK), sample.at.floor(Span::TICK));
                let span = to - from;
                if span > Span::ZERO && span <= LONGEST && energy <= MAX_POWER * span.0 {
                    all.push(Stretch { from, to, energy });
                }
            }
            count = Some(sample);
            energy = Some(0);
        }
        before = Some(sample);
    }
    all
}

/// Which way it flows.
#[derive(Clone, Copy, Debug, PartialEq, Eq)]
enum Way {
    In,
    Out,
}

impl Way {
    /// Energy of a tick that flowed this way.
    fn of(self, tick: &Tick) -> i64 {
        match self {
            Self::In => tick.energy_in,
            Self::Out => tick.energy_out,
        }
    }
}

/// What the power says of a stretch.
#[derive(Clone, Copy, Debug, Default, PartialEq)]
struct Seen {
    /// Energy that flowed that way, and how much of the stretch is known, in 0.1 s.
    energy: i64,
    covered: i64,
    /// The same up to the moment that was asked for.
    energy_before: i64,
    covered_before: i64,
}

/// Looks at the power of a stretch; `power` is left at its end. `at` is a whole second.
fn look(power: &mut Readings, way: Way, stretch: &Stretch, at: Stamp) -> Seen {
    let mut seen = Seen::default();
    power.begin(stretch.from);
    let mut tick = stretch.from;
    while tick < stretch.to {
        // Silence is passed over at once.
        let next = power.next_from().map_or(stretch.to, |next| next.floor(Span::TICK).min(stretch.to));
        if next > tick {
            tick = next;
            continue;
        }
        let found = power.tick(tick, tick + Span::TICK);
        seen.energy += way.of(&found);
        seen.covered += found.covered;
        if tick < at {
            seen.energy_before += way.of(&found);
            seen.covered_before += found.covered;
        }
        tick = tick + Span::TICK;
    }
    seen
}

/// Whether the counter can be believed beside a power that is known all along: a step up by more was an exchange
/// of the device, one that fell behind by more was away or is broken.
fn believed(counter: i64, power: i64) -> bool {
    power / 2 - SLACK <= counter && counter <= 2 * power + SLACK
}

/// How the energy of a stretch is shared out over its ticks, and how far that has come.
#[derive(Clone, Copy, Debug, PartialEq)]
struct Shares {
    from: Stamp,
    to: Stamp,
    /// What goes to where the power is known, and to where it is not.
    known: i64,
    unknown: i64,
    seen: Seen,
}

impl Shares {
    fn of(stretch: &Stretch, seen: Seen) -> Option<Self> {
        let Stretch { from, to, energy } = *stretch;
        let gap = (to - from).0 - seen.covered;
        let known = if gap == 0 {
            if !believed(energy, seen.energy) {
                return None;
            }
            energy
        } else {
            if energy < seen.energy / 2 - SLACK {
                return None;
            }
            // The known part is taken to be off as the whole is, if the gap were like the rest, but by no more than a
            // tenth: what the counter grew beyond that was in the gap.
            let like = match seen.covered {
                0 => 0,
                covered => seen.energy + part(seen.energy, gap, covered),
            };
            let scaled = if like == 0 { 0 } else { part(energy, seen.energy, like) };
            let tenth = seen.energy / 10;
            scaled.clamp(seen.energy - tenth, seen.energy + tenth).min(energy)
        };
        let unknown = energy - known;
        Some(Self { from, to, known, unknown, seen })
    }

    /// What the stretch has given out when so much energy and coverage has passed, by the end of `at`.
    fn given(&self, energy: i64, covered: i64, at: Stamp) -> (i64, i64) {
        let (length, passed) = ((self.to - self.from).0, (at - self.from).0);
        let gap = length - self.seen.covered;
        let unknown = if gap == 0 { 0 } else { part(self.unknown, passed - covered, gap) };
        let known = match self.seen.energy {
            // The power shows nothing, and the counter counts: evenly, then.
            0 => part(self.known, passed, length),
            whole => part(self.known, energy, whole),
        };
        (known, unknown)
    }

    /// What the tick at `at` gets, of which the power says so much energy and coverage: for where the power is
    /// known, and for where it is not.
    fn tick(&mut self, at: Stamp, energy: i64, covered: i64) -> (i64, i64) {
        let before = self.given(self.seen.energy_before, self.seen.covered_before, at);
        self.seen.energy_before += energy;
        self.seen.covered_before += covered;
        let after = self.given(self.seen.energy_before, self.seen.covered_before, at + Span::TICK);
        (after.0 - before.0, after.1 - before.1)
    }
}

/// `energy` × `numerator` / `denominator`, rounded down, so that parts of a running sum add up exactly.
fn part(energy: i64, numerator: i64, denominator: i64) -> i64 {
    (i128::from(energy) * i128::from(numerator) / i128::from(denominator)) as i64
}

/// One CT that has both: by position among the channels.
#[derive(Clone, Debug)]
pub(super) struct Counted {
    pub power: usize,
    counter: usize,
    export: Option<usize>,
    imported: VecDeque<Shares>,
    exported: VecDeque<Shares>,
}

impl Counted {
    /// Those of a site, by the index of their split.
    pub fn of(site: &Site) -> Vec<Option<Self>> {
        let mut all: Vec<Option<Self>> = vec![None; site.splits.len()];
        for (index, rule) in site.epochs.iter().flat_map(|epoch| &epoch.plan.splits) {
            if let SplitRule::Counted { power, counter, export } = rule {
                let (power, counter) = (power.0 as usize, counter.0 as usize);
                let known = all[*index].take().and_then(|known| known.export);
                let export = export.map(|export| export.0 as usize).or(known);
                let (imported, exported) = (VecDeque::new(), VecDeque::new());
                all[*index] = Some(Self { power, counter, export, imported, exported });
            }
        }
        all
    }

    /// Whether that channel is one of its counters.
    pub fn counts(&self, channel: usize) -> bool {
        self.counter == channel || self.export == Some(channel)
    }

    /// Makes ready for the ticks of `range` from readings of all channels that are all at hand.
    pub fn prepare(&mut self, readings: &[Readings], range: &Range<Stamp>) {
        let power = &readings[self.power];
        self.imported = shares(power, &readings[self.counter], Way::In, range);
        self.exported =
            self.export.map(|export| shares(power, &readings[export], Way::Out, range)).unwrap_or_default();
    }

    /// What the CT did in the tick at `at`, of which the power says `power`; `exports` tells whether the map
    /// of that moment has the counter of export. Ticks come in order.
    pub fn tick(&mut self, at: Stamp, power: &Tick, exports: bool) -> Tick {
        let (known_in, unknown_in) = share(&mut self.imported, at, power.energy_in, power.covered);
        let (known_out, unknown_out) = match exports {
            true => share(&mut self.exported, at, power.energy_out, power.covered),
            false => (power.energy_out, 0),
        };
        Tick {
            energy_in: known_in + unknown_in,
            energy_out: known_out + unknown_out,
            known: known_in - known_out,
            ..*power
        }
    }
}

/// How the energy of the stretches of one counter that touch `range` is shared out.
fn shares(power: &Readings, counter: &Readings, way: Way, range: &Range<Stamp>) -> VecDeque<Shares> {
    let mut shares = VecDeque::new();
    let Some(rolls) = counter.coverage.rolls_over_at() else { return shares };
    let mut power = power.clone();
    for stretch in stretches(counter.samples(), rolls) {
        if stretch.to <= range.start || stretch.from >= range.end {
            continue;
        }
        if power.count_between(stretch.from, stretch.to) > MOST {
            continue;
        }
        let seen = look(&mut power, way, &stretch, range.start);
        shares.extend(Shares::of(&stretch, seen));
    }
    shares
}

/// What a tick gets of its stretch, for where the power is known and for where it is not; what the power
/// says where there is no stretch.
fn share(shares: &mut VecDeque<Shares>, at: Stamp, energy: i64, covered: i64) -> (i64, i64) {
    while shares.front().is_some_and(|shares| shares.to <= at) {
        shares.pop_front();
    }
    match shares.front_mut() {
        Some(shares) if shares.from <= at => shares.tick(at, energy, covered),
        _ => (energy, 0),
    }
}

/// A stretch of which both the counter and the power know all.
#[derive(Clone, Debug, PartialEq, Eq)]
pub struct Compared {
    /// From one count to the next.
    pub range: Range<Stamp>,
    /// What the counter grew.
    pub counter: Energy,
    /// What the power comes to, above 0 W; for a counter of what flows out, below.
    pub power: Energy,
    /// Whether the counter was close enough to be taken.
    pub believed: bool,
}

/// Holds the two against each other, stretch by stretch; `exports` for a counter of what flows out. The first
/// reading of the counter has to be the first of its hour.
pub fn compare(power: (&Device, &[Sample]), counter: (&Device, &[Sample]), exports: bool) -> Vec<Compared> {
    let way = if exports { Way::Out } else { Way::In };
    let Some(rolls) = Coverage::of(counter.0).rolls_over_at() else { return Vec::new() };
    let mut readings = Readings::new(Coverage::of(power.0));
    readings.extend(power.1);
    let mut all = Vec::new();
    for stretch in stretches(counter.1.iter().copied(), rolls) {
        if readings.count_between(stretch.from, stretch.to) > MOST {
            continue;
        }
        let seen = look(&mut readings, way, &stretch, stretch.from);
        if seen.covered == (stretch.to - stretch.from).0 {
            all.push(Compared {
                range: stretch.from..stretch.to,
                counter: Energy(stretch.energy),
                power: Energy(seen.energy),
                believed: believed(stretch.energy, seen.energy),
            });
        }
    }
    all
}
