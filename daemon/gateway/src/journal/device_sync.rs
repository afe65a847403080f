//! Makes what sled takes for durable so.
//!
//! sled's reasoning about power cuts is sound, but on Linux two of its steps do not hold what it builds on:
//! - It uses a piece of its file anew as soon as what was in it has been written elsewhere *and synced*, and "syncs"
//!   with `sync_file_range`, which by its manual (sync_file_range(2), "Warning") reaches neither the file's size, nor
//!   the place of its blocks, nor the device's cache. A cut then left the old place written over and the new one not
//!   there: a tree that named a page it had not.
//! - When it opens, it renames a new snapshot into place and then clears pieces of its file that only the snapshot
//!   before still needs, without syncing the folder between the two. A cut then left the old snapshot and the cleared
//!   pieces, and the store did not open.
//!
//! So this program brings a `sync_file_range` and a `rename` of its own, which the linker prefers to the C library's:
//! the one syncs the file, the other the folder. They do all that those do, and wait for the device as well.

use std::ffi::{CStr, OsStr, c_char, c_int, c_uint};
use std::fs::File;
use std::io;
use std::os::fd::BorrowedFd;
use std::os::unix::ffi::OsStrExt;
use std::path::Path;
use std::sync::atomic::{AtomicU64, Ordering};

use nix::errno::Errno;
use nix::fcntl::{AT_FDCWD, renameat};

/// How often each was called.
static SYNCS: AtomicU64 = AtomicU64::new(0);
static RENAMES: AtomicU64 = AtomicU64::new(0);

/// What a function of the C library returns, with the error in `errno`, where the caller looks for it.
fn told(outcome: nix::Result<()>) -> c_int {
    match outcome {
        Ok(()) => 0,
        Err(error) => {
            error.set();
            -1
        }
    }
}

/// In the place of the C library's: syncs all of the file's data and what is needed to find it.
#[cfg(target_os = "linux")]
#[expect(unsafe_code, reason = "the symbol is the C library's, which promises less than this")]
#[unsafe(no_mangle)]
extern "C" fn sync_file_range(fd: c_int, _offset: i64, _length: i64, _flags: c_uint) -> c_int {
    SYNCS.fetch_add(1, Ordering::Relaxed);
    if fd < 0 {
        return told(Err(Errno::EBADF));
    }
    #[expect(unsafe_code, reason = "the caller's handle, open as long as it waits for this call")]
    let file = unsafe { BorrowedFd::borrow_raw(fd) };
    told(nix::unistd::fdatasync(file))
}

/// In the place of the C library's: renames, and syncs the folder in which the new name is.
#[cfg(target_os = "linux")]
#[expect(unsafe_code, reason = "the symbol is the C library's, which promises less than this")]
#[unsafe(no_mangle)]
extern "C" fn rename(from: *const c_char, to: *const c_char) -> c_int {
    RENAMES.fetch_add(1, Ordering::Relaxed);
    if from.is_null() || to.is_null() {
        return told(Err(Errno::EFAULT));
    }
    #[expect(unsafe_code, reason = "as for the C library's, the caller hands in texts that end with a zero")]
    let (from, to) = unsafe { (CStr::from_ptr(from), CStr::from_ptr(to)) };
    let renamed = renameat(AT_FDCWD, from, AT_FDCWD, to);
    told(renamed.and_then(|()| sync_folder_of(Path::new(OsStr::from_bytes(to.to_bytes())))))
}

/// Syncs the folder in which a file is. One that cannot be read, or a file system without such a sync, is no
/// failure: the rename was done, as by the C library's.
#[cfg(target_os = "linux")]
fn sync_folder_of(path: &Path) -> nix::Result<()> {
    let parent = path.parent().filter(|parent| !parent.as_os_str().is_empty()).unwrap_or(Path::new("."));
    let Ok(folder) = File::open(parent) else { return Ok(()) };
    match nix::unistd::fsync(folder) {
        Err(Errno::EINVAL | Errno::ENOTSUP | Errno::ENOSYS) => Ok(()),
        synced => synced,
    }
}

/// Syncs a file's data; names the functions above, so that the linker cannot leave them out.
pub(super) fn sync_data(file: &File) -> io::Result<()> {
    #[cfg(target_os = "linux")]
    std::hint::black_box((
        sync_file_range as extern "C" fn(c_int, i64, i64, c_uint) -> c_int,
        rename as extern "C" fn(*const c_char, *const c_char) -> c_int,
    ));
    file.sync_data()
}

#[cfg(test)]
mod tests {
    use super::*;

    /// A program that another test starts holds the lock of the closed store too, until it is one of its own.
    fn open_when_let_go(path: &Path) -> sled::Db {
        for _ in 0..100 {
            match crate::journal::database::settings(path).open() {
                Err(sled::Error::Io(error)) if crate::journal::database::is_locked(&error) => {
                    std::thread::sleep(std::time::Duration::from_millis(50));
                }
                opened => return opened.unwrap(),
            }
        }
        panic!("the store stays locked");
    }

    #[test]
    fn the_database_syncs_for_good_by_itself() {
        let folder = tempfile::tempdir().unwrap();
        let path = folder.path().join("store");
        let counts = || (SYNCS.load(Ordering::Relaxed), RENAMES.load(Ordering::Relaxed));
        let before = counts();
        for _ in 0..2 {
            let db = open_when_let_go(&path);
            db.insert("key", "value").unwrap();
            db.flush().unwrap();
        }
        let after = counts();
        assert!(after.0 > before.0, "sled calls the C library's sync_file_range");
        assert!(after.1 > before.1, "sled renames its snapshots");
    }

    #[test]
    fn what_cannot_be_done_is_refused_as_by_the_c_library() {
        assert_eq!(sync_file_range(-1, 0, 0, 0), -1);
        assert_eq!(Errno::last(), Errno::EBADF);
        let folder = tempfile::tempdir().unwrap();
        let missing = std::fs::rename(folder.path().join("missing"), folder.path().join("other"));
        assert_eq!(missing.unwrap_err().kind(), io::ErrorKind::NotFound);
        std::fs::write(folder.path().join("one"), "text").unwrap();
        std::fs::rename(folder.path().join("one"), folder.path().join("two")).unwrap();
        assert_eq!(std::fs::read_to_string(folder.path().join("two")).unwrap(), "text");
    }
}
