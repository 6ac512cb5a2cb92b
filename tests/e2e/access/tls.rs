//! TLS by the daemon itself, and a certificate that is renewed.

use std::path::Path;

use rcgen::{BasicConstraints, CertificateParams, IsCa, Issuer, KeyPair};
use reqwest::Certificate;

use super::{NOTE, PASSWORD, SOON, laid_out, nowhere};
use crate::harness::{Panelwright, poll};

/// Writes a certificate for `localhost` and its key; gives the authority that signed it, as PEM.
fn identity(daemon: &Panelwright) -> String {
    identity_in(daemon.directory())
}

/// The same into that directory, as `web.pem` and `web.key`.
pub(super) fn identity_in(directory: &Path) -> String {
    let mut authority = CertificateParams::new(Vec::new()).expect("names");
    authority.is_ca = IsCa::Ca(BasicConstraints::Unconstrained);
    let authority_key = KeyPair::generate().expect("a key");
    let pem = authority.self_signed(&authority_key).expect("a certificate").pem();
    let issuer = Issuer::new(authority, authority_key);
    let key = KeyPair::generate().expect("a key");
    let params = CertificateParams::new(vec!["localhost".to_owned()]).expect("names");
    let certificate = params.signed_by(&key, &issuer).expect("a certificate").pem();
    write(directory, &certificate, &key.serialize_pem());
    pem
}

fn write(directory: &Path, certificate: &str, key: &str) {
    let at = |name: &str| directory.join(name);
    std::fs::write(at("web.pem"), certificate).expect("written");
    std::fs::write(at("web.key"), key).expect("written");
    let mut mode = std::fs::metadata(at("web.key")).expect("a file").permissions();
    std::os::unix::fs::PermissionsExt::set_mode(&mut mode, 0o600);
    std::fs::set_permissions(at("web.key"), mode).expect("the mode is set");
}

/// Status and body of `/health`, asked by somebody who believes that authority alone; `None` if the
/// certificate is not believed, or nobody listens.
fn ask(runtime: &tokio::runtime::Runtime, authority: &str, url: &str) -> Option<(u16, String)> {
    let _ = rustls::crypto::ring::default_provider().install_default();
    let authority = Certificate::from_pem(authority.as_bytes()).expect("PEM");
    let client = reqwest::Client::builder().no_proxy().tls_certs_only([authority]).build().expect("a client");
    runtime.block_on(async {
        let answer = client.get(url).send().await.ok()?;
        Some((answer.status().as_u16(), answer.text().await.ok()?))
    })
}

#[test]
fn connections_are_encrypted_and_the_certificate_is_renewed() {
    let setup =
        nowhere().env("PANELWRIGHT__WEB__CERT_FILE", "web.pem").env("PANELWRIGHT__WEB__KEY_FILE", "web.key");
    let (mut daemon, _) = laid_out(setup);
    let first = identity(&daemon);
    daemon.launch();
    let runtime = tokio::runtime::Runtime::new().expect("a runtime");
    let url = daemon.url().replace("http://127.0.0.1", "https://localhost") + "/health";
    let up = poll(SOON, || ask(&runtime, &first, &url));
    assert!(up.is_some_and(|(_, body)| body.contains("\"version\"")), "{}", daemon.log());
    assert!(
        crate::harness::get(&format!("{}/health", daemon.url())).is_err(),
        "nothing is answered in the clear"
    );

    // Cookies are for encrypted connections alone.
    let sign_in = url.replace("/health", "/sign-in");
    let authority = Certificate::from_pem(first.as_bytes()).expect("PEM");
    let client = reqwest::Client::builder()
        .no_proxy()
        .redirect(reqwest::redirect::Policy::none())
        .tls_certs_only([authority])
        .build()
        .expect("a client");
    let secret = super::form(&[("secret", PASSWORD), ("next", "/")]);
    let answer = runtime.block_on(
        client.post(sign_in).header("content-type", "application/x-www-form-urlencoded").body(secret).send(),
    );
    let answer = answer.expect("an answer");
    let set = answer.headers()["set-cookie"].to_str().expect("text").to_owned();
    assert!(answer.status() == 303 && set.ends_with("; Secure"), "{set}");

    // The program's own commands believe the certificate in its file, whatever name it is for.
    let (status, out, err) = daemon.run(&["annotate", "add", "lathe oiled"]);
    assert_eq!(status, 0, "{err}\n{NOTE}");
    assert!(out.contains("lathe oiled"), "{out}");

    let second = identity(&daemon);
    assert!(ask(&runtime, &second, &url).is_none(), "not before it is told");
    daemon.sighup();
    assert!(poll(SOON, || ask(&runtime, &second, &url)).is_some(), "the new certificate is shown");
    assert!(ask(&runtime, &first, &url).is_none(), "and the old one no more");

    write(daemon.directory(), "no certificate", "no key");
    daemon.sighup();
    let told = poll(SOON, || {
        ask(&runtime, &second, &url).filter(|(_, body)| body.contains("the former certificate"))
    });
    assert!(told.is_some(), "health says that it is not renewed:\n{}", daemon.log());
    assert!(daemon.sigterm().success());
}
