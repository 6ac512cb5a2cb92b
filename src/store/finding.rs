//! What a check finds, and the names that it calls things by.

use std::fmt;

use rusqlite::Connection;
use rustc_hash::FxHashMap;

use crate::calendar::Zone;
use crate::units::Stamp;

use super::Result;

/// One thing that is wrong, or that is known to be lost.
#[derive(Clone, Debug, PartialEq, Eq)]
pub struct Finding {
    /// What kind of thing it is, for programs: `readings-missing`, `minutes-differ`, ….
    pub id: &'static str,
    /// What is wrong, in words.
    pub what: String,
    /// The table, and of which site and series.
    pub place: String,
    /// Which time it concerns, in the site's local time (RFC 3339); `None` if none.
    pub since: Option<String>,
    /// What can be done about it, and what it is rebuilt from.
    pub remedy: String,
}

impl fmt::Display for Finding {
    fn fmt(&self, f: &mut fmt::Formatter<'_>) -> fmt::Result {
        write!(f, "{}", self.place)?;
        if let Some(since) = &self.since {
            write!(f, ", {since}")?;
        }
        write!(f, ": {}; {}", self.what, self.remedy)
    }
}

/// What can be rebuilt, and from what.
pub(super) fn rebuilt_from(finer: &str) -> String {
    format!("`store repair` makes it anew from the {finer}")
}

/// Names of what is in a file: for every row of `series` its site, name and zone.
#[derive(Debug, Default)]
pub(super) struct Names {
    series: FxHashMap<i64, (String, String, Zone)>,
    /// Every row of `site`.
    sites: FxHashMap<i64, String>,
}

impl Names {
    /// Reads them.
    pub(super) fn look_up(db: &Connection) -> Result<Self> {
        let mut names = Self::default();
        let mut select = db.prepare("SELECT id, name FROM site")?;
        let mut rows = select.query([])?;
        while let Some(row) = rows.next()? {
            names.sites.insert(row.get(0)?, row.get(1)?);
        }
        let mut select = db.prepare(
            "SELECT series.id, site.name, series.name, site.time_zone FROM series JOIN site ON site.id = site",
        )?;
        let mut rows = select.query([])?;
        while let Some(row) = rows.next()? {
            // A zone that is none any more is told in UTC.
            let zone = Zone::new(&row.get::<_, String>(3)?).unwrap_or_else(|_| Zone::utc());
            names.series.insert(row.get(0)?, (row.get(1)?, row.get(2)?, zone));
        }
        Ok(names)
    }

    /// The name of a site's row.
    pub(super) fn site(&self, row: i64) -> Option<&str> {
        self.sites.get(&row).map(String::as_str)
    }

    /// Whether there is such a series.
    pub(super) fn knows(&self, series: i64) -> bool {
        self.series.contains_key(&series)
    }

    /// `table, site series` and the local time.
    pub(super) fn place(&self, table: &str, series: i64, at: Stamp) -> (String, Option<String>) {
        match self.series.get(&series) {
            Some((site, name, zone)) => (format!("{table}, {site} {name}"), Some(zone.rfc3339(at))),
            None => (format!("{table}, series {series}, which has no name"), Some(Zone::utc().rfc3339(at))),
        }
    }
}
