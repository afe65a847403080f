//! The port of a line: a serial device, or a serial server over TCP.

use std::io;
use std::path::Path;
use std::time::Duration;

use nix::sys::socket::{setsockopt, sockopt};
use pondreeve_core::said::said;
use tokio::io::{AsyncRead, AsyncWrite};
use tokio::net::TcpStream;
use tokio_serial::{SerialPort as _, SerialPortBuilderExt, SerialStream};

use super::super::capture::{Capture, Recorded};
use crate::config::farm::{Bus, Parity};

/// A serial server that does not take the connection within this time is not there.
const CONNECT_WITHIN: Duration = Duration::from_secs(5);

/// A connection on which nothing is confirmed for so long is given up by the kernel, so that a server that lost
/// its power is noticed and connected to anew, ms.
const UNCONFIRMED_MS: u32 = 10_000;

/// What bytes go over.
pub(crate) trait Bytes: AsyncRead + AsyncWrite + Unpin + Send + std::fmt::Debug {
    /// Begins or ends a break, where the port can: a network has none.
    fn hold_break(&mut self, _on: bool) -> io::Result<()> {
        Ok(())
    }
}

impl Bytes for SerialStream {
    fn hold_break(&mut self, on: bool) -> io::Result<()> {
        let done = if on { self.set_break() } else { self.clear_break() };
        done.map_err(io::Error::from)
    }
}
impl Bytes for TcpStream {}

#[cfg(test)]
impl Bytes for tokio::io::DuplexStream {}

/// An open port.
pub(crate) type Port = Box<dyn Bytes>;

impl Bytes for Port {
    fn hold_break(&mut self, on: bool) -> io::Result<()> {
        self.as_mut().hold_break(on)
    }
}

/// Which port, and how it is set.
pub(in crate::probes) struct Settings<'a> {
    /// The device; of no use where there is a server.
    pub(in crate::probes) device: &'a Path,
    /// The serial server that has the line.
    pub(in crate::probes) server: Option<&'a (String, u16)>,
    /// Bits per second.
    pub(in crate::probes) baud: u32,
    /// Data bits, parity, stop bits.
    pub(in crate::probes) frame: (u8, Parity, u8),
    /// Where it is, for people.
    pub(in crate::probes) place: String,
}

/// The settings of a bus.
pub(super) fn of_bus(bus: &Bus) -> Settings<'_> {
    Settings {
        device: &bus.device,
        server: bus.server.as_ref(),
        baud: bus.baud,
        frame: (bus.data_bits, bus.parity, bus.stop_bits),
        place: bus.place(),
    }
}

/// Opens a port, and lets what goes over it be written down.
///
/// # Errors
/// It cannot be opened, in words.
pub(in crate::probes) async fn open(
    settings: &Settings<'_>,
    capture: Option<&Capture>,
) -> Result<Port, String> {
    let port = open_plain(settings).await?;
    Ok(match capture {
        Some(capture) => Box::new(Recorded { port, capture: capture.clone() }),
        None => port,
    })
}

/// After a loan the port is tried so often before it counts as gone: a borrower that was killed may let go of the socket
/// before it lets go of the port.
pub(in crate::probes) const TRIES_AFTER_LOAN: u32 = 15;

/// As [`open`], so many times, a tenth of a second apart.
///
/// # Errors
/// Why it could not be opened the last time.
pub(in crate::probes) async fn open_patiently(
    settings: &Settings<'_>,
    capture: Option<&Capture>,
    tries: u32,
) -> Result<Port, String> {
    let mut opened = open(settings, capture).await;
    for _ in 1..tries {
        if opened.is_ok() {
            break;
        }
        tokio::time::sleep(Duration::from_millis(100)).await;
        opened = open(settings, capture).await;
    }
    opened
}

async fn open_plain(settings: &Settings<'_>) -> Result<Port, String> {
    let Some((host, port)) = settings.server else {
        let opened = open_port(settings.device, settings.baud, settings.frame);
        let cannot = |error| {
            String::from(said!(
                "trouble-port-opening",
                "serial port {place} cannot be opened: {why}",
                place = &settings.place,
                why = open_error(&error)
            ))
        };
        return Ok(Box::new(opened.map_err(cannot)?));
    };
    Ok(Box::new(connect(host, *port, &settings.place).await?))
}

