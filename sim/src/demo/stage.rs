//! From a resolved configuration to simulated water with simulated probes in it: each probe of the
//! configuration gets one that speaks as the configuration expects.

use std::net::TcpListener;
use std::sync::{Arc, Mutex, PoisonError};
use std::time::Duration;

use anyhow::{Context as _, Result, bail};
use pondreeve::config::Farm as Configured;
use pondreeve::config::farm::{Bus, LineKind, LineProbe, Spoken, TextLine};
use pondreeve_protocol::modbus::CoilWrite;
use sim::farm::{Farm, Happening, PondSetup};
use sim::faults::Fault;
use sim::mqtt_node::Node;
use sim::noise::Noise;
use sim::pace::Pace;
use sim::pty::Line;
use sim::rtu::{Answer, Part, Server};
use sim::spoken::{self, Sensor, Speaker};
use sim::tidewick;
use sim::water::Aerator;
use sim::weather::Climate;
use sim::world::{Channel, Probe, World};

use super::relay::{Board, Told};

/// Farm time between two messages of a node.
const NODE_EVERY_MS: i64 = 5 * 60_000;

/// What a run of the simulator adds to the configuration.
#[derive(Debug)]
pub(crate) struct Play {
    pub(crate) seed: u64,
    pub(crate) start_ms: i64,
    pub(crate) utc_offset_ms: i64,
    pub(crate) climate: Climate,
    pub(crate) faults: Vec<Fault>,
    pub(crate) happenings: Vec<(i64, Happening)>,
    pub(crate) timer: fn(&str, &str) -> Option<(f64, f64)>,
}

/// Makes the water and puts the configured probes in.
pub(crate) fn world(configured: &Configured, play: Play) -> Result<World> {
    let noise = Noise::new(play.seed);
    let setups = configured
        .site
        .ponds
        .iter()
        .map(|pond| {
            let aerators = pond.aerators.iter().map(|group| Aerator {
                id: group.id.clone(),
                power_kw: group.power_kw,
                sae_kg_kwh: group.sae_kg_kwh,
                running: false,
            });
            PondSetup {
                id: pond.id.clone(),
                basin: tidewick::basin(
                    pond.area_m2,
                    pond.depth_m,
                    tidewick::load(&pond.id),
                    aerators.collect(),
                ),
                water: tidewick::water(pond.depth_m, pond.salinity_psu),
                timers: pond.aerators.iter().map(|group| (play.timer)(&pond.id, &group.id)).collect(),
            }
        })
        .collect();
    let probes = configured.site.probes.iter().map(|probe| Probe {
        id: probe.id.clone(),
        pond: probe.pond.map(|pond| usize::from(pond.0)),
        channels: probe
            .channels
            .iter()
            .map(|channel| Channel {
                quantity: channel.quantity.id().to_owned(),
                aerator: channel.aerator.map(usize::from),
            })
            .collect(),
    });
    let farm =
        Farm::new(noise.clone(), play.climate, play.utc_offset_ms, setups, play.happenings, play.start_ms);
    World::new(farm, probes.collect(), play.faults, noise).context("simulating the configured probes failed")
}

/// Serves the probes and the relay boards of one bus on a line. Stops when the result is dropped.
pub(crate) fn serve_bus(
    bus: &Bus,
    place: Place<'_>,
    world: &Arc<Mutex<World>>,
    (board, told): (Board, Told),
) -> Result<Server> {
    let probes = bus.probes.clone();
    let (pace, id) = (told.1.clone(), bus.id.clone());
    let world = Arc::clone(world);
    let ask = move |unit: u8| {
        let at_ms = pace.now_ms();
        let mut world = world.lock().unwrap_or_else(PoisonError::into_inner);
        world.advance_to(at_ms);
        let here: Vec<_> = probes.iter().filter(|probe| probe.unit == unit).collect();
        if here.is_empty() {
            return None;
        }
        let index = |probe: usize, quantity: &str| {
            world.probes().get(probe)?.channels.iter().position(|channel| channel.quantity == quantity)
        };
        let parts = here.iter().map(|probe| {
            let own = usize::from(probe.probe.0);
            let value = |quantity: &str| world.report(own, index(own, quantity)?, at_ms);
            // Registers of a profile that the configuration leaves out read 0.
            let values = probe.map.registers.iter().map(|register| value(&register.channel).unwrap_or(0.0));
            Part { map: Arc::clone(&probe.map), values: values.collect() }
        });
        let parts = parts.collect();
        let fault = here.iter().find_map(|probe| world.line_fault(usize::from(probe.probe.0), at_ms));
        Some(Answer { parts, fault })
    };
    let served = match place {
        Place::Line(line) => {
            let switch = move |write: &CoilWrite| board.switch(&id, write, &told);
            Server::with_relay(line, bus.framing, ask, switch)
        }
        Place::Port(listener) => Server::over_tcp(listener, bus.framing, ask),
    };
    served.with_context(|| format!("serving the probes of bus {} failed", bus.id))
}

