//! How long readings and minutes are kept: for ever, unless the settings say otherwise.
//!
//! What is too old goes by whole UTC days, the oldest first, a few hundred blocks a transaction,
//! after a seal and by the one thread that writes. Quarter hours, days and months are always kept.
//! `let_go` says up to where, in the transaction that takes the blocks: what went on purpose is
//! neither damage nor unknown, and minutes whose readings went are never counted again.

use rusqlite::{Connection, OptionalExtension, params};

use crate::calendar::Zone;
use crate::units::{Span, Stamp};

use super::Result;
use super::readings::{day_of, day_start, key};

/// The least that may be kept: a counter's difference looks a month back, late readings a week.
pub const LEAST: Span = Span(31 * Span::DAY.0);

/// Blocks that one step takes away: some 10 MB of readings, so that a commit never waits for long
/// and the log stays small.
const STEP: i64 = 200;

/// How long they are kept, counted back from the last sealed hour; `None` is for ever.
#[derive(Clone, Copy, Debug, Default, PartialEq, Eq)]
pub struct Keep {
    /// Sealed readings.
    pub readings: Option<Span>,
    /// Minutes; no shorter than readings.
    pub minutes: Option<Span>,
}

/// What is kept, and from when on there is something, for whoever asks how the store is.
#[derive(Clone, Copy, Debug, PartialEq, Eq)]
pub struct Retention {
    /// As the settings say.
    pub keep: Keep,
    /// Readings before this were let go.
    pub readings_since: Option<Stamp>,
    /// Minutes before this were let go.
    pub minutes_since: Option<Stamp>,
}

impl Retention {
    /// What holds in the file; `None` where all is kept and nothing ever went.
    pub(super) fn look_up(db: &Connection, keep: Keep) -> Result<Option<Self>> {
        let kept = Kept::look_up(db)?;
        let all = keep == Keep::default() && kept == Kept::default();
        Ok((!all).then_some(Self { keep, readings_since: kept.readings, minutes_since: kept.minutes }))
    }
}

impl std::fmt::Display for Retention {
    fn fmt(&self, f: &mut std::fmt::Formatter<'_>) -> std::fmt::Result {
        for (what, keep, since, end) in [
            ("readings are kept", self.keep.readings, self.readings_since, "; "),
            ("minutes", self.keep.minutes, self.minutes_since, ""),
        ] {
            match keep {
                Some(span) => write!(f, "{what} for {} days", span.max(LEAST).0 / Span::DAY.0)?,
                None => write!(f, "{what} for ever")?,
            }
            if let Some(since) = since {
                write!(f, ", and there since {}", &Zone::utc().rfc3339(since)[..10])?;
            }
            f.write_str(end)?;
        }
        Ok(())
    }
}

/// From when on something is there; `None` where nothing was let go.
#[derive(Clone, Copy, Debug, Default, PartialEq, Eq)]
pub(super) struct Kept {
    /// Readings.
    pub readings: Option<Stamp>,
    /// Minutes.
    pub minutes: Option<Stamp>,
}

impl Kept {
    /// What the file says.
    pub(super) fn look_up(db: &Connection) -> Result<Self> {
        let mut select = db.prepare_cached("SELECT before_s FROM let_go WHERE what = ?1")?;
        let mut of = |what: &str| -> Result<Option<Stamp>> {
            Ok(select.query_row([what], |row| row.get(0)).optional()?.map(Stamp::from_seconds))
        };
        Ok(Self { readings: of("readings")?, minutes: of("minutes")? })
    }

    /// From when on minutes can be counted from readings: a day later than the first that are kept,
    /// since the first minutes follow from readings of the day before, too.
    pub(super) fn countable(self) -> Stamp {
        self.readings.map_or(Stamp::MIN, |from| from + Span::DAY)
    }
}

