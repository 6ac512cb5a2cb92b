//! Who may do what: the password and its hash, sessions, tokens, the brake, TLS, and a proxy's path.

mod changed;
pub mod client;
mod nginx;
mod proxy;
mod tls;

use std::io::Write as _;
use std::os::unix::fs::PermissionsExt as _;
use std::process::Stdio;
use std::time::{Duration, Instant};

use client::{Client, basic, cookie_of, csrf_of, form};

use crate::harness::{Panelwright, Setup, eventually};

pub const PASSWORD: &str = "sawdust & shavings";
const NOTE: &str = r#"{"text":"lathe oiled"}"#;
const SOON: Duration = Duration::from_secs(10);

/// A panel with one circuit, whose channels send watts as a number. Invented.
pub(crate) const SHED: &str = r#"site = "shed"
name = "Shed at Heron Lane (invented)"
time_zone = "America/Denver"
[service]
system = "split-phase 120/240"
[[device]]
id = "d"
topic = "shed/{channel}"
unit = "W"
every_s = 1
[[feed]]
bus = "main"
channels = [{ channel = "d/m1", leg = "A" }, { channel = "d/m2", leg = "B" }]
measures = "panel"
[[circuit]]
id = "lathe"
label = "Lathe"
end_use = "plug loads"
spaces = [1]
breaker_a = 20
channels = ["d/1"]
"#;

/// Settings in which the password is kept as its hash, and a wall display has a token; with the token.
fn laid_out(setup: Setup) -> (Panelwright, String) {
    let daemon = setup
        .site("shed", SHED)
        .settings("[[token]]\nname = \"wall-display\"\nfile = \"wall.token\"")
        .env("PANELWRIGHT__WEB__PASSWORD_FILE", "web.secret")
        .lay_out();
    hash_into(&daemon, PASSWORD);
    let (status, token, err) = daemon.run(&["token", "--file", "wall.token"]);
    assert_eq!(status, 0, "{err}");
    (daemon, token.trim().to_owned())
}

/// Keeps the hash of a password in the file that the settings name, which must not be there yet.
fn hash_into(daemon: &Panelwright, password: &str) {
    let mut hashing = daemon
        .command(&["password", "--file", "web.secret"])
        .stdin(Stdio::piped())
        .spawn()
        .expect("the program starts");
    let mut input = hashing.stdin.take().expect("a pipe");
    input.write_all(format!("{password}\n").as_bytes()).expect("it reads");
    drop(input);
    assert!(hashing.wait().expect("it ends").success());
}

pub fn served(setup: Setup) -> (Panelwright, String) {
    let (mut daemon, token) = laid_out(setup);
    daemon.restart();
    (daemon, token)
}

/// No broker is needed for the doors of the house.
fn nowhere() -> Setup {
    Setup::new("mqtt://127.0.0.1:1")
}

#[test]
fn the_password_is_kept_as_a_hash_and_commands_have_a_key_of_their_own() {
    let (daemon, _) = served(nowhere());
    let secret = daemon.directory().join("web.secret");
    let hash = std::fs::read_to_string(&secret).expect("the hash");
    assert!(hash.starts_with("$argon2id$v=19$m=19456,t=2,p=1$") && !hash.contains("sawdust"), "{hash}");
    for file in [&secret, &daemon.directory().join("wall.token"), &daemon.store().join("api.key")] {
        let mode = std::fs::metadata(file).expect("a file").permissions().mode();
        assert_eq!(mode & 0o777, 0o600, "{}", file.display());
    }
    // Nothing is written over by a slip.
    let (status, _, err) = daemon.run(&["token", "--file", "wall.token"]);
    assert_eq!(status, 1, "{err}");
    assert!(err.contains("a file that is there is not written over"), "{err}");
    let (status, _, err) = daemon.run(&["password"]);
    assert_eq!((status, err.as_str()), (2, "panelwright: a password has at least 8 characters\n"));

    let client = Client::new(&daemon.url());
    assert_eq!(client.get("/api/sites", &[]).status, 401);
    assert_eq!(client.get("/api/sites", &[("authorization", &basic(PASSWORD))]).status, 200);
    assert_eq!(client.get("/api/sites", &[("authorization", &basic("sawdust"))]).status, 401);
    // The commands know no password: the daemon has laid a key beside its store for them.
    let (status, out, err) = daemon.run(&["annotate", "add", "lathe oiled"]);
    assert_eq!(status, 0, "{err}");
    assert!(out.contains("lathe oiled"), "{out}");
}

