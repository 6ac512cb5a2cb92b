//! A day's turns, one by one.

use super::*;
use crate::calendar::Zone;

/// Other times than the defaults, which the closed loop may change.
const SURPLUS: &str = "[[ev]]
circuit = \"car\"
mode = \"surplus only\"
maximum_a = 40
fall_s = 5
rise_s = 30
start_w = 1584
start_after_s = 60
stop_after_s = 60
minimum_on_s = 300
minimum_off_s = 300
";

#[test]
fn it_starts_late_follows_down_fast_and_up_slowly_and_stops_late() {
    let mut house = House::new(SURPLUS);
    house.pass(290, 3000.0);
    assert_eq!(house.current(), (0.0, Reason::Pausing), "a pause of unknown length goes before");
    house.pass(11, 3000.0);
    assert_eq!(house.current(), (12.0, Reason::Surplus), "3000 W / 240 V = 12.5 A");
    house.pass(5, 2000.0);
    assert_eq!(house.current(), (8.0, Reason::Surplus), "five seconds down");
    house.pass(5, 4000.0);
    assert!(house.current().0 < 16.0, "half a minute up");
    house.pass(30, 4000.0);
    assert_eq!(house.current(), (16.0, Reason::Surplus));
    house.pass(10, 500.0);
    assert_eq!(house.current(), (6.0, Reason::Ending), "the least current through a cloud");
    // 500 W of 1440 W: two thirds are missing, and one start lately adds to the patience, so that the
    // minute lasts for more than two.
    house.pass(75, 500.0);
    assert_eq!(house.current(), (6.0, Reason::Ending));
    house.pass(60, 500.0);
    assert_eq!(house.current(), (6.0, Reason::MinimumTime));
    house.pass(600, 500.0);
    assert_eq!(house.current(), (0.0, Reason::BelowStart));
    let why = &house.last.advice[0].why;
    assert_eq!(why, "0 A: a surplus of 500 W; it starts from 1584 W that last for 60 s");
}

#[test]
fn the_start_line_has_to_be_passed_for_a_while_without_a_break() {
    let mut house = House::new(SURPLUS);
    house.pass(400, 0.0);
    for _ in 0..10 {
        house.pass(50, 2400.0);
        house.pass(10, 0.0);
        assert_eq!(house.current().0, 0.0);
    }
    house.pass(50, 2400.0);
    assert_eq!(house.current(), (0.0, Reason::Starting));
    house.pass(60, 2400.0);
    assert_eq!(house.current(), (10.0, Reason::Surplus));
}

#[test]
fn a_day_of_broken_clouds_has_eight_starts_at_most() {
    let mut house = House::new(SURPLUS);
    let (mut starts, mut was) = (0, 0.0);
    for _ in 0..30 {
        for (seconds, spare_w) in [(440, 3000.0), (1000, 0.0)] {
            for _ in 0..seconds {
                house.pass(1, spare_w);
                starts += u32::from(was == 0.0 && house.current().0 > 0.0);
                was = house.current().0;
            }
        }
    }
    assert_eq!(starts, 8);
}

#[test]
fn short_and_thin_clouds_are_sat_out() {
    let mut house = House::new(SURPLUS);
    house.pass(700, 3000.0);
    for _ in 0..20 {
        // Darkness for half of its minute, then as long a gap.
        house.pass(30, 0.0);
        assert_eq!(house.current().0, 6.0);
        house.pass(60, 3000.0);
    }
    house.pass(400, 1200.0);
    assert_eq!(house.current().0, 6.0, "a sixth is missing: five times as long");
    house.pass(100, 1200.0);
    assert_eq!(house.current().0, 0.0);
}

#[test]
fn between_0_and_6_a_there_is_nothing() {
    let mut house =
        House::new("[[ev]]\ncircuit = \"car\"\nmode = \"surplus only\"\nstart_w = 0\nstop_w = 0\n");
    house.pass(600, 100.0);
    assert_eq!(house.current(), (6.0, Reason::Surplus), "a start line of 0 W means: the least current");
    house.pass(600, -100.0);
    assert_eq!(house.current(), (0.0, Reason::BelowStart));
}

