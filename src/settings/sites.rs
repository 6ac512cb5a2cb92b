//! The maps: every `*.toml` of the sites' directory, read, checked, and each site's id seen once.

use std::collections::BTreeMap;
use std::fs;
use std::io::Read as _;
use std::path::{Path, PathBuf};

use crate::site::{self, Finding, MAX_FILE, Severity, Site};

/// Sites that one daemon keeps: ten times what the memory target is set for. More files than
/// this are another directory, named by mistake.
const MAX_SITES: usize = 10_000;

/// The rule of a directory without a map.
pub const NO_MAP: &str = "no-map";

/// Reads every map in `directory`, in the order of the file names. Files that are hidden or do
/// not end in `.toml` are no maps.
///
/// The sites are those without an error of their own; the findings are of all files, and an error
/// among them means that the maps as a whole must not be put to use.
pub fn load_sites(directory: &Path) -> (Vec<Site>, Vec<Finding>) {
    let mut findings = Vec::new();
    let files = match list(directory) {
        Ok(files) => files,
        Err(error) => {
            let what = format!("the directory of maps cannot be read: {error}");
            findings.push(finding(
                "maps-unreadable",
                directory,
                what,
                "write sites.directory in the settings",
            ));
            return (Vec::new(), findings);
        }
    };
    if files.is_empty() {
        let what = "there is no map in this directory".to_owned();
        findings.push(finding(NO_MAP, directory, what, "put a file such as heron-lane.toml into it"));
    }
    if files.len() > MAX_SITES {
        let what = format!("there are {} maps in this directory", files.len());
        findings.push(finding("too-many-maps", directory, what, &format!("keep at most {MAX_SITES}")));
    }
    let mut sites = Vec::new();
    let mut seen = BTreeMap::new();
    for path in files.iter().take(MAX_SITES) {
        let text = match read(path) {
            Ok(text) => text,
            Err(error) => {
                let what = format!("this map cannot be read: {error}");
                findings.push(finding(
                    "map-unreadable",
                    path,
                    what,
                    "make it a text file that this user can read",
                ));
                continue;
            }
        };
        let parsed = site::parse(&path.display().to_string(), &text);
        findings.extend(parsed.findings);
        findings.extend(parsed.trade);
        let Some(site) = parsed.site else { continue };
        if let Some(other) = seen.get(&site.id) {
            let what = format!("site {:?} is in {other} already", site.id);
            findings.push(finding("site-twice", path, what, "give each site an id of its own"));
            continue;
        }
        seen.insert(site.id.clone(), path.display().to_string());
        sites.push(site);
    }
    (sites, findings)
}

/// The maps of a directory, by name.
fn list(directory: &Path) -> std::io::Result<Vec<PathBuf>> {
    let mut files = Vec::new();
    for entry in fs::read_dir(directory)? {
        let path = entry?.path();
        let hidden = path.file_name().is_some_and(|name| name.as_encoded_bytes().starts_with(b"."));
        if !hidden && path.extension().is_some_and(|extension| extension == "toml") {
            files.push(path);
        }
    }
    files.sort();
    Ok(files)
}

/// The text of a map, to one byte beyond the bound: the map's own rules refuse what is longer.
#[expect(clippy::disallowed_methods, reason = "settings are where maps enter")]
fn read(path: &Path) -> std::io::Result<String> {
    let mut text = String::new();
    fs::File::open(path)?.take(MAX_FILE as u64 + 1).read_to_string(&mut text)?;
    Ok(text)
}

/// A finding about a file or directory as a whole.
fn finding(rule: &'static str, path: &Path, what: String, write: &str) -> Finding {
    Finding {
        severity: Severity::Error,
        rule,
        file: path.display().to_string(),
        line: 1,
        what,
        why: "figures follow from the maps".into(),
        write: write.into(),
        source: None,
        accepted: None,
    }
}

#[cfg(test)]
#[expect(clippy::disallowed_methods, reason = "the tests write the maps that are read")]
mod tests {
    use super::*;

    const MAP: &str = include_str!("../../config/sites/heron-lane.toml");

    fn told(directory: &Path) -> (Vec<String>, Vec<String>) {
        let (sites, findings) = load_sites(directory);
        let errors = findings.iter().filter(|finding| finding.severity == Severity::Error);
        let shown = errors.map(|f| f.to_string().replace(&format!("{}", directory.display()), "sites"));
        (sites.into_iter().map(|site| site.id).collect(), shown.collect())
    }

    #[test]
    fn maps_are_read_in_the_order_of_their_names() {
        let directory = tempfile::tempdir().expect("a temporary directory");
        let write = |name: &str, id: &str| {
            let text = MAP.replace("site = \"heron-lane\"", &format!("site = \"{id}\""));
            fs::write(directory.path().join(name), text).expect("write");
        };
        write("b.toml", "second");
        write("a.toml", "first");
        write(".c.toml.swp", "hidden");
        write(".d.toml", "hidden-too");
        write("a.toml~", "backup");
        assert_eq!(told(directory.path()), (vec!["first".into(), "second".into()], vec![]));
        write("c.toml", "first");
        let twice = "sites/c.toml:1: error: site \"first\" is in sites/a.toml already; figures follow from the \
                     maps; give each site an id of its own";
        let (sites, errors) = told(directory.path());
        let shown: Vec<_> =
            errors.iter().map(|e| e.replace(&directory.path().display().to_string(), "sites")).collect();
        assert_eq!((sites.len(), shown), (2, vec![twice.to_owned()]));
    }

    #[test]
    fn what_cannot_be_read_is_told() {
        let directory = tempfile::tempdir().expect("a temporary directory");
        let (sites, errors) = told(directory.path());
        assert!(sites.is_empty() && errors[0].contains("there is no map in this directory"), "{errors:?}");
        let (_, errors) = told(&directory.path().join("absent"));
        assert!(errors[0].contains("the directory of maps cannot be read"), "{errors:?}");
        fs::write(directory.path().join("a.toml"), b"site = \"\xff\"").expect("write");
        fs::write(directory.path().join("b.toml"), "site = 5").expect("write");
        let (_, errors) = told(directory.path());
        assert!(errors[0].starts_with("sites/a.toml:1: error: this map cannot be read"), "{errors:?}");
        assert!(errors[1].starts_with("sites/b.toml:1: error: "), "{errors:?}");
    }
}
