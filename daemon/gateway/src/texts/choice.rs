//! Which language somebody reads: as asked for, else as the farm's configuration says, else as the terminal's
//! locale says, else English.

use std::path::{Path, PathBuf};
use std::sync::LazyLock;

use pondreeve_core::said::said;

use super::{Texts, Words};
use crate::config::packed::{Packed, packed};

/// The console's English texts, which every other language stands before.
pub static ENGLISH: Packed = packed!("english");

/// The same in Spanish.
pub(super) static SPANISH: Packed = packed!("spanish");

static IN_ENGLISH: LazyLock<Texts> = LazyLock::new(|| Texts::of("en", &[&ENGLISH]));
static IN_SPANISH: LazyLock<Texts> = LazyLock::new(|| Texts::of("es", &[&SPANISH, &ENGLISH]));

/// English, which is always there.
pub fn english() -> Words {
    &IN_ENGLISH
}

/// Codes of the languages that come with the program.
const BUILT_IN: [&str; 2] = ["en", "es"];

fn built_in(code: &str) -> Option<Words> {
    match code.split(['-', '_']).next().unwrap_or_default() {
        "en" => Some(&IN_ENGLISH),
        "es" => Some(&IN_SPANISH),
        _ => None,
    }
}

/// What decides on the language.
#[derive(Debug, Clone, Default, PartialEq, Eq)]
pub struct Choice {
    /// Code as asked for.
    pub language: Option<String>,
    /// A file of texts as asked for.
    pub file: Option<PathBuf>,
    /// Code as configured.
    pub configured: Option<String>,
    /// Folder of the farm's own files, `<code>.ftl`, as configured.
    pub folder: Option<PathBuf>,
    /// Code from the locale.
    pub locale: Option<String>,
}

impl Choice {
    /// The language of the locale: of `LC_ALL`, `LC_MESSAGES` and `LANG` the first that is set.
    #[must_use]
    pub fn with_locale(mut self, variable: impl Fn(&str) -> Option<String>) -> Self {
        let set = |name: &str| variable(name).filter(|value| !value.is_empty());
        let locale = set("LC_ALL").or_else(|| set("LC_MESSAGES")).or_else(|| set("LANG"));
        self.locale = locale.and_then(|locale| {
            let code = locale.split(['_', '.', '@']).next().unwrap_or_default().to_ascii_lowercase();
            (!matches!(code.as_str(), "" | "c" | "posix")).then_some(code)
        });
        self
    }
}

/// The texts that were chosen.
///
/// # Errors
/// When a language is asked for or configured that there is none of, or its file cannot be read: with what was
/// looked for and which there are. A locale nobody has texts for is no error: English is what it gets.
pub fn chosen(choice: &Choice) -> Result<Words, String> {
    if let Some(file) = &choice.file {
        let stem = file.file_stem().and_then(|stem| stem.to_str()).unwrap_or_default();
        return read(choice.language.as_deref().unwrap_or(stem), file);
    }
    let folder = choice.folder.as_deref();
    if let Some(code) = choice.language.as_ref().or(choice.configured.as_ref()) {
        return found(code, folder)?.ok_or_else(|| {
            let said = said!(
                "language-none",
                "there are no texts in the language `{code}`; there are: {known}",
                code = code,
                known = known(folder)
            );
            said.english().to_owned()
        });
    }
    match &choice.locale {
        Some(code) => Ok(found(code, folder)?.unwrap_or(english())),
        None => Ok(english()),
    }
}

fn found(code: &str, folder: Option<&Path>) -> Result<Option<Words>, String> {
    // A code is a name in the folder, never a way out of it.
    let plain = !code.is_empty() && code.chars().all(|own| own.is_ascii_alphanumeric() || "-_".contains(own));
    if let Some(file) = folder.filter(|_| plain).map(|folder| folder.join(format!("{code}.ftl")))
        && file.is_file()
    {
        return read(code, &file).map(Some);
    }
    Ok(built_in(code))
}

/// Reads a farm's own texts; they stay until the program ends, so that pages can hand them on.
fn read(code: &str, file: &Path) -> Result<Words, String> {
    let source = std::fs::read_to_string(file).map_err(|error| {
        let (file, error) = (file.display().to_string(), error.to_string());
        said!("language-unreadable", "cannot read the texts in {file}: {error}", file = file, error = error)
            .english()
            .to_owned()
    })?;
    let behind = if code.starts_with("es") { &*SPANISH } else { "" };
    Ok(Box::leak(Box::new(Texts::of(code, &[&source, behind, &ENGLISH]))))
}

/// The languages there are, as told where one was asked for that there is not.
fn known(folder: Option<&Path>) -> String {
    let mut codes: Vec<String> = BUILT_IN.map(str::to_owned).to_vec();
    for entry in folder.and_then(|folder| folder.read_dir().ok()).into_iter().flatten().flatten() {
        let path = entry.path();
        if path.extension().is_some_and(|own| own == "ftl")
            && let Some(stem) = path.file_stem().and_then(|stem| stem.to_str())
        {
            codes.push(stem.to_owned());
        }
    }
    codes.sort();
    codes.dedup();
    codes.join(", ")
}
