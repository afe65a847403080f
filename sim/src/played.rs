//! A captured line played again: whoever asks what was asked then is answered as then, with the delays of then. So a
//! support case can be had on a bench, with its late, cut and stray answers.

use std::collections::BTreeSet;
use std::io::{self, Read, Write};
use std::net::TcpListener;
use std::os::fd::AsFd;
use std::sync::atomic::{AtomicBool, Ordering};
use std::time::{Duration, Instant};

use nix::poll::{PollFd, PollFlags, PollTimeout, poll};

use crate::pty::Line;
use crate::rtu::{LOOK_EVERY_MS, Server, next_client};

/// What was asked, and what came with how much delay after it. What came before anything was asked has an empty question.
#[derive(Debug, Clone, Default, PartialEq, Eq)]
pub struct Exchange {
    /// What was sent.
    pub sent: Vec<u8>,
    /// What came: time since the question, or since the line was first listened to.
    pub came: Vec<(Duration, Vec<u8>)>,
}

/// Bytes at the beginning of a question that are another each time: the transaction of Modbus TCP.
const TRANSACTION_BYTES: usize = 2;

/// A pause between two rounds of a line that was only listened to.
const BETWEEN_ROUNDS: Duration = Duration::from_secs(1);

struct Player<F> {
    exchanges: Vec<Exchange>,
    /// Where to look first for what is asked next: what was asked twice was answered twice.
    next: usize,
    /// Questions carry transactions.
    is_tcp: bool,
    unknown: BTreeSet<Vec<u8>>,
    tell: F,
}

/// Plays it on the probes' end of a line. `tell` hears each question that the capture does not have, once.
///
/// # Errors
/// The line cannot be used.
pub fn on_line(
    line: &Line,
    exchanges: Vec<Exchange>,
    tell: impl FnMut(&[u8]) + Send + 'static,
) -> io::Result<Server> {
    let port = line.without_waiting()?;
    let mut player = Player { exchanges, next: 0, is_tcp: false, unknown: BTreeSet::new(), tell };
    Server::run(move |stop| player.serve(port, stop))
}

/// Plays a capture of Modbus TCP to whoever connects to a loopback port, one at a time.
///
/// # Errors
/// The port cannot be used.
pub fn over_tcp(
    listener: TcpListener,
    exchanges: Vec<Exchange>,
    tell: impl FnMut(&[u8]) + Send + 'static,
) -> io::Result<Server> {
    let mut player = Player { exchanges, next: 0, is_tcp: true, unknown: BTreeSet::new(), tell };
    Server::run(move |stop| {
        while let Some(client) = next_client(&listener, stop)? {
            match player.serve(client, stop) {
                Err(error) if error.kind() != io::ErrorKind::UnexpectedEof => return Err(error),
                _ => {}
            }
        }
        Ok(())
    })
}

impl<F: FnMut(&[u8])> Player<F> {
    fn serve(&mut self, mut port: impl Read + Write + AsFd, stop: &AtomicBool) -> io::Result<()> {
        if let Some(heard) = self.exchanges.first().filter(|own| own.sent.is_empty()).cloned() {
            let is_all = self.exchanges.len() == 1;
            send(&mut port, &heard.came, stop)?;
            while is_all && !stop.load(Ordering::Relaxed) {
                std::thread::sleep(BETWEEN_ROUNDS);
                send(&mut port, &heard.came, stop)?;
            }
        }
        let mut received: Vec<u8> = Vec::new();
        let mut chunk = [0; 1_024];
        while !stop.load(Ordering::Relaxed) {
            if poll(&mut [PollFd::new(port.as_fd(), PollFlags::POLLIN)], PollTimeout::from(LOOK_EVERY_MS))?
                == 0
            {
                let unknown = std::mem::take(&mut received);
                if !unknown.is_empty() && self.unknown.insert(self.lasting(&unknown).to_vec()) {
                    (self.tell)(&unknown);
                }
                continue;
            }
            let count = port.read(&mut chunk)?;
            if count == 0 {
                return Err(io::ErrorKind::UnexpectedEof.into());
            }
            received.extend_from_slice(&chunk[..count]);
            let Some(found) = self.find(&received) else { continue };
            let own = &self.exchanges[found];
            let transaction = self.is_tcp.then(|| received[received.len() - own.sent.len()..][..2].to_vec());
            let mut came = own.came.clone();
            if let (Some(now), Some(then)) = (transaction, own.sent.get(..TRANSACTION_BYTES)) {
                for (_, bytes) in came.iter_mut().filter(|(_, bytes)| bytes.starts_with(then)) {
                    bytes[..TRANSACTION_BYTES].copy_from_slice(&now);
                }
            }
            received.clear();
            self.next = found + 1;
            send(&mut port, &came, stop)?;
        }
        Ok(())
    }

    /// A question without what is another each time.
    fn lasting<'q>(&self, question: &'q [u8]) -> &'q [u8] {
        if self.is_tcp { question.get(TRANSACTION_BYTES..).unwrap_or_default() } else { question }
    }

    /// The next exchange that began with what was received last.
    fn find(&self, received: &[u8]) -> Option<usize> {
        let count = self.exchanges.len();
        let is_it = |own: &Exchange| {
            let tail = received.len().checked_sub(own.sent.len()).and_then(|from| received.get(from..));
            !own.sent.is_empty() && tail.is_some_and(|tail| self.lasting(tail) == self.lasting(&own.sent))
        };
        (0..count).map(|step| (self.next + step) % count).find(|place| is_it(&self.exchanges[*place]))
    }
}

/// Sends what came, at its times.
fn send(port: &mut impl Write, came: &[(Duration, Vec<u8>)], stop: &AtomicBool) -> io::Result<()> {
    let began = Instant::now();
    for (after, bytes) in came {
        while began.elapsed() < *after && !stop.load(Ordering::Relaxed) {
            let left = after.saturating_sub(began.elapsed());
            std::thread::sleep(left.min(Duration::from_millis(u64::from(LOOK_EVERY_MS))));
        }
        match port.write_all(bytes) {
            // Nobody reads, and the line is full of what nobody took.
            Err(error) if error.kind() == io::ErrorKind::WouldBlock => {}
            other => other?,
        }
    }
    Ok(())
}
