//! What `export` needs of memory for a month and for a year of a store: the highest that the command and the daemon ever
//! had, and the bytes that came out.
//!
//! ```text
//! cargo run -p pondreeve-tests --example export_memory -- [--every-s 30]
//! ```
//!
//! One pond, four quantities, a year that ended a minute ago, in a store written as the daemon writes it.
#![allow(missing_docs, unreachable_pub, reason = "a program, not a library")]

use std::fs;
use std::process::{Command, Stdio};
use std::time::{Duration, Instant};

use anyhow::{Context as _, Result, anyhow, ensure};
use pondreeve::journal::record::BatchWriter;
use pondreeve::journal::verdict::Verdicts;
use pondreeve::journal::{Commit, Journal};
use pondreeve_core::effect::{Effect, Flag, Reading};
use pondreeve_core::input::Sample;
use pondreeve_core::site::{PondIndex, ProbeIndex};
use pondreeve_core::{Event, Input, Quantity, Site, Span, Timestamp};
use pondreeve_tests::{Scratch, one_pond, program, wait_for};

const QUANTITIES: [Quantity; 4] =
    [Quantity::DoMgL, Quantity::TemperatureC, Quantity::Ph, Quantity::SalinityPsu];
const DAY_MS: i64 = 86_400_000;
const BATCH_BYTES: usize = 8 * 1024;

/// A year of sweeps up to `end`, an hour in each commit.
fn write(scratch: &Scratch, end_ms: i64, every_ms: i64) -> Result<u64> {
    let begin_ms = end_ms - 365 * DAY_MS;
    let (mut journal, notes) =
        Journal::open(&scratch.path("store"), Timestamp(begin_ms)).map_err(|error| anyhow!("{error}"))?;
    ensure!(notes.is_empty(), "{notes:?}");
    let mut site = Site::single_pond(-3.4, -80.2, 18.0, &QUANTITIES, Span::from_millis(every_ms));
    site.ponds[0].id = "p1".to_owned();
    let started = Input { seq: 1, at: Timestamp(begin_ms), event: Event::Started { site } };
    let mut batch = BatchWriter::new(1, started.at);
    batch.input(&started);
    let mut commit = Commit { batches: vec![(1, batch.finish()).into()], ..Commit::default() };
    let (mut seq, mut at_ms) = (2_u64, begin_ms);
    while at_ms < end_ms {
        let hour_ends_ms = at_ms + 3_600_000;
        let mut open: Option<BatchWriter> = None;
        while at_ms < hour_ends_ms.min(end_ms) {
            let at = Timestamp(at_ms);
            let batch = open.get_or_insert_with(|| BatchWriter::new(seq, at));
            let samples: Vec<Sample> = QUANTITIES
                .into_iter()
                .enumerate()
                .map(|(place, quantity)| Sample {
                    probe: ProbeIndex(0),
                    quantity,
                    channel: None,
                    // A swing of a day with some scatter, to two decimals.
                    value: (800.0
                        + 100.0 * place as f64
                        + 90.0 * (at_ms as f64 / 13_750_987.0).sin()
                        + (seq * 7_919 % 23) as f64)
                        .round()
                        / 100.0,
                    taken_at: None,
                })
                .collect();
            let judged: Vec<Effect> = samples
                .iter()
                .map(|sample| {
                    Effect::Reading(Reading {
                        pond: Some(PondIndex(0)),
                        probe: Some(sample.probe),
                        quantity: sample.quantity,
                        at,
                        raw: Some(sample.value),
                        value: Some(sample.value),
                        flag: Flag::Pass,
                        tests: Vec::new(),
                    })
                })
                .collect();
            batch.verdicts(&Verdicts::of_sweep(seq, &samples, &judged));
            batch.input(&Input { seq, at, event: Event::Sweep { samples } });
            if batch.size_bytes() >= BATCH_BYTES
                && let Some(full) = open.take()
            {
                commit.batches.push(full.into());
            }
            seq += 1;
            at_ms += every_ms;
        }
        commit.batches.extend(open.map(Into::into));
        let notes = journal.commit(&commit, Timestamp(at_ms)).map_err(|error| anyhow!("{error}"))?;
        ensure!(notes.is_empty(), "{notes:?}");
        journal.upkeep(Timestamp(at_ms));
        commit = Commit::default();
    }
    Ok((seq - 2) * QUANTITIES.len() as u64)
}

/// The most that a process had in memory, MiB; `None` once it is gone.
fn highest_mib(pid: u32) -> Option<f64> {
    let status = fs::read_to_string(format!("/proc/{pid}/status")).ok()?;
    let line = status.lines().find(|line| line.starts_with("VmHWM:"))?;
    Some(line.split_whitespace().nth(1)?.parse::<f64>().ok()? / 1_024.0)
}

fn main() -> Result<()> {
    let arguments: Vec<String> = std::env::args().skip(1).collect();
    let every_s: i64 = match &arguments[..] {
        [] => 30,
        [flag, number] if flag == "--every-s" => number.parse()?,
        _ => anyhow::bail!("accepted is --every-s N"),
    };
    let scratch = Scratch::new();
    let quantities =
        QUANTITIES.map(|own| format!("{{ quantity = \"{0}\", json = \"/{0}\" }}", own.id())).join(", ");
    let rest = format!(
        "[[broker]]\nid = \"b\"\nhost = \"127.0.0.1\"\nport = 9\n[[broker.probe]]\nid = \"n\"\npond = \"p1\"\n\
         topic = \"n\"\nsends_every = \"1m\"\nvalue = [{quantities}]\n"
    );
    scratch.write("farm.toml", &one_pond(scratch.folder.path(), "1s", "", &rest));
    let end_ms = jiff::Timestamp::now().as_millisecond() - 60_000;
    let begun = Instant::now();
    let written = write(&scratch, end_ms, every_s * 1_000)?;
    println!("{written} readings in a store, written in {:.0} s", begun.elapsed().as_secs_f64());
    let daemon = scratch.run_daemon();
    wait_for("the daemon", Duration::from_secs(600), || scratch.path("sock").exists().then_some(()));
    let pid = daemon.0.id();
    for format in ["csv", "parquet", "senml"] {
        for days in [30, 365] {
            // The daemon's highest counts anew.
            fs::write(format!("/proc/{pid}/clear_refs"), "5")?;
            let time = |ms: i64| jiff::Timestamp::from_millisecond(ms).map(|time| time.to_string());
            let path = scratch.path("export");
            let begun = Instant::now();
            let mut child = Command::new(program("pondreeve"))
                .args(["export", "--format", format, "--from", &time(end_ms - days * DAY_MS)?])
                .args(["--to", &time(end_ms)?])
                .args(QUANTITIES.iter().flat_map(|own| ["--quantity", own.id()]))
                .env("PONDREEVE_SOCKET", scratch.path("sock"))
                .stdout(fs::File::create(&path)?)
                .stderr(Stdio::inherit())
                .spawn()?;
            let mut highest = 0.0;
            let status = loop {
                highest = highest_mib(child.id()).unwrap_or(0.0).max(highest);
                if let Some(status) = child.try_wait()? {
                    break status;
                }
                std::thread::sleep(Duration::from_millis(10));
            };
            ensure!(status.success(), "{status}");
            println!(
                "{format:>8}, {days:>3} days: command {highest:.1} MiB at most, daemon {:.1} MiB, {:.1} MB out in {:.0} s",
                highest_mib(pid).context("the daemon runs")?,
                fs::metadata(&path)?.len() as f64 / 1e6,
                begun.elapsed().as_secs_f64()
            );
        }
    }
    Ok(())
}
