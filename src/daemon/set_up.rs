//! What the set-up pages need of the daemon: a look at what comes in, and the files of the maps.

use std::io::Write as _;
use std::path::{Path, PathBuf};

use anyhow::{Context as _, Result, anyhow, bail};
use futures_util::future::BoxFuture;
use tokio::sync::{mpsc, oneshot};

use super::intake::Control;
use super::observe::Observer;
use crate::clock::Clock;
use crate::site::{self, MAX_FILE};
use crate::web::{Seen, SetUp, Written};
use crate::{mqtt, publish};

/// Files that are looked through for a site's map; as many as are read at the start.
const MAX_FILES: usize = 10_000;

/// Sets sites up.
pub(super) struct Desk {
    observer: Observer,
    /// The directory of the maps.
    maps: PathBuf,
    control: mpsc::Sender<Control>,
    clock: Clock,
}

impl SetUp for Desk {
    fn look(&self, filter: &str) -> Result<Seen, String> {
        self.observer.look(filter)
    }

    fn map(&self, site: &str) -> Result<String, String> {
        let read = || {
            let (path, text) = find(&self.maps, site)?.ok_or_else(|| anyhow!("there is no map of {site}"))?;
            tracing::debug!(path = %path.display(), "a map is read to be added to");
            Ok::<_, anyhow::Error>(text)
        };
        read().map_err(|error| format!("{error:#}"))
    }

    fn write(&self, site: String, text: String) -> BoxFuture<'_, Result<Written, String>> {
        Box::pin(async move {
            let (maps, now) = (self.maps.clone(), self.clock.now());
            let stamp = jiff::Timestamp::from_millisecond(now.0 * 100).unwrap_or_default();
            let stamp = stamp.strftime("%Y-%m-%dT%H%M%SZ").to_string();
            let put = tokio::task::spawn_blocking(move || put(&maps, &site, &text, &stamp));
            let put = put.await.map_err(|error| error.to_string())?.map_err(|error| format!("{error:#}"))?;
            match self.reload().await {
                Ok(()) => {
                    tracing::info!(file = put.written.file, "a map was written by the set-up page");
                    Ok(put.written)
                }
                Err(error) => {
                    let undone = tokio::task::spawn_blocking(move || put.undo()).await;
                    let undone = undone.map_err(anyhow::Error::from).and_then(|undone| undone);
                    Err(match undone {
                        Ok(()) => format!("it is not put to use, and all is as it was: {error:#}"),
                        Err(undo) => format!("it is not put to use: {error:#}; and not taken back: {undo:#}"),
                    })
                }
            }
        })
    }
}

impl Desk {
    pub(super) fn new(
        maps: PathBuf,
        broker: &mqtt::Options,
        publish: &publish::Options,
        control: &mpsc::Sender<Control>,
        clock: Clock,
    ) -> Self {
        let observer = Observer::new(broker, publish.own_topics());
        Self { observer, maps, control: control.clone(), clock }
    }

    async fn reload(&self) -> Result<()> {
        let (answer, result) = oneshot::channel();
        self.control.send(Control::Reload(answer)).await.map_err(|_| anyhow!("the daemon has ended"))?;
        result.await.map_err(|_| anyhow!("the daemon has ended"))?
    }
}

/// A map that was put in its place, and how to take it back.
struct Put {
    path: PathBuf,
    former: Option<PathBuf>,
    written: Written,
}

impl Put {
    fn undo(self) -> Result<()> {
        match self.former {
            Some(former) => std::fs::rename(&former, &self.path)?,
            None => std::fs::remove_file(&self.path)?,
        }
        Ok(())
    }
}

/// The file of a site's map, and its text: whatever it is called, the id in it counts.
fn find(maps: &Path, site: &str) -> Result<Option<(PathBuf, String)>> {
    let entries = std::fs::read_dir(maps).with_context(|| format!("cannot read {}", maps.display()))?;
    let mut paths: Vec<PathBuf> =
        entries.take(MAX_FILES).filter_map(|entry| Some(entry.ok()?.path())).collect();
    paths.sort();
    for path in paths {
        let hidden = path.file_name().is_some_and(|name| name.as_encoded_bytes().starts_with(b"."));
        let is_map = path.extension().is_some_and(|end| end == "toml");
        if hidden || !is_map || path.metadata()?.len() > MAX_FILE as u64 {
            continue;
        }
        let Ok(text) = read(&path) else { continue };
        let document: toml::Table = text.parse().unwrap_or_default();
        if document.get("site").and_then(toml::Value::as_str) == Some(site) {
            return Ok(Some((path, text)));
        }
    }
    Ok(None)
}

