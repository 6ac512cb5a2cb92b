//! Legs from spaces.
//!
//! Common practice, no source: a panel numbers its spaces odd on the left and even on the right, so
//! spaces 1 and 2 are one row, 3 and 4 the next. The busbar stabs alternate row by row: A, B, A, B on
//! a split-phase service, A, B, C on a wye. A breaker of two poles at n takes n and n + 2, hence two
//! legs. Panels fed from the bottom or numbered down one side differ; their maps give `legs` instead.

use super::model::{Leg, System};

/// The leg that the stab of a space belongs to; spaces are numbered from 1.
pub fn leg_of_space(system: System, space: u16) -> Leg {
    let row = usize::from(space.max(1) - 1) / 2;
    let legs = system.legs();
    legs[row % legs.len()]
}

/// The legs of a breaker, in order, each once.
pub fn legs_of_spaces(system: System, spaces: &[u16]) -> Vec<Leg> {
    let mut legs: Vec<Leg> = spaces.iter().map(|space| leg_of_space(system, *space)).collect();
    legs.sort_unstable();
    legs.dedup();
    legs
}

#[cfg(test)]
mod tests {
    use super::*;

    /// Common practice, no source: leg A where ⌈n/2⌉ is odd.
    #[test]
    fn rows_alternate_between_the_legs() {
        let legs = |system, spaces: std::ops::RangeInclusive<u16>| -> String {
            spaces.map(|space| leg_of_space(system, space).as_str()).collect()
        };
        assert_eq!(legs(System::SplitPhase120_240, 1..=8), "AABBAABB");
        assert_eq!(legs(System::Wye120_208, 1..=12), "AABBCCAABBCC");
        for space in 1..=84_u16 {
            let odd_row = space.div_ceil(2) % 2 == 1;
            assert_eq!(leg_of_space(System::SplitPhase120_240, space) == Leg::A, odd_row, "{space}");
        }
    }

    #[test]
    fn a_breaker_of_two_poles_is_on_both_legs_and_of_one_pole_on_one() {
        for n in 1..=40 {
            assert_eq!(legs_of_spaces(System::SplitPhase120_240, &[n, n + 2]), [Leg::A, Leg::B], "{n}");
            assert_eq!(legs_of_spaces(System::SplitPhase120_240, &[n]).len(), 1, "{n}");
            assert_eq!(legs_of_spaces(System::Wye120_208, &[n, n + 2, n + 4]), [Leg::A, Leg::B, Leg::C]);
        }
        assert_eq!(legs_of_spaces(System::SplitPhase120_240, &[1, 2]), [Leg::A]);
    }
}
