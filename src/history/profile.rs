//! The typical day: mean power by the quarter-hour of the local clock and by weekday.
//!
//! A quarter-hour counts where the local clock shows it: on the day on which the clock goes back
//! those that come twice count twice, on the day on which it goes forward those that do not come
//! do not count. A mean is that of the time in which the figure is known, with the share that this
//! is and the number of days that are in it.

use std::ops::Range;

use super::energy::by_epoch;
use super::plan::{Plans, Verdict};
use super::week::{SLOTS, Stretch, WeekSums, slot_of};
use super::{Amount, Source, energy_of};
use crate::calendar::{Interval, LocalDay, Zone};
use crate::site::{FigureKey, Site};
use crate::units::{Span, Stamp};

/// Quarter-hours of a local day of 24 h.
pub const QUARTERS: usize = 96;
/// Days of a week, from Monday.
pub const WEEKDAYS: usize = 7;

/// What is known of one quarter-hour of one weekday.
#[derive(Clone, Copy, Debug, Default, PartialEq, Eq)]
pub struct Slot {
    /// The energy of all days together, and for how long it is known.
    pub amount: Amount,
    /// How long the quarter-hours together lasted.
    pub length: Span,
    /// On how many days something is known.
    pub days: u32,
    last: Option<LocalDay>,
}

impl Slot {
    /// So long it was shown, known or not.
    fn last_longer(&mut self, length: Span) {
        self.length = Span(self.length.0 + length.0);
    }

    /// What is known of one quarter-hour.
    fn know(&mut self, day: LocalDay, amount: Amount) {
        self.amount += amount;
        if amount.covered > Span::ZERO && self.last != Some(day) {
            self.last = Some(day);
            self.days += 1;
        }
    }

    /// Slots of different days as one.
    pub fn with(mut self, other: Self) -> Self {
        self.amount += other.amount;
        self.length = Span(self.length.0 + other.length.0);
        self.days += other.days;
        self
    }

    /// Mean power in W; `None` where nothing is known.
    pub fn mean_w(&self) -> Option<f64> {
        self.amount.mean_w()
    }

    /// The share of its time that is known, 0 to 1.
    pub fn coverage(&self) -> f64 {
        self.amount.coverage(self.length)
    }
}

/// The typical day of every figure.
#[derive(Clone, Debug)]
pub struct Profile {
    /// What it is made of: whole quarter-hours.
    pub range: Range<Stamp>,
    /// Each figure that the map defines in the range, by key: by weekday from Monday, then by
    /// quarter-hour.
    pub figures: Figures,
}

/// Slots by weekday and quarter-hour, of each figure: all in one piece of memory, so that a question takes none from
/// the system that the one before gave back.
type Figures = Vec<(FigureKey, [[Slot; QUARTERS]; WEEKDAYS])>;

impl Profile {
    /// The slots of a figure by quarter-hour, all days together.
    pub fn all_days(days: &[[Slot; QUARTERS]; WEEKDAYS]) -> [Slot; QUARTERS] {
        let mut all = [Slot::default(); QUARTERS];
        for day in days {
            for (sum, slot) in all.iter_mut().zip(day) {
                *sum = sum.with(*slot);
            }
        }
        all
    }
}

/// The typical day over `range`, which snaps outwards to quarter-hours. It is read a month at a time, or
/// from sums that the source has kept, so that what is held does not grow with the range.
///
/// # Errors
/// What the source fails with.
pub fn profile<S: Source>(
    site: &Site,
    zone: &Zone,
    source: &mut S,
    range: Range<Stamp>,
) -> Result<Profile, S::Error> {
    profile_of(site, zone, source, range, None)
}

/// The same of some figures alone.
///
/// # Errors
/// What the source fails with.
pub fn profile_of<S: Source>(
    site: &Site,
    zone: &Zone,
    source: &mut S,
    range: Range<Stamp>,
    only: Option<&[FigureKey]>,
) -> Result<Profile, S::Error> {
    let range = range.start.floor(Span::QUARTER)..(range.end - Span(1)).floor(Span::QUARTER) + Span::QUARTER;
    let plans = Plans::of(site, only);
    let figures = plans.keys.iter().map(|key| (*key, [[Slot::default(); QUARTERS]; WEEKDAYS])).collect();
    let defined = vec![false; plans.keys.len()];
    let mut reckoning = Reckoning { site, zone, source, plans, figures, defined, begins: None };
    reckoning.run(&range)?;
    let Reckoning { mut figures, defined, .. } = reckoning;
    let mut defined = defined.into_iter();
    figures.retain(|_| defined.next().unwrap_or(false));
    Ok(Profile { range, figures })
}

/// For each slot of the week the sums of an epoch (indices into its plan) that are asked for.
type Wanted = Vec<Vec<usize>>;

/// Sums that are kept of a stretch of one epoch.
struct Kept {
    epoch: usize,
    stretch: Stretch,
    range: Range<Stamp>,
    sums: WeekSums,
}

