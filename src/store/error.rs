//! What can go wrong with the store, for a caller who decides by it.

use std::path::PathBuf;

/// A result of the store.
pub type Result<T, E = Error> = std::result::Result<T, E>;

/// Why the store could not do it.
#[derive(Debug, thiserror::Error)]
pub enum Error {
    /// Another process writes this store.
    #[error("{}: another process holds this store; stop it (the daemon: `systemctl stop panelwright`), or choose another store directory", path.display())]
    Held {
        /// The lock file.
        path: PathBuf,
    },
    /// A newer version wrote it.
    #[error(
        "{}: written by a newer version (format {found}; this program knows formats up to {known}); \
         it is left untouched: install that version or restore a backup",
        path.display()
    )]
    Newer {
        /// The file.
        path: PathBuf,
        /// Its format.
        found: i64,
        /// The newest that this program knows.
        known: i64,
    },
    /// An older version wrote it, and only a writer may bring it to the present format.
    #[error(
        "{}: written by an older version (format {found} of {known}); starting the daemon, or `store repair`, \
         brings it to the present format",
        path.display()
    )]
    Older {
        /// The file.
        path: PathBuf,
        /// Its format.
        found: i64,
        /// The present one.
        known: i64,
    },
    /// Another process reads it.
    #[error("{}: another process reads this file; try again when it has ended", path.display())]
    Busy {
        /// The file.
        path: PathBuf,
    },
    /// There is a file of that name.
    #[error("{}: there is a file already; choose another name, or say --overwrite", path.display())]
    Exists {
        /// The file.
        path: PathBuf,
    },
    /// The file is a database of something else.
    #[error("{}: a database, but not a store of this program; it is left untouched", path.display())]
    Foreign {
        /// The file.
        path: PathBuf,
    },
    /// There is no store.
    #[error("{}: there is no store here yet; start the daemon first, or name its directory", path.display())]
    Missing {
        /// The file.
        path: PathBuf,
    },
    /// A file or directory could not be used.
    #[error("{}: {source}", path.display())]
    Io {
        /// Which.
        path: PathBuf,
        /// Why.
        source: std::io::Error,
    },
    /// SQLite refused.
    #[error("the store: {0}")]
    Sqlite(#[from] rusqlite::Error),
    /// A block or row does not decode.
    #[error("the store is damaged: {0}")]
    Damaged(String),
}

impl Error {
    /// Damage at `place`.
    pub(super) fn damaged(place: impl std::fmt::Display, fault: super::wire::Fault) -> Self {
        Self::Damaged(format!("{place}: {fault}"))
    }
}
