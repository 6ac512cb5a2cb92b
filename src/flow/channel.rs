//! One channel's readings as stretches of time that they cover.
//!
//! A mean covers the span behind it, an instant holds until the next, a counter's difference lies
//! between its two readings. What lies further apart than `max_gap` is covered by nobody: a mean
//! then stands for its own nominal period only, an instant ends, and a counter's energy is known
//! while its coverage is not.

use std::collections::VecDeque;

use crate::reading::Sample;
use crate::site::{Device, ReadingKind, Unit};
use crate::units::{CENTIJOULES_PER_WH, Energy, Span, Stamp};

/// How a channel's readings cover time; from its device.
#[derive(Clone, Copy, Debug, PartialEq)]
pub(super) struct Coverage {
    kind: Kind,
    pub every: Span,
    pub max_gap: Span,
    pub stale_after: Span,
}

#[derive(Clone, Copy, Debug, PartialEq)]
enum Kind {
    Mean,
    Instant,
    /// A counter in 0.1 Wh, and where it starts again at 0.
    Counter(Option<i64>),
}

impl Coverage {
    pub fn of(device: &Device) -> Self {
        let kind = match (device.unit, device.reading) {
            (Unit::Wh { rolls_over_at_wh } | Unit::KWh { rolls_over_at_wh }, _) => {
                Kind::Counter(rolls_over_at_wh.map(|wh| (wh * 10.0).round() as i64))
            }
            (_, ReadingKind::Mean) => Kind::Mean,
            (_, ReadingKind::Instant) => Kind::Instant,
        };
        Self { kind, every: device.every, max_gap: device.max_gap, stale_after: device.stale_after }
    }
}

impl Coverage {
    /// Of a counter: where it starts again at 0, if it does. `None` where it is no counter.
    pub fn rolls_over_at(&self) -> Option<Option<i64>> {
        if let Kind::Counter(rolls) = self.kind { Some(rolls) } else { None }
    }
}

/// A stretch of time that a reading speaks for.
#[derive(Clone, Copy, Debug, PartialEq)]
struct Piece {
    from: Stamp,
    to: Stamp,
    what: What,
}

#[derive(Clone, Copy, Debug, PartialEq)]
enum What {
    /// Tenths of a watt, all along.
    Power(i64),
    /// An energy spread evenly; `known` says whether the time counts as covered.
    Spread { energy: Energy, known: bool },
}

/// What a channel did in one tick.
#[derive(Clone, Copy, Debug, Default, PartialEq)]
pub(super) struct Tick {
    pub energy_in: i64,
    pub energy_out: i64,
    pub covered: i64,
    pub min: i32,
    pub max: i32,
    /// Energy of the covered part only: a gap that a counter bridges is not in it.
    pub known: i64,
}

impl Tick {
    fn add(&mut self, energy: i64, covered: i64, power: i64) {
        self.energy_in += energy.max(0);
        self.energy_out += (-energy).max(0);
        if covered > 0 {
            let power = power.clamp(i64::from(i32::MIN), i64::from(i32::MAX)) as i32;
            let first = self.covered == 0;
            self.min = if first { power } else { self.min.min(power) };
            self.max = if first { power } else { self.max.max(power) };
            self.covered += covered;
            self.known += energy;
        }
    }
}

/// What became of a reading that was pushed.
#[derive(Clone, Copy, Debug, PartialEq, Eq)]
pub(super) enum Pushed {
    /// It lies ahead of what is accounted.
    Ahead,
    /// It (also) changes what was accounted already, from this moment on.
    Behind(Stamp),
    /// It was there already.
    Again,
}

/// A channel's readings that are not wholly accounted yet, in order.
#[derive(Clone, Debug)]
pub(super) struct Readings {
    pub coverage: Coverage,
    pending: VecDeque<Sample>,
    /// The newest reading that is wholly accounted: where the next one's span begins.
    before: Option<Sample>,
    /// The newest by event time, and the power that it shows (a counter's by its last difference).
    latest: Option<(Stamp, Option<i64>)>,
}

