//! Names the build by what decides how its state looks in memory and what it computes: a checkpoint of another build
//! is thrown away. And packs the long texts that travel inside the program, which shall be small.

use std::hash::{DefaultHasher, Hash, Hasher};
use std::io::Write as _;
use std::path::{Path, PathBuf};

use flate2::Compression;
use flate2::write::DeflateEncoder;

/// What is packed, and from which files, one after the other.
const TEXTS: [(&str, &[&str]); 7] = [
    (
        "english",
        &["src/console/texts/en.ftl", "src/console/texts/commands-en.ftl", "src/console/texts/said-en.ftl"],
    ),
    (
        "spanish",
        &["src/console/texts/es.ftl", "src/console/texts/commands-es.ftl", "src/console/texts/said-es.ftl"],
    ),
    ("help-spanish", &["src/console/texts/help-es.toml"]),
    ("report-english", &["src/report/texts/en.ftl"]),
    ("report-spanish", &["src/report/texts/es.ftl"]),
    ("example", &["../../config/farm.example.toml"]),
    ("schema", &["../../config/farm.schema.json"]),
];

/// Folders of small files that are packed together: the name of each and its text, each with a zero behind it.
const FOLDERS: [&str; 2] = ["limits", "probes"];

/// Packs the files as `config/packed.rs` unpacks them.
fn pack(root: &Path, into: &Path) -> std::io::Result<()> {
    for (name, files) in TEXTS {
        let mut packer = DeflateEncoder::new(Vec::new(), Compression::best());
        for (place, file) in files.iter().enumerate() {
            println!("cargo:rerun-if-changed={file}");
            if place > 0 {
                packer.write_all(b"\n")?;
            }
            packer.write_all(&std::fs::read(root.join(file))?)?;
        }
        std::fs::write(into.join(name), packer.finish()?)?;
    }
    for name in FOLDERS {
        let folder = root.join("../../config").join(name);
        println!("cargo:rerun-if-changed={}", folder.display());
        let mut found = Vec::new();
        files(&folder, &mut found);
        found.retain(|path| path.extension().is_some_and(|ending| ending == "toml"));
        found.sort();
        let mut packer = DeflateEncoder::new(Vec::new(), Compression::best());
        for path in found {
            let stem = path.file_stem().unwrap_or_default().to_string_lossy();
            packer.write_all(stem.as_bytes())?;
            packer.write_all(&[0])?;
            packer.write_all(&std::fs::read(&path)?)?;
            packer.write_all(&[0])?;
        }
        std::fs::write(into.join(name), packer.finish()?)?;
    }
    Ok(())
}

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
    let into = PathBuf::from(std::env::var_os("OUT_DIR").unwrap_or_default());
    if let Err(error) = pack(&root, &into) {
        println!("cargo::error=packing the texts of the program failed: {error}");
    }
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
