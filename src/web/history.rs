//! The body of history: energy by interval, for the API and for `panelwright history` alike.
//!
//! Figures are integers until here; kWh are rounded to the nearest mWh (six decimals) and shares
//! down to a millionth, so that a share of 1 always means all of it.

use std::io;
use std::ops::Range;

use serde_json::ser::{CompactFormatter, Formatter};

use super::views;
use super::views::notes::Annotation;
use super::written::Written;
use super::{HistoryError, HistoryQuery, View};
use crate::calendar::{By, CalendarError, Interval, Zone, intervals};
use crate::history::{Note, Source, energy_of};
use crate::site::Site;
use crate::units::{Span, Stamp};

/// Bytes that an answer takes to begin with: to grow into it step by step would copy it over and over.
const ROOM: usize = 1 << 16;

/// A question that makes sense: which intervals, in whose calendar.
#[derive(Clone, Debug)]
pub struct Question {
    /// The site's zone.
    pub zone: Zone,
    /// The kind of interval.
    pub by: By,
    /// The intervals, one after the other.
    pub intervals: Vec<Interval>,
}

impl Question {
    /// Reads `from`, `to` and `by`. Without `by` it is days; without `from` the local day of the
    /// end; without `to` it is until `now`. The range snaps outwards to whole intervals.
    ///
    /// # Errors
    /// [`HistoryError::Asked`] with what is wrong and what to write.
    pub fn read(
        site: &Site,
        from: Option<&str>,
        to: Option<&str>,
        by: Option<&str>,
        now: Stamp,
    ) -> Result<Self, HistoryError> {
        let zone = Zone::new(&site.time_zone).map_err(|error| HistoryError::Failed(error.to_string()))?;
        let by: By = by.map_or(Ok(By::Day), str::parse).map_err(|error| asked("by", &error))?;
        let end = to.map_or(Ok(now), |text| zone.parse(text)).map_err(|error| asked("to", &error))?;
        let start = match from {
            Some(text) => zone.parse(text).map_err(|error| asked("from", &error))?,
            // The end is exclusive: an end at midnight asks for the day before it.
            None => zone.day_start(zone.day_of(end - Span(1))),
        };
        let intervals = intervals(&zone, by, site.billing_day, start..end)
            .map_err(|error| asked("from, to and by together", &error))?;
        Ok(Self { zone, by, intervals })
    }

    /// From the start of the first interval to the end of the last.
    pub fn range(&self) -> Range<Stamp> {
        match (self.intervals.first(), self.intervals.last()) {
            (Some(first), Some(last)) => first.start..last.end,
            _ => Stamp(0)..Stamp(0),
        }
    }
}

/// What is wrong with a parameter, and what to write.
pub(super) fn asked(parameter: &str, error: &CalendarError) -> HistoryError {
    let hint = match error {
        CalendarError::NotAnInterval { .. } => "by=day, for example",
        CalendarError::NotAComparison { .. } | CalendarError::NoCounterpart { .. } => {
            "compare=previous or compare=year, for example"
        }
        CalendarError::TooMany { .. } => "ask in parts, or by longer intervals",
        _ => "from=2025-03-01&to=2025-04-01, for example: to is where it ends, exclusive",
    };
    HistoryError::Asked { what: format!("{parameter}: {error}"), hint: hint.to_owned() }
}

/// Answers a query with a JSON body. `notes` gives the notes that touch a range.
///
/// # Errors
/// [`HistoryError::Asked`] for a question that makes no sense, [`HistoryError::Failed`] where the
/// source fails.
pub fn answer<S: Source>(
    query: &HistoryQuery,
    now: Stamp,
    source: &mut S,
    notes: impl FnOnce(Range<Stamp>) -> Result<Vec<Note>, String>,
) -> Result<String, HistoryError> {
    let site = &query.site;
    let range = (query.from.as_deref(), query.to.as_deref());
    match query.view {
        View::Energy => energy_text(query, now, source, notes),
        View::Channel(channel) => {
            let (from, to, by) = (query.from.as_deref(), query.to.as_deref(), query.by.as_deref());
            let question = Question::read(site, from, to, by, now)?;
            let found = views::channel::read(site, &question, channel, source)?;
            text(&views::channel::body(site, &question, channel, &found))
        }
        View::Profile => {
            let (zone, profile) = views::profile::read(site, range, query.only.as_deref(), now, source)?;
            // Of each figure 96 numbers of three kinds, for seven days and all.
            text_of(profile.figures.len() << 13, &views::profile::body(site, &zone, &profile))
        }
        View::Rank => {
            let (zone, ranking) = views::rank::read(site, range, query.only.as_deref(), now, source)?;
            let body = views::rank::body(site, &zone, &ranking);
            text(&views::rank::RankBody { conclusion: query.sentence(&body.conclusion), ..body })
        }
        // It needs readings, which a source of rows does not have: `views::audit::answer`.
        View::Audit => Err(HistoryError::Failed("an audit is of readings".to_owned())),
    }
}

