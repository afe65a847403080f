//! `pondreeve replay`: recorded readings through the whole pipeline at full speed.
//!
//! Nothing here judges a reading: the rows become the same inputs that a live probe's answers become,
//! and the very same core takes them.

use std::collections::{BTreeMap, BTreeSet};
use std::io::{BufWriter, Write};
use std::path::PathBuf;

use pondreeve_core::input::Sample;
use pondreeve_core::site::ProbeIndex;
use pondreeve_core::{Effect, Event, Input, Quantity, Site, Span, State, Timestamp};

use super::numbers::within;
use crate::exit_code::{DONE, Failure, Outcome, USAGE};

mod lines;
mod place;
mod rows;
mod trouble;

pub(crate) use lines::At;
pub use lines::Kind;
use lines::Lines;
use place::{Place, SALINITY_PSU, STEP_UNKNOWN, site};
use rows::{Recording, Row};
use trouble::{Kind as TroubleKind, Trouble};

/// A row that is further ahead of the one before it than this carries a mistyped date, unless the next
/// row agrees with it: believed at once, it would make every later row out of order.
const LONGEST_GAP: Span = Span::from_hours(366 * 24);

const AFTER: &str = "\
Input: CSV with a header line: time_utc (RFC 3339, such as
2026-03-01T18:30:00Z) and any quantity ids, such as do_mg_l, temperature_c,
salinity_psu, ph. An empty cell is no reading. Several files are read one after
the other as one recording.

What is wrong is said on standard error with file, line and column, and the
reading goes on:
  - a column that is no quantity is named once and not read;
  - a time or a number that cannot be read: that row or value is left out, and
    the exit status is 2 at the end;
  - a row older than one before it is said, passed on and printed; the order
    test marks what is older than a reading already taken.
How often readings come is learnt from the first rows, and the limits for stale
and missing readings are widened to fit: a 30-minute recording is not an outage.
Recorded values are taken as they stand: calibration is not applied again.

Output: one JSON object a line, in order of time, with kind, pond and at:
reading, derived, forecast, alarm, advice.

Examples:
  pondreeve replay --latitude 9.5 --longitude -75.6 lagoon.csv
  pondreeve replay --config farm.toml --pond p1 --only alarm june.csv july.csv
  pondreeve replay --latitude 9.5 --longitude -75.6 --only forecast lagoon.csv";

/// Arguments of `replay`.
#[derive(Debug, Clone, clap::Args)]
#[command(after_help = AFTER)]
pub struct Arguments {
    /// Take limits and aerators of a pond from this farm's configuration
    #[arg(long, value_name = "FILE", requires = "pond", conflicts_with_all = ["latitude", "longitude", "salinity_psu"])]
    pub config: Option<PathBuf>,
    /// Which pond of the farm; without --config, what to call it
    #[arg(long, value_name = "ID")]
    pub pond: Option<String>,
    /// Degrees north, for sunset and sunrise
    #[arg(long, value_name = "DEGREES", required_unless_present = "config", value_parser = within(-90.0, 90.0, "degrees"))]
    pub latitude: Option<f64>,
    /// Degrees east, for sunset and sunrise
    #[arg(long, value_name = "DEGREES", required_unless_present = "config", value_parser = within(-180.0, 180.0, "degrees"))]
    pub longitude: Option<f64>,
    /// Salinity while no reading tells it; 18 if not given
    #[arg(long, value_name = "PSU", value_parser = within(0.0, 45.0, "PSU"))]
    pub salinity_psu: Option<f64>,
    /// Print only these kinds of line
    #[arg(long, value_name = "KIND", value_delimiter = ',')]
    pub only: Vec<Kind>,
    /// Print JSON lines; they always are
    #[arg(long, hide = true)]
    pub json: bool,
    /// Recorded readings, in the order in which they were made
    #[arg(value_name = "CSV", required = true)]
    pub files: Vec<PathBuf>,
}

/// Replays files to standard output.
///
/// # Errors
/// When a file or the configuration cannot be used at all, or standard output fails.
pub fn run(arguments: &Arguments) -> Outcome {
    let place = Place::of(arguments)?;
    let out = BufWriter::with_capacity(1 << 16, std::io::stdout().lock());
    replay(&place, &arguments.files, &arguments.only, out, &mut std::io::stderr().lock())
}

/// Reads bytes as a recording, to the last row.
pub(crate) fn read_bytes(bytes: &[u8]) {
    use std::io::{Seek as _, SeekFrom};
    use std::os::fd::AsRawFd as _;

    // A file is what it reads; this one is in memory and has no name.
    let Ok(memory) = nix::sys::memfd::memfd_create(c"recording", nix::sys::memfd::MFdFlags::empty()) else {
        return;
    };
    let path = PathBuf::from(format!("/proc/self/fd/{}", memory.as_raw_fd()));
    let mut file = std::fs::File::from(memory);
    if file.write_all(bytes).and_then(|()| file.seek(SeekFrom::Start(0))).is_err() {
        return;
    }
    let mut unread = std::io::sink();
    let mut trouble = Trouble::new(&mut unread);
    let Ok(mut recording) = Recording::open(&path, &mut trouble) else { return };
    let _ = recording.steps();
    let mut row = Row::default();
    while let Ok(true) = recording.next(&mut row, &mut trouble) {}
    let _ = trouble.finish();
}

