//! Simulated probes on a serial line: a Modbus server for several units, over RTU, ASCII or TCP, with the line
//! faults of real ones.

use std::io::{self, Read, Write};
use std::net::{TcpListener, TcpStream};
use std::os::fd::AsFd;
use std::sync::Arc;
use std::sync::atomic::{AtomicBool, Ordering};
use std::thread::{self, JoinHandle};

use nix::poll::{PollFd, PollFlags, PollTimeout, poll};
use pondreeve_protocol::modbus::{self, CoilWrite, Exception, Framing, Request};
use pondreeve_protocol::register_map::{RegisterMap, Table};

use crate::faults::LineFault;
use crate::line_faults;
use crate::pty::Line;

/// How often a waiting server looks whether it should stop.
pub(crate) const LOOK_EVERY_MS: u8 = 50;
/// A request cut short is forgotten after this much silence, as a real probe forgets it.
const FORGET_AFTER_MS: u8 = 20;

/// What one unit holds and how it behaves at the moment it is asked.
#[derive(Debug, Clone)]
pub struct Answer {
    /// Its registers; a meter with several clamps behind one address has several parts.
    pub parts: Vec<Part>,
    /// What is wrong with its line.
    pub fault: Option<LineFault>,
}

/// Some registers of a unit.
#[derive(Debug, Clone)]
pub struct Part {
    /// Where they stand.
    pub map: Arc<RegisterMap>,
    /// One value for each register of the map, in the map's order.
    pub values: Vec<f64>,
}

/// A server on one line, stopped when dropped.
#[derive(Debug)]
pub struct Server {
    stop: Arc<AtomicBool>,
    thread: Option<JoinHandle<()>>,
}

impl Server {
    /// Serves the probes' end of a line with Modbus RTU. `ask` is called for each request with the unit asked; units
    /// that it does not know stay silent.
    pub fn start(line: &Line, ask: impl FnMut(u8) -> Option<Answer> + Send + 'static) -> io::Result<Self> {
        Self::speaking(line, Framing::Rtu, ask)
    }

    /// The same with another framing.
    pub fn speaking(
        line: &Line,
        framing: Framing,
        ask: impl FnMut(u8) -> Option<Answer> + Send + 'static,
    ) -> io::Result<Self> {
        Self::with_relay(line, framing, ask, |_| None)
    }

    /// The same with a relay board on the line. `switch` is called for each coil that is to be switched, and says
    /// whether the board has it; a board that it does not know stays silent. It speaks RTU alone.
    pub fn with_relay(
        line: &Line,
        framing: Framing,
        mut ask: impl FnMut(u8) -> Option<Answer> + Send + 'static,
        mut switch: impl FnMut(&CoilWrite) -> Option<bool> + Send + 'static,
    ) -> io::Result<Self> {
        let port = line.probes.try_clone()?;
        Self::run(move |stop| serve(port, framing, stop, (&mut ask, &mut switch)))
    }

    /// Serves whoever connects to a loopback port, one at a time, as a serial server does.
    pub fn over_tcp(
        listener: TcpListener,
        framing: Framing,
        mut ask: impl FnMut(u8) -> Option<Answer> + Send + 'static,
    ) -> io::Result<Self> {
        Self::run(move |stop| {
            while let Some(client) = next_client(&listener, stop)? {
                match serve(client, framing, stop, (&mut ask, &mut |_: &CoilWrite| None)) {
                    Err(error) if error.kind() != io::ErrorKind::UnexpectedEof => {
                        tracing::info!(%error, "a client of the simulated serial server is gone");
                    }
                    _ => {}
                }
            }
            Ok(())
        })
    }

    /// Runs a server in a thread of its own.
    pub(crate) fn run(work: impl FnOnce(&AtomicBool) -> io::Result<()> + Send + 'static) -> io::Result<Self> {
        let stop = Arc::new(AtomicBool::new(false));
        let stopped = Arc::clone(&stop);
        let thread = thread::Builder::new().name("probes".to_owned()).spawn(move || {
            if let Err(error) = work(&stopped) {
                tracing::warn!(%error, "the simulated serial line failed");
            }
        })?;
        Ok(Self { stop, thread: Some(thread) })
    }
}

/// The next one who connects; none once the server is stopped.
pub(crate) fn next_client(listener: &TcpListener, stop: &AtomicBool) -> io::Result<Option<TcpStream>> {
    while !stop.load(Ordering::Relaxed) {
        let mut waiting = [PollFd::new(listener.as_fd(), PollFlags::POLLIN)];
        if poll(&mut waiting, PollTimeout::from(LOOK_EVERY_MS))? > 0 {
            let (client, _) = listener.accept()?;
            client.set_nodelay(true)?;
            return Ok(Some(client));
        }
    }
    Ok(None)
}