#[test]
fn what_is_lost_stands_for_a_moment_and_then_is_nothing() {
    for lose in [
        Tick { spare_w: None, car_w: Some(2880.0), ..Tick::default() },
        Tick { spare_w: Some(3000.0), car_w: None, ..Tick::default() },
    ] {
        let mut house = House::new(SURPLUS);
        house.pass(400, 3000.0);
        for _ in 0..14 {
            house.tick(lose);
            assert_eq!(house.current(), (12.0, Reason::Holding));
        }
        house.tick(lose);
        assert_eq!(house.current(), (0.0, Reason::Unknown), "{lose:?}");
        house.pass(200, 3000.0);
        assert_eq!(house.current(), (0.0, Reason::Pausing), "and it comes back no sooner than ever");
        house.pass(101, 3000.0);
        assert_eq!(house.current().0, 12.0);
    }
}

#[test]
fn a_gap_in_time_starts_it_anew() {
    for jump in [60, -60] {
        let mut house = House::new(SURPLUS);
        house.pass(400, 3000.0);
        house.now += jump;
        house.pass(1, 3000.0);
        assert_eq!(house.current().0, 0.0, "{jump}");
    }
}

#[test]
fn modes_caps_and_limits() {
    let check = |rest: &str, order: Option<Order>, spare_w: f64, expected: (f64, Reason)| {
        let mut house = House::new(&format!("[[ev]]\ncircuit = \"car\"\n{rest}"));
        if let Some(order) = order {
            house.order(order).expect("it can be followed");
        }
        house.pass(500, spare_w);
        assert_eq!(house.current(), expected, "{rest} {order:?} {spare_w}");
    };
    check("", None, 9000.0, (0.0, Reason::ModeOff));
    check("", Some(Order::Mode(Mode::Full)), -3000.0, (48.0, Reason::Full));
    check("mode = \"full\"\nmaximum_a = 32", None, -3000.0, (32.0, Reason::Full));
    check("mode = \"full\"\nmaximum_a = 50", None, -3000.0, (48.0, Reason::Breaker));
    check("mode = \"full\"", Some(Order::Cap(Some(10.5))), 0.0, (10.0, Reason::Cap));
    check("mode = \"full\"", Some(Order::Cap(Some(0.0))), 0.0, (0.0, Reason::Cap));
    check("mode = \"surplus + minimum\"", None, -500.0, (6.0, Reason::Minimum));
    check("mode = \"surplus + minimum\"", None, 2400.0, (10.0, Reason::Surplus));
    check("mode = \"surplus only\"", None, 20_000.0, (48.0, Reason::Maximum));
    check("mode = \"surplus only\"\nstep_a = 0.1", None, 2412.0, (10.0, Reason::Surplus));
    check("mode = \"surplus only\"\nstep_a = 0.1", None, 3144.0, (13.1, Reason::Surplus));
    check("mode = \"surplus only\"\ngrid_share = 0.25", None, 1500.0, (8.0, Reason::Surplus));
    check("mode = \"surplus only\"\ngrid_share = 0.25", None, 1800.0, (10.0, Reason::Surplus));
    check("mode = \"surplus only\"\nphases = 3", None, 3600.0, (10.0, Reason::Surplus));
    // 160 A less 60 kW / 240 V = 250 A on each leg, or 36 kW: 150 A.
    check("mode = \"full\"", None, -60_000.0, (0.0, Reason::Headroom));
    check("mode = \"full\"", None, -36_000.0, (10.0, Reason::Headroom));
    check("mode = \"full\"\n[charging]\nbranch_a = 50", None, 0.0, (40.0, Reason::Branch));
}

