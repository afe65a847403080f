//! The closing report of a night.

use std::fmt::Write as _;
use std::path::Path;
use std::sync::{Mutex, PoisonError};

use anyhow::{Context as _, Result};
use pondreeve::journal::Journal;
use pondreeve::local::client::Client;
use pondreeve::local::protocol::{Ask, Reply};
use pondreeve::{Event, Timestamp};
use sim::faults::{Fault, Kind};
use sim::world::World;

use super::notebook::{AlarmStory, Notebook, wrapped};

/// Most points of one answer of the daemon; a night has under a thousand readings of a quantity.
const POINTS: usize = 10_000;
/// Longest history that the daemon has at hand, hours.
const HISTORY_H: f64 = 24.0;

/// What is known at the end of the night, while the daemon still runs.
#[derive(Debug, Default)]
pub(crate) struct AtEnd {
    ponds: Vec<PondNight>,
}

#[derive(Debug)]
struct PondNight {
    id: String,
    name: String,
    /// Lowest oxygen that was truly in the water, and when.
    truth: (f64, i64),
    /// Lowest good reading, and when.
    measured: Option<(f64, i64)>,
    /// The probe on which slime grows, and since when.
    slimed: Option<(String, i64)>,
}

impl AtEnd {
    /// Asks the daemon what it measured over the last hours, and the water what was true.
    pub(crate) async fn ask(client: &mut Client, world: &Mutex<World>, hours: f64) -> Self {
        let Ok(Reply::Status(status)) = client.ask(Ask::Status).await else { return Self::default() };
        let mut ponds = Vec::new();
        for (index, pond) in status.ponds.iter().enumerate() {
            let ask = Ask::History {
                pond: pond.id.clone(),
                quantity: "do_mg_l".to_owned(),
                seconds: (hours.min(HISTORY_H) * 3_600.0) as u64,
                points: POINTS,
            };
            let mut measured: Option<(f64, i64)> = None;
            if let Ok(Reply::History { points }) = client.ask(ask).await {
                for point in points.iter().filter(|point| point.flag <= 2) {
                    let Ok(at) = point.at.parse::<jiff::Timestamp>() else { continue };
                    if measured.is_none_or(|(value, _)| point.value < value) {
                        measured = Some((point.value, at.as_millisecond()));
                    }
                }
            }
            let world = world.lock().unwrap_or_else(PoisonError::into_inner);
            let Some(truth) = world.farm.ponds.get(index).map(|pond| pond.lowest_do) else { continue };
            let (id, name, slimed) = (pond.id.to_uppercase(), pond.name.clone(), slimed(&world, index));
            ponds.push(PondNight { id, name, truth, measured, slimed });
        }
        Self { ponds }
    }
}

/// What the store holds: inputs of any kind, and probe readings and hand entries in them.
#[derive(Debug, Clone, Copy, Default)]
pub(crate) struct Kept {
    inputs: usize,
    readings: usize,
}

/// Opens the store once the daemon has closed it, and reads everything back.
pub(crate) fn kept(store: &Path, now: Timestamp) -> Result<Kept> {
    let (mut journal, _) = Journal::open(store, now)
        .with_context(|| format!("opening the store {} again failed", store.display()))?;
    let mut kept = Kept::default();
    journal.read(now, &mut |input| {
        kept.inputs += 1;
        kept.readings += match &input.event {
            Event::Sweep { samples } => samples.len(),
            Event::ManualSample { .. } => 1,
            _ => 0,
        };
    });
    Ok(kept)
}

/// The oxygen probe of a pond on which slime grows, and since when.
fn slimed(world: &World, pond: usize) -> Option<(String, i64)> {
    let measures_oxygen = |id: &str| {
        let probe = world.probes().iter().find(|probe| probe.id == id && probe.pond == Some(pond));
        probe.is_some_and(|probe| probe.channels.iter().any(|channel| channel.quantity == "do_mg_l"))
    };
    let grows = |fault: &&Fault| matches!(fault.kind, Kind::Fouling { .. }) && measures_oxygen(&fault.probe);
    world.plan().iter().find(grows).map(|fault| (fault.probe.clone(), fault.from_ms))
}

/// The report as text.
pub(crate) fn text(notebook: &Notebook, at_end: &AtEnd, kept: Kept) -> String {
    let mut out = String::from("\nThe night in short\n");
    let value_at = |(value, at_ms): (f64, i64)| format!("{value:.2} at {}", notebook.clock_time(at_ms));
    if !at_end.ponds.is_empty() {
        let _ = writeln!(out, "  Lowest oxygen, mg/L   in the water     as measured");
    }
    for pond in &at_end.ponds {
        let measured = pond.measured.map_or_else(|| "no good reading".to_owned(), value_at);
        let truth = value_at(pond.truth);
        let _ = writeln!(out, "    {:<3} {:<14}  {truth:<15}  {measured}", pond.id, pond.name);
    }
    for (probe, since_ms) in at_end.ponds.iter().filter_map(|pond| pond.slimed.as_ref()) {
        let since = notebook.clock_time(*since_ms);
        out.push_str(&wrapped(&format!("    Slime has grown on {probe} since {since}: it reads too low"), 6));
    }
    notebook.with(|seen| {
        let raised: usize = seen.alarms.values().map(|alarm| alarm.raised.len()).sum();
        let _ = writeln!(out, "  Alarms raised: {raised}");
        let mut alarms: Vec<_> = seen.alarms.values().filter(|alarm| !alarm.raised.is_empty()).collect();
        alarms.sort_by_key(|alarm| alarm.raised.first().copied());
        for alarm in alarms {
            out.push_str(&wrapped(&alarm_line(alarm, notebook), 10));
        }
        let counts: Vec<String> = seen
            .summaries
            .iter()
            .map(|(pond, numbers)| format!("{} {}", pond.to_uppercase(), numbers.len()))
            .collect();
        let counts = if counts.is_empty() { "none".to_owned() } else { counts.join(", ") };
        let twice = if seen.repeats > 0 { format!("; {} came twice", seen.repeats) } else { String::new() };
        out.push_str(&wrapped(&format!("  Summaries received at the office over MQTT: {counts}{twice}"), 4));
    });
    let line = format!(
        "  Read back from the daemon's store: {} inputs with {} readings",
        kept.inputs, kept.readings
    );
    out.push_str(&wrapped(&line, 4));
    out
}

fn alarm_line(alarm: &AlarmStory, notebook: &Notebook) -> String {
    let urgency = ["", "critical", "high", "medium"].get(alarm.priority as usize).unwrap_or(&"");
    let times: Vec<String> = alarm.raised.iter().map(|at_ms| notebook.clock_time(*at_ms)).collect();
    let acknowledged = match alarm.acknowledged.last() {
        Some((at_ms, by)) => format!("acknowledged by {by} at {}", notebook.clock_time(*at_ms)),
        None => "not acknowledged".to_owned(),
    };
    let pond = alarm.pond.as_deref().unwrap_or("gateway").to_uppercase();
    let standing = if alarm.standing { ", still standing" } else { "" };
    let again = match alarm.sounded_again {
        0 => String::new(),
        1 => ", sounded once more".to_owned(),
        times => format!(", sounded again {times} times"),
    };
    format!("    {}  {pond} {} ({urgency}){again}, {acknowledged}{standing}", times.join(", "), alarm.name)
}