/// JSON without a space. Most of the numbers of history are shares of which all is known: those need not be
/// worked out digit by digit.
struct Figures;

impl Formatter for Figures {
    fn write_f64<W: ?Sized + io::Write>(&mut self, writer: &mut W, value: f64) -> io::Result<()> {
        match value.to_bits() {
            0 => writer.write_all(b"0.0"),
            ALL => writer.write_all(b"1.0"),
            _ => CompactFormatter.write_f64(writer, value),
        }
    }
}

/// The bits of 1.
const ALL: u64 = 1f64.to_bits();

fn text(body: &impl serde::Serialize) -> Result<String, HistoryError> {
    text_of(ROOM, body)
}

/// Text of about that many bytes.
fn text_of(room: usize, body: &impl serde::Serialize) -> Result<String, HistoryError> {
    let mut json = Vec::with_capacity(room);
    let mut to = serde_json::Serializer::with_formatter(&mut json, Figures);
    body.serialize(&mut to).map_err(|error| failed(&error))?;
    String::from_utf8(json).map_err(|error| failed(&error))
}

fn failed(error: &dyn std::error::Error) -> HistoryError {
    HistoryError::Failed(error.to_string())
}

fn energy_text<S: Source>(
    query: &HistoryQuery,
    now: Stamp,
    source: &mut S,
    notes: impl FnOnce(Range<Stamp>) -> Result<Vec<Note>, String>,
) -> Result<String, HistoryError> {
    let (from, to, by) = (query.from.as_deref(), query.to.as_deref(), query.by.as_deref());
    let site = &query.site;
    let question = Question::read(site, from, to, by, now)?;
    let summaries = energy_of(site, &question.zone, source, &question.intervals, query.only.as_deref())
        .map_err(|error| failed(&error))?;
    let mut body = Written::of(site, &question, &summaries);
    if let Some(against) = &query.compare {
        let (against, pairs, whole) =
            views::compare::pairs(site, &question, against, source, &summaries, now)?;
        let comparison = views::compare::body(site, &question.zone, against, &pairs, whole.as_ref());
        body.comparison = Some(comparison);
    }
    let found = notes(question.range()).map_err(HistoryError::Failed)?;
    body.annotations = found.iter().map(|note| Annotation::of(&question.zone, note)).collect();
    text_of(body.room(), &body)
}

pub use crate::exchange::TOTALS;

#[cfg(test)]
mod tests {
    use std::sync::Arc;

    use super::*;
    use crate::flow::Row;
    use crate::history::Memory;
    use crate::site::{
        Bus, Channel, Circuit, CircuitEntry, EndUse, Epoch, Figure, FigureKey, Part, Plan, Role, SeriesIndex,
        Service, System, Term,
    };
    use crate::units::{Energy, ONE};

    fn term(series: u32, factor: i64) -> Term {
        Term { series: SeriesIndex(series), part: Part::Net, millionths: factor * ONE }
    }

