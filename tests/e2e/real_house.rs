//! A real house, three years of it: untracked energy and roll-ups to the last digit.
//!
//! Source: UCI Machine Learning Repository, data set 235, "Individual household electric power
//! consumption", 2,075,259 minutes of one house near Paris; `tests/oracle/fetch-real-house` gets it.
//! The mains are a mean power by the minute to 1 W, the three sub-meters whole Wh by the minute.
//! Time stamps are at a fixed +01:00: they hold the hour that summer time skips.
//!
//! The expected figures are sums over the file itself, computed apart from this program:
//! untracked Wh of a minute = P · 1000 / 60 − s1 − s2 − s3, kept signed.

use std::path::PathBuf;

use panelwright::calendar::{By, Interval, LocalDay, Zone, intervals};
use panelwright::flow::Row;
use panelwright::history::{Memory, Summary, energy};
use panelwright::site::{self, FigureKey, SeriesIndex, Site};
use panelwright::units::{CENTIJOULES_PER_WH, Energy, Span, Stamp};

/// The house as a map: whole-house mains and its three sub-meters.
pub const MAP: &str = r#"
site = "real-house"
name = "A real house (UCI data set 235)"
time_zone = "Etc/GMT-1"   # POSIX has the sign the other way round: this is a fixed +01:00

[service]
system = "split-phase 120/240"   # the house has one phase of 230 V; no figure here depends on it

[[device]]
id = "house"
topic = "real-house/{channel}"
unit = "W"
every_s = 60

[[feed]]
bus = "main"
channels = [{ channel = "house/mains", leg = "A" }]
measures = "panel"

[[circuit]]
id = "kitchen"
label = "Dishwasher, oven, microwave"
end_use = "cooking"
bus = "main"
channels = ["house/s1"]

[[circuit]]
id = "laundry"
label = "Washing machine, dryer, refrigerator, a light"
end_use = "laundry"
bus = "main"
channels = ["house/s2"]

[[circuit]]
id = "hot-water"
label = "Electric water heater, air conditioner"
end_use = "hot water"
bus = "main"
channels = ["house/s3"]
"#;

/// The zone of the data's time stamps.
pub const ZONE: &str = "Etc/GMT-1";

/// One minute of the house.
#[derive(Clone, Copy, Debug, PartialEq, Eq)]
pub struct Minute {
    /// Where it starts.
    pub start: Stamp,
    /// Mean power of the mains in W.
    pub mains_w: i64,
    /// Energy of each sub-meter in Wh.
    pub sub_wh: [i64; 3],
}

/// The site of [`MAP`].
pub fn house() -> Site {
    let parsed = site::parse("real-house.toml", MAP);
    parsed.site.unwrap_or_else(|| panic!("the map is refused: {:?}", parsed.findings))
}

/// The data set's file, if it was fetched. If not: says that the test is skipped, or fails it in CI.
pub fn file() -> Option<PathBuf> {
    fetched("householdpower.csv", "fetch-real-house")
}

/// A file that a script of `tests/oracle` fetches, if it was. If not: says that the test is skipped,
/// or fails it in CI.
pub fn fetched(name: &str, script: &str) -> Option<PathBuf> {
    let root = PathBuf::from(env!("CARGO_MANIFEST_DIR"));
    let directory = std::env::var_os("PANELWRIGHT_TEST_DATA").map(PathBuf::from);
    let path = root.join(directory.unwrap_or_else(|| "target/oracle".into())).join(name);
    if path.is_file() {
        return Some(path);
    }
    let missing = format!("{name} is missing (tests/oracle/{script} gets it)");
    assert!(std::env::var_os("CI").is_none(), "{missing}");
    eprintln!("skipped: {missing}");
    None
}

