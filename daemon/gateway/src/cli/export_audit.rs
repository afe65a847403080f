//! `pondreeve export --audit`: the audit trail.

use std::io::Write as _;

use serde::Serialize;

use super::export::Stop;
use crate::audit::row::FIELDS;
use crate::audit::{Check, Hash, Row};
use crate::exit_code::{DONE, Failure, Outcome};
use crate::local::client;
use crate::local::protocol::{Ask, AuditRecord, Reply};
use crate::texts::recognised::recognised;

/// Prints every record, and checks the chain on the way.
///
/// # Errors
/// When no daemon answers, or its store cannot be read.
pub(super) fn run(daemon: &super::Daemon, json: bool) -> Outcome {
    let mut check = Check::new(None);
    let mut out = std::io::BufWriter::new(std::io::stdout().lock());
    let printed = super::wait_for(async {
        let mut client = client::connect(&daemon.socket).await.map_err(|error| super::unreached(&error))?;
        if !json {
            writeln!(out, "{}", FIELDS.map(|name| format!("\"{name}\"")).join(","))?;
        }
        loop {
            let from = check.head().records + 1;
            let asked = client.ask(Ask::AuditTrail { from }).await;
            let records = match asked.map_err(|error| super::unreached(&error))? {
                Reply::AuditTrail { records } => records,
                other => return Err(daemon.unexpected(&other).into()),
            };
            let last = records.last().map_or(0, |own| own.record);
            if last < from {
                return out.flush().map_err(Stop::from);
            }
            for AuditRecord { record, text, hash } in records {
                let row = Row { text, hash: Hash::from_hex(&hash).unwrap_or_default() };
                check.row(record, &row);
                if json {
                    out.write_all(as_json(record, &row)?.as_bytes())?;
                } else {
                    writeln!(out, "{}", row.line())?;
                }
            }
        }
    })?;
    match printed {
        Err(Stop::Enough) => return Ok(DONE),
        Err(Stop::Failed(failure)) => return Err(failure),
        Ok(()) => {}
    }
    let checked = check.end();
    if checked.is_whole() {
        return Ok(DONE);
    }
    let words = daemon.words();
    let lines: Vec<String> = checked.lines().iter().map(|line| recognised(words, line)).collect();
    Err(Failure::failed(lines.join("\n")))
}

/// The fields of a record under their names.
#[derive(Serialize)]
struct JsonRecord<'a> {
    record: u64,
    time_utc: &'a str,
    time_local: &'a str,
    user: &'a str,
    place: &'a str,
    action: &'a str,
    object: &'a str,
    old: &'a str,
    new: &'a str,
    reason: &'a str,
    previous: &'a str,
    hash: String,
}

fn as_json(record: u64, row: &Row) -> Result<String, Failure> {
    let fields = row.fields().unwrap_or_default();
    let field = |place: usize| fields.get(place).map_or("", String::as_str);
    super::json_line(&JsonRecord {
        record,
        time_utc: field(1),
        time_local: field(2),
        user: field(3),
        place: field(4),
        action: field(5),
        object: field(6),
        old: field(7),
        new: field(8),
        reason: field(9),
        previous: field(10),
        hash: row.hash.to_string(),
    })
}
