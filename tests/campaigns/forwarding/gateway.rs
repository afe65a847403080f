//! The daemon as a process that can be killed, on a clock that runs ahead.

use anyhow::Context as _;
use pondreeve::clock::Clock;
use pondreeve_core::Timestamp;
use tokio::signal::unix::{SignalKind, signal};
use tokio_util::sync::CancellationToken;

/// `gateway CONFIG ORIGIN_MS SPEED`.
pub fn run(arguments: &[String]) -> anyhow::Result<()> {
    // Into the log of the daemon, for whoever asks what a gap was made of.
    tracing_subscriber::fmt().with_ansi(false).with_env_filter("pondreeve::forward=debug").init();
    let [config, origin, speed] = arguments else { anyhow::bail!("gateway CONFIG ORIGIN_MS SPEED") };
    let farm = pondreeve::config::load(std::path::Path::new(config))
        .map_err(|error| anyhow::anyhow!("{config}: {error}"))?;
    let clock = Clock::accelerated(Timestamp(origin.parse()?), speed.parse()?);
    let runtime = tokio::runtime::Runtime::new().context("threads")?;
    runtime.block_on(async {
        let stop = CancellationToken::new();
        let mut asked = signal(SignalKind::terminate())?;
        let stopping = stop.clone();
        tokio::spawn(async move {
            asked.recv().await;
            stopping.cancel();
        });
        pondreeve::run::run(farm, clock, stop).await.map_err(anyhow::Error::from)
    })
}
