//! A password and a token that are changed while the daemon runs: SIGHUP has them read again.

use std::io::{Read as _, Write as _};
use std::net::TcpStream;

use super::client::{Client, cookie_of, form};
use super::{PASSWORD, SOON, hash_into, nowhere, served};
use crate::harness::{Panelwright, eventually, get};

const FRESH: &str = "planes & spokeshaves";

/// A browser that watches the live stream, signed in.
fn watcher(daemon: &Panelwright, cookie: &str) -> TcpStream {
    let mut stream = TcpStream::connect(daemon.url().trim_start_matches("http://")).expect("it listens");
    write!(
        stream,
        "GET /live/shed HTTP/1.1\r\nHost: localhost\r\nCookie: {cookie}\r\nConnection: close\r\n\r\n"
    )
    .expect("it takes it");
    stream.set_read_timeout(Some(SOON)).expect("a socket");
    let mut head = [0; 15];
    stream.read_exact(&mut head).expect("an answer");
    assert_eq!(&head, b"HTTP/1.1 200 OK");
    stream
}

/// What the password, or a token in its place, gets: the status of signing in.
fn attempt(client: &Client, secret: &str) -> u16 {
    client.post("/sign-in", &[], &form(&[("secret", secret), ("next", "/")])).status
}

fn replace_password(daemon: &Panelwright, password: &str) {
    std::fs::remove_file(daemon.directory().join("web.secret")).expect("there is one");
    hash_into(daemon, password);
}

#[test]
fn a_changed_password_counts_without_a_restart_and_ends_former_sessions() {
    let (mut daemon, token) = served(nowhere());
    let client = Client::new(&daemon.url());
    let signed_in = client.post("/sign-in", &[], &form(&[("secret", PASSWORD), ("next", "/")]));
    let cookie = cookie_of(signed_in.header("set-cookie"));
    let mut stream = watcher(&daemon, &cookie);
    let bearer = format!("Bearer {token}");

    // Read again with nothing changed: nobody notices.
    daemon.sighup();
    let health = format!("{}/health", daemon.url());
    eventually(SOON, || get(&health).is_ok_and(|answer| answer.json()["parts"]["access"]["ok"] == true));
    let asked_again = || client.get("/api/sites", &[("cookie", &cookie)]).status;
    assert_eq!(asked_again(), 200);

    replace_password(&daemon, FRESH);
    assert_eq!(asked_again(), 200, "a file alone changes nothing");
    daemon.sighup();
    eventually(SOON, || asked_again() == 401);
    assert_eq!(attempt(&client, PASSWORD), 401, "the former password is none any more");
    assert_eq!(attempt(&client, FRESH), 303);
    // The stream of the former session ends, so that its browser has to say again who it is.
    let mut rest = Vec::new();
    stream.read_to_end(&mut rest).expect("an orderly end within the time");
    assert_eq!(client.get("/api/sites", &[("authorization", &bearer)]).status, 200, "the token stays");
    let (status, _, err) = daemon.run(&["now"]);
    assert!(!err.contains("password"), "commands keep their key: {status} {err}");
}

#[test]
fn a_changed_token_counts_without_a_restart() {
    let (mut daemon, token) = served(nowhere());
    let client = Client::new(&daemon.url());
    let by = |token: &str| client.get("/api/sites", &[("authorization", &format!("Bearer {token}"))]).status;
    let shown = client.post("/sign-in", &[], &form(&[("secret", PASSWORD), ("next", "/")]));
    let cookie = cookie_of(shown.header("set-cookie"));
    assert_eq!(by(&token), 200);

    std::fs::remove_file(daemon.directory().join("wall.token")).expect("there is one");
    let (status, fresh, err) = daemon.run(&["token", "--file", "wall.token"]);
    assert_eq!(status, 0, "{err}");
    daemon.sighup();
    eventually(SOON, || by(&token) == 401);
    assert_eq!(by(fresh.trim()), 200);
    assert_eq!(client.get("/api/sites", &[("cookie", &cookie)]).status, 200, "sessions of the password stay");

    // Taken out of the settings it is taken back.
    let settings = std::fs::read_to_string(daemon.settings_file()).expect("settings");
    let without = settings.replace("[[token]]\nname = \"wall-display\"\nfile = \"wall.token\"", "");
    assert_ne!(settings, without);
    std::fs::write(daemon.settings_file(), without).expect("written");
    daemon.sighup();
    eventually(SOON, || by(fresh.trim()) == 401);
}

#[test]
fn what_is_wrong_with_a_changed_password_leaves_the_former() {
    let (mut daemon, _) = served(nowhere());
    let client = Client::new(&daemon.url());
    let url = format!("{}/health", daemon.url());
    let part = || {
        let health = get(&url).expect("it answers").json();
        health["parts"]["access"].clone()
    };
    let secret = daemon.directory().join("web.secret");
    let kept = std::fs::read_to_string(&secret).expect("a hash");
    std::fs::write(&secret, "$argon2id$v=19$m=19456,t=2,p=1$short").expect("written");
    daemon.sighup();
    eventually(SOON, || part()["ok"] == false);
    assert!(
        part()["why"].as_str().is_some_and(|why| why.contains("web.secret") || why.contains("hash")),
        "{}",
        part()
    );
    assert_eq!(attempt(&client, PASSWORD), 303, "the former password holds on");

    // What is mended is told as well.
    std::fs::write(&secret, &kept).expect("written");
    daemon.sighup();
    eventually(SOON, || part()["ok"] == true);
    assert_eq!(attempt(&client, PASSWORD), 303);
}
