//! Secrets: read from files that only their owner can read, and never shown.

use std::fmt;
use std::fs;
use std::io::Read as _;
use std::os::unix::fs::PermissionsExt as _;
use std::path::Path;

/// More than any password or token; a larger file was named by mistake.
const MAX_BYTES: u64 = 16 * 1024;

/// A password or token. It prints as dots.
#[derive(Clone, PartialEq, Eq)]
pub struct Secret(String);

impl Secret {
    /// Wraps a secret.
    pub fn new(text: impl Into<String>) -> Self {
        Self(text.into())
    }

    /// The secret itself, for the one place that sends or compares it.
    pub fn reveal(&self) -> &str {
        &self.0
    }
}

impl fmt::Debug for Secret {
    fn fmt(&self, f: &mut fmt::Formatter<'_>) -> fmt::Result {
        f.write_str("Secret(…)")
    }
}

/// Why a file cannot serve, and what to do.
pub(super) struct Unfit {
    pub(super) what: String,
    pub(super) hint: String,
}

/// Reads a secret: the file's text without the line break at its end.
#[expect(clippy::disallowed_methods, reason = "settings are where secrets enter")]
pub(super) fn read(path: &Path) -> Result<Secret, Unfit> {
    check_private(path)?;
    let shown = path.display();
    let mut text = String::new();
    fs::File::open(path)
        .and_then(|file| file.take(MAX_BYTES + 1).read_to_string(&mut text))
        .map_err(|error| unreadable(path, &error))?;
    if text.len() as u64 > MAX_BYTES {
        let what = format!("{shown} holds more than {MAX_BYTES} bytes, which no secret does");
        return Err(Unfit { what, hint: "name the file that holds the secret alone".into() });
    }
    let secret = text.trim_end_matches(['\n', '\r']);
    if secret.is_empty() {
        let hint = "write the secret into it, on one line".into();
        return Err(Unfit { what: format!("{shown} is empty"), hint });
    }
    Ok(Secret::new(secret))
}

/// Refuses a file that is absent, or that any user of the machine can read or change. Its group
/// may read it: service managers hand secrets over that way.
pub(super) fn check_private(path: &Path) -> Result<(), Unfit> {
    let mode = fs::metadata(path).map_err(|error| unreadable(path, &error))?.permissions().mode();
    if mode & 0o027 == 0 {
        return Ok(());
    }
    let shown = path.display();
    let what = format!("{shown} can be read or changed by others (mode {:o})", mode & 0o777);
    Err(Unfit { what, hint: format!("run: chmod 600 {shown}") })
}

/// Refuses a file that cannot be read.
#[expect(clippy::disallowed_methods, reason = "settings check the files that they name")]
pub(super) fn check_readable(path: &Path) -> Result<(), Unfit> {
    fs::File::open(path).map(drop).map_err(|error| unreadable(path, &error))
}

fn unreadable(path: &Path, error: &std::io::Error) -> Unfit {
    Unfit {
        what: format!("{} cannot be read: {error}", path.display()),
        hint: "name a file that this user can read".into(),
    }
}
