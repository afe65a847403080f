//! The demo: a farm of four simulated ponds goes through a night while the real daemon watches it
//! over a serial line and MQTT.

mod bench;
pub(crate) mod captured;
mod notebook;
mod onlooker;
mod place;
pub(crate) mod probes;
mod relay;
mod report;
mod stage;
mod story;
mod technician;
mod watcher;

use std::future::Future;
use std::io::IsTerminal as _;
use std::path::{Path, PathBuf};
use std::sync::{Arc, Mutex, PoisonError};
use std::time::Duration;

use anyhow::{Context as _, Result, bail};
use pondreeve::Timestamp;
use pondreeve::clock::Clock;
use pondreeve::config::{self, Farm};
use pondreeve::console::ConsoleError;
use sim::farm::Happening;
use sim::pace::Pace;
use sim::pty::Line;
use sim::world::World;
use sim::{broker, mqtt_node};
use tokio::signal::unix::{SignalKind, signal};
use tokio::task::JoinHandle;
use tokio_util::sync::CancellationToken;
use tracing::level_filters::LevelFilter;
use tracing_subscriber::filter::Targets;
use tracing_subscriber::layer::SubscriberExt as _;
use tracing_subscriber::util::SubscriberInitExt as _;

use notebook::{Notebook, print};
use place::Place;

/// The evening the demo plays on; any would do, but the sun and so the run depend on it.
const EVENING: jiff::civil::Date = jiff::civil::date(2026, 3, 18);
/// How long the daemon may take to end in order.
const END_WITHIN: Duration = Duration::from_secs(15);

/// How long a person who stops the demo waits for its report.
const LEAVE_WITHIN: Duration = Duration::from_secs(2);

/// How to play the night.
#[derive(Debug, Clone, clap::Args)]
pub(crate) struct Options {
    /// Seconds of farm time to each second; 900 plays the night in a minute
    #[arg(long, default_value_t = 900.0, value_parser = speed)]
    pub(crate) speed: f64,
    /// Seed of weather and probe noise; the same seed plays the same night
    #[arg(long, default_value_t = 1)]
    pub(crate) seed: u64,
    /// Farm time at which to begin, on the first evening
    #[arg(long, value_name = "HH:MM", default_value = "16:55", value_parser = clock_hours)]
    pub(crate) from: f64,
    /// Farm time at which to end, on the next morning
    #[arg(long, value_name = "HH:MM", default_value = "08:30", value_parser = clock_hours)]
    pub(crate) until: f64,
    /// Plain lines instead of the full-screen console, and a simulated technician who acknowledges
    #[arg(long)]
    pub(crate) plain: bool,
    /// Keep configuration, store and log in this new or empty folder
    #[arg(long, value_name = "DIR")]
    pub(crate) keep: Option<PathBuf>,
}

fn speed(text: &str) -> Result<f64, String> {
    match text.parse::<f64>() {
        Ok(speed) if (0.1..=2_000.0).contains(&speed) => Ok(speed),
        _ => Err("accepted is a number from 0.1 to 2000".to_owned()),
    }
}

fn clock_hours(text: &str) -> Result<f64, String> {
    let accepted = || "accepted is a clock time such as 17:30".to_owned();
    let (hours, minutes) = text.split_once(':').ok_or_else(accepted)?;
    match (hours.parse::<u8>(), minutes.parse::<u8>()) {
        (Ok(hours @ 0..=23), Ok(minutes @ 0..=59)) => Ok(f64::from(hours) + f64::from(minutes) / 60.0),
        _ => Err(accepted()),
    }
}

/// Times of one run.
#[derive(Debug, Clone, Copy)]
struct Times {
    midnight_ms: i64,
    utc_offset_ms: i64,
    start_ms: i64,
    end_ms: i64,
}

impl Times {
    fn new(farm: &Farm, options: &Options) -> Result<Self> {
        let midnight = EVENING
            .to_zoned_datetime(farm.time_zone.clone())
            .context("the demo's evening does not exist in the farm's time zone")?;
        let midnight_ms = midnight.timestamp().as_millisecond();
        let at = |hours: f64| midnight_ms + (hours * 3_600_000.0).round() as i64;
        Ok(Self {
            midnight_ms,
            utc_offset_ms: i64::from(midnight.offset().seconds()) * 1_000,
            start_ms: at(options.from),
            end_ms: at(24.0 + options.until),
        })
    }

    fn at(&self, hours: f64) -> i64 {
        self.midnight_ms + (hours * 3_600_000.0).round() as i64
    }
}

/// Whether a person sits at a terminal that can place text.
fn has_screen() -> bool {
    let dumb = std::env::var_os("TERM").is_none_or(|term| term.is_empty() || term == "dumb");
    !dumb && std::io::stdout().is_terminal() && std::io::stdin().is_terminal()
}

