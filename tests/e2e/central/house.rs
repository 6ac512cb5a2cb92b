//! An invented house and an outbox in memory.

use std::collections::BTreeMap;
use std::convert::Infallible;
use std::ops::Range;
use std::sync::{Arc, Mutex, MutexGuard};

use panelwright::calendar::{Interval, Zone};
use panelwright::central::{Backlog, Mark, Outbox, Refused};
use panelwright::flow::Row;
use panelwright::history::{self, Level, Memory, Source, Summary};
use panelwright::reading::SiteIndex;
use panelwright::site::{self, SeriesIndex, Site};
use panelwright::units::{Energy, Span, Stamp};

/// 2026-01-15T12:00:00-07:00.
pub const NOON: Stamp = Stamp::from_seconds(1_768_503_600);

const MAP: &str = r#"
site = "SITE"
name = "Heron Lane farmhouse (invented)"
time_zone = "America/Denver"

[service]
system = "split-phase 120/240"
main_breaker_a = 200

[[device]]
id = "house"
topic = "SITE/ct/{channel}"
unit = "W"
every_s = 1

[[feed]]
bus = "main"
measures = "panel"
channels = [ { channel = "house/m1", leg = "A" }, { channel = "house/m2", leg = "B" } ]

[[circuit]]
id = "well-pump"
label = "Well pump"
end_use = "well/sump"
bus = "main"
spaces = [1, 3]
breaker_a = 20
channels = ["house/1"]
doubled = true

[[circuit]]
id = "freezer"
label = "Freezer in the hall"
end_use = "refrigeration"
bus = "main"
spaces = [5]
breaker_a = 15
channels = ["house/2"]
"#;

/// Sites of those ids, all with the same panel.
pub fn sites(ids: &[&str]) -> Vec<Arc<Site>> {
    let read = |id: &&str| {
        let parsed = site::parse("map", &MAP.replace("SITE", id));
        Arc::new(parsed.site.unwrap_or_else(|| panic!("{:?}", parsed.findings)))
    };
    ids.iter().map(read).collect()
}

/// The start of a minute after noon.
pub fn minute(number: i64) -> Stamp {
    NOON + Span(Span::MINUTE.0 * number)
}

/// The outbox of a few sites, shared with the test.
#[derive(Clone)]
pub struct Desk(Arc<Mutex<Inner>>);

struct Inner {
    sites: Vec<Arc<Site>>,
    rows: Vec<Memory>,
    marks: Vec<Mark>,
    cursors: BTreeMap<String, u64>,
    refused: Vec<(String, Refused)>,
    /// Why the outbox does not answer, if it does not.
    trouble: Option<&'static str>,
}

impl Desk {
    pub fn new(sites: &[Arc<Site>]) -> Self {
        let zone = |site: &Arc<Site>| Zone::new(&site.time_zone).expect("a zone");
        Self(Arc::new(Mutex::new(Inner {
            sites: sites.to_vec(),
            rows: sites.iter().map(|site| Memory::new(zone(site))).collect(),
            marks: Vec::new(),
            cursors: BTreeMap::new(),
            refused: Vec::new(),
            trouble: None,
        })))
    }

    fn inner(&self) -> MutexGuard<'_, Inner> {
        self.0.lock().expect("no test panics with it")
    }

    /// Closes a minute: each series draws some power for the whole of it; marks it.
    pub fn close(&self, site: u32, number: i64) {
        let mut inner = self.inner();
        let start = minute(number);
        for series in 0..inner.sites[site as usize].series_len() as u32 {
            // Powers that differ by series, minute and site, in 0.1 W.
            let power = 1000 * (i64::from(series) + 1) + number % 97 + i64::from(site);
            let mut row = Row::empty(start);
            row.energy_in = Energy::of(power, Span::MINUTE);
            row.covered = Span::MINUTE;
            inner.rows[site as usize].add(SeriesIndex(series), row);
        }
        inner.mark(site, start..start + Span::MINUTE);
    }

    /// Marks a range once more, as a late reading or a mended map does.
    pub fn mark(&self, site: u32, range: Range<Stamp>) {
        self.inner().mark(site, range);
    }

    /// Makes every call fail, or work again.
    pub fn trouble(&self, why: Option<&'static str>) {
        self.inner().trouble = why;
    }

    /// The records that a central store refused.
    pub fn refused(&self, central: &str) -> Vec<Refused> {
        let inner = self.inner();
        inner.refused.iter().filter(|(name, _)| name == central).map(|(_, refused)| refused.clone()).collect()
    }

    /// The sequence number up to which a central store is done.
    pub fn cursor(&self, central: &str) -> u64 {
        self.inner().cursors.get(central).copied().unwrap_or_default()
    }

    /// What history says of some intervals.
    pub fn summaries(&self, site: u32, starts: Range<i64>, step: Span) -> Vec<Summary> {
        let map = self.inner().sites[site as usize].clone();
        let zone = Zone::new(&map.time_zone).expect("a zone");
        let interval = |number: i64| {
            let start = NOON + Span(step.0 * number);
            Interval { start, end: start + step }
        };
        let intervals: Vec<Interval> = starts.map(interval).collect();
        let mut source = self.clone().source(SiteIndex(site));
        history::energy(&map, &zone, &mut source, &intervals).expect("memory does not fail")
    }

    pub fn source(self, site: SiteIndex) -> Rows {
        Rows { desk: self, site }
    }
}

impl Inner {
    fn mark(&mut self, site: u32, range: Range<Stamp>) {
        let seq = self.marks.last().map_or(1, |mark| mark.seq + 1);
        self.marks.push(Mark { seq, site: SiteIndex(site), range, corrected: Vec::new() });
    }

    fn check(&self) -> anyhow::Result<()> {
        self.trouble.map_or(Ok(()), |why| Err(anyhow::anyhow!(why)))
    }
}

/// The rows of one site.
pub struct Rows {
    desk: Desk,
    site: SiteIndex,
}

impl Source for Rows {
    type Error = Infallible;

    fn rows(&mut self, level: Level, range: Range<Stamp>) -> Result<Vec<(SeriesIndex, Row)>, Infallible> {
        self.desk.inner().rows[self.site.0 as usize].rows(level, range)
    }
}

impl Outbox for Desk {
    fn pending(&mut self, central: &str, limit: usize) -> anyhow::Result<Vec<Mark>> {
        let inner = self.inner();
        inner.check()?;
        let cursor = inner.cursors.get(central).copied().unwrap_or_default();
        // Numbers are handed out one by one from 1.
        Ok(inner.marks.iter().skip(cursor as usize).take(limit).cloned().collect())
    }

    fn advance(&mut self, central: &str, seq: u64) -> anyhow::Result<()> {
        let mut inner = self.inner();
        inner.check()?;
        let before = inner.cursors.insert(central.to_owned(), seq);
        assert!(before < Some(seq), "the cursor only moves on");
        Ok(())
    }

    fn refuse(&mut self, central: &str, refused: &Refused) -> anyhow::Result<()> {
        let mut inner = self.inner();
        inner.check()?;
        inner.refused.push((central.to_owned(), refused.clone()));
        Ok(())
    }

    fn backlog(&mut self, central: &str) -> anyhow::Result<Backlog> {
        let left = self.pending(central, usize::MAX)?;
        Ok(Backlog { marks: left.len() as u64, oldest: left.iter().map(|mark| mark.range.start).min() })
    }

    fn source(&mut self, site: SiteIndex) -> impl Source {
        self.clone().source(site)
    }
}
