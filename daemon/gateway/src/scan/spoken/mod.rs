//! Looking for probes on lines on which text is spoken: SDI-12 sensors by their addresses, and probes that send lines.
//!
//! Nothing that goes out changes a device: SDI-12 sensors are asked whether they are there, what they are, and to
//! measure; a line of text is first listened to, and what the known profiles ask is only sent to one that keeps silent.
//! Further measurements of a sensor may by the standard also be a calibration or a control function: they are only made
//! where a person says so. Sensors of version 1.4 tell what they would announce without making any, and of each value
//! what it is and in which unit.

mod described;
mod draft;
mod fragment;
mod guess;
mod lines;
mod meaning;
mod report;
mod sensors;
mod watch;

use std::path::PathBuf;
use std::time::Duration;

use pondreeve_protocol::modbus::Framing;
use pondreeve_protocol::sdi12::{self, Command, Parameter, is_address};

use super::{Garbled, Setting, Tried, Watched};
use crate::config::farm::{LineKind, Parity, Wake};
use crate::config::profile::Profile;
use crate::texts::say;

pub use fragment::fragment;
pub use guess::Guess;
pub use report::{json, text};

/// Settings of lines of text that are tried where none are named (common practice, no source).
const USUAL_TEXT: &[(u32, u8, Parity)] = &[
    (9_600, 8, Parity::None),
    (19_200, 8, Parity::None),
    (4_800, 8, Parity::None),
    (115_200, 8, Parity::None),
    (38_400, 8, Parity::None),
    (9_600, 7, Parity::Even),
];

/// What is to be done.
#[derive(Debug, Clone)]
pub struct Plan {
    /// The line.
    pub device: PathBuf,
    /// What is spoken on it.
    pub kind: LineKind,
    /// Settings in the order in which they are tried.
    pub settings: Vec<Setting>,
    /// Every setting is tried; else the first at which something answers is the last.
    pub every_setting: bool,
    /// Who wakes SDI-12 sensors.
    pub wake: Wake,
    /// SDI-12 addresses in order.
    pub addresses: Vec<u8>,
    /// Whether the further measurements of a sensor are made too.
    pub further: bool,
    /// How long a sensor may take to begin its answer.
    pub patience: Duration,
    /// How long a line of text is listened to.
    pub listen: Duration,
    /// Profiles to try.
    pub profiles: Vec<Profile>,
    /// A person has named them: one that leaves values out does so on purpose.
    pub is_named: bool,
    /// How long SDI-12 sensors that were found are watched, if they are to be.
    pub watch: Option<Duration>,
}

impl Plan {
    /// The settings that lines of a kind usually have.
    pub fn usual_settings(kind: LineKind) -> Vec<Setting> {
        let setting = |&(baud, data_bits, parity): &(u32, u8, Parity)| Setting {
            baud,
            data_bits,
            parity,
            stop_bits: 1,
            framing: Framing::Rtu,
            by_server: false,
        };
        match kind {
            // Section 4.1 of SDI-12: nothing else is SDI-12, though an adapter may want something else.
            LineKind::Sdi12 => vec![setting(&(1_200, 7, Parity::Even))],
            LineKind::Text => USUAL_TEXT.iter().map(setting).collect(),
        }
    }
}

/// A measurement that a sensor was asked for.
#[derive(Debug, Clone, PartialEq)]
pub struct Measured {
    /// With what.
    pub command: Command,
    /// Values that it announced.
    pub announced: u8,
    /// Seconds that it announced.
    pub ready_after_s: u16,
    /// What came, one list a look; none where it takes too long to wait for.
    pub looks: Vec<Vec<f64>>,
    /// What the sensor says of each value, from the first; fewer than came where it does not say.
    pub told: Vec<Parameter>,
}

impl Measured {
    /// 0, or 1 to 9 where it is a further measurement.
    pub fn number(&self) -> u8 {
        self.command.measurement().unwrap_or_default()
    }
}

/// A further measurement that a sensor says it has.
#[derive(Debug, Clone, PartialEq, Eq)]
pub struct Promised {
    /// 1 to 9.
    pub number: u8,
    /// Values that it would announce.
    pub values: u8,
    /// What it says of them, as of those that were measured.
    pub told: Vec<Parameter>,
}

