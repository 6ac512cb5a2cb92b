//! Comparisons, the typical day, the ranking and a change of the time zone, over the store of
//! `history_command`: three days around the change to summer time, with figures computed by hand.

use serde_json::{Value, json};

use crate::harness::{Panelwright, Setup};
use crate::history_command::{MAP, lay_in};

fn house() -> Panelwright {
    let house = Setup::new("mqtt://127.0.0.1:1").site("heron-lane", MAP).lay_out();
    lay_in(house.store()).close();
    house
}

fn run(house: &Panelwright, arguments: &[&str]) -> String {
    let (status, output, error) = house.run(&[&["history"], arguments].concat());
    assert_eq!((status, error.as_str()), (0, ""), "{arguments:?}");
    output
}

fn json(house: &Panelwright, arguments: &[&str]) -> Value {
    let output = run(house, &[arguments, &["--format", "json"]].concat());
    serde_json::from_str(&output).unwrap_or_else(|why| panic!("{why}: {output}"))
}

#[test]
fn what_is_compared_is_equally_known() {
    let house = house();
    let days = ["--from", "2025-03-09", "--to", "2025-03-11", "--by", "day", "--compare", "previous"];
    let asked = json(&house, &days);
    // Two days beside the two before them, of which the first is not in the store.
    let of = |day: usize, figure: &str| asked["comparison"]["intervals"][day][figure].clone();
    assert_eq!(asked["comparison"]["against"], "previous");
    assert_eq!(of(0, "then_start"), "2025-03-07T00:00:00-07:00");
    let import = &of(0, "totals")["import"];
    assert_eq!((&import["then_kwh"], &import["difference_kwh"]), (&Value::Null, &Value::Null), "{import}");

    // The day of 23 h beside the one of 24 h: less energy, and the same mean power.
    let day = ["--from", "2025-03-09", "--to", "2025-03-10", "--compare", "previous"];
    let found = json(&house, &day);
    let pair = &found["comparison"]["intervals"][0];
    assert_eq!((&pair["seconds"], &pair["then_seconds"]), (&json!(82_800), &json!(86_400)));
    let expected = json!({
        "kwh": 34.5, "coverage": 1.0, "then_kwh": 36.0, "then_coverage": 1.0,
        "difference_kwh": -1.5, "difference_share": -0.041667, "difference_w": 0.0,
    });
    assert_eq!(pair["totals"]["consumption"], expected);
    assert_eq!(pair["circuits"]["water-heater"]["difference_kwh"], json!(-0.9));
    assert_eq!(found["comparison"]["whole"]["totals"]["consumption"], expected);

    // The heater is known for half of the 10th: no difference, though both energies are there.
    let found = json(&house, &["--from", "2025-03-10", "--to", "2025-03-11", "--compare", "previous"]);
    let pair = &found["comparison"]["intervals"][0];
    assert_eq!(pair["totals"]["import"]["difference_kwh"], json!(1.5));
    let heater = &pair["circuits"]["water-heater"];
    assert_eq!((&heater["kwh"], &heater["then_kwh"]), (&json!(10.8), &json!(20.7)));
    assert_eq!((&heater["coverage"], &heater["difference_kwh"]), (&json!(0.5), &Value::Null));

    // The hour that did not come has no counterpart.
    let hours =
        ["--from", "2025-03-10T01:00", "--to", "2025-03-10T04:00", "--by", "hour", "--compare", "previous"];
    let found = json(&house, &hours);
    let starts: Vec<&Value> = found["comparison"]["intervals"]
        .as_array()
        .expect("a list")
        .iter()
        .map(|pair| &pair["then_start"])
        .collect();
    assert_eq!(
        starts,
        [&json!("2025-03-09T01:00:00-07:00"), &Value::Null, &json!("2025-03-09T03:00:00-06:00")]
    );

    let table = run(&house, &day);
    assert!(table.contains("34.500    36.000    -1.500  -4.2 %  100.0 %     100.0 %"), "{table}");
    assert!(table.contains("23 h beside 24 h"), "{table}");
    let table = run(&house, &[&day[..], &["--of", "water-heater"]].concat());
    assert!(table.contains("Heat-pump water heater in kWh by day, beside the time before"), "{table}");
    let csv = run(&house, &[&day[..], &["--format", "csv"]].concat());
    let line = "heron-lane,2025-03-09T00:00:00-07:00,2025-03-10T00:00:00-06:00,82800,2025-03-08T00:00:00-07:00,\
                2025-03-09T00:00:00-07:00,86400,circuit,water-heater,20.7,1,21.6,1,-0.9,0";
    assert!(csv.lines().any(|found| found == line), "{csv}");
}

