//! The HTTP client of one central store: a write request in, a verdict out.

use std::io::Write;
use std::sync::{Arc, Mutex, PoisonError};

use bytes::Bytes;
use flate2::Compression;
use flate2::write::GzEncoder;
use reqwest::header::{
    AUTHORIZATION, CONTENT_ENCODING, CONTENT_TYPE, DATE, HeaderMap, HeaderValue, RETRY_AFTER,
};
use reqwest::{Certificate, Url, redirect};

use super::answer::{Verdict, judge};
use super::backoff::retry_after;
use super::{Options, StartError, Token};
use crate::settings;
use crate::units::Stamp;

/// How much of an answer's body is read: error bodies are sentences. What is longer is cut, and
/// its connection is given up.
const MAX_ANSWER: usize = 64 * 1024;

/// Writes to one central store.
#[derive(Clone)]
pub(super) struct Client {
    http: reqwest::Client,
    url: Url,
    gzip: bool,
    token: Token,
    /// The token as read, so that the file is not read for every request.
    known: Arc<Mutex<Option<HeaderValue>>>,
}

/// A request's body, ready to be sent as often as it takes.
#[derive(Clone)]
pub(super) struct Body {
    bytes: Bytes,
    gzip: bool,
}

impl Client {
    pub(super) fn new(options: &Options) -> Result<Self, StartError> {
        // The process has one crypto provider; whoever comes second finds it installed.
        let _ = rustls::crypto::ring::default_provider().install_default();
        let mut builder = reqwest::Client::builder()
            .user_agent(concat!("panelwright/", env!("CARGO_PKG_VERSION")))
            // The settings name the server; a proxy out of the environment would be a surprise.
            .no_proxy()
            .redirect(redirect::Policy::none())
            .connect_timeout(options.connect_timeout)
            .timeout(options.timeout)
            // Batches go one after the other: a second connection would never be used.
            .pool_max_idle_per_host(1);
        if let Some(path) = &options.ca_file {
            builder = builder.tls_certs_only(authorities(&options.name, path)?);
        } else if options.url.scheme() == "http" {
            // Without TLS the system's authorities are of no use, and a small system has none.
            builder = builder.tls_certs_only([]);
        }
        let http = builder.build().map_err(|error| StartError::Client {
            name: options.name.clone(),
            url: options.url.to_string(),
            why: causes(&error),
        })?;
        Ok(Self {
            http,
            url: write_url(options),
            gzip: options.gzip,
            token: options.token.clone(),
            known: Arc::default(),
        })
    }

    /// Makes the body of a request of some lines.
    pub(super) fn body(&self, lines: &[u8]) -> Body {
        if !self.gzip {
            return Body { bytes: Bytes::copy_from_slice(lines), gzip: false };
        }
        // Level 1: on this text it comes within a fifth of the best level's size in a fraction
        // of its time, on machines that have little.
        let mut encoder = GzEncoder::new(Vec::with_capacity(lines.len() / 4), Compression::fast());
        let packed = encoder.write_all(lines).and_then(|()| encoder.finish());
        let packed = packed.expect("writing to memory does not fail");
        Body { bytes: packed.into(), gzip: true }
    }

    /// Sends a body once. Only an answer that was read to its end counts as one.
    pub(super) async fn write(&self, body: &Body, now: Stamp) -> Verdict {
        let token = match self.token().await {
            Ok(token) => token,
            Err(why) => return Verdict::Rejected { token: true, why },
        };
        let mut request = self.http.post(self.url.clone()).body(body.bytes.clone());
        request = request.header(CONTENT_TYPE, "text/plain; charset=utf-8");
        if body.gzip {
            request = request.header(CONTENT_ENCODING, "gzip");
        }
        if let Some(token) = token {
            request = request.header(AUTHORIZATION, token);
        }
        let later = |error: reqwest::Error| Verdict::Later { asked: None, why: causes(&error.without_url()) };
        let mut response = match request.send().await {
            Ok(response) => response,
            Err(error) => return later(error),
        };
        let status = response.status().as_u16();
        let asked = asked(response.headers(), now);
        let mut text = Vec::new();
        while text.len() < MAX_ANSWER {
            match response.chunk().await {
                Ok(Some(chunk)) => text.extend_from_slice(&chunk),
                Ok(None) => break,
                Err(error) => return later(error),
            }
        }
        judge(status, asked, &text)
    }

