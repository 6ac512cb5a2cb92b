//! The broker connection against Mosquitto: each test is a way in which a connection, a broker or
//! a consumer lets one down.

use std::collections::HashSet;
use std::time::Duration;

use bytes::Bytes;
use panelwright::clock::Clock;
use panelwright::mqtt::{
    self, AckToken, Handle, Identity, Incoming, Message, Options, Protocol, Qos, Tls, Will,
};
use panelwright::reading::Delivery;
use tokio::sync::mpsc::Receiver;

use crate::harness::{Mosquitto, Publisher, Subscriber, eventually, require};

/// How long something may take that takes milliseconds on a quiet machine.
const SOON: Duration = Duration::from_secs(30);

/// Queues without limit: Mosquitto's own limit of 1,000 messages drops silently.
const UNLIMITED: &str = "max_queued_messages 0\n";

/// A connection and what it has told.
struct Client {
    handle: Handle,
    receiver: Receiver<Vec<Incoming>>,
    told: Vec<Incoming>,
}

impl Client {
    fn start(options: Options, filters: &[&str]) -> Self {
        let filters = filters.iter().map(ToString::to_string).collect();
        let (handle, receiver) = mqtt::start(options, filters).expect("good options");
        Self { handle, receiver, told: Vec::new() }
    }

    /// Listens until `look` finds something in all that was told.
    async fn until<T>(&mut self, mut look: impl FnMut(&[Incoming]) -> Option<T>) -> T {
        let listening = async {
            loop {
                if let Some(found) = look(&self.told) {
                    return found;
                }
                self.told.extend(self.receiver.recv().await.expect("the connection goes on"));
            }
        };
        match tokio::time::timeout(SOON, listening).await {
            Ok(found) => found,
            Err(_) => panic!(
                "not told so within {SOON:?}; told: {:#?}",
                self.told.iter().rev().take(5).collect::<Vec<_>>()
            ),
        }
    }

    /// The number and the kind of session of the `count`-th time that it is up.
    async fn up(&mut self, count: usize) -> (u32, bool) {
        self.until(|told| ups(told).nth(count - 1)).await
    }

    async fn down(&mut self) -> String {
        self.until(|told| {
            told.iter().find_map(|it| match it {
                Incoming::Down { why } => Some(why.clone()),
                _ => None,
            })
        })
        .await
    }

    /// The messages, once there are `count`.
    async fn messages(&mut self, count: usize) -> Vec<Message> {
        self.until(|told| (messages(told).count() >= count).then(|| messages(told).cloned().collect())).await
    }

    /// Subscribed for certain: a message of its own has come back.
    async fn subscribed(&mut self, topic: &str) {
        let probe = Bytes::from_static(b"probe");
        let deadline = tokio::time::Instant::now() + SOON;
        while !everything(&self.told).any(|message| message.payload == probe) {
            assert!(tokio::time::Instant::now() < deadline, "not subscribed within {SOON:?}");
            self.handle.publish(topic, probe.clone(), Qos::AtLeastOnce, false);
            let more = tokio::time::timeout(Duration::from_secs(1), self.receiver.recv()).await;
            self.told.extend(more.ok().flatten().into_iter().flatten());
        }
        self.acknowledge_all();
        self.told.retain(|it| !matches!(it, Incoming::Message(_)));
    }

    fn tokens(&self) -> Vec<AckToken> {
        everything(&self.told).filter_map(|message| message.ack).collect()
    }

    fn acknowledge_all(&self) -> usize {
        self.handle.ack(self.tokens())
    }
}

fn ups(told: &[Incoming]) -> impl Iterator<Item = (u32, bool)> + '_ {
    told.iter().filter_map(|it| match it {
        Incoming::Up { epoch, session_present } => Some((*epoch, *session_present)),
        _ => None,
    })
}

fn everything(told: &[Incoming]) -> impl Iterator<Item = &Message> + '_ {
    told.iter().filter_map(|it| match it {
        Incoming::Message(message) => Some(message),
        _ => None,
    })
}

fn messages(told: &[Incoming]) -> impl Iterator<Item = &Message> + '_ {
    everything(told).filter(|message| message.payload != b"probe"[..])
}