/// Every minute of the file, in order.
pub fn minutes(path: &std::path::Path) -> impl Iterator<Item = Minute> {
    let reader = csv::Reader::from_path(path).expect("the file opens");
    reader.into_records().map(|record| {
        let record = record.expect("a line of fields");
        let field = |index: usize| record.get(index).expect("a field").trim();
        let wh = |index: usize| thousandths(field(index)) / 1000;
        Minute { start: stamp(field(0)), mains_w: thousandths(field(1)), sub_wh: [wh(5), wh(6), wh(7)] }
    })
}

/// A decimal number of at most three places, in thousandths: kW in whole W, without a float.
fn thousandths(text: &str) -> i64 {
    let (whole, fraction) = text.split_once('.').unwrap_or((text, ""));
    let digits = format!("{whole}{fraction:0<3}");
    assert_eq!(digits.len(), whole.len() + 3, "{text} has more than three decimal places");
    digits.parse().unwrap_or_else(|_| panic!("{text} is no number"))
}

/// `2006-12-16 17:24:00`, at +01:00.
fn stamp(text: &str) -> Stamp {
    let number = |range: std::ops::Range<usize>| text[range].parse::<i64>().expect("a number");
    let day = LocalDay::from_civil(number(0..4) as i16, number(5..7) as i8, number(8..10) as i8);
    let days = i64::from(day.expect("a date").0);
    let seconds = number(11..13) * 3600 + number(14..16) * 60 + number(17..19);
    Stamp::from_seconds(days * 86_400 + seconds - 3600)
}

/// The rows of a minute: each channel, and the grid's sign split.
fn add(memory: &mut Memory, site: &Site, minute: &Minute) {
    let mut row = |series: SeriesIndex, tenth_watts: i64| {
        let power = i32::try_from(tenth_watts).expect("a household's power");
        let energy_in = Energy::of(tenth_watts, Span::MINUTE);
        let covered = Span::MINUTE;
        memory.add(series, Row { energy_in, covered, min: power, max: power, ..Row::empty(minute.start) });
    };
    let channel = |name: &str| SeriesIndex(site.channel(name).expect("a channel of the map").0);
    let mains = minute.mains_w * 10;
    row(channel("house/mains"), mains);
    for (name, wh) in ["house/s1", "house/s2", "house/s3"].into_iter().zip(minute.sub_wh) {
        // A Wh in a minute is 60 W.
        row(channel(name), wh * 600);
    }
    for (index, name) in site.splits.iter().enumerate() {
        // This house has no PV: nothing is generated, so nothing of it is used.
        row(site.split_series(index), if name == "grid" { mains } else { 0 });
    }
}

struct House {
    site: Site,
    zone: Zone,
    memory: Memory,
}

impl House {
    fn over(&mut self, cut: &[Interval]) -> Vec<Summary> {
        energy(&self.site, &self.zone, &mut self.memory, cut).unwrap_or_else(|never| match never {})
    }

    fn cut(&self, by: By, from: &str, to: &str) -> Vec<Interval> {
        let at = |text| self.zone.parse(text).expect("a date");
        intervals(&self.zone, by, 1, at(from)..at(to)).expect("intervals")
    }

    fn by(&mut self, by: By, from: &str, to: &str) -> Vec<Summary> {
        let cut = self.cut(by, from, to);
        self.over(&cut)
    }
}

/// kWh to three decimals of the untracked energy and of the figures around it.
pub fn figures(site: &Site, year: &Summary) -> Vec<String> {
    let circuit = |id: &str| {
        let index = site.circuits.iter().position(|circuit| circuit.id == id);
        FigureKey::Circuit(index.expect("a circuit of the map"))
    };
    let keys =
        [FigureKey::Grid, circuit("kitchen"), circuit("laundry"), circuit("hot-water"), FigureKey::Untracked];
    keys.map(|key| format!("{:.3}", year.kwh(key).expect("known"))).to_vec()
}

/// What the data set comes to.
pub const YEARS: [(&str, &str, [&str; 5]); 3] = [
    ("2007-01-01", "2008-01-01", ["9759.073", "646.418", "856.360", "3035.530", "5220.765"]),
    ("2008-01-01", "2009-01-01", ["9418.450", "585.023", "661.924", "3181.514", "4989.989"]),
    ("2009-01-01", "2010-01-01", ["9423.730", "595.407", "593.706", "3576.843", "4657.774"]),
];

