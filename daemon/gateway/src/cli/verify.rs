//! `pondreeve verify`: whether a backup or a store is whole.

use std::path::PathBuf;

use super::spoken;
use crate::audit::{Hash, Head};
use crate::exit_code::{DONE, FAILED, Failure, Outcome};
use crate::journal::verify::{self, Checked};
use crate::texts::recognised::recognised;
use crate::texts::{Words, say};

const AFTER: &str = "\
Reads everything and compares every checksum; changes nothing. A backup has a
list of its files: one that is missing or cut short is named. A store must not
be in use (of a running daemon, make a backup and verify that), and is copied
beside itself for the while, which needs as much room again. Of the audit trail
it tells which records were changed, removed, put elsewhere or cut off. Who can
write the whole store can chain a trail anew: against that, give a record's
number and hash as an export or a day's file of earlier has them. Exit status 1
if anything is damaged or missing or the trail is broken, 2 if the folder is
neither a store nor a backup.

Examples:
  pondreeve verify /media/stick/pondreeve
  pondreeve verify /var/lib/pondreeve/store.damaged-20260501T021000Z
  pondreeve verify /media/stick/pondreeve --head 412:9f86d081884c7d659a2feaa0...";

/// Arguments of `verify`.
#[derive(Debug, Clone, clap::Args)]
#[command(after_help = AFTER)]
pub struct Arguments {
    /// Folder of a backup, or of a store that no daemon has open
    #[arg(value_name = "FOLDER")]
    pub folder: PathBuf,
    /// A record of the audit trail that must be in it, as number:hash
    #[arg(long, value_name = "RECORD:HASH", value_parser = head)]
    pub head: Option<Head>,
    /// Print one JSON object instead
    #[arg(long)]
    pub json: bool,
}

/// Checks it.
///
/// # Errors
/// When it is neither a backup nor a store, or is in use.
pub fn run(arguments: &Arguments) -> Outcome {
    verify::is_known(&arguments.folder).map_err(|why| Failure::usage(recognised(spoken(), &why)))?;
    let checked = verify::verify(&arguments.folder, arguments.head)
        .map_err(|why| Failure::failed(recognised(spoken(), &why)))?;
    tell(&checked, arguments.json)
}

/// Reads a record's number and hash.
fn head(text: &str) -> Result<Head, String> {
    let accepted = || say!(spoken(), "usage-head-of-trail", typed = text);
    let (number, hash) = text.split_once(':').ok_or_else(accepted)?;
    let records = number.parse().ok().filter(|number| *number > 0).ok_or_else(accepted)?;
    Ok(Head { records, hash: Hash::from_hex(hash).ok_or_else(accepted)? })
}

/// Says what was found.
pub(super) fn tell(checked: &Checked, json: bool) -> Outcome {
    let Checked { pieces, inputs, damaged, faults, without_list, trail } = checked;
    let damaged = *damaged;
    if json {
        let breaks: Vec<String> = trail.breaks.iter().map(ToString::to_string).collect();
        let object = serde_json::json!({
            "pieces": pieces, "inputs": inputs, "damaged": damaged, "files": faults,
            "knows_its_files": !without_list,
            "audit_records": trail.head.records, "audit_hash": trail.head.hash.to_string(),
            "audit_breaks": breaks, "audit_more_breaks": trail.more,
        });
        super::print(&super::json_line(&object)?)?;
    } else {
        super::print_plain(&told(checked, spoken()))?;
    }
    Ok(if damaged == 0 && trail.is_whole() { DONE } else { FAILED })
}

/// The same for a person.
pub(super) fn told(checked: &Checked, words: Words) -> String {
    let Checked { pieces, inputs, damaged, faults, without_list, trail } = checked;
    let (pieces, inputs) = (pieces.to_string(), inputs.to_string());
    let mut lines = vec![match damaged {
        0 => say!(words, "verify-whole", pieces = pieces, inputs = inputs),
        some => {
            say!(words, "verify-damaged", places = some.to_string(), pieces = pieces, inputs = inputs)
        }
    }];
    lines.extend(faults.iter().map(|line| format!("  {}", recognised(words, line))));
    if *without_list {
        lines.push(say!(words, "verify-no-list"));
    }
    lines.extend(trail.lines().iter().map(|line| recognised(words, line)));
    lines.join("\n")
}
