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
#[command(name = "sim", version)]
struct Arguments {
    #[command(flatten)]
    demo: demo::Options,
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
    let ended = runtime.block_on(demo::run(arguments.demo));
    runtime.shutdown_timeout(Duration::from_secs(2));
    match ended {
        Ok(()) => ExitCode::SUCCESS,
        Err(error) => {
            eprintln!("{error:#}");
            ExitCode::FAILURE
        }
    }
}
