//! What the settings say, as the server sees it.

use std::os::unix::fs::PermissionsExt as _;
use std::path::Path;

use panelwright::central::{self, StartError, State, Token};
use panelwright::settings::Secret;
use tokio::sync::watch;

use super::house::{self, Desk};
use super::server::{Reply, Server};
use super::{clock, keys, options, start, until, until_sent};

fn write_secret(path: &Path, text: &str) {
    std::fs::write(path, text).expect("a secret is written");
    std::fs::set_permissions(path, std::fs::Permissions::from_mode(0o600)).expect("only ours");
}

#[tokio::test]
async fn path_prefix_parameters_token_and_gzip_are_as_set() {
    let sites = house::sites(&["a"]);
    let desk = Desk::new(&sites);
    desk.close(0, 0);
    let server = Server::start(|_| Reply::Take).await;
    let mut plain = options("plain", &format!("{}/insert/0/influx/", server.url));
    plain.gzip = false;
    let mut full = options("full", &format!("{}/insert/0/influx", server.url));
    full.organization = "O & B".into();
    full.token = Token::Value(Secret::new("s3cret=="));
    for (name, options) in [("plain", plain), ("full", full)] {
        let handle = start(options, &sites, &desk, clock(100.0));
        until_sent(&handle, &desk, name, 1).await;
        handle.shutdown().await;
    }
    let [plain, full] = &server.requests()[..] else { panic!("two requests") };
    assert_eq!(plain.uri, "/insert/0/influx/api/v2/write?org=builder&bucket=homes&precision=s");
    assert_eq!((&plain.token, &plain.encoding), (&None, &None));
    assert_eq!(full.uri, "/insert/0/influx/api/v2/write?org=O+%26+B&bucket=homes&precision=s");
    assert_eq!(full.token.as_deref(), Some("Token s3cret=="));
    assert_eq!(full.encoding.as_deref(), Some("gzip"));
    assert_eq!(plain.lines, full.lines);
}

#[tokio::test]
async fn a_renewed_token_is_taken_up_and_no_record_is_blamed() {
    let directory = tempfile::tempdir().expect("a temporary directory");
    let file = directory.path().join("token");
    write_secret(&file, "old\n");
    let sites = house::sites(&["a"]);
    let desk = Desk::new(&sites);
    desk.close(0, 0);
    let server = Server::start(|request| match request.token.as_deref() {
        Some("Token new") => Reply::Take,
        _ => Reply::No(401, None, "unauthorized access".into()),
    })
    .await;
    let mut with_file = options("builder", &server.url);
    with_file.token = Token::File(file.clone());
    let handle = start(with_file, &sites, &desk, clock(100.0));
    let progress = until(&handle, |progress| progress.last_failure.is_some()).await;
    assert!(matches!(progress.state, State::Held { .. }), "{progress:?}");
    assert!(!progress.is_well());
    let why = progress.last_failure.expect("a failure").why;
    assert!(why.contains("token") && why.contains("unauthorized access"), "{why}");
    // Somebody loosens the file's rights by mistake: it is not read then, and that is said.
    std::fs::set_permissions(&file, std::fs::Permissions::from_mode(0o644)).expect("ours");
    let loose = |progress: &central::Progress| {
        progress.last_failure.as_ref().is_some_and(|failure| failure.why.contains("chmod 600"))
    };
    until(&handle, loose).await;
    write_secret(&file, "new\n");
    until_sent(&handle, &desk, "builder", 1).await;
    assert_eq!(server.order(), keys("a", 0));
    assert!(desk.refused("builder").is_empty());
    handle.shutdown().await;
}

#[tokio::test]
async fn a_wrong_bucket_or_a_redirection_holds_everything_and_refuses_nothing() {
    for status in [404, 403, 301, 307, 405] {
        let sites = house::sites(&["a"]);
        let desk = Desk::new(&sites);
        desk.close(0, 0);
        let server = Server::start(move |_| Reply::No(status, None, "bucket not found".into())).await;
        let handle = start(options("builder", &server.url), &sites, &desk, clock(1000.0));
        let progress = until(&handle, |progress| progress.last_failure.is_some()).await;
        assert!(matches!(progress.state, State::Held { .. }), "{status}: {progress:?}");
        assert!(progress.last_failure.expect("a failure").why.contains("bucket not found"));
        server.rule(|_| Reply::Take);
        until_sent(&handle, &desk, "builder", 1).await;
        assert!(desk.refused("builder").is_empty(), "{status}");
        handle.shutdown().await;
    }
}

#[tokio::test]
async fn bad_options_are_refused_before_anything_is_sent() {
    let sites = house::sites(&["a"]);
    let refused = |options| {
        let (_, sites) = watch::channel(sites.clone());
        central::start(options, sites, Desk::new(&house::sites(&["a"])), clock(1.0)).expect_err("bad options")
    };
    let mut tagged = options("builder", "http://127.0.0.1:1");
    tagged.tags = vec![("lot".into(), "4\nevil,site=b wh=1".into())];
    assert!(matches!(refused(tagged), StartError::Tag { tag, .. } if tag == "lot"));
    let mut twice = options("builder", "http://127.0.0.1:1");
    twice.tags = vec![("lot".into(), "4".into()), ("lot".into(), "5".into())];
    assert!(matches!(refused(twice), StartError::Tag { .. }));
    let address = refused(options("builder", "ftp://127.0.0.1")).to_string();
    assert!(address.contains("builder") && address.contains("https://host"), "{address}");
}
