//! The names of sites and series, and their rows in the file.
//!
//! A map can be changed and its channels renumbered; a name's row stays. So what is kept goes by
//! rows, and what comes in and goes out by the positions of the map in force.

use std::collections::BTreeSet;
use std::ops::Range;
use std::sync::Arc;

use rusqlite::{Connection, OptionalExtension, params};
use rustc_hash::FxHashMap;

use crate::calendar::Zone;
use crate::history::DayRules;
use crate::reading::SiteIndex;
use crate::site::{SeriesIndex, Site, SplitRule};
use crate::units::{Span, Stamp};

use super::recount::{fill_hours, rezone};
use super::rule::Rules;
use super::{Result, record};

/// Names no row: what an offline reader sees of a site or series that has nothing stored yet.
pub(super) const NO_ROW: i64 = 0;

/// A site under its map in force, and its rows.
#[derive(Clone, Debug)]
pub(super) struct Entry {
    /// The map.
    pub site: Arc<Site>,
    /// Row of `site`.
    pub row: i64,
    /// Row of `series` by [`SeriesIndex`].
    pub series: Vec<i64>,
    /// The zone of its days and months.
    pub zone: Zone,
    /// The file's days and months are still those of another zone: the map was changed, and no daemon
    /// has run since.
    pub other_days: bool,
    /// The zone of the file's days and months.
    pub file_zone: Zone,
    /// What its splits follow from.
    pub rules: Rules,
    /// What the run times of its days are counted from.
    pub day_rules: DayRules,
}

impl Entry {
    /// The same site with the days and months that the file has, to hold them against each other.
    pub fn as_in_file(&self) -> Self {
        Self { zone: self.file_zone.clone(), other_days: false, ..self.clone() }
    }

    /// How far from itself a reading of any channel can matter.
    pub fn widest_reach(&self) -> Span {
        let reach = (0..self.site.channels.len()).map(|channel| self.reach(channel)).max();
        // What is lost of a counted CT matters to the stretch between two counts.
        let stretch = if self.site.counted().is_empty() { Span::ZERO } else { Span(2 * Span::HOUR.0) };
        reach.unwrap_or(Span::ZERO).max(stretch)
    }

    /// How far from itself a reading of this channel can matter; a counter's matters as far as the
    /// readings beside it, whatever lies in between.
    pub fn reach(&self, channel: usize) -> Span {
        let device = &self.site.devices[self.site.channels[channel].device];
        device.max_gap.max(device.every)
    }

    /// Whether the channel counts.
    pub fn is_counter(&self, channel: usize) -> bool {
        self.site.devices[self.site.channels[channel].device].unit.is_counter()
    }

    /// Whether the channel's readings matter beyond their reach: those of a counter, and of power beside one.
    pub fn reaches_on(&self, channel: usize) -> bool {
        let beside = |power: crate::site::ChannelIndex| power.0 as usize == channel;
        self.is_counter(channel) || self.site.counted().iter().any(|(power, _)| beside(*power))
    }

    /// The channels that these splits follow from at some time.
    pub fn channels_of(&self, splits: &[SeriesIndex]) -> BTreeSet<usize> {
        let rules = self.site.epochs.iter().flat_map(|epoch| &epoch.plan.splits);
        let wanted = rules.filter(|(split, _)| splits.contains(&self.site.split_series(*split)));
        let mut channels = BTreeSet::new();
        for (_, rule) in wanted {
            let terms = match rule {
                SplitRule::Counted { power, counter, export } => {
                    let counters = [Some(power), Some(counter), export.as_ref()];
                    channels.extend(counters.into_iter().flatten().map(|channel| channel.0 as usize));
                    continue;
                }
                SplitRule::Signed(terms) => terms.clone(),
                SplitRule::SelfConsumed { grid, pv } => [grid.clone(), pv.concat()].concat(),
            };
            let measured = terms.iter().filter_map(|term| self.site.ct_of(term.series));
            channels.extend(measured.map(|channel| channel.0 as usize));
        }
        for (power, counter) in self.site.beside() {
            if channels.contains(&(power.0 as usize)) {
                channels.insert(counter.0 as usize);
            }
        }
        channels
    }

