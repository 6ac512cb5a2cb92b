//! Who asks: a password by HTTP Basic (RFC 7617), a token by Bearer (RFC 6750), or a browser that
//! signed in.
//!
//! Without a password everybody on loopback may do everything. With one, a *session* is what a browser
//! gets for the password, kept in memory; a *token* reads and never writes, and a browser that signs in
//! with one keeps it as its cookie, so that a display on a wall outlives restarts.

mod brake;
mod cookies;
pub(super) mod mask;
mod password;
mod sessions;

use std::fmt;
use std::sync::{Arc, Mutex, MutexGuard, PoisonError};
use std::time::Duration;

use axum::http::{HeaderMap, StatusCode, header};
use base64::Engine as _;
use base64::engine::general_purpose::URL_SAFE_NO_PAD;
use ring::digest::{SHA256, digest};
use ring::rand::{SecureRandom as _, SystemRandom};
use subtle::ConstantTimeEq as _;
use tokio::sync::watch;

use self::brake::Brake;
pub(super) use self::cookies::{Cookie, NUMBERS, SESSION, TOKEN, find as find_cookie};
use self::password::Checker;
pub(super) use self::sessions::Sessions;
use super::USER;
use super::answer::Refusal;
use crate::clock::Clock;
use crate::settings::{Password, PublicUrl, Secret, Token, Web};

/// How long a browser keeps a token, or how its reader likes numbers: the longest that browsers grant a
/// cookie (RFC 6265bis, 5.5).
const LONGEST: Duration = Duration::from_secs(400 * 24 * 60 * 60);

/// Who may ask, and how.
#[derive(Clone, Debug)]
pub struct Options {
    /// The password of [`USER`]; `None` asks nobody, which is for loopback only.
    pub password: Option<Password>,
    /// What lets programs and displays read.
    pub tokens: Vec<Token>,
    /// What lets commands on this machine do everything, beside the password.
    pub local_key: Option<Secret>,
    /// How long a browser stays signed in.
    pub session: Duration,
    /// Where browsers reach it through a proxy.
    pub public_url: Option<PublicUrl>,
    /// Whether connections are encrypted here.
    pub is_tls: bool,
}

impl Options {
    /// What the settings say; the key of this machine is the daemon's.
    pub fn from_settings(web: &Web) -> Self {
        Self {
            password: web.password.clone(),
            tokens: web.tokens.clone(),
            local_key: None,
            session: web.session,
            public_url: web.public_url.clone(),
            is_tls: web.tls.is_some(),
        }
    }

    /// The path below which browsers find it; empty at the root.
    pub(super) fn base(&self) -> &str {
        self.public_url.as_ref().map_or("", |url| &url.base)
    }

    /// Whether cookies are for encrypted connections only.
    pub(super) fn is_secure(&self) -> bool {
        self.is_tls || self.public_url.as_ref().is_some_and(|url| url.is_https)
    }
}

impl Default for Options {
    /// No password: for loopback.
    fn default() -> Self {
        Self {
            password: None,
            tokens: Vec::new(),
            local_key: None,
            session: Duration::from_secs(24 * 60 * 60),
            public_url: None,
            is_tls: false,
        }
    }
}

/// Who asks.
#[derive(Clone, Debug, PartialEq, Eq)]
pub(super) enum Who {
    /// Somebody on this machine, where no password is set.
    Local,
    /// Somebody who knows the password.
    Owner,
    /// The holder of the token of that name: it reads.
    Token(String),
}

/// Who asks, and how that is known.
#[derive(Clone, Debug)]
pub(super) struct Caller {
    /// Who.
    pub(super) who: Who,
    /// What a form has to hold so that it counts as the signed-in browser's own; `None` where no
    /// session is relied on.
    pub(super) csrf: Option<String>,
    /// Whether the browser signed in, and so can sign out.
    pub(super) by_cookie: bool,
}

impl Caller {
    fn plain(who: Who) -> Self {
        Self { who, csrf: None, by_cookie: false }
    }

    /// Whether it may change anything.
    pub(super) fn may_change(&self) -> bool {
        !matches!(self.who, Who::Token(_))
    }
}

/// The door: what it takes to tell who asks.
pub(super) struct Door {
    options: watch::Receiver<Arc<Options>>,
    lock: Mutex<Lock>,
    sessions: Sessions,
    brake: Brake,
    clock: Clock,
}

/// What the newest options come to. A password that was changed has a lock of its own, so that one that is
/// being checked against the former lets nobody in any more.
#[derive(Clone)]
struct Lock {
    options: Arc<Options>,
    checker: Option<Arc<Checker>>,
}

