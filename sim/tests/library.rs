//! The library part of the simulator must not know the daemon, or it could share a mistake with it.

use std::fs;
use std::path::Path;

#[test]
fn the_library_uses_nothing_of_the_daemon_but_chemistry_and_protocol() {
    let source = Path::new(env!("CARGO_MANIFEST_DIR")).join("src");
    let mut seen = 0;
    for entry in fs::read_dir(source).unwrap() {
        let path = entry.unwrap().path();
        if path.is_dir() || path.file_name().is_some_and(|name| name == "main.rs") {
            continue;
        }
        seen += 1;
        let text = fs::read_to_string(&path).unwrap();
        for used in ["pondreeve::", "pondreeve_core"] {
            assert!(!text.contains(used), "{} uses {used}", path.display());
        }
    }
    assert!(seen > 10, "only {seen} source files found");
}
