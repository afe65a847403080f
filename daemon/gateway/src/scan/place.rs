//! Where a line is: at a device of the gateway, or at a serial server.

use std::fmt;
use std::path::{Path, PathBuf};

use crate::cli::spoken;
use crate::config::host_and_port;
use crate::texts::say;

/// Where a line is.
#[derive(Debug, Clone, PartialEq, Eq)]
pub enum Place {
    /// A serial device.
    Device(PathBuf),
    /// Host and port of a serial server.
    Server(String, u16),
}

impl Place {
    /// Reads the host and port of a serial server.
    ///
    /// # Errors
    /// What would be accepted.
    pub fn server(text: &str) -> Result<Self, String> {
        let parts = host_and_port(text).ok_or_else(|| say!(spoken(), "usage-scan-server", typed = text))?;
        Ok(Self::Server(parts.0, parts.1))
    }

    /// The device, where it is one.
    pub fn device(&self) -> Option<&Path> {
        match self {
            Self::Device(device) => Some(device),
            Self::Server(..) => None,
        }
    }
}

impl fmt::Display for Place {
    fn fmt(&self, f: &mut fmt::Formatter<'_>) -> fmt::Result {
        match self {
            Self::Device(device) => device.display().fmt(f),
            // As RFC 3986 has addresses of IPv6 before a port.
            Self::Server(host, port) if host.contains(':') => write!(f, "[{host}]:{port}"),
            Self::Server(host, port) => write!(f, "{host}:{port}"),
        }
    }
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn a_server_is_read_as_the_configuration_has_it_and_written_so_again() {
        for text in ["127.0.0.1:4001", "[::1]:502", "line-1.farm.example:502"] {
            assert_eq!(Place::server(text).map(|own| own.to_string()), Ok(text.to_owned()));
        }
        assert_eq!(Place::server("[::1]:502"), Ok(Place::Server("::1".to_owned(), 502)));
        for wrong in ["", "host", "host:", ":502", "host:0", "host:70000", "/dev/tty:5", "a b:502"] {
            assert!(Place::server(wrong).is_err(), "{wrong}");
        }
    }
}
