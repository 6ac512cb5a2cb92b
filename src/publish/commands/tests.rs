//! Orders for the chargers of an invented house.

use super::*;
use crate::publish::tests::NOON;

fn site(chargers: &[&str]) -> Arc<Site> {
    let mut map = "site = \"heron-lane\"\nname = \"Heron Lane (invented)\"\ntime_zone = \"America/Denver\"\n\
         [service]\nsystem = \"split-phase 120/240\"\nmain_breaker_a = 200\n\
         [[device]]\nid = \"m\"\ntopic = \"t/{channel}\"\nunit = \"W\"\nreading = \"mean\"\nevery_s = 1\n\
         [[feed]]\nbus = \"main\"\nmeasures = \"panel\"\n\
         channels = [{ channel = \"m/m1\", leg = \"A\" }, { channel = \"m/m2\", leg = \"B\" }]\n"
        .to_owned();
    for (index, charger) in chargers.iter().enumerate() {
        let space = 4 * index + 1;
        map.push_str(&format!(
            "[[circuit]]\nid = \"{charger}\"\nlabel = \"Charger\"\nend_use = \"EV charging\"\n\
             spaces = [{space}, {}]\nbreaker_a = 40\nchannels = [\"m/{charger}\"]\ndoubled = true\n\
             [[ev]]\ncircuit = \"{charger}\"\n",
            space + 2
        ));
    }
    let parsed = crate::site::parse("heron-lane.toml", &map);
    Arc::new(parsed.site.unwrap_or_else(|| panic!("{:?}", parsed.findings)))
}

fn commands(chargers: &[&str]) -> Commands {
    let options = Options { commands: Some("panelwright/{site}/set".into()), ..Options::default() };
    Commands::new(&options, &[site(chargers)]).expect("they are accepted")
}

fn read(topic: &str, payload: &str) -> Result<Order, (&'static str, String)> {
    let read = commands(&["charger"]).read(topic, payload.as_bytes(), false, NOON);
    read.map(|request| request.command.order).map_err(|rejected| (rejected.reason, rejected.why))
}

const JSON: &str = "panelwright/heron-lane/set";
const NODE: &str = "homie/5/panelwright-heron-lane/ev-charger";

/// 2026-01-16T07:00:00-07:00, nineteen hours after noon.
const SEVEN: Stamp = Stamp(NOON.0 + 19 * 36_000);

