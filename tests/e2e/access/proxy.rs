//! Below a path, behind a proxy: links, redirects and cookies.

use std::io::{BufRead as _, BufReader, Read as _, Write as _};
use std::net::{Ipv4Addr, TcpListener, TcpStream};

use super::client::{Client, cookie_of, csrf_of, form};
use super::{NOTE, PASSWORD, nowhere, served};
use crate::harness::free_port;

/// Hands every request on to `upstream`, as its own host; with `strips` without the path in front. The
/// thread ends with the process.
fn proxy(port: u16, upstream: u16, strips: bool) {
    let listener = TcpListener::bind((Ipv4Addr::LOCALHOST, port)).expect("the port is free");
    std::thread::spawn(move || {
        for stream in listener.incoming().flatten() {
            // A client that hangs up ends its own connection only.
            std::thread::spawn(move || hand_on(stream, upstream, strips));
        }
    });
}

fn hand_on(stream: TcpStream, upstream: u16, strips: bool) -> std::io::Result<()> {
    let mut reader = BufReader::new(stream.try_clone()?);
    let (mut head, mut length) = (String::new(), 0);
    loop {
        let mut line = String::new();
        if reader.read_line(&mut line)? == 0 || line == "\r\n" {
            break;
        }
        let lower = line.to_lowercase();
        if let Some(value) = lower.strip_prefix("content-length:") {
            length = value.trim().parse().expect("a length");
        }
        if head.is_empty() && strips {
            line = line.replacen(" /panel", " ", 1);
        }
        if lower.starts_with("host:") {
            line = format!("Host: 127.0.0.1:{upstream}\r\n");
        }
        if !lower.starts_with("connection:") {
            head.push_str(&line);
        }
    }
    let mut body = vec![0; length];
    reader.read_exact(&mut body)?;
    let mut onward = TcpStream::connect((Ipv4Addr::LOCALHOST, upstream))?;
    write!(onward, "{head}Connection: close\r\n\r\n")?;
    onward.write_all(&body)?;
    let mut stream = stream;
    std::io::copy(&mut onward, &mut stream).map(drop)
}

#[test]
fn it_works_below_the_path_of_a_proxy() {
    for strips in [true, false] {
        let port = free_port();
        let public = format!("http://localhost:{port}/panel");
        let (daemon, _) = served(nowhere().env("PANELWRIGHT__WEB__PUBLIC_URL", &public));
        let upstream = daemon.url().rsplit(':').next().and_then(|port| port.parse().ok()).expect("a port");
        proxy(port, upstream, strips);
        let client = Client::new(&format!("http://localhost:{port}"));
        if !strips {
            let root = client.get("/panel", &[]);
            assert_eq!((root.status, root.header("location")), (308, "panel/"));
        }
        let page = ("accept", "text/html");
        let asked = client.get("/panel/sites/shed", &[page]);
        assert_eq!((asked.status, asked.header("location")), (303, "./../sign-in?next=%2Fsites%2Fshed"));
        let shown = client.get("/panel/sign-in?next=%2Fsites%2Fshed", &[page]);
        assert!(shown.body.contains("action=\"./sign-in\""), "links are relative: {}", shown.body);
        let origin = format!("http://localhost:{port}");
        let own = [("origin", &*origin), ("sec-fetch-site", "same-origin")];
        let right =
            client.post("/panel/sign-in", &own, &form(&[("secret", PASSWORD), ("next", "/sites/shed")]));
        assert_eq!((right.status, right.header("location")), (303, "./sites/shed"), "{}", right.body);
        let set = right.header("set-cookie");
        assert!(set.contains("; Path=/panel/;"), "{set}");
        let cookie = cookie_of(set);
        let house = client.get("/panel/sites/shed", &[page, ("cookie", &cookie)]);
        assert_eq!(house.status, 200);
        assert!(!house.body.contains("href=\"/") && !house.body.contains("src=\"/"), "{}", house.body);
        let csrf = csrf_of(&house.body);
        let with = |origin| {
            let sent = [
                ("cookie", &*cookie),
                ("origin", origin),
                ("x-csrf-token", &*csrf),
                ("content-type", "application/json"),
            ];
            client.post("/panel/api/sites/shed/annotations", &sent, NOTE).status
        };
        assert_eq!(with(&origin), 201);
        assert_eq!(with("http://localhost:1"), 403);
    }
}

#[test]
fn a_proxy_lets_nobody_in_without_a_password() {
    let mut daemon = nowhere()
        .site("shed", super::SHED)
        .env("PANELWRIGHT__WEB__PUBLIC_URL", "https://home.example.org/panel")
        .lay_out();
    daemon.launch();
    assert_eq!(daemon.wait(super::SOON).code(), Some(78));
    assert!(daemon.log().contains("web.public_url lets others in through a proxy"), "{}", daemon.log());
}
