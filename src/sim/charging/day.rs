//! The days of an invented year: what the roof gives and the house leaves, second by second.

use anyhow::{Context, Result};
use jiff::tz::TimeZone;
use jiff::{Timestamp, ToSpan};

use super::super::chance::{Chance, mix, wander};
use super::super::day::Day;
use super::super::loads::solar;
use super::super::loads::{Draws, House, Kind};
use super::super::sky::{Broken, Weather};

/// Clear-sky power below which no charge could begin, W: the day is looked at between its first and its
/// last such second.
const DAYLIGHT_W: f64 = 1200.0;
/// Light from the edges of near clouds, as a part of the sun's (invented, of the size that is seen).
const EDGE_LIGHT: f64 = 0.06;

/// The sunlit part of one day.
#[derive(Clone, Debug)]
pub struct DaylightDay {
    /// POSIX second of its first entry.
    pub start: i64,
    /// Generation less the house's own consumption, in W, without the charger.
    pub spare_w: Vec<f64>,
    /// What the array gives, in W.
    pub generation_w: Vec<f64>,
    /// How far the mains voltage is from nominal, as a part of it, by the minute.
    pub volts_off: Vec<f64>,
    /// The part of the time under clouds.
    pub cover: f64,
}

/// The days of a year in the site's zone, by number.
#[derive(Clone, Debug)]
pub struct Year {
    zone: TimeZone,
    first: Timestamp,
    seed: u64,
    /// The array's size, as a part of the farmhouse's 7 kW.
    array: f64,
}

impl Year {
    /// The year of the invented house with this seed, and with an array so many times as large as its own.
    ///
    /// # Errors
    /// Never, but for a time-zone database without its zone.
    pub fn new(seed: u64, array: f64) -> Result<Self> {
        let zone = TimeZone::get("America/Denver").context("the zone is not known")?;
        let first = "2026-01-01T12:00:00-07:00".parse().context("the first day")?;
        Ok(Self { zone, first, seed, array })
    }

    /// Day `number` from 0; `None` for one without enough light.
    ///
    /// # Errors
    /// A day outside of the calendar.
    pub fn day(&self, number: u32) -> Result<Option<DaylightDay>> {
        let noon = self.first.checked_add((i64::from(number) * 24).hours())?;
        let day = Day::holding(noon.as_second(), &self.zone, self.seed)?;
        let weather = Weather::new(self.seed);
        let minutes: Vec<Broken> =
            (0..=(day.end - day.start) / 60).map(|minute| weather.broken(day.start + minute * 60)).collect();
        let bright = |sky: &Broken| -self.array * solar::watts(sky.clear_w_m2, 10.0) >= DAYLIGHT_W;
        let (Some(first), Some(last)) = (minutes.iter().position(bright), minutes.iter().rposition(bright))
        else {
            return Ok(None);
        };
        let mut house = House::new(&day);
        let mut draws = Draws::default();
        let mut clouds = Clouds::new(day.chance(97));
        let mut found = DaylightDay {
            start: day.start + first as i64 * 60,
            spare_w: Vec::new(),
            generation_w: Vec::new(),
            volts_off: Vec::new(),
            cover: minutes[first..=last].iter().map(|sky| sky.cover).sum::<f64>() / (last - first + 1) as f64,
        };
        for utc in day.start..day.start + last as i64 * 60 {
            let moment = day.moment(utc);
            house.step(&moment, &mut draws);
            let minute = ((utc - day.start) / 60) as usize;
            if minute < first {
                continue;
            }
            let light = clouds.light(&minutes[minute], &minutes[minute + 1], (utc - day.start) % 60);
            let generation = -self.array * solar::watts(light, moment.sky.outdoor_c);
            let own = draws.elsewhere.total() + others(&draws);
            found.generation_w.push(generation);
            found.spare_w.push(generation - own);
            if (utc - found.start) % 60 == 0 {
                found.volts_off.push(0.012 * wander(mix(&[self.seed, 0x0700]), utc as f64 / 500.0));
            }
        }
        Ok(Some(found))
    }
}

/// What all loads take but the charger and the array.
fn others(draws: &Draws) -> f64 {
    let apart = [Kind::Car, Kind::Solar].map(|kind| draws.of(kind).total());
    draws.by_kind.iter().map(|draw| draw.total()).sum::<f64>() - apart.iter().sum::<f64>()
}

/// Clouds with edges: the sun is there or not, and turns from one second to the next.
struct Clouds {
    chance: Chance,
    shadow: bool,
    /// The share of the sun's light that this cloud takes away.
    thick: f64,
    /// Seconds for a cloud and a gap together, today.
    round_s: f64,
    /// How much longer or shorter than the mean this cloud or gap is, and for how long it has been there.
    stretch: f64,
    since_s: f64,
}

impl Clouds {
    fn new(mut chance: Chance) -> Self {
        let round_s = chance.between(120.0, 900.0);
        Self { chance, shadow: false, thick: 0.8, round_s, stretch: 1.0, since_s: 0.0 }
    }

    fn light(&mut self, sky: &Broken, later: &Broken, second: i64) -> f64 {
        let part = second as f64 / 60.0;
        let mean = |a: f64, b: f64| a + (b - a) * part;
        let cover = mean(sky.cover, later.cover);
        let stays = if self.shadow { cover } else { 1.0 - cover };
        self.since_s += 1.0;
        if self.since_s > self.round_s * stays * self.stretch {
            self.turn(cover);
        }
        let clear = mean(sky.clear_w_m2, later.clear_w_m2);
        let clouded = mean(sky.clouded_w_m2, later.clouded_w_m2);
        match self.shadow {
            true => clear + (clouded - clear) * self.thick,
            false => clear * (1.0 + EDGE_LIGHT * (4.0 * cover * (1.0 - cover))),
        }
    }

    /// The next gap, or the next cloud; a closed sky has no gaps, and a clear one no clouds.
    fn turn(&mut self, cover: f64) {
        self.shadow = match cover {
            cover if cover > 0.97 => true,
            cover if cover < 0.03 => false,
            _ => !self.shadow,
        };
        self.thick = self.chance.between(0.35, 1.0);
        self.stretch = self.chance.between(0.25, 1.75);
        self.since_s = 0.0;
    }
}