fn options(port: u16) -> Options {
    Options::new("127.0.0.1", port, "panelwright-under-test", Clock::wall())
}

fn v311(port: u16) -> Options {
    Options { protocol: Protocol::V311, ..options(port) }
}

fn payloads(messages: &[Message]) -> Vec<String> {
    messages.iter().map(|message| String::from_utf8_lossy(&message.payload).into_owned()).collect()
}

fn numbers(range: std::ops::Range<usize>) -> Vec<String> {
    range.map(|n| n.to_string()).collect()
}

#[tokio::test(flavor = "multi_thread")]
async fn messages_come_with_their_topic_and_what_is_kept_is_marked() {
    if !require("mosquitto") {
        return;
    }
    for options in [options, v311] {
        let broker = Mosquitto::start("");
        let mut publisher = Publisher::connect(broker.port());
        publisher.publish_retained("farm/ct/1/power", "old");
        publisher.settle();
        let mut client = Client::start(options(broker.port()), &["farm/ct/+/power"]);
        assert_eq!(client.up(1).await, (1, false));
        let kept = client.messages(1).await.remove(0);
        assert_eq!((kept.topic(), kept.delivery), ("farm/ct/1/power", Delivery::Retained));
        // Published retained, but heard as it happens: a reading like any other.
        publisher.publish_retained("farm/ct/1/power", "new");
        publisher.publish("farm/ct/2/power", "new");
        let live = client.messages(3).await;
        assert_eq!(live[1].delivery, Delivery::Live);
        assert_eq!((live[2].topic(), live[2].delivery), ("farm/ct/2/power", Delivery::Live));
        assert!(Clock::wall().now() - live[2].arrival < panelwright::units::Span::from_seconds(60));
        assert!(client.handle.shutdown(SOON).await);
    }
}

#[tokio::test(flavor = "multi_thread")]
async fn a_killed_broker_is_found_again_and_a_lost_session_subscribed_again() {
    if !require("mosquitto") {
        return;
    }
    for options in [options, v311] {
        let mut broker = Mosquitto::start("");
        let mut client = Client::start(options(broker.port()), &["a/+"]);
        client.up(1).await;
        client.subscribed("a/1").await;
        let mut publisher = Publisher::connect(broker.port());
        for n in 0..50 {
            publisher.publish("a/1", n.to_string());
        }
        client.messages(1).await;
        // In mid-stream; nothing of the session survives, as nothing is kept on disk.
        broker.kill();
        let why = client.down().await;
        assert!(why.contains(&format!("127.0.0.1:{}", broker.port())), "{why}");
        assert!(
            !client.handle.publish("out", Bytes::new(), Qos::AtMostOnce, false),
            "there is no connection"
        );
        drop(publisher);
        broker.restart();
        let (epoch, session_present) = client.up(2).await;
        assert!(epoch > 1 && !session_present);
        client.told.clear();
        client.subscribed("a/1").await;
        Publisher::connect(broker.port()).publish("a/2", "after");
        assert_eq!(payloads(&client.messages(1).await), ["after"]);
        assert!(client.handle.shutdown(SOON).await);
    }
}

#[tokio::test(flavor = "multi_thread")]
async fn what_is_unacknowledged_comes_again_and_old_tokens_count_for_nothing() {
    if !require("mosquitto") {
        return;
    }
    for options in [options, v311] {
        let mut broker = Mosquitto::start("persistence true\n");
        let mut client = Client::start(options(broker.port()), &["a"]);
        client.up(1).await;
        client.subscribed("a").await;
        let mut publisher = Publisher::connect(broker.port());
        for n in 0..10 {
            publisher.publish("a", n.to_string());
        }
        assert_eq!(payloads(&client.messages(10).await), numbers(0..10));
        let old = client.tokens();
        // Stopped in good order, so that it keeps the session; the acknowledgements never came.
        drop(publisher);
        broker.stop();
        client.down().await;
        assert_eq!(client.handle.ack(old.iter().copied().take(5)), 5, "there is no connection");
        broker.restart();
        assert!(client.up(2).await.1, "the session is there");
        client
            .told
            .retain(|it| !matches!(it, Incoming::Message(message) if message.delivery == Delivery::Live));
        let again = client.messages(10).await;
        assert_eq!(payloads(&again), numbers(0..10));
        assert!(again.iter().all(|message| message.delivery == Delivery::Backlog), "nobody knows how old");
        // Identifiers of packets start over with each connection: an old token that went out would
        // release a message that nobody has dealt with.
        assert_eq!(client.handle.ack(old), 10, "all dropped");
        let tokens = client.tokens();
        assert_eq!(client.handle.ack(tokens[..7].iter().copied()), 0);
        assert!(client.handle.shutdown(SOON).await);

        let mut client = Client::start(options(broker.port()), &["a"]);
        assert!(client.up(1).await.1);
        assert_eq!(payloads(&client.messages(3).await), numbers(7..10), "seven are done, three are due");
        assert_eq!(client.acknowledge_all(), 0);
        assert!(client.handle.shutdown(SOON).await);

        let mut client = Client::start(options(broker.port()), &["a"]);
        client.up(1).await;
        Publisher::connect(broker.port()).publish("a", "last");
        assert_eq!(payloads(&client.messages(1).await), ["last"]);
    }
}

