//! Only the simulated water and probes, at the speed of real time, for a daemon started by hand.

use std::fs;
use std::net::{SocketAddr, TcpListener, TcpStream};
use std::path::PathBuf;
use std::sync::{Arc, Mutex, PoisonError};
use std::time::Duration;

use anyhow::{Context as _, Result, anyhow, bail};
use pondreeve::config::farm::LineKind;
use pondreeve::config::{self, Farm};
use sim::faults::{Fault, Kind};
use sim::pace::Pace;
use sim::pty::Line;
use sim::world::World;
use sim::{broker, mqtt_node};

use super::notebook::print;
use super::place::Place;
use super::{Signals, relay, stage, story};

/// What to serve.
#[derive(Debug, Clone, clap::Args)]
pub(crate) struct Options {
    /// Serve the probes of this configuration; its devices must not exist yet, and its brokers must be
    /// on 127.0.0.1. Without it the demo farm is set up in a folder of its own
    #[arg(long, value_name = "FILE")]
    config: Option<PathBuf>,
    /// Serve the same probes on one line of each kind, Modbus RTU, ASCII and TCP, SDI-12 and text, in a folder of their
    /// own: a bench to try a daemon, or another program, against
    #[arg(long, conflicts_with_all = ["config", "keep"])]
    bench: bool,
    /// Seed of weather and probe noise
    #[arg(long, default_value_t = 1)]
    seed: u64,
    /// Let a probe fail from the start: silent (or dropout), stuck, fouling, film, drift, spikes, bubble,
    /// dry, noise, unit-swap, reboot, clock, bad-checksum, exception, late, stray, partial, echo or wrong-address. May
    /// be given several times
    #[arg(long = "fault", value_name = "PROBE=KIND", value_parser = probe_and_kind)]
    faults: Vec<(String, Kind)>,
    /// Keep the demo farm's configuration, and the store that a daemon makes, in this new folder
    #[arg(long, value_name = "DIR", conflicts_with = "config")]
    keep: Option<PathBuf>,
}

/// Oxygen in brackish water under air at about 28 °C, mg/L (from memory).
const SATURATED_MG_L: f64 = 7.0;

fn probe_and_kind(text: &str) -> Result<(String, Kind), String> {
    let (probe, kind) = text.split_once('=').ok_or("accepted is PROBE=KIND, such as p1-oxygen=silent")?;
    let kind = match kind {
        "silent" | "dropout" => Kind::Silent,
        "stuck" => Kind::Stuck,
        "fouling" => Kind::Fouling { per_hour: -0.5, at_most: 3.0 },
        "film" => Kind::Film {
            lost_per_day: 0.1,
            at_most: 0.6,
            night_mg_l: 0.8,
            // Set to the farm's own once that is read.
            utc_offset_ms: 0,
        },
        "drift" => Kind::Drift { per_day: 0.5 },
        "bubble" => Kind::Bubble { saturated_mg_l: SATURATED_MG_L, share: 0.7 },
        "dry" => Kind::Dry { saturated_mg_l: SATURATED_MG_L },
        "noise" => Kind::Noise { deviation: 0.8 },
        "unit-swap" => Kind::UnitSwap { saturated_mg_l: SATURATED_MG_L },
        "reboot" => Kind::Reboot { repeats_ms: 15 * 60_000 },
        "clock" => Kind::Clock { per_day_ms: 10 * 60_000 },
        "spikes" => Kind::Spikes { size: 4.0, share: 0.05 },
        "bad-checksum" => Kind::BadChecksum,
        "exception" => Kind::Exception(4),
        "late" => Kind::Late { by_ms: 600 },
        "stray" => Kind::Stray { bytes: 30 },
        "partial" => Kind::Partial,
        "echo" => Kind::Echo,
        "wrong-address" => Kind::OtherAddress,
        _ => {
            return Err(
                "accepted is silent, dropout, stuck, fouling, film, drift, spikes, bubble, dry, noise, \
                        unit-swap, reboot, clock, bad-checksum, exception, late, stray, partial, echo or \
                 wrong-address"
                    .to_owned(),
            );
        }
    };
    Ok((probe.to_owned(), kind))
}