#[expect(clippy::disallowed_methods, reason = "maps are files")]
fn read(path: &Path) -> std::io::Result<String> {
    std::fs::read_to_string(path)
}

/// Puts a map in its place, whole or not at all, and keeps the former one dated beside it.
fn put(maps: &Path, site: &str, text: &str, stamp: &str) -> Result<Put> {
    // The id becomes a file's name. The rules of the map say the same; this does not lean on them.
    let plain = |c: char| c.is_ascii_lowercase() || c.is_ascii_digit() || c == '-';
    if site.is_empty() || site.len() > 64 || !site.chars().all(plain) || site.starts_with('-') {
        bail!("{site:?} is no id of a site");
    }
    let parsed = site::parse("the new map", text).site;
    if parsed.is_none_or(|parsed| parsed.id != site) {
        bail!("the rules do not take this map");
    }
    let path = match find(maps, site)? {
        Some((path, _)) => path,
        None => {
            let path = maps.join(format!("{site}.toml"));
            if path.symlink_metadata().is_ok() {
                bail!("{} is there already, and holds another site", path.display());
            }
            path
        }
    };
    let mut new = tempfile::Builder::new()
        .prefix(".panelwright-map-")
        .permissions(std::os::unix::fs::PermissionsExt::from_mode(0o666))
        .tempfile_in(maps)
        .with_context(|| format!("cannot write in {}", maps.display()))?;
    new.write_all(text.as_bytes()).and_then(|()| new.as_file().sync_all()).context("cannot write the map")?;
    let name = |path: &Path| path.file_name().unwrap_or_default().to_string_lossy().into_owned();
    let former = match path.symlink_metadata() {
        Ok(_) => {
            // Not `.toml` at its end: it is no map any more.
            let former = maps.join(format!("{}.{stamp}", name(&path)));
            // Where a directory takes no links, a copy.
            std::fs::hard_link(&path, &former)
                .or_else(|_| std::fs::copy(&path, &former).map(drop))
                .with_context(|| format!("cannot keep the former map as {}", former.display()))?;
            Some(former)
        }
        Err(_) => None,
    };
    new.persist(&path)
        .map_err(|error| error.error)
        .with_context(|| format!("cannot write {}", path.display()))?;
    let written = Written { file: name(&path), former: former.as_deref().map(name) };
    Ok(Put { path, former, written })
}

#[cfg(test)]
#[expect(clippy::disallowed_methods, reason = "the tests look at the files")]
mod tests {
    use super::*;

    const MAP: &str = include_str!("../../config/sites/heron-lane.toml");

    #[test]
    fn a_map_takes_its_place_and_the_former_one_is_kept() {
        let directory = tempfile::tempdir().expect("a directory");
        let at = |name: &str| directory.path().join(name);
        let first = put(directory.path(), "heron-lane", MAP, "1").expect("written");
        assert_eq!(first.written, Written { file: "heron-lane.toml".into(), former: None });
        // By whatever name: the id counts.
        std::fs::rename(at("heron-lane.toml"), at("farmhouse.toml")).expect("renamed");
        let changed = format!("{MAP}\n# changed\n");
        let second = put(directory.path(), "heron-lane", &changed, "2").expect("written");
        assert_eq!(second.written.former.as_deref(), Some("farmhouse.toml.2"));
        assert_eq!(read(&at("farmhouse.toml")).expect("a map"), changed);
        assert_eq!(read(&at("farmhouse.toml.2")).expect("a map"), MAP);
        second.undo().expect("taken back");
        assert_eq!(read(&at("farmhouse.toml")).expect("a map"), MAP);
        assert_eq!(
            std::fs::read_dir(directory.path()).expect("a directory").count(),
            1,
            "nothing is left over"
        );
        first.undo().expect_err("it is not there any more");
    }

    #[test]
    fn no_id_leads_out_of_the_directory() {
        let outer = tempfile::tempdir().expect("a directory");
        let maps = outer.path().join("sites");
        std::fs::create_dir(&maps).expect("a directory");
        for id in ["", "..", "../x", "/etc/x", "a/b", "a\\b", ".hidden", "-x", "UP", "a\0b", &"x".repeat(65)]
        {
            assert!(put(&maps, id, MAP, "1").is_err(), "{id:?}");
        }
        assert!(put(&maps, "other", MAP, "1").is_err(), "the id of the map and of the file are one");
        std::fs::write(maps.join("heron-lane.toml"), "site = \"other\"").expect("written");
        assert!(put(&maps, "heron-lane", MAP, "1").is_err(), "another site's file is left alone");
        assert_eq!(std::fs::read_dir(outer.path()).expect("a directory").count(), 1);
        assert_eq!(std::fs::read_dir(&maps).expect("a directory").count(), 1);
    }
}