    /// Forgets the token, so that the file is read again for the next request. Whether that is of
    /// use: a token that does not come from a file stays what it is.
    pub(super) fn forget_token(&self) -> bool {
        self.known.lock().unwrap_or_else(PoisonError::into_inner).take();
        matches!(self.token, Token::File(_))
    }

    async fn token(&self) -> Result<Option<HeaderValue>, String> {
        if let Some(known) = &*self.known.lock().unwrap_or_else(PoisonError::into_inner) {
            return Ok(Some(known.clone()));
        }
        let secret = match &self.token {
            Token::None => return Ok(None),
            Token::Value(secret) => secret.clone(),
            Token::File(path) => {
                let path = path.clone();
                let read = tokio::task::spawn_blocking(move || settings::read_secret(&path)).await;
                read.map_err(|error| format!("the token file was not read: {error}"))??
            }
        };
        let mut value = HeaderValue::from_str(&format!("Token {}", secret.reveal()))
            .map_err(|_| "the token holds a character that no token has; write it again".to_owned())?;
        value.set_sensitive(true);
        *self.known.lock().unwrap_or_else(PoisonError::into_inner) = Some(value.clone());
        Ok(Some(value))
    }
}

/// The write address: the path of the server's address is kept, for servers behind a prefix.
fn write_url(options: &Options) -> Url {
    let mut url = options.url.clone();
    let path = format!("{}/api/v2/write", url.path().trim_end_matches('/'));
    url.set_path(&path);
    url.set_fragment(None);
    // Parameters that the settings' address has are kept too: some servers route by them.
    url.query_pairs_mut()
        .append_pair("org", &options.organization)
        .append_pair("bucket", &options.bucket)
        .append_pair("precision", "s");
    url
}

fn asked(headers: &HeaderMap, now: Stamp) -> Option<std::time::Duration> {
    let text = |name| headers.get(name).and_then(|value| value.to_str().ok());
    retry_after(text(RETRY_AFTER)?, text(DATE), now)
}

#[expect(clippy::disallowed_methods, reason = "the shell reads the file that the settings name")]
fn authorities(name: &str, path: &std::path::Path) -> Result<Vec<Certificate>, StartError> {
    let unfit = |why: String| StartError::CaFile { name: name.to_owned(), path: path.to_owned(), why };
    let pem = std::fs::read(path).map_err(|error| unfit(error.to_string()))?;
    let found = Certificate::from_pem_bundle(&pem).map_err(|error| unfit(causes(&error)))?;
    if found.is_empty() { Err(unfit("there is no certificate in it".into())) } else { Ok(found) }
}

/// An error with everything that led to it; reqwest's own text names the least helpful part.
fn causes(error: &dyn std::error::Error) -> String {
    let mut text = error.to_string();
    let mut inner = error.source();
    while let Some(cause) = inner {
        let cause_text = cause.to_string();
        if !text.ends_with(&cause_text) {
            text = format!("{text}: {cause_text}");
        }
        inner = cause.source();
    }
    text
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn the_path_of_the_address_is_kept() {
        let check = |base: &str, expected: &str| {
            let mut options = Options::new("a", base.parse().expect("a URL"));
            options.organization = "o & co".into();
            options.bucket = "homes".into();
            assert_eq!(write_url(&options).as_str(), expected);
        };
        let query = "org=o+%26+co&bucket=homes&precision=s";
        check("https://h", &format!("https://h/api/v2/write?{query}"));
        check("https://h/", &format!("https://h/api/v2/write?{query}"));
        check("https://h/insert/0/influx", &format!("https://h/insert/0/influx/api/v2/write?{query}"));
        check("http://h:8428/influx/#x", &format!("http://h:8428/influx/api/v2/write?{query}"));
        check("https://h/?tenant=7", &format!("https://h/api/v2/write?tenant=7&{query}"));
    }

    #[test]
    fn a_ca_file_without_a_certificate_is_refused_with_its_name() {
        let file = tempfile::NamedTempFile::new().expect("a temporary file");
        let mut options = Options::new("builder", "https://h".parse().expect("a URL"));
        options.ca_file = Some(file.path().into());
        let error = Client::new(&options).err().expect("an empty CA file").to_string();
        assert!(error.contains("builder") && error.contains("no certificate"), "{error}");
    }
}
