//! From TOML text to a resolved [`Farm`]: parsed raw, then resolved once, with every problem reported
//! together. Past this module nothing is unchecked.
//!
//! The way of a configuration: [`files`] → [`reader`] (with the [`tables`] of [`raw`] and the [`rules`]
//! of single values) → the resolver (with [`profile`]s and limits from beside the file or [`builtin`]) →
//! [`Farm`].

pub mod annunciation;
pub mod builtin;
pub mod bus_load;
pub mod farm;
pub mod files;
pub mod packed;
pub mod problem;
pub mod profile;
pub mod raw;
pub mod reader;
mod resolve;
pub mod rules;
pub mod tables;
#[cfg(test)]
mod tests;
pub mod words;

use std::fmt;
use std::path::Path;

pub use farm::Farm;
pub use problem::{Problem, Report, Source, Style};
pub(crate) use words::host_and_port;

/// A configuration that cannot be used: all its problems.
#[derive(Debug, Clone)]
pub struct ConfigError {
    /// Errors first, then warnings, each by file and place.
    pub report: Report,
}

impl ConfigError {
    /// A first line that counts, and the whole report.
    pub fn render(&self, style: Style) -> String {
        format!("{}\n{}", self.count(), self.report.render(style))
    }

    /// How many problems and warnings there are, in words.
    pub fn count(&self) -> String {
        let plural =
            |count: usize, word: &str| format!("{count} {word}{}", if count == 1 { "" } else { "s" });
        match self.report.counts() {
            (errors, 0) => format!("{} in the configuration; nothing was started", plural(errors, "problem")),
            (errors, warnings) => format!(
                "{} and {} in the configuration; nothing was started",
                plural(errors, "problem"),
                plural(warnings, "warning")
            ),
        }
    }
}

impl fmt::Display for ConfigError {
    fn fmt(&self, f: &mut fmt::Formatter<'_>) -> fmt::Result {
        f.write_str(self.render(Style::for_stderr()).trim_end())
    }
}

impl std::error::Error for ConfigError {}

/// A usable configuration and what a person should still look at.
#[derive(Debug, Clone)]
pub struct Loaded {
    /// The farm.
    pub farm: Farm,
    /// Warnings only.
    pub warnings: Report,
}

/// Reads and resolves a configuration; warnings go to the log.
///
/// # Errors
/// Every problem of the file and of the files it names.
pub fn load(path: &Path) -> Result<Farm, ConfigError> {
    let loaded = load_with_warnings(path)?;
    for warning in loaded.warnings.problems() {
        tracing::warn!(place = warning.place(), accepted = warning.accepted, "configuration: {warning}");
    }
    Ok(loaded.farm)
}

/// Reads and resolves a configuration.
///
/// # Errors
/// Every problem of the file and of the files it names.
pub fn load_with_warnings(path: &Path) -> Result<Loaded, ConfigError> {
    match files::read(path) {
        Ok(text) => from_text(path, text),
        Err(problem) => Err(ConfigError { report: Report::new(vec![*problem]) }),
    }
}

/// Resolves a configuration that was already read; relative paths and names count from the folder of
/// `path`.
///
/// # Errors
/// Every problem of the text and of the files it names.
pub fn from_text(path: &Path, text: impl Into<String>) -> Result<Loaded, ConfigError> {
    let problems = reader::Problems::new(&Source::new(path, text));
    let raw: Option<raw::RawFarm> = reader::read_document(&problems);
    let folder = path.parent().filter(|folder| !folder.as_os_str().is_empty()).unwrap_or(Path::new("."));
    // Paths in the farm stay right when the daemon later works from another folder.
    let folder = std::path::absolute(folder).unwrap_or_else(|_| folder.to_owned());
    let (farm, elsewhere) = raw.map_or((None, Vec::new()), |raw| resolve::resolve(&raw, &folder, &problems));
    let mut list = problems.into_inner();
    list.extend(elsewhere);
    let report = Report::new(list);
    match farm {
        Some(farm) if report.counts().0 == 0 => Ok(Loaded { farm, warnings: report }),
        _ => Err(ConfigError { report }),
    }
}

/// The JSON Schema of the configuration, from what reads it: `config/farm.schema.json` is this as text.
#[cfg(test)]
pub(crate) fn schema() -> serde_json::Value {
    let mut schema = schemars::generate::SchemaSettings::draft2020_12()
        .into_generator()
        .into_root_schema_for::<raw::RawFarm>();
    schema.insert("title".into(), "pondreeve configuration".into());
    schema.to_value()
}