/// Serves until a signal comes.
pub(crate) async fn run(options: Options) -> Result<()> {
    let mut signals = Signals::new()?;
    // Held to the end: a temporary folder goes when it is dropped.
    let mut place = None;
    let mut bench = None;
    let given = if options.bench {
        let folder = tempfile::tempdir().context("making a folder for the bench failed")?;
        let path = super::bench::write(folder.path())?;
        bench = Some(folder);
        Some(path)
    } else {
        options.config.clone()
    };
    let (path, farm) = if let Some(path) = given {
        let text = fs::read_to_string(&path).with_context(|| format!("reading {} failed", path.display()))?;
        let farm = config::from_text(&path, text).map_err(|error| anyhow!("{error}"))?.farm;
        (path, farm)
    } else {
        let own = Place::new(options.keep.as_deref())?;
        let port = broker::start()?;
        let (path, text) = own.write_farm(port, 1.0)?;
        place = Some(own);
        let farm = config::from_text(&path, text).map_err(|error| anyhow!("{error}"))?.farm;
        (path, farm)
    };
    let ports = ports(&farm)?;
    let world = Arc::new(Mutex::new(the_world(&farm, &options)?));
    let pace = Pace::new(|| jiff::Timestamp::now().as_millisecond(), 1.0);

    let board = relay::Board::of(&farm);
    let relay = || (board.clone(), relay::Told(None, pace.clone()));
    let mut lines = Vec::new();
    for bus in &farm.buses {
        let (server, line) = match &bus.server {
            Some((host, port)) => {
                let listener = listen(host, *port, &bus.id)?;
                (stage::serve_bus(bus, stage::Place::Port(listener), &world, relay())?, None)
            }
            None => {
                let line = open(&bus.device, &bus.id)?;
                (stage::serve_bus(bus, stage::Place::Line(&line), &world, relay())?, Some(line))
            }
        };
        lines.push((server, line));
    }
    for text in &farm.lines {
        if text.server.is_some() {
            bail!("line {} is on a serial server; simulated lines of text accept only a `device`", text.id);
        }
        let line = open(&text.device, &text.id)?;
        lines.push((stage::serve_line(text, &line, &world, pace.clone())?, Some(line)));
    }
    let nodes = {
        let world = world.lock().unwrap_or_else(PoisonError::into_inner);
        stage::nodes(&farm, &world)?
    };
    let mut publishing = tokio::task::JoinSet::new();
    for (index, &port) in ports.iter().enumerate() {
        let of_broker = farm.brokers[index].subscriptions.iter();
        let own: Vec<_> = of_broker.map(|subscription| usize::from(subscription.probe.0)).collect();
        let nodes = nodes.iter().filter(|node| own.contains(&node.probe)).cloned().collect();
        let client_id = format!("simulated-nodes-{index}");
        let (world, pace) = (Arc::clone(&world), pace.clone());
        publishing.spawn(async move {
            mqtt_node::publish(port, &client_id, nodes, world, pace, std::future::pending()).await;
        });
    }
    print(&told(&farm, &path));
    signals.any().await;
    publishing.shutdown().await;
    drop(lines);
    drop(place);
    drop(bench);
    print("\nStopped; the serial lines are gone.\n");
    Ok(())
}

fn open(device: &std::path::Path, id: &str) -> Result<Line> {
    Line::open(device).with_context(|| {
        format!(
            "making the serial line {} of {id} failed; accepted is a path that does not exist yet, in a folder that does",
            device.display()
        )
    })
}

fn listen(host: &str, port: u16, id: &str) -> Result<TcpListener> {
    if host != "127.0.0.1" && host != "localhost" {
        bail!("bus {id} is on a serial server at {host}:{port}; a simulated one accepts only 127.0.0.1");
    }
    TcpListener::bind(("127.0.0.1", port))
        .with_context(|| format!("listening on port {port} for bus {id} failed"))
}

