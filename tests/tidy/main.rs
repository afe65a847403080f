//! The rules of the house, run as tests: which crate may depend on which, what stands at the top of
//! the tree, that every file says what it is.

use std::collections::BTreeSet;
use std::fs;
use std::path::{Path, PathBuf};
use std::process::Command;

fn root() -> PathBuf {
    Path::new(env!("CARGO_MANIFEST_DIR")).parent().expect("tests/ has a parent").to_path_buf()
}

/// Files git tracks, so that a build's leavings are not judged. Outside a checkout (a source archive)
/// there is no list, and the rules that need one say so.
fn tracked() -> Vec<PathBuf> {
    let out = Command::new("git").arg("-C").arg(root()).args(["ls-files", "-z"]).output().expect("git runs");
    assert!(out.status.success(), "git ls-files failed: {}", String::from_utf8_lossy(&out.stderr));
    let list = String::from_utf8(out.stdout).expect("file names are UTF-8");
    list.split('\0').filter(|name| !name.is_empty()).map(PathBuf::from).collect()
}

fn rust_files() -> Vec<PathBuf> {
    tracked()
        .into_iter()
        .filter(|path| path.extension().is_some_and(|ext| ext == "rs") && root().join(path).exists())
        .collect()
}

struct Member {
    folder: &'static str,
    package: &'static str,
    /// Workspace crates it may use.
    arrows: &'static [&'static str],
    /// `Some`: the only other crates it may use.
    outside: Option<&'static [&'static str]>,
}

/// Everything that may depend on anything. Nothing else is allowed.
const MEMBERS: &[Member] = &[
    Member {
        folder: "daemon/chemistry",
        package: "pondreeve-chemistry",
        arrows: &[],
        outside: Some(&["libm", "thiserror"]),
    },
    Member {
        folder: "daemon/protocol",
        package: "pondreeve-protocol",
        arrows: &[],
        outside: Some(&["ciborium", "ciborium-io", "regex", "serde", "serde_json", "thiserror", "libm"]),
    },
    Member {
        folder: "daemon/core",
        package: "pondreeve-core",
        arrows: &["pondreeve-chemistry"],
        // serde for the checkpoint alone, behind a feature of that name.
        outside: Some(&["libm", "thiserror", "serde"]),
    },
    Member {
        folder: "daemon/gateway",
        package: "pondreeve",
        arrows: &["pondreeve-core", "pondreeve-chemistry", "pondreeve-protocol"],
        outside: None,
    },
    Member {
        folder: "sim",
        package: "sim",
        arrows: &["pondreeve-chemistry", "pondreeve-protocol", "pondreeve", "pondreeve-core"],
        outside: None,
    },
    Member {
        folder: "tests",
        package: "pondreeve-tests",
        arrows: &["pondreeve-chemistry", "pondreeve-protocol", "pondreeve-core", "pondreeve", "sim"],
        outside: None,
    },
];

fn manifest(folder: &str) -> toml::Table {
    let path = root().join(folder).join("Cargo.toml");
    let text = fs::read_to_string(&path).unwrap_or_else(|e| panic!("{}: {e}", path.display()));
    text.parse().unwrap_or_else(|e| panic!("{}: {e}", path.display()))
}

#[test]
fn only_the_allowed_arrows_exist() {
    let workspace = manifest(".");
    let listed: BTreeSet<&str> = workspace["workspace"]["members"]
        .as_array()
        .expect("members is a list")
        .iter()
        .filter_map(toml::Value::as_str)
        .collect();
    let known: BTreeSet<&str> = MEMBERS.iter().map(|m| m.folder).collect();
    assert_eq!(listed, known, "a new workspace member needs its arrows listed here");

    let ours: BTreeSet<&str> = MEMBERS.iter().map(|m| m.package).collect();
    for member in MEMBERS {
        let manifest = manifest(member.folder);
        assert_eq!(manifest["package"]["name"].as_str(), Some(member.package));
        assert_eq!(
            manifest["lints"]["workspace"].as_bool(),
            Some(true),
            "{} does not take the workspace's lints",
            member.folder
        );
        for section in ["dependencies", "build-dependencies"] {
            let Some(table) = manifest.get(section).and_then(toml::Value::as_table) else { continue };
            for name in table.keys() {
                if ours.contains(name.as_str()) {
                    assert!(
                        member.arrows.contains(&name.as_str()),
                        "{} -> {name} is not an allowed arrow",
                        member.package
                    );
                } else if let Some(outside) = member.outside {
                    assert!(
                        outside.contains(&name.as_str()),
                        "{} may not use {name}: it is kept free of I/O, clocks and randomness",
                        member.package
                    );
                }
            }
        }
        // A test may look across, but a pure crate's tests stay within its own arrows.
        if let Some(table) = manifest.get("dev-dependencies").and_then(toml::Value::as_table) {
            for name in table.keys().filter(|name| ours.contains(name.as_str())) {
                assert!(
                    member.arrows.contains(&name.as_str()) || member.outside.is_none(),
                    "{} tests -> {name} is not an allowed arrow",
                    member.package
                );
            }
        }
    }
}