/// Replays `files` as one recording: lines to `out`, complaints to `errors`.
fn replay(
    place: &Place,
    files: &[PathBuf],
    only: &[Kind],
    out: impl Write,
    errors: &mut dyn Write,
) -> Outcome {
    let mut trouble = Trouble::new(errors);
    let mut recordings = Vec::with_capacity(files.len());
    for file in files {
        recordings.push(Recording::open(file, &mut trouble)?);
    }
    let site = site(place, &steps(&recordings));
    tell_limits(&site, &mut trouble);
    tell_salinity(place, &recordings, &mut trouble);
    let mut lines = Lines::new(out, &site, only);
    match feed(&site, recordings, &mut lines, &mut trouble) {
        Ok(()) => {}
        Err(Stop::Reader) => return Ok(DONE),
        Err(Stop::Failure(failure)) => return Err(failure),
    }
    Ok(if trouble.finish() { USAGE } else { DONE })
}

/// How often each quantity comes: the longest step of any file, so that none looks like an outage.
fn steps(recordings: &[Recording]) -> BTreeMap<Quantity, Span> {
    let quantities: BTreeSet<Quantity> = recordings.iter().flat_map(Recording::quantities).collect();
    let known: Vec<BTreeMap<Quantity, Span>> = recordings.iter().map(Recording::steps).collect();
    let longest = |quantity| known.iter().filter_map(|steps| steps.get(&quantity)).max().copied();
    quantities.into_iter().map(|quantity| (quantity, longest(quantity).unwrap_or(STEP_UNKNOWN))).collect()
}

fn tell_limits(site: &Site, trouble: &mut Trouble<'_>) {
    let oxygen = site
        .probes
        .iter()
        .flat_map(|probe| &probe.channels)
        .find(|channel| channel.quantity == Quantity::DoMgL);
    if let Some(channel) = oxygen {
        let minutes = |span: Span| span.as_millis() / 60_000;
        trouble.note(&format!(
            "oxygen counts as stale {} min after a reading, as missing after {} min",
            minutes(channel.quality.stale_after),
            minutes(channel.quality.missing_after)
        ));
    } else {
        trouble.note("there is no column do_mg_l: oxygen counts as missing throughout");
    }
}

/// Says so where nobody told the salinity: saturation, and the un-ionised share of ammonia, rest on it.
fn tell_salinity(place: &Place, recordings: &[Recording], trouble: &mut Trouble<'_>) {
    let is_recorded = recordings.iter().flat_map(Recording::quantities).any(|q| q == Quantity::SalinityPsu);
    if matches!(place, Place::Bare { salinity_psu: None, .. }) && !is_recorded {
        trouble.note(&format!("no salinity given or recorded: taken as {SALINITY_PSU} PSU (--salinity-psu)"));
    }
}

/// Why feeding ended early.
enum Stop {
    /// Nobody reads any more: `replay … | head`.
    Reader,
    Failure(Failure),
}

impl From<Failure> for Stop {
    fn from(failure: Failure) -> Self {
        Self::Failure(failure)
    }
}

impl From<std::io::Error> for Stop {
    fn from(error: std::io::Error) -> Self {
        match error.kind() {
            std::io::ErrorKind::BrokenPipe => Self::Reader,
            _ => Self::Failure(Failure::failed(format!("writing to standard output failed: {error}"))),
        }
    }
}