impl Lock {
    fn of(options: Arc<Options>) -> Self {
        let checker = options.password.clone().map(Checker::new).map(Arc::new);
        Self { options, checker }
    }

    /// Whether both ask for the same password, set at the same time.
    fn is_as(&self, other: &Self) -> bool {
        match (&self.checker, &other.checker) {
            (Some(one), Some(other)) => Arc::ptr_eq(one, other),
            (one, other) => one.is_none() && other.is_none(),
        }
    }
}

impl fmt::Debug for Door {
    fn fmt(&self, f: &mut fmt::Formatter<'_>) -> fmt::Result {
        f.debug_struct("Door").field("options", &self.options()).finish_non_exhaustive()
    }
}

impl Door {
    pub(super) fn new(options: watch::Receiver<Arc<Options>>, clock: Clock) -> Self {
        let newest = Arc::clone(&options.borrow());
        let sessions = Sessions::new(newest.session);
        Self { options, lock: Mutex::new(Lock::of(newest)), sessions, brake: Brake::new(clock), clock }
    }

    pub(super) fn options(&self) -> Arc<Options> {
        Arc::clone(&self.options.borrow())
    }

    /// Turns when somebody who is inside may have to show who they are again.
    pub(super) fn changes(&self) -> watch::Receiver<Arc<Options>> {
        let mut changes = self.options.clone();
        changes.mark_unchanged();
        changes
    }

    /// The lock as the newest options have it. With a new password everybody who came in by the former
    /// one is out.
    fn lock(&self) -> MutexGuard<'_, Lock> {
        let newest = self.options();
        let mut lock = self.lock.lock().unwrap_or_else(PoisonError::into_inner);
        if !Arc::ptr_eq(&lock.options, &newest) {
            if lock.options.password == newest.password {
                lock.options = newest;
            } else {
                self.sessions.close_all();
                *lock = Lock::of(newest);
            }
        }
        lock
    }

    /// Whether nobody is asked for a password.
    pub(super) fn is_open(&self) -> bool {
        self.options.borrow().password.is_none()
    }

    /// Who asks; `None` is somebody who has not said.
    ///
    /// # Errors
    /// What was said is wrong, or too much that was wrong has been said.
    pub(super) async fn identify(&self, headers: &HeaderMap) -> Result<Option<Caller>, Refusal> {
        if self.is_open() {
            return Ok(Some(Caller::plain(Who::Local)));
        }
        if let Some(sent) = headers.get(header::AUTHORIZATION) {
            return self.by_header(sent.as_bytes()).await.map(Some);
        }
        let now_ms = self.clock.now_ms();
        // Sessions of a former password end here.
        drop(self.lock());
        if let Some(id) = cookies::find(headers, SESSION)
            && let Some(csrf) = self.sessions.find(id, now_ms)
        {
            return Ok(Some(Caller { who: Who::Owner, csrf: Some(csrf), by_cookie: true }));
        }
        let token = cookies::find(headers, TOKEN).and_then(|token| self.token(token.as_bytes()));
        Ok(token.map(|name| Caller { who: Who::Token(name), csrf: None, by_cookie: true }))
    }

    async fn by_header(&self, sent: &[u8]) -> Result<Caller, Refusal> {
        if let Some(token) = after_scheme(sent, b"bearer ") {
            if self.is_local_key(token) {
                return Ok(Caller::plain(Who::Owner));
            }
            let name = self.token(token);
            return name
                .map(|name| Caller::plain(Who::Token(name)))
                .ok_or_else(|| wrong("the token is not known"));
        }
        let Some((user, password)) = credentials(sent) else {
            return Err(wrong("user or password is wrong"));
        };
        if self.is_right(user == USER.as_bytes(), password).await? {
            return Ok(Caller::plain(Who::Owner));
        }
        Err(wrong("user or password is wrong"))
    }

    /// What signing in with the password, or with a token in its place, gives the browser.
    ///
    /// # Errors
    /// Too many wrong passwords; `Ok(None)` is one wrong password.
    pub(super) async fn sign_in(&self, secret: &str) -> Result<Option<Cookie>, Refusal> {
        if self.token(secret.as_bytes()).is_some() {
            return Ok(Some(self.cookie(TOKEN, secret.to_owned(), LONGEST)));
        }
        let before = self.lock().clone();
        if !self.is_right(true, secret.as_bytes().to_vec()).await? {
            return Ok(None);
        }
        // Held while the session begins: the password may have been changed while it was checked.
        let lock = self.lock();
        if !lock.is_as(&before) {
            return Ok(None);
        }
        let id = self.sessions.open(self.clock.now_ms());
        Ok(Some(self.cookie(SESSION, id, lock.options.session)))
    }

    /// What makes a browser keep how its reader likes numbers; an empty value makes it forget that.
    pub(super) fn keep_numbers(&self, value: &str) -> Cookie {
        self.cookie(NUMBERS, value.to_owned(), if value.is_empty() { Duration::ZERO } else { LONGEST })
    }

    /// Ends the browser's session; gives what makes it forget its cookies.
    pub(super) fn sign_out(&self, headers: &HeaderMap) -> [Cookie; 2] {
        if let Some(id) = cookies::find(headers, SESSION) {
            self.sessions.close(id);
        }
        [SESSION, TOKEN].map(|name| self.cookie(name, String::new(), Duration::ZERO))
    }

    fn cookie(&self, name: &'static str, value: String, lasts: Duration) -> Cookie {
        let options = self.options();
        Cookie { name, value, lasts, base: options.base().to_owned(), secure: options.is_secure() }
    }

    /// Whether the password is right. While the brake holds nobody's is heard, the right one neither:
    /// else guessing would go on unbraked, each answer telling whether the guess was right.
    async fn is_right(&self, user_fits: bool, password: Vec<u8>) -> Result<bool, Refusal> {
        let Some(checker) = self.lock().checker.clone() else { return Ok(true) };
        // Taken before the check and given back after a right one: checks take time, and a hundred
        // that run at once must not all count as the first.
        if !self.brake.take() {
            let error = "there were too many wrong passwords";
            return Err(Refusal::new(StatusCode::TOO_MANY_REQUESTS, error, "try again in some seconds")
                .with(header::RETRY_AFTER, "5"));
        }
        let right = checker.is_right(password).await & user_fits;
        if right {
            self.brake.give_back();
        } else {
            tracing::warn!("a wrong password was given for the API");
        }
        Ok(right)
    }

    /// The name of the token that this is. Tokens are 256 bits of chance, so that guessing needs no brake.
    fn token(&self, token: &[u8]) -> Option<String> {
        let sent = digest(&SHA256, token);
        let fits = |known: &&Token| bool::from(known.hash[..].ct_eq(sent.as_ref()));
        self.options.borrow().tokens.iter().find(fits).map(|known| known.name.clone())
    }

    fn is_local_key(&self, sent: &[u8]) -> bool {
        let options = self.options();
        let key = options.local_key.as_ref();
        key.is_some_and(|key| bool::from(key.reveal().as_bytes().ct_eq(sent)))
    }
}

