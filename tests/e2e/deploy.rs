//! What deploy/ holds works: systemd accepts the unit and finds it closed, and Mosquitto runs with
//! the example's settings and keeps its promises.

use std::path::{Path, PathBuf};
use std::process::Command;
use std::time::Duration;

use crate::harness::{Mosquitto, Publisher, Subscriber, eventually, free_port, require};

const SOON: Duration = Duration::from_secs(10);

fn deploy(file: &str) -> PathBuf {
    Path::new(env!("CARGO_MANIFEST_DIR")).join("deploy").join(file)
}

fn text(file: &str) -> String {
    std::fs::read_to_string(deploy(file)).unwrap_or_else(|why| panic!("{file}: {why}"))
}

/// Runs a program that has to succeed without a complaint; gives its output.
#[track_caller]
fn run(command: &mut Command) -> String {
    let output = command.output().unwrap_or_else(|why| panic!("{command:?}: {why}"));
    let said = |bytes: &[u8]| String::from_utf8_lossy(bytes).into_owned();
    let (out, err) = (said(&output.stdout), said(&output.stderr));
    assert!(output.status.success(), "{command:?}: {}\n{out}\n{err}", output.status);
    format!("{out}{err}")
}

#[test]
fn systemd_accepts_the_unit_and_finds_it_closed() {
    if !require("systemd-analyze") {
        return;
    }
    let directory = tempfile::tempdir().expect("a temporary directory");
    // `verify` wants the program to be there, so the unit that it sees names the built one.
    let unit = directory.path().join("panelwright.service");
    let installed = text("panelwright.service");
    assert!(installed.contains("ExecStart=/usr/bin/panelwright run"));
    let built = installed.replace("/usr/bin/panelwright", env!("CARGO_BIN_EXE_panelwright"));
    std::fs::write(&unit, built).expect("the unit is written");
    let drop_in = directory.path().join("panelwright.service.d");
    std::fs::create_dir(&drop_in).expect("a directory");
    std::fs::write(drop_in.join("secrets.conf"), text("panelwright.service.d/secrets.conf"))
        .expect("written");
    let complaints = run(Command::new("systemd-analyze").arg("verify").arg(&unit));
    // Other units of the machine may be complained about: only this one counts.
    assert!(!complaints.contains("panelwright"), "{complaints}");

    // The tool's scale: 0 is closed, 10 is open; 20 here is an exposure of 2.0.
    let shown = run(Command::new("systemd-analyze")
        .args(["security", "--offline=true", "--no-pager", "--threshold=20"])
        .arg(deploy("panelwright.service")));
    assert!(shown.contains("Overall exposure level"), "{shown}");
}

/// A certificate for 127.0.0.1 and its key, as PEM.
fn certificate() -> (String, String) {
    let made = rcgen::generate_simple_self_signed(vec!["127.0.0.1".to_owned(), "localhost".to_owned()]);
    let made = made.expect("a certificate");
    (made.cert.pem(), made.signing_key.serialize_pem())
}

/// The example's settings with this test's paths and ports, and the users of its access list.
fn example_broker(tls_port: u16, directory: &Path) -> String {
    let at = |file: &str| directory.join(file).display().to_string();
    let passwords = at("passwd");
    std::fs::write(&passwords, "").expect("an empty password file");
    for user in ["panelwright", "meter-house", "automation", "stranger"] {
        run(Command::new("mosquitto_passwd").args(["-b", &passwords, user, &format!("{user}-secret")]));
    }
    std::fs::write(at("acl"), text("mosquitto/panelwright.acl")).expect("written");
    let (certificate, key) = certificate();
    std::fs::write(at("server.pem"), certificate).expect("written");
    std::fs::write(at("server.key"), key).expect("written");
    let replaced = [
        ("/etc/mosquitto/panelwright.passwd\nacl_file", format!("{passwords}\nacl_file")),
        ("acl_file /etc/mosquitto/panelwright.acl", format!("acl_file {}", at("acl"))),
        ("/etc/mosquitto/certs/server.pem", at("server.pem")),
        ("/etc/mosquitto/certs/server.key", at("server.key")),
        ("listener 8883\n", format!("listener {tls_port} 127.0.0.1\n")),
        // The harness opens this one, on a port of its own.
        ("listener 1883 127.0.0.1\n", String::new()),
        (
            "persistence_location /var/lib/mosquitto/",
            format!("persistence_location {}/", directory.display()),
        ),
    ];
    let mut conf = text("mosquitto/panelwright.conf");
    for (installed, tested) in replaced {
        assert!(conf.contains(installed), "the example no longer has {installed:?}");
        conf = conf.replace(installed, &tested);
    }
    conf
}

