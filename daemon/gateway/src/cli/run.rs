//! `pondreeve run`: the daemon.

use std::io::IsTerminal as _;
use std::path::PathBuf;

use tokio::signal::unix::{SignalKind, signal};
use tokio_util::sync::CancellationToken;
use tracing::level_filters::LevelFilter;
use tracing_subscriber::filter::Targets;
use tracing_subscriber::layer::SubscriberExt as _;
use tracing_subscriber::util::SubscriberInitExt as _;

use super::spoken;
use crate::clock::Clock;
use crate::exit_code::{DONE, Failure, Outcome};
use crate::service_manager::Notifier;
use crate::texts::recognised::recognised;
use crate::texts::say;

const AFTER: &str = "\
Stops in an orderly way on SIGTERM or SIGINT (Ctrl-C): what was read is on disk
before it ends. A second one ends it at once. SIGHUP changes nothing: to take up
a changed configuration, check it and restart.

The log goes to standard error. Under systemd (NOTIFY_SOCKET) it says when
readings are taken and alarms armed, and gives signs of life only while inputs
reach the disk.

Examples:
  pondreeve check --config farm.toml && pondreeve run --config farm.toml
  pondreeve run --config farm.toml --log debug";

/// Arguments of `run`.
#[derive(Debug, Clone, clap::Args)]
#[command(after_help = AFTER)]
pub struct Arguments {
    /// The farm's configuration
    #[arg(long, value_name = "FILE")]
    pub config: PathBuf,
    /// How much to log: error, warn, info, debug, trace, or per part such as
    /// `warn,pondreeve::probes=debug`
    #[arg(long, value_name = "LEVEL", env = "RUST_LOG", default_value = "info")]
    pub log: String,
}

/// Runs the daemon until a signal stops it.
///
/// # Errors
/// When the configuration has problems, or the daemon cannot start or has to end.
pub fn run(arguments: &Arguments) -> Outcome {
    start_log(&arguments.log)?;
    let farm = super::load_farm(&arguments.config)?;
    let runtime =
        tokio::runtime::Builder::new_multi_thread()
            .enable_all()
            .thread_name("pondreeve")
            .build()
            .map_err(|error| Failure::failed(format!("starting the daemon's threads failed: {error}")))?;
    let ended = runtime.block_on(async {
        let stop = CancellationToken::new();
        watch_signals(&stop)?;
        let notifier = Notifier::from_environment().map_err(|error| {
            Failure::failed(format!("NOTIFY_SOCKET names no socket that can be told anything: {error}"))
        })?;
        crate::run::run_under(notifier, farm, Clock::system(), stop).await.map_err(|error| Failure {
            status: error.exit_code(),
            message: say!(
                spoken(),
                "run-failed",
                path = arguments.config.display().to_string(),
                error = recognised(spoken(), &error.to_string()),
            ),
        })
    });
    // Tasks that hang on a broken line must not keep the process from ending.
    runtime.shutdown_timeout(std::time::Duration::from_secs(2));
    ended.map(|()| DONE)
}

fn start_log(filter: &str) -> Result<(), Failure> {
    let parts = log_filter(filter)?;
    let colour = std::io::stderr().is_terminal() && std::env::var_os("NO_COLOR").is_none_or(|v| v.is_empty());
    tracing_subscriber::fmt()
        .with_max_level(LevelFilter::TRACE)
        .with_writer(std::io::stderr)
        .with_ansi(colour)
        .with_target(false)
        .finish()
        .with(parts)
        .try_init()
        .map_err(|error| Failure::failed(format!("starting the log failed: {error}")))
}

/// Which parts log how much. A word alone must be a level: taken for the name of a part, a slip of the pen would
/// silence everything else.
fn log_filter(filter: &str) -> Result<Targets, Failure> {
    let refuse = |what: &str| {
        Failure::usage(format!(
            "--log {filter}: {what}; accepted is error, warn, info, debug or trace, alone or per part such \
             as warn,pondreeve::probes=debug"
        ))
    };
    let lone = |part: &str| !part.contains('=') && part.trim().parse::<LevelFilter>().is_err();
    if let Some(part) = filter.split(',').find(|part| lone(part)) {
        return Err(refuse(&format!("{part:?} is no level")));
    }
    filter.parse().map_err(|error| refuse(&format!("{error}")))
}

/// Cancels `stop` on the first SIGTERM or SIGINT, ends the process on the second.
fn watch_signals(stop: &CancellationToken) -> Result<(), Failure> {
    let watch =
        |kind| signal(kind).map_err(|error| Failure::failed(format!("watching for signals failed: {error}")));
    let mut terminate = watch(SignalKind::terminate())?;
    let mut interrupt = watch(SignalKind::interrupt())?;
    let mut hang_up = watch(SignalKind::hangup())?;
    let stop = stop.clone();
    tokio::spawn(async move {
        loop {
            tokio::select! {
                _ = terminate.recv() => {}
                _ = interrupt.recv() => {}
                _ = hang_up.recv() => {
                    tracing::info!("SIGHUP changes nothing; restart to take up a changed configuration");
                    continue;
                }
            }
            if stop.is_cancelled() {
                tracing::warn!("stopped a second time: ending at once");
                std::process::exit(i32::from(crate::exit_code::FAILED));
            }
            tracing::info!("stopping");
            stop.cancel();
        }
    });
    Ok(())
}

#[cfg(test)]
mod tests {
    use tracing::Level;

    use super::*;

    #[test]
    fn the_log_is_told_by_level_and_part() {
        let parts = log_filter("warn,pondreeve::probes=debug").unwrap();
        assert!(parts.would_enable("pondreeve::probes::bus", &Level::DEBUG));
        assert!(!parts.would_enable("pondreeve::journal", &Level::INFO));
        assert!(parts.would_enable("pondreeve::journal", &Level::WARN));
        for slip in ["verbose", "warn,probes", "pondreeve=loud"] {
            let error = log_filter(slip).unwrap_err();
            assert_eq!(error.status, crate::exit_code::USAGE, "{slip}");
            assert!(error.message.contains("accepted is error, warn"), "{}", error.message);
        }
    }
}
