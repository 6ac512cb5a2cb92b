//! Three years of a real house on the disk under a map that was wrong, and is corrected.
//!
//! Source: UCI Machine Learning Repository, data set 235 (see [`crate::real_house`], which has the
//! figures that are expected of its years). Here the same readings lie in a store: laid in while the mains CT
//! counted as reversed, one sub-meter as doubled and two as each other; then the map is put right. What
//! the house used has to come out by minute, hour, day, month and year.

use std::sync::Arc;
use std::sync::mpsc::{Receiver, channel};
use std::time::{Duration, Instant};

use panelwright::calendar::{By, Interval, Zone, intervals};
use panelwright::history::{Summary, energy};
use panelwright::reading::{Reading, Sample, SiteIndex};
use panelwright::site::{self, ChannelIndex, FigureKey, Site};
use panelwright::store::{Batch, Command, Event, Keep, Options, Source, Store};
use panelwright::units::{CENTIJOULES_PER_WH, ONE, Span, Stamp};

use crate::real_house::{MAP, Minute, YEARS, ZONE, figures, file, minutes};

/// Days in one seal: some hundred thousand readings.
const AT_ONCE: usize = 20;

fn site_of(map: &str) -> Arc<Site> {
    let parsed = site::parse("real-house.toml", map);
    Arc::new(parsed.site.unwrap_or_else(|| panic!("the map is refused: {:?}", parsed.findings)))
}

