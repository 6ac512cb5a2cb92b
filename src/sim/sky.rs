//! Sun and weather over an invented place on Colorado's Front Range, at 40° N.
//!
//! The sun's place follows from geometry. Everything else (temperatures, clouds, snow on the array)
//! is invented, with figures from memory that are meant to be plausible for the place and no more.

use std::f64::consts::TAU;

use super::chance::{mix, unit, wander};

const LATITUDE_DEG: f64 = 40.0;
const LONGITUDE_DEG: f64 = -105.1;
/// The array: tilt from the horizontal, and azimuth clockwise from north.
const TILT_DEG: f64 = 35.0;
const AZIMUTH_DEG: f64 = 172.0;

/// The sky at a moment.
#[derive(Clone, Copy, Debug, Default)]
pub(super) struct Sky {
    /// Air temperature outside, °C.
    pub outdoor_c: f64,
    /// The sun's height above the horizon, degrees.
    pub sun_deg: f64,
    /// Sunlight on the array, W/m².
    pub array_w_m2: f64,
    /// How damp a basement is: 0 in winter to 1 in a wet summer week.
    pub damp: f64,
}

/// Light on the array where a cloud's edge passes in a second.
#[derive(Clone, Copy, Debug)]
pub(super) struct Broken {
    /// In the sun, W/m².
    pub clear_w_m2: f64,
    /// Under a thick cloud, W/m².
    pub clouded_w_m2: f64,
    /// The part of the time that is under clouds, 0 to 1.
    pub cover: f64,
}

impl Sky {
    /// Between this and a later one.
    pub(super) fn toward(&self, later: &Self, part: f64) -> Self {
        let mean = |a: f64, b: f64| a + (b - a) * part;
        Self {
            outdoor_c: mean(self.outdoor_c, later.outdoor_c),
            sun_deg: mean(self.sun_deg, later.sun_deg),
            array_w_m2: mean(self.array_w_m2, later.array_w_m2),
            damp: mean(self.damp, later.damp),
        }
    }
}

/// Where the sun stands.
#[derive(Clone, Copy, Debug)]
pub(super) struct Sun {
    /// Above the horizon, radians.
    pub height: f64,
    /// Clockwise from north, radians.
    pub azimuth: f64,
}

/// The sun's place over `latitude` and `longitude` (degrees, east and north positive) at a POSIX
/// time. Spencer's series for declination and the equation of time (from memory; good to some
/// tenths of a degree, without refraction).
pub(super) fn sun(seconds: f64, latitude: f64, longitude: f64) -> Sun {
    let year = 365.2425 * 86_400.0;
    let g = TAU * (seconds / year).rem_euclid(1.0);
    let declination = 0.006918 - 0.399912 * g.cos() + 0.070257 * g.sin() - 0.006758 * (2.0 * g).cos()
        + 0.000907 * (2.0 * g).sin()
        - 0.002697 * (3.0 * g).cos()
        + 0.00148 * (3.0 * g).sin();
    let equation_h = (0.000075 + 0.001868 * g.cos()
        - 0.032077 * g.sin()
        - 0.014615 * (2.0 * g).cos()
        - 0.040849 * (2.0 * g).sin())
        * 24.0
        / TAU;
    let solar_h = (seconds / 3600.0 + longitude / 15.0 + equation_h).rem_euclid(24.0);
    let hour_angle = (solar_h - 12.0) * TAU / 24.0;
    let latitude = latitude.to_radians();
    let sine = latitude.sin() * declination.sin() + latitude.cos() * declination.cos() * hour_angle.cos();
    let height = sine.clamp(-1.0, 1.0).asin();
    let east = -declination.cos() * hour_angle.sin();
    let north = declination.sin() * latitude.cos() - declination.cos() * latitude.sin() * hour_angle.cos();
    Sun { height, azimuth: east.atan2(north).rem_euclid(TAU) }
}

