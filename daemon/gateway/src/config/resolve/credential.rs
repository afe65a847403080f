//! Secrets that the service manager hands over: `credential:NAME` in the place of a path.
//!
//! The name is all that the configuration holds. systemd puts a copy into memory that only the daemon's user can read
//! and tells where in CREDENTIALS_DIRECTORY (systemd.exec(5), LoadCredential=).

use std::path::{Path, PathBuf};

use super::super::reader::At;
use super::super::words::quoted;
use super::Resolver;

const PREFIX: &str = "credential:";

/// Where systemd puts them for the service of the package, where nothing says otherwise.
const USUAL: &str = "/run/credentials/pondreeve.service";

/// Where the package's service takes them from; its name for the whole folder comes before each file's name.
const KEPT_IN: &str = "/etc/pondreeve/credentials.d";
const OF_THE_FOLDER: &str = "pondreeve_";

impl Resolver<'_> {
    /// The path of a file with a secret, and a word where it is not there.
    pub(super) fn secret(&self, at: &At<PathBuf>, what: &str) -> Option<PathBuf> {
        let Some(name) = at.value.to_str().and_then(|text| text.strip_prefix(PREFIX)) else {
            let path = self.absolute(&at.value);
            self.warn_if_unreadable(at, &path, what);
            return Some(path);
        };
        let plain = |c: char| c.is_ascii_alphanumeric() || matches!(c, '.' | '-' | '_');
        if name.is_empty() || name.len() > 100 || name.starts_with('.') || !name.chars().all(plain) {
            let found = format!("{}, which is no name of a credential", quoted(name));
            let accepted = "letters, digits, `.`, `-` and `_` after `credential:`, such as \
                            \"credential:broker-password\"";
            self.problems.push(self.problems.about(at, found, accepted));
            return None;
        }
        let handed = std::env::var_os("CREDENTIALS_DIRECTORY").map(PathBuf::from);
        let path = place(name, handed.as_deref());
        if handed.is_some() {
            self.warn_if_unreadable(at, &path, what);
        } else if self.is_missing(name) {
            let found = format!("the credential {}, of which there is no file in {KEPT_IN}", quoted(name));
            let problem = self.problems.about(at, found, format!("a file there with {what}"));
            self.problems.push(problem.as_warning());
        }
        Some(path)
    }

    /// Whether the folder of the package's service is there, may be looked into, and has no such file.
    fn is_missing(&self, name: &str) -> bool {
        let folder = Path::new(KEPT_IN);
        std::fs::read_dir(folder).is_ok() && !folder.join(name).exists()
    }
}

/// Where it is: under its own name, or under that of the folder it was loaded with.
fn place(name: &str, handed: Option<&Path>) -> PathBuf {
    let folder = handed.unwrap_or(Path::new(USUAL));
    let alone = folder.join(name);
    if alone.exists() { alone } else { folder.join(format!("{OF_THE_FOLDER}{name}")) }
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn a_credential_has_its_own_name_or_that_of_its_folder() {
        let folder = tempfile::tempdir().unwrap();
        let with = |name| place(name, Some(folder.path()));
        assert_eq!(with("office"), folder.path().join("pondreeve_office"));
        std::fs::write(folder.path().join("office"), "secret").unwrap();
        assert_eq!(with("office"), folder.path().join("office"));
        assert_eq!(place("office", None), Path::new("/run/credentials/pondreeve.service/pondreeve_office"));
    }
}
