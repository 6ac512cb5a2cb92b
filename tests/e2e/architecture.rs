//! The shape of the source itself: arrows that only point down, a core that touches nothing, files
//! and functions that stay readable.
//!
//! Sources are read as tokens, so that comments and strings cannot fool the checks and the insides
//! of macros count too. Code under `#[cfg(test)]` may reach upwards.

use std::path::{Path, PathBuf};

use proc_macro2::{Delimiter, TokenStream, TokenTree};

/// Longest file, in lines: past it an idea has split and the file has not.
const FILE_LINES: usize = 600;

/// Longest function, in lines from `fn` to its closing brace.
const FUNCTION_LINES: usize = 70;

/// What the core must not name, as leading path segments, and why.
const BANNED: &[(&str, &str)] = &[
    ("std::fs", "the core touches no file"),
    ("std::net", "the core touches no socket"),
    ("std::env", "settings come in through settings.rs"),
    ("std::io", "the core does no input or output"),
    ("std::process", "the core starts and ends nothing"),
    ("std::thread", "the core runs where it is called"),
    ("std::time", "time comes in as a Stamp"),
    ("tokio", "the core is not async"),
    ("tokio_stream", "the core is not async"),
    ("futures_util", "the core is not async"),
    ("axum", "HTTP belongs to the shell"),
    ("reqwest", "HTTP belongs to the shell"),
    ("rumqttc", "MQTT belongs to the shell"),
    ("mqtt5", "MQTT belongs to the shell"),
    ("rusqlite", "the store belongs to the shell"),
    ("tempfile", "the core touches no file"),
    ("config", "settings come in through settings.rs"),
    ("clap", "the command line belongs to the shell"),
    ("rand", "the core is deterministic"),
    ("tracing", "the core returns what is to be said"),
];

/// What lib.rs says of the modules.
#[derive(Debug, Default, PartialEq)]
struct Tour {
    /// Every `pub mod`, in order.
    modules: Vec<String>,
    /// The modules of the tour's core part.
    core: Vec<String>,
    /// Every module that the tour has a line for, in order.
    named: Vec<String>,
}

fn tour(lib: &str) -> Tour {
    let mut tour = Tour::default();
    let mut in_core = false;
    for line in lib.lines() {
        if let Some(text) = line.strip_prefix("//!") {
            in_core = (in_core || text.contains("**Core**")) && !text.contains("**Shell**");
            if let Some((name, _)) = text.trim().strip_prefix("- [`").and_then(|rest| rest.split_once("`]")) {
                tour.named.push(name.to_owned());
                if in_core {
                    tour.core.push(name.to_owned());
                }
            }
        } else if let Some(name) = line.strip_prefix("pub mod ").and_then(|rest| rest.strip_suffix(';')) {
            tour.modules.push(name.to_owned());
        }
    }
    tour
}

/// A path that a source names, as far as the checks need it.
#[derive(Clone, Debug, PartialEq)]
struct Named {
    line: usize,
    path: String,
}

/// What one source file holds.
#[derive(Debug, Default)]
struct Seen {
    /// Paths of two segments or more, `crate::` and `super::` resolved to `crate::module…`.
    paths: Vec<Named>,
    /// Functions with their length in lines.
    functions: Vec<(Named, usize)>,
    /// Lines with `async`.
    asyncs: Vec<usize>,
}

/// Reads a source. `depth` is how deep its module lies: 1 for `src/units.rs` and `src/flow/mod.rs`.
fn look(source: &str, depth: usize) -> Seen {
    let tokens: TokenStream = source.parse().unwrap_or_else(|why| panic!("no Rust: {why}"));
    let mut seen = Seen::default();
    walk(tokens, depth, &mut seen);
    seen
}

