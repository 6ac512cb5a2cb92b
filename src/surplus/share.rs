//! One surplus, one branch, one service for several chargers.
//!
//! What is shared is never given out twice: the grants on a branch or a leg add up to no more than it
//! has. A charger gets what it can use, at least its least current, or nothing.

use crate::site::{Leg, Sharing};

/// What a charger wants: 0, or at least `least`.
#[derive(Clone, Debug)]
pub(super) struct Wish {
    pub amps: f64,
    pub least: f64,
    /// The legs that carry its current.
    pub legs: Vec<Leg>,
}

/// What chargers have in common, in A.
#[derive(Clone, Debug, Default)]
pub(super) struct Common {
    /// The branch of all chargers together.
    pub branch_a: Option<f64>,
    /// The room on each leg.
    pub legs: Vec<(Leg, f64)>,
}

/// What held a grant below its wish.
#[derive(Clone, Copy, Debug, PartialEq, Eq)]
pub(super) enum Bound {
    Branch,
    Leg(Leg),
}

/// What each charger gets of its wish, and what held it back. Chargers stand by priority; in a tie of
/// equal parts the last goes without first.
pub(super) fn grant(wishes: &[Wish], common: &Common, sharing: Sharing) -> Vec<(f64, Option<Bound>)> {
    match sharing {
        Sharing::PriorityOrder => in_order(wishes, common),
        Sharing::Shared => in_parts(wishes, common),
    }
}

fn in_order(wishes: &[Wish], common: &Common) -> Vec<(f64, Option<Bound>)> {
    let mut left = common.clone();
    let mut grants = Vec::with_capacity(wishes.len());
    for wish in wishes {
        let mut grant = (wish.amps, None);
        let branch = left.branch_a.map(|amps| (amps, Bound::Branch));
        let legs = left.legs.iter().filter(|(leg, _)| wish.legs.contains(leg));
        for (amps, bound) in branch.into_iter().chain(legs.map(|(leg, amps)| (*amps, Bound::Leg(*leg)))) {
            if amps < grant.0 {
                grant = (amps, Some(bound));
            }
        }
        if grant.0 < wish.least {
            grant.0 = 0.0;
        }
        if let Some(branch) = &mut left.branch_a {
            *branch -= grant.0;
        }
        for (leg, room) in &mut left.legs {
            if wish.legs.contains(leg) {
                *room -= grant.0;
            }
        }
        grants.push(grant);
    }
    grants
}

fn in_parts(wishes: &[Wish], common: &Common) -> Vec<(f64, Option<Bound>)> {
    let mut wanted: Vec<f64> = wishes.iter().map(|wish| wish.amps).collect();
    let mut bounds: Vec<Option<Bound>> = vec![None; wishes.len()];
    loop {
        let grants = parts(wishes, &wanted, common);
        let short = |place: &usize| wanted[*place] > 0.0 && grants[*place].0 < wishes[*place].least;
        let Some(last) = (0..wishes.len()).rev().find(short) else {
            let known = grants.into_iter().zip(bounds);
            return known.map(|((amps, bound), before)| (amps, bound.or(before))).collect();
        };
        bounds[last] = grants[last].1;
        wanted[last] = 0.0;
    }
}

/// Equal parts of the branch and of each leg; of these the smallest.
fn parts(wishes: &[Wish], wanted: &[f64], common: &Common) -> Vec<(f64, Option<Bound>)> {
    let mut grants: Vec<(f64, Option<Bound>)> = wanted.iter().map(|amps| (*amps, None)).collect();
    let mut lower = |bound: Bound, amps: f64, on: &dyn Fn(&Wish) -> bool| {
        let of: Vec<usize> = (0..wishes.len()).filter(|place| on(&wishes[*place])).collect();
        let asked: Vec<f64> = of.iter().map(|place| wanted[*place]).collect();
        for (place, part) in of.into_iter().zip(equal_parts(amps, &asked)) {
            if part < grants[place].0 {
                grants[place] = (part, Some(bound));
            }
        }
    };
    if let Some(amps) = common.branch_a {
        lower(Bound::Branch, amps, &|_| true);
    }
    for (leg, amps) in &common.legs {
        lower(Bound::Leg(*leg), *amps, &|wish| wish.legs.contains(leg));
    }
    grants
}