#[tokio::test(flavor = "multi_thread")]
async fn a_window_of_20_is_told_and_served_and_mqtt_5_has_a_wide_one() {
    if !require("mosquitto") {
        return;
    }
    let broker = Mosquitto::start(UNLIMITED);
    let mut publisher = Publisher::connect(broker.port());
    let mut client = Client::start(v311(broker.port()), &["a"]);
    assert_eq!(client.handle.window(), Some(20));
    client.up(1).await;
    client.subscribed("a").await;
    for n in 0..100 {
        publisher.publish("a", n.to_string());
    }
    publisher.settle();
    // Acknowledged whenever a window is full, all of them come; to wait for more would be to wait for
    // ever. (The window is the broker's: under load it was seen to send some more than its 20, so only
    // what is ours is asserted.)
    let mut heard = 0;
    while heard < 100 {
        let batch = client.messages((heard + 20).min(100)).await;
        client.handle.ack(batch[heard..].iter().filter_map(|message| message.ack));
        heard = batch.len();
    }
    assert_eq!(payloads(&client.messages(100).await), numbers(0..100));
    assert!(client.handle.shutdown(SOON).await);

    let mut client = Client::start(Options { client_id: "wide".into(), ..options(broker.port()) }, &["a"]);
    assert_eq!(client.handle.window(), Some(4096));
    client.up(1).await;
    client.subscribed("a").await;
    for n in 0..1000 {
        publisher.publish("a", n.to_string());
    }
    assert_eq!(payloads(&client.messages(1000).await), numbers(0..1000));
    assert_eq!(client.acknowledge_all(), 0);
    assert!(client.handle.shutdown(SOON).await);
}

#[tokio::test(flavor = "multi_thread")]
async fn a_large_packet_is_read_and_a_larger_one_stops_nothing() {
    if !require("mosquitto") {
        return;
    }
    let broker = Mosquitto::start("");
    let mut publisher = Publisher::connect(broker.port());
    for options in [options(broker.port()), v311(broker.port())] {
        let mut client = Client::start(options.clone(), &["a"]);
        client.up(1).await;
        client.subscribed("a").await;
        publisher.publish("a", vec![b'x'; 1 << 20]);
        publisher.publish("a", "small");
        let heard = client.messages(2).await;
        assert_eq!((heard[0].payload.len(), &heard[1].payload[..]), (1 << 20, &b"small"[..]));
        assert_eq!(client.acknowledge_all(), 0);
        assert_eq!(ups(&client.told).count(), 1, "the connection held");
        // MQTT 5 tells the broker the limit. Under 3.1.1 the message comes again on every
        // connection, until the session goes with it.
        client.told.clear();
        publisher.publish("a", vec![b'x'; 2 << 20]);
        publisher.settle();
        if options.protocol == Protocol::V311 {
            let why = client.down().await;
            assert!(why.contains("above the limit"), "{why}");
            assert!(!client.up(1).await.1, "the session is a new one");
        }
        client.subscribed("a").await;
        publisher.publish("a", "after");
        assert_eq!(payloads(&client.messages(1).await), ["after"]);
        assert!(client.handle.shutdown(SOON).await);
    }
}

