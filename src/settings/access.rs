//! Who may reach the API: `[web]` and `[[token]]`.

use std::collections::BTreeSet;
use std::time::Duration;

use argon2::password_hash::PasswordHash;
use reqwest::Url;

use super::assemble::{address, certificate_and_key, secret_file, secret_of};
use super::layers::Layers;
use super::problem::Problems;
use super::secret::Secret;
use super::{Password, PublicUrl, Token, Web};

/// How the text of a hashed password begins.
const HASHED: &str = "$argon2";
/// How the text of a hashed token begins.
const SHA256: &str = "sha256:";
/// The dearest hash that is accepted, in KiB: a small computer that runs a house has 512 MiB, and
/// every attempt to sign in takes as much as this.
const MOST_KIB: u32 = 128 * 1024;
/// The most work that is accepted, in KiB times passes: about a second of a small computer.
const MOST_WORK: u32 = 512 * 1024;

impl Password {
    /// A password as its file or variable has it: the hash of one (argon2id, in PHC string format), or
    /// the password itself.
    ///
    /// # Errors
    /// What is wrong with a hash.
    pub fn new(text: Secret) -> Result<Self, String> {
        if !text.reveal().starts_with(HASHED) {
            return Ok(Self::Plain(text));
        }
        let hash =
            PasswordHash::new(text.reveal()).map_err(|error| format!("the hash is damaged: {error}"))?;
        if hash.algorithm.as_str() != "argon2id" {
            return Err(format!("{} is no argon2id", hash.algorithm));
        }
        let params =
            argon2::Params::try_from(&hash).map_err(|error| format!("the hash is damaged: {error}"))?;
        let work = params.m_cost().saturating_mul(params.t_cost());
        if params.m_cost() > MOST_KIB || work > MOST_WORK {
            let what =
                format!("m={}, t={} is too much work for each sign-in", params.m_cost(), params.t_cost());
            return Err(format!("{what}: at most {MOST_KIB} KiB, and {MOST_WORK} KiB times passes"));
        }
        if hash.hash.is_none() || hash.salt.is_none() {
            return Err("the hash is cut off".into());
        }
        Ok(Self::Hash(text))
    }
}

/// `[web]`.
pub(super) fn web(layers: &Layers, problems: &mut Problems) -> Option<Web> {
    let before = problems.0.len();
    let password = password(layers, problems);
    let unfit = problems.0.len() > before;
    let tokens = (0..layers.count("token")).filter_map(|index| token(layers, index, problems)).collect();
    check_token_names(layers, problems);
    let tls = certificate_and_key(layers, ("web.cert_file", "web.key_file"), problems);
    let public_url = public_url(layers, problems);
    let days = layers.whole("web.session_days", 1..=365, problems);
    let listen = address(layers, "web.listen", problems)?;
    if !listen.ip().is_loopback() && password.is_none() && !unfit {
        let what = format!("web.listen is {listen}, which others can reach, and there is no password");
        problems.add(layers.place("web.listen"), what, "write web.password_file, or listen at 127.0.0.1");
    }
    if let Some(url) = &public_url
        && !url.is_local
        && password.is_none()
        && !unfit
    {
        let what = "web.public_url lets others in through a proxy, and there is no password";
        problems.add(layers.place("web.public_url"), what, "write web.password_file");
    }
    let session = Duration::from_secs(days?.unsigned_abs() * 24 * 60 * 60);
    Some(Web { listen, password, tokens, session, public_url, tls })
}

fn password(layers: &Layers, problems: &mut Problems) -> Option<Password> {
    let text = secret_of(layers, "web.password", problems)?;
    let hint = "make it anew with `panelwright password`";
    let from = if layers.is_set("web.password") { "web.password" } else { "web.password_file" };
    Password::new(text).map_err(|why| problems.add(layers.place(from), format!("{from}: {why}"), hint)).ok()
}

/// One `[[token]]`.
fn token(layers: &Layers, index: usize, problems: &mut Problems) -> Option<Token> {
    let path = |name: &str| format!("token[{index}].{name}");
    for name in ["name", "file"] {
        if !layers.is_set(&path(name)) {
            let hint = format!("write {name} = \"…\" in this [[token]]");
            problems.add(layers.place(&path(name)), format!("token.{name} is missing"), hint);
        }
    }
    let name = layers.text(&path("name"))?;
    let text = secret_file(layers, &path("file"), problems)?;
    let Some(hash) = text.reveal().strip_prefix(SHA256).and_then(from_hex) else {
        let what = format!("the file of token {name:?} holds no hash of a token");
        problems.add(layers.place(&path("file")), what, "make it anew with `panelwright token`");
        return None;
    };
    Some(Token { name, hash })
}

fn from_hex(text: &str) -> Option<[u8; 32]> {
    let digit = |byte: u8| char::from(byte).to_digit(16);
    let mut bytes = [0; 32];
    if text.len() != 64 {
        return None;
    }
    for (byte, pair) in bytes.iter_mut().zip(text.as_bytes().chunks_exact(2)) {
        *byte = u8::try_from(digit(pair[0])? * 16 + digit(pair[1])?).ok()?;
    }
    Some(bytes)
}

