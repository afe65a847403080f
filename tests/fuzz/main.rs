//! Every parser of outside bytes, fed blindly for as long as you like: needs no C++ compiler and runs wherever the tests
//! do. `tests/fuzz/guided.py` finds more in the same time.
//!
//! ```sh
//! cargo run --release -p pondreeve-tests --example fuzz -- --minutes 60             # each for an hour, one after the other
//! cargo run -p pondreeve-tests --example fuzz -- --minutes 60 --parser csv-replay   # with overflow checks: slower, stricter
//! ```
//!
//! What makes a parser panic, or takes longer than two seconds, is written to `tests/fuzz/found/`; once mended it goes
//! into the corpus. Memory is bounded to 2 GiB, so that a length taken at its word ends the run.
//! What each parser has had is written into `tests/fuzz/hours.tsv`.

mod mutate;
mod run;

use std::fs;
use std::io::Write as _;
use std::path::Path;
use std::process::Command;
use std::time::Duration;

use anyhow::{Context as _, bail, ensure};
use nix::sys::resource::{Resource, UsageWho, getrusage, setrlimit};
use nix::sys::time::TimeValLike as _;
use pondreeve::outside::PARSERS;

/// No parser needs a tenth of it.
const MEMORY_BYTES: u64 = 2 << 30;

fn main() -> anyhow::Result<()> {
    let mut minutes = 60.0_f64;
    let mut seed = 1;
    let mut only = None;
    let mut arguments = std::env::args().skip(1);
    while let Some(name) = arguments.next() {
        let value = arguments.next().with_context(|| format!("{name} needs a value"))?;
        match name.as_str() {
            "--minutes" => minutes = value.parse().context("--minutes needs a number")?,
            "--seed" => seed = value.parse().context("--seed needs a whole number")?,
            "--parser" => only = Some(value),
            _ => bail!("unknown argument {name}; accepted is --minutes, --seed, --parser"),
        }
    }
    let known: Vec<&str> = PARSERS.iter().map(|parser| parser.0).collect();
    ensure!(
        only.as_deref().is_none_or(|only| known.contains(&only)),
        "unknown parser; known are {}",
        known.join(", ")
    );
    setrlimit(Resource::RLIMIT_AS, MEMORY_BYTES, MEMORY_BYTES)?;
    let found = Path::new(env!("CARGO_MANIFEST_DIR")).join("fuzz/found");
    let mut bad = 0;
    println!("{:<16} {:>12} {:>9} {:>12}", "parser", "inputs", "findings", "slowest, ms");
    for parser in PARSERS.iter().filter(|parser| only.as_deref().is_none_or(|only| parser.0 == only)) {
        let before = processor_minutes()?;
        let outcome = run::run(parser, seed, u64::MAX, Duration::from_secs_f64(minutes * 60.0));
        note(parser.0, processor_minutes()? - before, &outcome)?;
        println!(
            "{:<16} {:>12} {:>9} {:>12.1}",
            parser.0,
            outcome.inputs,
            outcome.found.len(),
            outcome.slowest.as_secs_f64() * 1_000.0
        );
        for (place, input) in outcome.found.iter().enumerate() {
            fs::create_dir_all(&found)?;
            let path = found.join(format!("{}-{seed}-{place}", parser.0));
            fs::write(&path, input)?;
            println!("  {}", path.display());
        }
        bad += outcome.found.len();
    }
    ensure!(bad == 0, "{bad} findings");
    Ok(())
}

/// Minutes of the processor that this program has had.
fn processor_minutes() -> anyhow::Result<f64> {
    let usage = getrusage(UsageWho::RUSAGE_SELF)?;
    let both = usage.user_time() + usage.system_time();
    Ok(both.num_milliseconds() as f64 / 60_000.0)
}

/// A line in the book of hours.
fn note(parser: &str, minutes: f64, outcome: &run::Outcome) -> anyhow::Result<()> {
    let said = |program: &str, arguments: &[&str]| -> anyhow::Result<String> {
        let out = Command::new(program).args(arguments).current_dir(env!("CARGO_MANIFEST_DIR")).output()?;
        ensure!(out.status.success(), "{program} {arguments:?}: {}", String::from_utf8_lossy(&out.stderr));
        Ok(String::from_utf8(out.stdout)?.trim().to_owned())
    };
    let (date, commit) = (said("date", &["-u", "+%F"])?, said("git", &["rev-parse", "--short=9", "HEAD"])?);
    let path = Path::new(env!("CARGO_MANIFEST_DIR")).join("fuzz/hours.tsv");
    let mut book =
        fs::OpenOptions::new().append(true).open(&path).with_context(|| path.display().to_string())?;
    let (inputs, findings) = (outcome.inputs, outcome.found.len());
    writeln!(book, "{date}\t{commit}\t{parser}\tblind\t{minutes:.2}\t{inputs}\t{findings}")?;
    Ok(())
}
