//! Each wrong key or value with what is said of it, and what a right file gives.

use std::fs;
use std::os::unix::fs::PermissionsExt as _;

use super::*;

/// A directory with a settings file in it.
struct Fixture {
    directory: tempfile::TempDir,
}

impl Fixture {
    fn new(text: &str) -> Self {
        let fixture = Self { directory: tempfile::tempdir().expect("a temporary directory") };
        fixture.write("panelwright.toml", text, 0o644);
        fixture
    }

    #[expect(clippy::disallowed_methods, reason = "the test writes the files that settings read")]
    fn write(&self, name: &str, text: &str, mode: u32) {
        let path = self.directory.path().join(name);
        fs::write(&path, text).expect("write");
        fs::set_permissions(&path, fs::Permissions::from_mode(mode)).expect("chmod");
    }

    fn load(&self, environment: &[(&str, &str)]) -> Result<Settings, String> {
        let environment = environment.iter().map(|(name, value)| ((*name).into(), (*value).into())).collect();
        load(Some(&self.directory.path().join("panelwright.toml")), environment).map_err(|problems| {
            problems.to_string().replace(&format!("{}/", self.directory.path().display()), "")
        })
    }
}

#[track_caller]
fn refused(text: &str, expected: &str) {
    refused_in(&Fixture::new(text), &[], expected);
}

#[track_caller]
fn refused_in(fixture: &Fixture, environment: &[(&str, &str)], expected: &str) {
    let problems = fixture.load(environment).expect_err("these settings must be refused");
    assert_eq!(problems.trim_end(), expected.trim_end());
}

#[test]
fn an_empty_file_gives_the_defaults() {
    let settings = Fixture::new("").load(&[]).expect("defaults are good");
    let remote = BrokerAddress::Remote { host: "localhost".into(), port: 1883, tls: false };
    assert_eq!(settings.broker.address, remote);
    assert_eq!(settings.broker.protocol, Protocol::V5);
    assert_eq!(settings.broker.receive_maximum, 4096);
    assert_eq!(settings.store.directory, Path::new("/var/lib/panelwright"));
    assert_eq!(settings.store.commit_every, Duration::from_secs(5));
    assert!(settings.sites.ends_with("sites"));
    assert_eq!(settings.publish.json.as_deref(), Some("panelwright/{site}/now"));
    assert_eq!(settings.web.listen.to_string(), "127.0.0.1:8433");
    assert!(settings.central.is_empty());
}

#[test]
fn a_full_file_is_read() {
    let fixture = Fixture::new(
        r#"
[broker]
url = "mqtts://broker.example.org"
username = "panelwright"
password_file = "broker.secret"
protocol = "3.1.1"
ca_file = "ca.pem"
client_cert_file = "client.pem"
client_key_file = "client.key"
keep_alive_s = 10

[store]
directory = "data"

[[central]]
name = "builder"
url = "https://metrics.example.org/insert/0"
organization = "builder"
bucket = "homes"
token_file = "token"
resolution = "quarter"
gzip = false

[[central]]
name = "own-shop"
url = "http://192.0.2.7:8086"
organization = "shop"
bucket = "homes"

[publish]
json = ""
dead_band_w = 0.5
"#,
    );
    for (name, mode) in
        [("broker.secret", 0o600), ("ca.pem", 0o644), ("client.pem", 0o644), ("client.key", 0o400)]
    {
        fixture.write(name, "s3cret\n", mode);
    }
    fixture.write("token", "from-the-file", 0o440);
    let variable = ("PANELWRIGHT__CENTRAL__OWN_SHOP__TOKEN", "from-the-environment");
    let settings = fixture.load(&[variable]).expect("the file is good");
    let broker = &settings.broker;
    let host = "broker.example.org".into();
    assert_eq!(broker.address, BrokerAddress::Remote { host, port: 8883, tls: true });
    assert_eq!(broker.protocol, Protocol::V3_1_1);
    assert_eq!(broker.password.as_ref().map(Secret::reveal), Some("s3cret"));
    assert!(broker.client_identity.is_some() && broker.ca_file.is_some());
    assert_eq!(settings.store.directory, fixture.directory.path().join("data"));
    let tokens: Vec<_> = settings.central.iter().map(|c| c.token.as_ref().map(Secret::reveal)).collect();
    assert_eq!(tokens, [Some("from-the-file"), Some("from-the-environment")]);
    assert_eq!(settings.central[0].url, "https://metrics.example.org/insert/0");
    assert_eq!(settings.central[0].resolution, Resolution::Quarter);
    assert!(!settings.central[0].gzip && settings.central[1].gzip);
    assert_eq!(settings.publish.json, None);
    assert_eq!(settings.publish.dead_band_w, 0.5);
    assert!(!format!("{settings:?}").contains("s3cret"), "secrets do not print");
}

