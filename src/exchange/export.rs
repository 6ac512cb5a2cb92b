//! A site's energy by interval as a file, piece by piece: what the command and the API both give.

use std::ops::Range;

use super::energy::EnergyCsv;
use super::espi;
use super::ranges::chunks;
use crate::calendar::{By, CalendarError, Zone};
use crate::history::{Source, energy};
use crate::site::Site;
use crate::units::Stamp;

/// The forms of such a file.
#[derive(Clone, Copy, Debug, PartialEq, Eq)]
pub enum Form {
    /// RFC 4180.
    Csv,
    /// NAESB REQ.21.
    Espi,
}

/// What is asked for.
#[derive(Clone, Debug)]
pub struct Export<'a> {
    /// Whose energy.
    pub site: &'a Site,
    /// Its zone.
    pub zone: &'a Zone,
    /// From when to when; it snaps outwards to whole intervals.
    pub range: Range<Stamp>,
    /// The kind of interval.
    pub by: By,
    /// The form.
    pub form: Form,
    /// The present; ESPI says when a feed was made.
    pub now: Stamp,
}

/// What a file came to.
#[derive(Clone, Copy, Debug, Default, PartialEq, Eq)]
pub struct Exported {
    /// Intervals of the range.
    pub intervals: u64,
    /// ESPI: values written.
    pub written: u64,
    /// ESPI: values left out since they are known for a part of their interval only.
    pub in_part: u64,
}

/// Why there is no file, or not all of it.
#[derive(Debug)]
pub enum ExportError<S, O> {
    /// The range makes no sense.
    Asked(CalendarError),
    /// ESPI has no intervals of this kind.
    NoSuchInterval(By),
    /// The source failed.
    Source(S),
    /// The text could not be put where it belongs.
    Out(O),
}

/// Gives the file to `out`, piece by piece and in order.
///
/// # Errors
/// [`ExportError`].
pub fn export<S: Source, O>(
    what: &Export<'_>,
    source: &mut S,
    out: &mut dyn FnMut(String) -> Result<(), O>,
) -> Result<Exported, ExportError<S::Error, O>> {
    let Export { site, zone, by, .. } = *what;
    let all = chunks(zone, by, site.billing_day, what.range.clone()).map_err(ExportError::Asked)?;
    let mut exported = Exported::default();
    let csv = EnergyCsv::new(site, zone);
    let mut feed = match what.form {
        Form::Csv => None,
        Form::Espi => {
            let feed = espi::Writer::new(site, zone, by, what.range.start, what.now);
            Some(feed.ok_or(ExportError::NoSuchInterval(by))?)
        }
    };
    let mut put = |text: String| if text.is_empty() { Ok(()) } else { out(text).map_err(ExportError::Out) };
    put(feed.as_ref().map_or_else(|| csv.header(), espi::Writer::head))?;
    for chunk in all {
        let summaries = energy(site, zone, source, &chunk.intervals).map_err(ExportError::Source)?;
        exported.intervals += summaries.len() as u64;
        match &mut feed {
            None => put(csv.rows(&summaries))?,
            Some(feed) => put(feed.blocks(&chunk, &summaries, &mut exported))?,
        }
    }
    put(feed.as_ref().map_or_else(String::new, espi::Writer::foot))?;
    Ok(exported)
}
