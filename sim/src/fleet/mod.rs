//! A fleet of gateways that publish as real ones do: valid summaries and alarms, each gateway with numbers of its own, over
//! links that vanish for hours to days and catch up when they are back.
//!
//! Every message follows from seed, gateway and number alone, so that a run can be ended, killed and taken up again: what
//! was not confirmed is sent once more, with the same number and the same bytes.

mod gateway;
mod kept;
mod outages;
mod script;
mod tally;

use std::path::PathBuf;
use std::sync::Arc;
use std::time::{Duration, Instant};

use anyhow::{Context as _, ensure};
use pondreeve::config::farm::{BrokerAddress, Tls};
use tokio::task::JoinSet;
use tokio_util::sync::CancellationToken;

use gateway::Gateway;
use kept::Kept;
use outages::Outages;
use script::Script;
use tally::Tally;

/// How long what is under way at the end may take to be confirmed.
const LAST_WAIT: Duration = Duration::from_secs(20);

/// Publish as so many gateways to a broker or a cluster.
#[derive(Debug, Clone, clap::Args)]
pub(crate) struct Options {
    /// Gateways; each has a connection of its own
    #[arg(long, default_value_t = 500)]
    gateways: u32,
    /// Host of the broker; of several parted by commas the next is tried when a connection fails
    #[arg(long, value_delimiter = ',', default_value = "127.0.0.1")]
    host: Vec<String>,
    /// Its port; each of several is tried on each host
    #[arg(long, value_delimiter = ',', default_value = "1883")]
    port: Vec<u16>,
    /// User name at the broker
    #[arg(long, requires = "password_file")]
    username: Option<String>,
    /// File with its password
    #[arg(long)]
    password_file: Option<PathBuf>,
    /// Certificates to trust (PEM); switches TLS on
    #[arg(long)]
    ca_file: Option<PathBuf>,
    /// Ponds of each gateway
    #[arg(long, default_value_t = 4)]
    ponds: u32,
    /// Minutes of farm time between a pond's summaries
    #[arg(long, default_value_t = 15)]
    every_minutes: u32,
    /// Farm time runs so many times faster than life
    #[arg(long, default_value_t = 60.0)]
    speed: f64,
    /// Share of its time that a gateway is without a link, percent
    #[arg(long, default_value_t = 5.0)]
    outages_percent: f64,
    /// Messages that one gateway sends in a second at most, when it catches up
    #[arg(long, default_value_t = 400)]
    most_per_second: u32,
    /// Each gateway's messages come later by another part of so many minutes of farm time, as with the daemon's `spread`
    #[arg(long, default_value_t = 0.0)]
    spread_minutes: f64,
    /// End after so many seconds; runs until interrupted if absent
    #[arg(long)]
    seconds: Option<u64>,
    /// A line about how it goes each so many seconds
    #[arg(long, default_value_t = 10)]
    report_every: u64,
    /// File that keeps how far each gateway has come, to take the run up again
    #[arg(long)]
    state: Option<PathBuf>,
    /// The same seed gives the same messages and outages
    #[arg(long, default_value_t = 1)]
    seed: u64,
}

/// Farm time, from where the run was taken up.
#[derive(Debug, Clone, Copy)]
struct FarmClock {
    origin_ms: i64,
    started: Instant,
    speed: f64,
}

impl FarmClock {
    fn now_ms(&self) -> i64 {
        self.origin_ms + (self.started.elapsed().as_secs_f64() * 1_000.0 * self.speed) as i64
    }

    /// How long farm time takes to reach a moment.
    fn until(&self, at_ms: i64) -> Duration {
        let ms = (at_ms - self.now_ms()).max(0) as f64 / self.speed;
        Duration::from_secs_f64((ms / 1_000.0).clamp(0.001, 3_600.0))
    }
}