#[test]
fn the_environment_is_above_the_file() {
    let fixture =
        Fixture::new("[broker]\nurl = \"mqtt://one\"\nkeep_alive_s = 60\n[web]\nlisten = \"127.0.0.1:1\"");
    let settings = fixture
        .load(&[
            ("PANELWRIGHT__BROKER__URL", "mqtt://[::1]:1884"),
            ("PANELWRIGHT__BROKER__KEEP_ALIVE_S", "15"),
            ("PANELWRIGHT__WEB__LISTEN", "0.0.0.0:8433"),
            ("PANELWRIGHT__WEB__PASSWORD", "123456"),
            ("PANELWRIGHT_UNRELATED", "x"),
        ])
        .expect("these are good");
    let remote = BrokerAddress::Remote { host: "::1".into(), port: 1884, tls: false };
    assert_eq!(settings.broker.address, remote);
    assert_eq!(settings.broker.keep_alive, Duration::from_secs(15));
    assert_eq!(settings.web.listen.to_string(), "0.0.0.0:8433");
    assert!(matches!(&settings.web.password, Some(Password::Plain(text)) if text.reveal() == "123456"));
}

#[test]
fn every_problem_is_told_at_once_in_the_order_of_the_file() {
    refused(
        "brokr = 1\n\n[broker]\nurll = \"mqtt://x\"\nkeep_alive_s = \"10\"\nusername = 5\n\n[web]\nlisten = \"everywhere\"\n\n[storage]\nx = 1\n",
        "\
panelwright.toml:1: brokr is no setting; did you mean [broker]?
panelwright.toml:4: broker.urll is no setting; did you mean broker.url?
panelwright.toml:5: broker.keep_alive_s is string; write a whole number
panelwright.toml:6: broker.username is integer; write a text in quotes
panelwright.toml:9: web.listen is \"everywhere\"; write address:port, such as 127.0.0.1:8433
panelwright.toml:11: storage is no setting; did you mean [store]?",
    );
}

#[test]
fn wrong_keys() {
    let cases = [
        ("[sites]\ndir = \"x\"", "2: sites.dir is no setting; did you mean sites.directory?"),
        ("[store]\nlisten = \"x\"", "2: store.listen is no setting; did you mean broker.listen?"),
        (
            "[web]\ncolour = 1",
            "2: web.colour is no setting; [web] has listen, password, password_file, session_days, public_url, cert_file, key_file",
        ),
        ("[broker]\nclient-id = \"x\"", "2: broker.client-id is no setting; did you mean broker.client_id?"),
        ("web = 5", "1: web is a section; write [web] and its keys below it"),
        (
            "[central]\nname = \"x\"",
            "1: central is a list; each central store is a [[central]] of its own, in double brackets",
        ),
        (
            "[broker]\npassword = \"x\"",
            "2: broker.password is a secret, and others may read this file; put it into a file of mode 600 and \
             name that as broker.password_file",
        ),
    ];
    for (text, expected) in cases {
        refused(text, &format!("panelwright.toml:{expected}"));
    }
}

