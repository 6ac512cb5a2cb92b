//! What has to hold whatever comes in.

use proptest::prelude::*;

use super::*;

/// A charger's keys, of any sense that the map allows.
#[derive(Clone, Debug)]
struct Keys {
    fall: i64,
    rise: i64,
    start_after: i64,
    stop_after: i64,
    minimum_on: i64,
    minimum_off: i64,
    hold: i64,
    tenth: bool,
    grid_share: f64,
    maximum: i64,
}

impl Keys {
    fn text(&self, circuit: &str, mode: Mode, priority: u8) -> String {
        let Self { fall, rise, start_after, stop_after, minimum_on, minimum_off, hold, maximum, .. } = self;
        format!(
            "[[ev]]\ncircuit = \"{circuit}\"\nmode = \"{mode}\"\npriority = {priority}\nfall_s = {fall}\n\
             rise_s = {}\nstart_after_s = {start_after}\nstop_after_s = {stop_after}\n\
             minimum_on_s = {minimum_on}\nminimum_off_s = {minimum_off}\nhold_s = {hold}\n\
             step_a = {}\ngrid_share = {}\nmaximum_a = {maximum}\n",
            fall + rise,
            if self.tenth { "0.1" } else { "1" },
            self.grid_share,
        )
    }
}

fn keys() -> impl Strategy<Value = Keys> {
    (
        (1..20i64, 0..40i64, 0..60i64, 0..60i64),
        (0..120i64, 0..120i64, 1..30i64),
        (any::<bool>(), prop_oneof![Just(0.0), Just(0.2)], 6..60i64),
    )
        .prop_map(|((fall, rise, start_after, stop_after), (minimum_on, minimum_off, hold), rest)| {
            Keys {
                fall,
                rise,
                start_after,
                stop_after,
                minimum_on,
                minimum_off,
                hold,
                tenth: rest.0,
                grid_share: rest.1,
                maximum: rest.2,
            }
        })
}

/// What happens in a stretch of seconds.
#[derive(Clone, Debug)]
struct Stretch {
    seconds: usize,
    spare_w: Option<f64>,
    /// The part of its advice that the car takes; above 1 it disobeys. `None`: its CT is silent.
    obeys: Option<f64>,
    tilt_w: f64,
    order: Option<Order>,
}

fn stretch() -> impl Strategy<Value = Stretch> {
    let spare = prop_oneof![
        8 => (-3000.0..12_000.0f64).prop_map(Some),
        1 => (-45_000.0..-10_000.0f64).prop_map(Some),
        1 => Just(None)
    ];
    let obeys = prop_oneof![6 => Just(Some(1.0)), 2 => (0.0..1.3f64).prop_map(Some), 1 => Just(None)];
    let order = prop_oneof![
        12 => Just(None),
        1 => prop::sample::select(&Mode::ALL[..]).prop_map(|mode| Some(Order::Mode(mode))),
        1 => prop_oneof![Just(0.0), 6.0..80.0f64].prop_map(|amps| Some(Order::Cap(Some(amps)))),
        1 => Just(Some(Order::Cap(None))),
    ];
    (1..90usize, spare, obeys, -4000.0..4000.0f64, order).prop_map(
        |(seconds, spare_w, obeys, tilt_w, order)| Stretch { seconds, spare_w, obeys, tilt_w, order },
    )
}

/// One tick with what was advised in it, for both chargers.
struct Seen {
    tick: Tick,
    guidance: Arc<Guidance>,
}

fn live(map: &str, stretches: &[Stretch]) -> Vec<Seen> {
    let mut house = House::new(map);
    let mut seen = Vec::new();
    for stretch in stretches {
        if let Some(order) = stretch.order {
            house.order(order).expect("it can be followed");
        }
        for second in 0..stretch.seconds {
            let takes = |place: usize| {
                let advised = house.last.advice.get(place).map_or(0.0, |advice| advice.current_a * 240.0);
                stretch.obeys.map(|part| advised * part)
            };
            let gust = (second * 37 % 11) as f64 * 20.0;
            let tick = Tick {
                spare_w: stretch.spare_w.map(|watts| watts + gust),
                car_w: takes(0),
                van_w: takes(1),
                tilt_w: stretch.tilt_w,
            };
            house.tick(tick);
            seen.push(Seen { tick, guidance: Arc::clone(&house.last) });
        }
    }
    seen
}

/// Reasons for which a charge may end before its shortest time.
const AT_ONCE: [Reason; 6] =
    [Reason::ModeOff, Reason::Unknown, Reason::Cap, Reason::Breaker, Reason::Branch, Reason::Headroom];

