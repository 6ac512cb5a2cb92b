//! Where a command's file goes: standard output, or a file that is there whole or not at all.

use std::fs::Permissions;
use std::io::{self, BufWriter, Write};
use std::os::unix::fs::{OpenOptionsExt as _, PermissionsExt as _};
use std::path::{Path, PathBuf};

use anyhow::{Context as _, Result};
use tempfile::NamedTempFile;

/// An open output.
#[derive(Debug)]
pub(super) enum Out {
    Standard(BufWriter<io::Stdout>),
    /// Written beside the file that it becomes.
    File(BufWriter<NamedTempFile>, PathBuf),
}

impl Out {
    /// The file, or standard output where none is named (or `-`).
    pub(super) fn open(path: Option<&Path>) -> Result<Self> {
        let Some(path) = path.filter(|path| *path != Path::new("-")) else {
            return Ok(Self::Standard(BufWriter::new(io::stdout())));
        };
        let directory =
            path.parent().filter(|parent| !parent.as_os_str().is_empty()).unwrap_or(Path::new("."));
        let file = tempfile::Builder::new()
            .prefix(".panelwright-export-")
            // Like any file that its owner writes: the umask takes its part away.
            .permissions(Permissions::from_mode(0o666))
            .tempfile_in(directory)
            .with_context(|| format!("cannot write in {}", directory.display()))?;
        Ok(Self::File(BufWriter::new(file), path.to_owned()))
    }

    /// Writes.
    pub(super) fn put(&mut self, text: &str) -> io::Result<()> {
        match self {
            Self::Standard(out) => out.write_all(text.as_bytes()),
            Self::File(out, _) => out.write_all(text.as_bytes()),
        }
    }

    /// Puts the whole file in its place, on the disk.
    pub(super) fn finish(self) -> Result<()> {
        match self {
            Self::Standard(mut out) => match out.flush() {
                // `| head` has seen enough.
                Err(error) if error.kind() != io::ErrorKind::BrokenPipe => {
                    Err(error).context("standard output")
                }
                _ => Ok(()),
            },
            Self::File(out, path) => {
                let shown = path.display().to_string();
                let file = out.into_inner().map_err(io::IntoInnerError::into_error).context(shown.clone())?;
                file.as_file().sync_all().context(shown.clone())?;
                file.persist(&path).map_err(|error| error.error).context(shown)?;
                Ok(())
            }
        }
    }
}

/// Writes a new file that only its owner can read.
///
/// # Errors
/// There is such a file already, or it cannot be written.
pub(super) fn new_secret(path: &Path, text: &str) -> Result<()> {
    let shown = path.display();
    let mut file = std::fs::OpenOptions::new()
        .write(true)
        .create_new(true)
        .mode(0o600)
        .open(path)
        .with_context(|| format!("cannot make {shown}; a file that is there is not written over"))?;
    file.write_all(text.as_bytes())
        .and_then(|()| file.sync_all())
        .with_context(|| format!("cannot write {shown}"))
}
