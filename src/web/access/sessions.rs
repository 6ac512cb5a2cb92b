//! Browsers that signed in.

use std::collections::HashMap;
use std::sync::{Mutex, MutexGuard, PoisonError};
use std::time::Duration;

use ring::digest::{SHA256, digest};

use super::chance;

/// Sessions at a time: a household has a dozen, a builder's office some dozens. One more ends the one
/// that would have ended first, so that nobody who knows the password is kept out. Only who knows the
/// password opens one.
pub(in crate::web) const MAX_SESSIONS: usize = 256;

/// A session's key in the table: the hash of its id, so that looking it up takes the same time whatever
/// the id begins with.
type Key = [u8; 32];

/// The sessions. They are in memory: a restart signs everybody out.
#[derive(Debug)]
pub(in crate::web) struct Sessions {
    lasts_ms: i64,
    kept: Mutex<HashMap<Key, Session>>,
}

#[derive(Debug)]
struct Session {
    csrf: String,
    until_ms: i64,
}

impl Sessions {
    pub(super) fn new(lasts: Duration) -> Self {
        let lasts_ms = i64::try_from(lasts.as_millis()).unwrap_or(i64::MAX / 2);
        Self { lasts_ms, kept: Mutex::default() }
    }

    fn kept(&self) -> MutexGuard<'_, HashMap<Key, Session>> {
        self.kept.lock().unwrap_or_else(PoisonError::into_inner)
    }

    /// Opens one; gives its id.
    pub(super) fn open(&self, now_ms: i64) -> String {
        let id = chance();
        let mut kept = self.kept();
        kept.retain(|_, session| session.until_ms > now_ms);
        while kept.len() >= MAX_SESSIONS {
            let first = kept.iter().min_by_key(|(_, session)| session.until_ms).map(|(key, _)| *key);
            first.and_then(|key| kept.remove(&key));
        }
        kept.insert(key(&id), Session { csrf: chance(), until_ms: now_ms.saturating_add(self.lasts_ms) });
        id
    }

    /// What its forms have to hold, if there is a session of that id.
    pub(super) fn find(&self, id: &str, now_ms: i64) -> Option<String> {
        let kept = self.kept();
        let session = kept.get(&key(id)).filter(|session| session.until_ms > now_ms)?;
        Some(session.csrf.clone())
    }

    /// Ends them all.
    pub(super) fn close_all(&self) {
        self.kept().clear();
    }

    /// Ends it.
    pub(super) fn close(&self, id: &str) {
        self.kept().remove(&key(id));
    }
}

fn key(id: &str) -> Key {
    let mut key = [0; 32];
    key.copy_from_slice(digest(&SHA256, id.as_bytes()).as_ref());
    key
}
