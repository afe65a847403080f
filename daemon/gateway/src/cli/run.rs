//! `pondreeve run`: the daemon.

use std::path::PathBuf;

use crate::exit_code::{Failure, Outcome};

/// Arguments of `run`.
#[derive(Debug, clap::Args)]
pub struct Arguments {
    /// The farm's configuration
    #[arg(long, value_name = "FILE")]
    pub config: PathBuf,
}

/// Runs the daemon until a signal stops it.
pub fn run(arguments: &Arguments) -> Outcome {
    Err(Failure::failed(format!(
        "running the farm of {} failed: this build has no engine yet",
        arguments.config.display()
    )))
}
