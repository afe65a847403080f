//! Simulated probes on a serial line: a Modbus RTU server for several units, with the line faults of
//! real ones.

use std::io::{self, Read, Write};
use std::os::fd::AsFd;
use std::sync::Arc;
use std::sync::atomic::{AtomicBool, Ordering};
use std::thread::{self, JoinHandle};
use std::time::Duration;

use nix::poll::{PollFd, PollFlags, PollTimeout, poll};
use pondreeve_protocol::modbus::{self, Exception, Request};
use pondreeve_protocol::register_map::{RegisterMap, Table};

use crate::faults::LineFault;
use crate::pty::Line;

/// How often a waiting server looks whether it should stop.
const LOOK_EVERY_MS: u8 = 50;
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
    /// Serves the probes' end of a line. `ask` is called for each request with the unit asked; units
    /// that it does not know stay silent.
    pub fn start(line: &Line, ask: impl FnMut(u8) -> Option<Answer> + Send + 'static) -> io::Result<Self> {
        let stop = Arc::new(AtomicBool::new(false));
        let (port, stopped) = (line.probes.try_clone()?, Arc::clone(&stop));
        let thread = thread::Builder::new().name("probes".to_owned()).spawn(move || {
            if let Err(error) = serve(port, &stopped, ask) {
                tracing::warn!(%error, "the simulated serial line failed");
            }
        })?;
        Ok(Self { stop, thread: Some(thread) })
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
    stop: &AtomicBool,
    mut ask: impl FnMut(u8) -> Option<Answer>,
) -> io::Result<()> {
    let mut received = Vec::new();
    let mut chunk = [0; modbus::FRAME_BYTES_MAX];
    while !stop.load(Ordering::Relaxed) {
        let patience = if received.is_empty() { LOOK_EVERY_MS } else { FORGET_AFTER_MS };
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
            let (request, used) = modbus::take_request(&received);
            received.drain(..used);
            let Some(request) = request else { break };
            if let Some(answer) = ask(request.unit()) {
                send(&mut port, &request, &answer)?;
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

fn send(port: &mut impl Write, request: &Request, answer: &Answer) -> io::Result<()> {
    let mut frame = modbus::answer(request, |table, address| register(answer, table, address));
    match answer.fault {
        Some(LineFault::Silent) => return Ok(()),
        Some(LineFault::BadChecksum) => {
            // The middle byte: data of a normal answer, so that unit and function still look right.
            let middle = frame.len() / 2;
            if let Some(byte) = frame.get_mut(middle) {
                *byte ^= 0x10;
            }
        }
        Some(LineFault::Exception(code)) => frame = exception(request, code),
        Some(LineFault::Late(ms)) => thread::sleep(Duration::from_millis(ms)),
        Some(LineFault::Stray(bytes)) => port.write_all(&vec![0xFF; bytes])?,
        None => {}
    }
    port.write_all(&frame)
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