#[test]
fn the_simulated_water_does_not_know_the_daemon() {
    // The library part of `sim` may use chemistry and protocol only; the demo, which starts the daemon, and the fleet,
    // live in the binary. Cargo cannot tell the two apart, so the sources are read.
    for path in rust_files() {
        let in_program = ["sim/src/demo", "sim/src/fleet"].iter().any(|folder| path.starts_with(folder));
        if !path.starts_with("sim/src") || in_program || path.ends_with("main.rs") {
            continue;
        }
        let text = fs::read_to_string(root().join(&path)).expect("readable");
        for banned in ["pondreeve::", "pondreeve_core"] {
            assert!(
                !text.contains(banned),
                "{}: {banned} belongs in sim/src/demo or sim/src/fleet",
                path.display()
            );
        }
    }
}

#[test]
fn pure_crates_are_no_std() {
    for folder in ["daemon/chemistry", "daemon/protocol", "daemon/core"] {
        let path = root().join(folder).join("src/lib.rs");
        let text = fs::read_to_string(&path).expect("readable");
        assert!(text.lines().any(|line| line == "#![no_std]"), "{} lacks #![no_std]", path.display());
        for file in rust_files().iter().filter(|f| f.starts_with(format!("{folder}/src"))) {
            let text = fs::read_to_string(root().join(file)).expect("readable");
            assert!(!text.contains("extern crate std"), "{} brings std back", file.display());
        }
    }
}

/// Nothing here switches an aerator: what can switch anything at all stands in a few files that know only the
/// horn and the lamp, and no probe is ever written to.
#[test]
fn only_the_horn_and_the_lamp_can_be_switched() {
    let allowed: [(&str, &[&str]); 4] = [
        // Made in one place; taken apart in the one that writes it to a line; made in a test of the queue.
        (
            "CoilWrite {",
            &[
                "daemon/gateway/src/annunciate/driver.rs",
                "daemon/gateway/src/probes/serial/line.rs",
                "daemon/gateway/src/probes/serial/coils.rs",
            ],
        ),
        ("gpiocdev", &["daemon/gateway/src/annunciate/driver.rs"]),
        (
            "process::Command",
            &[
                "daemon/gateway/src/annunciate/program.rs",
                // Starts this program itself as a daemon, and asks the system whether its clock is kept.
                "daemon/gateway/src/cli/commission.rs",
            ],
        ),
        // Whatever writes more than one coil.
        (".write_multiple", &[]),
    ];
    let mut found = 0;
    let is_test =
        |path: &Path| path.file_stem().is_some_and(|name| name.to_string_lossy().ends_with("tests"));
    let sources = rust_files().into_iter().filter(|path| path.starts_with("daemon/gateway/src"));
    for path in sources.filter(|path| !is_test(path)) {
        let text = fs::read_to_string(root().join(&path)).expect("readable");
        assert!(!text.contains(".write_single_register"), "{}: writes to a register", path.display());
        for (what, places) in allowed.iter().filter(|(what, _)| text.contains(what)) {
            let name = path.to_str().expect("UTF-8");
            assert!(
                places.contains(&name),
                "{name}: `{what}` switches something; allowed only in {places:?}"
            );
            found += 1;
        }
    }
    assert_eq!(found, 6, "the list above names files that no longer do what it says");
}

