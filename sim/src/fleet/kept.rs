//! How far each gateway has come, on disk, so that a run can be taken up again.

use std::fs;
use std::io::Write as _;
use std::path::Path;

use anyhow::{Context as _, ensure};
use serde::{Deserialize, Serialize};

const FORM: u32 = 1;

/// What is kept of a run.
#[derive(Debug, Clone, PartialEq, Serialize, Deserialize)]
#[serde(deny_unknown_fields)]
pub(super) struct Kept {
    form: u32,
    seed: u64,
    ponds: u32,
    every_ms: i64,
    /// When the numbers of all gateways begin.
    pub(super) begins_ms: i64,
    /// Farm time at which it was left.
    pub(super) farm_ms: i64,
    /// For each gateway, so many messages from the first on are confirmed.
    pub(super) confirmed: Vec<u64>,
}

impl Kept {
    pub(super) fn new(seed: u64, gateways: u32, ponds: u32, every_ms: i64, now_ms: i64) -> Self {
        let confirmed = vec![0; gateways as usize];
        Self { form: FORM, seed, ponds, every_ms, begins_ms: now_ms, farm_ms: now_ms, confirmed }
    }

    /// Reads it; `None` where there is none yet. `asked` is the run as it is asked for now.
    pub(super) fn read(path: &Path, asked: &Self) -> anyhow::Result<Option<Self>> {
        if !path.exists() {
            return Ok(None);
        }
        let text = fs::read_to_string(path).with_context(|| format!("reading {}", path.display()))?;
        let kept: Self =
            serde_json::from_str(&text).with_context(|| format!("reading {}", path.display()))?;
        let of = |own: &Self| (own.form, own.seed, own.ponds, own.every_ms, own.confirmed.len());
        ensure!(
            of(&kept) == of(asked),
            "{} is of another run: form, seed, ponds, interval in ms and gateways are {:?} there and {:?} here; \
             ask for the same, or name another file",
            path.display(),
            of(&kept),
            of(asked)
        );
        Ok(Some(kept))
    }

    /// Writes it so that a kill leaves the old one or the new one.
    pub(super) fn write(&self, path: &Path) -> anyhow::Result<()> {
        let making = path.with_extension("making");
        let write = || -> anyhow::Result<()> {
            let mut file = fs::File::create(&making)?;
            file.write_all(serde_json::to_string(self)?.as_bytes())?;
            file.sync_data()?;
            Ok(fs::rename(&making, path)?)
        };
        write().with_context(|| format!("writing {}", path.display()))
    }
}
