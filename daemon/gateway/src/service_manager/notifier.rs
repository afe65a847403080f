//! The datagrams of sd_notify(3).

use std::ffi::OsStr;
use std::io;
use std::os::linux::net::SocketAddrExt as _;
use std::os::unix::ffi::OsStrExt as _;
use std::os::unix::net::{SocketAddr, UnixDatagram};
use std::sync::Arc;
use std::time::Duration;

/// Longest line of status, bytes; more only clutters a person's screen.
const LONGEST_STATUS: usize = 200;

/// The way to the service manager; says nothing where nobody listens. Clone it freely.
#[derive(Debug, Clone, Default)]
pub struct Notifier {
    way: Option<Arc<(UnixDatagram, SocketAddr)>>,
    watchdog: Option<Duration>,
}

impl Notifier {
    /// Nobody is told.
    pub fn silent() -> Self {
        Self::default()
    }

    /// From NOTIFY_SOCKET, WATCHDOG_USEC and WATCHDOG_PID as the service manager sets them.
    ///
    /// # Errors
    /// Where NOTIFY_SOCKET names something that is no socket address, or no socket can be made.
    pub fn from_environment() -> io::Result<Self> {
        let Some(address) = std::env::var_os("NOTIFY_SOCKET").filter(|value| !value.is_empty()) else {
            return Ok(Self::silent());
        };
        let number = |name| std::env::var(name).ok().and_then(|text| text.parse::<u64>().ok());
        // A pid that is not ours: the watchdog is somebody else's, whose environment we were given.
        let ours = std::env::var_os("WATCHDOG_PID").is_none()
            || number("WATCHDOG_PID") == Some(u64::from(std::process::id()));
        let watchdog =
            number("WATCHDOG_USEC").filter(|&micros| ours && micros > 0).map(Duration::from_micros);
        Self::new(&address, watchdog)
    }

    /// Tells a socket: a path, or after an `@` a name of Linux's abstract namespace.
    ///
    /// # Errors
    /// Where that is no socket address, or no socket can be made.
    pub fn new(address: &OsStr, watchdog: Option<Duration>) -> io::Result<Self> {
        let address = match address.as_bytes() {
            [b'@', name @ ..] => SocketAddr::from_abstract_name(name)?,
            _ => SocketAddr::from_pathname(address)?,
        };
        let socket = UnixDatagram::unbound()?;
        // A service manager that hangs must not hang the watch.
        socket.set_nonblocking(true)?;
        Ok(Self { way: Some(Arc::new((socket, address))), watchdog })
    }

    /// How long the service manager waits for a sign of life, if it does.
    pub fn watchdog(&self) -> Option<Duration> {
        self.watchdog
    }

    /// Whether anybody listens.
    pub fn is_heard(&self) -> bool {
        self.way.is_some()
    }

    /// Readings are taken and alarms are armed.
    pub fn ready(&self, status: &str) {
        self.send(&format!("READY=1\nSTATUS={}", line(status)));
    }

    /// How it goes, for `systemctl status`.
    pub fn status(&self, status: &str) {
        self.send(&format!("STATUS={}", line(status)));
    }

    /// The pipeline works.
    pub fn alive(&self) {
        self.send("WATCHDOG=1");
    }

    /// An orderly end has begun.
    pub fn stopping(&self) {
        self.send("STOPPING=1\nSTATUS=Stopping: what was read goes to disk");
    }

    fn send(&self, text: &str) {
        let Some(way) = &self.way else { return };
        if let Err(error) = way.0.send_to_addr(text.as_bytes(), &way.1) {
            tracing::warn!(%error, "the service manager could not be told {text:?}");
        }
    }
}

/// One line: a second one would be taken for another message.
fn line(text: &str) -> String {
    let plain: String = text.chars().map(|c| if c.is_control() { ' ' } else { c }).collect();
    let end = plain.char_indices().map(|(at, c)| at + c.len_utf8()).take_while(|&end| end <= LONGEST_STATUS);
    let end = end.last().unwrap_or(0);
    plain[..end].to_owned()
}