/// The weather of one seed.
#[derive(Clone, Copy, Debug)]
pub(super) struct Weather {
    seed: u64,
}

impl Weather {
    pub(super) fn new(seed: u64) -> Self {
        Self { seed }
    }

    /// The sky at a POSIX time.
    pub(super) fn at(&self, seconds: i64) -> Sky {
        let seconds = seconds as f64;
        let sun = sun(seconds, LATITUDE_DEG, LONGITUDE_DEG);
        let cloud = self.cloud(seconds);
        Sky {
            outdoor_c: self.outdoor(seconds, cloud),
            sun_deg: sun.height.to_degrees(),
            array_w_m2: self.array(seconds, sun, cloud),
            damp: self.damp(seconds),
        }
    }

    /// Clear and clouded light for a sky in which clouds have edges.
    pub(super) fn broken(&self, seconds: i64) -> Broken {
        let seconds = seconds as f64;
        let sun = sun(seconds, LATITUDE_DEG, LONGITUDE_DEG);
        let spell =
            0.55 * wander(self.key(5), seconds / 80_000.0) + 0.45 * wander(self.key(6), seconds / 14_000.0);
        Broken {
            clear_w_m2: self.array(seconds, sun, 0.0),
            clouded_w_m2: self.array(seconds, sun, 0.9),
            // Clear, broken and closed for some 45, 30 and 25 % of the time (from memory, of the size that
            // the Front Range has: sunshine for two thirds of the time that is possible).
            cover: (0.1 + 3.5 * spell).clamp(0.0, 1.0),
        }
    }

    fn key(&self, what: u64) -> u64 {
        mix(&[self.seed, 0x5eed_0f5c_1e5a, what])
    }

    /// −1 in mid January to 1 in mid July.
    fn season(seconds: f64) -> f64 {
        -((seconds / (365.2425 * 86_400.0) - 16.0 / 365.0) * TAU).cos()
    }

    /// Season, weather of some days, the day's swing (less under cloud), and a little of the hour.
    fn outdoor(&self, seconds: f64, cloud: f64) -> f64 {
        let day = seconds / 86_400.0;
        let season = 10.5 + 12.5 * Self::season(seconds);
        let fronts = 6.5 * wander(self.key(1), day / 3.1) + 4.0 * wander(self.key(2), day / 1.3);
        let solar_h = (seconds / 3600.0 + LONGITUDE_DEG / 15.0).rem_euclid(24.0);
        let swing = 7.0 * (1.0 - 0.6 * cloud) * ((solar_h - 15.0) / 24.0 * TAU).cos();
        season + fronts + swing + 0.6 * wander(self.key(3), seconds / 2400.0)
    }

    fn damp(&self, seconds: f64) -> f64 {
        let week = 0.5 + 0.5 * wander(self.key(4), seconds / (86_400.0 * 4.0));
        ((Self::season(seconds) + 0.35) * 0.75).clamp(0.0, 1.0) * (0.35 + 0.65 * week)
    }

    /// 0 clear to 1 overcast: spells of some hours to days, with breaks of minutes in half-clouded ones.
    fn cloud(&self, seconds: f64) -> f64 {
        let spell =
            0.55 * wander(self.key(5), seconds / 80_000.0) + 0.45 * wander(self.key(6), seconds / 14_000.0);
        let breaks = 0.6 * wander(self.key(7), seconds / 900.0) + 0.4 * wander(self.key(8), seconds / 210.0);
        // Breaks matter where the spell is neither clear nor closed.
        let open = (1.0 - (spell - 0.2).abs() * 2.2).clamp(0.0, 1.0);
        ((spell - 0.12) * 2.6 + open * breaks * 1.1).clamp(0.0, 1.0)
    }

