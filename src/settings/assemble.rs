//! Values into [`Settings`]: the rules of each section.

use std::collections::BTreeSet;
use std::net::SocketAddr;
use std::path::PathBuf;
use std::time::Duration;

use reqwest::Url;

use super::access;
use super::hubs;
use super::layers::{Layers, default};
use super::problem::{Place, Problems};
use super::secret::{self, Secret};
use super::{Broker, BrokerAddress, Central, Protocol, Publish, Resolution, Settings, Store};

/// The longest that published figures may wait, in seconds: readers take older ones as stale.
const MINUTE_S: f64 = 60.0;

/// Makes the settings, or as much of them as can be checked. `None` always comes with a problem.
pub(super) fn assemble(mut layers: Layers, problems: &mut Problems) -> Option<Settings> {
    let broker = broker(&layers, problems);
    let store = store(&layers, problems);
    let central =
        (0..layers.count("central")).filter_map(|index| central(&mut layers, index, problems)).collect();
    check_central_names(&layers, problems);
    let publish = publish(&layers, problems);
    let web = access::web(&layers, problems);
    let log_level = log_level(&layers, problems);
    let sites = layers.path("sites.directory");
    Some(Settings {
        file: layers.file.clone(),
        broker: broker?,
        store: store?,
        sites: sites?,
        central,
        publish: publish?,
        web: web?,
        log_level: log_level?,
    })
}

fn broker(layers: &Layers, problems: &mut Problems) -> Option<Broker> {
    let address = broker_address(layers, problems);
    let tls = matches!(address, Some(BrokerAddress::Remote { tls: true, .. }));
    let protocol = match layers.text("broker.protocol").as_deref() {
        Some("5") => Some(Protocol::V5),
        Some("3.1.1") => Some(Protocol::V3_1_1),
        Some(other) => {
            let what = format!("broker.protocol is {other:?}");
            problems.add(layers.place("broker.protocol"), what, "write \"5\" or \"3.1.1\"");
            None
        }
        None => None,
    };
    let client_id = layers.text("broker.client_id").filter(|id| {
        // MQTT 5, 3.1.3.1: an empty one would be the broker's choice, and its session lost each time.
        let fits = !id.is_empty() && id.len() <= 256 && !id.chars().any(char::is_control);
        if !fits {
            let hint = "write 1 to 256 characters, none of them a control character";
            problems.add(layers.place("broker.client_id"), "broker.client_id cannot serve", hint);
        }
        fits
    });
    let username = layers.text("broker.username");
    let password = secret_of(layers, "broker.password", problems);
    if password.is_some() && username.is_none() {
        let place = layers.place("broker.password_file");
        problems.add(place, "there is a broker password and no broker.username", "write broker.username");
    }
    let ca_file = readable(layers, "broker.ca_file", problems);
    let client_identity =
        certificate_and_key(layers, ("broker.client_cert_file", "broker.client_key_file"), problems);
    for path in ["broker.ca_file", "broker.client_cert_file", "broker.client_key_file"] {
        if layers.is_set(path) && address.is_some() && !tls {
            let what = format!("{path} does nothing on a connection without TLS");
            problems.add(layers.place(path), what, "write broker.url with mqtts://, or take it out");
        }
    }
    let receive_maximum = layers.whole("broker.receive_maximum", 1..=65_535, problems);
    // MQTT 5, 3.1.2.10: two bytes. Below 5 s a busy machine loses connections for nothing.
    let keep_alive = layers.whole("broker.keep_alive_s", 5..=65_535, problems);
    Some(Broker {
        address: address?,
        client_id: client_id?,
        username,
        password,
        protocol: protocol?,
        ca_file,
        client_identity,
        receive_maximum: u16::try_from(receive_maximum?).ok()?,
        keep_alive: Duration::from_secs(keep_alive?.unsigned_abs()),
    })
}

