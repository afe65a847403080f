//! Makes what sled takes for a sync one.
//!
//! sled uses a piece of its file anew as soon as what was in it has been written elsewhere *and synced*. On
//! Linux it "syncs" with `sync_file_range`, which by its manual (sync_file_range(2), "Warning") reaches neither the
//! file's size, nor the place of its blocks, nor the device's cache. At a power cut the old place was then written
//! over and the new one not there: one store in a thousand cuts had a tree that named a page it had not. On other
//! systems sled calls fsync there, and its reasoning holds.
//!
//! So this program brings a `sync_file_range` of its own, which the linker prefers to the C library's: it syncs
//! the file. Nothing else here calls it.

use std::ffi::{c_int, c_uint};
use std::fs::File;
use std::io;
use std::os::fd::BorrowedFd;
use std::sync::atomic::{AtomicU64, Ordering};

/// How often it was called.
static CALLS: AtomicU64 = AtomicU64::new(0);

/// In the place of the C library's: syncs all of the file's data and what is needed to find it.
#[cfg(target_os = "linux")]
#[expect(unsafe_code, reason = "the symbol is the C library's, and means less than this")]
#[unsafe(no_mangle)]
extern "C" fn sync_file_range(fd: c_int, _offset: i64, _length: i64, _flags: c_uint) -> c_int {
    CALLS.fetch_add(1, Ordering::Relaxed);
    if fd < 0 {
        nix::errno::Errno::EBADF.set();
        return -1;
    }
    #[expect(unsafe_code, reason = "the caller's handle, open as long as it waits for this call")]
    let file = unsafe { BorrowedFd::borrow_raw(fd) };
    match nix::unistd::fdatasync(file) {
        Ok(()) => 0,
        // Left in `errno`, where the caller looks for it.
        Err(error) => {
            error.set();
            -1
        }
    }
}

/// Syncs a file's data; names the function above, so that the linker cannot leave it out.
pub(super) fn sync_data(file: &File) -> io::Result<()> {
    #[cfg(target_os = "linux")]
    std::hint::black_box(sync_file_range as extern "C" fn(c_int, i64, i64, c_uint) -> c_int);
    file.sync_data()
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn the_database_syncs_for_good_by_itself() {
        let folder = tempfile::tempdir().unwrap();
        let before = CALLS.load(Ordering::Relaxed);
        let db = crate::journal::database::settings(&folder.path().join("store")).open().unwrap();
        db.insert("key", "value").unwrap();
        db.flush().unwrap();
        assert!(CALLS.load(Ordering::Relaxed) > before, "sled calls the C library's sync_file_range");
    }

    #[test]
    fn a_handle_that_is_none_is_refused_as_by_the_c_library() {
        assert_eq!(sync_file_range(-1, 0, 0, 0), -1);
        assert_eq!(nix::errno::Errno::last(), nix::errno::Errno::EBADF);
    }
}