#[test]
fn a_browser_signs_in_changes_something_and_signs_out() {
    let (daemon, _) = served(nowhere());
    let client = Client::new(&daemon.url());
    let page = [("accept", "text/html,application/xhtml+xml"), ("sec-fetch-site", "none")];
    let asked = client.get("/sites/shed?x=1", &page);
    assert_eq!((asked.status, asked.header("location")), (303, "./../sign-in?next=%2Fsites%2Fshed%3Fx%3D1"));
    let asked = client.get("/api/sites", &[("sec-fetch-site", "same-origin")]);
    assert_eq!((asked.status, asked.header("www-authenticate")), (401, ""), "no box of the browser's own");

    let shown = client.get("/sign-in?next=%2Fsites%2Fshed", &page);
    assert_eq!(shown.status, 200);
    assert!(
        shown.body.contains("action=\"./sign-in\"") && shown.body.contains("value=\"&#x2f;sites&#x2f;shed\""),
        "{}",
        shown.body
    );
    let wrong = client.post("/sign-in", &[], &form(&[("secret", "wrong"), ("next", "/")]));
    assert_eq!((wrong.status, wrong.header("set-cookie")), (401, ""));
    assert!(
        wrong.body.contains("wrong") && wrong.header("content-type").starts_with("text/html"),
        "{}",
        wrong.body
    );
    let right = client.post("/sign-in", &[], &form(&[("secret", PASSWORD), ("next", "/sites/shed")]));
    assert_eq!((right.status, right.header("location")), (303, "./sites/shed"));
    let set = right.header("set-cookie");
    assert!(set.ends_with("; Path=/; Max-Age=2592000; HttpOnly; SameSite=Lax"), "{set}");
    let elsewhere =
        client.post("/sign-in", &[], &form(&[("secret", PASSWORD), ("next", "//elsewhere.example")]));
    assert_eq!(elsewhere.header("location"), "./");

    let cookie = cookie_of(set);
    let house = client.get("/sites/shed", &[("cookie", &cookie), page[0]]);
    assert_eq!(house.status, 200, "{}", house.body);
    let csrf = csrf_of(&house.body);
    let notes = "/api/sites/shed/annotations";
    let json = ("content-type", "application/json");
    let refused = client.post(notes, &[("cookie", &cookie), json], NOTE);
    assert_eq!(refused.status, 403, "a cookie alone changes nothing: {}", refused.body);
    let refused = client.post(notes, &[("cookie", &cookie), json, ("x-csrf-token", "x")], NOTE);
    assert_eq!(refused.status, 403);
    let foreign =
        [("cookie", &*cookie), json, ("x-csrf-token", &*csrf), ("origin", "https://elsewhere.example")];
    assert_eq!(client.post(notes, &foreign, NOTE).status, 403);
    let foreign = [("cookie", &*cookie), json, ("x-csrf-token", &*csrf), ("sec-fetch-site", "cross-site")];
    assert_eq!(client.post(notes, &foreign, NOTE).status, 403);
    let added = client.post(notes, &[("cookie", &cookie), json, ("x-csrf-token", &csrf)], NOTE);
    assert_eq!(added.status, 201, "{}", added.body);

    let stays = client.post("/sign-out", &[("cookie", &cookie)], &form(&[("csrf", "x")]));
    assert_eq!(stays.status, 403, "nobody else signs a visitor out");
    let out = client.post("/sign-out", &[("cookie", &cookie)], &form(&[("csrf", &csrf)]));
    assert_eq!((out.status, out.header("location")), (303, "./sign-in"));
    assert!(out.header("set-cookie").contains("Max-Age=0"), "{}", out.header("set-cookie"));
    assert_eq!(client.get("/api/sites", &[("cookie", &cookie)]).status, 401, "the session is over");
}

