//! The port of a line: a serial device, or a serial server over TCP.

use std::io;
use std::path::Path;
use std::time::Duration;

use nix::sys::socket::{setsockopt, sockopt};
use tokio::io::{AsyncRead, AsyncWrite};
use tokio::net::TcpStream;
use tokio_serial::{SerialPortBuilderExt, SerialStream};

use crate::config::farm::{Bus, Parity};

/// A serial server that does not take the connection within this time is not there.
const CONNECT_WITHIN: Duration = Duration::from_secs(5);

/// A connection on which nothing is confirmed for so long is given up by the kernel, so that a server that lost
/// its power is noticed and connected to anew, ms.
const UNCONFIRMED_MS: u32 = 10_000;

/// What bytes go over.
pub(super) trait Bytes: AsyncRead + AsyncWrite + Unpin + Send + std::fmt::Debug {}

impl Bytes for SerialStream {}
impl Bytes for TcpStream {}

/// An open port.
pub(super) type Port = Box<dyn Bytes>;

/// Opens the port of a bus.
///
/// # Errors
/// It cannot be opened, in words.
pub(super) async fn open(bus: &Bus) -> Result<Port, String> {
    let Some((host, port)) = &bus.server else {
        let settings = (bus.data_bits, bus.parity, bus.stop_bits);
        let opened = open_port(&bus.device, bus.baud, settings);
        let cannot =
            |error| format!("serial port {} cannot be opened: {}", bus.device.display(), open_error(&error));
        return Ok(Box::new(opened.map_err(cannot)?));
    };
    let cannot = |why: &str| format!("{} cannot be reached: {why}", bus.place());
    let connected = tokio::time::timeout(CONNECT_WITHIN, TcpStream::connect((host.as_str(), *port))).await;
    let stream = match connected {
        Ok(Ok(stream)) => stream,
        Ok(Err(error)) => return Err(cannot(&error.to_string())),
        Err(_elapsed) => return Err(cannot("no answer within 5 s")),
    };
    // Requests are small and one at a time: to wait for more to send is to wait for nothing.
    stream.set_nodelay(true).map_err(|error| cannot(&error.to_string()))?;
    setsockopt(&stream, sockopt::TcpUserTimeout, &UNCONFIRMED_MS)
        .map_err(|error| cannot(&error.to_string()))?;
    Ok(Box::new(stream))
}

/// What is said of a port that failed while it was open.
pub(super) fn failed(bus: &Bus, error: &io::Error) -> String {
    if bus.server.is_some() {
        return format!(
            "the connection to {} failed: {error}; is it powered, and the network up?",
            bus.place()
        );
    }
    format!("serial port {} failed: {error}; is the adapter plugged in and powered?", bus.place())
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
        tokio_serial::ErrorKind::NoDevice | tokio_serial::ErrorKind::Io(ErrorKind::NotFound) => {
            format!("{} (not plugged in, or held by another program)", error.description)
        }
        tokio_serial::ErrorKind::Io(ErrorKind::PermissionDenied) => {
            format!("{} (the user needs the group that owns the device, often `dialout`)", error.description)
        }
        _ => error.description.clone(),
    }
}