#[test]
fn orders_as_json() {
    let check = |payload: &str, expected: Order| assert_eq!(read(JSON, payload), Ok(expected), "{payload}");
    check(r#"{"mode":"surplus + minimum"}"#, Order::Mode(Mode::SurplusAndMinimum));
    check(r#"{"mode":"off","ev":"charger","id":7}"#, Order::Mode(Mode::Off));
    check(r#"{"cap_a":16.5}"#, Order::Cap(Some(16.5)));
    check(r#"{"cap_a":null}"#, Order::Cap(None));
    let target = Order::Target(Some(Target { kwh: 20.0, by: SEVEN }));
    check(r#"{"target":{"kwh":20,"by":"07:00"}}"#, target);
    check(r#"{"target":{"kwh":20,"by":"2026-01-16T07:00:00-07:00"}}"#, target);
    check(r#"{"target":null}"#, Order::Target(None));
}

#[test]
fn orders_by_a_property() {
    let check = |property: &str, payload: &str, expected: Order| {
        assert_eq!(read(&format!("{NODE}/{property}/set"), payload), Ok(expected), "{property} {payload}");
    };
    check("mode", "full", Order::Mode(Mode::Full));
    check("cap", "10", Order::Cap(Some(10.0)));
    check("cap", "0", Order::Cap(Some(0.0)));
    check("cap", "32", Order::Cap(None));
    check("target", r#"{"kwh":20,"by":"07:00"}"#, Order::Target(Some(Target { kwh: 20.0, by: SEVEN })));
    check("target", "{}", Order::Target(None));
}

#[test]
fn what_is_no_order_is_told_why() {
    let check = |topic: &str, payload: &str, reason: &str, expected: &str| {
        let (told, why) = read(topic, payload).expect_err(payload);
        assert_eq!(told, reason, "{payload}: {why}");
        assert!(why.contains(expected), "{payload}: {why}");
    };
    check(JSON, "full", "not JSON", "write an object");
    check(JSON, "[1]", "not JSON", "write an object");
    check(JSON, "{}", "wrong value", "one of mode, cap_a and target");
    check(JSON, r#"{"mode":"off","cap_a":1}"#, "wrong value", "one only");
    check(JSON, r#"{"mode":"eco"}"#, "wrong value", "\"surplus only\"");
    check(JSON, r#"{"mode":5}"#, "wrong value", "\"surplus only\"");
    check(JSON, r#"{"cap_a":"ten"}"#, "wrong value", "a number of amperes");
    check(JSON, r#"{"target":{"kwh":5}}"#, "wrong value", "\"by\": \"07:00\"");
    check(JSON, r#"{"target":{"kwh":5,"by":"25:00"}}"#, "wrong value", "\"by\": \"07:00\"");
    check(JSON, r#"{"target":{"kwh":5,"by":"7:00"}}"#, "wrong value", "\"by\": \"07:00\"");
    check(JSON, r#"{"main_breaker_a":400}"#, "not settable", "main_breaker_a cannot be set");
    check(JSON, r#"{"mode":"off","ev":"barn"}"#, "no such charger", "one of charger");
    check(JSON, &format!(r#"{{"id":"{}"}}"#, "x".repeat(65)), "wrong value", "up to 64 bytes");
    check(JSON, &format!(r#"{{"id":"{}"}}"#, "x".repeat(1100)), "too large", "1024");
    check("homie/5/panelwright-heron-lane/site/grid/set", "0", "not settable", "site/grid cannot be set");
    check(&format!("{NODE}/available-current/set"), "32", "not settable", "available-current cannot be set");
    check(&format!("{NODE}/colour/set"), "red", "not settable", "colour cannot be set");
    check(&format!("{NODE}/cap/set"), "NaN", "wrong value", "a number of amperes");
    check(&format!("{NODE}/target/set"), "tomorrow", "wrong value", "\"kwh\": 20");
    check("homie/5/panelwright-elsewhere/ev-charger/mode/set", "off", "unknown site", "no such site");
}

#[test]
fn a_command_that_the_broker_kept_is_none() {
    let read = commands(&["charger"]).read(JSON, br#"{"mode":"full"}"#, true, NOON);
    assert_eq!(read.expect_err("it was kept").reason, "retained");
}

#[test]
fn several_chargers_are_told_apart() {
    let mut both = commands(&["house", "barn"]);
    let mut ev = |payload: &str| {
        both.read(JSON, payload.as_bytes(), false, NOON)
            .map(|request| request.command.ev.0)
            .map_err(|it| it.why)
    };
    assert_eq!(ev(r#"{"mode":"off","ev":"barn"}"#), Ok(1));
    let why = ev(r#"{"mode":"off"}"#).expect_err("which one?");
    assert!(why.contains("ev is one of house, barn"), "{why}");
}

#[test]
fn too_many_at_once_are_refused_and_a_second_makes_room_for_one() {
    let mut commands = commands(&["charger"]);
    let mut give = |at: Stamp| commands.read(JSON, br#"{"mode":"off"}"#, false, at).map_err(|it| it.reason);
    for count in 0..BURST {
        assert!(give(NOON).is_ok(), "{count}");
    }
    assert_eq!(give(NOON), Err("too many"));
    assert_eq!(give(NOON + Span(5)), Err("too many"));
    assert!(give(NOON + EVERY).is_ok());
    assert_eq!(give(NOON + EVERY), Err("too many"));
    // A clock that was set back by a day shuts nobody out.
    assert!(give(NOON - Span::DAY).is_ok());
}

#[test]
fn answers_say_what_holds_or_why_not() {
    let commands = commands(&["charger"]);
    let form = Form::Json(Some("evening".into()));
    let settings = Settings {
        mode: Mode::SurplusOnly,
        cap_a: Some(16.0),
        target: Some(Target { kwh: 20.0, by: SEVEN }),
    };
    let answer = |outcome| {
        let message = commands.answer(SiteIndex(0), &form, outcome).expect("it came as JSON");
        assert_eq!((&*message.topic, message.retain), ("panelwright/heron-lane/set/answer", false));
        serde_json::from_slice::<Value>(&message.payload).expect("JSON")
    };
    assert_eq!(
        answer(Ok((EvIndex(0), settings))),
        json!({"ok": true, "id": "evening", "ev": "charger", "mode": "surplus only", "cap_a": 16.0,
               "target": {"kwh": 20.0, "by": "2026-01-16T07:00:00-07:00"}})
    );
    assert_eq!(answer(Err("no")), json!({"ok": false, "id": "evening", "error": "no"}));
    assert_eq!(commands.answer(SiteIndex(0), &Form::Homie(None), Err("no")), None);
}

#[test]
fn only_sites_with_chargers_are_listened_to_and_only_if_that_is_wanted() {
    assert_eq!(commands(&["charger"]).filters(), [JSON, "homie/5/panelwright-heron-lane/+/+/set"]);
    assert_eq!(commands(&[]).filters(), Vec::<String>::new());
    assert!(Commands::new(&Options::default(), &[site(&["charger"])]).is_none());
}