/// The room of a leg rests on the worst of the last minutes, and what is exported is no room.
#[test]
fn the_room_of_the_service() {
    let mut house = House::new("[[ev]]\ncircuit = \"car\"\nmode = \"full\"\n");
    let room =
        |house: &House| house.last.legs.iter().map(|leg| leg.room_a.unwrap().round()).collect::<Vec<_>>();
    house.tick(Tick { spare_w: Some(20_000.0), ..Tick::default() });
    assert_eq!(room(&house), [160.0, 160.0]);
    house.tick(Tick { spare_w: Some(-24_000.0), tilt_w: 2400.0, ..Tick::default() });
    assert_eq!(room(&house), [50.0, 70.0], "13,200 W and 10,800 W at 120 V");
    house.pass(298, 0.0);
    assert_eq!(room(&house), [50.0, 70.0]);
    house.pass(3, 0.0);
    assert_eq!(room(&house), [160.0, 160.0], "five minutes later");
    // What the charger takes itself is not in the way of it.
    house.tick(Tick { car_w: Some(9600.0), ..Tick::default() });
    assert_eq!(room(&house), [160.0, 160.0]);
}

#[test]
fn two_chargers_in_order_and_in_parts() {
    let evs = "[[ev]]\ncircuit = \"van\"\nmode = \"surplus only\"\npriority = 2\n[[ev]]\ncircuit = \"car\"\nmode = \"surplus only\"\nmaximum_a = 20\n";
    let check = |rest: &str, spare_w: f64, expected: [f64; 2]| {
        let mut house = House::new(&format!("{evs}{rest}"));
        for _ in 0..900 {
            let amps = |place: usize| house.last.advice.get(place).map_or(0.0, |one| one.current_a);
            let (car_w, van_w) = (Some(amps(0) * 240.0), Some(amps(1) * 240.0));
            house.tick(Tick { spare_w: Some(spare_w), car_w, van_w, tilt_w: 0.0 });
        }
        let currents: Vec<f64> = house.last.advice.iter().map(|advice| advice.current_a).collect();
        assert_eq!(currents, expected, "{rest} {spare_w}");
        assert_eq!(house.last.advice[0].circuit, 0, "the car goes first");
    };
    check("", 2400.0, [10.0, 0.0]);
    check("", 7200.0, [20.0, 10.0]);
    check("[charging]\nsharing = \"shared\"", 2400.0, [10.0, 0.0]);
    check("[charging]\nsharing = \"shared\"", 4800.0, [10.0, 10.0]);
    check("[charging]\nsharing = \"shared\"", 12_000.0, [20.0, 30.0]);
    check("[charging]\nsharing = \"shared\"\nbranch_a = 50", 12_000.0, [20.0, 20.0]);
    check("[charging]\nbranch_a = 50", 12_000.0, [20.0, 20.0]);
}

#[test]
fn a_charger_without_a_car_keeps_nothing_from_the_next() {
    let evs = "[[ev]]\ncircuit = \"car\"\nmode = \"surplus only\"\n[[ev]]\ncircuit = \"van\"\nmode = \"surplus only\"\npriority = 2\n";
    let mut house = House::new(evs);
    for _ in 0..1500 {
        let van_w = Some(house.last.advice.get(1).map_or(0.0, |one| one.current_a * 240.0));
        house.tick(Tick { spare_w: Some(4800.0), van_w, ..Tick::default() });
    }
    let currents: Vec<f64> = house.last.advice.iter().map(|advice| advice.current_a).collect();
    assert_eq!(currents, [6.0, 20.0], "the least, in case a car comes; all else for the van");
}

#[test]
fn a_target_turns_to_full_current_just_in_time() {
    let mut house = House::new(SURPLUS);
    let by = Stamp::from_seconds(house.now + 4 * 3600);
    // 19.2 kWh are two hours at 40 A and 240 V.
    house.order(Order::Target(Some(Target { kwh: 19.2, by }))).expect("it can be reached");
    house.pass(6000, 0.0);
    assert_eq!(house.current(), (0.0, Reason::BelowStart));
    house.pass(3600, 0.0);
    assert_eq!(house.current(), (40.0, Reason::Target));
    house.pass(4600, 0.0);
    assert_eq!(house.last.advice[0].settings.target, None, "reached");
    assert_eq!(house.current().0, 0.0);
}