fn broker_address(layers: &Layers, problems: &mut Problems) -> Option<BrokerAddress> {
    const FORMS: &str = "write \"mqtt://host:port\", \"mqtts://host:port\" or \"embedded\"";
    let text = layers.text("broker.url")?;
    if text == "embedded" {
        let listen = address(layers, "broker.listen", problems)?;
        if listen.ip().is_loopback() {
            return Some(BrokerAddress::Embedded { listen });
        }
        let what = format!("the embedded broker asks nobody for a password, and {listen} is not loopback");
        problems.add(layers.place("broker.listen"), what, "write 127.0.0.1, or use a broker of its own");
        return None;
    }
    if layers.is_set("broker.listen") {
        let hint = "take it out, or write broker.url = \"embedded\"";
        problems.add(layers.place("broker.listen"), "broker.listen is the embedded broker's", hint);
    }
    let place = layers.place("broker.url");
    let url = match Url::parse(&text) {
        Ok(url) => url,
        Err(error) => {
            problems.add(place, format!("broker.url is {text:?}: {error}"), FORMS);
            return None;
        }
    };
    let (tls, port) = match url.scheme() {
        "mqtt" => (false, 1883),
        "mqtts" => (true, 8883),
        other => {
            problems.add(place, format!("broker.url names the scheme {other:?}"), FORMS);
            return None;
        }
    };
    if !url.username().is_empty() || url.password().is_some() {
        let hint = "write broker.username and broker.password_file";
        problems.add(place, "broker.url holds a user or a password", hint);
        return None;
    }
    let host = url.host_str().unwrap_or_default().trim_matches(['[', ']']).to_owned();
    if host.is_empty() || !matches!(url.path(), "" | "/") || url.query().is_some() {
        problems.add(place, format!("broker.url is {text:?}"), FORMS);
        return None;
    }
    Some(BrokerAddress::Remote { host, port: url.port().unwrap_or(port), tls })
}

/// The files of a certificate and of its key, by the paths of their settings: both or neither, and the
/// key for no other eyes.
pub(super) fn certificate_and_key(
    layers: &Layers,
    (cert, key): (&str, &str),
    problems: &mut Problems,
) -> Option<(PathBuf, PathBuf)> {
    match (layers.is_set(cert), layers.is_set(key)) {
        (false, false) => return None,
        (true, true) => {}
        (set, _) => {
            let (here, missing) = if set { (cert, key) } else { (key, cert) };
            let what = format!("{here} is of no use without {missing}");
            problems.add(layers.place(here), what, format!("write {missing} as well"));
            return None;
        }
    }
    let certificate = readable(layers, cert, problems);
    let private = layers.path(key)?;
    if let Err(unfit) = secret::check_private(&private).and_then(|()| secret::check_readable(&private)) {
        problems.add(layers.place(key), unfit.what, unfit.hint);
        return None;
    }
    Some((certificate?, private))
}

fn store(layers: &Layers, problems: &mut Problems) -> Option<Store> {
    // Beyond a minute the broker would hold more than most keep for a client that does not answer.
    let commit_every = layers.whole("store.commit_every_s", 1..=60, problems);
    let readings = days(layers, "store.keep_readings", problems);
    let minutes = days(layers, "store.keep_minutes", problems);
    if let (Some(readings), Some(Some(minutes))) = (readings, minutes)
        && readings.is_none_or(|readings| readings > minutes)
    {
        let what = "store.keep_minutes is shorter than store.keep_readings";
        let hint = "keep minutes as long as readings or longer: they take a seventh of the room";
        problems.add(layers.place("store.keep_minutes"), what, hint);
    }
    let late_window = layers.whole("store.late_window_days", 1..=36_500, problems);
    let directory = layers.path("store.directory")?;
    Some(Store {
        directory,
        commit_every: Duration::from_secs(commit_every?.unsigned_abs()),
        late_window: Duration::from_secs(late_window?.unsigned_abs() * 86_400),
        keep_readings_days: readings?,
        keep_minutes_days: minutes?,
    })
}

/// `"400 days"` or `"for ever"`.
fn days(layers: &Layers, path: &str, problems: &mut Problems) -> Option<Option<u32>> {
    let text = layers.text(path)?;
    if text.trim() == "for ever" {
        return Some(None);
    }
    let number = text.trim().strip_suffix("days").and_then(|number| number.trim().parse().ok());
    // Late readings reach a week back, and what a counter bridges a month.
    match number {
        Some(days) if (31..=36_500).contains(&days) => Some(Some(days)),
        _ => {
            let hint = "write \"for ever\", or a number of days from 31 on, such as \"400 days\"";
            problems.add(layers.place(path), format!("{path} is {text:?}"), hint);
            None
        }
    }
}