    /// Light on the tilted array: a beam by air mass (Meinel's fit, for some 1,600 m of height),
    /// an even sky, and the ground's reflection, all from memory.
    fn array(&self, seconds: f64, sun: Sun, cloud: f64) -> f64 {
        let sine = sun.height.sin();
        if sine <= 0.01 {
            return 0.0;
        }
        let air_mass = 0.83 / (sine + 0.50572 * (sun.height.to_degrees() + 6.07995).powf(-1.6364));
        let beam = 1361.0 * (0.14 + 0.86 * 0.70f64.powf(air_mass.powf(0.678))) * 0.94;
        // Under cloud the beam goes first; light scattered by thin cloud adds to the sky's.
        let beam = beam * (1.0 - cloud).powf(1.4);
        let sky = 1361.0 * sine * (0.085 + 0.17 * cloud * (1.15 - cloud));
        let (tilt, facing) = (TILT_DEG.to_radians(), AZIMUTH_DEG.to_radians());
        let incidence =
            (sine * tilt.cos() + sun.height.cos() * tilt.sin() * (sun.azimuth - facing).cos()).max(0.0);
        let ground = (beam * sine + sky) * 0.2 * (1.0 - tilt.cos()) / 2.0;
        (beam * incidence + sky * (1.0 + tilt.cos()) / 2.0 + ground) * self.clean(seconds)
    }

    /// The part of the array that no snow covers; a cold front may leave snow for a day.
    fn clean(&self, seconds: f64) -> f64 {
        let day = (seconds / 86_400.0).floor();
        let cold = Self::season(seconds) < -0.35;
        let snowed = unit(mix(&[self.key(9), day as i64 as u64])) < 0.05;
        if cold && snowed { 0.15 } else { 1.0 }
    }
}

#[cfg(test)]
mod tests {
    use super::*;

    /// NREL TP-560-34302 (the solar position algorithm's worked example): at 2003-10-17 12:30:30 −07:00,
    /// 39.742476 N, 105.1786 W, zenith 50.111622°, azimuth 194.340241°. The simulator's short series
    /// need only be near it.
    #[test]
    fn the_sun_stands_where_the_worked_example_has_it() {
        let at: jiff::Timestamp = "2003-10-17T12:30:30-07:00".parse().unwrap();
        let sun = sun(at.as_second() as f64, 39.742476, -105.1786);
        let zenith = 90.0 - sun.height.to_degrees();
        assert!((zenith - 50.111622).abs() < 0.4, "zenith {zenith}");
        assert!((sun.azimuth.to_degrees() - 194.340241).abs() < 0.4, "azimuth {}", sun.azimuth.to_degrees());
    }

    fn mean(from: &str, days: i64, of: impl Fn(Sky) -> f64) -> f64 {
        let from: jiff::Timestamp = from.parse().unwrap();
        let samples = days * 96;
        let weather = Weather::new(5);
        let sum: f64 = (0..samples).map(|n| of(weather.at(from.as_second() + n * 900))).sum();
        sum / samples as f64
    }

    #[test]
    fn seasons_are_plausible() {
        let january = mean("2026-01-01T00:00:00Z", 31, |sky| sky.outdoor_c);
        let july = mean("2026-07-01T00:00:00Z", 31, |sky| sky.outdoor_c);
        assert!((-8.0..4.0).contains(&january), "January {january}");
        assert!((18.0..28.0).contains(&july), "July {july}");
        assert_eq!(mean("2026-01-01T00:00:00Z", 31, |sky| sky.damp), 0.0);
    }

    #[test]
    fn nights_are_dark_and_noons_are_not() {
        let weather = Weather::new(5);
        for day in 0..365 {
            let midnight = 1_767_250_800 + day * 86_400; // 2026-01-01T00:00:00-07:00
            assert_eq!(weather.at(midnight).array_w_m2, 0.0);
            let noon = weather.at(midnight + 12 * 3600);
            assert!(noon.array_w_m2 > 3.0 && noon.array_w_m2 < 1350.0, "{noon:?}");
            assert!(noon.sun_deg > 25.0, "{noon:?}");
        }
    }
}