impl Readings {
    pub fn new(coverage: Coverage) -> Self {
        Self { coverage, pending: VecDeque::new(), before: None, latest: None }
    }

    /// Event time of the newest reading.
    pub fn newest(&self) -> Option<Stamp> {
        self.latest.map(|(at, _)| at)
    }

    /// Event time of the newest reading that is not after `until`, among those that still matter.
    pub fn newest_until(&self, until: Stamp) -> Option<Stamp> {
        let pending = self.pending.iter().rev().find(|sample| sample.at <= until);
        pending.or(self.before.as_ref()).map(|sample| sample.at)
    }

    /// The readings that are not wholly accounted yet.
    pub fn samples(&self) -> impl Iterator<Item = Sample> + '_ {
        self.pending.iter().copied()
    }

    /// How many of them there are from one moment to another.
    pub fn count_between(&self, from: Stamp, to: Stamp) -> usize {
        let before = |at: Stamp| self.pending.partition_point(|sample| sample.at < at);
        before(to).saturating_sub(before(from))
    }

    /// Event time of the reading before `at`, among those that still matter.
    pub fn earlier(&self, at: Stamp) -> Option<Stamp> {
        let pending = self.pending.iter().rev().find(|sample| sample.at < at);
        pending.or(self.before.as_ref()).map(|sample| sample.at).filter(|earlier| *earlier < at)
    }

    /// Power in 0.1 W as last read, unless that is stale.
    pub fn live(&self, now: Stamp) -> Option<i64> {
        let (at, power) = self.latest?;
        if now - at > self.coverage.stale_after { None } else { power }
    }

    /// Takes a reading in, whatever its order. `accounted` is where the open ticks begin.
    pub fn push(&mut self, sample: Sample, accounted: Option<Stamp>) -> Pushed {
        self.show(sample);
        let index = self.pending.partition_point(|other| other.at < sample.at);
        if let Some(other) = self.pending.get_mut(index)
            && other.at == sample.at
        {
            if other.value == sample.value {
                return Pushed::Again;
            }
            other.value = sample.value;
        } else if self.before.is_some_and(|before| sample.at <= before.at) {
            // Wholly behind: the store holds it, and recounts the minutes that it touches.
            let again = self.before == Some(sample);
            return if again { Pushed::Again } else { Pushed::Behind(self.reach(sample.at)) };
        } else {
            self.pending.insert(index, sample);
        }
        let Some(accounted) = accounted else { return Pushed::Ahead };
        let earlier = if index > 0 { self.pending.get(index - 1) } else { self.before.as_ref() };
        let from = match self.coverage.kind {
            Kind::Instant => sample.at,
            _ => self.starts(sample.at, earlier.map(|before| before.at)),
        };
        // Normally its span begins where the newest one ended, which is never accounted before it
        // came; only a straggler, or the return of a silent channel, reaches back.
        if from < accounted { Pushed::Behind(from) } else { Pushed::Ahead }
    }

    /// Takes in readings that are in order and newer than all before.
    pub fn extend(&mut self, samples: &[Sample]) {
        self.pending.extend(samples);
    }

    /// Where the span of a mean or a counter's difference at `at` begins.
    fn starts(&self, at: Stamp, before: Option<Stamp>) -> Stamp {
        let nominal = at - self.coverage.every;
        match (self.coverage.kind, before) {
            (Kind::Counter(_), before) => before.unwrap_or(at),
            (_, Some(before)) if at - before <= self.coverage.max_gap => before,
            (_, Some(before)) => before.max(nominal),
            (_, None) => nominal,
        }
    }

    /// The earliest moment that a reading at `at` can say something of.
    fn reach(&self, at: Stamp) -> Stamp {
        at - self.coverage.max_gap.max(self.coverage.every)
    }

    fn show(&mut self, sample: Sample) {
        match self.latest {
            Some((at, _)) if sample.at <= at => {}
            previous => {
                let power = match self.coverage.kind {
                    Kind::Counter(rolls) => previous.and_then(|(at, _)| {
                        let last = self.last_value(at)?;
                        let grown = grown(last, sample.value, rolls)?;
                        Some(grown.0 / (sample.at - at).0.max(1))
                    }),
                    _ => Some(sample.value),
                };
                self.latest = Some((sample.at, power));
            }
        }
    }

    fn last_value(&self, at: Stamp) -> Option<i64> {
        let last = self.pending.back().or(self.before.as_ref())?;
        (last.at == at).then_some(last.value)
    }

    /// Where the first stretch that is not accounted begins, if there is any.
    pub fn next_from(&self) -> Option<Stamp> {
        self.front().map(|piece| piece.from)
    }

    /// What happened in `[from, to)`; readings that end in it are done with. Calls must go forward
    /// in time without a gap or an overlap.
    pub fn tick(&mut self, from: Stamp, to: Stamp) -> Tick {
        let mut tick = Tick::default();
        while let Some(piece) = self.front() {
            if piece.from >= to {
                break;
            }
            let (start, end) = (piece.from.max(from), piece.to.min(to));
            if start < end {
                let span = end - start;
                match piece.what {
                    What::Power(power) => tick.add(power * span.0, span.0, power),
                    What::Spread { energy, known } => {
                        let part = share(energy, piece.from..piece.to, end).0
                            - share(energy, piece.from..piece.to, start).0;
                        tick.add(part, if known { span.0 } else { 0 }, part / span.0);
                    }
                }
            }
            if piece.to > to {
                break;
            }
            self.before = self.pending.pop_front();
        }
        tick
    }

    /// Drops what ends before `start`, so that accounting can begin there.
    pub fn begin(&mut self, start: Stamp) {
        self.tick(Stamp::MIN, start);
    }

    /// The stretch of the oldest pending reading; the reading is done with at its end.
    fn front(&self) -> Option<Piece> {
        let sample = *self.pending.front()?;
        let starts = || self.starts(sample.at, self.before.map(|before| before.at));
        Some(match self.coverage.kind {
            Kind::Instant => {
                let end = sample.at + self.coverage.max_gap;
                let next = self.pending.get(1).map_or(Stamp::MAX, |next| next.at);
                Piece { from: sample.at, to: end.min(next), what: What::Power(sample.value) }
            }
            Kind::Mean => Piece { from: starts(), to: sample.at, what: What::Power(sample.value) },
            Kind::Counter(rolls) => {
                let counted = self.before.and_then(|before| grown(before.value, sample.value, rolls));
                match counted {
                    Some(energy) => {
                        let known = sample.at - starts() <= self.coverage.max_gap;
                        Piece { from: starts(), to: sample.at, what: What::Spread { energy, known } }
                    }
                    // The first reading of a counter, or the first after a reset, is only a start.
                    None => Piece { from: sample.at, to: sample.at, what: What::Power(0) },
                }
            }
        })
    }
}

/// How much a counter (0.1 Wh) grew; `None` where it was reset, since what it had counted by then
/// is not known.
pub(super) fn grown(before: i64, after: i64, rolls_over_at: Option<i64>) -> Option<Energy> {
    let difference = if after >= before {
        after - before
    } else {
        // Near the top before and near the bottom after: a roll-over. Anything else is a reset.
        let top = rolls_over_at?;
        if before < top - top / 10 || after > top / 10 {
            return None;
        }
        top - before + after
    };
    Some(Energy(difference * (CENTIJOULES_PER_WH / 10)))
}

/// The part of an energy that falls before `until`, rounded down so that parts add up exactly.
fn share(energy: Energy, over: std::ops::Range<Stamp>, until: Stamp) -> Energy {
    let span = i128::from((over.end - over.start).0);
    Energy((i128::from(energy.0) * i128::from((until - over.start).0) / span) as i64)
}