#[test]
fn wrong_values() {
    let forms = "write \"mqtt://host:port\", \"mqtts://host:port\" or \"embedded\"";
    let topic = "write a topic such as panelwright/{site}/now";
    let cases = [
        ("[broker]\nurl = \"http://x\"", format!("2: broker.url names the scheme \"http\"; {forms}")),
        ("[broker]\nurl = \"mqtt://x/y\"", format!("2: broker.url is \"mqtt://x/y\"; {forms}")),
        (
            "[broker]\nurl = \"mqtt://me:pw@x\"",
            "2: broker.url holds a user or a password; write broker.username and broker.password_file".into(),
        ),
        ("[broker]\nprotocol = \"4\"", "2: broker.protocol is \"4\"; write \"5\" or \"3.1.1\"".into()),
        (
            "[broker]\nreceive_maximum = 0",
            "2: broker.receive_maximum is 0; write a whole number from 1 to 65535".into(),
        ),
        (
            "[broker]\nclient_id = \"\"",
            "2: broker.client_id cannot serve; write 1 to 256 characters, none of them a control character".into(),
        ),
        (
            "[broker]\nlisten = \"127.0.0.1:0\"",
            "2: broker.listen is the embedded broker's; take it out, or write broker.url = \"embedded\"".into(),
        ),
        (
            "[broker]\nurl = \"embedded\"\nlisten = \"0.0.0.0:1883\"",
            "3: the embedded broker asks nobody for a password, and 0.0.0.0:1883 is not loopback; write \
             127.0.0.1, or use a broker of its own"
                .into(),
        ),
        (
            "[broker]\nurl = \"mqtts://x\"\nclient_cert_file = \"panelwright.toml\"",
            "3: broker.client_cert_file is of no use without broker.client_key_file; write \
             broker.client_key_file as well"
                .into(),
        ),
        (
            "[broker]\nca_file = \"panelwright.toml\"",
            "2: broker.ca_file does nothing on a connection without TLS; write broker.url with mqtts://, or take \
             it out"
                .into(),
        ),
        (
            "[store]\ncommit_every_s = 3600",
            "2: store.commit_every_s is 3600; write a whole number from 1 to 60".into(),
        ),
        (
            "[publish]\njson = \"panelwright/now\"",
            format!("2: publish.json has no {{site}} in it: every site would publish at one topic; {topic}"),
        ),
        (
            "[publish]\njson = \"a/{site}/#\"",
            format!("2: publish.json holds a wildcard, which nobody can publish at; {topic}"),
        ),
        (
            "[publish]\nmin_interval_s = 30\nmax_interval_s = 20",
            "2: publish.min_interval_s is 30, above publish.max_interval_s, 20; write a smaller one".into(),
        ),
        ("[publish]\nstate = \"\"", "2: publish.state is empty; write a topic such as panelwright/state".into()),
        (
            "[publish]\nstate = \"{site}/state\"",
            "2: publish.state holds a brace that stands for nothing; write a topic such as panelwright/state".into(),
        ),
        (
            "[publish]\nmax_interval_s = 600",
            "2: publish.max_interval_s is 600; write a number from 1 to 60".into(),
        ),
        (
            "[publish]\ndead_band_w = nan",
            "2: publish.dead_band_w is NaN; write a number from 0 to 1000000".into(),
        ),
        (
            "[web]\nlisten = \"0.0.0.0:8433\"",
            "2: web.listen is 0.0.0.0:8433, which others can reach, and there is no password; write \
             web.password_file, or listen at 127.0.0.1"
                .into(),
        ),
        (
            "[[central]]\nname = \"Up\"\nurl = \"ftp://x\"\norganization = \"o\"\nbucket = \"\"\nkind = \"sql\"",
            "2: central.name is \"Up\"; write at most 64 of a-z, 0-9 and -\n\
             panelwright.toml:3: central.url is \"ftp://x\"; write \"https://host/prefix\", without user or \
             password\n\
             panelwright.toml:5: central.bucket is missing; write bucket = \"…\" in this [[central]]\n\
             panelwright.toml:6: central.kind is \"sql\"; write \"influx\": any server of the InfluxDB v2 write API"
                .into(),
        ),
        (
            "[[central]]\nname = \"x\"\nurl = \"http://x\"\norganization = \"o\"\nbucket = \"b\"\n\
             [[central]]\nname = \"x\"\nurl = \"http://x\"\norganization = \"o\"\nbucket = \"b\"",
            "7: there are two central stores named \"x\"; give each a name of its own".into(),
        ),
    ];
    for (text, expected) in cases {
        refused(text, &format!("panelwright.toml:{expected}"));
    }
}