/// The map as somebody got it wrong.
fn wrong() -> String {
    let edit = |map: String, from: &str, to: &str| {
        assert_eq!(map.matches(from).count(), 1, "{from}");
        map.replacen(from, to, 1)
    };
    let map =
        edit(MAP.to_owned(), r#"channel = "house/mains", "#, r#"channel = "house/mains", reversed = true, "#);
    let map = edit(map, r#"["house/s1"]"#, "[\"house/s1\"]\ndoubled = true");
    let map = edit(map, r#"["house/s2"]"#, r#"["house/S3"]"#);
    let map = edit(map, r#"["house/s3"]"#, r#"["house/s2"]"#);
    edit(map, r#"["house/S3"]"#, r#"["house/s3"]"#)
}

fn open(directory: &std::path::Path, site: &Arc<Site>) -> (Store, Receiver<Event>) {
    let (tell, events) = channel();
    let options = Options { directory: directory.to_owned(), centrals: vec![], keep: Keep::default() };
    let on_event = Box::new(move |event| drop(tell.send(event)));
    (Store::open(options, std::slice::from_ref(site), on_event).expect("a store"), events)
}

/// Waits until all work is done; how many days were derived again.
fn flush(store: &Store, events: &Receiver<Event>) -> u64 {
    store.sender().blocking_send(Command::Flush).expect("the writer is there");
    let mut days = 0;
    loop {
        match events.recv_timeout(Duration::from_secs(300)).expect("an event") {
            Event::Flushed => return days,
            Event::Rederived { derived, .. } => days += u64::from(derived),
            event => assert!(!matches!(event, Event::Damaged { .. } | Event::Trouble { .. }), "{event:?}"),
        }
    }
}

fn lay_in(directory: &std::path::Path, site: &Arc<Site>, all: &[Minute]) {
    let (store, events) = open(directory, site);
    let channels = ["mains", "s1", "s2", "s3"].map(|name| {
        let channel = site.channel(&format!("house/{name}"));
        channel.expect("a channel of the map")
    });
    let mut ticket = 0;
    for some in all.chunks(AT_ONCE * 1440) {
        for day in some.chunks(1440) {
            // A mean stands for the minute before it.
            let readings = day.iter().flat_map(|minute| {
                let at = minute.start + Span::MINUTE;
                let [s1, s2, s3] = minute.sub_wh.map(|wh| wh * 600);
                let values = [minute.mains_w * 10, s1, s2, s3];
                let reading = move |(channel, value): (ChannelIndex, i64)| Reading {
                    site: SiteIndex(0),
                    channel,
                    sample: Sample { at, value },
                };
                channels.into_iter().zip(values).map(reading)
            });
            ticket += 1;
            let batch = Batch { ticket, readings: readings.collect(), ..Batch::default() };
            store.sender().blocking_send(Command::Commit(batch)).expect("the writer is there");
        }
        let before = some[some.len() - 1].start + Span::MINUTE;
        store.sender().blocking_send(Command::Seal { before }).expect("the writer is there");
        assert_eq!(flush(&store, &events), 0, "nothing is derived twice");
    }
    store.close();
}

struct House {
    site: Arc<Site>,
    zone: Zone,
    source: Source,
}

impl House {
    fn over(&mut self, site: &Site, by: By, range: (Stamp, Stamp)) -> Vec<Summary> {
        let cut: Vec<Interval> = intervals(&self.zone, by, 1, range.0..range.1).expect("intervals");
        energy(site, &self.zone, &mut self.source, &cut).expect("rows")
    }
}

fn of(summary: &Summary, key: FigureKey) -> i128 {
    summary.get(key).map_or(0, |amount| amount.energy)
}

/// Days, months and hours add up to the year, to the integer.
fn adds_up(house: &mut House, year: &Summary) {
    let site = Arc::clone(&house.site);
    let range = (year.interval.start, year.interval.end);
    let months = house.over(&site, By::Month, range);
    let mut parts = vec![house.over(&site, By::Day, range)];
    let hours = months.iter().flat_map(|month| {
        let range = (month.interval.start, month.interval.end);
        house.over(&site, By::Hour, range)
    });
    let hours: Vec<Summary> = hours.collect();
    parts.push(hours);
    parts.push(months);
    for parts in parts {
        for (key, amount) in &year.figures {
            assert_eq!(parts.iter().map(|part| of(part, *key)).sum::<i128>(), amount.energy, "{key:?}");
        }
        assert!(parts.iter().all(|part| part.totals_coverage() == 1.0 && !part.rederiving));
    }
}

/// Every minute as the file has it: untracked energy and import.
fn minute_by_minute(house: &mut House, all: &[Minute]) -> usize {
    let mut site = (*house.site).clone();
    let looked_at = [FigureKey::Untracked, FigureKey::Import, FigureKey::Export];
    for epoch in &mut site.epochs {
        epoch.plan.figures.retain(|figure| looked_at.contains(&figure.key));
    }
    // A watt for a minute is 1/60 Wh.
    let watt_minute = i128::from(CENTIJOULES_PER_WH) * i128::from(ONE) / 60;
    let mut negative = 0;
    for day in all.chunks(1440) {
        let range = (day[0].start, day[day.len() - 1].start + Span::MINUTE);
        let found = house.over(&site, By::Minute, range);
        assert_eq!(found.len(), day.len());
        for (found, minute) in found.iter().zip(day) {
            let untracked = minute.mains_w - minute.sub_wh.iter().map(|wh| wh * 60).sum::<i64>();
            let expected = [untracked, minute.mains_w, 0].map(|watts| i128::from(watts) * watt_minute);
            assert_eq!(looked_at.map(|key| of(found, key)), expected, "{minute:?}");
            negative += usize::from(untracked < 0);
        }
    }
    negative
}

#[test]
fn three_years_on_the_disk_come_out_right_after_a_wrong_map_is_corrected() {
    let Some(path) = file() else { return };
    let zone = Zone::new(ZONE).expect("a zone");
    let at = |text| zone.parse(text).expect("a date");
    let (from, to) = (at(YEARS[0].0), at(YEARS[2].1));
    let all: Vec<Minute> =
        minutes(&path).filter(|minute| minute.start >= from && minute.start < to).collect();
    assert_eq!(all.len(), (365 + 366 + 365) * 1440);

    let directory = tempfile::tempdir().expect("a directory");
    let started = Instant::now();
    lay_in(directory.path(), &site_of(&wrong()), &all);
    eprintln!("{} readings laid in, in {:.0} s", 4 * all.len(), started.elapsed().as_secs_f64());

    let site = site_of(MAP);
    let started = Instant::now();
    let (store, events) = open(directory.path(), &site);
    let days = flush(&store, &events);
    eprintln!("{days} days derived again in {:.0} s", started.elapsed().as_secs_f64());
    // The years are at +01:00, so the first hour of them is of the UTC day before.
    assert_eq!(days, 365 + 366 + 365 + 1);

    let source = store.reader().source(SiteIndex(0));
    let mut house = House { site: Arc::clone(&site), zone, source };
    for (from, to, expected) in YEARS {
        let range = (house.zone.parse(from).expect("a date"), house.zone.parse(to).expect("a date"));
        let year = house.over(&site, By::Year, range).remove(0);
        assert_eq!(figures(&site, &year), expected, "{from}");
        assert_eq!((year.totals_coverage(), year.rederiving), (1.0, false), "{from}");
        adds_up(&mut house, &year);
    }
    let mut highest = 0.0_f64;
    for month in 1..=12 {
        let start = house.zone.parse(&format!("2007-{month:02}-01")).expect("a date");
        let range = house.zone.month_range(house.zone.month_of(start));
        for quarter in house.over(&site, By::Quarter, (range.start, range.end)) {
            highest = highest.max(quarter.kwh(FigureKey::Import).expect("known") * 4.0);
        }
    }
    assert_eq!(
        format!("{highest:.3}"),
        "8.258",
        "the highest demand of 2007 over a quarter of an hour, in kW"
    );
    let negative = minute_by_minute(&mut house, &all);
    eprintln!("{} minutes as in the file, {negative} of them below 0", all.len());
    drop(house);
    store.close();
}
