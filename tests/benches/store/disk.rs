//! A file system of its own for each contestant, so that what reaches the device can be counted.

use std::fs;
use std::path::{Path, PathBuf};
use std::process::Command;

use anyhow::{Context as _, Result, ensure};

/// Where a contestant works, and how what it writes is counted.
#[derive(Debug)]
pub struct Disk {
    pub folder: PathBuf,
    /// The loop device's counters; without root, none.
    counters: Option<PathBuf>,
}

fn run(program: &str, arguments: &[&str]) -> Result<String> {
    let output = Command::new(program).args(arguments).output().with_context(|| program.to_owned())?;
    ensure!(output.status.success(), "{program}: {}", String::from_utf8_lossy(&output.stderr));
    Ok(String::from_utf8_lossy(&output.stdout).trim().to_owned())
}

impl Disk {
    /// An ext4 file system on a loop device below `place`; a plain folder where that cannot be had.
    pub fn make(place: &Path, gigabytes: u64) -> Result<Self> {
        let folder = place.join("disk");
        fs::create_dir_all(&folder)?;
        let counters = Self::mount(place, &folder, gigabytes).ok();
        Ok(Self { folder, counters })
    }

    fn mount(place: &Path, folder: &Path, gigabytes: u64) -> Result<PathBuf> {
        let image = place.join("image");
        fs::File::create(&image)?.set_len(gigabytes << 30)?;
        let image = image.to_string_lossy();
        // Everything is laid out at once, so that nothing of it is written later.
        run("mkfs.ext4", &["-q", "-F", "-E", "lazy_itable_init=0,lazy_journal_init=0", &image])?;
        run("mount", &["-o", "loop", &image, &folder.to_string_lossy()])?;
        let device = run("findmnt", &["-no", "SOURCE", &folder.to_string_lossy()])?;
        let device = device.rsplit('/').next().context("a device")?.to_owned();
        Ok(PathBuf::from(format!("/sys/block/{device}/stat")))
    }

    /// Bytes the device was given so far, after everything that is still in memory has gone there.
    pub fn written(&self) -> Option<u64> {
        let counters = self.counters.as_ref()?;
        run("sync", &["-f", &self.folder.to_string_lossy()]).ok()?;
        let sectors: u64 = fs::read_to_string(counters).ok()?.split_whitespace().nth(6)?.parse().ok()?;
        Some(sectors * 512)
    }

    /// Bytes that files take.
    pub fn used(&self) -> Result<u64> {
        used(&self.folder)
    }
}

fn used(place: &Path) -> Result<u64> {
    let said = run("du", &["-s", "--block-size=1", "--exclude=lost+found", &place.to_string_lossy()])?;
    Ok(said.split_whitespace().next().context("du")?.parse()?)
}

/// What a file or a folder takes, MiB.
pub fn size_mib(place: &Path) -> Result<f64> {
    Ok(used(place)? as f64 / f64::from(1 << 20))
}

impl Drop for Disk {
    fn drop(&mut self) {
        if self.counters.is_some() {
            let _ = run("umount", &["-l", &self.folder.to_string_lossy()]);
        }
    }
}
