//! The daemon's API as a client: sites, now, and the live stream.

use std::net::{IpAddr, Ipv4Addr, Ipv6Addr, SocketAddr};
use std::time::Duration;

use reqwest::header::CONTENT_TYPE;
use reqwest::{Method, Response, StatusCode, Url};

use super::pinned;
use crate::cli::Exit;
use crate::settings::{self, Password, Secret, Settings};
use crate::store::Imported;
use crate::web::{ImportBody, SiteInfo, Sites, USER};

/// How long the daemon may take to answer.
const TIMEOUT: Duration = Duration::from_secs(10);
/// A live stream says something at least every 15 s; after this long without a word it is dead.
const SILENCE: Duration = Duration::from_secs(45);
/// Times that a live stream is taken up again in a row before the daemon counts as away: long
/// enough for it to be restarted.
const MAX_RETRIES: u32 = 15;
/// Time between them.
const RETRY: Duration = Duration::from_secs(2);
/// Bytes of one event or answer: the largest site's figures are below 100 kB.
const MAX_BYTES: usize = 4 << 20;

/// Why there is nothing to show, and how the command ends for it.
#[derive(Debug)]
pub(in crate::cli) struct Failure {
    pub(in crate::cli) exit: Exit,
    /// What is wrong; empty where the reader of the output left.
    pub(in crate::cli) why: String,
    /// Whether nothing listens at the address: no daemon runs.
    pub(in crate::cli) unreachable: bool,
}

impl Failure {
    pub(in crate::cli) fn new(exit: Exit, why: impl Into<String>) -> Self {
        Self { exit, why: why.into(), unreachable: false }
    }
}

/// A daemon at an address.
#[derive(Debug)]
pub(in crate::cli) struct Client {
    http: reqwest::Client,
    base: Url,
    key: Key,
}

/// What a client shows.
#[derive(Clone, Debug)]
pub(in crate::cli) enum Key {
    /// Nothing.
    None,
    /// The password of [`USER`].
    Password(Secret),
    /// A token, or the key of this machine.
    Token(Secret),
}

/// Where to ask a daemon that listens at `listen`: one that listens everywhere is on loopback too.
pub(in crate::cli) fn url_of(scheme: &str, listen: SocketAddr) -> String {
    let ip = match listen.ip() {
        IpAddr::V4(ip) if ip.is_unspecified() => Ipv4Addr::LOCALHOST.into(),
        IpAddr::V6(ip) if ip.is_unspecified() => Ipv6Addr::LOCALHOST.into(),
        ip => ip,
    };
    format!("{scheme}://{}", SocketAddr::new(ip, listen.port()))
}

impl Client {
    /// A client of the daemon that runs with these settings on this machine.
    pub(in crate::cli) fn here(settings: &Settings) -> Result<Self, Failure> {
        let web = &settings.web;
        // The daemon lays it there where a password is set; who may not read it has the password, if that
        // is kept as it is.
        let key = settings::read_secret(&settings::local_key(&settings.store.directory));
        let key = match (&web.password, key) {
            (None, _) => Key::None,
            (Some(_), Ok(key)) => Key::Token(key),
            (Some(Password::Plain(password)), Err(_)) => Key::Password(password.clone()),
            (Some(Password::Hash(_)), Err(_)) => Key::None,
        };
        let Some((certificate, _)) = &web.tls else { return Self::new(&url_of("http", web.listen), key) };
        let tls =
            pinned::config(certificate).map_err(|error| Failure::new(Exit::Config, format!("{error:#}")))?;
        Self::build(&url_of("https", web.listen), key, Some(tls))
    }

    pub(in crate::cli) fn new(url: &str, key: Key) -> Result<Self, Failure> {
        Self::build(url, key, None)
    }

    fn build(url: &str, key: Key, tls: Option<rustls::ClientConfig>) -> Result<Self, Failure> {
        let bad = |why: String| Failure::new(Exit::Usage, why);
        let base = Url::parse(url).map_err(|error| bad(format!("{url:?} is no URL: {error}")))?;
        if !matches!(base.scheme(), "http" | "https") {
            return Err(bad(format!("{url:?} is no URL of an API: write http://host:port")));
        }
        // A provider may be installed already: it is the same one.
        let _ = rustls::crypto::ring::default_provider().install_default();
        let builder = reqwest::Client::builder().connect_timeout(TIMEOUT).read_timeout(SILENCE);
        let builder = match tls {
            Some(tls) => builder.tls_backend_preconfigured(tls),
            None => builder,
        };
        let http = builder.build().map_err(|error| bad(format!("no client for {url:?}: {error}")))?;
        Ok(Self { http, base, key })
    }

