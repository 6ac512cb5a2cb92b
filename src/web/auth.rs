//! HTTP Basic authentication (RFC 7617) with one user, and a brake on guessing.

use std::sync::Mutex;
use std::sync::PoisonError;

use axum::http::{HeaderMap, StatusCode, header};
use base64::Engine as _;
use base64::engine::general_purpose::STANDARD;
use subtle::ConstantTimeEq as _;

use super::USER;
use super::answer::Refusal;
use crate::clock::Clock;
use crate::settings::Secret;

/// Wrong passwords in a row before the brake holds: a browser with an old password, and a few
/// slips of the fingers.
const BURST: f64 = 20.0;
/// Wrong passwords a second in the long run. At one a second, guessing eight random letters
/// and digits takes longer than the house will stand.
const PER_SECOND: f64 = 1.0;

/// How many more wrong passwords are heard, for all clients together: a count for each address
/// would be no bound, since addresses are cheap.
#[derive(Debug)]
pub(super) struct Attempts {
    clock: Clock,
    left: Mutex<Left>,
}

#[derive(Debug)]
struct Left {
    attempts: f64,
    at_ms: i64,
}

impl Attempts {
    pub(super) fn new(clock: Clock) -> Self {
        Self { clock, left: Mutex::new(Left { attempts: BURST, at_ms: clock.now_ms() }) }
    }

    /// Whether an attempt may be heard; `spend` counts one that was wrong.
    fn take(&self, spend: f64) -> bool {
        let now_ms = self.clock.now_ms();
        let mut left = self.left.lock().unwrap_or_else(PoisonError::into_inner);
        // A clock that was set back gives nothing and takes nothing.
        let passed_s = (now_ms - left.at_ms).max(0) as f64 / 1000.0;
        left.attempts = (left.attempts + passed_s * PER_SECOND).min(BURST);
        left.at_ms = now_ms;
        if left.attempts < 1.0 {
            return false;
        }
        left.attempts -= spend;
        true
    }
}

/// Whether the request names the user and the password.
///
/// While the brake holds nobody's password is heard, the right one neither: else guessing would go
/// on unbraked, each answer telling whether the guess was right.
pub(super) fn check(headers: &HeaderMap, password: &Secret, attempts: &Attempts) -> Result<(), Refusal> {
    const CHALLENGE: &str = "Basic realm=\"panelwright\", charset=\"UTF-8\"";
    let refused = |error: &str| {
        let hint = format!("send HTTP Basic authentication: user {USER}, password from web.password_file");
        Refusal::new(StatusCode::UNAUTHORIZED, error, hint).with(header::WWW_AUTHENTICATE, CHALLENGE)
    };
    let Some(sent) = headers.get(header::AUTHORIZATION) else {
        // Every browser asks without one first: that is no guess.
        return Err(refused("a password is needed"));
    };
    if !attempts.take(0.0) {
        let error = "there were too many wrong passwords";
        return Err(Refusal::new(StatusCode::TOO_MANY_REQUESTS, error, "try again in some seconds")
            .with(header::RETRY_AFTER, "5"));
    }
    let expected = format!("{USER}:{}", password.reveal());
    let right = credentials(sent.as_bytes()).is_some_and(|sent| bool::from(sent.ct_eq(expected.as_bytes())));
    if right {
        return Ok(());
    }
    attempts.take(1.0);
    Err(refused("user or password is wrong"))
}

/// `user:password` out of `Basic <base64>`.
fn credentials(header: &[u8]) -> Option<Vec<u8>> {
    let (scheme, encoded) = header.split_at_checked(6)?;
    if !scheme.eq_ignore_ascii_case(b"basic ") {
        return None;
    }
    STANDARD.decode(encoded.trim_ascii()).ok()
}
