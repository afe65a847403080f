//! A serial line made of a pseudo-terminal: one end for the daemon to open by path, the other for
//! the simulated probes.

use std::fs::File;
use std::io;
use std::os::fd::OwnedFd;
use std::path::{Path, PathBuf};

use nix::fcntl::{FcntlArg, OFlag, fcntl};
use nix::pty::openpty;
use nix::sys::termios::{self, SetArg};

/// A pseudo-terminal with a stable path. The path goes when the line is dropped.
#[derive(Debug)]
pub struct Line {
    /// The probes' end.
    pub probes: File,
    /// Held open so that the probes' end stays usable while no daemon has the other.
    _daemon: OwnedFd,
    path: PathBuf,
}

impl Line {
    /// Opens a pseudo-terminal and links `path`, which must not exist yet, to the end that the daemon
    /// opens.
    pub fn open(path: &Path) -> io::Result<Self> {
        let pair = openpty(None, None)?;
        // Raw: a terminal's line discipline would echo, and eat or translate bytes that are control
        // characters.
        let mut settings = termios::tcgetattr(&pair.slave)?;
        termios::cfmakeraw(&mut settings);
        termios::tcsetattr(&pair.slave, SetArg::TCSANOW, &settings)?;
        let device = nix::unistd::ttyname(&pair.slave)?;
        std::os::unix::fs::symlink(device, path)?;
        Ok(Self { probes: File::from(pair.master), _daemon: pair.slave, path: path.to_owned() })
    }

    /// The probes' end for whoever sends unasked: where nobody reads and the line is full, what is sent is lost, as on a
    /// wire, and nobody waits for ever.
    pub(crate) fn without_waiting(&self) -> io::Result<File> {
        let port = self.probes.try_clone()?;
        let flags = OFlag::from_bits_truncate(fcntl(&port, FcntlArg::F_GETFL)?);
        fcntl(&port, FcntlArg::F_SETFL(flags | OFlag::O_NONBLOCK))?;
        Ok(port)
    }

    /// The path the daemon opens.
    pub fn path(&self) -> &Path {
        &self.path
    }
}

impl Drop for Line {
    fn drop(&mut self) {
        // Best effort: the folder it stands in is temporary too.
        let _ = std::fs::remove_file(&self.path);
    }
}
