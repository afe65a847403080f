//! What was done on the last days, newest last, so that it stands above the prompt.

use jiff::ToSpan as _;

use super::super::plain::{clock, paragraph};
use super::told::when;
use crate::console::deed_words::{deed_words, kind_words};
use crate::exit_code::{Failure, Outcome};
use crate::local::diary::DeedStatus;
use crate::local::protocol::{Ask, FarmStatus, Reply};
use crate::texts::{Words, say};

/// Arguments of a list.
#[derive(Debug, Clone, clap::Args)]
pub struct Arguments {
    /// So many days back
    #[arg(long, default_value_t = 7, value_parser = super::super::numbers::whole(1_u16, 3_650, "usage-days"))]
    pub days: u16,
    /// Readings by hand, acknowledgements and services too
    #[arg(long)]
    pub all: bool,
}

/// Most entries of a list.
const MOST: usize = 2_000;

/// Whether it is an entry of the diary.
fn is_entry(deed: &DeedStatus) -> bool {
    deed.number.is_some()
}

/// Prints what was done.
///
/// # Errors
/// When no daemon answers or the store cannot be read.
pub(super) fn run(record: &super::Arguments, own: &Arguments, farm: &FarmStatus, words: Words) -> Outcome {
    let now = clock(farm).now().ok_or_else(|| Failure::failed(say!(words, "command-no-time")))?;
    let from = now
        .checked_sub((i64::from(own.days) * 24).hours())
        .map_err(|_| Failure::usage(say!(words, "list-too-long", days = own.days.to_string())))?;
    let ask = Ask::Deeds {
        pond: record.pond.clone(),
        from: from.to_string(),
        // What was recorded in this second too.
        to: (now + 1.hours()).to_string(),
        most: MOST,
    };
    let (mut deeds, is_cut) = match record.daemon.ask(ask)? {
        Reply::Deeds { deeds, is_cut } => (deeds, is_cut),
        other => return Err(record.daemon.refused(&other, words)),
    };
    deeds.retain(|deed| own.all || is_entry(deed));
    if record.json {
        // What a line is made of is for consoles.
        deeds.iter_mut().for_each(|deed| deed.said = None);
        let lines = deeds.iter().map(super::super::json_line).collect::<Result<Vec<_>, _>>()?;
        return super::super::print(&lines.concat());
    }
    super::super::print_plain(&listed(farm, &deeds, is_cut, own.days, words))
}

/// The lines for a person.
pub(in super::super) fn listed(
    farm: &FarmStatus,
    deeds: &[DeedStatus],
    is_cut: bool,
    days: u16,
    words: Words,
) -> String {
    let mut out = String::new();
    if is_cut {
        paragraph(&mut out, "", "  ", &say!(words, "list-cut"));
    }
    if deeds.is_empty() {
        paragraph(&mut out, "", "  ", &say!(words, "list-none", days = days.to_string()));
    }
    for deed in deeds {
        let number = deed.number.map_or_else(String::new, |number| number.to_string());
        let pond = deed.pond.as_deref().unwrap_or("-");
        let head = format!("{number:>5} {pond} ");
        let indent = " ".repeat(8);
        paragraph(&mut out, &head, &indent, &line(farm, deed, words));
    }
    out
}

fn line(farm: &FarmStatus, deed: &DeedStatus, words: Words) -> String {
    let state = match (deed.superseded_by, &deed.withdrawn) {
        (Some(_), Some(reason)) => say!(words, "list-withdrawn", reason = reason),
        (Some(later), None) => say!(words, "list-superseded", later = later.to_string()),
        (None, _) => String::new(),
    };
    let instead = match deed.corrects {
        Some(earlier) if deed.kind != "withdrawal" => {
            say!(words, "list-in-place", earlier = earlier.to_string())
        }
        _ => String::new(),
    };
    say!(
        words,
        "list-line",
        when = when(farm, deed, words),
        kind = kind_words(words, &deed.kind),
        words = deed_words(words, deed),
        instead = instead,
        by = &deed.by,
        state = state,
    )
}

/// Columns of the diary as CSV; what a kind has of its own stands in the last, as JSON.
pub(crate) const fn columns() -> &'static str {
    "at_utc,stop_utc,recorded_utc,pond,number,kind,by,corrects,superseded_by,withdrawn,words,values"
}

/// One row of it.
pub(crate) fn csv_row(deed: &DeedStatus) -> String {
    let quoted = |text: &str| {
        if text.contains(['"', ',', '\n', '\r']) {
            format!("\"{}\"", text.replace('"', "\"\""))
        } else {
            text.to_owned()
        }
    };
    let number = |own: Option<u64>| own.map_or_else(String::new, |own| own.to_string());
    let text = |own: &Option<String>| own.as_deref().map_or_else(String::new, &quoted);
    [
        deed.at.clone(),
        text(&deed.stop),
        deed.recorded.clone(),
        text(&deed.pond),
        number(deed.number),
        deed.kind.clone(),
        quoted(&deed.by),
        number(deed.corrects),
        number(deed.superseded_by),
        text(&deed.withdrawn),
        quoted(&deed.words),
        quoted(&serde_json::json!(deed.values).to_string()),
    ]
    .join(",")
}
