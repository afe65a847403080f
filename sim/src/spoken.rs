//! Simulated probes that speak text: SDI-12 sensors, and probes that send lines, asked or by themselves.

use std::io::{self, Read, Write};
use std::os::fd::AsFd;
use std::sync::Arc;
use std::sync::atomic::{AtomicBool, Ordering};
use std::time::{Duration, Instant};

use nix::poll::{PollFd, PollFlags, PollTimeout, poll};
use pondreeve_protocol::reported::Reported;
use pondreeve_protocol::sdi12::{Command, SensorMap, crc_text, crc16, decode_command, value_text};
use pondreeve_protocol::text_line::LineMap;
use pondreeve_protocol::unit::conversion;

use crate::faults::LineFault;
use crate::line_faults;
use crate::pty::Line;
use crate::rtu::{LOOK_EVERY_MS, Server};

/// Values in one answer to a command for data: with nine characters each and the CRC it stays within 35.
const VALUES_A_PAGE: usize = 3;

/// Most values of a measurement that is not made while others are: it is announced in one digit.
const VALUES_ALONE: usize = 9;

/// Codes of SHEF, as sensors of version 1.4 name what they measure, each with a longer name.
const CODES: &[(&str, &str, &str)] = &[
    ("do_mg_l", "WO", "dissolved oxygen"),
    ("temperature_c", "TW", "water temperature"),
    ("ph", "WP", "pH of water"),
    ("salinity_psu", "WS", "salinity"),
    ("conductivity_ms_cm", "WC", "conductance"),
    ("turbidity_ntu", "WT", "turbidity"),
    ("pressure_hpa", "PA", "air pressure"),
    ("depth_m", "HG", "depth of water"),
];

/// Units as this program spells them, and as sensors do.
const UNITS: &[(&str, &str)] = &[
    ("mg/L", "mg/L"),
    ("Cel", "degrees C"),
    ("PSU", "PSU"),
    ("mS/cm", "mS/cm"),
    ("uS/cm", "uS/cm"),
    ("NTU", "NTU"),
    ("hPa", "hPa"),
    ("kPa", "KPA"),
    ("m", "M"),
    ("cm", "CM"),
    ("mm", "MM"),
    ("mV", "mV"),
];

/// `,WO,mg/L,dissolved oxygen;` (section 6.2 of SDI-12); who has no code gives the quantity's id, and a space for a unit.
fn told(reported: &Reported) -> String {
    let of_raw = |name: &str| {
        conversion(name, &reported.unit)
            .is_some_and(|own| (own.scale, own.offset) == (reported.scale, reported.offset))
    };
    let unit = UNITS.iter().find(|(name, _)| of_raw(name)).map_or(" ", |(_, unit)| unit);
    match CODES.iter().find(|(channel, ..)| *channel == reported.channel) {
        Some((_, code, name)) => format!(",{code},{unit},{name};"),
        None => format!(",{},{unit};", reported.channel),
    }
}

/// What an SDI-12 sensor holds and how it behaves at the moment it is asked.
#[derive(Debug, Clone)]
pub struct Sensor {
    /// Which value is what.
    pub map: Arc<SensorMap>,
    /// One value for each of the map, in the map's order.
    pub values: Vec<f64>,
    /// Its further measurements: which value is what, and the values. Their numbers are those of their maps.
    pub further: Vec<(Arc<SensorMap>, Vec<f64>)>,
    /// Seconds that a measurement takes.
    pub takes_s: u16,
    /// What is wrong with its line; an exception is a measurement that is aborted.
    pub fault: Option<LineFault>,
}

impl Sensor {
    fn measurement(&self, number: u8) -> Option<(&SensorMap, &Vec<f64>)> {
        let further = self.further.iter().map(|(map, values)| (map, values));
        let mut all = [(&self.map, &self.values)].into_iter().chain(further);
        all.find(|(map, _)| map.number() == number).map(|(map, values)| (&**map, values))
    }

    /// What it says of one value of a measurement; nothing where it has none there.
    fn described(&self, number: u8, position: u8) -> String {
        let of_it = |(map, _): (&SensorMap, _)| {
            map.values.iter().find(|(own, _)| *own == position).map(|(_, reported)| told(reported))
        };
        self.measurement(number).and_then(of_it).unwrap_or_default()
    }