#[test]
fn the_typical_day_is_that_of_the_clock() {
    let house = house();
    let range = ["--profile", "--from", "2025-03-08", "--to", "2025-03-11"];
    let found = json(&house, &range);
    let check = |path: &str, quarter: usize, watts: Value, days: u32| {
        let day = found.pointer(path).unwrap_or_else(|| panic!("{path}"));
        let slot = (&day["w"][quarter], &day["days"][quarter]);
        assert_eq!(slot, (&watts, &json!(days)), "{path} {quarter}");
    };
    check("/totals/consumption/all", 24, json!(1500.0), 3);
    check("/totals/grid/all", 24, json!(1500.0), 3);
    check("/totals/grid/all", 48, json!(-1000.0), 3);
    check("/circuits/solar/weekdays/saturday", 52, json!(-2500.0), 1);
    check("/circuits/water-heater/weekdays/monday", 47, json!(900.0), 1);
    check("/circuits/water-heater/weekdays/monday", 48, Value::Null, 0);
    // On the Sunday the clock jumped from 2 to 3.
    check("/totals/grid/weekdays/sunday", 8, Value::Null, 0);
    check("/totals/grid/weekdays/sunday", 12, json!(1500.0), 1);
    check("/totals/grid/all", 8, json!(1500.0), 2);
    assert_eq!(found["totals"]["grid"]["all"]["w"].as_array().map(Vec::len), Some(96));

    let table = run(&house, &[&range[..], &["--of", "grid"]].concat());
    assert!(table.contains("typical day of grid in W"), "{table}");
    let two = table.lines().find(|line| line.trim().starts_with("02:00")).expect("a line of 2 o'clock");
    let cells: Vec<&str> = two.split_whitespace().collect();
    assert_eq!(cells, ["02:00", "1500", "1500", "-", "-", "-", "-", "1500", "-"], "{table}");
    let csv = run(&house, &[&range[..], &["--format", "csv"]].concat());
    assert!(csv.lines().any(|line| line == "heron-lane,circuit,solar,sunday,13:15,-2500,1,1"), "{csv}");
    assert!(!csv.contains("sunday,02:"), "{csv}");
}

#[test]
fn the_ranking_says_what_is_worth_a_ct() {
    let house = house();
    let range = ["--rank", "--from", "2025-03-08", "--to", "2025-03-11"];
    let found = json(&house, &range);
    let places = found["places"].as_array().expect("a list");
    let shown: Vec<_> = places
        .iter()
        .map(|place| (&place["label"], &place["share"], &place["days"], &place["kwh"]))
        .collect();
    // The heater is known for half of the last day, which then counts for no share.
    let expected = [
        (&json!("Heat-pump water heater"), &json!(0.6), &json!(2), &json!(53.1)),
        (&json!("untracked"), &json!(0.4), &json!(2), &json!(35.4)),
    ];
    assert_eq!(shown, expected);
    assert_eq!((&places[0]["run_share"], &places[0]["cycles"]), (&json!(1.0), &json!(0)));
    assert_eq!((&places[0]["peak_quarter_w"], &places[0]["runs_from_w"]), (&json!(900.0), &Value::Null));
    assert_eq!((&places[1]["circuit"], &places[1]["run_share"]), (&Value::Null, &Value::Null));
    assert_eq!(found["end_uses"][0]["end_use"], "hot water");
    assert_eq!(found["kwh"], json!(106.5));
    let conclusion = found["conclusion"].as_str().expect("text");
    assert!(
        conclusion.starts_with("Untracked is 40.0 % of consumption (14.40 kWh a day), place 2 of 2"),
        "{conclusion}"
    );
    assert!(
        conclusion.contains("The CT that says least is that of Heat-pump water heater: 60.0 %"),
        "{conclusion}"
    );
    assert!(conclusion.ends_with("Of 2 days only, so the seasons may change it."), "{conclusion}");
    let table = run(&house, &range);
    assert!(table.contains("Untracked is 40.0 % of consumption"), "{table}");
    let csv = run(&house, &[&range[..], &["--format", "csv"]].concat());
    assert!(csv.lines().any(|line| line.starts_with("heron-lane,2,,untracked,,35.4,")), "{csv}");
}