fn walk(tokens: TokenStream, depth: usize, seen: &mut Seen) {
    let tokens: Vec<TokenTree> = tokens.into_iter().collect();
    let mut at = 0;
    while at < tokens.len() {
        if let Some(after) = test_item(&tokens, at) {
            at = after;
            continue;
        }
        match &tokens[at] {
            TokenTree::Ident(ident) => {
                let line = ident.span().start().line;
                if ident == "async" {
                    seen.asyncs.push(line);
                }
                if ident == "fn" {
                    function(&tokens, at, seen);
                }
                let inline = ident == "mod" && braces(tokens.get(at + 2)).is_some();
                if inline {
                    let body = braces(tokens.get(at + 2)).expect("just seen");
                    walk(body, depth + 1, seen);
                    at += 3;
                    continue;
                }
                let mut found = Vec::new();
                at = path(&tokens, at, String::new(), &mut found);
                seen.paths.extend(found.into_iter().filter_map(|one| resolve(&one, line, depth)));
                continue;
            }
            TokenTree::Group(group) => walk(group.stream(), depth, seen),
            _ => {}
        }
        at += 1;
    }
}

/// If an item under `#[cfg(test)]` starts here: where the one after it does.
fn test_item(tokens: &[TokenTree], at: usize) -> Option<usize> {
    let TokenTree::Group(attribute) = tokens.get(at + 1)? else { return None };
    let text = attribute.stream().to_string().replace(' ', "");
    let is_test =
        text == "test" || (text.starts_with("cfg(") && text.contains("test") && !text.contains("not("));
    if !is_punct(&tokens[at], '#') || attribute.delimiter() != Delimiter::Bracket || !is_test {
        return None;
    }
    let ends = |token: &TokenTree| is_punct(token, ';') || braces(Some(token)).is_some();
    Some(tokens[at + 2..].iter().position(ends).map_or(tokens.len(), |end| at + 2 + end + 1))
}

/// Collects the path (or, behind `{`, paths) that starts at `at`; gives where the next token is.
fn path(tokens: &[TokenTree], at: usize, prefix: String, found: &mut Vec<String>) -> usize {
    let joined = |name: &str| if prefix.is_empty() { name.to_owned() } else { format!("{prefix}::{name}") };
    match tokens.get(at) {
        Some(TokenTree::Ident(ident)) => {
            let so_far = joined(&ident.to_string());
            let colons = |at: usize| tokens.get(at).is_some_and(|token| is_punct(token, ':'));
            if colons(at + 1) && colons(at + 2) {
                return path(tokens, at + 3, so_far, found);
            }
            found.push(so_far);
            at + 1
        }
        Some(TokenTree::Group(group)) if !prefix.is_empty() && group.delimiter() == Delimiter::Brace => {
            let inner: Vec<TokenTree> = group.stream().into_iter().collect();
            for branch in inner.split(|token| is_punct(token, ',')).filter(|branch| !branch.is_empty()) {
                path(branch, 0, prefix.clone(), found);
            }
            at + 1
        }
        _ => {
            if !prefix.is_empty() {
                found.push(prefix);
            }
            at
        }
    }
}

/// Keeps paths of two segments or more, with `super` resolved where it leads to the crate's root.
fn resolve(path: &str, line: usize, depth: usize) -> Option<Named> {
    let segments: Vec<&str> = path.split("::").collect();
    let supers = segments.iter().take_while(|segment| **segment == "super").count();
    let path = match supers {
        0 => path.to_owned(),
        _ if supers == depth => format!("crate::{}", segments[supers..].join("::")),
        // It stays inside of its own top-level module.
        _ => return None,
    };
    path.contains("::").then_some(Named { line, path })
}

fn function(tokens: &[TokenTree], at: usize, seen: &mut Seen) {
    let Some(TokenTree::Ident(name)) = tokens.get(at + 1) else { return };
    for token in &tokens[at..] {
        if is_punct(token, ';') {
            return;
        }
        if let TokenTree::Group(body) = token
            && body.delimiter() == Delimiter::Brace
        {
            let line = name.span().start().line;
            let length = body.span_close().end().line + 1 - line;
            seen.functions.push((Named { line, path: name.to_string() }, length));
            return;
        }
    }
}

fn is_punct(token: &TokenTree, wanted: char) -> bool {
    matches!(token, TokenTree::Punct(punct) if punct.as_char() == wanted)
}

