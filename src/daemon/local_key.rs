//! The key by which commands on this machine ask the API where a password is set.
//!
//! Who can read the store can read all that the API tells: so the key lies beside the store, for the
//! same eyes. It outlives the daemon, so that a command that watches goes on after a restart.

use std::io::Write as _;
use std::path::Path;

use anyhow::{Context as _, Result};

use crate::settings::{self, Secret};
use crate::web;

/// Shorter than this no key of ours is; another file was put in its place.
const LENGTH: usize = 43;

/// The key beside a store; made if there is none.
///
/// # Errors
/// It cannot be written.
pub(super) fn local_key(directory: &Path) -> Result<Secret> {
    let path = settings::local_key(directory);
    if let Ok(key) = settings::read_secret(&path)
        && key.reveal().len() == LENGTH
    {
        return Ok(key);
    }
    let key = web::access::chance();
    let write = || -> std::io::Result<()> {
        // Made with mode 600, and in its place whole or not at all.
        let mut file = tempfile::NamedTempFile::new_in(directory)?;
        file.write_all(key.as_bytes())?;
        file.persist(&path)?;
        Ok(())
    };
    write().with_context(|| format!("cannot write {}", path.display()))?;
    Ok(Secret::new(key))
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn it_is_made_once() {
        let directory = tempfile::tempdir().expect("a directory");
        let first = local_key(directory.path()).expect("made");
        assert_eq!(first.reveal().len(), LENGTH);
        assert_eq!(local_key(directory.path()).expect("read").reveal(), first.reveal());
    }
}
