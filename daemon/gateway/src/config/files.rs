//! Reading the files that people wrote.

use std::io::Read as _;
use std::path::Path;

use super::problem::{Problem, Source};

/// A farm of a hundred ponds takes about 200 kB; anything above this is the wrong file.
pub const LARGEST_BYTES: u64 = 1_048_576;

/// Whether there is a file that somebody may run.
pub fn is_program(path: &Path) -> bool {
    use std::os::unix::fs::PermissionsExt as _;
    std::fs::metadata(path).is_ok_and(|about| about.is_file() && about.permissions().mode() & 0o111 != 0)
}

/// Reads a text file whole.
///
/// # Errors
/// One problem: the file cannot be opened, is no file, is too large, or is not UTF-8 (with the place).
pub fn read(path: &Path) -> Result<String, Box<Problem>> {
    let accepted = "a TOML file that the daemon's user can read";
    let cannot = |error: std::io::Error| -> Box<Problem> {
        let problem = Problem::whole_file(path, format!("a file that cannot be read: {error}"), accepted);
        match error.kind() {
            std::io::ErrorKind::NotFound => problem.with_hint(
                "check the path; `pondreeve check --example` prints a configuration to start from",
            ),
            std::io::ErrorKind::PermissionDenied => {
                problem.with_hint("let the user that runs pondreeve read it")
            }
            _ => problem,
        }
        .into()
    };
    let file = std::fs::File::open(path).map_err(cannot)?;
    let about = file.metadata().map_err(cannot)?;
    if about.is_dir() {
        return Err(Problem::whole_file(path, "a folder", accepted).with_hint("name the file in it").into());
    }
    let mut bytes = Vec::new();
    // One byte more than accepted, also from a pipe or a device that has no size.
    file.take(LARGEST_BYTES + 1).read_to_end(&mut bytes).map_err(cannot)?;
    if bytes.len() as u64 > LARGEST_BYTES {
        let found = format!("more than {LARGEST_BYTES} bytes");
        return Err(Problem::whole_file(
            path,
            found,
            format!("a TOML file of at most {LARGEST_BYTES} bytes"),
        )
        .into());
    }
    String::from_utf8(bytes).map_err(|error| {
        let valid = error.utf8_error().valid_up_to();
        let byte = error.as_bytes().get(valid).copied().unwrap_or_default();
        let readable =
            String::from_utf8_lossy(error.as_bytes().get(..valid).unwrap_or_default()).into_owned();
        let end = readable.len();
        Problem::new(
            &Source::new(path, readable),
            end..end,
            "",
            format!("the byte 0x{byte:02X}, which is not UTF-8"),
            "text in UTF-8",
        )
        .with_hint("save the file as UTF-8; degree signs and accents from other encodings cause this")
        .into()
    })
}

/// Names of the TOML files in a folder, without the ending; empty if there is no such folder.
pub fn names_in(folder: &Path) -> Vec<String> {
    let entries = std::fs::read_dir(folder).into_iter().flatten().flatten();
    let paths = entries
        .map(|entry| entry.path())
        .filter(|path| path.extension().is_some_and(|ending| ending == "toml"));
    paths.filter_map(|path| path.file_stem().and_then(|name| name.to_str()).map(str::to_owned)).collect()
}

/// Whether users other than the owner and group may read a file.
pub fn readable_by_others(path: &Path) -> bool {
    use std::os::unix::fs::MetadataExt as _;
    std::fs::metadata(path).is_ok_and(|about| about.mode() & 0o004 != 0)
}
