//! Every crate that is built in is under a licence that `deny.toml` allows. `cargo deny` checks the
//! same, and more, where it is installed; this check always runs.

use std::process::Command;

use spdx::{Expression, ParseMode};

/// The licences of `deny.toml`: for every crate, and beyond them for single crates.
struct Allowed {
    all: Vec<String>,
    exceptions: Vec<(String, Vec<String>)>,
}

fn allowed(deny: &str) -> Allowed {
    let deny: toml::Table = deny.parse().expect("deny.toml is TOML");
    let strings = |value: &toml::Value| -> Vec<String> {
        let list = value.as_array().expect("a list").iter();
        list.map(|one| one.as_str().expect("a string").to_owned()).collect()
    };
    let exceptions = deny["licenses"].get("exceptions").and_then(toml::Value::as_array);
    let exceptions = exceptions
        .into_iter()
        .flatten()
        .map(|one| (one["crate"].as_str().expect("a crate's name").to_owned(), strings(&one["allow"])));
    Allowed { all: strings(&deny["licenses"]["allow"]), exceptions: exceptions.collect() }
}

impl Allowed {
    /// Whether a crate under `licence` (as its manifest says) may be used.
    fn holds(&self, name: &str, licence: &str) -> bool {
        // Old manifests write "MIT/Apache-2.0".
        let Ok(expression) = Expression::parse_mode(licence, ParseMode::LAX) else { return false };
        let own = self.exceptions.iter().filter(|(of, _)| of == name).flat_map(|(_, more)| more);
        let known: Vec<&String> = self.all.iter().chain(own).collect();
        expression.evaluate(|requirement| known.iter().any(|licence| **licence == requirement.to_string()))
    }
}

#[test]
fn every_dependency_is_under_an_allowed_licence() {
    let root = std::path::Path::new(env!("CARGO_MANIFEST_DIR"));
    let allowed = allowed(&std::fs::read_to_string(root.join("deny.toml")).expect("deny.toml"));
    // Everything for this platform is there, since it has just been built: nothing is fetched.
    let output = Command::new(env!("CARGO"))
        .args(["metadata", "--format-version=1", "--offline", "--locked"])
        .args(["--filter-platform", "x86_64-unknown-linux-gnu"])
        .current_dir(root)
        .output()
        .expect("cargo runs");
    assert!(output.status.success(), "{}", String::from_utf8_lossy(&output.stderr));
    let metadata: serde_json::Value = serde_json::from_slice(&output.stdout).expect("JSON");
    let packages = metadata["packages"].as_array().expect("a list");
    assert!(packages.len() > 50, "only {} packages", packages.len());
    let mut refused = Vec::new();
    for package in packages {
        let name = package["name"].as_str().expect("a name");
        let licence = package["license"].as_str().unwrap_or("(none)");
        if !allowed.holds(name, licence) {
            refused.push(format!("{name} {}: {licence}", package["version"]));
        }
    }
    assert!(refused.is_empty(), "licences that deny.toml does not allow:\n{}", refused.join("\n"));
}

#[test]
fn the_check_refuses_what_it_must() {
    let allowed = allowed(
        "[licenses]\nallow = [\"MIT\", \"Apache-2.0\", \"Apache-2.0 WITH LLVM-exception\"]\n\
         exceptions = [{ crate = \"roots\", allow = [\"CDLA-Permissive-2.0\"] }]",
    );
    let check = |name: &str, licence: &str, held: bool| {
        assert_eq!(allowed.holds(name, licence), held, "{name}: {licence}");
    };
    check("a", "MIT", true);
    check("a", "MIT/Apache-2.0", true);
    check("a", "GPL-3.0-only OR MIT", true);
    check("a", "Apache-2.0 WITH LLVM-exception", true);
    check("a", "GPL-3.0-only", false);
    check("a", "MIT AND GPL-3.0-only", false);
    check("a", "(none)", false);
    check("a", "CDLA-Permissive-2.0", false);
    check("roots", "CDLA-Permissive-2.0", true);
}
