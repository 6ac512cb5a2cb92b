//! Every relative link of the documents leads somewhere, and nothing unfinished is left behind.

use std::path::{Path, PathBuf};

use pulldown_cmark::{Event, Options, Parser, Tag, TagEnd};

/// Directories that hold no documents of this project.
const SKIPPED: &[&str] = &["target", ".git", "node_modules"];

/// Files below `directory` with one of `endings`, sorted.
fn files(directory: &Path, endings: &[&str]) -> Vec<PathBuf> {
    let mut found = Vec::new();
    for entry in std::fs::read_dir(directory).expect("a readable directory") {
        let path = entry.expect("a readable entry").path();
        let name = path.file_name().expect("a name").to_string_lossy().into_owned();
        if path.is_dir() {
            if !SKIPPED.contains(&name.as_str()) {
                found.extend(files(&path, endings));
            }
        } else if endings.iter().any(|ending| name.ends_with(ending)) {
            found.push(path);
        }
    }
    found.sort();
    found
}

/// What a Markdown text links to, pictures included, and the anchors that its headings make.
fn links_and_anchors(text: &str) -> (Vec<String>, Vec<String>) {
    let (mut links, mut anchors, mut heading) = (Vec::new(), Vec::new(), None::<String>);
    for event in Parser::new_ext(text, Options::ENABLE_TABLES) {
        match event {
            Event::Start(Tag::Link { dest_url, .. } | Tag::Image { dest_url, .. }) => {
                links.push(dest_url.to_string());
            }
            Event::Start(Tag::Heading { .. }) => heading = Some(String::new()),
            Event::End(TagEnd::Heading(_)) => anchors.extend(heading.take().map(|text| anchor(&text))),
            Event::Text(text) | Event::Code(text) => {
                if let Some(heading) = &mut heading {
                    heading.push_str(&text);
                }
            }
            _ => {}
        }
    }
    (links, anchors)
}

/// The anchor of a heading, as the common code hosts make it.
fn anchor(heading: &str) -> String {
    let kept = |c: &char| c.is_alphanumeric() || *c == ' ' || *c == '-' || *c == '_';
    heading.to_lowercase().chars().filter(kept).map(|c| if c == ' ' { '-' } else { c }).collect()
}

/// The links of one document that lead nowhere. `read` gives a file's text, or that it is a
/// directory or of another kind (`Some("")`), or that there is none.
fn broken(document: &Path, text: &str, read: impl Fn(&Path) -> Option<String>) -> Vec<String> {
    let (links, own) = links_and_anchors(text);
    let mut broken = Vec::new();
    for link in links {
        if link.contains("://") || link.starts_with("mailto:") {
            continue;
        }
        let (file, fragment) = link.split_once('#').unwrap_or((&link, ""));
        let target = document.parent().expect("a directory").join(file);
        let anchors = if file.is_empty() {
            own.clone()
        } else if let Some(text) = read(&target) {
            links_and_anchors(&text).1
        } else {
            broken.push(format!("{}: {link}: no such file", document.display()));
            continue;
        };
        if !fragment.is_empty()
            && target.extension().is_none_or(|ending| ending == "md")
            && !anchors.iter().any(|one| one == fragment)
        {
            broken.push(format!("{}: {link}: no such heading", document.display()));
        }
    }
    broken
}

#[test]
fn every_relative_link_leads_somewhere() {
    let root = Path::new(env!("CARGO_MANIFEST_DIR"));
    let documents = files(root, &[".md"]);
    assert!(!documents.is_empty());
    let read = |path: &Path| match path.extension() {
        Some(ending) if ending == "md" => std::fs::read_to_string(path).ok(),
        _ => path.exists().then(String::new),
    };
    let broken: Vec<String> = documents
        .iter()
        .flat_map(|path| broken(path, &std::fs::read_to_string(path).expect("a document"), read))
        .collect();
    assert!(broken.is_empty(), "{}", broken.join("\n"));
}

#[test]
fn nothing_unfinished_is_left_behind() {
    let root = Path::new(env!("CARGO_MANIFEST_DIR"));
    // Put together here, so that this file does not find itself.
    let marks = [
        ["TO", "DO"].concat(),
        ["FIX", "ME"].concat(),
        ["todo", "!("].concat(),
        ["unimplemented", "!("].concat(),
        ["#[ig", "nore"].concat(),
        ["not built", " yet"].concat(),
    ];
    let mut found = Vec::new();
    for path in files(root, &[".rs", ".md", ".toml", ".sh", ".py", ".service", ".conf"]) {
        let text = std::fs::read_to_string(&path).expect("a text");
        for (number, line) in text.lines().enumerate() {
            if marks.iter().any(|mark| line.contains(mark.as_str())) {
                found.push(format!("{}:{}: {}", path.display(), number + 1, line.trim()));
            }
        }
    }
    assert!(found.is_empty(), "{}", found.join("\n"));
}

#[test]
fn the_check_finds_broken_links() {
    let read = |path: &Path| match path.to_str().expect("UTF-8") {
        "docs/map.md" => Some("# The map\n## `every_s`, and more".to_owned()),
        "docs/../src" => Some(String::new()),
        _ => None,
    };
    let check = |text: &str, expected: &[&str]| {
        let found = broken(Path::new("docs/guide.md"), text, read);
        assert_eq!(found.len(), expected.len(), "{text}: {found:?}");
        for (fault, word) in found.iter().zip(expected) {
            assert!(fault.contains(word), "{fault}");
        }
    };
    check("[a](map.md) [b](../src) [c](https://example.org/x#y)", &[]);
    check("# Signs\n[a](#signs) [b](map.md#the-map) [c](map.md#every_s-and-more)", &[]);
    check("[a](gone.md) ![b](gone.svg)", &["gone.md: no such file", "gone.svg: no such file"]);
    check("[a](#signs) [b](map.md#gone)", &["#signs: no such heading", "map.md#gone"]);
    check("`[a](gone.md)`\n\n```\n[a](gone.md)\n```", &[]);
}
