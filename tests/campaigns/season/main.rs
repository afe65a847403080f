//! The whole daemon at another pace than the wall clock's, for campaigns that play seasons and years.
//!
//! ```sh
//! paced_daemon CONFIG ORIGIN_MS SPEED     # farm time begins at ORIGIN_MS (since 1970) and runs SPEED times as fast
//! ```
//!
//! It is `pondreeve run` but for the clock. It ends in an orderly way on SIGTERM.

use std::path::PathBuf;

use anyhow::{Context as _, bail};
use pondreeve::Timestamp;
use pondreeve::clock::Clock;
use pondreeve::service_manager::Notifier;
use tokio_util::sync::CancellationToken;

#[tokio::main]
async fn main() -> anyhow::Result<()> {
    let arguments: Vec<String> = std::env::args().skip(1).collect();
    let [config, origin, speed] = &arguments[..] else { bail!("usage: paced_daemon CONFIG ORIGIN_MS SPEED") };
    let farm = pondreeve::config::load(&PathBuf::from(config))?;
    let origin = Timestamp(origin.parse().context("ORIGIN_MS is a whole number")?);
    let clock = Clock::accelerated(origin, speed.parse().context("SPEED is a number")?);
    let stop = CancellationToken::new();
    let asked = stop.clone();
    let mut terminate = tokio::signal::unix::signal(tokio::signal::unix::SignalKind::terminate())?;
    tokio::spawn(async move {
        terminate.recv().await;
        asked.cancel();
    });
    pondreeve::run::run_under(Notifier::from_environment()?, farm, clock, stop).await?;
    Ok(())
}