/// A sensor that answers.
#[derive(Debug, Clone, PartialEq)]
pub struct Sensor {
    /// Its address.
    pub address: u8,
    /// The setting of the line.
    pub setting: Setting,
    /// What it says of itself, or why that is not known.
    pub identity: Result<sdi12::Sensor, String>,
    /// What it measures, or with what command it was asked and why nothing came.
    pub measured: Vec<Result<Measured, (Command, String)>>,
    /// Further measurements that it says it has and that were not made; `None` where it was not asked, since its version
    /// of SDI-12 has no such question, or since they were made.
    pub promised: Option<Vec<Promised>>,
    /// Profiles that fit, best first.
    pub guesses: Vec<Guess>,
    /// Profiles that do not, and why.
    pub others: Vec<(String, String)>,
    /// The running configuration's probes at this address.
    pub known_as: Vec<String>,
}

/// Lines that came.
#[derive(Debug, Clone, PartialEq)]
pub struct Heard {
    /// The setting of the line.
    pub setting: Setting,
    /// What was asked for them; nothing where they came by themselves.
    pub asked: Option<Vec<u8>>,
    /// The whole lines as they came, their ends left out.
    pub lines: Vec<Vec<u8>>,
    /// What ends them.
    pub end: Vec<u8>,
    /// Profiles that fit, best first.
    pub guesses: Vec<Guess>,
    /// Profiles that do not, and why.
    pub others: Vec<(String, String)>,
}

impl Sensor {
    /// Of each measurement that gave values, by number, the one that gave the most: `aC!` may give more than `aM!`.
    fn richest(&self) -> Vec<&Measured> {
        let mut best: Vec<&Measured> = Vec::new();
        for own in self.measured.iter().flatten().filter(|own| !own.looks.is_empty()) {
            match best.iter_mut().find(|known| known.number() == own.number()) {
                Some(known) if known.announced < own.announced => *known = own,
                Some(_) => {}
                None => best.push(own),
            }
        }
        best.sort_by_key(|own| own.number());
        best
    }
}

/// What a scan gave.
#[derive(Debug, Clone, Default, PartialEq)]
pub struct Outcome {
    /// Sensors that answer.
    pub sensors: Vec<Sensor>,
    /// Addresses at which something answers that cannot be read.
    pub garbled: Vec<Garbled>,
    /// Lines that came.
    pub heard: Vec<Heard>,
    /// What was tried; of a line of text the addresses are none.
    pub tried: Vec<Tried>,
    /// Settings that were not.
    pub left: Vec<Setting>,
    /// What was watched afterwards.
    pub watched: Vec<Watched>,
    /// Why it ended before its end.
    pub stopped: Option<String>,
    /// How long it took.
    pub took: Duration,
    /// The line of the running configuration.
    pub line: Option<String>,
    /// Probes of the running configuration that send lines on it.
    pub known_as: Vec<String>,
    /// The device by a path that survives replugging, where there is one.
    pub stable_device: Option<PathBuf>,
}

impl Outcome {
    /// Whether anything answered that can be understood.
    pub fn is_found(&self) -> bool {
        !self.sensors.is_empty() || !self.heard.is_empty()
    }
}

/// Looks for probes as planned. `tell` hears how far it is; `is_over` says whether somebody wants it to end.
pub async fn scan(
    plan: &Plan,
    access: &mut super::Access,
    tell: &mut dyn FnMut(super::Progress),
    is_over: &dyn Fn() -> bool,
) -> Outcome {
    let began = tokio::time::Instant::now();
    let mut outcome = Outcome { line: access.lent().map(|lent| lent.bus.clone()), ..Outcome::default() };
    if plan.kind == LineKind::Text {
        let known = access.lent().map(|lent| lent.probes.iter().map(|probe| probe.id.clone()).collect());
        outcome.known_as = known.unwrap_or_default();
    }
    for (place, &setting) in plan.settings.iter().enumerate() {
        tell(super::Progress::Setting(setting));
        outcome.tried.push(Tried { setting, addresses: 0, unasked_bytes: 0, absent: 0 });
        let mut walk = Walk { plan, access, tell, is_over };
        let done = match plan.kind {
            LineKind::Sdi12 => walk.sensors(setting, &mut outcome).await,
            LineKind::Text => walk.lines(setting, &mut outcome).await,
        };
        let found = outcome.is_found() || !outcome.garbled.is_empty();
        let rest = plan.settings.get(place + 1..).unwrap_or_default();
        if let Err(Stop(why)) = done {
            outcome.stopped = Some(why);
            outcome.left = rest.to_vec();
            break;
        }
        if found && !plan.every_setting {
            outcome.left = rest.to_vec();
            break;
        }
    }
    if let Some(length) = plan.watch.filter(|_| outcome.stopped.is_none()) {
        let mut walk = Walk { plan, access, tell, is_over };
        outcome.stopped = walk.watch(&mut outcome, length).await.err().map(|Stop(why)| why);
    }
    access.end().await;
    outcome.took = began.elapsed();
    outcome
}