/// The kept sums of one epoch added up, and the stretches that they are of.
struct Total {
    epoch: usize,
    /// Of every slot, in order: [`WeekSums::room`].
    sums: WeekSums,
    parts: Vec<(Stretch, Range<Stamp>)>,
}

/// The profile as it adds up.
struct Reckoning<'a, S> {
    site: &'a Site,
    zone: &'a Zone,
    source: &'a mut S,
    plans: Plans,
    /// Those of [`Plans::keys`], in their order.
    figures: Figures,
    /// Which of them the map defines at some time in the range.
    defined: Vec<bool>,
    /// Before when nothing is known, once that was asked for.
    begins: Option<Stamp>,
}

impl<S: Source> Reckoning<'_, S> {
    fn run(&mut self, range: &Range<Stamp>) -> Result<(), S::Error> {
        let mut totals: Vec<Total> = Vec::new();
        // What no sums are kept of, as far as it has not been read.
        let mut open = range.start..range.start;
        let mut start = range.start;
        while start < range.end {
            if let Some(Kept { epoch, stretch, range, sums }) = self.longest(start..range.end)? {
                self.read(&open)?;
                (start, open) = (range.end, range.end..range.end);
                let at = totals.iter().position(|total| total.epoch == epoch).unwrap_or_else(|| {
                    totals.push(Total { epoch, sums: WeekSums::room(), parts: Vec::new() });
                    totals.len() - 1
                });
                totals[at].sums.add(&sums);
                totals[at].parts.push((stretch, range));
                continue;
            }
            // To the end of the day; a zone whose days end at no quarter-hour has no say in that.
            let day = Stretch::Day.range(self.zone, start).end + Span(Span::QUARTER.0 - 1);
            open.end = day.floor(Span::QUARTER).max(start + Span::QUARTER).min(range.end);
            start = open.end;
            if Stretch::Month.range(self.zone, open.start).end <= open.end {
                self.read(&open)?;
                open = start..start;
            }
        }
        self.read(&open)?;
        totals.into_iter().try_for_each(|total| self.settle_total(&total))
    }

    /// The longest stretch from the start of `range` on, of which sums are kept and of one epoch alone.
    fn longest(&mut self, range: Range<Stamp>) -> Result<Option<Kept>, S::Error> {
        for stretch in Stretch::ALL {
            let part = stretch.range(self.zone, range.start);
            if part.start != range.start || part.end > range.end {
                continue;
            }
            let epochs = by_epoch(self.site, Interval { start: part.start, end: part.end });
            let [(epoch, whole)] = &epochs[..] else { continue };
            if *whole == part
                && let Some(sums) = self.source.week_sums(stretch, &part)?
            {
                return Ok(Some(Kept { epoch: *epoch, stretch, range: part, sums }));
            }
        }
        Ok(None)
    }

    /// Every quarter-hour of a range by itself.
    fn read(&mut self, range: &Range<Stamp>) -> Result<(), S::Error> {
        if range.is_empty() {
            return Ok(());
        }
        let keys = self.plans.keys.clone();
        for summary in &energy_of(self.site, self.zone, self.source, &quarters(range), Some(&keys))? {
            let (slot, day) = slot_of(self.zone, summary.interval.start);
            for (key, amount) in &summary.figures {
                if let Ok(figure) = keys.binary_search(key) {
                    let slot = self.slot(figure, slot);
                    slot.last_longer(summary.interval.span());
                    slot.know(day, *amount);
                }
            }
        }
        Ok(())
    }

    /// All slots of a figure that the map defines.
    fn slots(&mut self, figure: usize) -> &mut [[Slot; QUARTERS]; WEEKDAYS] {
        self.defined[figure] = true;
        &mut self.figures[figure].1
    }

    fn slot(&mut self, figure: usize, slot: usize) -> &mut Slot {
        &mut self.slots(figure).as_flattened_mut()[slot]
    }

    /// The sums of an epoch that are figures: the one of all totals at once is none.
    fn of_figures(&self, epoch: usize) -> Vec<usize> {
        let sums = self.plans.epochs[epoch].iter().enumerate();
        sums.filter(|(_, sum)| sum.slot < self.plans.keys.len()).map(|(index, _)| index).collect()
    }

    fn settle_total(&mut self, total: &Total) -> Result<(), S::Error> {
        let mut left = self.of_figures(total.epoch);
        left.retain(|index| !self.settle_known(total.epoch, &total.sums, *index));
        let unsettled = self.settle(total.epoch, &total.sums, &vec![left; SLOTS]);
        for (stretch, part) in &total.parts {
            self.look_closer(total.epoch, *stretch, part, &unsettled)?;
        }
        Ok(())
    }

    /// Says how long all slots were shown of a figure, and adds it up if all of them are known; whether they are.
    fn settle_known(&mut self, epoch: usize, sums: &WeekSums, index: usize) -> bool {
        let sum = &self.plans.epochs[epoch][index];
        let (figure, known) = (sum.slot, sum.over_slots(sums));
        let slots = self.slots(figure).as_flattened_mut();
        for (slot, length) in slots.iter_mut().zip(&sums.lengths) {
            slot.last_longer(Span(*length));
        }
        let Some(energy) = known else { return false };
        for ((slot, energy), (length, days)) in
            slots.iter_mut().zip(energy).zip(sums.lengths.iter().zip(&sums.days))
        {
            if *length != 0 {
                slot.amount += Amount { energy, covered: Span(*length) };
                slot.days += *days as u32;
            }
        }
        true
    }

    /// Adds up what these sums can tell of those that are wanted, and returns those that only finer ones can.
    fn settle(&mut self, epoch: usize, sums: &WeekSums, wanted: &Wanted) -> Wanted {
        let mut unsettled = vec![Vec::new(); SLOTS];
        let mut rows = vec![None; self.site.series_len()];
        for (place, slot) in sums.slots.iter().map(|slot| usize::from(*slot)).enumerate() {
            if wanted[slot].is_empty() || sums.lengths[place] == 0 {
                continue;
            }
            for known in &sums.series {
                rows[known.series.0 as usize] = known.row(place, sums.lengths[place]);
            }
            for index in &wanted[slot] {
                let sum = &self.plans.epochs[epoch][*index];
                let figure = sum.slot;
                match sum.over(&rows, Span(sums.lengths[place]), false) {
                    Verdict::Known(amount) => {
                        let alone = sum.alone().and_then(|series| {
                            let at = sums.series.binary_search_by_key(&series, |known| known.series).ok()?;
                            Some(sums.days[place] - sums.series[at].unknown.at(place))
                        });
                        let slot = self.slot(figure, slot);
                        slot.amount += amount;
                        slot.days += alone.unwrap_or(sums.days[place]) as u32;
                    }
                    Verdict::Unknown => {}
                    Verdict::Finer => unsettled[slot].push(*index),
                }
            }
        }
        unsettled
    }

    /// Adds up of a stretch what its sums could not tell together with those of others.
    fn look_closer(
        &mut self,
        epoch: usize,
        stretch: Stretch,
        range: &Range<Stamp>,
        wanted: &Wanted,
    ) -> Result<(), S::Error> {
        if wanted.iter().all(Vec::is_empty) {
            return Ok(());
        }
        let kept = self.source.week_sums(stretch, range)?;
        if kept.is_none() && range.end <= self.begins()? {
            // The months of a year before its first reading, say: nothing more can be told of them.
            return Ok(());
        }
        let unsettled = kept.map(|sums| self.settle(epoch, &sums, wanted));
        let wanted = unsettled.as_ref().unwrap_or(wanted);
        let Some(finer) = stretch.finer() else { return self.read_some(epoch, range, wanted) };
        let mut start = range.start;
        while start < range.end {
            let part = finer.range(self.zone, start);
            self.look_closer(epoch, finer, &part, wanted)?;
            start = part.end;
        }
        Ok(())
    }

    /// Before when the source has nothing, if it says.
    fn begins(&mut self) -> Result<Stamp, S::Error> {
        if let Some(begins) = self.begins {
            return Ok(begins);
        }
        let begins = self.source.begins()?.unwrap_or(Stamp::MIN);
        self.begins = Some(begins);
        Ok(begins)
    }

    /// Those quarter-hours of a range in which some sums are wanted, and of those sums alone.
    fn read_some(&mut self, epoch: usize, range: &Range<Stamp>, wanted: &Wanted) -> Result<(), S::Error> {
        let mut quarters = quarters(range);
        quarters.retain(|quarter| !wanted[slot_of(self.zone, quarter.start).0].is_empty());
        let figure_of = |index: &usize| self.plans.epochs[epoch][*index].slot;
        let wanted: Vec<Vec<usize>> =
            wanted.iter().map(|some| some.iter().map(figure_of).collect()).collect();
        let figures: std::collections::BTreeSet<usize> = wanted.iter().flatten().copied().collect();
        let keys: Vec<FigureKey> = figures.iter().map(|figure| self.plans.keys[*figure]).collect();
        for summary in &energy_of(self.site, self.zone, self.source, &quarters, Some(&keys))? {
            let (slot, day) = slot_of(self.zone, summary.interval.start);
            for (key, amount) in &summary.figures {
                if let Ok(figure) = self.plans.keys.binary_search(key)
                    && wanted[slot].contains(&figure)
                {
                    self.slot(figure, slot).know(day, *amount);
                }
            }
        }
        Ok(())
    }
}

/// The quarter-hours that begin in `range`.
fn quarters(range: &Range<Stamp>) -> Vec<Interval> {
    let mut found = Vec::new();
    let mut start = range.start;
    while start < range.end {
        let end = start + Span::QUARTER;
        found.push(Interval { start, end });
        start = end;
    }
    found
}
