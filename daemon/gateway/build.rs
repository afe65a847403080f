//! Names the build by what decides how its state looks in memory and what it computes. A checkpoint of
//! another build is thrown away.

use std::hash::{DefaultHasher, Hash, Hasher};
use std::path::{Path, PathBuf};

fn files(folder: &Path, found: &mut Vec<PathBuf>) {
    for entry in std::fs::read_dir(folder).into_iter().flatten().flatten() {
        let path = entry.path();
        if path.is_dir() {
            files(&path, found);
        } else {
            found.push(path);
        }
    }
}

fn main() {
    let root = PathBuf::from(std::env::var_os("CARGO_MANIFEST_DIR").unwrap_or_default());
    let mut found = vec![root.join("../../Cargo.lock")];
    for folder in ["../core/src", "../chemistry/src", "src/engine", "src/journal"] {
        println!("cargo:rerun-if-changed={folder}");
        files(&root.join(folder), &mut found);
    }
    println!("cargo:rerun-if-changed=../../Cargo.lock");
    found.sort();
    let mut hasher = DefaultHasher::new();
    for path in &found {
        std::fs::read(path).unwrap_or_default().hash(&mut hasher);
    }
    for name in ["TARGET", "RUSTC"] {
        std::env::var(name).unwrap_or_default().hash(&mut hasher);
    }
    println!("cargo:rustc-env=PONDREEVE_BUILD={:016x}", hasher.finish());
}
