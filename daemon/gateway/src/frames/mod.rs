//! A capture of a line read again: which questions were asked, and what a profile makes of the answers.
//!
//! The capture is what `probes/capture.rs` writes; a hand-made one works as well. Nothing here asks a probe.

use pondreeve_protocol::modbus::{self, Found, Framing, ReadRequest, Request, exception_name};
use pondreeve_protocol::register_map::RegisterMap;
use pondreeve_protocol::sdi12::{Command, SensorMap, decode_begun, decode_command, decode_data};
use pondreeve_protocol::text_line::{LineMap, Splitter, Values};

use crate::config::profile::Profile;
use crate::probes::capture::HEAD;
use crate::scan::judge;

#[cfg(test)]
mod tests;

/// What was sent, and what came until the next sending.
#[derive(Debug, Clone, Default, PartialEq, Eq)]
pub struct Exchange {
    /// When it began, as the capture has it.
    pub at: String,
    /// What was sent; nothing where a line was listened to.
    pub sent: Vec<u8>,
    /// What came.
    pub received: Vec<u8>,
    /// When it came, piece by piece: the time as the capture has it, and how many bytes.
    pub came_at: Vec<(String, usize)>,
}

impl Exchange {
    fn add(&mut self, at: &str, bytes: Vec<u8>) {
        self.came_at.push((at.to_owned(), bytes.len()));
        self.received.extend(bytes);
    }
}

/// A capture.
#[derive(Debug, Clone, Default, PartialEq, Eq)]
pub struct Captured {
    /// What was spoken on the line, where the capture says so: rtu, ascii, tcp, sdi12 or text.
    pub speaks: Option<String>,
    /// In their order.
    pub exchanges: Vec<Exchange>,
}

/// Channels with their values, and what was no value in words.
pub type ReadValues = (Vec<(String, f64)>, Vec<String>);

/// What one exchange gave.
#[derive(Debug, Clone, PartialEq)]
pub struct Read {
    /// When.
    pub at: String,
    /// What was asked, in words.
    pub asked: String,
    /// Channels and values with what was no value in words, or why there is nothing.
    pub outcome: Result<ReadValues, String>,
}

/// Reads the text of a capture: `TIME > HH HH …` for what was sent, `TIME < HH HH …` for what came, `#` before words.
///
/// # Errors
/// The first line that is none of these, with what would be accepted.
pub fn parse(text: &str) -> Result<Captured, String> {
    let mut captured = Captured::default();
    for (number, line) in (1..).zip(text.lines()) {
        let line = line.trim();
        if let Some(rest) = line.strip_prefix(HEAD) {
            captured.speaks = rest.split_whitespace().next().map(str::to_owned);
            continue;
        }
        if line.is_empty() || line.starts_with('#') {
            continue;
        }
        let wrong = || {
            let shown: String = line.chars().take(60).collect();
            format!(
                "line {number}: found {shown:?}; accepted is a time, `>` or `<`, and bytes as two hexadecimal digits each"
            )
        };
        let mut words = line.split_whitespace();
        let (Some(at), Some(way)) = (words.next(), words.next()) else { return Err(wrong()) };
        let two = |word: &str| if word.len() == 2 { u8::from_str_radix(word, 16).ok() } else { None };
        let bytes = words.map(two).collect::<Option<Vec<u8>>>().ok_or_else(wrong)?;
        let last = captured.exchanges.last_mut();
        match (way, last) {
            (">", _) => {
                captured.exchanges.push(Exchange { at: at.to_owned(), sent: bytes, ..Exchange::default() });
            }
            ("<", Some(last)) => last.add(at, bytes),
            ("<", None) => {
                let mut first = Exchange { at: at.to_owned(), ..Exchange::default() };
                first.add(at, bytes);
                captured.exchanges.push(first);
            }
            _ => return Err(wrong()),
        }
    }
    Ok(captured)
}

