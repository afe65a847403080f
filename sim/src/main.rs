//! The simulator: a demo farm that runs against the real daemon.

mod demo;

use std::process::ExitCode;
use std::time::Duration;

use clap::Parser;

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