    /// Whose readings the minutes of these ranges can follow from: all of them where there is a
    /// counter.
    pub fn window(&self, ranges: &[Range<Stamp>]) -> Range<Stamp> {
        self.window_of(0..self.site.channels.len(), ranges)
    }

    /// The same for minutes that follow from these channels alone.
    pub fn window_of(
        &self,
        channels: impl Iterator<Item = usize> + Clone,
        ranges: &[Range<Stamp>],
    ) -> Range<Stamp> {
        let first = ranges.iter().map(|range| range.start).min().unwrap_or(Stamp::MAX);
        let last = ranges.iter().map(|range| range.end).max().unwrap_or(Stamp::MIN);
        // A day whose splits were made by another rule is taken whole.
        let (first, last) = (first.floor(Span::DAY), last.floor(Span::DAY) + Span::DAY);
        if channels.clone().any(|channel| self.is_counter(channel)) {
            return Stamp::MIN..Stamp::MAX;
        }
        let reach = channels.map(|channel| self.reach(channel)).max().unwrap_or(Span::ZERO);
        first - reach..last + reach
    }

    /// The row of a series.
    pub fn series_row(&self, series: SeriesIndex) -> i64 {
        self.series[series.0 as usize]
    }

    /// The rows of its channels, by [`crate::site::ChannelIndex`].
    pub fn channel_rows(&self) -> &[i64] {
        &self.series[..self.site.channels.len()]
    }
}

/// Every site and its rows.
#[derive(Clone, Debug, Default)]
pub(super) struct Catalog {
    entries: Vec<Entry>,
    by_row: FxHashMap<i64, SiteIndex>,
    series: FxHashMap<i64, (SiteIndex, SeriesIndex)>,
}

impl Catalog {
    /// Finds the rows of all names, adding those that are new. A site whose zone is another than before
    /// gets its days and months added up anew.
    /// The maps go on record, and what they change becomes work.
    pub(super) fn register(db: &mut Connection, sites: &[Arc<Site>]) -> Result<Self> {
        let tx = db.transaction()?;
        for site in sites {
            // A site that is new has nothing before now to seal, and nothing marked.
            tx.execute(
                "INSERT INTO site (name, time_zone) VALUES (?1, ?2) ON CONFLICT (name) DO NOTHING",
                params![site.id, site.time_zone],
            )?;
            let row: i64 = tx.query_row("SELECT id FROM site WHERE name = ?1", [&site.id], |r| r.get(0))?;
            let mut add = tx.prepare_cached(
                "INSERT INTO series (site, name, kind) VALUES (?1, ?2, ?3) ON CONFLICT DO NOTHING",
            )?;
            for index in 0..site.series_len() {
                let name = site.series_name(SeriesIndex(index as u32));
                let kind = if index < site.channels.len() { "channel" } else { "split" };
                add.execute(params![row, name, kind])?;
            }
        }
        let mut catalog = Self::look_up(&tx, sites)?;
        for entry in &mut catalog.entries {
            fill_hours(&tx, entry)?;
            let zone: String =
                tx.query_row("SELECT time_zone FROM site WHERE id = ?1", [entry.row], |r| r.get(0))?;
            if zone != entry.site.time_zone {
                entry.other_days = false;
                entry.file_zone = entry.zone.clone();
                rezone(&tx, entry)?;
                tx.execute(
                    "UPDATE site SET time_zone = ?2 WHERE id = ?1",
                    params![entry.row, entry.site.time_zone],
                )?;
            }
            record::update(&tx, entry)?;
        }
        tx.commit()?;
        Ok(catalog)
    }