/// Divides `amount` equally; who asks for less than the equal part leaves the rest to the others.
pub(super) fn equal_parts(amount: f64, asked: &[f64]) -> Vec<f64> {
    let mut parts = vec![0.0; asked.len()];
    let mut order: Vec<usize> = (0..asked.len()).collect();
    order.sort_by(|one, other| asked[*one].total_cmp(&asked[*other]));
    let mut left = amount.max(0.0);
    for (served, place) in order.iter().enumerate() {
        let equal = left / (order.len() - served) as f64;
        parts[*place] = asked[*place].max(0.0).min(equal);
        left -= parts[*place];
    }
    parts
}

#[cfg(test)]
mod tests {
    use super::*;
    use proptest::prelude::*;

    fn wish(amps: f64, legs: &[Leg]) -> Wish {
        Wish { amps, least: 6.0, legs: legs.to_vec() }
    }

    fn amps(grants: &[(f64, Option<Bound>)]) -> Vec<f64> {
        grants.iter().map(|(amps, _)| (amps * 100.0).round() / 100.0).collect()
    }

    /// Source: NEC 625.42 with 210.20: 80 A, 80 % of a branch of 100 A, for chargers of 30 A each.
    #[test]
    fn a_shared_branch_of_100_a() {
        let common = Common { branch_a: Some(80.0), legs: Vec::new() };
        let both = [Leg::A, Leg::B];
        for (chargers, expected) in [(1, vec![30.0]), (2, vec![30.0, 30.0]), (3, vec![26.67, 26.67, 26.67])] {
            let wishes = vec![wish(30.0, &both); chargers];
            assert_eq!(amps(&grant(&wishes, &common, Sharing::Shared)), expected);
        }
        let wishes = vec![wish(30.0, &both); 3];
        assert_eq!(amps(&grant(&wishes, &common, Sharing::PriorityOrder)), [30.0, 30.0, 20.0]);
    }

    #[test]
    fn who_cannot_have_the_least_current_leaves_it_to_the_others() {
        let common = Common { branch_a: Some(16.0), legs: Vec::new() };
        let wishes = vec![wish(30.0, &[]); 3];
        let grants = grant(&wishes, &common, Sharing::Shared);
        assert_eq!(amps(&grants), [8.0, 8.0, 0.0]);
        assert_eq!(grants[2].1, Some(Bound::Branch));
        assert_eq!(amps(&grant(&wishes, &common, Sharing::PriorityOrder)), [16.0, 0.0, 0.0]);
    }

    #[test]
    fn a_leg_binds_only_those_on_it() {
        let common = Common { branch_a: None, legs: vec![(Leg::A, 10.0), (Leg::B, 100.0)] };
        let wishes = [wish(16.0, &[Leg::A, Leg::B]), wish(16.0, &[Leg::B])];
        for sharing in [Sharing::Shared, Sharing::PriorityOrder] {
            let grants = grant(&wishes, &common, sharing);
            assert_eq!(amps(&grants), [10.0, 16.0]);
            assert_eq!(grants[0].1, Some(Bound::Leg(Leg::A)));
            assert_eq!(grants[1].1, None);
        }
    }

    proptest! {
        #[test]
        fn nothing_is_given_out_twice(
            asked in prop::collection::vec((prop_oneof![Just(0.0), 6.0..80.0f64], 0..3usize), 1..6),
            branch in prop::option::of(-10.0..200.0f64),
            rooms in (-50.0..200.0f64, -50.0..200.0f64),
            shared: bool,
        ) {
            let legs = [vec![Leg::A], vec![Leg::B], vec![Leg::A, Leg::B]];
            let wishes: Vec<Wish> = asked.iter().map(|(amps, on)| wish(*amps, &legs[*on])).collect();
            let common = Common { branch_a: branch, legs: vec![(Leg::A, rooms.0), (Leg::B, rooms.1)] };
            let sharing = if shared { Sharing::Shared } else { Sharing::PriorityOrder };
            let grants = grant(&wishes, &common, sharing);
            for (wish, (amps, _)) in wishes.iter().zip(&grants) {
                prop_assert!(*amps <= wish.amps);
                prop_assert!(*amps == 0.0 || *amps >= wish.least);
            }
            let sum: f64 = grants.iter().map(|(amps, _)| amps).sum();
            prop_assert!(branch.is_none_or(|branch| sum <= branch.max(0.0) + 1e-6));
            for (leg, room) in &common.legs {
                let on = wishes.iter().zip(&grants).filter(|(wish, _)| wish.legs.contains(leg));
                let sum: f64 = on.map(|(_, (amps, _))| amps).sum();
                prop_assert!(sum <= room.max(0.0) + 1e-6);
            }
        }
    }
}
