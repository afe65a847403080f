//! A file a day of everything that was measured, readable without this program: CSV, packed by gzip, which
//! carries a checksum of its own (`gzip -t` checks it, `zcat` shows it).

use std::collections::BTreeSet;
use std::fs;
use std::io::{self, Write};
use std::path::{Path, PathBuf};
use std::sync::Arc;
use std::time::Duration;

use flate2::Compression;
use flate2::write::GzEncoder;
use pondreeve_core::input::GatewayPart;
use pondreeve_core::said::said;
use pondreeve_core::{Event, Quantity, Span, Timestamp};
use tokio_util::sync::CancellationToken;

use super::Shelf;
use crate::audit::{Head, Place};
use crate::clock::Clock;
use crate::config::Farm;
use crate::inbox::{Inbox, Incoming};
use crate::journal::{Kept, Query};
use crate::local::status::rfc3339;

/// A day that ended this long ago is written: what probes kept while they were offline has mostly come.
const AFTER: Span = Span::from_hours(2);

/// Days that are made up for after an outage, or when the folder is new.
const BACK_DAYS: i64 = 31;

const DAY_MS: i64 = 86_400_000;

/// How often it is looked whether a day is to be written, in real time.
const EVERY: Duration = Duration::from_secs(600);

/// Stretch of one question, so that commits come in between.
const PAGE: Span = Span::from_hours(6);

const HEADER: &str = "time_utc,pond,quantity,probe,raw,value,flag\n";

/// Writes the files that are due, until `stop` is cancelled.
pub async fn keep(farm: Arc<Farm>, clock: Clock, shelf: Shelf, inbox: Inbox, stop: CancellationToken) {
    let Some(folder) = farm.store.daily_files.clone() else { return };
    let mut empty = BTreeSet::new();
    let mut told: Option<String> = None;
    loop {
        let trouble = match write_due(&farm, clock.now(), &shelf, &folder, &mut empty).await {
            Ok(()) => None,
            Err(error) => Some(String::from(said!(
                "trouble-daily-file",
                "the file of a day could not be written to {folder}: {error}. Look after that folder; it is tried again",
                folder = folder.display().to_string(),
                error = error
            ))),
        };
        if trouble != told {
            let (part, which) = (GatewayPart::Store, "daily-files".to_owned());
            let event = Event::GatewayFault { part, which, detail: trouble.clone() };
            if inbox.send(Incoming { event, done: None, urgent: false, place: Place::Daemon }).await.is_err()
            {
                return;
            }
            told = trouble;
        }
        tokio::select! {
            () = stop.cancelled() => return,
            () = tokio::time::sleep(EVERY) => {}
        }
    }
}

/// Writes every day that is due and not there; days without readings are noted in `empty`.
pub(super) async fn write_due(
    farm: &Farm,
    now: Timestamp,
    shelf: &Shelf,
    folder: &Path,
    empty: &mut BTreeSet<i64>,
) -> Result<(), String> {
    let last = (now - AFTER).as_millis().div_euclid(DAY_MS);
    for day in last - BACK_DAYS..last {
        let path = folder.join(file_name(day));
        if empty.contains(&day) || path.exists() {
            continue;
        }
        let mut packer = GzEncoder::new(Vec::new(), Compression::default());
        packer.write_all(HEADER.as_bytes()).map_err(|error| error.to_string())?;
        let mut rows = 0;
        for pond in &farm.site.ponds {
            for &quantity in Quantity::ALL {
                rows += put_day(shelf, &pond.id, quantity, day, &mut packer).await?;
            }
        }
        if rows == 0 {
            empty.insert(day);
            continue;
        }
        let bytes = packer.finish().map_err(|error| error.to_string())?;
        write_head(shelf, now, &folder.join(head_name(day))).await?;
        let written = tokio::task::spawn_blocking(move || write_file(&path, &bytes)).await;
        written.map_err(|error| error.to_string())?.map_err(|error| error.to_string())?;
    }
    Ok(())
}

fn file_name(day: i64) -> String {
    let start = jiff::Timestamp::from_millisecond(day * DAY_MS).unwrap_or_default();
    format!("readings-{}.csv.gz", start.strftime("%Y-%m-%d"))
}

fn head_name(day: i64) -> String {
    let start = jiff::Timestamp::from_millisecond(day * DAY_MS).unwrap_or_default();
    format!("audit-{}.txt", start.strftime("%Y-%m-%d"))
}

/// Where the audit trail ends, for whoever takes the files away: with it a trail that is written anew later shows.
async fn write_head(shelf: &Shelf, now: Timestamp, path: &Path) -> Result<(), String> {
    let Head { records, hash } = shelf.trail_head().await?;
    let text = format!("{} {records}:{hash}\n", rfc3339(now));
    let path = path.to_owned();
    let written = tokio::task::spawn_blocking(move || write_file(&path, text.as_bytes())).await;
    written.map_err(|error| error.to_string())?.map_err(|error| error.to_string())
}

async fn put_day(
    shelf: &Shelf,
    pond: &str,
    quantity: Quantity,
    day: i64,
    out: &mut GzEncoder<Vec<u8>>,
) -> Result<usize, String> {
    let mut rows = 0;
    let end = Timestamp((day + 1) * DAY_MS);
    let mut from = Timestamp(day * DAY_MS);
    while from < end {
        let to = (from + PAGE).min(end);
        let query = Query { pond: pond.to_owned(), quantity, from, to };
        let found = shelf.readings(query).await?;
        put_rows(out, pond, quantity, &found).map_err(|error| error.to_string())?;
        rows += found.len();
        from = to;
    }
    Ok(rows)
}

fn put_rows(out: &mut GzEncoder<Vec<u8>>, pond: &str, quantity: Quantity, found: &[Kept]) -> io::Result<()> {
    for Kept { at, probe, raw, value, flag, .. } in found {
        let text = |value: Option<f64>| value.map(|value| value.to_string()).unwrap_or_default();
        let flag = flag.map(|flag| (flag as u8).to_string()).unwrap_or_default();
        let id = quantity.id();
        writeln!(out, "{},{pond},{id},{probe},{},{},{flag}", rfc3339(*at), text(*raw), text(*value))?;
    }
    Ok(())
}

/// The file has its name only once it is whole and on disk.
fn write_file(path: &Path, bytes: &[u8]) -> io::Result<()> {
    let folder = path.parent().map(PathBuf::from).unwrap_or_default();
    fs::create_dir_all(&folder)?;
    let making = path.with_extension("making");
    let mut file = fs::File::create(&making)?;
    file.write_all(bytes)?;
    file.sync_all()?;
    fs::rename(&making, path)?;
    fs::File::open(&folder)?.sync_all()
}
