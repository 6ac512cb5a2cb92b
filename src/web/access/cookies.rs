//! Cookies (RFC 6265): two that hold nothing but chance, and one that says how numbers are liked.

use std::fmt;
use std::time::Duration;

use axum::http::{HeaderMap, HeaderValue, header};

/// The cookie of a session.
pub(in crate::web) const SESSION: &str = "panelwright-session";
/// The cookie of a browser that signed in with a token.
pub(in crate::web) const TOKEN: &str = "panelwright-token";

/// The cookie of how a reader likes numbers.
pub(in crate::web) const NUMBERS: &str = "panelwright-numbers";

/// A cookie to be set; one that lasts no time is forgotten.
#[derive(Clone, PartialEq, Eq)]
pub(in crate::web) struct Cookie {
    pub(super) name: &'static str,
    pub(super) value: String,
    pub(super) lasts: Duration,
    /// The path that it is for, without a slash at its end.
    pub(super) base: String,
    pub(super) secure: bool,
}

impl fmt::Debug for Cookie {
    fn fmt(&self, f: &mut fmt::Formatter<'_>) -> fmt::Result {
        write!(f, "Cookie({}=…)", self.name)
    }
}

impl Cookie {
    /// As the `Set-Cookie` header has it. `Lax`: a link from elsewhere leads to the page of somebody who
    /// is signed in, a form from elsewhere does not.
    pub(in crate::web) fn header(&self) -> HeaderValue {
        let Self { name, value, lasts, base, secure } = self;
        let secure = if *secure { "; Secure" } else { "" };
        let text = format!(
            "{name}={value}; Path={base}/; Max-Age={}; HttpOnly; SameSite=Lax{secure}",
            lasts.as_secs()
        );
        HeaderValue::from_str(&text)
            .expect("chance as base64, the name of a way to write, and a path that the settings checked are plain text")
    }
}

/// The value of a cookie that a client sent.
pub(in crate::web) fn find<'a>(headers: &'a HeaderMap, name: &str) -> Option<&'a str> {
    let sent = headers.get_all(header::COOKIE).iter().filter_map(|value| value.to_str().ok());
    let mut pairs = sent.flat_map(|line| line.split(';')).filter_map(|pair| pair.trim().split_once('='));
    pairs.find(|(other, _)| *other == name).map(|(_, value)| value)
}
