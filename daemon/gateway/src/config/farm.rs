//! The resolved configuration.

use std::collections::BTreeMap;
use std::net::SocketAddr;
use std::path::PathBuf;
use std::sync::Arc;
use std::time::Duration;

use pondreeve_chemistry::dose::Basis;
use pondreeve_core::Site;
use pondreeve_core::Span;
use pondreeve_core::site::{PondIndex, ProbeIndex};
use pondreeve_protocol::modbus::Framing;
use pondreeve_protocol::payload::Pick;
use pondreeve_protocol::register_map::RegisterMap;
use pondreeve_protocol::sdi12::SensorMap;
use pondreeve_protocol::text_line::LineMap;
use sha2::{Digest as _, Sha256};

use super::annunciation::Annunciation;
use crate::local::rights::Rights;

/// Everything the daemon needs to know.
#[derive(Debug, Clone)]
pub struct Farm {
    /// What the core needs.
    pub site: Site,
    /// The farm's name, for people.
    pub name: String,
    /// Offset of farm time from UTC, for showing times to people.
    pub time_zone: jiff::tz::TimeZone,
    /// Where readings are kept.
    pub store: StoreSettings,
    /// Where local commands connect.
    pub local: LocalSettings,
    /// Serial buses.
    pub buses: Vec<Bus>,
    /// Lines on which probes speak text.
    pub lines: Vec<TextLine>,
    /// Brokers that readings come from.
    pub brokers: Vec<Broker>,
    /// Brokers that summaries go to.
    pub destinations: Vec<Destination>,
    /// Lots of mineral slurry, in the order of the configuration.
    pub products: Vec<Product>,
    /// Horn, lamp and calls.
    pub annunciation: Annunciation,
    /// How much may wait for the destinations.
    pub outbox: crate::outbox::Bounds,
    /// What is asked of the machine.
    pub machine: crate::machine::Bounds,
    /// Where metrics can be fetched, a loopback address; nowhere if absent.
    pub metrics: Option<SocketAddr>,
    /// Commands that come in over MQTT; none if absent.
    pub commands: Option<crate::commands::Settings>,
    /// Where each limit of each pond comes from, in the order of the ponds.
    pub limit_sources: Vec<LimitSources>,
    /// What the core need not know of each pond, in the order of the ponds.
    pub about_ponds: Vec<AboutPond>,
}

/// What people call a pond's crop and the way it is farmed.
#[derive(Debug, Clone, PartialEq, Default)]
pub struct AboutPond {
    /// Species of the crop.
    pub species: String,
    /// Its stage.
    pub stage: String,
    /// How the pond is farmed, in the farm's own words.
    pub style: Option<String>,
    /// How much a dose is while shrimp are in the pond, in the unit of the lot's basis.
    pub dose_ppm: Option<f64>,
    /// The same before they are put in.
    pub dose_before_stocking_ppm: Option<f64>,
}

impl Farm {
    /// Where a limit of a pond comes from, by the key of it in the pond's table `limits`.
    pub fn limit_source(&self, pond: PondIndex, key: &str) -> Option<&str> {
        self.limit_sources.get(usize::from(pond.0))?.get(key).map(String::as_str)
    }
}

/// Key of a limit, such as `do_low_mg_l.warn`, and where the limit comes from.
pub type LimitSources = BTreeMap<&'static str, String>;

/// A lot of mineral slurry.
#[derive(Debug, Clone, PartialEq)]
pub struct Product {
    /// Lot, as on the drums.
    pub lot: String,
    /// What a dose of so many ppm counts.
    pub basis: Basis,
    /// Solids in the slurry by mass, %.
    pub solids_percent: f64,
    /// Density of the slurry, kg/L.
    pub slurry_density_kg_l: f64,
    /// Slurry in a full container, kg.
    pub container_kg: Option<f64>,
}

/// Settings of the store.
#[derive(Debug, Clone)]
pub struct StoreSettings {
    /// Folder of the database.
    pub path: PathBuf,
    /// Readings are on disk for good within this long.
    pub durable_within: Duration,
    /// How much is kept.
    pub limits: crate::journal::Limits,
    /// Where a file of each day's readings is written, if at all.
    pub daily_files: Option<PathBuf>,
}

/// Settings of the local socket.
#[derive(Debug, Clone)]
pub struct LocalSettings {
    /// Path of the Unix socket.
    pub socket: PathBuf,
    /// File mode, such as 0o660.
    pub mode: u32,
    /// Group that owns the socket file, if not the daemon's own.
    pub group: Option<String>,
    /// Who of those may do what.
    pub rights: Rights,
    /// What the console speaks.
    pub texts: LocalTexts,
}

