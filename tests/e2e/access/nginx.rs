//! The example of a reverse proxy, `deploy/nginx/panelwright.conf`, as it is, with other ports and files.

use std::path::Path;

use reqwest::{Certificate, Client, redirect};
use tokio::runtime::Runtime;

use super::client::{cookie_of, csrf_of, form};
use super::tls::identity_in;
use super::{NOTE, PASSWORD, SOON, nowhere, served};
use crate::harness::{Process, command, free_port, poll, require};

const EXAMPLE: &str = include_str!("../../../deploy/nginx/panelwright.conf");

/// The example with this test's ports and files in the place of its own.
fn example(directory: &Path, tls_port: u16, plain_port: u16, upstream: &str) -> String {
    let mut text = EXAMPLE.to_owned();
    let file = |name: &str| directory.join(name).display().to_string();
    for (from, to) in [
        ("listen 80;", format!("listen 127.0.0.1:{plain_port};")),
        ("listen [::]:80;", String::new()),
        ("listen 443 ssl http2;", format!("listen 127.0.0.1:{tls_port} ssl http2;")),
        ("listen [::]:443 ssl http2;", String::new()),
        ("/etc/ssl/home.example.org.pem", file("web.pem")),
        ("/etc/ssl/private/home.example.org.key", file("web.key")),
        ("http://127.0.0.1:8433/", format!("{upstream}/")),
    ] {
        assert!(text.contains(from), "the example lacks {from}");
        text = text.replace(from, &to);
    }
    text.replace("server_name home.example.org;", "server_name localhost;")
}

/// nginx with that configuration, all of its files in the directory.
fn nginx(directory: &Path, example: &str) -> Process {
    let at = directory.display();
    let temporary = ["client_body", "proxy", "fastcgi", "uwsgi", "scgi"];
    let temporary = temporary.map(|name| format!("{name}_temp_path {at}/{name};")).join(" ");
    let text = format!(
        "daemon off;\nmaster_process off;\npid {at}/nginx.pid;\nerror_log stderr warn;\nevents {{}}\n\
         http {{ access_log off; {temporary}\n{example}\n}}\n"
    );
    std::fs::write(directory.join("nginx.conf"), text).expect("written");
    let mut start = command("nginx");
    start.arg("-p").arg(directory).arg("-c").arg(directory.join("nginx.conf")).args(["-e", "stderr"]);
    Process::start(&mut start, &directory.join("nginx.log"))
}

#[test]
fn the_example_of_a_proxy_serves_pages_forms_and_live_figures() {
    if !require("nginx") {
        return;
    }
    let directory = tempfile::tempdir().expect("a temporary directory");
    let (tls_port, plain_port) = (free_port(), free_port());
    let public = format!("https://localhost:{tls_port}/panel");
    let (daemon, _) = served(nowhere().env("PANELWRIGHT__WEB__PUBLIC_URL", &public));
    let authority = identity_in(directory.path());
    let proxy = nginx(directory.path(), &example(directory.path(), tls_port, plain_port, &daemon.url()));

    let _ = rustls::crypto::ring::default_provider().install_default();
    let authority = Certificate::from_pem(authority.as_bytes()).expect("PEM");
    let client = Client::builder().no_proxy().redirect(redirect::Policy::none()).tls_certs_only([authority]);
    let client = client.build().expect("a client");
    let runtime = Runtime::new().expect("a runtime");
    let get = |path: &str, cookie: &str| {
        let request = client.get(format!("https://localhost:{tls_port}{path}"));
        let request = request.header("accept", "text/html").header("cookie", cookie);
        runtime.block_on(async {
            let answer = request.send().await.ok()?;
            let (status, headers) = (answer.status().as_u16(), answer.headers().clone());
            let text = move |name: &str| {
                headers.get(name).map_or("", |value| value.to_str().unwrap_or("")).to_owned()
            };
            Some((status, text("location"), answer.text().await.ok()?))
        })
    };
    let up = poll(SOON, || get("/panel/sites/shed", ""));
    let (status, location, _) = up.unwrap_or_else(|| panic!("nginx does not answer:\n{}", proxy.log()));
    assert_eq!((status, location.as_str()), (303, "./../sign-in?next=%2Fsites%2Fshed"));
    let (status, location, _) = get("/panel", "").expect("an answer");
    assert_eq!(status, 308);
    assert!(location.ends_with("/panel/"), "{location}");
    let plain = runtime.block_on(client.get(format!("http://127.0.0.1:{plain_port}/panel/x?y=1")).send());
    let plain = plain.expect("an answer");
    assert_eq!(
        (plain.status().as_u16(), &plain.headers()["location"]),
        (308, &"https://127.0.0.1/panel/x?y=1".parse().expect("a header"))
    );

    // Signing in, as a browser's form does it.
    let origin = format!("https://localhost:{tls_port}");
    let sign_in = client.post(format!("{origin}/panel/sign-in")).header("origin", &origin);
    let sign_in = sign_in.header("content-type", "application/x-www-form-urlencoded");
    let sign_in = sign_in.body(form(&[("secret", PASSWORD), ("next", "/sites/shed")]));
    let answer = runtime.block_on(sign_in.send()).expect("an answer");
    assert_eq!(
        (answer.status().as_u16(), &answer.headers()["location"]),
        (303, &"./sites/shed".parse().expect("a header"))
    );
    let set = answer.headers()["set-cookie"].to_str().expect("text").to_owned();
    assert!(set.contains("; Path=/panel/;") && set.ends_with("; Secure"), "{set}");
    let cookie = cookie_of(&set);
    let (status, _, house) = get("/panel/sites/shed", &cookie).expect("an answer");
    assert_eq!(status, 200);
    assert!(!house.contains("href=\"/") && !house.contains("src=\"/"), "{house}");

    // A form changes something, and one from elsewhere does not.
    let note = |from: &str| {
        let request =
            client.post(format!("{origin}/panel/api/sites/shed/annotations")).header("origin", from);
        let request = request.header("cookie", &cookie).header("x-csrf-token", csrf_of(&house));
        let request = request.header("content-type", "application/json").body(NOTE);
        runtime.block_on(request.send()).expect("an answer").status().as_u16()
    };
    assert_eq!((note(&origin), note("https://elsewhere.example")), (201, 403));

    // Each live figure goes on at once: a proxy that gathers them would hold back some kB, many seconds' worth.
    let mut stream = runtime
        .block_on(client.get(format!("{origin}/panel/live/shed")).header("cookie", &cookie).send())
        .expect("an answer");
    let seen = runtime.block_on(async {
        let mut text = String::new();
        while text.matches("event: now").count() < 3 {
            let chunk = tokio::time::timeout(SOON, stream.chunk()).await;
            let chunk =
                chunk.expect("no event came in time").expect("the stream goes on").expect("it does not end");
            text.push_str(&String::from_utf8_lossy(&chunk));
        }
        text
    });
    assert!(seen.len() < 4_000, "{} bytes for three events", seen.len());
}
