//! The control pilot: how a charger tells a car the most that it may draw (SAE J1772, IEC 61851-1,
//! Annex A), as the part of each millisecond for which a voltage stands.
//!
//! The daemon sends no such signal; a charger does, from the current that it is advised. The function
//! is here because it bounds what can be advised: nothing between 0 and 6 A, nothing above 80 A.

/// The most current in A that a duty cycle (in %) offers; `None` where it offers none.
///
/// Below 8 % charger and car would have to talk digitally, above 97 % there is no charging.
pub fn amps(duty_percent: f64) -> Option<f64> {
    match duty_percent {
        duty if (8.0..10.0).contains(&duty) => Some(6.0),
        duty if (10.0..=85.0).contains(&duty) => Some(0.6 * duty),
        duty if duty > 85.0 && duty <= 96.0 => Some(2.5 * (duty - 64.0)),
        duty if duty > 96.0 && duty <= 97.0 => Some(80.0),
        _ => None,
    }
}

/// The duty cycle (in %) that offers a current in A, or the largest below it; `None` below 6 A and for
/// what is no number. Currents from 51 A to 52.5 A lie in the signal's one jump.
pub fn duty(amps: f64) -> Option<f64> {
    match amps {
        amps if amps.is_nan() || amps < 6.0 => None,
        amps if amps <= 51.0 => Some(amps / 0.6),
        amps if amps <= 52.5 => Some(85.0),
        amps => Some(amps.min(80.0) / 2.5 + 64.0),
    }
}

#[cfg(test)]
mod tests {
    use super::*;

    /// Source: SAE J1772, the duty cycle table (as IEC 61851-1, Annex A, has it).
    #[test]
    fn the_points_of_the_standard() {
        for (duty_percent, current) in [
            (8.0, 6.0),
            (10.0, 6.0),
            (16.0, 9.6),
            (40.0, 24.0),
            (53.0, 31.8),
            (80.0, 48.0),
            (85.0, 51.0),
            (86.0, 55.0),
            (90.0, 65.0),
            (96.0, 80.0),
        ] {
            let found = amps(duty_percent).expect("a current");
            assert!((found - current).abs() < 1e-9, "{duty_percent} %: {found}");
        }
        for none in [0.0, 5.0, 7.9, 97.1, 100.0, f64::NAN] {
            assert_eq!(amps(none), None, "{none} %");
        }
    }

    #[test]
    fn there_is_nothing_between_nought_and_six_and_a_duty_never_offers_more() {
        for tenth in 0..=1000 {
            let wanted = f64::from(tenth) / 10.0;
            match duty(wanted) {
                None => assert!(wanted < 6.0, "{wanted}"),
                Some(duty) => {
                    let offered = amps(duty).expect("a current");
                    assert!((6.0 - 1e-9..=80.0 + 1e-9).contains(&offered), "{wanted}: {offered}");
                    assert!(offered <= wanted + 1e-9, "{wanted}: {offered}");
                }
            }
        }
    }
}
