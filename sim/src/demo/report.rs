//! The closing report of a night.

use std::fmt::Write as _;

use pondreeve::local::client::Client;
use pondreeve::local::protocol::{Ask, FarmStatus, Reply};
use sim::world::World;

use super::notebook::{Notebook, wrapped};

/// Most readings of one quantity in one pond that are asked for; a night has under a thousand.
const POINTS: usize = 10_000;

/// What the daemon can tell only while it runs.
#[derive(Debug, Default)]
pub(crate) struct FromDaemon {
    status: Option<FarmStatus>,
    /// Kept readings over all ponds.
    kept: usize,
    /// Lowest kept oxygen by pond.
    lowest: Vec<Option<(f64, i64)>>,
}

impl FromDaemon {
    /// Asks for the night's kept readings.
    pub(crate) async fn ask(client: &mut Client, hours: f64) -> Self {
        let Ok(Reply::Status(status)) = client.ask(Ask::Status).await else { return Self::default() };
        let mut told = Self::default();
        for pond in &status.ponds {
            let mut lowest: Option<(f64, i64)> = None;
            for reading in &pond.readings {
                let ask = Ask::History {
                    pond: pond.id.clone(),
                    quantity: reading.quantity.clone(),
                    seconds: (hours * 3_600.0) as u64,
                    points: POINTS,
                };
                let Ok(Reply::History { points }) = client.ask(ask).await else { continue };
                told.kept += points.len();
                if reading.quantity != "do_mg_l" {
                    continue;
                }
                for point in points.iter().filter(|point| point.flag <= 2) {
                    let Ok(at) = point.at.parse::<jiff::Timestamp>() else { continue };
                    if lowest.is_none_or(|(value, _)| point.value < value) {
                        lowest = Some((point.value, at.as_millisecond()));
                    }
                }
            }
            told.lowest.push(lowest);
        }
        told.status = Some(*status);
        told
    }
}

/// The report as text.
pub(crate) fn text(notebook: &Notebook, world: &World, told: &FromDaemon) -> String {
    let mut out = String::from("\nThe night in short\n");
    for (index, pond) in world.farm.ponds.iter().enumerate() {
        let name = told.status.as_ref().and_then(|status| status.ponds.get(index)).map(|pond| &pond.name);
        let (truth, at_ms) = pond.lowest_do;
        let measured = told.lowest.get(index).copied().flatten().map_or_else(
            || "not measured".to_owned(),
            |(value, at_ms)| format!("measured {value:.2} at {}", notebook.clock_time(at_ms)),
        );
        let _ = writeln!(
            out,
            "  {:<3} {:<8} lowest oxygen {truth:.2} mg/L at {} in the water, {measured}",
            pond.id.to_uppercase(),
            name.map_or("", String::as_str),
            notebook.clock_time(at_ms),
        );
    }
    notebook.with(|seen| {
        let raised: usize = seen.alarms.values().map(|alarm| alarm.raised.len()).sum();
        let _ = writeln!(out, "  Alarms raised: {raised}");
        for alarm in seen.alarms.values() {
            let urgency = ["", "critical", "high", "medium"].get(alarm.priority as usize).unwrap_or(&"");
            let times: Vec<String> = alarm.raised.iter().map(|at_ms| notebook.clock_time(*at_ms)).collect();
            let acknowledged = match alarm.acknowledged.last() {
                Some((at_ms, by)) => format!("acknowledged by {by} at {}", notebook.clock_time(*at_ms)),
                None => "not acknowledged".to_owned(),
            };
            let pond = alarm.pond.as_deref().unwrap_or("gateway").to_uppercase();
            let standing = if alarm.standing { ", still standing" } else { "" };
            let line = format!(
                "    {pond} {} ({urgency}) at {}; {acknowledged}{standing}",
                alarm.name,
                if times.is_empty() { "?".to_owned() } else { times.join(", ") },
            );
            out.push_str(&wrapped(&line, 6));
        }
        let counts: Vec<String> = seen
            .summaries
            .iter()
            .map(|(pond, numbers)| format!("{} {}", pond.to_uppercase(), numbers.len()))
            .collect();
        let line = format!(
            "  Summaries received at the office over MQTT: {}, {} came twice",
            if counts.is_empty() { "none".to_owned() } else { counts.join(", ") },
            seen.repeats
        );
        out.push_str(&wrapped(&line, 4));
    });
    let _ = writeln!(out, "  Readings kept in the daemon's store: {}", told.kept);
    out
}