#[test]
fn years_roll_up_to_the_last_digit() {
    let Some(path) = file() else { return };
    let zone = Zone::new(ZONE).expect("a zone");
    let site = house();
    let mut minutes = minutes(&path).peekable();
    let (mut count, mut negative, mut lowest) = (0_u64, 0_u64, 0_i128);
    let mut year = 2006;
    while minutes.peek().is_some() {
        let until = zone.parse(&format!("{}-01-01", year + 1)).expect("a date");
        let mut house = House { site: site.clone(), zone: zone.clone(), memory: Memory::new(zone.clone()) };
        let mut months = std::collections::BTreeSet::new();
        while let Some(minute) = minutes.next_if(|minute| minute.start < until) {
            months.insert(zone.month_of(minute.start));
            add(&mut house.memory, &house.site, &minute);
            count += 1;
        }
        if let Some((from, to, expected)) = YEARS.iter().find(|(_, to, _)| zone.parse(to) == Ok(until)) {
            let whole = house.by(By::Year, from, to).remove(0);
            assert_eq!(figures(&site, &whole), expected, "{from}");
            assert_eq!(whole.totals_coverage(), 1.0, "{from}");
            books_close(&mut house, from, to, &whole);
            if year == 2007 {
                assert_eq!(format!("{:.3}", highest_quarter_kw(&mut house, from, to)), "8.258");
            }
        }
        // Untracked is kept signed: a negative minute is evidence, and none is clipped. The other
        // figures are not asked for: two million minutes of them would take a minute.
        house.site.epochs[0].plan.figures.retain(|figure| figure.key == FigureKey::Untracked);
        for month in months {
            let range = zone.month_range(month);
            let mut at = range.start;
            while at < range.end {
                let cut = intervals(&zone, By::Minute, 1, at..at + Span::DAY).expect("intervals");
                at = at + Span::DAY;
                for summary in house.over(&cut) {
                    let untracked = summary.get(FigureKey::Untracked).map_or(0, |amount| amount.energy);
                    negative += u64::from(untracked < 0);
                    lowest = lowest.min(untracked);
                }
            }
        }
        year += 1;
    }
    assert_eq!(count, 2_075_259);
    assert_eq!(negative, 1_059);
    let wh = i128::from(CENTIJOULES_PER_WH) * 1_000_000;
    assert_eq!(lowest * 100, -240 * wh, "−2.40 Wh");
}

/// The year is the sum of its days, and each day closes, to the integer.
fn books_close(house: &mut House, from: &str, to: &str, year: &Summary) {
    let days = house.by(By::Day, from, to);
    let energy = |summary: &Summary, key| summary.get(key).map_or(0, |amount| amount.energy);
    for (key, amount) in &year.figures {
        assert_eq!(days.iter().map(|day| energy(day, *key)).sum::<i128>(), amount.energy, "{key:?}");
    }
    let main = house.site.buses.iter().position(|bus| bus.id == "main").expect("the panel");
    for day in &days {
        let circuits = (0..house.site.circuits.len()).map(|index| energy(day, FigureKey::Circuit(index)));
        let untracked = energy(day, FigureKey::BusUntracked(main));
        assert_eq!(energy(day, FigureKey::BusFeed(main)), circuits.sum::<i128>() + untracked);
    }
}

/// The highest mean import of a quarter-hour, in kW.
fn highest_quarter_kw(house: &mut House, from: &str, to: &str) -> f64 {
    let mut highest = 0.0_f64;
    for month in house.cut(By::Month, from, to) {
        let quarters = intervals(&house.zone, By::Quarter, 1, month.start..month.end).expect("intervals");
        for quarter in house.over(&quarters) {
            highest = highest.max(quarter.kwh(FigureKey::Import).expect("known") * 4.0);
        }
    }
    highest
}