fn central(layers: &mut Layers, index: usize, problems: &mut Problems) -> Option<Central> {
    let path = |name: &str| format!("central[{index}].{name}");
    let mut needed = |layers: &Layers, name: &str| {
        let text = layers.text(&path(name)).filter(|text| !text.trim().is_empty());
        if text.is_none() && (layers.text(&path(name)).is_some() || !layers.is_set(&path(name))) {
            let what = format!("central.{name} is missing");
            problems.add(
                layers.place(&path(name)),
                what,
                format!("write {name} = \"…\" in this [[central]]"),
            );
        }
        text
    };
    let name = needed(layers, "name");
    let url = needed(layers, "url");
    let organization = needed(layers, "organization");
    let bucket = needed(layers, "bucket");
    let kind = layers.text(&path("kind")).unwrap_or_default();
    if kind != "influx" {
        let hint = "write \"influx\": any server of the InfluxDB v2 write API";
        problems.add(layers.place(&path("kind")), format!("central.kind is {kind:?}"), hint);
    }
    let url = url.filter(|text| {
        let fits = Url::parse(text).is_ok_and(|url| {
            matches!(url.scheme(), "http" | "https") && url.password().is_none() && url.username().is_empty()
        });
        if !fits {
            let hint = "write \"https://host/prefix\", without user or password";
            problems.add(layers.place(&path("url")), format!("central.url is {text:?}"), hint);
        }
        fits
    });
    let resolution = match layers.text(&path("resolution")).as_deref() {
        Some("minute") => Some(Resolution::Minute),
        Some("quarter") => Some(Resolution::Quarter),
        other => {
            let what = format!("central.resolution is {:?}", other.unwrap_or_default());
            problems.add(layers.place(&path("resolution")), what, "write \"minute\" or \"quarter\"");
            None
        }
    };
    let from_environment = name.as_deref().and_then(|name| layers.take_central_token(name)).map(Secret::new);
    let token_file = if from_environment.is_some() { None } else { layers.path(&path("token_file")) };
    let token = from_environment.or_else(|| secret_file(layers, &path("token_file"), problems));
    let ca_file = readable(layers, &path("ca_file"), problems);
    let gzip = layers.flag(&path("gzip"), problems);
    Some(Central {
        name: name?,
        url: url?,
        organization: organization?,
        bucket: bucket?,
        token,
        token_file,
        ca_file,
        resolution: resolution?,
        gzip: gzip?,
    })
}

/// Names go into metrics, messages and the outbox: short, plain and each once.
fn check_central_names(layers: &Layers, problems: &mut Problems) {
    let mut seen = BTreeSet::new();
    for index in 0..layers.count("central") {
        let path = format!("central[{index}].name");
        let Some(name) = layers.text(&path) else { continue };
        let plain = |c: char| c.is_ascii_lowercase() || c.is_ascii_digit() || c == '-';
        if name.len() > 64 || !name.chars().all(plain) {
            let hint = "write at most 64 of a-z, 0-9 and -";
            problems.add(layers.place(&path), format!("central.name is {name:?}"), hint);
        } else if !seen.insert(name.clone()) {
            let what = format!("there are two central stores named {name:?}");
            problems.add(layers.place(&path), what, "give each a name of its own");
        }
    }
    for variable in layers.stray_central_tokens() {
        let hint = "name a [[central]] so, or take the variable out";
        problems.add(Place::Environment(variable), "there is no central store of that name", hint);
    }
}