#[test]
fn orders_that_nobody_can_follow_are_refused() {
    let mut house = House::new(SURPLUS);
    let now = Stamp::from_seconds(house.now);
    let target = |kwh, by| Order::Target(Some(Target { kwh, by }));
    for order in [
        Order::Cap(Some(3.0)),
        Order::Cap(Some(-6.0)),
        Order::Cap(Some(f64::NAN)),
        Order::Cap(Some(100.0)),
        target(0.0, now + Span::HOUR),
        target(f64::INFINITY, now + Span::HOUR),
        target(10.0, now),
        target(10.0, now + Span::DAY + Span::DAY),
    ] {
        assert!(house.order(order).is_err(), "{order:?}");
    }
    let unknown = Command { ev: EvIndex(7), order: Order::Mode(Mode::Full) };
    assert!(house.advisor.command(unknown, now).is_err());
    house.pass(1, 0.0);
    assert_eq!(house.last.advice[0].settings, Settings { mode: Mode::SurplusOnly, ..Settings::default() });
}

#[test]
fn a_time_of_day_comes_next() {
    let zone = Zone::new("America/Denver").expect("a zone");
    let at = |text: &str| zone.parse(text).expect("a time");
    let next = |now: &str, hour, minute| Target::next(&zone, at(now), hour, minute);
    assert_eq!(next("2026-05-02T06:00", 7, 30), Some(at("2026-05-02T07:30")));
    assert_eq!(next("2026-05-02T07:30", 7, 30), Some(at("2026-05-03T07:30")));
    assert_eq!(next("2026-10-31T08:00", 7, 30), Some(at("2026-11-01T07:30")), "a day of 25 hours");
    assert_eq!(next("2026-05-02T06:00", 24, 0), None);
}

#[test]
fn a_corrected_map_lets_a_charger_go_on_and_keeps_what_it_was_told() {
    let mut house = House::new(SURPLUS);
    house.order(Order::Cap(Some(10.0))).expect("it can be followed");
    house.pass(400, 3000.0);
    house.advisor.replace(site(&format!("{SURPLUS}[watch]\nover_after_s = 30\n")));
    house.pass(1, 3000.0);
    assert_eq!(house.current(), (10.0, Reason::Cap));
    house.advisor.replace(site(&SURPLUS.replace("rise_s = 30", "rise_s = 20")));
    house.pass(1, 3000.0);
    assert_eq!(house.current(), (0.0, Reason::Pausing), "another machine starts off");
    assert_eq!(house.last.advice[0].settings.cap_a, Some(10.0));
    house.advisor.replace(site(""));
    house.pass(1, 3000.0);
    assert_eq!(*house.last, Guidance::default());
}

#[test]
fn a_battery_first_or_the_car_first() {
    let check = |first: &str, storage: f64, grid: f64, expected: f64| {
        let map = format!("{SURPLUS}first = \"{first}\"\n");
        let mut advisor = Advisor::new(site(&map));
        let mut last = Arc::default();
        for second in 0..400 {
            let mut flows = Tick::default().flows(1_780_000_000 + second);
            flows.figures[0].1 = Some(Watts(grid));
            flows.figures[1].1 = Some(Watts(storage));
            last = advisor.step(&flows, |_| Some(0));
        }
        assert_eq!(last.advice[0].current_a, expected, "{first} {storage} {grid}");
    };
    check("battery", 3000.0, -2400.0, 10.0);
    check("car", 3000.0, -2400.0, 22.0);
    check("battery", 3000.0, 0.0, 0.0);
    check("car", 3000.0, 0.0, 12.0);
    // What the battery gives is nobody's surplus.
    check("battery", -3000.0, -2400.0, 0.0);
    check("car", -3000.0, -2400.0, 0.0);
}
