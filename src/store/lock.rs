//! One writer a store: an exclusive lock on a file beside it, released by the system when the
//! process ends in whatever way.

use std::fs::{File, OpenOptions, TryLockError};
use std::path::Path;

use super::{Error, Result};

const NAME: &str = "panelwright.lock";

/// Held for as long as the store is open for writing.
#[derive(Debug)]
pub(super) struct Lock {
    _file: File,
}

impl Lock {
    /// Takes the lock of `directory`, which is created if need be.
    pub(super) fn take(directory: &Path) -> Result<Self> {
        let fail = |path: &Path, source| Error::Io { path: path.to_owned(), source };
        std::fs::create_dir_all(directory).map_err(|source| fail(directory, source))?;
        let path = directory.join(NAME);
        let file = OpenOptions::new()
            .create(true)
            .truncate(false)
            .write(true)
            .open(&path)
            .map_err(|source| fail(&path, source))?;
        match file.try_lock() {
            Ok(()) => Ok(Self { _file: file }),
            Err(TryLockError::WouldBlock) => Err(Error::Held { path }),
            Err(TryLockError::Error(source)) => Err(fail(&path, source)),
        }
    }
}
