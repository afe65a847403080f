//! `pondreeve verify`: whether a backup or a store is whole.

use std::path::PathBuf;

use crate::exit_code::{DONE, FAILED, Failure, Outcome};
use crate::journal::archive;

const AFTER: &str = "\
Reads everything and compares every checksum; changes nothing. A store must not
be in use (of a running daemon, make a backup and verify that), and is copied
beside itself for the while, which needs as much room again.
Exit status 1 if anything is damaged.

Examples:
  pondreeve verify /media/stick/pondreeve
  pondreeve verify /var/lib/pondreeve/store.damaged-20260501T021000Z";

/// Arguments of `verify`.
#[derive(Debug, Clone, clap::Args)]
#[command(after_help = AFTER)]
pub struct Arguments {
    /// Folder of a backup, or of a store that no daemon has open
    #[arg(value_name = "FOLDER")]
    pub folder: PathBuf,
    /// Print one JSON object instead
    #[arg(long)]
    pub json: bool,
}

/// Checks it.
///
/// # Errors
/// When it is neither a backup nor a store, or is in use.
pub fn run(arguments: &Arguments) -> Outcome {
    let checked = archive::verify(&arguments.folder).map_err(Failure::failed)?;
    tell(&checked, arguments.json)
}

/// Says what was found.
pub(super) fn tell(checked: &archive::Checked, json: bool) -> Outcome {
    let archive::Checked { pieces, inputs, damaged } = *checked;
    if json {
        let object = serde_json::json!({ "pieces": pieces, "inputs": inputs, "damaged": damaged });
        super::print(&super::json_line(&object)?)?;
    } else if damaged == 0 {
        super::print(&format!("whole: {pieces} sealed pieces, {inputs} inputs\n"))?;
    } else {
        super::print(&format!(
            "DAMAGED in {damaged} places; good are {pieces} sealed pieces, {inputs} inputs\n"
        ))?;
    }
    Ok(if damaged == 0 { DONE } else { FAILED })
}