#[test]
fn the_daemon_answers_the_same_views() {
    let mut house = house();
    let offline = |arguments: &[&str]| json(&house, arguments);
    // Days that are sealed: a daemon that has just started shows the last hours some seconds later.
    let range = ["--from", "2025-03-08", "--to", "2025-03-10"];
    let profile = offline(&[&["--profile"], &range[..]].concat());
    let rank = offline(&[&["--rank"], &range[..]].concat());
    let compared = offline(&["--from", "2025-03-09", "--to", "2025-03-10", "--compare", "week"]);
    house.restart();
    let get = |path: &str| {
        let answer = house.get(&format!("/api/sites/heron-lane/{path}"));
        assert_eq!(answer.status, 200, "{answer:?}");
        answer.json()
    };
    assert_eq!(get("profile?from=2025-03-08&to=2025-03-10"), profile);
    assert_eq!(get("rank?from=2025-03-08&to=2025-03-10"), rank);
    assert_eq!(get("history?from=2025-03-09&to=2025-03-10&compare=week"), compared);
    for (path, why) in [
        ("history?compare=decade", "compare: `decade` is nothing to compare with"),
        ("history?by=month&compare=week", "compare: a month has no counterpart a week before"),
        ("profile?by=day", "\"by\" is no parameter of profile"),
        ("rank?from=2100-01-01&to=2100-02-01", "nothing of this range has passed"),
        ("profile?from=2000-01-01", "at most five years"),
    ] {
        let answer = house.get(&format!("/api/sites/heron-lane/{path}"));
        assert!(
            answer.status == 400 && answer.body.contains(&why.replace('"', "\\\"")),
            "{path}: {answer:?}"
        );
    }
}

#[test]
fn what_cannot_be_shown_says_why() {
    let house = house();
    let check = |arguments: &[&str], expected: &str| {
        let (status, _, error) = house.run(&[&["history"], arguments].concat());
        assert!(status == 2 && error.contains(expected), "{arguments:?}: {status} {error}");
    };
    check(&["--compare", "decade"], "invalid value 'decade'");
    check(&["--compare", "month", "--by", "year"], "--compare: a year has no counterpart a month before");
    check(&["--profile", "--rank"], "cannot be used with");
    check(&["--profile", "--of", "sauna"], "--of: there is no figure `sauna`");
}

/// A site's time zone was wrong: days are those of the right one, in every view, from the next
/// question on; whether the daemon runs or not.
#[test]
fn a_change_of_the_time_zone_cuts_days_anew() {
    let mut house = house();
    let map = MAP.replace("America/Denver", "Asia/Kathmandu");
    // 9 March in Kathmandu is 8 March 11:15 to 9 March 12:15 in Denver, with the hour that the clock
    // skipped there: 0.75 + 11 h of 1.5 kW from the grid, 12 + 0.25 h of 1 kW to it.
    let check = |body: &Value, how: &str| {
        let day = &body["intervals"][0];
        assert_eq!(day["start"], "2025-03-09T00:00:00+05:45", "{how}");
        assert_eq!(day["seconds"], 86_400, "{how}");
        let kwh = |figure: &str| day[figure].as_f64();
        assert_eq!((kwh("import_kwh"), kwh("export_kwh")), (Some(17.625), Some(12.25)), "{how}");
        assert_eq!(
            (&day["circuits"]["water-heater"], &day["coverage"]),
            (&json!(21.6), &json!(1.0)),
            "{how}"
        );
        assert_eq!(body["time_zone"], "Asia/Kathmandu", "{how}");
    };
    let month = |body: &Value, how: &str| {
        // All that there is: the 52.5 kWh that the days of Denver have, too.
        assert_eq!(body["intervals"][0]["import_kwh"], json!(52.5), "{how}");
    };
    let day = ["--from", "2025-03-09", "--to", "2025-03-10"];
    let whole = ["--from", "2025-03-01", "--to", "2025-04-01", "--by", "month"];

    house.restart();
    std::fs::write(house.map_file("heron-lane"), &map).expect("the map is changed");
    // The daemon has not read it yet, and the store's days are still Denver's.
    check(&json(&house, &day), "beside a daemon with the old map");
    house.sighup();
    let ask = |query: &str| house.get(&format!("/api/sites/heron-lane/history?{query}")).json();
    crate::harness::eventually(crate::harness::START, || {
        let body = ask("from=2025-03-09&to=2025-03-10");
        body["time_zone"] == "Asia/Kathmandu" && body["intervals"][0]["import_kwh"] == json!(17.625)
    });
    check(&ask("from=2025-03-09&to=2025-03-10"), "after the reload");
    month(&ask("from=2025-03-01&to=2025-04-01&by=month"), "after the reload");
    check(&json(&house, &day), "beside the daemon");
    assert!(house.sigterm().success());
    check(&json(&house, &day), "without the daemon");
    month(&json(&house, &whole), "without the daemon");

    // And back while nothing runs: the command reads what the store has by the map as it is.
    std::fs::write(house.map_file("heron-lane"), MAP).expect("the map is changed back");
    let body = json(&house, &["--from", "2025-03-08", "--to", "2025-03-11"]);
    let import: Vec<&Value> =
        body["intervals"].as_array().expect("a list").iter().map(|day| &day["import_kwh"]).collect();
    assert_eq!(import, [&json!(18.0), &json!(16.5), &json!(18.0)]);
    month(&json(&house, &whole), "the old zone, without the daemon");
}