/// Plays the night.
pub(crate) async fn run(options: Options) -> Result<()> {
    let full_screen = !options.plain && has_screen();
    let mut signals = Signals::new()?;
    let place = Place::new(options.keep.as_deref())?;
    start_log(&place)?;
    let port = broker::start()?;
    let farm = configured(&place, port, options.speed)?;
    let times = Times::new(&farm, &options)?;
    let world = Arc::new(Mutex::new(the_world(&farm, &options, times)?));
    let notebook = Notebook::new(times.utc_offset_ms, !full_screen);

    print(&opening(&farm, &place, &options, full_screen));
    if full_screen {
        // Time to read the lines above before the console covers them.
        let seconds = tokio::time::sleep(Duration::from_secs(3));
        tokio::select! { () = seconds => {}, () = signals.any() => return Ok(()) }
    }

    let clock = Clock::accelerated(Timestamp(times.start_ms), options.speed);
    let pace = {
        let clock = clock.clone();
        Pace::new(move || clock.now().as_millis(), options.speed)
    };
    let stop = CancellationToken::new();
    let mut lines = Vec::new();
    let board = relay::Board::of(&farm);
    for bus in &farm.buses {
        let line = Line::open(&bus.device)
            .with_context(|| format!("making the serial line {} failed", bus.device.display()))?;
        let told = relay::Told(Some(notebook.clone()), pace.clone());
        let server = stage::serve_bus(bus, stage::Place::Line(&line), &world, (board.clone(), told))?;
        lines.push((server, line));
    }
    let nodes = {
        let world = world.lock().unwrap_or_else(PoisonError::into_inner);
        stage::nodes(&farm, &world)?
    };
    let publishing = tokio::spawn(mqtt_node::publish(
        port,
        "solar-nodes",
        nodes,
        Arc::clone(&world),
        pace.clone(),
        stop.clone().cancelled_owned(),
    ));
    let onlooker = tokio::spawn(onlooker::watch(port, notebook.clone()));
    let (socket, store) = (farm.local.socket.clone(), farm.store.path.clone());
    let mut daemon = tokio::spawn(pondreeve::run(farm, clock, stop.clone()));

    // A task of its own: a console whose terminal has gone may hang in it, and must not keep the demo
    // from cleaning up.
    let mut console = full_screen.then(|| {
        let title = Some("simulated ponds".to_owned());
        tokio::spawn(pondreeve::console::run(pondreeve::console::Options {
            socket: socket.clone(),
            title,
            bell: true,
            choice: pondreeve::texts::Choice::default(),
        }))
    });
    let show = show(&socket, &world, &notebook, &pace, times, console.as_mut());
    let at_end = tokio::select! {
        at_end = show => at_end?,
        () = signals.any() => {
            notebook.say(pace.now_ms(), "stopped by a signal");
            // A daemon that does not answer must not keep a person from leaving.
            let asked = ask_at_end(&socket, &world, &pace, times);
            tokio::time::timeout(LEAVE_WITHIN, asked).await.ok().and_then(Result::ok).unwrap_or_default()
        }
        ended = &mut daemon => {
            ended.context("the daemon failed")?.context("the daemon could not run")?;
            bail!("the daemon ended by itself");
        }
    };
    if let Some(console) = console.filter(|console| !console.is_finished()) {
        // It hears the same signals, and gives the terminal back.
        let _ = tokio::time::timeout(LEAVE_WITHIN, console).await;
    }
    stop.cancel();
    let ended = tokio::time::timeout(END_WITHIN, daemon).await;
    onlooker.abort();
    publishing.abort();
    drop(lines);
    ended.context("the daemon did not end in time")?.context("the daemon failed")??;
    let now = Timestamp(pace.now_ms());
    let kept = tokio::task::spawn_blocking(move || report::kept(&store, now)).await??;
    print(&report::text(&notebook, &at_end, kept));
    print(&closing(&place));
    Ok(())
}

/// Shows the night until its end, or in the console until the person leaves, and asks the daemon for
/// what the report needs.
async fn show(
    socket: &Path,
    world: &Arc<Mutex<World>>,
    notebook: &Notebook,
    pace: &Pace,
    times: Times,
    console: Option<&mut JoinHandle<Result<(), ConsoleError>>>,
) -> Result<report::AtEnd> {
    let client = watcher::connect(socket).await?;
    let technician = technician::Technician::new(Arc::clone(world), notebook.clone(), console.is_none());
    let follow = watcher::follow(client, technician, notebook.clone(), pace.clone());
    // Asked for when the night is over, even where the console stays open longer.
    let at_end = async {
        tokio::time::sleep(pace.until(times.end_ms)).await;
        ask_at_end(socket, world, pace, times).await
    };
    tokio::pin!(follow, at_end);
    if let Some(console) = console {
        let mut told = None;
        loop {
            tokio::select! {
                ended = &mut *console => {
                    ended.context("the console failed")??;
                    break;
                }
                at_end = &mut at_end, if told.is_none() => told = Some(at_end?),
                error = &mut follow => return Err(error).context("the daemon stopped answering"),
            }
        }
        match told {
            Some(told) => Ok(told),
            // The person left before the night was over.
            None => ask_at_end(socket, world, pace, times).await,
        }
    } else {
        let events = async {
            for (hours, text) in story::EVENTS {
                let at_ms = times.at(hours);
                if (times.start_ms..times.end_ms).contains(&at_ms) {
                    tokio::time::sleep(pace.until(at_ms)).await;
                    notebook.say(at_ms, &format!("({text})"));
                }
            }
            std::future::pending::<()>().await;
        };
        tokio::select! {
            at_end = &mut at_end => at_end,
            error = &mut follow => Err(error).context("the daemon stopped answering"),
            () = events => unreachable!("the events wait for ever"),
        }
    }
}

