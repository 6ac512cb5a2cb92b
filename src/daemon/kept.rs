//! Small files beside the store that have to outlive a power cut: written whole, then put in place.

use std::fs::File;
use std::io::{Read as _, Write as _};
use std::path::{Path, PathBuf};

use anyhow::{Context, Result};
use serde::Serialize;
use serde::de::DeserializeOwned;

/// Far more than ten thousand sites' topics take; what is larger was not written here.
const MAX_BYTES: u64 = 256 << 20;

/// A file of one JSON value.
#[derive(Clone, Debug)]
pub(super) struct Kept {
    directory: PathBuf,
    name: &'static str,
}

impl Kept {
    pub(super) fn new(directory: &Path, name: &'static str) -> Self {
        Self { directory: directory.to_owned(), name }
    }

    /// What was written last; `None` if nothing ever was.
    #[expect(clippy::disallowed_methods, reason = "what is kept is kept in files")]
    pub(super) fn read<T: DeserializeOwned>(&self) -> Result<Option<T>> {
        let path = self.directory.join(self.name);
        let mut text = String::new();
        match File::open(&path) {
            Ok(file) => file.take(MAX_BYTES).read_to_string(&mut text),
            Err(error) if error.kind() == std::io::ErrorKind::NotFound => return Ok(None),
            Err(error) => Err(error),
        }
        .with_context(|| format!("cannot read {}", path.display()))?;
        let value = serde_json::from_str(&text);
        value.map(Some).with_context(|| format!("{} does not read: move it away", path.display()))
    }

    /// Writes it so that either the former or the new value is found after a power cut at any moment.
    #[expect(clippy::disallowed_methods, reason = "what is kept is kept in files")]
    pub(super) fn write<T: Serialize>(&self, value: &T) -> Result<()> {
        let path = self.directory.join(self.name);
        let write = || -> std::io::Result<()> {
            let mut file = tempfile::NamedTempFile::new_in(&self.directory)?;
            file.write_all(&serde_json::to_vec(value)?)?;
            file.as_file().sync_all()?;
            file.persist(&path).map_err(|error| error.error)?;
            File::open(&self.directory)?.sync_all()
        };
        write().with_context(|| format!("cannot write {}", path.display()))
    }
}

#[cfg(test)]
#[expect(clippy::disallowed_methods, reason = "the test damages the file")]
mod tests {
    use super::*;

    #[test]
    fn what_is_written_is_read_and_what_is_damaged_is_told() {
        let directory = tempfile::tempdir().expect("a temporary directory");
        let kept = Kept::new(directory.path(), "numbers.json");
        assert_eq!(kept.read::<Vec<u32>>().expect("no file is fine"), None);
        kept.write(&vec![1, 2]).expect("written");
        kept.write(&vec![3]).expect("written again");
        assert_eq!(kept.read::<Vec<u32>>().expect("read"), Some(vec![3]));
        assert_eq!(std::fs::read_dir(directory.path()).expect("a directory").count(), 1, "no leftovers");
        std::fs::write(directory.path().join("numbers.json"), "[3").expect("damaged");
        let error = kept.read::<Vec<u32>>().expect_err("damaged").to_string();
        assert!(error.contains("numbers.json does not read"), "{error}");
    }
}
