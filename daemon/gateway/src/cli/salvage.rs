//! `pondreeve salvage`: a new store from a backup, or of what can be read of a damaged one.

use std::path::PathBuf;

use super::spoken;
use crate::exit_code::{Failure, Outcome};
use crate::journal::{archive, verify};
use crate::texts::recognised::recognised;
use crate::texts::say;

const AFTER: &str = "\
Reads a backup, or a store that was set aside as damaged, and makes a new store
of everything that can be read. The old one is left as it is. To use the new
one: stop the daemon, name it in the configuration ([store] path), start the
daemon. Make it as the daemon's user, who must be able to write it. What became
of the audit trail is told, and noted in it at the next start. Exit status 1 if
something could not be read.

Examples:
  sudo -u pondreeve pondreeve salvage /media/stick/pondreeve \\
      /var/lib/pondreeve/restored
  pondreeve salvage store.damaged-20260501T021000Z salvaged";

/// Arguments of `salvage`.
#[derive(Debug, Clone, clap::Args)]
#[command(after_help = AFTER)]
pub struct Arguments {
    /// Folder of a backup, or of a store that no daemon has open
    #[arg(value_name = "FROM")]
    pub from: PathBuf,
    /// Where the new store is made; nothing may be there
    #[arg(value_name = "STORE")]
    pub to: PathBuf,
    /// Print one JSON object instead
    #[arg(long)]
    pub json: bool,
}

/// Makes the new store.
///
/// # Errors
/// When there is nothing to read, or something at the new place already.
pub fn run(arguments: &Arguments) -> Outcome {
    if arguments.to.exists() {
        return Err(Failure::usage(say!(
            spoken(),
            "salvage-exists",
            place = arguments.to.display().to_string()
        )));
    }
    verify::is_known(&arguments.from).map_err(|why| Failure::usage(recognised(spoken(), &why)))?;
    let checked = archive::salvage(&arguments.from, &arguments.to)
        .map_err(|why| Failure::failed(recognised(spoken(), &why)))?;
    super::verify::tell(&checked, arguments.json)
}