impl Options {
    /// Where a gateway connects to at its next attempt, counted on.
    fn address(&self, gateway: &str, turn: usize) -> BrokerAddress {
        let (hosts, ports) = (self.host.len().max(1), self.port.len().max(1));
        BrokerAddress {
            host: self.host.get(turn % hosts).cloned().unwrap_or_default(),
            port: self.port.get(turn / hosts % ports).copied().unwrap_or(1883),
            client_id: format!("pondreeve-{gateway}-fleet-out"),
            credentials: self.username.clone().zip(self.password_file.clone()),
            tls: self.ca_file.clone().map(|ca_file| Tls { ca_file, client: None }),
            keep_alive: Duration::from_secs(60),
        }
    }
}

/// Runs the fleet.
pub(crate) async fn run(options: Options) -> anyhow::Result<()> {
    ensure!(options.speed > 0.0 && options.speed.is_finite(), "--speed must be above 0");
    ensure!((0.0..95.0).contains(&options.outages_percent), "--outages-percent takes 0 to 95");
    ensure!(options.gateways > 0 && options.ponds > 0, "at least one gateway with one pond");
    ensure!(options.every_minutes > 0 && options.report_every > 0, "every 1 or more");
    let now_ms = jiff::Timestamp::now().as_millisecond();
    let every_ms = i64::from(options.every_minutes) * 60_000;
    let fresh = Kept::new(options.seed, options.gateways, options.ponds, every_ms, now_ms);
    let kept = match &options.state {
        Some(path) => Kept::read(path, &fresh)?.unwrap_or(fresh),
        None => fresh,
    };
    let clock = FarmClock { origin_ms: kept.farm_ms, started: Instant::now(), speed: options.speed };
    let tally = Arc::new(Tally::new(&kept.confirmed));
    let (stop, mut running) = (CancellationToken::new(), JoinSet::new());
    let options = Arc::new(options);
    for (number, confirmed) in (0..).zip(&kept.confirmed) {
        let share = f64::from(number) / f64::from(options.gateways.max(1));
        let later_ms = (options.spread_minutes.max(0.0) * 60_000.0 * share) as i64;
        let script =
            Script::new(options.seed, number, options.ponds, every_ms, kept.begins_ms).later_by(later_ms);
        let outages = Outages::new(options.seed, number, options.outages_percent, kept.begins_ms);
        let tally = Arc::clone(&tally);
        let gateway =
            Gateway::new(Arc::clone(&options), script, outages, (clock, tally), (number, *confirmed));
        running.spawn(gateway.run(stop.clone()));
    }
    println!(
        "{} gateways of {} ponds, a summary of each pond each {} minutes, farm time {} times as fast: {:.1} messages/s",
        options.gateways,
        options.ponds,
        options.every_minutes,
        options.speed,
        script::per_interval(options.ponds) * f64::from(options.gateways) / (every_ms as f64 / 1_000.0)
            * options.speed
    );
    let ended = watch(&options, clock, &tally, kept.clone()).await;
    stop.cancel();
    let _ = tokio::time::timeout(LAST_WAIT, async { while running.join_next().await.is_some() {} }).await;
    keep(&options, clock, &tally, kept)?;
    println!("{}", tally.whole(clock.started.elapsed(), clock.now_ms()));
    ended
}

/// Says now and then how it goes, until the time is over or somebody interrupts.
async fn watch(options: &Options, clock: FarmClock, tally: &Tally, kept: Kept) -> anyhow::Result<()> {
    let end = options.seconds.map(|seconds| clock.started + Duration::from_secs(seconds));
    let mut interrupted = std::pin::pin!(tokio::signal::ctrl_c());
    let mut turn = 0_u64;
    loop {
        tokio::select! {
            ended = &mut interrupted => return ended.context("waiting for an interrupt"),
            () = tokio::time::sleep(Duration::from_secs(1)) => {}
        }
        turn += 1;
        keep(options, clock, tally, kept.clone())?;
        if turn.is_multiple_of(options.report_every) {
            println!("{}", tally.lately(options.gateways));
        }
        if end.is_some_and(|end| Instant::now() >= end) {
            return Ok(());
        }
    }
}

fn keep(options: &Options, clock: FarmClock, tally: &Tally, mut kept: Kept) -> anyhow::Result<()> {
    let Some(path) = &options.state else { return Ok(()) };
    kept.confirmed = tally.confirmed();
    kept.farm_ms = clock.now_ms();
    kept.write(path)
}