/// Connects to a serial server. `place` is what people call it.
///
/// # Errors
/// It cannot be reached, in words.
pub(crate) async fn connect(host: &str, port: u16, place: &str) -> Result<TcpStream, String> {
    let cannot = |why: &str| {
        String::from(said!(
            "trouble-server-reach",
            "{place} cannot be reached: {why}",
            place = place,
            why = why
        ))
    };
    let connected = tokio::time::timeout(CONNECT_WITHIN, TcpStream::connect((host, port))).await;
    let stream = match connected {
        Ok(Ok(stream)) => stream,
        Ok(Err(error)) => return Err(cannot(&connect_error(&error))),
        Err(_elapsed) => return Err(cannot(&said!("trouble-server-silent", "no answer within 5 s"))),
    };
    // Requests are small and one at a time: to wait for more to send is to wait for nothing.
    stream.set_nodelay(true).map_err(|error| cannot(&error.to_string()))?;
    setsockopt(&stream, sockopt::TcpUserTimeout, &UNCONFIRMED_MS)
        .map_err(|error| cannot(&error.to_string()))?;
    Ok(stream)
}

fn connect_error(error: &io::Error) -> String {
    match (error.kind(), error.raw_os_error()) {
        (io::ErrorKind::ConnectionRefused, _) => said!(
            "trouble-server-refused",
            "nothing takes connections at this port ({error})",
            error = error.to_string()
        )
        .into(),
        // A name that is not found is no error of the operating system: it has no number.
        (_, None) => {
            said!("trouble-server-name", "no such host is known ({error})", error = error.to_string()).into()
        }
        _ => error.to_string(),
    }
}

/// What is said of a port that failed while it was open.
pub(in crate::probes) fn failed(settings: &Settings<'_>, error: &io::Error) -> String {
    let place = &settings.place;
    let error = error.to_string();
    let told = match settings.server {
        Some(_) => said!(
            "trouble-server-lost",
            "the connection to {place} failed: {error}; is it powered, and the network up?",
            place = place,
            error = error
        ),
        None => said!(
            "trouble-port-lost",
            "serial port {place} failed: {error}; is the adapter plugged in and powered?",
            place = place,
            error = error
        ),
    };
    told.into()
}

/// Opens a port for nobody else: `tokio-serial` does it exclusively (TIOCEXCL and flock), so a second master on
/// the bus fails.
pub(crate) fn open_port(
    device: &Path,
    baud: u32,
    (data_bits, parity, stop_bits): (u8, Parity, u8),
) -> Result<SerialStream, tokio_serial::Error> {
    use tokio_serial::{DataBits, FlowControl, StopBits};
    tokio_serial::new(device.to_string_lossy(), baud)
        .data_bits(if data_bits == 7 { DataBits::Seven } else { DataBits::Eight })
        .parity(match parity {
            Parity::None => tokio_serial::Parity::None,
            Parity::Even => tokio_serial::Parity::Even,
            Parity::Odd => tokio_serial::Parity::Odd,
        })
        .stop_bits(if stop_bits == 2 { StopBits::Two } else { StopBits::One })
        .flow_control(FlowControl::None)
        .open_native_async()
}

pub(crate) fn open_error(error: &tokio_serial::Error) -> String {
    use std::io::ErrorKind;
    match error.kind() {
        tokio_serial::ErrorKind::NoDevice | tokio_serial::ErrorKind::Io(ErrorKind::NotFound) => said!(
            "trouble-port-missing",
            "{error} (not plugged in, or held by another program)",
            error = &error.description
        )
        .into(),
        tokio_serial::ErrorKind::Io(ErrorKind::PermissionDenied) => said!(
            "trouble-port-denied",
            "{error} (the user needs the group that owns the device, often `dialout`)",
            error = &error.description
        )
        .into(),
        // ENOTTY: a file, or a device of another kind.
        _ if error.description == "Not a typewriter" => {
            said!("trouble-port-not-serial", "{error} (this is no serial device)", error = &error.description)
                .into()
        }
        _ => error.description.clone(),
    }
}