#[test]
fn a_ct_says_whose_it_was_when() {
    // The heater's CT was moved to the dryer at ten on the 9th, the day of 23 h.
    let heater = "channels = [\"house/5\"]\ndoubled = true\n";
    let moved = MAP.replacen(heater, &format!("{heater}until = 2025-03-09T10:00:00\n"), 1)
        + "\n[[circuit]]\nid = \"dryer\"\nlabel = \"Dryer\"\nend_use = \"laundry\"\nbus = \"main\"\n\
           spaces = [6, 8]\nbreaker_a = 30\nchannels = [\"house/5\"]\nfrom = 2025-03-09T10:00:00\n";
    let house = Setup::new("mqtt://127.0.0.1:1").site("heron-lane", &moved).lay_out();
    lay_in(house.store()).close();
    let asked = ["--channel", "house/5", "--from", "2025-03-08", "--to", "2025-03-11"];
    let found = json(&house, &asked);
    let days = found["intervals"].as_array().expect("days");
    let of_days: Vec<_> = days.iter().map(|day| (&day["seconds"], &day["kwh"], &day["coverage"])).collect();
    // 450 W, and nothing from noon of the last day on.
    let expected = [
        (&json!(86_400), &json!(10.8), &json!(1.0)),
        (&json!(82_800), &json!(10.35), &json!(1.0)),
        (&json!(86_400), &json!(5.4), &json!(0.5)),
    ];
    assert_eq!(of_days, expected);
    let held: Vec<_> = days[1]["held"]
        .as_array()
        .expect("stretches")
        .iter()
        .map(|held| (&held["end"], &held["circuit"], &held["factor"], &held["kwh"]))
        .collect();
    let expected = [
        (&json!("2025-03-09T10:00:00-06:00"), &json!("water-heater"), &json!(2.0), &json!(4.05)),
        (&json!("2025-03-10T00:00:00-06:00"), &json!("dryer"), &json!(1.0), &json!(6.3)),
    ];
    assert_eq!(held, expected);

    let table = run(&house, &asked);
    assert!(table.contains("2025-03-09   100.0 %  10.350   10.350    0.000"), "{table}");
    let dryer = "2025-03-09 10:00 -06:00  2025-03-11 00:00 -06:00  dryer         Dryer";
    assert!(table.contains(dryer), "{table}");
    let csv = run(&house, &[&asked[..], &["--format", "csv"]].concat());
    let line = "heron-lane,house/5,2025-03-09T00:00:00-07:00,2025-03-09T10:00:00-06:00,water-heater,\
                Heat-pump water heater,,,2,4.05,1";
    assert!(csv.lines().any(|found| found == line), "{csv}");
    let (status, _, error) = house.run(&["history", "--channel", "house/9"]);
    assert_eq!(status, 2);
    assert!(error.contains("--channel: the map has no channel `house/9`; it has house/m1, "), "{error}");
}
