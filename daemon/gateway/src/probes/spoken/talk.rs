//! A port on which text is spoken: silences, breaks, what comes until a deadline.

use std::io;
use std::time::Duration;

use tokio::io::{AsyncReadExt as _, AsyncWriteExt as _, ReadBuf};
use tokio::time::{Instant, sleep, sleep_until, timeout};

use super::super::exchanges::Exchanges;
use super::super::serial::port::Bytes;

/// A line that never falls silent is given up on after so many silences.
const SETTLE_LIMIT: u32 = 4;

/// A break of SDI-12: at least 12 ms of spacing, then at least 8.33 ms of marking (section 7.1); both with the
/// millisecond or two that an operating system is late by to the safe side.
const BREAK: (Duration, Duration) = (Duration::from_millis(15), Duration::from_millis(10));

/// An open line.
#[derive(Debug)]
pub(crate) struct Talk<P> {
    port: P,
    /// Time of one character.
    pub(crate) character: Duration,
    turnaround: Duration,
    /// Silence kept after a question without an answer.
    pub(crate) after_timeout: Duration,
    last_traffic: Option<Instant>,
    /// What became of the questions.
    pub(crate) exchanges: Exchanges,
}

impl<P: Bytes> Talk<P> {
    /// Around an open port. `slowest` is the longest time that an answer may take.
    pub(crate) fn new(port: P, character: Duration, turnaround: Duration, slowest: Duration) -> Self {
        Self {
            port,
            character,
            turnaround,
            after_timeout: slowest.mul_f64(1.25),
            last_traffic: None,
            exchanges: Exchanges::default(),
        }
    }

    /// Keeps the line silent until nothing has come for `silence`.
    ///
    /// # Errors
    /// The device failed.
    pub(crate) async fn settle(&mut self, silence: Duration) -> io::Result<()> {
        let give_up = Instant::now() + silence * SETTLE_LIMIT;
        while self.receive(Instant::now() + silence).await?.is_some() && Instant::now() < give_up {}
        Ok(())
    }

    /// Makes the line ready for a question: the silence after what was last on it, and nothing left to be read.
    ///
    /// # Errors
    /// The device failed.
    pub(crate) async fn make_ready(&mut self) -> io::Result<()> {
        if let Some(last) = self.last_traffic {
            sleep_until(last + self.turnaround).await;
        }
        // A first look costs no waiting: only a line that has something to say is waited for.
        if self.waiting().await? {
            self.settle((self.character * 4).max(Duration::from_millis(2))).await
        } else {
            Ok(())
        }
    }

    async fn waiting(&mut self) -> io::Result<bool> {
        let mut bytes = [0; 256];
        let port = &mut self.port;
        let count = std::future::poll_fn(|cx| {
            let mut buffer = ReadBuf::new(&mut bytes);
            std::task::Poll::Ready(match std::pin::Pin::new(&mut *port).poll_read(cx, &mut buffer) {
                std::task::Poll::Ready(read) => read.map(|()| Some(buffer.filled().len())),
                std::task::Poll::Pending => Ok(None),
            })
        })
        .await?;
        match count {
            None => Ok(false),
            Some(0) => Err(hung_up()),
            Some(_) => Ok(true),
        }
    }

    /// Wakes SDI-12 sensors.
    ///
    /// # Errors
    /// The device failed.
    pub(crate) async fn wake(&mut self) -> io::Result<()> {
        self.port.hold_break(true)?;
        sleep(BREAK.0).await;
        self.port.hold_break(false)?;
        sleep(BREAK.1).await;
        Ok(())
    }

    /// Sends a question.
    ///
    /// # Errors
    /// The device failed.
    pub(crate) async fn send(&mut self, bytes: &[u8]) -> io::Result<()> {
        // An adapter whose buffer stays full has died without saying so.
        let sent = timeout(Duration::from_secs(10), async {
            self.port.write_all(bytes).await?;
            self.port.flush().await
        });
        sent.await
            .unwrap_or_else(|_elapsed| Err(io::Error::new(io::ErrorKind::TimedOut, "nothing can be sent")))?;
        self.last_traffic = Some(Instant::now());
        Ok(())
    }

    /// What comes next, or nothing if nothing has come by then.
    ///
    /// # Errors
    /// The device failed.
    pub(crate) async fn receive(&mut self, until: Instant) -> io::Result<Option<Vec<u8>>> {
        let mut bytes = [0; 256];
        let Ok(read) = tokio::time::timeout_at(until, self.port.read(&mut bytes)).await else {
            return Ok(None);
        };
        match read? {
            0 => Err(hung_up()),
            count => {
                self.last_traffic = Some(Instant::now());
                Ok(Some(bytes.get(..count).unwrap_or_default().to_vec()))
            }
        }
    }
}

fn hung_up() -> io::Error {
    io::Error::new(io::ErrorKind::BrokenPipe, "the device hung up")
}