#[test]
fn the_broker_example_gives_each_user_its_topics_and_no_others() {
    if !require("mosquitto") || !require("mosquitto_passwd") {
        return;
    }
    let directory = tempfile::tempdir().expect("a temporary directory");
    let tls_port = free_port();
    let broker = Mosquitto::start(&example_broker(tls_port, directory.path()));
    let subscriber = |user: &str| Subscriber::connect_as(broker.port(), user, &format!("{user}-secret"), "#");
    let publish = |user: &str, topic: &str, payload: &str| {
        let mut publisher = Publisher::connect_as(broker.port(), user, &format!("{user}-secret"));
        publisher.publish(topic, payload);
        publisher.settle();
    };
    let (panelwright, automation) = (subscriber("panelwright"), subscriber("automation"));
    let (meter, stranger) = (subscriber("meter-house"), subscriber("stranger"));

    // The broker works through these in order, so whoever has heard a later one will not hear an
    // earlier one any more.
    let channel = "heron-lane/meter/house/ct/1/power";
    publish("stranger", channel, "forged");
    publish("automation", "panelwright/heron-lane/now", "forged");
    publish("meter-house", "heron-lane/meter/barn/ct/1/power", "forged");
    publish("meter-house", channel, "812");
    publish("panelwright", "panelwright/heron-lane/now", "{}");
    publish("panelwright", "homie/5/panelwright-heron-lane/$state", "ready");

    let heard = |of: &Subscriber| -> Vec<(String, String)> {
        of.heard().iter().map(|message| (message.topic.clone(), message.text())).collect()
    };
    let pair = |topic: &str, payload: &str| (topic.to_owned(), payload.to_owned());
    let figures =
        [pair("panelwright/heron-lane/now", "{}"), pair("homie/5/panelwright-heron-lane/$state", "ready")];
    eventually(SOON, || heard(&automation).len() >= 2 && heard(&panelwright).len() >= 3);
    assert_eq!(heard(&automation), figures);
    assert_eq!(heard(&panelwright), [&[pair(channel, "812")], &figures[..]].concat());
    assert_eq!(heard(&meter), []);
    assert_eq!(heard(&stranger), []);

    // The encrypted listener is up as well.
    assert!(std::net::TcpStream::connect(("127.0.0.1", tls_port)).is_ok(), "{}", broker.log());
}

#[test]
fn the_broker_example_keeps_what_a_client_that_is_away_has_not_acknowledged() {
    if !require("mosquitto") || !require("mosquitto_passwd") {
        return;
    }
    let directory = tempfile::tempdir().expect("a temporary directory");
    let broker = Mosquitto::start(&example_broker(free_port(), directory.path()));
    let session = || {
        let mut options = rumqttc::MqttOptions::new("away", "127.0.0.1", broker.port());
        options.set_credentials("panelwright", "panelwright-secret");
        options.set_clean_session(false);
        rumqttc::Client::new(options, 10)
    };
    let (client, mut connection) = session();
    client.subscribe("heron-lane/#", rumqttc::QoS::AtLeastOnce).expect("a running client");
    let confirmed =
        |event: &rumqttc::Event| matches!(event, rumqttc::Event::Incoming(rumqttc::Incoming::SubAck(_)));
    assert!(connection.iter().any(|event| confirmed(&event.expect("the broker is there"))));
    drop((client, connection));

    // More than the 1,000 that Mosquitto keeps without the example's settings.
    let mut publisher = Publisher::connect_as(broker.port(), "meter-house", "meter-house-secret");
    for number in 0..3_000 {
        publisher.publish("heron-lane/meter/house/ct/1/power", number.to_string());
    }
    publisher.settle();

    let (_client, mut connection) = session();
    let mut next = 0;
    for event in connection.iter() {
        if let rumqttc::Event::Incoming(rumqttc::Incoming::Publish(publish)) = event.expect("still there") {
            assert_eq!(publish.payload, next.to_string());
            next += 1;
        }
        if next == 3_000 {
            return;
        }
    }
    panic!("{next} of 3,000 messages were kept");
}
