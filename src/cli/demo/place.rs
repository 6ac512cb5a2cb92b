//! Where the demo keeps its files: settings, map and store, laid out as a real service has them, so
//! that every other command works on them.

use std::collections::BTreeMap;
use std::net::SocketAddr;
use std::path::{Path, PathBuf};

use anyhow::{Context, Result, anyhow, bail};
use tempfile::TempDir;

use crate::settings::{self, Settings};
use crate::site::{Severity, Site};
use crate::store;

/// The demo's directory.
pub(super) struct Place {
    directory: PathBuf,
    /// Removed when this is dropped.
    temporary: Option<TempDir>,
}

impl Place {
    /// Writes settings and map to `directory`, or to a temporary one.
    pub(super) fn prepare(
        directory: Option<&Path>,
        map: &str,
        broker: SocketAddr,
        api_port: u16,
    ) -> Result<Self> {
        let temporary = match directory {
            Some(_) => None,
            None => {
                let made = tempfile::Builder::new().prefix("panelwright-demo-").tempdir();
                Some(made.context("no temporary directory could be made: name one with --data")?)
            }
        };
        let directory = match (&temporary, directory) {
            (Some(temporary), _) => temporary.path().to_owned(),
            (None, Some(directory)) => directory.to_owned(),
            (None, None) => return Err(anyhow!("there is no directory")),
        };
        let place = Self { directory, temporary };
        std::fs::create_dir_all(place.maps_directory())
            .with_context(|| format!("{} could not be made", place.maps_directory().display()))?;
        write(&place.settings_file(), &settings_text(broker, api_port))?;
        write(&place.map_file(), map)?;
        Ok(place)
    }

    /// The settings, for other commands.
    pub(super) fn settings_file(&self) -> PathBuf {
        self.directory.join("panelwright.toml")
    }

    /// The map of the invented house.
    pub(super) fn map_file(&self) -> PathBuf {
        self.maps_directory().join("heron-lane.toml")
    }

    fn maps_directory(&self) -> PathBuf {
        self.directory.join("sites")
    }

    /// The store.
    pub(super) fn store_directory(&self) -> PathBuf {
        self.directory.join("store")
    }

    /// Whether a demo before this one left a store.
    pub(super) fn has_store(&self) -> bool {
        self.store_directory().join(store::FILE_NAME).exists()
    }

    /// The store, for history that is laid in.
    pub(super) fn store_options(&self) -> store::Options {
        store::Options {
            directory: self.store_directory(),
            centrals: Vec::new(),
            keep: store::Keep::default(),
        }
    }

    /// Whether all of it goes when the demo ends.
    pub(super) fn is_temporary(&self) -> bool {
        self.temporary.is_some()
    }

    /// The settings as a daemon reads them; the environment has no say in a demo.
    pub(super) fn settings(&self) -> Result<Settings> {
        settings::load(Some(&self.settings_file()), BTreeMap::new())
            .map_err(|problems| anyhow!("the demo's own settings are refused: {problems}"))
    }

    /// The house.
    pub(super) fn site(&self) -> Result<Site> {
        let sites = read_sites(&self.maps_directory())?;
        // The demo's own file is one of them, whatever else lies there.
        let house = sites.into_iter().find(|site| site.id == "heron-lane");
        house.context("the demo's own map is missing")
    }

    /// How the daemon reads the map, at its start and when it is told to again.
    pub(super) fn load_maps(&self) -> Box<dyn Fn() -> Result<Vec<Site>> + Send> {
        let directory = self.maps_directory();
        Box::new(move || read_sites(&directory))
    }
}

fn read_sites(directory: &Path) -> Result<Vec<Site>> {
    let (sites, findings) = settings::load_sites(directory);
    if findings.iter().any(|finding| finding.severity == Severity::Error) {
        let findings: Vec<_> = findings.iter().map(ToString::to_string).collect();
        bail!("the map in {} is refused:\n{}", directory.display(), findings.join("\n"));
    }
    Ok(sites)
}

#[expect(clippy::disallowed_methods, reason = "the demo writes settings and map for people to look at")]
fn write(file: &Path, text: &str) -> Result<()> {
    std::fs::write(file, text).with_context(|| format!("{} could not be written", file.display()))
}

fn settings_text(broker: SocketAddr, api_port: u16) -> String {
    format!(
        "# Written by `panelwright demo` at each start. The house and all its data are invented.

[broker]
url = \"mqtt://{broker}\"     # the broker inside the demo; it ends with it

[store]
directory = \"store\"
commit_every_s = 1

[sites]
directory = \"sites\"

[web]
listen = \"127.0.0.1:{api_port}\"

[log]
level = \"warn\"
"
    )
}
