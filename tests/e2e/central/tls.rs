//! TLS: only an authority that the settings name is believed.

use std::io::{BufRead as _, BufReader, Read as _, Write as _};
use std::net::{Ipv4Addr, TcpListener};
use std::sync::Arc;

use panelwright::central::State;
use rcgen::{BasicConstraints, CertificateParams, IsCa, Issuer, KeyPair};
use rustls::pki_types::PrivateKeyDer;
use rustls::{ServerConfig, ServerConnection, StreamOwned};

use super::house::{self, Desk};
use super::{clock, options, start, until, until_sent};

/// A certificate for `localhost` and the PEM text of the authority that signed it.
fn identity() -> (ServerConfig, String) {
    let mut authority = CertificateParams::new(Vec::new()).expect("names");
    authority.is_ca = IsCa::Ca(BasicConstraints::Unconstrained);
    let authority_key = KeyPair::generate().expect("a key");
    let authority_pem = authority.self_signed(&authority_key).expect("a certificate").pem();
    let issuer = Issuer::new(authority, authority_key);
    let key = KeyPair::generate().expect("a key");
    let params = CertificateParams::new(vec!["localhost".to_owned()]).expect("names");
    let certificate = params.signed_by(&key, &issuer).expect("a certificate");
    let key = PrivateKeyDer::try_from(key.serialize_der()).expect("a key");
    let provider = Arc::new(rustls::crypto::ring::default_provider());
    let config = ServerConfig::builder_with_provider(provider)
        .with_safe_default_protocol_versions()
        .expect("TLS 1.2 and 1.3")
        .with_no_client_auth()
        .with_single_cert(vec![certificate.der().clone()], key)
        .expect("a matching pair");
    (config, authority_pem)
}

/// Answers one request per connection with 204. The thread ends with the process.
fn serve(config: ServerConfig) -> u16 {
    let listener = TcpListener::bind((Ipv4Addr::LOCALHOST, 0)).expect("a loopback port");
    let port = listener.local_addr().expect("an address").port();
    let config = Arc::new(config);
    std::thread::spawn(move || {
        for stream in listener.incoming().flatten() {
            let connection = ServerConnection::new(config.clone()).expect("a connection");
            // A client that does not believe the certificate hangs up: the next one, then.
            let _ = answer(StreamOwned::new(connection, stream));
        }
    });
    port
}

fn answer(stream: StreamOwned<ServerConnection, std::net::TcpStream>) -> std::io::Result<()> {
    let mut stream = BufReader::new(stream);
    let mut length = 0;
    loop {
        let mut line = String::new();
        if stream.read_line(&mut line)? == 0 {
            return Ok(());
        }
        if let Some(value) = line.to_lowercase().strip_prefix("content-length:") {
            length = value.trim().parse().expect("a length");
        }
        if line == "\r\n" {
            break;
        }
    }
    let mut body = vec![0; length];
    stream.read_exact(&mut body)?;
    stream.get_mut().write_all(b"HTTP/1.1 204 No Content\r\nConnection: close\r\n\r\n")?;
    stream.get_mut().conn.send_close_notify();
    stream.get_mut().flush()
}

#[tokio::test(flavor = "multi_thread", worker_threads = 2)]
async fn the_named_authority_is_believed_and_no_other() {
    let directory = tempfile::tempdir().expect("a temporary directory");
    let (config, authority) = identity();
    let (_, stranger) = identity();
    let port = serve(config);
    let sites = house::sites(&["a"]);
    let desk = Desk::new(&sites);
    desk.close(0, 0);
    let with = |name: &str, pem: &str| {
        let file = directory.path().join(name);
        std::fs::write(&file, pem).expect("a certificate is written");
        let mut options = options(name, &format!("https://localhost:{port}"));
        options.ca_file = Some(file);
        start(options, &sites, &desk, clock(1000.0))
    };
    let wrong = with("wrong", &stranger);
    let progress = until(&wrong, |progress| progress.last_failure.is_some()).await;
    assert!(matches!(progress.state, State::Waiting { .. }), "{progress:?}");
    let why = progress.last_failure.expect("a failure").why;
    assert!(why.contains("certificate"), "it says why: {why}");
    assert_eq!(desk.cursor("wrong"), 0);
    wrong.shutdown().await;
    let right = with("right", &authority);
    until_sent(&right, &desk, "right", 1).await;
    right.shutdown().await;
}
