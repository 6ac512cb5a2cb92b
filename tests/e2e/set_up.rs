//! From an empty directory to live figures, form by form, as a browser without script does it.

use std::time::Duration;

use serde_json::json;

use crate::access::client::{Answer, Client, cookie_of, form};
use crate::harness::{Mosquitto, Panelwright, Publisher, Setup, eventually, require};

const SOON: Duration = Duration::from_secs(20);
const PAGE: (&str, &str) = ("accept", "text/html");

/// The fields of a page's form as a browser sends them: inputs that are not of a button, ticked boxes, chosen
/// options (the first where none is).
fn fields_of(page: &str) -> Vec<(String, String)> {
    let mut fields = Vec::new();
    let form =
        page.split("<form").find(|form| form.contains("method=\"post\" action=\"./setup\"")).expect("a form");
    let mut rest = form;
    while let Some(at) = rest.find("<input").into_iter().chain(rest.find("<select")).min() {
        rest = &rest[at..];
        let end = rest.find('>').expect("a tag ends");
        let tag = &rest[..end];
        let name = attribute(tag, "name");
        if tag.starts_with("<select") {
            let options = &rest[..rest.find("</select>").expect("it ends")];
            let chosen = options.split("<option").skip(1);
            let chosen = chosen.clone().find(|option| option.contains(" selected")).or(chosen.clone().next());
            let chosen = chosen.unwrap_or_default();
            let text = chosen.split('>').nth(1).unwrap_or_default().split('<').next().unwrap_or_default();
            let value =
                if chosen.contains("value=\"") { attribute(chosen, "value") } else { plain(text.trim()) };
            fields.push((name, value));
            rest = &rest[options.len()..];
            continue;
        }
        let is_box = tag.contains("type=\"checkbox\"");
        if !name.is_empty() && !tag.contains(" disabled") && (!is_box || tag.contains(" checked")) {
            fields.push((name, attribute(tag, "value")));
        }
        rest = &rest[end..];
    }
    fields
}

fn attribute(tag: &str, name: &str) -> String {
    let value = tag.split(&format!(" {name}=\"")).nth(1).unwrap_or_default();
    plain(value.split('"').next().unwrap_or_default())
}

/// Text as a reader sees it.
fn plain(text: &str) -> String {
    let pairs =
        [("&quot;", "\""), ("&#x27;", "'"), ("&#x2f;", "/"), ("&lt;", "<"), ("&gt;", ">"), ("&amp;", "&")];
    pairs.iter().fold(text.to_owned(), |text, (from, to)| text.replace(from, to))
}

/// A browser at the forms.
struct Browser {
    client: Client,
    cookie: String,
    fields: Vec<(String, String)>,
}

impl Browser {
    fn new(daemon: &Panelwright) -> Self {
        Self { client: Client::new(&daemon.url()), cookie: String::new(), fields: Vec::new() }
    }

    fn get(&mut self, path: &str) -> Answer {
        let answer = self.client.get(path, &[PAGE, ("cookie", &self.cookie)]);
        self.fields = if answer.body.contains("action=\"./setup\"") && answer.body.contains("method=\"post\"")
        {
            fields_of(&answer.body)
        } else {
            Vec::new()
        };
        answer
    }

    /// Types into a field of the form that is there.
    #[track_caller]
    fn fill(&mut self, name: &str, value: &str) {
        let field = self.fields.iter_mut().find(|(other, _)| other == name);
        match field {
            Some(field) => field.1 = value.to_owned(),
            None => panic!("there is no field {name}: {:?}", self.fields),
        }
    }

    /// The names of the channels, by the number in the names of their fields.
    fn press(&mut self, to: &str) -> Answer {
        let mut sent: Vec<(&str, &str)> =
            self.fields.iter().map(|(name, value)| (&**name, &**value)).collect();
        sent.push(("to", to));
        let own = self.client.post(
            "/setup",
            &[PAGE, ("cookie", &self.cookie), ("sec-fetch-site", "same-origin")],
            &form(&sent),
        );
        if own.body.contains("action=\"./setup\"") {
            self.fields = fields_of(&own.body);
        }
        own
    }
}