/// What the console and the plain lines speak, where nobody asks for something else.
#[derive(Debug, Clone, PartialEq, Eq, Default)]
pub struct LocalTexts {
    /// Code of a language.
    pub language: Option<String>,
    /// Folder of the farm's own texts.
    pub folder: Option<PathBuf>,
}

/// Parity of a serial line.
#[derive(Debug, Clone, Copy, PartialEq, Eq)]
pub enum Parity {
    /// None.
    None,
    /// Even.
    Even,
    /// Odd.
    Odd,
}

/// One RS-485 bus.
#[derive(Debug, Clone)]
pub struct Bus {
    /// Short id.
    pub id: String,
    /// Path of the device, best a stable one below `/dev/serial/by-path`; empty where a serial server has the
    /// line.
    pub device: PathBuf,
    /// Host and port of the serial server that has the line.
    pub server: Option<(String, u16)>,
    /// How frames travel.
    pub framing: Framing,
    /// Bits per second.
    pub baud: u32,
    /// 7 or 8.
    pub data_bits: u8,
    /// Parity.
    pub parity: Parity,
    /// 1 or 2.
    pub stop_bits: u8,
    /// Silence kept between an answer and the next request.
    pub turnaround: Duration,
    /// File that what goes over it is written to.
    pub capture: Option<PathBuf>,
    /// Probes on it, in the order of the configuration.
    pub probes: Vec<BusProbe>,
}

impl Bus {
    /// Where it is, for people.
    pub fn place(&self) -> String {
        match &self.server {
            Some((host, port)) => format!("serial server {host}:{port}"),
            None => self.device.display().to_string(),
        }
    }
}

/// A Modbus probe on a bus.
#[derive(Debug, Clone)]
pub struct BusProbe {
    /// Which probe of the site.
    pub probe: ProbeIndex,
    /// Modbus address, 1 to 247.
    pub unit: u8,
    /// Its registers. Channels are quantity ids that the resolver has checked.
    pub map: Arc<RegisterMap>,
    /// Time between polls, in farm time.
    pub poll_every: Span,
    /// Time to wait for an answer.
    pub timeout: Duration,
    /// Further attempts within one poll.
    pub retries: u8,
}

/// What is spoken on a line of text.
#[derive(Debug, Clone, Copy, PartialEq, Eq)]
pub enum LineKind {
    /// SDI-12, through a serial adapter.
    Sdi12,
    /// Plain lines.
    Text,
}

/// Who wakes the sensors of an SDI-12 line before each command.
#[derive(Debug, Clone, Copy, PartialEq, Eq)]
pub enum Wake {
    /// The gateway, by a break.
    Break,
    /// The adapter, by itself.
    Adapter,
}

/// A line on which probes speak text.
#[derive(Debug, Clone)]
pub struct TextLine {
    /// Short id.
    pub id: String,
    /// What is spoken.
    pub kind: LineKind,
    /// Path of the device; empty where a serial server has the line.
    pub device: PathBuf,
    /// Host and port of the serial server that has the line.
    pub server: Option<(String, u16)>,
    /// Bits per second.
    pub baud: u32,
    /// 7 or 8.
    pub data_bits: u8,
    /// Parity.
    pub parity: Parity,
    /// 1 or 2.
    pub stop_bits: u8,
    /// Who wakes SDI-12 sensors.
    pub wake: Wake,
    /// Silence kept between an answer and the next question.
    pub turnaround: Duration,
    /// File that what goes over it is written to.
    pub capture: Option<PathBuf>,
    /// Probes on it, in the order of the configuration.
    pub probes: Vec<LineProbe>,
}

impl TextLine {
    /// Where it is, for people.
    pub fn place(&self) -> String {
        match &self.server {
            Some((host, port)) => format!("serial server {host}:{port}"),
            None => self.device.display().to_string(),
        }
    }
}

/// A probe on a line of text.
#[derive(Debug, Clone)]
pub struct LineProbe {
    /// Which probe of the site.
    pub probe: ProbeIndex,
    /// How it is asked and understood.
    pub spoken: Spoken,
    /// Time between polls, in farm time.
    pub poll_every: Span,
    /// Time to wait for an answer.
    pub timeout: Duration,
    /// Further attempts within one poll.
    pub retries: u8,
}

impl LineProbe {
    /// The address of the SDI-12 sensor that it is.
    pub fn sensor(&self) -> Option<u8> {
        match &self.spoken {
            Spoken::Sensor(address, _) => Some(*address),
            Spoken::Text(_) => None,
        }
    }
}