struct Walk<'a> {
    plan: &'a Plan,
    access: &'a mut super::Access,
    tell: &'a mut dyn FnMut(super::Progress),
    is_over: &'a dyn Fn() -> bool,
}

/// Why a scan ends before its end.
struct Stop(String);

impl From<std::io::Error> for Stop {
    fn from(error: std::io::Error) -> Self {
        Self(format!("the port failed: {error}; is the adapter plugged in?"))
    }
}

type Talk = crate::probes::spoken::talk::Talk<crate::probes::serial::Port>;

impl Walk<'_> {
    /// The line, after a look whether it is wanted back.
    async fn talk(&mut self) -> Result<&mut Talk, Stop> {
        if (self.is_over)() {
            return Err(Stop("it was interrupted".to_owned()));
        }
        self.access.between(self.tell).await.map_err(Stop)?;
        self.access.talk.as_mut().ok_or_else(|| Stop("the port is closed".to_owned()))
    }
}

/// Reads a list of SDI-12 addresses such as `0-9a-f` or `1,A`.
///
/// # Errors
/// What would be accepted.
pub fn addresses(text: &str) -> Result<Vec<u8>, String> {
    let accepted = || say!(crate::cli::spoken(), "usage-sdi12-addresses", typed = text);
    let mut list: Vec<u8> = Vec::new();
    let mut bytes = text.bytes().filter(|byte| !matches!(byte, b',' | b' ')).peekable();
    while let Some(first) = bytes.next() {
        let last = if bytes.next_if_eq(&b'-').is_some() { bytes.next().ok_or_else(accepted)? } else { first };
        // A range within one alphabet: `9-A` would take in what lies between them.
        let alike = |own: fn(&u8) -> bool| own(&first) && own(&last);
        let is_range =
            alike(u8::is_ascii_digit) || alike(u8::is_ascii_lowercase) || alike(u8::is_ascii_uppercase);
        if !is_range || first > last || !is_address(first) {
            return Err(accepted());
        }
        list.extend((first..=last).filter(|address| !list.contains(address)).collect::<Vec<_>>());
    }
    if list.is_empty() { Err(accepted()) } else { Ok(list) }
}

/// An SDI-12 command as its letters: `M`, `MC`, `C2`.
fn letters(command: Command) -> String {
    let text = command.encode(b'0').unwrap_or_default();
    text.iter().skip(1).take_while(|byte| **byte != b'!').map(|byte| char::from(*byte)).collect()
}

/// Bytes as a person can read them: what is no printable ASCII as `\xHH`.
pub(super) fn shown(bytes: &[u8]) -> String {
    bytes.iter().flat_map(|byte| std::ascii::escape_default(*byte)).map(char::from).collect()
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn lists_of_sensor_addresses_are_read_as_people_write_them() {
        assert_eq!(addresses("0-2"), Ok(b"012".to_vec()));
        assert_eq!(addresses("1,A-B,a"), Ok(b"1ABa".to_vec()));
        assert_eq!(addresses("0-9A-Za-z").map(|list| list.len()), Ok(62));
        for wrong in ["", "9-0", "0-A", "Z-a", "1-", "-", "?", "0-ä"] {
            assert!(addresses(wrong).is_err(), "{wrong}");
        }
    }

    #[test]
    fn commands_and_bytes_are_shown_as_people_know_them() {
        assert_eq!(letters(Command::Measure { number: 0, crc: true }), "MC");
        assert_eq!(letters(Command::Concurrent { number: 2, crc: false }), "C2");
        assert_eq!(shown(b"R\r\xff \"x\""), "R\\r\\xff \\\"x\\\"");
    }
}