#[test]
fn a_token_reads_and_never_writes() {
    let (daemon, token) = served(nowhere());
    let client = Client::new(&daemon.url());
    let bearer = format!("Bearer {token}");
    assert_eq!(client.get("/api/sites", &[("authorization", &bearer)]).status, 200);
    assert_eq!(client.get("/api/sites", &[("authorization", "Bearer wrong")]).status, 401);
    let json = ("content-type", "application/json");
    let refused = client.post("/api/sites/shed/annotations", &[("authorization", &bearer), json], NOTE);
    assert_eq!(refused.status, 403, "{}", refused.body);
    assert!(refused.body.contains("a token reads and changes nothing"), "{}", refused.body);
    // A wall display signs in with it once and stays so over restarts.
    let signed_in = client.post("/sign-in", &[], &form(&[("secret", &token), ("next", "/")]));
    assert_eq!(signed_in.status, 303, "{}", signed_in.body);
    let cookie = cookie_of(signed_in.header("set-cookie"));
    let mut daemon = daemon;
    daemon.restart();
    assert_eq!(client.get("/api/sites", &[("cookie", &cookie)]).status, 200);
    let refused = client.post("/api/sites/shed/annotations", &[("cookie", &cookie), json], NOTE);
    assert_eq!(refused.status, 403);
}

#[test]
fn guessing_is_braked_and_holds_nobody_else_up() {
    let (daemon, token) = served(nowhere());
    let url = daemon.url();
    let started = Instant::now();
    let guessers: Vec<_> = (0..4)
        .map(|_| {
            let client = Client::new(&url);
            std::thread::spawn(move || {
                let guess =
                    |_| client.post("/sign-in", &[], &form(&[("secret", "guess"), ("next", "/")])).status;
                (0..15).map(guess).collect::<Vec<_>>()
            })
        })
        .collect();
    let client = Client::new(&url);
    let bearer = format!("Bearer {token}");
    let mut slowest = Duration::ZERO;
    while guessers.iter().any(|guesser| !guesser.is_finished()) {
        let asked = Instant::now();
        assert_eq!(client.get("/api/sites", &[("authorization", &bearer)]).status, 200);
        slowest = slowest.max(asked.elapsed());
    }
    let statuses: Vec<u16> =
        guessers.into_iter().flat_map(|guesser| guesser.join().expect("no panic")).collect();
    let heard = statuses.iter().filter(|status| **status == 401).count();
    let passed = started.elapsed().as_secs() as usize;
    assert!((20..=21 + passed).contains(&heard), "{heard} of {} in {passed} s", statuses.len());
    assert!(statuses.iter().all(|status| matches!(status, 401 | 429)), "{statuses:?}");
    assert!(slowest < SOON, "others waited {slowest:?}");
    // The brake gives a try back each second, so one may be free just now: wrong ones use it up first.
    let attempt = |secret| client.post("/sign-in", &[], &form(&[("secret", secret), ("next", "/")]));
    eventually(SOON, || {
        let (wrong, right) = (attempt("guess"), attempt(PASSWORD));
        // No answer tells right from wrong meanwhile.
        wrong.status == 429 && right.status == 429 && right.body.contains("too many wrong passwords")
    });
    eventually(SOON, || {
        client.post("/sign-in", &[], &form(&[("secret", PASSWORD), ("next", "/")])).status == 303
    });
}

#[test]
fn pages_are_behind_strict_headers() {
    let (daemon, _) = served(nowhere());
    let client = Client::new(&daemon.url());
    let page = client.get("/sign-in", &[]);
    let policy = page.header("content-security-policy");
    for part in [
        "default-src 'none'",
        "script-src 'self'",
        "style-src 'self'",
        "frame-ancestors 'none'",
        "form-action 'self'",
    ] {
        assert!(policy.contains(part), "{policy}");
    }
    assert!(!policy.contains("unsafe"), "{policy}");
    for (name, value) in [
        ("x-content-type-options", "nosniff"),
        ("referrer-policy", "same-origin"),
        ("cache-control", "no-store"),
        ("cross-origin-opener-policy", "same-origin"),
        ("cross-origin-resource-policy", "same-origin"),
    ] {
        assert_eq!(page.header(name), value, "{name}");
    }
    assert_eq!(client.get("/static/style.css", &[]).status, 200, "the sign-in page has its style");
}