    /// One mains channel and one circuit.
    fn site() -> Arc<Site> {
        let figure = |key, terms| Figure { key, terms };
        let plan = Plan {
            splits: vec![],
            figures: vec![
                figure(FigureKey::Grid, vec![term(0, 1)]),
                figure(FigureKey::Generation, vec![]),
                figure(FigureKey::Consumption, vec![term(0, 1)]),
                figure(FigureKey::Tracked, vec![term(1, 1)]),
                figure(FigureKey::Untracked, vec![term(0, 1), term(1, -1)]),
                figure(FigureKey::Circuit(0), vec![term(1, 1)]),
                figure(FigureKey::BusFeed(0), vec![term(0, 1)]),
                figure(FigureKey::BusUntracked(0), vec![term(0, 1), term(1, -1)]),
            ],
        };
        let always = Stamp::MIN..Stamp::MAX;
        let entry = CircuitEntry {
            span: always.clone(),
            label: "Well pump".into(),
            end_use: EndUse::WellSump,
            role: Role::Load,
            bus: 0,
            spaces: vec![],
            legs: vec![],
            breaker_a: None,
            ct_rating_a: None,
            terms: vec![term(1, 1)],
            cts: vec![],
            doubled: false,
            line: 1,
            written: Default::default(),
            trade: Default::default(),
        };
        let channel = |key: &str| Channel { name: format!("house/{key}"), device: 0, key: key.into() };
        let bus = Bus {
            id: "service".into(),
            name: "Service".into(),
            parent: None,
            fed_by: None,
            rating_a: None,
            panel: Default::default(),
        };
        Arc::new(Site {
            id: "heron-lane".into(),
            name: "Heron Lane farmhouse".into(),
            time_zone: "America/Denver".into(),
            billing_day: 17,
            late_window: None,
            loading: Default::default(),
            service: Service { system: System::SplitPhase120_240, main_breaker_a: None },
            devices: vec![],
            channels: vec![channel("m1"), channel("pump")],
            buses: vec![bus],
            circuits: vec![Circuit { id: "well-pump".into(), entries: vec![entry] }],
            feeds: vec![],
            accepts: vec![],
            splits: vec![],
            epochs: vec![Epoch { span: always, plan }],
        })
    }

    fn query(from: Option<&str>, to: Option<&str>, by: Option<&str>) -> HistoryQuery {
        let owned = |text: Option<&str>| text.map(str::to_owned);
        HistoryQuery {
            from: owned(from),
            to: owned(to),
            by: owned(by),
            ..HistoryQuery::new(site(), View::Energy)
        }
    }

    /// An hour of 1 kW at the mains from noon of 2025-06-10; the pump takes 400 W of it, and is known
    /// for its first half.
    fn source() -> Memory {
        let zone = Zone::new("America/Denver").expect("a zone");
        let noon = zone.parse("2025-06-10T12:00").expect("a time");
        let mut memory = Memory::new(zone);
        for minute in 0..60 {
            let start = Stamp(noon.0 + minute * Span::MINUTE.0);
            let row = |power: i32| Row {
                energy_in: Energy::of(i64::from(power), Span::MINUTE),
                covered: Span::MINUTE,
                min: power,
                max: power,
                ..Row::empty(start)
            };
            memory.add(SeriesIndex(0), row(10_000));
            if minute < 30 {
                memory.add(SeriesIndex(1), row(4_000));
            }
        }
        memory
    }

    fn now() -> Stamp {
        Zone::utc().parse("2025-06-10T20:30:00Z").expect("a time")
    }

    #[test]
    fn an_hour_reads_as_it_was() {
        let asked = query(Some("2025-06-10T12:00"), Some("2025-06-10T13:00"), Some("hour"));
        let body = answer(&asked, now(), &mut source(), |_| Ok(vec![])).expect("an answer");
        let body: serde_json::Value = serde_json::from_str(&body).expect("JSON");
        let expected = serde_json::json!({
            "site": "heron-lane",
            "by": "hour",
            "time_zone": "America/Denver",
            "intervals": [{
                "start": "2025-06-10T12:00:00-06:00",
                "end": "2025-06-10T13:00:00-06:00",
                "seconds": 3600,
                "coverage": 0.5,
                "import_kwh": null,
                "export_kwh": null,
                "grid_kwh": 1.0,
                "generation_kwh": 0.0,
                "self_consumed_kwh": null,
                "storage_kwh": null,
                "consumption_kwh": 1.0,
                "tracked_kwh": 0.2,
                "untracked_kwh": 0.3,
                "total_coverage": {
                    "grid": 1.0, "generation": 1.0, "consumption": 1.0, "tracked": 0.5, "untracked": 0.5
                },
                "circuits": { "well-pump": 0.2 },
                "circuit_coverage": { "well-pump": 0.5 },
                "buses": { "service": {
                    "feed_kwh": 1.0, "feed_coverage": 1.0, "untracked_kwh": 0.3, "untracked_coverage": 0.5
                } },
            }],
            "annotations": [],
        });
        assert_eq!(body, expected);
    }