#[test]
fn a_file_that_is_not_toml_is_told_with_its_line() {
    let problems = Fixture::new("[broker]\nurl = \n").load(&[]).expect_err("this is no TOML");
    assert!(problems.starts_with("panelwright.toml:2: "), "{problems}");
}

#[test]
fn an_absent_file_is_told() {
    let problems =
        load(Some(Path::new("/nonexistent/panelwright.toml")), BTreeMap::new()).expect_err("absent");
    assert!(problems.to_string().contains("/nonexistent/panelwright.toml cannot be read"), "{problems}");
}

#[test]
fn secrets_that_others_can_read_are_refused() {
    for mode in [0o644, 0o604, 0o602, 0o620] {
        let fixture = Fixture::new("[web]\npassword_file = \"web.secret\"");
        fixture.write("web.secret", "x", mode);
        let expected = format!(
            "panelwright.toml:2: web.secret can be read or changed by others (mode {mode:o}); run: chmod 600 web.secret"
        );
        refused_in(&fixture, &[], &expected);
    }
    let fixture = Fixture::new("[web]\npassword_file = \"web.secret\"");
    fixture.write("web.secret", "\n", 0o600);
    refused_in(
        &fixture,
        &[],
        "panelwright.toml:2: web.secret is empty; write the secret into it, on one line",
    );
}

#[test]
fn wrong_variables_are_told_by_name() {
    refused_in(
        &Fixture::new(""),
        &[
            ("PANELWRIGHT__BROKER__KEEP_ALIVE_S", "soon"),
            ("PANELWRIGHT__BROKER__URI", "x"),
            ("PANELWRIGHT__CENTRAL__BUILDER__TOKEN", "x"),
            ("PANELWRIGHT__CENTRAL__BUILDER__URL", "x"),
        ],
        "\
PANELWRIGHT__BROKER__KEEP_ALIVE_S: broker.keep_alive_s is soon; write a whole number from 5 to 65535
PANELWRIGHT__BROKER__URI: broker.uri is no setting; did you mean broker.url?
PANELWRIGHT__CENTRAL__BUILDER__TOKEN: there is no central store of that name; name a [[central]] so, or take the variable out
PANELWRIGHT__CENTRAL__BUILDER__URL: central stores are set in the file; only PANELWRIGHT__CENTRAL__<NAME>__TOKEN may be in the environment",
    );
}

#[test]
fn the_reference_and_the_shipped_file_have_every_key() {
    let reference = include_str!("../../docs/settings.md");
    let shipped = include_str!("../../config/panelwright.toml");
    for Key { path, kind, default } in KEYS {
        let row = format!("| `{path}` |");
        let row = reference.lines().find(|line| line.starts_with(&row));
        let row = row.unwrap_or_else(|| panic!("docs/settings.md says nothing of {path}"));
        if let Some(default) = default {
            assert!(row.contains(&format!("| `{default}` |")), "docs/settings.md has another default: {row}");
        }
        let name = path.rsplit('.').next().unwrap_or_default();
        let has =
            shipped.lines().any(|line| line.trim_start_matches("# ").starts_with(&format!("{name} = ")));
        assert_eq!(has, *kind != Kind::Secret, "{path} in config/panelwright.toml");
    }
    let known = |path: &str| KEYS.iter().any(|key| key.path == path);
    for row in reference.lines().filter(|line| line.starts_with("| `")) {
        let path = row.split('`').nth(1).unwrap_or_default();
        assert!(known(path), "docs/settings.md has a row of {path}, which is no key");
    }
}