#[tokio::test(flavor = "multi_thread")]
async fn a_stopped_consumer_holds_the_broker_up_and_loses_nothing() {
    if !require("mosquitto") {
        return;
    }
    let broker = Mosquitto::start(&format!("{UNLIMITED}log_type all\n"));
    let keep_alive = Duration::from_secs(5);
    let mut client =
        Client::start(Options { keep_alive, receive_maximum: 1000, ..options(broker.port()) }, &["a/#"]);
    client.up(1).await;
    client.subscribed("a/0").await;
    let mut publisher = Publisher::connect(broker.port());
    for n in 0..5000 {
        publisher.publish(&format!("a/{}", n % 7), n.to_string());
    }
    publisher.settle();
    // Nobody listens for longer than the broker waits for a sign of life: the pings go on.
    let pings = || broker.log().matches("PINGREQ from panelwright-under-test").count();
    tokio::task::block_in_place(|| eventually(SOON, || pings() >= 2));
    let (mut seen, mut acknowledged) = (HashSet::new(), 0);
    while seen.len() < 5000 {
        let wanted = (acknowledged + 1000).min(5000);
        let all = client.messages(wanted).await;
        for message in &all[acknowledged..] {
            assert!(seen.insert(message.payload.clone()), "twice: {message:?}");
            assert_eq!(message.delivery, Delivery::Live);
        }
        assert_eq!(client.handle.ack(all[acknowledged..].iter().filter_map(|message| message.ack)), 0);
        acknowledged = all.len();
    }
    assert_eq!(ups(&client.told).count(), 1, "one connection all the time");
    assert!(client.handle.shutdown(SOON).await);
}

#[tokio::test(flavor = "multi_thread")]
async fn what_was_queued_meanwhile_is_backlog_until_the_broker_has_caught_up() {
    if !require("mosquitto") {
        return;
    }
    for options in [options, v311] {
        let broker = Mosquitto::start("");
        let mut client = Client::start(options(broker.port()), &["a"]);
        client.up(1).await;
        client.subscribed("a").await;
        assert!(client.handle.shutdown(SOON).await);
        let mut publisher = Publisher::connect(broker.port());
        for n in 0..50 {
            publisher.publish("a", n.to_string());
        }
        publisher.settle();
        let mut client = Client::start(options(broker.port()), &["a"]);
        assert!(client.up(1).await.1);
        for heard in (10..=50).step_by(10) {
            let all = client.messages(heard).await;
            assert!(all.iter().take(50).all(|message| message.delivery == Delivery::Backlog));
            client.handle.ack(all[heard - 10..heard].iter().filter_map(|message| message.ack));
        }
        let deadline = tokio::time::Instant::now() + SOON;
        for count in 51.. {
            publisher.publish("a", "live");
            let all = client.messages(count).await;
            client.handle.ack(all[count - 1].ack);
            if all[count - 1].delivery == Delivery::Live {
                break;
            }
            assert!(tokio::time::Instant::now() < deadline, "still backlog after {count} messages");
        }
        assert!(client.handle.shutdown(SOON).await);
    }
}

#[tokio::test(flavor = "multi_thread")]
async fn a_refused_password_is_told_and_tried_again() {
    if !require("mosquitto") || !require("mosquitto_passwd") {
        return;
    }
    let mut broker = Mosquitto::start("");
    let passwords = broker.directory().join("passwords");
    std::fs::write(&passwords, "meter:secret\n").expect("a file");
    let hashed = std::process::Command::new("mosquitto_passwd").arg("-U").arg(&passwords).status();
    assert!(hashed.expect("it runs").success());
    broker.add_conf(&format!("allow_anonymous false\npassword_file {}\n", passwords.display()));
    broker.restart();
    for options in [options, v311] {
        let with = |password: &str| Options {
            credentials: Some(("meter".into(), password.into())),
            ..options(broker.port())
        };
        let mut client = Client::start(with("guess"), &["a"]);
        let tries = |told: &[Incoming]| told.iter().filter(|it| matches!(it, Incoming::Down { .. })).count();
        client.until(|told| (tries(told) >= 2).then_some(())).await;
        let why = client.down().await;
        assert!(why.contains("check broker.username and its password file"), "{why}");
        assert!(client.handle.shutdown(SOON).await, "it leaves in the middle of a pause");
        let mut client = Client::start(with("secret"), &["a"]);
        client.up(1).await;
        assert!(client.handle.shutdown(SOON).await);
    }
}