    #[test]
    fn a_ct_says_what_it_measured_and_whose_it_was() {
        let channel = views::channel::named(&site(), "house/pump").expect("it is there");
        let view = View::Channel(channel);
        let asked =
            HistoryQuery { view, ..query(Some("2025-06-10T12:00"), Some("2025-06-10T13:00"), Some("hour")) };
        let body = answer(&asked, now(), &mut source(), |_| Ok(vec![])).expect("an answer");
        let body: serde_json::Value = serde_json::from_str(&body).expect("JSON");
        let (start, end) = ("2025-06-10T12:00:00-06:00", "2025-06-10T13:00:00-06:00");
        let expected = serde_json::json!({
            "site": "heron-lane", "channel": "house/pump", "by": "hour", "time_zone": "America/Denver",
            "intervals": [{
                "start": start, "end": end, "seconds": 3600,
                "coverage": 0.5, "kwh": 0.2, "above_kwh": 0.2, "below_kwh": 0.0,
                "held": [{
                    "start": start, "end": end, "circuit": "well-pump", "label": "Well pump", "feeds": null,
                    "leg": null, "factor": 1.0, "kwh": 0.2, "coverage": 0.5,
                }],
            }],
        });
        assert_eq!(body, expected);
        let unknown = views::channel::named(&site(), "house/9");
        assert!(
            matches!(unknown, Err(HistoryError::Asked { what, .. }) if what.contains("house/m1, house/pump"))
        );
    }

    #[test]
    fn what_is_not_asked_is_today_until_now() {
        let check = |from, to, by, expected: &[&str]| {
            let body = answer(&query(from, to, by), now(), &mut source(), |_| Ok(vec![])).expect("an answer");
            let body: crate::web::HistoryBody = serde_json::from_str(&body).expect("the shape");
            let starts: Vec<String> = body.intervals.into_iter().map(|interval| interval.start).collect();
            assert_eq!(starts, expected);
        };
        check(None, None, None, &["2025-06-10T00:00:00-06:00"]);
        check(None, Some("2025-06-10"), None, &["2025-06-09T00:00:00-06:00"]);
        check(Some("2025-06-09"), None, None, &["2025-06-09T00:00:00-06:00", "2025-06-10T00:00:00-06:00"]);
        check(None, None, Some("billing"), &["2025-05-17T00:00:00-06:00"]);
    }

    #[test]
    fn a_question_without_sense_is_told_so() {
        let check =
            |from, to, by, expected: &str| match answer(&query(from, to, by), now(), &mut source(), |_| {
                Ok(vec![])
            }) {
                Err(HistoryError::Asked { what, hint }) => {
                    assert!(what.contains(expected), "{what}");
                    assert!(!hint.is_empty());
                }
                other => panic!("{other:?}"),
            };
        check(Some("soon"), None, None, "from: `soon`");
        check(None, Some("2025-13-01"), None, "to: `2025-13-01`");
        check(None, None, Some("eon"), "by: `eon`");
        check(Some("2025-06-11"), None, None, "not after its start");
        check(Some("2020-01-01"), None, Some("minute"), "more than 10200");
    }

    #[test]
    fn numbers_are_written_as_json_has_them() {
        let numbers = [1.0, 0.0, -0.0, 0.5, 0.999_999, 12.345_678, -1.0, 1e-7, f64::MAX, f64::NAN];
        assert_eq!(text(&numbers).expect("JSON"), serde_json::to_string(&numbers).expect("JSON"));
        assert_eq!(text(&[1.0, 0.0]).expect("JSON"), "[1.0,0.0]");
    }

    #[test]
    fn a_share_of_one_means_all() {
        assert_eq!(views::rounded_down(1.0), 1.0);
        assert_eq!(views::rounded_down(0.999_999_99), 0.999_999);
        assert_eq!(views::rounded_down(0.0), 0.0);
    }
}