/// Where the probes of a bus are served.
pub(crate) enum Place<'a> {
    /// The far end of a serial line.
    Line(&'a Line),
    /// A loopback port, as a serial server has it.
    Port(TcpListener),
}

/// A measurement of a simulated SDI-12 sensor takes so long, s.
const MEASURES_S: u16 = 1;

/// A simulated probe that sends by itself sends so often.
const SENDS_EVERY: Duration = Duration::from_secs(1);

/// Serves the probes of one line of text. Stops when the result is dropped.
pub(crate) fn serve_line(
    text: &TextLine,
    line: &Line,
    world: &Arc<Mutex<World>>,
    pace: Pace,
) -> Result<Server> {
    let probes = text.probes.clone();
    let world = Arc::clone(world);
    // Values by channel, and the fault of the line, of one probe now.
    let now = move |own: &LineProbe, channels: &[&str]| {
        let at_ms = pace.now_ms();
        let mut world = world.lock().unwrap_or_else(PoisonError::into_inner);
        world.advance_to(at_ms);
        let probe = usize::from(own.probe.0);
        let value = |quantity: &str| {
            let index =
                world.probes().get(probe)?.channels.iter().position(|own| own.quantity == quantity)?;
            world.report(probe, index, at_ms)
        };
        let values: Vec<f64> = channels.iter().map(|channel| value(channel).unwrap_or(0.0)).collect();
        (values, world.line_fault(probe, at_ms))
    };
    let served = match text.kind {
        LineKind::Sdi12 => spoken::sdi12(line, move |asked| {
            // A sensor may be several probes, one for each of its measurements.
            let mut all = probes.iter().filter_map(|own| match &own.spoken {
                Spoken::Sensor(address, map) if *address == asked => {
                    let channels: Vec<&str> =
                        map.values.iter().map(|(_, value)| value.channel.as_str()).collect();
                    let (values, fault) = now(own, &channels);
                    Some((Arc::clone(map), values, fault))
                }
                _ => None,
            });
            let (map, values, fault) = all.next()?;
            let further = all.map(|(map, values, _)| (map, values)).collect();
            Some(Sensor { map, values, further, takes_s: MEASURES_S, fault })
        }),
        LineKind::Text => spoken::text(line, SENDS_EVERY, move || {
            let all = probes.iter().filter_map(|own| {
                let Spoken::Text(map) = &own.spoken else { return None };
                let channels: Vec<&str> =
                    map.values.iter().map(|(_, value)| value.channel.as_str()).collect();
                let (values, fault) = now(own, &channels);
                let names = channels.iter().map(|name| (*name).to_owned());
                Some(Speaker { map: Arc::clone(map), values: names.zip(values).collect(), fault })
            });
            all.collect()
        }),
    };
    served.with_context(|| format!("serving the probes of line {} failed", text.id))
}

/// The nodes whose messages the configuration listens to.
pub(crate) fn nodes(configured: &Configured, world: &World) -> Result<Vec<Node>> {
    let mut nodes = Vec::new();
    for subscription in configured.brokers.iter().flat_map(|broker| &broker.subscriptions) {
        let probe = usize::from(subscription.probe.0);
        let Some(simulated) = world.probes().get(probe) else { continue };
        if subscription.filter.contains(['+', '#']) {
            bail!(
                "probe {} listens to {}: a simulated node needs one topic, without + or #",
                simulated.id,
                subscription.filter
            );
        }
        let place = |pick: &pondreeve_protocol::payload::Pick| {
            let channel = simulated.channels.iter().position(|channel| channel.quantity == pick.channel);
            channel.map(|channel| (channel, pick.clone()))
        };
        nodes.push(Node {
            topic: subscription.filter.clone(),
            probe,
            places: subscription.picks.iter().filter_map(place).collect(),
            every_ms: NODE_EVERY_MS,
            qos: subscription.qos,
        });
    }
    Ok(nodes)
}
