//! The body of the typical day.

use std::collections::BTreeMap;

use serde::ser::SerializeStruct;
use serde::{Deserialize, Serialize, Serializer};
use utoipa::ToSchema;

use super::super::HistoryError;
use super::super::history::TOTALS;
use super::{rounded_down, tenth};
use crate::calendar::Zone;
use crate::history::{Profile, QUARTERS, Slot, Source, WEEKDAYS, profile_of};
use crate::site::{FigureKey, Site};
use crate::units::{Span, Stamp};

/// Days that it is made of where the question does not say: four of each weekday.
const DAYS: i32 = 28;

/// The longest range of one answer: quarter-hours are read one by one, and an answer over the API has
/// ten seconds.
const LONGEST: Span = Span(5 * 366 * Span::DAY.0);

/// The typical day of a site: mean power by quarter-hour of the local clock, by weekday.
#[derive(Clone, Debug, Deserialize, ToSchema)]
pub struct ProfileBody {
    /// The site's id.
    #[schema(example = "heron-lane")]
    pub site: String,
    /// The zone whose clock it goes by.
    #[schema(example = "America/Denver")]
    pub time_zone: String,
    /// Where it starts, in the site's own time (RFC 3339).
    pub start: String,
    /// Where it ends.
    pub end: String,
    /// Each total that the map defines: `consumption`, `untracked` and so on.
    pub totals: BTreeMap<String, ProfileFigure>,
    /// Each measured circuit by its id.
    pub circuits: BTreeMap<String, ProfileFigure>,
}

/// The typical day of a figure.
#[derive(Clone, Debug, Deserialize, ToSchema)]
pub struct ProfileFigure {
    /// All days together.
    pub all: ProfileDay,
    /// Each weekday: `monday` to `sunday`.
    pub weekdays: BTreeMap<String, ProfileDay>,
}

/// The quarter-hours of a day, from 00:00 to 23:45 of the local clock: 96 of each.
#[derive(Clone, Debug, Deserialize, ToSchema)]
pub struct ProfileDay {
    /// Mean power of the time in which it is known.
    pub w: Vec<Option<f64>>,
    /// The share of the time that this is.
    pub coverage: Vec<f64>,
    /// On how many days something is known.
    pub days: Vec<u32>,
}

/// The days of the week, from Monday.
pub const NAMES: [&str; WEEKDAYS] =
    ["monday", "tuesday", "wednesday", "thursday", "friday", "saturday", "sunday"];

/// Reads `from` and `to` (28 days to now where they do not say), and makes the profile.
///
/// # Errors
/// [`HistoryError::Asked`] where that makes no sense, [`HistoryError::Failed`] where the source fails.
pub fn read<S: Source>(
    site: &Site,
    range: (Option<&str>, Option<&str>),
    only: Option<&[FigureKey]>,
    now: Stamp,
    source: &mut S,
) -> Result<(Zone, Profile), HistoryError> {
    let (zone, days) = super::days(site, range, DAYS, now)?;
    let range = days[0].start..days[days.len() - 1].end;
    if range.end - range.start > LONGEST {
        let what = "from and to: a typical day is made of at most five years".to_owned();
        return Err(HistoryError::Asked { what, hint: "ask for a shorter range".to_owned() });
    }
    let found = profile_of(site, &zone, source, range, only);
    Ok((zone, found.map_err(|error| HistoryError::Failed(error.to_string()))?))
}

/// [`ProfileBody`] as it is written: straight from the slots, of which there are a hundred thousand numbers.
#[derive(Debug, Serialize)]
pub struct Written<'a> {
    site: &'a str,
    time_zone: &'a str,
    start: String,
    end: String,
    totals: Figures<'a>,
    circuits: Figures<'a>,
}

/// The body.
pub fn body<'a>(site: &'a Site, zone: &'a Zone, profile: &'a Profile) -> Written<'a> {
    let (mut totals, mut circuits) = (Figures::default(), Figures::default());
    for (key, days) in &profile.figures {
        if let FigureKey::Circuit(index) = key {
            circuits.0.insert(&site.circuits[*index].id, FigureLine(days));
        } else if let Some((name, _)) = TOTALS.iter().find(|(_, other)| other == key) {
            totals.0.insert(name, FigureLine(days));
        }
    }
    Written {
        site: &site.id,
        time_zone: zone.name(),
        start: zone.rfc3339(profile.range.start),
        end: zone.rfc3339(profile.range.end),
        totals,
        circuits,
    }
}

/// Figures by name.
#[derive(Debug, Default, Serialize)]
struct Figures<'a>(BTreeMap<&'a str, FigureLine<'a>>);

/// [`ProfileFigure`].
#[derive(Debug)]
struct FigureLine<'a>(&'a [[Slot; QUARTERS]; WEEKDAYS]);

impl Serialize for FigureLine<'_> {
    fn serialize<S: Serializer>(&self, to: S) -> Result<S::Ok, S::Error> {
        let mut both = to.serialize_struct("ProfileFigure", 2)?;
        both.serialize_field("all", &day(&Profile::all_days(self.0)))?;
        both.serialize_field("weekdays", &Weekdays(self.0))?;
        both.end()
    }
}

struct Weekdays<'a>(&'a [[Slot; QUARTERS]; WEEKDAYS]);

impl Serialize for Weekdays<'_> {
    fn serialize<S: Serializer>(&self, to: S) -> Result<S::Ok, S::Error> {
        to.collect_map(NAMES.iter().zip(self.0).map(|(name, slots)| (name, day(slots))))
    }
}

/// [`ProfileDay`].
#[derive(Serialize)]
struct DayLine<'a> {
    w: Numbers<'a, Option<f64>>,
    coverage: Numbers<'a, f64>,
    days: Numbers<'a, u32>,
}

fn day(slots: &[Slot; QUARTERS]) -> DayLine<'_> {
    DayLine {
        w: Numbers(slots, |slot| slot.mean_w().map(tenth)),
        coverage: Numbers(slots, |slot| rounded_down(slot.coverage())),
        days: Numbers(slots, |slot| slot.days),
    }
}

/// A number of each slot.
struct Numbers<'a, T>(&'a [Slot; QUARTERS], fn(&Slot) -> T);

impl<T: Serialize> Serialize for Numbers<'_, T> {
    fn serialize<S: Serializer>(&self, to: S) -> Result<S::Ok, S::Error> {
        to.collect_seq(self.0.iter().map(self.1))
    }
}
