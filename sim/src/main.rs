//! The simulator: a demo farm that runs against the real daemon.

mod demo;
mod fleet;

use std::fs::File;
use std::io::{BufWriter, ErrorKind, Write as _};
use std::path::PathBuf;
use std::process::ExitCode;
use std::time::Duration;

use anyhow::Context as _;
use clap::Parser;
use clap::builder::PossibleValuesParser;
use sim::ten_days::csv;

/// A night on a simulated shrimp farm, watched by the real daemon.
///
/// Starts an MQTT broker, probes on a pseudo-terminal and the daemon, all in this process and on the
/// loopback interface, in a temporary folder. Needs nothing installed.
#[derive(Debug, Parser)]
#[command(name = "sim", version, args_conflicts_with_subcommands = true)]
struct Arguments {
    #[command(subcommand)]
    command: Option<Command>,
    #[command(flatten)]
    demo: demo::Options,
}

#[derive(Debug, clap::Subcommand)]
enum Command {
    /// Serve only the simulated probes, in real time, for a daemon started by hand
    Probes(demo::probes::Options),
    /// Answer as a captured line did, for a support case
    Captured(demo::captured::Options),
    /// Print ten days of the farm with six incidents, as CSV for `pondreeve replay`
    TenDays(TenDays),
    /// Publish as a fleet of gateways, with outages and bursts of what waited, to load a broker or a cluster
    Fleet(fleet::Options),
}

/// Which part of the recording goes where.
#[derive(Debug, clap::Args)]
struct TenDays {
    /// Print this pond to standard output
    #[arg(long, value_parser = PossibleValuesParser::new(csv::PONDS), required_unless_present = "to")]
    pond: Option<String>,
    /// Write a file for each pond, p1.csv to p4.csv, or for the one named, into this folder; made if it is not there
    #[arg(long, value_name = "DIR")]
    to: Option<PathBuf>,
}

impl TenDays {
    fn run(&self) -> anyhow::Result<()> {
        if let Some(folder) = &self.to {
            std::fs::create_dir_all(folder).with_context(|| format!("making {} failed", folder.display()))?;
        }
        for (place, id) in csv::PONDS.into_iter().enumerate() {
            if self.pond.as_deref().is_some_and(|only| only != id) {
                continue;
            }
            let Some(folder) = &self.to else {
                let mut out = BufWriter::new(std::io::stdout().lock());
                return match csv::write(place, &mut out).and_then(|()| out.flush()) {
                    // A reader such as `head` that has enough.
                    Err(error) if error.kind() == ErrorKind::BrokenPipe => Ok(()),
                    ended => ended.context("printing the recording failed"),
                };
            };
            let path = folder.join(format!("{id}.csv"));
            let file = File::create(&path).with_context(|| format!("making {} failed", path.display()))?;
            let mut out = BufWriter::new(file);
            csv::write(place, &mut out)
                .and_then(|()| out.flush())
                .with_context(|| format!("writing {} failed", path.display()))?;
            println!("{}", path.display());
        }
        Ok(())
    }
}

fn main() -> ExitCode {
    let arguments = Arguments::parse();
    let runtime = match tokio::runtime::Builder::new_multi_thread().enable_all().build() {
        Ok(runtime) => runtime,
        Err(error) => {
            eprintln!("starting the simulator's threads failed: {error}");
            return ExitCode::FAILURE;
        }
    };
    let ended = runtime.block_on(async {
        match arguments.command {
            Some(Command::Probes(options)) => demo::probes::run(options).await,
            Some(Command::Captured(options)) => demo::captured::run(options).await,
            Some(Command::TenDays(options)) => options.run(),
            Some(Command::Fleet(options)) => fleet::run(options).await,
            None => demo::run(arguments.demo).await,
        }
    });
    runtime.shutdown_timeout(Duration::from_secs(2));
    match ended {
        Ok(()) => ExitCode::SUCCESS,
        Err(error) => {
            eprintln!("{error:#}");
            ExitCode::FAILURE
        }
    }
}