fn publish(layers: &Layers, problems: &mut Problems) -> Option<Publish> {
    let json = topic_of_site(layers, "publish.json", problems);
    let alerts = topic_of_site(layers, "publish.alerts", problems);
    let findings = topic_of_site(layers, "publish.findings", problems);
    let state = layers.text("publish.state").and_then(|text| topic(layers, "publish.state", text, problems));
    let min = layers.number("publish.min_interval_s", 0.0..=MINUTE_S, problems);
    let max = layers.number("publish.max_interval_s", 1.0..=MINUTE_S, problems);
    let dead_band_w = layers.number("publish.dead_band_w", 0.0..=1_000_000.0, problems);
    let homie = hubs::homie(layers, problems);
    let announce = (0..layers.count("announce")).filter_map(|index| hubs::announce(layers, index, problems));
    let announce = announce.collect();
    let accept = layers.flag("commands.accept", problems);
    let commands = topic_of_site(layers, "commands.json", problems);
    if accept == Some(true) && commands == Some(None) {
        let hint = "write a topic such as panelwright/{site}/set";
        problems.add(layers.place("commands.json"), "commands.json is empty", hint);
    }
    let (min, max) = (min?, max?);
    if min > max {
        let what = format!("publish.min_interval_s is {min}, above publish.max_interval_s, {max}");
        problems.add(layers.place("publish.min_interval_s"), what, "write a smaller one");
    }
    Some(Publish {
        json: json?,
        alerts: alerts?,
        findings: findings?,
        state: state?,
        min_interval: Duration::from_secs_f64(min),
        max_interval: Duration::from_secs_f64(max),
        dead_band_w: dead_band_w?,
        homie: homie?,
        announce,
        commands: commands?.filter(|_| accept == Some(true)),
    })
}

/// A topic of which each site has one, or none where the text is empty.
fn topic_of_site(layers: &Layers, path: &str, problems: &mut Problems) -> Option<Option<String>> {
    match layers.text(path)? {
        text if text.is_empty() => Some(None),
        text if !text.contains("{site}") => {
            let what = format!("{path} has no {{site}} in it: every site would publish at one topic");
            let hint = format!("write a topic such as {}", default(path).unwrap_or_default());
            problems.add(layers.place(path), what, hint);
            None
        }
        text => topic(layers, path, text, problems).map(Some),
    }
}

/// A topic to publish at (MQTT 5, 4.7); in those of a site `{site}` is where its id goes.
fn topic(layers: &Layers, path: &str, text: String, problems: &mut Problems) -> Option<String> {
    let of_site = ["publish.json", "publish.alerts", "publish.findings", "commands.json"].contains(&path);
    let site = if of_site { "{site}" } else { "" };
    let why = match () {
        () if text.is_empty() => "is empty",
        () if text.contains(['+', '#']) => "holds a wildcard, which nobody can publish at",
        () if text.contains('\0') || text.len() > 1024 => "is not a topic",
        () if text.starts_with('$') => "starts with $, which belongs to the broker",
        () if text.replace(site, "").contains(['{', '}']) => "holds a brace that stands for nothing",
        () => return Some(text),
    };
    let hint = format!("write a topic such as {}", default(path).unwrap_or_default());
    problems.add(layers.place(path), format!("{path} {why}"), hint);
    None
}

fn log_level(layers: &Layers, problems: &mut Problems) -> Option<String> {
    let text = layers.text("log.level")?;
    match tracing_subscriber::EnvFilter::builder().parse(&text) {
        Ok(_) => Some(text),
        Err(error) => {
            let what = format!("log.level is {text:?}: {error}");
            problems.add(layers.place("log.level"), what, "write error, warn, info, debug or trace");
            None
        }
    }
}

pub(super) fn address(layers: &Layers, path: &str, problems: &mut Problems) -> Option<SocketAddr> {
    let text = layers.text(path)?;
    match text.replace("localhost:", "127.0.0.1:").parse() {
        Ok(address) => Some(address),
        Err(_) => {
            let hint = "write address:port, such as 127.0.0.1:8433";
            problems.add(layers.place(path), format!("{path} is {text:?}"), hint);
            None
        }
    }
}

/// A secret from the environment, else from the file that `<path>_file` names.
pub(super) fn secret_of(layers: &Layers, path: &str, problems: &mut Problems) -> Option<Secret> {
    match layers.text(path).filter(|text| !text.is_empty()) {
        Some(text) => Some(Secret::new(text)),
        None => secret_file(layers, &format!("{path}_file"), problems),
    }
}

pub(super) fn secret_file(layers: &Layers, path: &str, problems: &mut Problems) -> Option<Secret> {
    let file = layers.path(path)?;
    secret::read(&file).map_err(|unfit| problems.add(layers.place(path), unfit.what, unfit.hint)).ok()
}

fn readable(layers: &Layers, path: &str, problems: &mut Problems) -> Option<PathBuf> {
    let file = layers.path(path)?;
    match secret::check_readable(&file) {
        Ok(()) => Some(file),
        Err(unfit) => {
            problems.add(layers.place(path), unfit.what, unfit.hint);
            None
        }
    }
}