/// Names are for the log and the page: short, plain and each once.
fn check_token_names(layers: &Layers, problems: &mut Problems) {
    let mut seen = BTreeSet::new();
    for index in 0..layers.count("token") {
        let path = format!("token[{index}].name");
        let Some(name) = layers.text(&path) else { continue };
        let plain = |c: char| c.is_ascii_lowercase() || c.is_ascii_digit() || c == '-';
        if name.is_empty() || name.len() > 64 || !name.chars().all(plain) {
            let hint = "write 1 to 64 of a-z, 0-9 and -";
            problems.add(layers.place(&path), format!("token.name is {name:?}"), hint);
        } else if !seen.insert(name.clone()) {
            let what = format!("there are two tokens named {name:?}");
            problems.add(layers.place(&path), what, "give each a name of its own");
        }
    }
}

fn public_url(layers: &Layers, problems: &mut Problems) -> Option<PublicUrl> {
    let path = "web.public_url";
    let text = layers.text(path).filter(|text| !text.is_empty())?;
    let parsed = parse_public_url(&text);
    if parsed.is_none() {
        let hint = "write where browsers find the proxy, such as \"https://home.example.org/panel\"";
        problems.add(layers.place(path), format!("{path} is {text:?}"), hint);
    }
    parsed
}

fn parse_public_url(text: &str) -> Option<PublicUrl> {
    let url = Url::parse(text).ok()?;
    let plain = |c: char| c.is_ascii_alphanumeric() || "-._~/".contains(c);
    let base = url.path().trim_end_matches('/');
    let fits = matches!(url.scheme(), "http" | "https")
        && url.username().is_empty()
        && url.password().is_none()
        && url.query().is_none()
        && url.fragment().is_none()
        && base.chars().all(plain)
        && !base.contains("//")
        && base.len() <= 200;
    if !fits {
        return None;
    }
    let host = url.host_str()?;
    let authority = url.port().map_or_else(|| host.to_owned(), |port| format!("{host}:{port}"));
    let name = host.trim_matches(['[', ']']);
    let is_local = name == "localhost" || name.parse().is_ok_and(|ip: std::net::IpAddr| ip.is_loopback());
    Some(PublicUrl { base: base.to_owned(), is_https: url.scheme() == "https", authority, is_local })
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn a_public_url_says_host_path_and_whether_it_is_encrypted() {
        let check = |text: &str, expected: Option<(&str, &str, bool, bool)>| {
            let url = parse_public_url(text);
            let url = url.as_ref().map(|url| (&*url.authority, &*url.base, url.is_https, url.is_local));
            assert_eq!(url, expected, "{text}");
        };
        check("https://home.example.org/panel/", Some(("home.example.org", "/panel", true, false)));
        check("https://home.example.org", Some(("home.example.org", "", true, false)));
        check("https://home.example.org:443", Some(("home.example.org", "", true, false)));
        check("http://localhost:8080/a/b", Some(("localhost:8080", "/a/b", false, true)));
        check("http://[::1]:8080", Some(("[::1]:8080", "", false, true)));
        check("http://192.0.2.7", Some(("192.0.2.7", "", false, false)));
        for bad in [
            "home.example.org",
            "ftp://home.example.org",
            "https://me@home.example.org",
            "https://home.example.org/a?b",
            "https://home.example.org/a#b",
            "https://home.example.org/a//b",
            "https://home.example.org/%3Cscript%3E",
            "",
        ] {
            check(bad, None);
        }
    }

    #[test]
    fn a_hash_is_told_from_a_password() {
        let of = |text: &str| Password::new(Secret::new(text));
        assert!(matches!(of("correct horse"), Ok(Password::Plain(_))));
        assert!(matches!(of("$money$"), Ok(Password::Plain(_))));
        let salt_and_hash = "c29tZXNhbHRzb21l$CWov7QsLHGCXCnyzDYJg7DMUVCxPT5Z3AP3vgxbTKUI";
        let hash = |what: &str| of(&format!("$argon2{what}${salt_and_hash}"));
        assert!(matches!(hash("id$v=19$m=19456,t=2,p=1"), Ok(Password::Hash(_))));
        for (bad, why) in [
            ("i$v=19$m=19456,t=2,p=1", "argon2i is no argon2id"),
            ("id$v=19$m=1048576,t=1,p=1", "too much work"),
            ("id$v=19$m=65536,t=100,p=1", "too much work"),
            ("id$v=19$m=x,t=1,p=1", "damaged"),
        ] {
            let refused = hash(bad).expect_err(bad);
            assert!(refused.contains(why), "{bad}: {refused}");
        }
        assert!(of("$argon2id$v=19$m=19456,t=2,p=1").is_err());
        assert!(of("$argon2id$").is_err());
    }

    #[test]
    fn hex() {
        assert_eq!(from_hex(&"0f".repeat(32)), Some([15; 32]));
        for bad in ["", "0f", &"0g".repeat(32), &"0f".repeat(33), &"é".repeat(32)] {
            assert_eq!(from_hex(bad), None, "{bad}");
        }
    }
}