fn feed<W: Write>(
    site: &Site,
    recordings: Vec<Recording>,
    lines: &mut Lines<'_, W>,
    trouble: &mut Trouble<'_>,
) -> Result<(), Stop> {
    let mut state = State::new();
    let mut effects: Vec<Effect> = Vec::new();
    let mut seq = 0;
    let mut now: Option<Timestamp> = None;
    let mut row = Row::default();
    let mut doubted: Option<Timestamp> = None;
    for mut recording in recordings {
        while recording.next(&mut row, trouble)? {
            if let Some(newest) = now
                && row.at - newest > LONGEST_GAP
                && !doubted.is_some_and(|other| row.at >= other && row.at - other < Span::from_hours(24))
            {
                doubted = Some(row.at);
                let (name, line, at) = (recording.name(), row.line, At(row.at));
                trouble.about(TroubleKind::Time, name, || {
                    format!(
                        "{name}, line {line}, column 'time_utc': {at} is more than a year after {} before it \
                         and stands alone: taken for a mistyped date, row not read",
                        At(newest)
                    )
                });
                continue;
            }
            let arrived = match now {
                None => {
                    let event = Event::Started { site: site.clone() };
                    state.step(&Input { seq, at: row.at, event }, &mut effects);
                    row.at
                }
                Some(newest) => {
                    if row.at < newest {
                        let (name, line, at) = (recording.name(), row.line, At(row.at));
                        trouble.about(TroubleKind::Order, name, || {
                            format!(
                                "{name}, line {line}: {at} is older than {} before it: passed on out of order",
                                At(newest)
                            )
                        });
                    }
                    newest.max(row.at)
                }
            };
            now = Some(arrived);
            let samples = row
                .cells
                .iter()
                .map(|&(quantity, value)| Sample {
                    probe: ProbeIndex(0),
                    quantity,
                    channel: None,
                    value,
                    taken_at: Some(row.at),
                })
                .collect();
            seq += 1;
            state.step(&Input { seq, at: arrived, event: Event::Sweep { samples } }, &mut effects);
            for effect in effects.drain(..) {
                if let Effect::Refused { reason, .. } = &effect {
                    let (name, line) = (recording.name(), row.line);
                    trouble.about(TroubleKind::Refused, name, || format!("{name}, line {line}: {reason}"));
                }
                lines.write(effect)?;
            }
        }
    }
    if let Some(last) = now {
        state.wake(last, &mut effects);
        for effect in effects {
            lines.write(effect)?;
        }
    }
    Ok(lines.flush()?)
}

#[cfg(test)]
mod tests {
    use proptest::prelude::*;

    use super::*;

    fn bare() -> Place {
        Place::Bare { latitude: 9.5, longitude: -75.6, salinity_psu: Some(18.0), id: "p1".to_owned() }
    }

    /// Outcome, lines and complaints.
    fn replayed(bytes: &[u8]) -> (Outcome, String, String) {
        let folder = tempfile::tempdir().unwrap();
        let path = folder.path().join("a.csv");
        std::fs::write(&path, bytes).unwrap();
        let (mut out, mut errors) = (Vec::new(), Vec::new());
        let outcome = replay(&bare(), &[path], &[], &mut out, &mut errors);
        (outcome, String::from_utf8(out).unwrap(), String::from_utf8(errors).unwrap())
    }

    #[test]
    fn a_mistyped_year_does_not_spoil_what_follows() {
        let (outcome, out, errors) = replayed(
            b"time_utc,do_mg_l\n2026-03-01T18:00:00Z,6.0\n2062-03-01T18:15:00Z,6.0\n2026-03-01T18:30:00Z,6.0\n",
        );
        assert_eq!(outcome, Ok(USAGE));
        assert!(
            errors.contains("line 3, column 'time_utc': 2062-03-01T18:15:00Z is more than a year"),
            "{errors}"
        );
        assert!(!errors.contains("out of order") && !out.contains("2062-"), "{errors}");
    }

    #[test]
    fn a_gap_of_years_between_recordings_is_believed_at_its_second_row() {
        let (outcome, out, _) = replayed(
            b"time_utc,do_mg_l\n2024-03-01T18:00:00Z,6.0\n2026-03-01T18:15:00Z,6.0\n2026-03-01T18:30:00Z,6.5\n",
        );
        assert_eq!(outcome, Ok(USAGE));
        assert!(out.contains(r#""at":"2026-03-01T18:30:00Z","quantity":"do_mg_l","raw":6.5"#), "{out}");
    }

    proptest! {
        #![proptest_config(ProptestConfig::with_cases(200))]

        /// Whatever stands in the file: an answer, never a panic, and every line that is printed is JSON.
        #[test]
        fn no_bytes_make_it_fail_otherwise(
            header in prop_oneof![
                Just("time_utc,do_mg_l,ph\n"),
                Just("time_utc,do_mg_l,\u{1b}[2J\n"),
                Just(""),
            ],
            rest in prop_oneof![
                prop::collection::vec(any::<u8>(), 0..300),
                "(2026-0[1-9]-[0-3][0-9]T[0-2][0-9]:00:00Z,[0-9eE.+-]{0,5},[0-9\",]{0,4}\r?\n){0,12}"
                    .prop_map(String::into_bytes),
            ],
        ) {
            let (outcome, out, errors) = replayed(&[header.as_bytes(), &rest].concat());
            match outcome {
                Ok(status) => prop_assert!(status == DONE || status == USAGE),
                Err(failure) => {
                    prop_assert_eq!(failure.status, USAGE, "{}", failure.message);
                    prop_assert!(!failure.message.contains('\u{1b}'), "{}", failure.message);
                }
            }
            for line in out.lines() {
                prop_assert!(serde_json::from_str::<serde_json::Value>(line).is_ok(), "{}", line);
            }
            prop_assert!(!errors.contains('\u{1b}'), "a file steers the terminal: {}", errors);
        }
    }
}