/// The loopback port of each broker, after starting one wherever none answers.
fn ports(farm: &Farm) -> Result<Vec<u16>> {
    let mut ports = Vec::new();
    for its in &farm.brokers {
        let address = &its.address;
        if address.host != "127.0.0.1" && address.host != "localhost" || address.tls.is_some() {
            bail!(
                "broker {} is at {}:{}; simulated nodes accept only 127.0.0.1 without TLS",
                its.id,
                address.host,
                address.port
            );
        }
        let socket = SocketAddr::from(([127, 0, 0, 1], address.port));
        if TcpStream::connect_timeout(&socket, Duration::from_millis(500)).is_err() {
            broker::start_on(address.port)
                .with_context(|| format!("starting a broker on port {} failed", address.port))?;
        }
        ports.push(address.port);
    }
    Ok(ports)
}

fn the_world(farm: &Farm, options: &Options) -> Result<World> {
    let now = jiff::Timestamp::now();
    for (probe, _) in &options.faults {
        if !farm.site.probes.iter().any(|own| own.id == *probe) {
            let known: Vec<&str> = farm.site.probes.iter().map(|probe| probe.id.as_str()).collect();
            bail!("--fault {probe}: no such probe; accepted is one of {}", known.join(", "));
        }
    }
    let offset_ms = i64::from(farm.time_zone.to_offset(now).seconds()) * 1_000;
    let at_the_farm = |kind: &Kind| match *kind {
        Kind::Film { lost_per_day, at_most, night_mg_l, .. } => {
            Kind::Film { lost_per_day, at_most, night_mg_l, utc_offset_ms: offset_ms }
        }
        ref other => other.clone(),
    };
    let faults = options.faults.iter().flat_map(|(probe, kind)| {
        let own = farm.site.probes.iter().find(|own| own.id == *probe);
        let mut quantities: Vec<&str> =
            own.iter().flat_map(|own| &own.channels).map(|channel| channel.quantity.id()).collect();
        quantities.sort_unstable();
        quantities.dedup();
        let of = |quantity: &&str| Fault {
            probe: probe.clone(),
            quantity: Some((*quantity).to_owned()),
            from_ms: now.as_millisecond(),
            until_ms: i64::MAX,
            kind: at_the_farm(kind).sized_for(quantity),
        };
        quantities.iter().map(of).collect::<Vec<_>>()
    });
    stage::world(
        farm,
        stage::Play {
            seed: options.seed,
            start_ms: now.as_millisecond(),
            utc_offset_ms: offset_ms,
            climate: story::climate(farm.site.latitude_deg, farm.site.longitude_deg),
            faults: faults.collect(),
            happenings: Vec::new(),
            timer: story::timer,
        },
    )
}

fn told(farm: &Farm, path: &std::path::Path) -> String {
    let mut text = format!("Simulated probes of {} answer now, at the speed of real time:\n", farm.name);
    for bus in &farm.buses {
        let units: Vec<String> = bus.probes.iter().map(|probe| probe.unit.to_string()).collect();
        let mut units = units;
        units.dedup();
        text += &format!("  bus {}: {} (units {})\n", bus.id, bus.place(), units.join(", "));
    }
    for line in &farm.lines {
        let kind = match line.kind {
            LineKind::Sdi12 => "SDI-12",
            LineKind::Text => "lines of text",
        };
        text += &format!("  line {}: {} ({kind}, {} probes)\n", line.id, line.place(), line.probes.len());
    }
    for broker in &farm.brokers {
        let topics = broker.subscriptions.len();
        text += &format!(
            "  broker {}: 127.0.0.1:{} ({topics} topics, one message in 5 minutes)\n",
            broker.id, broker.address.port
        );
    }
    text + &format!(
        "\nIn a second terminal:\n  cargo run --release -p pondreeve -- run --config {0}\n\
         and in a third:\n  cargo run --release -p pondreeve -- console --socket {1}\n\
         Ctrl-C here ends it.\n",
        path.display(),
        farm.local.socket.display(),
    )
}