fn braces(token: Option<&TokenTree>) -> Option<TokenStream> {
    match token {
        Some(TokenTree::Group(group)) if group.delimiter() == Delimiter::Brace => Some(group.stream()),
        _ => None,
    }
}

/// Everything that is wrong with one source of the library; `file` is its path below `src/`.
fn faults(tour: &Tour, file: &str, source: &str) -> Vec<String> {
    let module = file.split('/').next().expect("a path").trim_end_matches(".rs");
    let mut faults = Vec::new();
    let lines = source.lines().count();
    if lines > FILE_LINES {
        faults.push(format!("{file}: {lines} lines; split it where the idea splits (at most {FILE_LINES})"));
    }
    let depth =
        if file.ends_with("/mod.rs") { file.matches('/').count() } else { file.matches('/').count() + 1 };
    let seen = look(source, depth);
    for (Named { line, path }, length) in &seen.functions {
        if *length > FUNCTION_LINES {
            faults.push(format!("{file}:{line}: fn {path} has {length} lines (at most {FUNCTION_LINES})"));
        }
    }
    let place = |name: &str| tour.modules.iter().position(|module| module == name);
    let Some(own) = place(module) else {
        if !["lib", "main"].contains(&module) {
            faults.push(format!("{file}: lib.rs has no `pub mod {module};`"));
        }
        return faults;
    };
    for Named { line, path } in &seen.paths {
        let used = path.strip_prefix("crate::").map(|rest| rest.split("::").next().expect("a segment"));
        if let Some(used) = used
            && place(used).is_some_and(|other| other > own)
        {
            faults.push(format!("{file}:{line}: {module} uses {used}, which stands below it in lib.rs"));
        }
    }
    if tour.core.iter().any(|core| core == module) {
        for Named { line, path } in &seen.paths {
            for (banned, why) in BANNED {
                if path == banned || path.strip_prefix(banned).is_some_and(|rest| rest.starts_with("::")) {
                    faults.push(format!("{file}:{line}: {path}: {why}"));
                }
            }
        }
        for line in &seen.asyncs {
            faults.push(format!("{file}:{line}: async: the core is not async"));
        }
    }
    faults
}

fn tour_faults(tour: &Tour) -> Vec<String> {
    let mut faults = Vec::new();
    if tour.named != tour.modules {
        faults.push(format!(
            "lib.rs: the tour's lines and the modules differ:\n  tour    {:?}\n  modules {:?}",
            tour.named, tour.modules
        ));
    }
    if !tour.modules.starts_with(&tour.core) || tour.core.is_empty() {
        faults.push("lib.rs: the core's modules come first".to_owned());
    }
    faults
}

/// Every `.rs` file below `directory`, sorted.
fn sources(directory: &Path) -> Vec<PathBuf> {
    let mut found = Vec::new();
    for entry in std::fs::read_dir(directory).expect("a readable directory") {
        let path = entry.expect("a readable entry").path();
        if path.is_dir() {
            found.extend(sources(&path));
        } else if path.extension().is_some_and(|ending| ending == "rs") {
            found.push(path);
        }
    }
    found.sort();
    found
}

fn root() -> &'static Path {
    Path::new(env!("CARGO_MANIFEST_DIR"))
}

#[test]
fn arrows_point_down_and_the_core_touches_nothing() {
    let src = root().join("src");
    let tour = tour(&std::fs::read_to_string(src.join("lib.rs")).expect("lib.rs"));
    let mut all = tour_faults(&tour);
    for path in sources(&src) {
        let file = path.strip_prefix(&src).expect("below src").to_string_lossy().into_owned();
        all.extend(faults(&tour, &file, &std::fs::read_to_string(&path).expect("a source")));
    }
    assert!(all.is_empty(), "{}", all.join("\n"));
}

#[test]
fn files_of_the_tests_stay_short_too() {
    for path in sources(&root().join("tests")) {
        let lines = std::fs::read_to_string(&path).expect("a source").lines().count();
        assert!(lines <= FILE_LINES, "{}: {lines} lines (at most {FILE_LINES})", path.display());
    }
}