fn check_charger(seen: &[Seen], place: usize, keys: &Keys, cap: f64) -> Result<(), TestCaseError> {
    let (mut turned, mut was) = (0_i64, 0.0);
    let mut lost = 0;
    for (second, one) in seen.iter().enumerate() {
        let advice = &one.guidance.advice[place];
        let amps = advice.current_a;
        // Never in (0, 6) A, a multiple of the step, never above any limit.
        let step = if keys.tenth { 0.1 } else { 1.0 };
        prop_assert!(amps == 0.0 || amps >= 6.0, "{amps} A");
        prop_assert!((amps / step - (amps / step).round()).abs() < 1e-6, "{amps} A in steps of {step}");
        prop_assert!(amps <= (keys.maximum as f64).min(cap) + 1e-9, "{amps} A");
        prop_assert!(advice.settings.cap_a.is_none_or(|cap| amps <= cap + 1e-9));
        prop_assert!(!advice.why.is_empty() && !advice.why.contains('\n'));
        // Never switching faster than the shortest times.
        let after = second as i64 - turned;
        if was == 0.0 && amps > 0.0 {
            prop_assert!(after >= keys.minimum_off, "on after {after} s");
            turned = second as i64;
        } else if was > 0.0 && amps == 0.0 {
            let early = AT_ONCE.contains(&advice.reason);
            prop_assert!(after >= keys.minimum_on || early, "off after {after} s: {:?}", advice.reason);
            turned = second as i64;
        }
        was = amps;
        // 0 within `hold` of losing an input.
        let own = if place == 0 { one.tick.car_w } else { one.tick.van_w };
        lost = if one.tick.spare_w.is_none() || own.is_none() { lost + 1 } else { 0 };
        prop_assert!(lost < keys.hold || amps == 0.0, "{amps} A, {lost} s after an input was lost");
    }
    Ok(())
}

/// Never above the surplus for longer than the window, but for the least current of a charge that ends.
fn check_surplus(seen: &[Seen], keys: &Keys) -> Result<(), TestCaseError> {
    for (second, one) in seen.iter().enumerate() {
        let advice = &one.guidance.advice[0];
        let watts = advice.current_a * 240.0 * (1.0 - keys.grid_share);
        let least = 6.0 * 240.0 * (1.0 - keys.grid_share);
        let known = |length: i64| {
            let from = second.checked_sub(usize::try_from(length).ok()?.checked_sub(1)?)?;
            let spare: Option<Vec<f64>> =
                seen[from..=second].iter().map(|one| one.tick.car_w.and(one.tick.spare_w)).collect();
            spare.map(|spare| spare.into_iter().fold(f64::NEG_INFINITY, f64::max))
        };
        if let Some(highest) = known(keys.fall) {
            prop_assert!(watts <= highest.max(least) + 1.0, "{watts} W of {highest} W");
        }
        // A little too little may last five times as long, and longer after other starts: 12 are kept.
        let ends = keys.fall + (keys.stop_after * 5 * 7).max(keys.minimum_on) + 2;
        if let Some(highest) = known(ends)
            && highest < least
        {
            prop_assert!(watts == 0.0, "{watts} W of {highest} W for {ends} s");
        }
    }
    Ok(())
}

proptest! {
    #![proptest_config(ProptestConfig::with_cases(96))]

    #[test]
    fn one_charger_that_follows_the_sun(
        keys in keys(),
        stretches in prop::collection::vec(stretch(), 1..30),
    ) {
        let without_orders: Vec<Stretch> =
            stretches.into_iter().map(|stretch| Stretch { order: None, ..stretch }).collect();
        let seen = live(&keys.text("car", Mode::SurplusOnly, 1), &without_orders);
        check_charger(&seen, 0, &keys, 48.0)?;
        check_surplus(&seen, &keys)?;
    }

    #[test]
    fn two_chargers_under_orders_and_limits(
        car in keys(),
        van in keys(),
        modes in (prop::sample::select(&Mode::ALL[..]), prop::sample::select(&Mode::ALL[..])),
        shared: bool,
        branch in prop::option::of(10..120i64),
        stretches in prop::collection::vec(stretch(), 1..25),
    ) {
        let sharing = if shared { "shared" } else { "priority order" };
        let branch_key = branch.map_or(String::new(), |amps| format!("branch_a = {amps}\n"));
        let map = format!(
            "{}{}[charging]\nsharing = \"{sharing}\"\n{branch_key}",
            car.text("car", modes.0, 1),
            van.text("van", modes.1, 2),
        );
        let seen = live(&map, &stretches);
        check_charger(&seen, 0, &car, 48.0)?;
        check_charger(&seen, 1, &van, 32.0)?;
        for one in &seen {
            let advice = &one.guidance.advice;
            let sum = advice[0].current_a + advice[1].current_a;
            if let Some(branch) = branch {
                prop_assert!(sum <= 0.8 * branch as f64 + 1e-6, "{sum} A on {branch} A");
            }
            for leg in &one.guidance.legs {
                let room = leg.room_a.unwrap_or(0.0).max(0.0);
                let known = one.tick.spare_w.is_some() && one.tick.car_w.is_some() && one.tick.van_w.is_some();
                prop_assert!(!known || sum <= room + 1e-6, "{sum} A in {room} A");
            }
        }
    }
}