/// The first request in what was received, its transaction, and how many bytes it takes.
fn take(framing: Framing, received: &[u8]) -> (Option<Request>, u16, usize) {
    let transaction = match received {
        [high, low, ..] if framing == Framing::Tcp => u16::from_be_bytes([*high, *low]),
        _ => 0,
    };
    if framing == Framing::Rtu {
        let (request, used) = modbus::take_request(received);
        return (request, 0, used);
    }
    match framing.frames(received, transaction).first() {
        Some(first) => (modbus::decode_request(&first.rtu), transaction, first.end),
        None => (None, 0, 0),
    }
}

impl Drop for Server {
    fn drop(&mut self) {
        self.stop.store(true, Ordering::Relaxed);
        if let Some(thread) = self.thread.take() {
            // It ends within LOOK_EVERY_MS; a panic in it has been reported already.
            let _ = thread.join();
        }
    }
}

fn serve(
    mut port: impl Read + Write + AsFd,
    framing: Framing,
    stop: &AtomicBool,
    (ask, switch): (&mut impl FnMut(u8) -> Option<Answer>, &mut impl FnMut(&CoilWrite) -> Option<bool>),
) -> io::Result<()> {
    let mut received = Vec::new();
    let mut chunk = [0; 1_024];
    while !stop.load(Ordering::Relaxed) {
        // A frame of RTU is cut by silence; the others say themselves where they begin.
        let patience =
            if received.is_empty() || framing != Framing::Rtu { LOOK_EVERY_MS } else { FORGET_AFTER_MS };
        let ready = poll(&mut [PollFd::new(port.as_fd(), PollFlags::POLLIN)], PollTimeout::from(patience))?;
        if ready == 0 {
            received.clear();
            continue;
        }
        let count = port.read(&mut chunk)?;
        if count == 0 {
            return Err(io::ErrorKind::UnexpectedEof.into());
        }
        received.extend_from_slice(&chunk[..count]);
        loop {
            let (request, transaction, used) = take(framing, &received);
            let asked: Vec<u8> = received.drain(..used).collect();
            let Some(request) = request else {
                if used == 0 {
                    break;
                }
                continue;
            };
            if let (Request::WriteCoil(write), Framing::Rtu) = (&request, framing)
                && let Some(has_it) = switch(write)
            {
                let refusal = || {
                    modbus::encode_exception(write.unit, modbus::WRITE_COIL, Exception::IllegalDataAddress)
                };
                port.write_all(&if has_it { write.confirm() } else { refusal() })?;
                continue;
            }
            if let Some(answer) = ask(request.unit()) {
                send(&mut port, (framing, transaction), (&request, &asked), &answer)?;
            }
        }
    }
    Ok(())
}

/// The content of one register of a unit; `None` where it has none.
fn register(answer: &Answer, table: Table, address: u16) -> Option<u16> {
    let registers = answer.parts.iter().flat_map(|part| part.map.registers.iter().zip(&part.values));
    registers.into_iter().find_map(|(register, value)| {
        if register.table != table {
            return None;
        }
        let place = usize::from(address.checked_sub(register.address)?);
        // A value that its coding cannot hold reads as 0, as cheap probes do; the world keeps to
        // values that ponds have.
        let words =
            register.encode(*value).unwrap_or_else(|_| vec![0; usize::from(register.number.registers())]);
        words.get(place).copied()
    })
}

fn send(
    port: &mut impl Write,
    (framing, transaction): (Framing, u16),
    (request, asked): (&Request, &[u8]),
    answer: &Answer,
) -> io::Result<()> {
    let mut frame = modbus::answer(request, |table, address| register(answer, table, address));
    if let Some(LineFault::Exception(code)) = answer.fault {
        frame = exception(request, code);
    }
    let mut others = frame.clone();
    if let (Some(unit), Some(body)) = (others.first().copied(), others.len().checked_sub(2)) {
        others.truncate(body);
        others[0] = unit % 247 + 1;
        let check = modbus::crc16(&others);
        others.extend(check.to_le_bytes());
    }
    let (frame, others) = (framing.wrap(&frame, transaction), framing.wrap(&others, transaction));
    line_faults::send(port, answer.fault, asked, frame, others)
}

fn exception(request: &Request, code: u8) -> Vec<u8> {
    let function = match request {
        Request::Read(read) => modbus::function_of(read.table),
        Request::WriteCoil(_) => modbus::WRITE_COIL,
        Request::Other { function, .. } => *function,
    };
    let exception = match code {
        1 => Exception::IllegalFunction,
        2 => Exception::IllegalDataAddress,
        3 => Exception::IllegalDataValue,
        6 => Exception::ServerDeviceBusy,
        _ => Exception::ServerDeviceFailure,
    };
    modbus::encode_exception(request.unit(), function, exception)
}