    /// Finds the rows of all names; what has none gets [`NO_ROW`].
    pub(super) fn look_up(db: &Connection, sites: &[Arc<Site>]) -> Result<Self> {
        let mut catalog = Self::default();
        for (position, site) in sites.iter().enumerate() {
            let at = SiteIndex(position as u32);
            let mut select = db.prepare_cached("SELECT id, time_zone FROM site WHERE name = ?1")?;
            let found: Option<(i64, String)> =
                select.query_row([&site.id], |r| Ok((r.get(0)?, r.get(1)?))).optional()?;
            let other_days = found.as_ref().is_some_and(|(_, zone)| *zone != site.time_zone);
            let in_file = found.as_ref().and_then(|(_, zone)| Zone::new(zone).ok());
            let row = found.map_or(NO_ROW, |(row, _)| row);
            let mut rows = db.prepare_cached("SELECT name, id FROM series WHERE site = ?1")?;
            let known: FxHashMap<String, i64> =
                rows.query_map([row], |r| Ok((r.get(0)?, r.get(1)?)))?.collect::<rusqlite::Result<_>>()?;
            let series: Vec<i64> = (0..site.series_len())
                .map(|index| {
                    let name = site.series_name(SeriesIndex(index as u32));
                    known.get(&name).copied().unwrap_or(NO_ROW)
                })
                .collect();
            for (index, row) in series.iter().enumerate().filter(|(_, row)| **row != NO_ROW) {
                catalog.series.insert(*row, (at, SeriesIndex(index as u32)));
            }
            if row != NO_ROW {
                catalog.by_row.insert(row, at);
            }
            // A map names a zone that exists, or it would not be in force.
            let zone = Zone::new(&site.time_zone).unwrap_or_else(|_| Zone::utc());
            catalog.entries.push(Entry {
                site: Arc::clone(site),
                row,
                series,
                file_zone: in_file.unwrap_or_else(|| zone.clone()),
                zone,
                other_days,
                rules: Rules::of(site),
                day_rules: DayRules::of(site),
            });
        }
        Ok(catalog)
    }

    /// The site at that position.
    pub(super) fn entry(&self, site: SiteIndex) -> Option<&Entry> {
        self.entries.get(site.0 as usize)
    }

    /// The site of that row, if a map in force has it.
    pub(super) fn entry_of(&self, row: i64) -> Option<&Entry> {
        self.entry(self.site_of(row)?)
    }

    /// Every site, by position.
    pub(super) fn entries(&self) -> impl Iterator<Item = (SiteIndex, &Entry)> {
        self.entries.iter().enumerate().map(|(index, entry)| (SiteIndex(index as u32), entry))
    }

    /// The position of a row of `site`, if a map in force has it.
    pub(super) fn site_of(&self, row: i64) -> Option<SiteIndex> {
        self.by_row.get(&row).copied()
    }

    /// Site and position of a row of `series`, if a map in force has it.
    pub(super) fn series_of(&self, row: i64) -> Option<(SiteIndex, SeriesIndex)> {
        self.series.get(&row).copied()
    }

    /// Whether the row of `series` is a channel that counts.
    pub(super) fn is_counter(&self, series: i64) -> bool {
        self.series_of(series).is_some_and(|(site, index)| {
            let entry = &self.entries[site.0 as usize];
            let channel = index.0 as usize;
            channel < entry.site.channels.len() && entry.is_counter(channel)
        })
    }

    /// From when on readings of this series must stay in the journal when everything before
    /// `before` is sealed: a reading covers time before or after itself, up to its gap, and whoever
    /// replays the journal needs it for the first minutes.
    pub(super) fn keep_from(&self, series: i64, before: Stamp) -> Stamp {
        match self.series_of(series) {
            Some((site, index)) => {
                let entry = &self.entries[site.0 as usize];
                let channel = index.0 as usize;
                if channel < entry.site.channels.len() { before - entry.reach(channel) } else { before }
            }
            None => before,
        }
    }
}