/// What a profile makes of a capture. `address` limits it to one device.
///
/// # Errors
/// The profile is for another kind of line.
pub fn read(captured: &Captured, profile: &Profile, address: Option<u8>) -> Result<Vec<Read>, String> {
    let speaks = captured.speaks.as_deref();
    let fits = |kinds: &[&str]| speaks.is_none_or(|speaks| kinds.contains(&speaks));
    let other = || {
        let speaks = speaks.unwrap_or_default();
        format!("a capture of a line that speaks {speaks}, read with a profile for {}", profile.belongs())
    };
    match profile {
        Profile::Registers(map) if fits(&["rtu", "ascii", "tcp"]) => {
            let framing = match speaks {
                Some("ascii") => Framing::Ascii,
                Some("tcp") => Framing::Tcp,
                _ => Framing::Rtu,
            };
            let all = captured.exchanges.iter().filter_map(|own| registers(own, framing, map, address));
            Ok(all.collect())
        }
        Profile::Sensor(map) if fits(&["sdi12"]) => Ok(sensor(&captured.exchanges, map, address)),
        Profile::Text(map) if fits(&["text"]) => Ok(lines(&captured.exchanges, map)),
        _ => Err(other()),
    }
}

fn request_of(exchange: &Exchange, framing: Framing) -> Option<(ReadRequest, u16)> {
    let transaction = match exchange.sent.as_slice() {
        [high, low, ..] if framing == Framing::Tcp => u16::from_be_bytes([*high, *low]),
        _ => 0,
    };
    let request = match framing {
        Framing::Rtu => modbus::take_request(&exchange.sent).0,
        _ => framing
            .frames(&exchange.sent, transaction)
            .first()
            .and_then(|own| modbus::decode_request(&own.rtu)),
    };
    match request {
        Some(Request::Read(read)) => Some((read, transaction)),
        _ => None,
    }
}

fn registers(exchange: &Exchange, framing: Framing, map: &RegisterMap, address: Option<u8>) -> Option<Read> {
    let (request, transaction) = request_of(exchange, framing)?;
    if address.is_some_and(|address| address != request.unit) {
        return None;
    }
    let last = u32::from(request.address) + u32::from(request.count);
    let served = map.registers.iter().filter(|own| {
        own.table == request.table
            && own.address >= request.address
            && u32::from(own.address) + u32::from(own.number.registers()) <= last
    });
    let served: Vec<_> = served.collect();
    if served.is_empty() {
        return None;
    }
    let received = match framing {
        Framing::Rtu => exchange.received.clone(),
        _ => framing.frames(&exchange.received, transaction).into_iter().flat_map(|own| own.rtu).collect(),
    };
    let outcome = match request.find_answer(&received) {
        Found::Registers { registers, .. } => {
            let (mut values, mut problems) = (Vec::new(), Vec::new());
            for own in served {
                let start = usize::from(own.address - request.address);
                let words = registers.get(start..start + usize::from(own.number.registers()));
                match own.decode(words.unwrap_or_default()) {
                    Ok(value) => judged(&own.channel, &own.unit, value, &mut values, &mut problems),
                    Err(why) => problems.push(format!("{}: {why}", own.channel)),
                }
            }
            Ok((values, problems))
        }
        Found::Exception { code, .. } => {
            Err(format!("refused with exception {code} ({})", exception_name(code)))
        }
        Found::NotYet if exchange.received.is_empty() => Err("no answer".to_owned()),
        Found::NotYet => Err(request.explain(&received).to_string()),
    };
    let table = match request.table {
        pondreeve_protocol::register_map::Table::Holding => "holding",
        pondreeve_protocol::register_map::Table::Input => "input",
    };
    let asked =
        format!("unit {}, {} {table} registers from {}", request.unit, request.count, request.address);
    Some(Read { at: exchange.at.clone(), asked, outcome })
}

/// The command that an exchange sent: breaks and what an adapter adds are passed over.
fn command_of(exchange: &Exchange) -> Option<(u8, Command)> {
    decode_command(&exchange.sent)
}

/// A measurement as far as it has come.
struct Open {
    address: u8,
    at: String,
    crc: bool,
    told: usize,
    values: Vec<f64>,
    next_page: u8,
}

fn first_line<T, E: std::fmt::Display>(
    received: &[u8],
    decode: impl Fn(&[u8]) -> Result<T, E>,
) -> Result<T, String> {
    let mut why = "no answer".to_owned();
    for line in received.split_inclusive(|byte| *byte == b'\n') {
        match decode(line) {
            Ok(found) => return Ok(found),
            Err(error) => why = error.to_string(),
        }
    }
    Err(why)
}

