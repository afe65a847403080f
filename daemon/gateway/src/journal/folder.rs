//! The store's folder among other folders: lock, names, room, and what a power cut may leave.

use std::fs::{self, File};
use std::io;
use std::path::{Path, PathBuf};

use nix::fcntl::{Flock, FlockArg};
use pondreeve_core::Timestamp;

use super::database::Trouble;
use super::store::{LEAST_FREE_BYTES, OpenError};

pub(super) fn sync_tree(folder: &Path) -> io::Result<()> {
    for entry in fs::read_dir(folder)? {
        let entry = entry?;
        if entry.file_type()?.is_dir() {
            sync_tree(&entry.path())?;
        } else {
            File::open(entry.path())?.sync_all()?;
        }
    }
    File::open(folder)?.sync_all()
}

pub(super) fn sync_parent(path: &Path) -> io::Result<()> {
    match path.parent() {
        Some(parent) if !parent.as_os_str().is_empty() => File::open(parent)?.sync_all(),
        _ => File::open(".")?.sync_all(),
    }
}

pub(super) fn set_aside(path: &Path, now: Timestamp) -> io::Result<PathBuf> {
    move_aside(path, path, "damaged", now)
}

fn move_aside(from: &Path, path: &Path, what: &str, now: Timestamp) -> io::Result<PathBuf> {
    let time = jiff::Timestamp::from_millisecond(now.as_millis()).unwrap_or_default();
    let stem = with_suffix(path, &format!(".{what}-{}", time.strftime("%Y%m%dT%H%M%SZ")));
    let aside = (0_u32..)
        .map(|n| if n == 0 { stem.clone() } else { with_suffix(&stem, &format!("-{n}")) })
        .find(|candidate| !candidate.exists())
        .unwrap_or(stem);
    fs::rename(from, &aside)?;
    sync_parent(path)?;
    Ok(aside)
}

/// Puts what was made beside the store in its place, and the store aside. A cut in between leaves the
/// store under the name that [`finish_replacing`] looks for.
pub(super) fn replace(path: &Path, making: &Path, what: &str, now: Timestamp) -> io::Result<PathBuf> {
    let before = with_suffix(path, BEFORE);
    fs::rename(path, &before)?;
    sync_parent(path)?;
    fs::rename(making, path)?;
    sync_parent(path)?;
    move_aside(&before, path, what, now)
}

const BEFORE: &str = ".before";

/// Ends what a power cut stopped in the middle of [`replace`].
pub(super) fn finish_replacing(path: &Path, now: Timestamp) -> io::Result<()> {
    let before = with_suffix(path, BEFORE);
    if !before.exists() {
        return Ok(());
    }
    if path.exists() {
        move_aside(&before, path, "replaced", now)?;
    } else {
        fs::rename(&before, path)?;
        sync_parent(path)?;
    }
    Ok(())
}

/// The lock lies beside the store rather than in it, so that making, setting aside and renaming the
/// store happen under it too.
pub(super) fn take_lock(path: &Path) -> Result<Flock<File>, Trouble> {
    let lock_path = with_suffix(path, ".lock");
    let file = fs::OpenOptions::new()
        .read(true)
        .write(true)
        .create(true)
        .truncate(false)
        .open(&lock_path)
        .or_else(|error| File::open(&lock_path).map_err(|_| error))?;
    match Flock::lock(file, FlockArg::LockExclusiveNonblock) {
        Ok(lock) => {
            // For people and for the next one's message only; the lock is what counts.
            let _ = fs::write(&lock_path, format!("{}\n", std::process::id()));
            Ok(lock)
        }
        Err((_, nix::errno::Errno::EWOULDBLOCK)) => {
            let holder = fs::read_to_string(&lock_path).ok().and_then(|text| text.trim().parse().ok());
            Err(Trouble::Refused(OpenError::InUse { path: path.to_owned(), holder }))
        }
        Err((_, errno)) => Err(Trouble::Io(errno.into())),
    }
}

pub(super) fn with_suffix(path: &Path, suffix: &str) -> PathBuf {
    let mut name = path.as_os_str().to_owned();
    name.push(suffix);
    PathBuf::from(name)
}

/// Room on the disk for those who are not root, bytes.
///
/// # Errors
/// The system does not tell of that place.
pub(crate) fn free_bytes(path: &Path) -> nix::Result<u64> {
    let stat = nix::sys::statvfs::statvfs(path)?;
    // Each is as wide as a word of the machine: 32 bits hold no more than 4 GiB of them together.
    let bytes = u128::from(stat.blocks_available()) * u128::from(stat.fragment_size());
    Ok(u64::try_from(bytes).unwrap_or(u64::MAX))
}

pub(super) fn is_nearly_full(path: &Path) -> bool {
    let folder = path.parent().filter(|folder| !folder.as_os_str().is_empty()).unwrap_or(Path::new("."));
    free_bytes(folder).is_ok_and(|free| free < LEAST_FREE_BYTES)
}