#[test]
fn every_source_file_says_what_it_is() {
    let mut silent = Vec::new();
    for path in rust_files() {
        let text = fs::read_to_string(root().join(&path)).expect("readable");
        if !text.trim_start().starts_with("//!") && !text.trim_start().starts_with("#!") {
            silent.push(path);
        }
    }
    assert!(silent.is_empty(), "files without a module doc on top: {silent:?}");
}

#[test]
fn files_stay_readable() {
    let long: Vec<(PathBuf, usize)> = rust_files()
        .into_iter()
        .map(|path| {
            let lines = fs::read_to_string(root().join(&path)).expect("readable").lines().count();
            (path, lines)
        })
        .filter(|(_, lines)| *lines > 600)
        .collect();
    assert!(long.is_empty(), "split these files: {long:?}");
}

#[test]
fn the_top_of_the_tree_is_as_agreed() {
    let allowed: BTreeSet<&str> = [
        "Cargo.toml",
        "Cargo.lock",
        "README.md",
        "DEVELOPERS.md",
        "CHANGELOG.md",
        "LICENSE",
        "daemon",
        "config",
        "deploy",
        "tests",
        "sim",
    ]
    .into();
    let found: BTreeSet<String> = tracked()
        .iter()
        .filter_map(|path| path.iter().next()?.to_str().map(str::to_owned))
        .filter(|name| !name.starts_with('.'))
        .collect();
    let extra: Vec<&String> = found.iter().filter(|name| !allowed.contains(name.as_str())).collect();
    assert!(extra.is_empty(), "these do not belong at the top: {extra:?}");
    for name in allowed {
        assert!(found.contains(name), "{name} is missing at the top");
    }
}

#[test]
fn no_test_file_is_forgotten() {
    let manifest = manifest("tests");
    // Campaigns are programs of their own; campaigns/short.rs runs a part of each as a test.
    let declared: BTreeSet<String> = ["test", "example"]
        .iter()
        .filter_map(|section| manifest.get(*section)?.as_array())
        .flatten()
        .filter_map(|t| t["path"].as_str().map(str::to_owned))
        .collect();
    for path in rust_files() {
        let Ok(inside) = path.strip_prefix("tests") else { continue };
        // The guided fuzzer is a package of its own, which tests/fuzz/guided.py builds.
        if inside.starts_with("src") || inside.starts_with("benches") || inside.starts_with("fuzz/guided") {
            continue;
        }
        let folder_main = inside.parent().map(|p| p.join("main.rs").to_string_lossy().into_owned());
        let own = inside.to_string_lossy().into_owned();
        assert!(
            declared.contains(&own) || folder_main.is_some_and(|main| declared.contains(&main)),
            "{} is in no [[test]] or [[example]] of tests/Cargo.toml, so it never runs",
            path.display()
        );
    }
}

#[test]
fn what_is_fuzzed_is_made_of_the_same_parts() {
    let parts = |folder: &str| -> BTreeSet<(String, String)> {
        let path = root().join(folder).join("Cargo.lock");
        let text = fs::read_to_string(&path).unwrap_or_else(|e| panic!("{}: {e}", path.display()));
        let lock: toml::Table = text.parse().unwrap_or_else(|e| panic!("{}: {e}", path.display()));
        let text = |part: &toml::Value, key| part[key].as_str().expect("a text").to_owned();
        let parts = lock["package"].as_array().expect("a list");
        parts.iter().map(|part| (text(part, "name"), text(part, "version"))).collect()
    };
    let ours = parts(".");
    let other: Vec<_> = parts("tests/fuzz/guided")
        .into_iter()
        .filter(|part| !ours.contains(part) && ours.iter().any(|own| own.0 == part.0))
        .collect();
    assert!(
        other.is_empty(),
        "{other:?} are other versions than the daemon's: copy Cargo.lock to tests/fuzz/guided and run cargo metadata there"
    );
}

#[test]
fn nothing_points_outside_the_project() {
    // Users have the project and nothing beside it. CI alone reads the open data sets from next door.
    for path in tracked() {
        if path.starts_with(".ci") || path.ends_with("tidy/main.rs") {
            continue;
        }
        let Ok(text) = fs::read_to_string(root().join(&path)) else { continue };
        assert!(!text.contains("../shared"), "{} points outside the project", path.display());
        assert!(!text.contains("/work/"), "{} names a folder of one machine", path.display());
    }
}
