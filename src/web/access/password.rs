//! Is it the password? Plain, or by its argon2id hash.

use std::sync::{Arc, Mutex, PoisonError};

use argon2::Argon2;
use argon2::password_hash::{PasswordHash, PasswordHasher as _, PasswordVerifier as _, SaltString};
use ring::hmac;
use ring::rand::{SecureRandom as _, SystemRandom};
use subtle::ConstantTimeEq as _;
use tokio::sync::Semaphore;

use crate::settings::{Password, Secret};

/// Longest password that is looked at.
const LONGEST: usize = 1024;
/// Hashes computed at a time. Each takes a core and 19 MiB for some 50 ms, on a computer that may have
/// two cores and a house to keep the books of; whoever comes meanwhile waits.
const AT_A_TIME: usize = 1;

/// Tells whether a password is right.
pub(super) struct Checker {
    password: Password,
    room: Arc<Semaphore>,
    /// A key that only this process has.
    key: hmac::Key,
    /// What the right password gave with that key: programs send it with each request, and must not
    /// cost a hash each. It says no more to whoever reads this memory than the requests in it do.
    known: Mutex<Option<hmac::Tag>>,
}

impl Checker {
    pub(super) fn new(password: Password) -> Self {
        let key = hmac::Key::generate(hmac::HMAC_SHA256, &SystemRandom::new());
        let key = key.expect("the system has a source of chance");
        Self { password, room: Arc::new(Semaphore::new(AT_A_TIME)), key, known: Mutex::default() }
    }

    pub(super) async fn is_right(&self, given: Vec<u8>) -> bool {
        if given.len() > LONGEST {
            return false;
        }
        let hash = match &self.password {
            Password::Plain(password) => return bool::from(password.reveal().as_bytes().ct_eq(&given)),
            Password::Hash(hash) => hash.clone(),
        };
        let tag = hmac::sign(&self.key, &given);
        let known = |known: &Option<hmac::Tag>| {
            known.is_some_and(|known| bool::from(known.as_ref().ct_eq(tag.as_ref())))
        };
        if known(&self.known.lock().unwrap_or_else(PoisonError::into_inner)) {
            return true;
        }
        let permit = Arc::clone(&self.room).acquire_owned().await.expect("the semaphore is never closed");
        let right = tokio::task::spawn_blocking(move || {
            // The permit goes with the work: a client that hangs up does not make room for more.
            let _permit = permit;
            verify(&hash, &given)
        });
        let right = right.await.unwrap_or(false);
        if right {
            *self.known.lock().unwrap_or_else(PoisonError::into_inner) = Some(tag);
        }
        right
    }
}

fn verify(hash: &Secret, given: &[u8]) -> bool {
    let parsed = PasswordHash::new(hash.reveal());
    parsed.is_ok_and(|hash| Argon2::default().verify_password(given, &hash).is_ok())
}

/// The hash of a password by argon2id (RFC 9106), in PHC string format, with 19 MiB and two passes.
///
/// The cost is the crate's default, which follows the OWASP Password Storage Cheat Sheet.
pub fn hash(password: &str) -> String {
    let mut salt = [0; 16];
    SystemRandom::new().fill(&mut salt).expect("the system has a source of chance");
    let salt = SaltString::encode_b64(&salt).expect("16 bytes are a salt");
    let hash = Argon2::default().hash_password(password.as_bytes(), &salt);
    hash.expect("the default cost, and a password of some bytes, can be hashed").to_string()
}