/// A certificate authority and what it vouches for.
struct Authority {
    pem: String,
    issuer: rcgen::Issuer<'static, rcgen::KeyPair>,
}

impl Authority {
    fn new() -> Self {
        let mut params = rcgen::CertificateParams::new(Vec::new()).expect("parameters");
        params.is_ca = rcgen::IsCa::Ca(rcgen::BasicConstraints::Unconstrained);
        params.distinguished_name.push(rcgen::DnType::CommonName, "an authority of the tests");
        let key = rcgen::KeyPair::generate().expect("a key");
        let pem = params.self_signed(&key).expect("a certificate").pem();
        Self { pem, issuer: rcgen::Issuer::new(params, key) }
    }

    /// Certificate and key of `name`.
    fn vouch(&self, name: &str) -> Identity {
        let mut params = rcgen::CertificateParams::new(vec![name.into()]).expect("parameters");
        params.distinguished_name.push(rcgen::DnType::CommonName, name);
        let key = rcgen::KeyPair::generate().expect("a key");
        let certificate = params.signed_by(&key, &self.issuer).expect("a certificate").pem();
        Identity { certificate: certificate.into(), key: key.serialize_pem().into() }
    }
}

#[tokio::test(flavor = "multi_thread")]
async fn tls_takes_the_right_authority_and_shows_a_client_certificate() {
    if !require("mosquitto") {
        return;
    }
    let (ours, strangers) = (Authority::new(), Authority::new());
    let mut broker = Mosquitto::start("");
    let file = |name: &str, content: &[u8]| {
        let path = broker.directory().join(name);
        std::fs::write(&path, content).expect("a file");
        path.display().to_string()
    };
    let own = ours.vouch("127.0.0.1");
    let conf = format!(
        "cafile {}\ncertfile {}\nkeyfile {}\nrequire_certificate true\n",
        file("ca.pem", ours.pem.as_bytes()),
        file("broker.pem", &own.certificate),
        file("broker.key", &own.key),
    );
    broker.add_conf(&conf);
    broker.restart();
    for options in [options, v311] {
        let with = |ca: &Authority, identity: Option<Identity>| Options {
            tls: Some(Tls { ca: Some(ca.pem.clone().into()), identity }),
            ..options(broker.port())
        };
        let mut client = Client::start(with(&ours, Some(ours.vouch("daemon"))), &["a"]);
        client.up(1).await;
        client.subscribed("a").await;
        assert!(client.handle.shutdown(SOON).await);

        let mut client = Client::start(with(&strangers, Some(ours.vouch("daemon"))), &["a"]);
        let why = client.down().await;
        assert!(why.contains("TLS fails") && why.contains("CA file"), "{why}");
        assert!(client.handle.shutdown(SOON).await);

        for identity in [None, Some(strangers.vouch("daemon"))] {
            let mut client = Client::start(with(&ours, identity), &["a"]);
            client.down().await;
            assert_eq!(ups(&client.told).count(), 0);
            assert!(client.handle.shutdown(SOON).await);
        }
    }
}

#[tokio::test(flavor = "multi_thread")]
async fn an_orderly_end_sends_what_is_due_and_a_broken_one_the_will() {
    if !require("mosquitto") {
        return;
    }
    for options in [options, v311] {
        let broker = Mosquitto::start("");
        let listener = Subscriber::connect(broker.port(), "out/#");
        let (topic, payload) = ("out/will".into(), Bytes::from_static(b"gone"));
        let will = Some(Will { topic, payload, qos: Qos::AtLeastOnce, retain: false });
        let options = Options { will, ..options(broker.port()) };
        let mut client = Client::start(options.clone(), &["a"]);
        client.up(1).await;
        client.subscribed("a").await;
        let mut publisher = Publisher::connect(broker.port());
        for n in 0..15 {
            publisher.publish("a", n.to_string());
        }
        client.messages(15).await;
        client.handle.stop_intake();
        publisher.publish("a", "too late for this one");
        publisher.settle();
        assert_eq!(client.acknowledge_all(), 0);
        for n in 0..500 {
            assert!(client.handle.publish("out/n", n.to_string().into(), Qos::AtLeastOnce, false));
        }
        assert!(client.handle.shutdown(SOON).await);
        let heard = || listener.heard().iter().map(|it| it.text()).collect::<Vec<_>>();
        tokio::task::block_in_place(|| eventually(SOON, || heard().len() >= 500));
        assert_eq!(heard(), numbers(0..500), "all, in order, and no will");

        let mut client = Client::start(options.clone(), &["a"]);
        client.up(1).await;
        assert_eq!(payloads(&client.messages(1).await), ["too late for this one"]);
        // All handles gone: no goodbye.
        drop(client);
        tokio::task::block_in_place(|| {
            eventually(SOON, || heard().last().is_some_and(|last| last == "gone"))
        });
    }
}