async fn ask_at_end(socket: &Path, world: &Mutex<World>, pace: &Pace, times: Times) -> Result<report::AtEnd> {
    let mut client = watcher::connect(socket).await?;
    let hours = (pace.now_ms() - times.start_ms) as f64 / 3_600_000.0;
    Ok(report::AtEnd::ask(&mut client, world, hours).await)
}

fn configured(place: &Place, port: u16, speed: f64) -> Result<Farm> {
    let (path, text) = place.write_farm(port, speed)?;
    match config::from_text(&path, text) {
        Ok(loaded) => Ok(loaded.farm),
        Err(error) => bail!("the demo's own configuration has problems:\n{error}"),
    }
}

fn the_world(farm: &Farm, options: &Options, times: Times) -> Result<World> {
    let pond = farm.site.ponds.iter().position(|pond| pond.id == story::TRIP_POND);
    let mut happenings = Vec::new();
    if let Some(pond) = pond {
        for (group, aerator) in farm.site.ponds[pond].aerators.iter().enumerate() {
            if story::TRIP_GROUPS.contains(&aerator.id.as_str()) {
                happenings.push((times.at(story::TRIP_H), Happening::FeederTrips(pond, group)));
                happenings.push((times.at(story::FEEDER_BACK_H), Happening::FeederBack(pond, group)));
            }
        }
    }
    stage::world(
        farm,
        stage::Play {
            seed: options.seed,
            start_ms: times.start_ms,
            utc_offset_ms: times.utc_offset_ms,
            climate: story::climate(farm.site.latitude_deg, farm.site.longitude_deg),
            faults: story::probe_faults(|hours| times.at(hours)),
            happenings,
            timer: story::timer,
        },
    )
}

/// The daemon's log goes into the demo's folder, so that it does not cover the console.
fn start_log(place: &Place) -> Result<()> {
    let path = place.log();
    let file = std::fs::File::create(&path).with_context(|| format!("making {} failed", path.display()))?;
    let parts = Targets::new().with_default(LevelFilter::INFO).with_target("rumqttd", LevelFilter::OFF);
    tracing_subscriber::fmt()
        .with_writer(Mutex::new(file))
        .with_ansi(false)
        .finish()
        .with(parts)
        .try_init()
        .map_err(|error| anyhow::anyhow!("starting the log failed: {error}"))
}

fn opening(farm: &Farm, place: &Place, options: &Options, full_screen: bool) -> String {
    let seconds = (24.0 + options.until - options.from) * 3_600.0 / options.speed;
    let how = if full_screen {
        "The console opens in 3 seconds. When an alarm sounds, acknowledge it: about\n\
         aerators or low oxygen, the technician then walks to the pond and starts what\n\
         is advised. q leaves."
    } else {
        "A simulated technician acknowledges alarms two minutes after they sound.\n\
         Oxygen is in mg/L; letters after it are aerator groups that turn. Ctrl-C ends."
    };
    format!(
        "{}: a simulated night of {} ponds, in about {seconds:.0} seconds.\n\
         Water and probes are simulated; the serial line, MQTT and the daemon are real.\n\
         {how}\n\
         In a second terminal, while it runs:\n  \
         cargo run --release -p pondreeve -- console --socket {}\n\n",
        farm.name,
        farm.site.ponds.len(),
        place.socket().display(),
    )
}

fn closing(place: &Place) -> String {
    if place.is_kept() {
        let at = place.path().display();
        format!("\nKept in {at}: farm.toml, the store and daemon.log.\n")
    } else {
        "\nNothing is left behind. --keep DIR keeps configuration, store and log. README.md\n\
         says how to set up a farm of your own. `cargo run --release -p sim -- probes`\n\
         serves the simulated probes for a daemon that you start yourself.\n"
            .to_owned()
    }
}

/// Signals that end the demo in order.
struct Signals([tokio::signal::unix::Signal; 3]);

impl Signals {
    fn new() -> Result<Self> {
        let listen = |kind| signal(kind).context("listening for signals failed");
        Ok(Self([
            listen(SignalKind::interrupt())?,
            listen(SignalKind::terminate())?,
            listen(SignalKind::hangup())?,
        ]))
    }

    fn any(&mut self) -> impl Future<Output = ()> + '_ {
        let [interrupt, terminate, hangup] = &mut self.0;
        async move {
            tokio::select! {
                _ = interrupt.recv() => {}
                _ = terminate.recv() => {}
                _ = hangup.recv() => {}
            }
        }
    }
}
