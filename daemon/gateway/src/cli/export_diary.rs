//! `pondreeve export --diary`: what people did.

use std::io::Write as _;

use super::export::Stop;
use super::record::{deed_columns, deed_csv_row};
use crate::exit_code::{DONE, Failure, Outcome};
use crate::local::client;
use crate::local::protocol::{Ask, Reply};
use crate::texts::say;

/// Without --from, so far back: more than a crop, and its preparation.
pub(super) const DAYS_BACK: i64 = 400;

/// Stretch of one question.
const PAGE_MS: i64 = 31 * 86_400_000;

/// Most of one page; a pond of a large farm has some hundreds a month.
const MOST: usize = 10_000;

/// Prints what people did in a stretch of time, oldest first.
///
/// # Errors
/// When no daemon answers, or its store cannot be read.
pub(super) fn run(daemon: &super::Daemon, ponds: &[String], (from, to): (i64, i64), json: bool) -> Outcome {
    let mut out = std::io::BufWriter::new(std::io::stdout().lock());
    let printed = super::wait_for(async {
        let mut client = client::connect(&daemon.socket).await.map_err(|error| super::unreached(&error))?;
        if !json {
            writeln!(out, "{}", deed_columns())?;
        }
        let mut page = from;
        while page < to {
            let end = (page + PAGE_MS).min(to);
            let time = |at_ms| jiff::Timestamp::from_millisecond(at_ms).unwrap_or_default().to_string();
            let ask = Ask::Deeds { pond: None, from: time(page), to: time(end), most: MOST };
            let answer = client.ask(ask).await.map_err(|error| super::unreached(&error))?;
            let (deeds, is_cut) = match answer {
                Reply::Deeds { deeds, is_cut } => (deeds, is_cut),
                other => return Err(daemon.unexpected(&other).into()),
            };
            if is_cut {
                let (most, from, to) = (MOST.to_string(), time(page), time(end));
                let text = say!(super::spoken(), "export-too-many", most = most, from = from, to = to);
                return Err(Failure::failed(text).into());
            }
            let wanted =
                |pond: Option<&str>| ponds.is_empty() || ponds.iter().any(|own| Some(own.as_str()) == pond);
            for deed in deeds.iter().filter(|deed| wanted(deed.pond.as_deref())) {
                if json {
                    out.write_all(super::json_line(deed)?.as_bytes())?;
                } else {
                    writeln!(out, "{}", deed_csv_row(deed))?;
                }
            }
            page = end;
        }
        out.flush().map_err(Stop::from)
    })?;
    match printed {
        Ok(()) | Err(Stop::Enough) => Ok(DONE),
        Err(Stop::Failed(failure)) => Err(failure),
    }
}
