//! Every parser of outside bytes, for as long as you like.
//!
//! ```sh
//! cargo run --release -p pondreeve-tests --example fuzz -- --minutes 60             # each for an hour, one after the other
//! cargo run -p pondreeve-tests --example fuzz -- --minutes 60 --parser csv-replay   # with overflow checks: slower, stricter
//! ```
//!
//! What makes a parser panic, or takes longer than two seconds, is written to `tests/fuzz/found/`; once mended it goes
//! into the corpus. Memory is bounded to 2 GiB, so that a length taken at its word ends the run.

mod mutate;
mod run;

use std::fs;
use std::path::Path;
use std::time::Duration;

use anyhow::{Context as _, bail, ensure};
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
    nix::sys::resource::setrlimit(nix::sys::resource::Resource::RLIMIT_AS, MEMORY_BYTES, MEMORY_BYTES)?;
    let found = Path::new(env!("CARGO_MANIFEST_DIR")).join("fuzz/found");
    let mut bad = 0;
    println!("{:<16} {:>12} {:>9} {:>12}", "parser", "inputs", "findings", "slowest, ms");
    for parser in PARSERS.iter().filter(|parser| only.as_deref().is_none_or(|only| parser.0 == only)) {
        let outcome = run::run(parser, seed, u64::MAX, Duration::from_secs_f64(minutes * 60.0));
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
