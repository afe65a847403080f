//! The technician's full-screen terminal, over the local socket.

use std::path::PathBuf;

/// How to run the console.
#[derive(Debug, Clone)]
pub struct Options {
    /// The daemon's socket.
    pub socket: PathBuf,
    /// A short text for the top line, such as what is simulated.
    pub title: Option<String>,
}

impl From<PathBuf> for Options {
    fn from(socket: PathBuf) -> Self {
        Self { socket, title: None }
    }
}

/// Why the console ended other than by its own key.
#[derive(Debug, thiserror::Error)]
pub enum ConsoleError {
    /// Not a terminal, or one that cannot place text.
    #[error(
        "cannot open the full-screen console: {found}; it needs a terminal that can place text \
         (vt100 or better). Use `pondreeve status` and `pondreeve alarms` for plain lines instead"
    )]
    Unsuitable {
        /// What was found.
        found: String,
    },
    /// The terminal failed.
    #[error("the terminal could not be read or written: {0}")]
    Terminal(#[from] std::io::Error),
}

/// Shows the console until the person leaves it. Restores the terminal whatever happens.
///
/// # Errors
/// When standard output or input is no suitable terminal, or it fails. A daemon that does not answer
/// is no error: the console says so and keeps trying.
pub async fn run(options: impl Into<Options>) -> Result<(), ConsoleError> {
    let options = options.into();
    Err(ConsoleError::Unsuitable { found: format!("no drawing yet for {}", options.socket.display()) })
}