    async fn get(&self, segments: &[&str]) -> Result<Response, Failure> {
        self.send(Method::GET, segments, None).await
    }

    /// Asks for a change, or for what is not one of the answers below; gives the body.
    pub(in crate::cli) async fn call(
        &self,
        method: Method,
        segments: &[&str],
        json: Option<String>,
    ) -> Result<String, Failure> {
        let content = json.map(|json| ("application/json", json));
        body(self.send(method, segments, content).await?).await
    }

    /// Puts readings, as CSV, into the store of a site; when this returns they are on the disk.
    pub(in crate::cli) async fn import(&self, site: &str, csv: String) -> Result<Imported, Failure> {
        let content = Some(("text/csv; charset=utf-8", csv));
        let text = body(self.send(Method::POST, &["api", "sites", site, "readings"], content).await?).await?;
        let done: ImportBody = serde_json::from_str(&text).map_err(|error| {
            Failure::new(Exit::Away, format!("{} is no daemon of ours: {error}", self.base))
        })?;
        Ok(Imported { new: done.new, changed: done.changed, same: done.same })
    }

    /// Asks, and sorts out what an answer other than success means.
    async fn send(
        &self,
        method: Method,
        segments: &[&str],
        content: Option<(&'static str, String)>,
    ) -> Result<Response, Failure> {
        let mut url = self.base.clone();
        // Only a base without an authority has no path, and that scheme was refused.
        if let Ok(mut path) = url.path_segments_mut() {
            path.pop_if_empty().extend(segments);
        }
        let mut request = self.http.request(method, url);
        if let Some((kind, content)) = content {
            request = request.header(CONTENT_TYPE, kind).body(content);
        }
        request = match &self.key {
            Key::None => request,
            Key::Password(password) => request.basic_auth(USER, Some(password.reveal())),
            Key::Token(token) => request.bearer_auth(token.reveal()),
        };
        let away = |why: &str| Failure::new(Exit::Away, format!("the daemon at {} {why}", self.base));
        let answer = match tokio::time::timeout(TIMEOUT, request.send()).await {
            Ok(Ok(answer)) => answer,
            Ok(Err(error)) if error.is_connect() => {
                let failure = away("is away: nothing listens there");
                return Err(Failure { unreachable: true, ..failure });
            }
            Ok(Err(error)) => return Err(away(&format!("does not answer: {error}"))),
            Err(_) => return Err(away("does not answer")),
        };
        let status = answer.status();
        if status.is_success() {
            return Ok(answer);
        }
        let said = body(answer).await.unwrap_or_default();
        let said: serde_json::Value = serde_json::from_str(&said).unwrap_or_default();
        let said = match (said["error"].as_str(), said["hint"].as_str()) {
            (Some(error), Some(hint)) => format!("{error}; {hint}"),
            _ => status.to_string(),
        };
        let exit = match status {
            StatusCode::UNAUTHORIZED => Exit::Config,
            StatusCode::NOT_FOUND | StatusCode::BAD_REQUEST => Exit::Usage,
            StatusCode::CONFLICT | StatusCode::PAYLOAD_TOO_LARGE => Exit::Short,
            _ => Exit::Away,
        };
        Err(Failure::new(exit, said))
    }

    /// The site of that id, or the only one.
    pub(in crate::cli) async fn site(&self, id: Option<&str>) -> Result<SiteInfo, Failure> {
        let text = body(self.get(&["api", "sites"]).await?).await?;
        let Sites { sites } = serde_json::from_str(&text).map_err(|error| {
            Failure::new(Exit::Away, format!("{} is no daemon of ours: {error}", self.base))
        })?;
        let names = sites.iter().map(|site| site.site.as_str()).collect::<Vec<_>>().join(", ");
        let wanted = match id {
            Some(id) => sites.into_iter().find(|site| site.site == id),
            None if sites.len() == 1 => sites.into_iter().next(),
            None => None,
        };
        wanted.ok_or_else(|| {
            let why = match id {
                _ if names.is_empty() => "the daemon has no site yet".to_owned(),
                Some(id) => format!("there is no site {id:?}; there is {names}"),
                None => format!("there are several sites: name one with --site: {names}"),
            };
            Failure::new(Exit::Usage, why)
        })
    }

    /// The newest figures of a site.
    pub(in crate::cli) async fn now(&self, site: &str) -> Result<String, Failure> {
        body(self.get(&["api", "sites", site, "now"]).await?).await
    }

    /// Follows the live stream, and takes it up again when it breaks.
    pub(in crate::cli) async fn watch(
        &self,
        site: &str,
        show: &mut dyn FnMut(&str) -> Result<(), Failure>,
    ) -> Result<(), Failure> {
        let mut retries = 0;
        loop {
            match self.get(&["live", site]).await {
                Ok(answer) => {
                    if follow(answer, show).await? > 0 {
                        retries = 0;
                    }
                }
                // The first try must come through: an address that is wrong stays wrong.
                Err(failure) if retries == 0 || retries >= MAX_RETRIES || failure.exit != Exit::Away => {
                    return Err(failure);
                }
                Err(_) => {}
            }
            retries += 1;
            if retries > MAX_RETRIES {
                return Err(Failure::new(Exit::Away, format!("the stream of {} breaks off", self.base)));
            }
            tokio::time::sleep(RETRY).await;
        }
    }
}

/// Shows each event until the stream ends; says how many there were.
async fn follow(
    mut answer: Response,
    show: &mut dyn FnMut(&str) -> Result<(), Failure>,
) -> Result<usize, Failure> {
    let mut events = Events::default();
    let mut count = 0;
    while let Ok(Some(chunk)) = answer.chunk().await {
        for data in events.push(&chunk)? {
            show(&data)?;
            count += 1;
        }
    }
    Ok(count)
}

/// Server-sent events (WHATWG HTML, 9.2.6) out of chunks: the data of each. Our own daemon ends
/// lines with LF alone, and every event is of one kind.
#[derive(Debug, Default)]
struct Events {
    /// Bytes of a line that has not ended.
    line: Vec<u8>,
    data: String,
}

impl Events {
    fn push(&mut self, chunk: &[u8]) -> Result<Vec<String>, Failure> {
        let mut whole = Vec::new();
        for byte in chunk {
            if *byte != b'\n' {
                self.line.push(*byte);
                if self.line.len() + self.data.len() > MAX_BYTES {
                    return Err(Failure::new(Exit::Away, "an event is too long to be one of ours"));
                }
                continue;
            }
            let line = String::from_utf8_lossy(&self.line);
            let line = line.trim_end_matches('\r');
            if let Some(data) = line.strip_prefix("data:") {
                if !self.data.is_empty() {
                    self.data.push('\n');
                }
                self.data.push_str(data.strip_prefix(' ').unwrap_or(data));
            } else if line.is_empty() && !self.data.is_empty() {
                whole.push(std::mem::take(&mut self.data));
            }
            self.line.clear();
        }
        Ok(whole)
    }
}

/// The text of an answer, up to a bound.
async fn body(mut answer: Response) -> Result<String, Failure> {
    let broken = |why: String| Failure::new(Exit::Away, why);
    let mut bytes = Vec::new();
    loop {
        match answer.chunk().await {
            Ok(Some(chunk)) if bytes.len() + chunk.len() <= MAX_BYTES => bytes.extend_from_slice(&chunk),
            Ok(Some(_)) => return Err(broken("the answer is too long to be one of ours".into())),
            Ok(None) => break,
            Err(error) => return Err(broken(format!("the answer broke off: {error}"))),
        }
    }
    String::from_utf8(bytes).map_err(|_| broken("the answer is no text".into()))
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn events_come_out_whole_however_they_are_cut() {
        let stream =
            "retry: 2000\nevent: now\nid: 1\ndata: {\"a\":1}\n\n: keep-alive\n\ndata: é\r\ndata:b\n\n";
        for size in 1..stream.len() {
            let mut events = Events::default();
            let whole: Vec<_> = stream
                .as_bytes()
                .chunks(size)
                .flat_map(|chunk| events.push(chunk).expect("short events"))
                .collect();
            assert_eq!(whole, ["{\"a\":1}", "é\nb"], "in chunks of {size}");
        }
    }

    #[test]
    fn an_endless_event_ends() {
        let mut events = Events::default();
        let chunk = vec![b'x'; 1 << 20];
        let ended = (0..8).find_map(|_| events.push(&chunk).err());
        assert_eq!(ended.map(|failure| failure.exit), Some(Exit::Away));
    }

    #[test]
    fn a_daemon_that_listens_everywhere_is_asked_on_loopback() {
        for (listen, expected) in [
            ("127.0.0.1:8433", "http://127.0.0.1:8433"),
            ("0.0.0.0:80", "http://127.0.0.1:80"),
            ("[::]:8433", "http://[::1]:8433"),
            ("192.0.2.7:8433", "http://192.0.2.7:8433"),
        ] {
            assert_eq!(url_of("http", listen.parse().expect("an address")), expected);
        }
    }
}
