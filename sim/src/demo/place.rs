//! Where a demo lives: a folder with the configuration, the store, the socket and the serial line's
//! path. A temporary one goes when the demo ends, however it ends short of being killed.

use std::fs;
use std::path::{Path, PathBuf};

use anyhow::{Context as _, Result, bail};

/// The demo farm's configuration as it stands in the project, so that the demo runs from anywhere.
const FARM: &str = include_str!("../../../config/demo/farm.toml");

/// Waiting times on a real line. A pseudo-terminal has no bit rate and its probes answer at once,
/// while farm time runs hundreds of times faster: the same waits would be quarters of an hour.
const LINE: [(&str, &str); 3] = [("turnaround", "\"1ms\""), ("timeout", "\"100ms\""), ("retries", "1")];

/// A demo's folder.
#[derive(Debug)]
pub(crate) struct Place {
    path: PathBuf,
    /// Removes the folder when dropped; absent where the person wants to keep it.
    _temporary: Option<tempfile::TempDir>,
}

impl Place {
    /// A temporary folder, or one to keep, which must be new or empty.
    pub(crate) fn new(keep: Option<&Path>) -> Result<Self> {
        let Some(path) = keep else {
            let temporary = tempfile::Builder::new()
                .prefix("pondreeve-demo-")
                .tempdir()
                .context("making a temporary folder for the demo failed")?;
            return Ok(Self { path: temporary.path().to_owned(), _temporary: Some(temporary) });
        };
        let doing = || format!("making the folder {} to keep the demo in failed", path.display());
        fs::create_dir_all(path).with_context(doing)?;
        if fs::read_dir(path).with_context(doing)?.next().is_some() {
            bail!("--keep {}: the folder is not empty; accepted is a new or an empty one", path.display());
        }
        Ok(Self { path: fs::canonicalize(path).with_context(doing)?, _temporary: None })
    }

    /// Whether the folder stays.
    pub(crate) const fn is_kept(&self) -> bool {
        self._temporary.is_none()
    }

    /// The folder.
    pub(crate) fn path(&self) -> &Path {
        &self.path
    }

    /// The daemon's local socket.
    pub(crate) fn socket(&self) -> PathBuf {
        self.path.join("pondreeve.sock")
    }

    /// The serial line's path.
    pub(crate) fn line(&self) -> PathBuf {
        self.path.join("bus0")
    }

    /// The daemon's log.
    pub(crate) fn log(&self) -> PathBuf {
        self.path.join("daemon.log")
    }

    /// Writes the demo farm's configuration with this folder's paths, the broker's port, and for a
    /// farm whose time runs fast the waits that suit it.
    pub(crate) fn write_farm(&self, broker_port: u16, speed: f64) -> Result<(PathBuf, String)> {
        let text = with_places(FARM, self, broker_port, speed);
        let path = self.path.join("farm.toml");
        fs::write(&path, &text).with_context(|| format!("writing {} failed", path.display()))?;
        Ok((path, text))
    }
}

/// The farm's text with its places put in, line by line so that its comments stay.
fn with_places(farm: &str, place: &Place, broker_port: u16, speed: f64) -> String {
    // Debug formatting of a path without odd characters is a TOML string; temporary folders have none,
    // and where a kept one has, the configuration check says so.
    let text = |path: &Path| format!("{:?}", path.display().to_string());
    let puts = [
        ("device", text(&place.line())),
        ("socket", text(&place.socket())),
        ("path", text(&place.path.join("store"))),
        ("port", broker_port.to_string()),
    ];
    let waits = if speed > 1.0 { &LINE[..] } else { &[] };
    let waits = waits.iter().map(|&(key, value)| (key, value.to_owned()));
    let puts: Vec<(&str, String)> = puts.into_iter().chain(waits).collect();
    let mut out = String::with_capacity(farm.len() + 512);
    for line in farm.lines() {
        let key = line.split_once(" = ").map(|(key, _)| key.trim());
        match puts.iter().find(|(own, _)| Some(*own) == key) {
            Some((key, value)) => out.push_str(&format!("{key} = {value}")),
            None => out.push_str(line),
        }
        out.push('\n');
    }
    out
}
