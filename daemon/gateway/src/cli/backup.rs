//! `pondreeve backup`: a copy of the store while the daemon runs.

use std::path::PathBuf;

use crate::exit_code::{Failure, Outcome};
use crate::local::protocol::{Ask, Reply};
use crate::texts::say;

const AFTER: &str = "\
The daemon writes the copy and goes on watching: its user must be able to write
the folder. One file a day, an index twice and, last, a list of the files; every
piece carries a checksum. Days that are there already are written anew.

pondreeve verify FOLDER checks it. pondreeve salvage FOLDER STORE makes a store
of it: stop the daemon, name that store in the configuration, start it.

Example:
  pondreeve backup /media/stick/pondreeve";

/// Arguments of `backup`.
#[derive(Debug, Clone, clap::Args)]
#[command(after_help = AFTER)]
pub struct Arguments {
    /// Folder to write to; made if it is not there
    #[arg(value_name = "FOLDER")]
    pub folder: PathBuf,
    /// Print one JSON object instead
    #[arg(long)]
    pub json: bool,
    /// Where the daemon listens
    #[command(flatten)]
    pub daemon: super::Daemon,
}

/// Has the daemon copy its store.
///
/// # Errors
/// When no daemon answers, or it cannot write there.
pub fn run(arguments: &Arguments) -> Outcome {
    let words = arguments.daemon.words();
    let folder = std::path::absolute(&arguments.folder).map_err(|error| {
        let folder = arguments.folder.display().to_string();
        Failure::usage(say!(words, "backup-no-path", folder = folder, error = super::error_in(&error)))
    })?;
    let text = folder.to_str().ok_or_else(|| {
        Failure::usage(say!(words, "backup-not-utf8", folder = folder.display().to_string()))
    })?;
    match arguments.daemon.ask(Ask::Backup { folder: text.to_owned() })? {
        Reply::BackedUp { pieces } if arguments.json => {
            super::print(&super::json_line(&serde_json::json!({ "folder": text, "pieces": pieces }))?)
        }
        Reply::BackedUp { pieces } => {
            super::print_plain(&say!(words, "backup-done", pieces = pieces.to_string(), folder = text))
        }
        other => Err(arguments.daemon.unexpected(&other)),
    }
}