    /// What it sends for a measurement, by position; a position that the map does not know holds 0. Nothing where it has
    /// no such measurement: it then announces no values.
    fn raw(&self, number: u8) -> Vec<f64> {
        let Some((map, values)) = self.measurement(number) else { return Vec::new() };
        let most = map.values.iter().map(|(position, _)| usize::from(*position)).max().unwrap_or(0);
        let mut raw = vec![0.0; most];
        for ((position, reported), value) in map.values.iter().zip(values) {
            if let Some(place) = raw.get_mut(usize::from(*position).saturating_sub(1)) {
                *place = reported.raw(*value);
            }
        }
        raw
    }
}

/// A measurement that was begun.
struct Measurement {
    address: u8,
    crc: bool,
    values: Vec<f64>,
    ready_at: Instant,
    /// A service request is owed.
    says_so: bool,
}

/// Serves SDI-12 sensors. `ask` is called for each command with the address; addresses that it does not know stay silent.
pub fn sdi12(line: &Line, mut ask: impl FnMut(u8) -> Option<Sensor> + Send + 'static) -> io::Result<Server> {
    let port = line.probes.try_clone()?;
    Server::run(move |stop| serve_sdi12(port, stop, &mut ask))
}

fn serve_sdi12(
    mut port: impl Read + Write + AsFd,
    stop: &AtomicBool,
    ask: &mut impl FnMut(u8) -> Option<Sensor>,
) -> io::Result<()> {
    let mut received = Vec::new();
    let mut measurements: Vec<Measurement> = Vec::new();
    let mut chunk = [0; 256];
    while !stop.load(Ordering::Relaxed) {
        for own in measurements.iter_mut().filter(|own| own.says_so && own.ready_at <= Instant::now()) {
            own.says_so = false;
            port.write_all(&[own.address, b'\r', b'\n'])?;
        }
        if poll(&mut [PollFd::new(port.as_fd(), PollFlags::POLLIN)], PollTimeout::from(LOOK_EVERY_MS))? == 0 {
            received.clear();
            continue;
        }
        let count = port.read(&mut chunk)?;
        if count == 0 {
            return Err(io::ErrorKind::UnexpectedEof.into());
        }
        received.extend_from_slice(&chunk[..count]);
        while let Some(end) = received.iter().position(|byte| *byte == b'!') {
            let asked: Vec<u8> = received.drain(..=end).collect();
            let Some((address, command)) = decode_command(&asked) else { continue };
            let Some(sensor) = ask(address) else { continue };
            let body = answer(address, command, &sensor, &mut measurements);
            let crc = match command {
                Command::Data(_) => measurements.iter().any(|own| own.address == address && own.crc),
                Command::Describe { crc, .. } => crc,
                _ => false,
            };
            let other = if address == b'9' { b'8' } else { b'9' };
            let (frame, others) = (framed(address, &body, crc), framed(other, &body, crc));
            line_faults::send(&mut port, sensor.fault, &asked, frame, others)?;
        }
    }
    Ok(())
}

fn framed(address: u8, body: &str, crc: bool) -> Vec<u8> {
    let mut frame = vec![address];
    frame.extend_from_slice(body.as_bytes());
    if crc {
        let check = crc_text(crc16(&frame));
        frame.extend(check);
    }
    frame.extend(b"\r\n");
    frame
}

/// Seconds and values: one digit for those where it measures alone. Who has none is ready at once.
fn announced(takes_s: u16, count: usize, alone: bool) -> String {
    let takes_s = if count == 0 { 0 } else { takes_s };
    if alone { format!("{takes_s:03}{}", count.min(VALUES_ALONE)) } else { format!("{takes_s:03}{count:02}") }
}