fn sensor(exchanges: &[Exchange], map: &SensorMap, only: Option<u8>) -> Vec<Read> {
    let mut found = Vec::new();
    let mut open: Vec<Open> = Vec::new();
    for exchange in exchanges {
        let Some((address, command)) = command_of(exchange) else { continue };
        if only.is_some_and(|only| only != address) {
            continue;
        }
        let asked = format!("address {}", char::from(address));
        let crc = match command {
            Command::Measure { crc, .. } | Command::Concurrent { crc, .. } => crc,
            Command::Data(page) => {
                let Some(own) = open.iter_mut().find(|own| own.address == address) else { continue };
                let values = first_line(&exchange.received, |line| decode_data(line, page, address, own.crc));
                let outcome = match values {
                    // The same page again: the data of a sensor without CRC are asked for twice.
                    Ok(_) if page < own.next_page => continue,
                    Ok(values) => {
                        own.values.extend(values);
                        own.next_page = page + 1;
                        if own.values.len() < own.told {
                            continue;
                        }
                        Ok(placed(map, &own.values))
                    }
                    Err(why) => Err(why),
                };
                let at = own.at.clone();
                if outcome.is_ok() {
                    open.retain(|own| own.address != address);
                }
                found.push(Read { at, asked, outcome });
                continue;
            }
            Command::Acknowledge
            | Command::Identify
            | Command::Announce { .. }
            | Command::Describe { .. } => continue,
        };
        open.retain(|own| own.address != address);
        // Values of another measurement of the same sensor are another profile's.
        if command.measurement() != Some(map.number()) {
            continue;
        }
        match first_line(&exchange.received, |line| decode_begun(line, command, address)) {
            Ok(begun) => open.push(Open {
                address,
                at: exchange.at.clone(),
                crc,
                told: usize::from(begun.values),
                values: Vec::new(),
                next_page: 0,
            }),
            Err(why) => found.push(Read { at: exchange.at.clone(), asked, outcome: Err(why) }),
        }
    }
    found
}

/// A value that its quantity can have is one; another is told, for it says that the profile is not this probe's.
fn judged(
    channel: &str,
    unit: &str,
    value: f64,
    values: &mut Vec<(String, f64)>,
    problems: &mut Vec<String>,
) {
    match judge(channel, unit, value, value) {
        Ok(_) => values.push((channel.to_owned(), value)),
        Err(why) => problems.push(why),
    }
}

fn placed(map: &SensorMap, values: &[f64]) -> (Vec<(String, f64)>, Vec<String>) {
    let (mut found, mut problems) = (Vec::new(), Vec::new());
    for (position, reported) in &map.values {
        match values.get(usize::from(*position).wrapping_sub(1)).map(|raw| reported.value(*raw)) {
            Some(Ok(value)) => judged(&reported.channel, &reported.unit, value, &mut found, &mut problems),
            Some(Err(why)) => problems.push(format!("{}: {why}", reported.channel)),
            None => problems.push(format!("{}: value {position} of {}", reported.channel, values.len())),
        }
    }
    (found, problems)
}

fn lines(exchanges: &[Exchange], map: &LineMap) -> Vec<Read> {
    let mut found = Vec::new();
    for exchange in exchanges {
        let is_asked = map.ask.as_ref().is_some_and(|ask| exchange.sent.ends_with(ask));
        if map.ask.is_some() != is_asked {
            continue;
        }
        let mut splitter = Splitter::new(&map.end, map.longest + exchange.sent.len(), is_asked);
        let asked = if is_asked { "asked" } else { "listened to" };
        let read = |at: &str, outcome| Read { at: at.to_owned(), asked: asked.to_owned(), outcome };
        let before = found.len();
        let mut rest = exchange.received.as_slice();
        for (at, count) in &exchange.came_at {
            let (piece, after) = rest.split_at((*count).min(rest.len()));
            rest = after;
            // An answer belongs to its question; a line that came by itself came when it ended.
            let at = if is_asked { &exchange.at } else { at };
            for line in splitter.take(piece) {
                found.push(read(at, map.read(&line).map_err(|why| why.to_string()).map(of_line)));
            }
        }
        if found.len() == before {
            found.push(read(&exchange.at, Err("no whole line".to_owned())));
        }
    }
    found
}

fn of_line(values: Values) -> ReadValues {
    let (mut good, mut problems) = (Vec::new(), Vec::new());
    for (channel, value) in values {
        match value {
            Ok(value) => judged(&channel, "", value, &mut good, &mut problems),
            Err(why) => problems.push(format!("{channel}: {why}")),
        }
    }
    (good, problems)
}