#[tokio::test(flavor = "multi_thread")]
async fn filters_change_while_it_runs_and_a_refused_one_is_told() {
    if !require("mosquitto") {
        return;
    }
    // Mosquitto's access list file does not bear on subscribing; its plugin does.
    let plugin = std::fs::read_dir("/usr/lib").expect("a directory").filter_map(Result::ok);
    let mut plugin = plugin.map(|entry| entry.path().join("mosquitto_dynamic_security.so"));
    let plugin = plugin.find(|path| path.is_file()).expect("it comes with Debian's mosquitto");
    let mut broker = Mosquitto::start("");
    let rules = broker.directory().join("rules.json");
    let json = serde_json::json!({
        "defaultACLAccess": { "publishClientSend": true, "publishClientReceive": true, "subscribe": false,
            "unsubscribe": true },
        "roles": [{ "rolename": "reader", "acls": [
            { "acltype": "subscribePattern", "topic": "a/#", "priority": 0, "allow": true },
            { "acltype": "subscribePattern", "topic": "b/#", "priority": 0, "allow": true },
        ] }],
        "groups": [{ "groupname": "anybody", "roles": [{ "rolename": "reader", "priority": 0 }], "clients": [] }],
        "clients": [],
        "anonymousGroup": "anybody",
    });
    std::fs::write(&rules, json.to_string()).expect("a file");
    let (plugin, rules) = (plugin.display(), rules.display());
    broker.add_conf(&format!("plugin {plugin}\nplugin_opt_config_file {rules}\nlog_type all\n"));
    broker.restart();
    let mut publisher = Publisher::connect(broker.port());
    let mut client = Client::start(options(broker.port()), &["a/1", "secret/1"]);
    let refused = client
        .until(|told| {
            told.iter().find_map(|it| match it {
                Incoming::Refused { filters } => Some(filters.clone()),
                _ => None,
            })
        })
        .await;
    assert_eq!(refused, ["secret/1"]);
    client.subscribed("a/1").await;
    client.handle.set_filters(vec!["b/+".into()]);
    client.subscribed("b/1").await;
    let ended = || broker.log().contains("Received UNSUBSCRIBE from panelwright-under-test");
    tokio::task::block_in_place(|| eventually(SOON, ended));
    publisher.publish("a/1", "not wanted any more");
    publisher.publish("b/1", "wanted");
    assert_eq!(payloads(&client.messages(1).await), ["wanted"]);
    assert!(client.handle.shutdown(SOON).await);
}

#[tokio::test(flavor = "multi_thread")]
async fn publishing_never_waits() {
    if !require("mosquitto") {
        return;
    }
    let broker = Mosquitto::start("");
    let mut client = Client::start(options(broker.port()), &["a"]);
    client.up(1).await;
    assert!(!client.handle.publish("a/+", Bytes::new(), Qos::AtMostOnce, false), "no topic");
    let broker = {
        let mut broker = broker;
        broker.freeze();
        broker
    };
    // A broker that takes nothing: at some time there is no more room, and nothing stands still.
    let payload = Bytes::from(vec![b'x'; 10_000]);
    let mut accepted = 0;
    while client.handle.publish("out", payload.clone(), Qos::AtLeastOnce, false) {
        accepted += 1;
        assert!(accepted < 1_000_000, "the queue has no bound");
    }
    let mut broker = broker;
    broker.thaw();
    assert!(client.handle.shutdown(SOON).await);
}