/// How a probe on a line of text is asked and understood. Channels are quantity ids that the resolver has checked.
#[derive(Debug, Clone)]
pub enum Spoken {
    /// An SDI-12 sensor at its address.
    Sensor(u8, Arc<SensorMap>),
    /// A probe that sends lines.
    Text(Arc<LineMap>),
}

/// Transport security of a broker connection.
#[derive(Debug, Clone)]
pub struct Tls {
    /// Certificates to trust, PEM.
    pub ca_file: PathBuf,
    /// Certificate and key of this client, PEM.
    pub client: Option<(PathBuf, PathBuf)>,
}

/// How to reach a broker.
#[derive(Debug, Clone)]
pub struct BrokerAddress {
    /// Host name or address.
    pub host: String,
    /// Port.
    pub port: u16,
    /// MQTT client id, unique at the broker.
    pub client_id: String,
    /// User name and the file that holds the password.
    pub credentials: Option<(String, PathBuf)>,
    /// TLS, if used.
    pub tls: Option<Tls>,
    /// Keep-alive interval.
    pub keep_alive: Duration,
}

/// A broker that readings come from.
#[derive(Debug, Clone)]
pub struct Broker {
    /// Short id.
    pub id: String,
    /// Where it is.
    pub address: BrokerAddress,
    /// Larger payloads are refused, bytes.
    pub max_payload_bytes: usize,
    /// What to listen to.
    pub subscriptions: Vec<Subscription>,
    /// Where it is said whether a device that carries several probes is there.
    pub availabilities: Vec<Availability>,
}

/// Where it is said whether a device is there.
#[derive(Debug, Clone)]
pub struct Availability {
    /// Id of the device.
    pub node: String,
    /// MQTT topic filter.
    pub filter: String,
    /// What is said there while it is not.
    pub offline: String,
}

/// One topic filter and what it carries.
#[derive(Debug, Clone)]
pub struct Subscription {
    /// MQTT topic filter.
    pub filter: String,
    /// Which probe of the site it is.
    pub probe: ProbeIndex,
    /// What to read out of each message. Channels are quantity ids that the resolver has checked.
    pub picks: Vec<Pick>,
    /// Quality of service asked for: 0 or 1.
    pub qos: u8,
    /// A message whose own time lies further ahead than this is refused.
    pub max_ahead: Duration,
    /// Messages beyond so many in a minute are refused.
    pub most_per_minute: u32,
}

/// A broker that summaries, alarms and health go to.
#[derive(Debug, Clone)]
pub struct Destination {
    /// Short id.
    pub id: String,
    /// Where it is.
    pub address: BrokerAddress,
    /// Hosts and ports of the other nodes of the same cluster.
    pub further_hosts: Vec<(String, u16)>,
    /// Which version of MQTT it speaks.
    pub version: Version,
    /// How messages are encoded.
    pub encoding: Encoding,
    /// Summaries sent in a second at most; alarms and calls are not held back.
    pub most_per_second: u32,
    /// Summaries are kept back for a part of this; see [`Destination::kept_back`].
    pub spread: Duration,
}

impl Destination {
    /// How long a gateway keeps its summaries back here, so that a fleet's do not all come at the same moment: an
    /// even part of `spread`, the same each time for the same gateway.
    pub fn kept_back(&self, gateway: &str) -> Duration {
        // Ids of a fleet differ in a digit: a plain checksum of them would not be even.
        let digest: [u8; 32] = Sha256::digest(gateway.as_bytes()).into();
        let [a, b, c, d, ..] = digest;
        self.spread.mul_f64(f64::from(u32::from_be_bytes([a, b, c, d])) / (f64::from(u32::MAX) + 1.0))
    }

    /// So many nodes it has.
    pub const fn nodes(&self) -> usize {
        self.further_hosts.len() + 1
    }

    /// The address of one of its nodes, counted round and round.
    pub fn node(&self, turn: usize) -> BrokerAddress {
        let mut address = self.address.clone();
        let place = (turn % self.nodes()).checked_sub(1);
        if let Some((host, port)) = place.and_then(|place| self.further_hosts.get(place)) {
            (address.host, address.port) = (host.clone(), *port);
        }
        address
    }
}

/// Versions of MQTT.
#[derive(Debug, Clone, Copy, PartialEq, Eq)]
pub enum Version {
    /// 3.1.1.
    Four,
    /// 5.
    Five,
}

/// How messages are encoded.
#[derive(Debug, Clone, Copy, PartialEq, Eq)]
pub enum Encoding {
    /// JSON; summaries as SenML JSON.
    Json,
    /// CBOR; summaries as SenML CBOR.
    Cbor,
}
