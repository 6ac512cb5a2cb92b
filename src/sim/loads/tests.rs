//! Whether the invented house lives as a house might. The bounds are from memory and wide: they
//! catch a slip of the pen (a load that never starts, watts taken for kilowatts), not a trend.

use jiff::tz::TimeZone;

use super::super::sky::Weather;
use super::*;

fn day(date: &str, seed: u64) -> Day {
    let at: jiff::Timestamp = format!("{date}T12:00:00-07:00").parse().unwrap();
    Day::holding(at.as_second(), &TimeZone::get("America/Denver").unwrap(), seed).unwrap()
}

/// kWh of each kind over the days of the month given.
fn kwh(year_month: &str, days: std::ops::RangeInclusive<u32>) -> Vec<(&'static str, f64)> {
    let mut sums = [0.0; KINDS];
    let count = f64::from(days.end() - days.start() + 1);
    for number in days {
        let day = day(&format!("{year_month}-{number:02}"), 1);
        let (mut house, mut draws) = (House::new(&day), Draws::default());
        for utc in day.start..day.end {
            house.step(&day.moment(utc), &mut draws);
            for (sum, draw) in sums.iter_mut().zip(&draws.by_kind) {
                *sum += draw.total();
            }
        }
    }
    Kind::ALL.iter().map(|(kind, id)| (*id, sums[*kind as usize] / 3.6e6 / count)).collect()
}

fn of(all: &[(&str, f64)], id: &str) -> f64 {
    all.iter().find(|(other, _)| *other == id).unwrap().1
}

#[test]
fn a_winter_and_a_summer_are_plausible() {
    let (january, july) = (kwh("2026-01", 3..=7), kwh("2026-07", 3..=7));
    let check = |id: &str, winter: std::ops::Range<f64>, summer: std::ops::Range<f64>| {
        let (in_january, in_july) = (of(&january, id), of(&july, id));
        assert!(winter.contains(&in_january), "{id}: {in_january} kWh a day in January");
        assert!(summer.contains(&in_july), "{id}: {in_july} kWh a day in July");
    };
    check("heat-pump", 20.0..70.0, 1.0..20.0);
    check("heat-pump-aux", 3.0..40.0, 0.3..4.0);
    check("water-heater", 1.0..5.0, 1.0..5.0);
    check("well-pump", 0.05..1.0, 0.05..2.0);
    check("range", 0.3..4.0, 0.3..4.0);
    check("dryer", 0.5..6.0, 0.5..6.0);
    check("refrigerator", 1.5..3.0, 1.5..3.0);
    check("dehumidifier", 0.0..0.5, 1.0..11.0);
    check("lighting", 0.8..3.0, 0.2..1.5);
    check("ventilation", 1.5..2.2, 1.5..2.2);
    check("barn-freezer", 0.2..1.5, 0.6..2.5);
    check("workshop-heater", 1.0..30.0, 0.0..0.1);
    check("solar", -35.0..-8.0, -45.0..-20.0);
}

/// 1,300 to 1,700 kWh a year for each kW of modules on the Front Range: plausible, from memory.
#[test]
fn the_array_yields_what_such_an_array_yields() {
    for seed in 1..=3 {
        let weather = Weather::new(seed);
        let mut solar = solar::Solar::new(&day("2026-01-01", seed));
        let (mut draws, mut wh) = (Draws::default(), 0.0);
        for quarter in 0..365 * 96 {
            let utc = 1_767_250_800 + quarter * 900; // 2026-01-01T00:00:00-07:00
            solar.step(&Moment { utc, clock: 0.0, sky: weather.at(utc) }, &mut draws);
            wh -= draws.of(Kind::Solar).total() / 4.0;
        }
        let per_kw = wh / solar::ARRAY_W;
        assert!((1_300.0..1_700.0).contains(&per_kw), "seed {seed}: {per_kw} kWh a kW");
    }
}

#[test]
fn at_night_the_inverter_takes_four_watts() {
    let day = day("2026-06-21", 1);
    let (mut house, mut draws) = (House::new(&day), Draws::default());
    house.step(&day.moment(day.start), &mut draws);
    assert_eq!(draws.of(Kind::Solar), Draw { between: 4.0, first: 0.0, second: 0.0 });
}

#[test]
fn the_dryer_is_not_balanced_and_what_is_doubled_is() {
    let (mut dryer_alone_on_a, mut steps) = (0.0f64, 0);
    for number in 3..=5 {
        let day = day(&format!("2026-01-{number:02}"), 1);
        let (mut house, mut draws) = (House::new(&day), Draws::default());
        for utc in day.start..day.end {
            house.step(&day.moment(utc), &mut draws);
            dryer_alone_on_a = dryer_alone_on_a.max(draws.of(Kind::Dryer).first);
            let balanced = [
                Kind::HeatPump,
                Kind::AuxiliaryHeat,
                Kind::WaterHeater,
                Kind::WellPump,
                Kind::Car,
                Kind::WorkshopHeater,
            ];
            for kind in balanced {
                let draw = draws.of(kind);
                assert_eq!((draw.first, draw.second), (0.0, 0.0), "{kind:?}");
            }
            steps += 1;
        }
    }
    assert_eq!(steps, 3 * 86_400);
    assert!(dryer_alone_on_a > 250.0, "{dryer_alone_on_a}");
}

/// It takes a cold spell: strips help only below −10 °C, or while the pump defrosts.
#[test]
fn strips_help_in_the_cold_and_in_defrosts() {
    let (mut defrosts, mut cold_strips) = (0, 0);
    for number in 0..120 {
        let date = jiff::civil::date(2026, 11, 15).checked_add(jiff::Span::new().days(number)).unwrap();
        let coldest = Weather::new(2).at(day(&date.to_string(), 2).start + 6 * 3600).outdoor_c;
        if coldest > -12.0 {
            continue;
        }
        let day = day(&date.to_string(), 2);
        let (mut house, mut draws) = (House::new(&day), Draws::default());
        let mut before = 0.0;
        for utc in day.start..day.end {
            let now = day.moment(utc);
            house.step(&now, &mut draws);
            let strips = draws.of(Kind::AuxiliaryHeat).between;
            let defrosting = draws.of(Kind::HeatPump).between == heating::REVERSE_W;
            if strips > 4_800.0 && before < 4_800.0 {
                defrosts += i32::from(defrosting);
                cold_strips += i32::from(!defrosting);
                assert!(defrosting || now.sky.outdoor_c < -10.0, "strips at {} °C", now.sky.outdoor_c);
            }
            before = strips;
        }
        if cold_strips > 0 && defrosts > 0 {
            return;
        }
    }
    panic!("a winter with {defrosts} defrosts and {cold_strips} starts of strips for the cold");
}