fn publish(publisher: &mut Publisher) {
    for (channel, watts) in [("m1", 500), ("m2", 400), ("1", 150), ("2", 0)] {
        publisher.publish(&format!("shed/ct/{channel}/power"), watts.to_string());
        publisher.publish(&format!("shed/ct/{channel}/voltage"), "121.5");
    }
    publisher.publish("shed/bench", r#"{"channels":{"1":{"watts":75.5,"name":"vise"}}}"#);
    publisher.publish("shed/door", "open");
}

#[test]
fn from_an_empty_directory_to_live_figures() {
    if !require("mosquitto") {
        return;
    }
    let broker = Mosquitto::start("");
    let mut publisher = Publisher::connect(broker.port());
    let mut daemon = Setup::new(&broker.url()).start();
    assert!(daemon.log().contains("there is no map yet"), "{}", daemon.log());
    daemon.wait_healthy();
    let mut browser = Browser::new(&daemon);
    let first = browser.get("/");
    assert_eq!((first.status, first.header("location")), (303, "./setup"));
    assert_eq!(browser.get("/setup").status, 200);
    let odd = browser.get("/setup?filter=shed%23");
    assert!(odd.status == 400 && odd.body.contains("all below"), "{}", odd.body);

    let seen = |browser: &mut Browser, publisher: &mut Publisher| {
        publish(publisher);
        let page = plain(&browser.get("/setup?filter=shed/%23").body);
        page.contains("shed/ct/2/power")
            && page.contains("/channels/1/watts")
            && page.contains("1 more topics hold no number")
    };
    eventually(SOON, || seen(&mut browser, &mut publisher));
    let picked = browser.fields.iter().filter(|(name, _)| name == "pick").count();
    assert_eq!(picked, 5, "powers are marked, volts are not: {:?}", browser.fields);

    let house = browser.press("house");
    assert!(plain(&house.body).contains("shed/ct/{channel}/power"), "{}", house.body);
    browser.fill("name", "Shed <b>at</b> Heron Lane (invented)");
    browser.fill("site", "../../shed");
    browser.fill("time_zone", "America/Denver");
    browser.fill("main_a", "60");
    for (name, value) in browser.fields.clone() {
        if name.ends_with(".every_s") {
            browser.fill(&name, "1");
            assert!(value.parse::<f64>().is_ok(), "{value}");
        }
    }
    let channels = browser.press("channels");
    assert_eq!(channels.status, 200);
    assert!(!channels.body.contains("<b>at</b>"), "what is typed stays text");
    for (legend, on, label, spaces) in [
        ("shed/m1", "A", "", ""),
        ("shed/m2", "B", "", ""),
        ("shed/1", "circuit", "Lathe", "1"),
        ("bench/1", "circuit", "Bench", "3"),
    ] {
        let c = number_of(&channels.body, legend);
        browser.fill(&format!("{c}.on"), on);
        browser.fill(&format!("{c}.label"), label);
        browser.fill(&format!("{c}.spaces"), spaces);
        browser.fill(&format!("{c}.breaker_a"), if spaces.is_empty() { "" } else { "20" });
    }
    let check = browser.press("check");
    assert!(
        check.body.contains("needs mending") && check.body.contains("cannot stand in a topic"),
        "{}",
        check.body
    );
    let refused = browser.press("write");
    assert_eq!(refused.status, 409, "a path is no id");
    assert!(!daemon.directory().join("../../shed.toml").exists());
    browser.press("house");
    browser.fill("site", "shed");
    browser.press("channels");
    let check = browser.press("check");
    assert!(!check.body.contains("needs mending"), "{}", check.body);
    let written = browser.press("write");
    assert!(written.status == 200 && written.body.contains("It is in use"), "{}", written.body);
    eventually(SOON, || {
        publish(&mut publisher);
        let now = daemon.get("/api/sites/shed/now");
        now.status == 200 && now.json()["grid_w"] == json!(900.0)
    });
    let now = daemon.now("shed");
    assert_eq!(
        (&now["circuits"]["lathe"]["w"], &now["circuits"]["bench"]["w"]),
        (&json!(150.0), &json!(75.5))
    );
    let panel = daemon.get("/sites/shed/panel");
    assert!(
        panel.status == 200 && panel.body.contains("Lathe") && plain(&panel.body).contains("shed/2"),
        "{}",
        panel.body
    );

    a_lamp_is_added(&mut browser, &daemon);
    daemon.restart();
    assert!(daemon.get("/api/sites").body.contains("lamp"), "the map is in its file");
}

/// A channel that came in all the time, and was on nothing.
fn a_lamp_is_added(browser: &mut Browser, daemon: &Panelwright) {
    let known = browser.get("/setup?filter=shed/%23");
    assert!(plain(&known.body).contains("shed/2, on nothing yet on the map of Shed"), "{}", known.body);
    browser.fill("into", "shed");
    let house = browser.press("house");
    assert!(!house.body.contains("Main breaker"), "the house is known");
    let channels = browser.press("channels");
    let c = number_of(&channels.body, "shed/2");
    browser.fill(&format!("{c}.on"), "circuit");
    browser.fill(&format!("{c}.label"), "Lamp");
    browser.fill(&format!("{c}.spaces"), "2");
    browser.press("check");
    let written = browser.press("write");
    assert!(written.status == 200, "{}", written.body);
    let maps = daemon.map_file("shed").parent().expect("a directory").to_owned();
    let names =
        std::fs::read_dir(maps).expect("a directory").map(|entry| entry.expect("an entry").file_name());
    let mut names: Vec<String> = names.map(|name| name.to_string_lossy().into_owned()).collect();
    names.sort();
    assert!(names.len() == 2 && names[0] == "shed.toml" && names[1].starts_with("shed.toml.2"), "{names:?}");
    assert!(daemon.get("/api/sites").body.contains("lamp"));
}

/// `c3` of the channel whose legend begins so.
#[track_caller]
fn number_of(page: &str, channel: &str) -> String {
    let rest = page.split(&format!("<legend>{}", channel.replace('/', "&#x2f;"))).nth(1);
    let rest = rest.unwrap_or_else(|| panic!("no {channel} in {page}"));
    attribute(rest.split("<select").nth(1).expect("a select"), "name").trim_end_matches(".on").to_owned()
}

#[test]
fn only_who_may_change_things_sets_up() {
    let (daemon, token) = crate::access::served(Setup::new("mqtt://127.0.0.1:1"));
    let client = Client::new(&daemon.url());
    let bearer = format!("Bearer {token}");
    assert_eq!(client.get("/setup", &[("authorization", &bearer)]).status, 403);
    assert_eq!(client.get("/setup", &[PAGE]).status, 303, "first to where one signs in");
    let signed_in =
        client.post("/sign-in", &[], &form(&[("secret", crate::access::PASSWORD), ("next", "/setup")]));
    let cookie = cookie_of(signed_in.header("set-cookie"));
    let body = form(&[("pick", "shed/9\t"), ("into", "shed"), ("c0.on", "circuit"), ("to", "write")]);
    let refused = client.post("/setup", &[("cookie", &cookie)], &body);
    assert_eq!(refused.status, 403, "a form without the page's secret: {}", refused.body);
    assert_eq!(client.get("/setup?filter=shed/%23", &[("cookie", &cookie)]).status, 200);
}
