//! Kills on the way out: a gateway that forwards at many times the pace of life to the three-node cluster of
//! `deploy/fleet`, while daemon, nodes and link are killed at random moments. A consumer that shares no code with us
//! records everything; in the end no number may be missing, repeats must be the same in every byte, and within each topic
//! the numbers must only grow.
//!
//! ```text
//! cargo run -p pondreeve-tests --example forwarding_kills -- [--kills 200] [--seed 1] [--in-flight 1]
//! ```
//!
//! `--in-flight` above 1 is faster; what was on its way to the consumer when that lost its connection then comes again
//! behind newer messages, marked as delivered before, and is counted apart.
//!
//! `week` instead of these: seven days without a link, then how long the backlog takes and how late a live alarm is
//! meanwhile, against mosquitto.
//!
//! Needs nats-server and the Python of `tests/all.sh`. A short version runs with the tests.
#![allow(missing_docs, unreachable_pub, reason = "a program, not a library")]

mod bench;
mod cluster;
mod gateway;
mod link;
mod verdict;
mod week;

use std::time::Duration;

use anyhow::{Context as _, bail};

fn main() -> anyhow::Result<()> {
    let arguments: Vec<String> = std::env::args().skip(1).collect();
    if arguments.first().is_some_and(|first| first == "gateway") {
        return gateway::run(&arguments[1..]);
    }
    if arguments.first().is_some_and(|first| first == "week") {
        let week = week::run(7.0)?;
        println!("{week}");
        return if week.told.is_well() {
            Ok(())
        } else {
            bail!("something was lost, changed or out of order")
        };
    }
    let (mut kills, mut seed, mut in_flight) = (200_u32, 1_u64, 1_u32);
    let mut rest = arguments.iter();
    while let Some(flag) = rest.next() {
        let value = rest.next().with_context(|| format!("{flag} needs a number"))?;
        match flag.as_str() {
            "--kills" => kills = value.parse().with_context(|| format!("--kills {value}"))?,
            "--seed" => seed = value.parse().with_context(|| format!("--seed {value}"))?,
            "--in-flight" => in_flight = value.parse().with_context(|| format!("--in-flight {value}"))?,
            _ => bail!("{flag}: accepted are --kills, --seed and --in-flight"),
        }
    }
    let told = bench::campaign(kills, seed, Duration::from_secs(180), in_flight)?;
    println!("{told}");
    if told.is_well() { Ok(()) } else { bail!("something was lost, changed or out of order") }
}
