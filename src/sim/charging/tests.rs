//! The closed loop over a few days; the bench lives through the year.

use super::*;

/// Some days, and looser lines than the year's: the bench prints what the year comes to.
#[test]
fn days_of_each_season_are_near_what_the_year_is_judged_by() {
    let year = Year::new(1, 1.5).expect("a year");
    let trial = Trial::new("").expect("the defaults");
    let mut score = Score::default();
    for number in (10..365).step_by(60) {
        if let Some(day) = year.day(number).expect("a day") {
            score.add(&trial.live(&day, |_, _, _, _| ()));
        }
    }
    assert!(score.caught > 20_000.0, "{score:?}");
    assert!(score.share() >= 0.9, "{:.3} of the surplus, {score:?}", score.share());
    assert!(score.grid_part() <= 0.035, "{:.3} from the grid, {score:?}", score.grid_part());
    assert!(score.most_starts <= 8, "{score:?}");
    assert!(score.turns > 0 && score.hours > 5.0, "{score:?}");
}

#[test]
fn a_car_is_late_gradual_and_never_between_0_and_6_a() {
    let mut car = Car::default();
    let mut taken: Vec<f64> = (0..60).map(|_| car.step(20.0)).collect();
    assert_eq!(taken[..11], [0.0; 11]);
    assert!((19.9..=20.0).contains(&taken[59]), "{taken:?}");
    taken.extend((0..30).map(|_| car.step(0.0)));
    assert_eq!(taken[89], 0.0);
    assert!(taken.iter().all(|amps| *amps == 0.0 || *amps >= 6.0), "{taken:?}");
}

#[test]
fn clouds_jump_within_a_second() {
    let year = Year::new(1, 1.0).expect("a year");
    let day = year.day(100).expect("a day").expect("light");
    let jump = |pair: &[f64]| (pair[0] - pair[1]).abs();
    let largest = day.generation_w.windows(2).map(jump).fold(0.0, f64::max);
    assert!(largest > 1000.0, "{largest} W, cover {}", day.cover);
}