/// A refusal for whoever is not known. Programs are told to ask by HTTP Basic; [`super::guard`] takes
/// that out for browsers, which have the sign-in page.
pub(super) fn wrong(error: &str) -> Refusal {
    const CHALLENGE: &str = "Basic realm=\"panelwright\", charset=\"UTF-8\"";
    let hint = format!(
        "send HTTP Basic authentication (user {USER}, the password of web.password_file) or a token as Bearer; \
         browsers sign in at /sign-in"
    );
    Refusal::new(StatusCode::UNAUTHORIZED, error, hint).with(header::WWW_AUTHENTICATE, CHALLENGE)
}

/// What follows the scheme of an `Authorization` header, if it is that one.
fn after_scheme<'a>(sent: &'a [u8], scheme: &[u8]) -> Option<&'a [u8]> {
    let (start, rest) = sent.split_at_checked(scheme.len())?;
    start.eq_ignore_ascii_case(scheme).then(|| rest.trim_ascii())
}

/// User and password out of `Basic <base64>`.
fn credentials(sent: &[u8]) -> Option<(Vec<u8>, Vec<u8>)> {
    let encoded = after_scheme(sent, b"basic ")?;
    let both = base64::engine::general_purpose::STANDARD.decode(encoded).ok()?;
    let colon = both.iter().position(|byte| *byte == b':')?;
    Some((both[..colon].to_vec(), both[colon + 1..].to_vec()))
}

/// 256 bits of chance as text that a header and a cookie can hold.
pub fn chance() -> String {
    let mut bytes = [0; 32];
    // The system's source does not fail once it runs; without chance there is nothing to go on with.
    SystemRandom::new().fill(&mut bytes).expect("the system has a source of chance");
    URL_SAFE_NO_PAD.encode(bytes)
}

/// A token, and what the settings keep of it.
pub fn new_token() -> (String, String) {
    let token = chance();
    let hash: String =
        digest(&SHA256, token.as_bytes()).as_ref().iter().map(|byte| format!("{byte:02x}")).collect();
    (token, format!("sha256:{hash}"))
}

pub use password::hash;

#[cfg(test)]
mod tests;