fn answer(address: u8, command: Command, sensor: &Sensor, measurements: &mut Vec<Measurement>) -> String {
    match command {
        Command::Acknowledge => String::new(),
        Command::Identify => "14SIMULATDSENSOR100".to_owned(),
        Command::Announce { number, concurrent } => {
            announced(sensor.takes_s, sensor.raw(number).len(), !concurrent)
        }
        Command::Describe { number, position, .. } => sensor.described(number, position),
        Command::Measure { number, crc } | Command::Concurrent { number, crc } => {
            measurements.retain(|own| own.address != address);
            let mut values = sensor.raw(number);
            let alone = matches!(command, Command::Measure { .. });
            if alone {
                values.truncate(VALUES_ALONE);
            }
            let count = values.len();
            let ready_at = Instant::now() + Duration::from_secs(u64::from(sensor.takes_s));
            let says_so = alone && sensor.takes_s > 0 && count > 0;
            measurements.push(Measurement { address, crc, values, ready_at, says_so });
            announced(sensor.takes_s, count, alone)
        }
        Command::Data(page) => {
            let own =
                measurements.iter().find(|own| own.address == address && own.ready_at <= Instant::now());
            let aborted = matches!(sensor.fault, Some(LineFault::Exception(_)));
            let Some(own) = own.filter(|_| !aborted) else { return String::new() };
            let page = own.values.iter().skip(usize::from(page) * VALUES_A_PAGE).take(VALUES_A_PAGE);
            page.map(|value| value_text(*value)).collect()
        }
    }
}

/// What a probe that sends lines holds and how it behaves at a moment.
#[derive(Debug, Clone)]
pub struct Speaker {
    /// How it speaks.
    pub map: Arc<LineMap>,
    /// Channels and values.
    pub values: Vec<(String, f64)>,
    /// What is wrong with its line.
    pub fault: Option<LineFault>,
}

impl Speaker {
    fn line(&self) -> Vec<u8> {
        let values: Vec<(&str, f64)> =
            self.values.iter().map(|(name, value)| (name.as_str(), *value)).collect();
        self.map.write(&values).unwrap_or_default()
    }
}

/// Serves probes that send lines: those that are asked when they are, the others `every` so often. `all` gives them as
/// they are at a moment.
pub fn text(
    line: &Line,
    every: Duration,
    mut all: impl FnMut() -> Vec<Speaker> + Send + 'static,
) -> io::Result<Server> {
    let port = line.without_waiting()?;
    Server::run(move |stop| serve_text(port, every, stop, &mut all))
}

fn serve_text(
    mut port: impl Read + Write + AsFd,
    every: Duration,
    stop: &AtomicBool,
    all: &mut impl FnMut() -> Vec<Speaker>,
) -> io::Result<()> {
    let mut received: Vec<u8> = Vec::new();
    let mut sends_at = Instant::now();
    let mut chunk = [0; 256];
    while !stop.load(Ordering::Relaxed) {
        if sends_at <= Instant::now() {
            sends_at = Instant::now() + every;
            for own in all().iter().filter(|own| own.map.ask.is_none()) {
                let others = b"ZZ,0\r\n".to_vec();
                match line_faults::send(&mut port, own.fault, &[], own.line(), others) {
                    // Nobody reads, and the line is full of what nobody took.
                    Err(error) if error.kind() == io::ErrorKind::WouldBlock => {}
                    other => other?,
                }
            }
        }
        let wait = every.min(Duration::from_millis(u64::from(LOOK_EVERY_MS)));
        let wait = PollTimeout::try_from(wait).unwrap_or(PollTimeout::from(LOOK_EVERY_MS));
        if poll(&mut [PollFd::new(port.as_fd(), PollFlags::POLLIN)], wait)? == 0 {
            continue;
        }
        let count = port.read(&mut chunk)?;
        if count == 0 {
            return Err(io::ErrorKind::UnexpectedEof.into());
        }
        received.extend_from_slice(&chunk[..count]);
        for own in all() {
            let Some(ask) = own.map.ask.as_deref().filter(|ask| !ask.is_empty()) else { continue };
            while let Some(place) = received.windows(ask.len()).position(|bytes| bytes == ask) {
                received.drain(..place + ask.len());
                line_faults::send(&mut port, own.fault, ask, own.line(), b"ZZ,0\r\n".to_vec())?;
            }
        }
        let excess = received.len().saturating_sub(256);
        received.drain(..excess);
    }
    Ok(())
}