/// A made-up lib.rs with a core of two floors.
const LIB: &str = "//! - [`ground`]: below the core's heading this would be core\n\
    //! **Core** (pure)\n//! - [`low`]: a\n//! - [`high`]: b\n//! **Shell**\n//! - [`shop`]: c\n\n\
    pub mod low;\npub mod high;\n\npub mod shop;\n";

#[test]
fn the_tour_is_read_from_lib() {
    let names = |names: &[&str]| names.iter().map(|name| (*name).to_owned()).collect::<Vec<_>>();
    let read = tour(LIB);
    assert_eq!(read.modules, names(&["low", "high", "shop"]));
    assert_eq!(read.core, names(&["low", "high"]));
    // "ground" has a line and no module.
    assert_eq!(tour_faults(&read).len(), 1);
    let swapped = Tour { named: names(&["a", "b"]), modules: names(&["a", "b"]), core: names(&["b"]) };
    assert_eq!(tour_faults(&swapped), ["lib.rs: the core's modules come first"]);
    let fine = Tour { core: names(&["a"]), ..swapped };
    assert!(tour_faults(&fine).is_empty());
}

/// How many faults a made-up source has, and a word that each must hold.
#[track_caller]
fn check(file: &str, source: &str, words: &[&str]) {
    let found = faults(&tour(LIB), file, source);
    assert_eq!(found.len(), words.len(), "{source}\n{found:#?}");
    for (fault, word) in found.iter().zip(words) {
        assert!(fault.contains(word), "{fault} lacks {word}");
    }
}

#[test]
fn the_checker_sees_what_it_must() {
    check("high.rs", "use crate::low::A; fn f() { crate::low::g(); }", &[]);
    check("low.rs", "use crate::high::A;", &["low.rs:1: low uses high"]);
    check("low/inner.rs", "\nfn f() { crate::high::g() }", &["low/inner.rs:2: low uses high"]);
    check("low.rs", "use crate::{low::A, high::{B, c::C}, shop};", &["uses high", "uses high", "uses shop"]);
    check("low.rs", "fn f() { println!(\"{}\", crate::shop::X) }", &["uses shop"]);
    check("low.rs", "fn f(a: crate::high::A) -> Vec<crate::shop::B> {}", &["uses high", "uses shop"]);
    check("low.rs", "use crate::high::*; use crate::{low as l, shop as s};", &["uses high", "uses shop"]);
    check("low/mod.rs", "use super::high::A;", &["uses high"]);
    check("low/inner.rs", "use super::high::A; use super::super::high::B;", &["uses high"]);
    check("low.rs", "mod inner { use super::high::A; use super::super::high::B; }", &["uses high"]);
    check("low.rs", "// crate::high::A\nconst A: &str = \"crate::high\"; /* crate::shop::B */", &[]);
    check("low.rs", "#[cfg(test)]\nmod tests { use crate::shop::A; use std::fs::read; }", &[]);
    check("low.rs", "#[cfg(test)]\nuse crate::shop::A;\nuse crate::high::B;", &["low.rs:3"]);
    check("low.rs", "#[cfg(not(test))]\nuse crate::high::B;", &["low.rs:2"]);
    check("high.rs", "use std::fs::File; fn f() { std::env::var(\"A\"); }", &["no file", "settings"]);
    check("high.rs", "use std::{collections::HashMap, time::Duration}; use std::net;", &["Stamp", "socket"]);
    check("high.rs", "use rusqlite::Connection; use std::fmt; use rustc_hash::FxHashMap;", &["store"]);
    check("high.rs", "async fn f() {}", &["not async"]);
    check("shop.rs", "use std::fs; use tokio::spawn; async fn f() { crate::low::A; }", &[]);
    check("lost.rs", "fn f() {}", &["no `pub mod lost;`"]);
    check("main.rs", "fn main() {}", &[]);
    check("shop.rs", &"\n".repeat(FILE_LINES + 1), &["601 lines"]);
    check("shop.rs", &format!("fn long() {{{}}}", "\n".repeat(FUNCTION_LINES)), &["fn long has 71 lines"]);
    check("shop.rs", &format!("fn fits() {{{}}}", "\n".repeat(FUNCTION_LINES - 1)), &[]);
}