/// Takes a few of the blocks away that are too old when everything before `sealed` is sealed; whether
/// there may be more.
pub(super) fn let_go(db: &Connection, keep: Keep, sealed: Stamp) -> Result<bool> {
    for (what, tables, span) in [
        ("readings", &[("reading_day", 1), ("reading_hour", 24)][..], keep.readings),
        ("minutes", &[("minute_block", 1)][..], keep.minutes),
    ] {
        let Some(span) = span else { continue };
        let until = day_of(sealed - span.max(LEAST));
        for (table, units) in tables {
            let first: Option<i64> =
                db.query_row(&format!("SELECT min(key) FROM {table}"), [], |row| row.get(0))?;
            if first.is_none_or(|first| first >= key(until * units, 0)) {
                continue;
            }
            note(db, what, day_start(until))?;
            if what == "minutes" {
                // They follow from the minutes.
                db.prepare_cached("DELETE FROM run_day WHERE start_s < ?1")?
                    .execute([day_start(until).seconds()])?;
            }
            db.prepare_cached(&format!(
                "DELETE FROM {table} WHERE key IN (SELECT key FROM {table} WHERE key < ?1 ORDER BY key LIMIT ?2)"
            ))?
            .execute(params![key(until * units, 0), STEP])?;
            return Ok(true);
        }
    }
    Ok(false)
}

fn note(db: &Connection, what: &str, before: Stamp) -> Result<()> {
    db.prepare_cached(
        "INSERT INTO let_go (what, before_s) VALUES (?1, ?2)
         ON CONFLICT DO UPDATE SET before_s = max(before_s, ?2)",
    )?
    .execute(params![what, before.seconds()])?;
    Ok(())
}

#[cfg(test)]
mod tests {
    use super::*;
    use crate::store::schema;

    #[test]
    fn what_is_kept_is_said_in_words() {
        let days = |days: i64| Some(Span(days * Span::DAY.0));
        let said = |readings, minutes, since: Option<i64>| {
            let since = since.map(Stamp::from_seconds);
            Retention { keep: Keep { readings, minutes }, readings_since: since, minutes_since: None }
                .to_string()
        };
        assert_eq!(said(days(400), None, None), "readings are kept for 400 days; minutes for ever");
        let since = "readings are kept for 31 days, and there since 2026-03-08; minutes for 50 days";
        assert_eq!(said(days(7), days(50), Some(1_772_928_000)), since);
    }

    #[test]
    fn whole_days_go_the_oldest_first_and_what_went_is_noted() {
        let directory = tempfile::tempdir().expect("a directory");
        let db = schema::open(&directory.path().join("f.db")).expect("it opens");
        for day in 0..100 {
            for series in 1..=9 {
                let sql = "INSERT INTO reading_day (key, body) VALUES (?1, x'00')";
                db.execute(sql, [key(day, series)]).expect("a block");
                let sql = "INSERT INTO minute_block (key, rule, body) VALUES (?1, 0, x'00')";
                db.execute(sql, [key(day, series)]).expect("a block");
            }
        }
        db.execute("INSERT INTO reading_hour (key, body) VALUES (?1, x'00')", [key(5 * 24, 1)])
            .expect("an hour that was never joined");
        let sealed = day_start(100);
        let days = |days: i64| Some(Span(days * Span::DAY.0));
        let count = |table: &str| -> (i64, i64) {
            let sql = format!("SELECT count(*), coalesce(min(key) >> 24, -1) FROM {table}");
            db.query_row(&sql, [], |row| Ok((row.get(0)?, row.get(1)?))).expect("a count")
        };
        assert!(!let_go(&db, Keep::default(), sealed).expect("it reads"), "for ever");
        assert_eq!(Kept::look_up(&db).expect("it reads"), Kept::default());

        let keep = Keep { readings: days(40), minutes: days(80) };
        assert!(let_go(&db, keep, sealed).expect("it writes"));
        assert_eq!(count("reading_day"), (700, 22), "a step is bounded");
        let mut steps = 1;
        while let_go(&db, keep, sealed).expect("it writes") {
            steps += 1;
        }
        assert_eq!(steps, 3 + 1 + 1);
        assert_eq!((count("reading_day"), count("minute_block")), ((360, 60), (720, 20)));
        assert_eq!(count("reading_hour").0, 0);
        let kept = Kept::look_up(&db).expect("it reads");
        assert_eq!(kept, Kept { readings: Some(day_start(60)), minutes: Some(day_start(20)) });
        assert_eq!(kept.countable(), day_start(61));
        // A setting below the least keeps the least; a longer one brings nothing back.
        while let_go(&db, Keep { readings: days(1), minutes: None }, sealed).expect("it writes") {}
        assert_eq!(count("reading_day"), (279, 69));
        assert!(!let_go(&db, Keep { readings: days(90), minutes: None }, sealed).expect("it writes"));
        assert_eq!(Kept::look_up(&db).expect("it reads").readings, Some(day_start(69)));
    }
}
