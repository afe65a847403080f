//! One request and its answer over a serial line, with every check that Modbus RTU leaves to the master.
//!
//! The client of `tokio-modbus` runs over `Guard`, a transport that hands it nothing but the one frame
//! that has passed all checks of [`ReadRequest::decode_answer`], or that confirms a coil. On a bare port
//! that client clears its own buffer but not the kernel's, so one late answer shifted all later ones by
//! one and a temperature was read as oxygen; and it compares the byte count only in debug builds. Behind
//! the guard it can do neither: stale bytes are drained before each request, the frame it sees is the
//! asked unit's answer to the asked function with the asked length, and each request gets a fresh client,
//! so nothing that one buffers outlives its request.

use std::io;
use std::pin::Pin;
use std::sync::{Arc, Mutex, MutexGuard, PoisonError};
use std::task::{Context, Poll, ready};
use std::time::Duration;

use pondreeve_protocol::modbus::{AnswerError, CoilWrite, FRAME_BYTES_MAX, Framing, ReadRequest};
use pondreeve_protocol::register_map::Table;
use tokio::io::{AsyncRead, AsyncWrite, ReadBuf};
use tokio::time::{Instant, timeout};
use tokio_modbus::client::{Reader as _, Writer as _, rtu};
use tokio_modbus::{ExceptionCode, Slave};

use super::super::exchanges::{Ended, Exchanges};
use super::asked::{Answered, Asked};
use super::exact::Exact;

/// Frames of received bytes kept while an answer is looked for: two, so that an answer behind a late one is
/// still found. Older bytes are dropped; a line that babbles ends in the time-out.
const RECEIVED_FRAMES_MAX: usize = 2;

/// A line that never falls silent is given up on after so many silences.
const SETTLE_LIMIT: u32 = 4;

/// Timing of a line, from its rate and the standard (serial line guide V1.02, section 2.5.1.1).
#[derive(Debug, Clone, Copy)]
pub struct Timing {
    /// Time of one character.
    pub character: Duration,
    /// Silence that ends a frame.
    pub frame_silence: Duration,
    /// Silence kept before each request.
    pub before_request: Duration,
    /// Silence kept after a time-out: longer than the slowest device of the bus may take.
    pub after_timeout: Duration,
}

impl Timing {
    /// For a line of `baud` bits per second and `bits` bits a character, start and stop included, on
    /// which the slowest device may take `slowest` and the longest answer has `longest_bytes`.
    pub fn new(baud: u32, bits: u32, turnaround: Duration, slowest: Duration, longest_bytes: usize) -> Self {
        let character = Duration::from_secs_f64(f64::from(bits) / f64::from(baud.max(1)));
        // Above 19,200 baud the standard fixes 1.75 ms instead of 3.5 characters.
        let frame_silence = if baud > 19_200 { Duration::from_micros(1_750) } else { character.mul_f64(3.5) };
        Self {
            character,
            frame_silence,
            before_request: turnaround.max(frame_silence),
            // A quarter more than the longest wait for an answer, and room for the longest answer.
            after_timeout: slowest.mul_f64(1.25) + character * longest_bytes.min(FRAME_BYTES_MAX) as u32,
        }
    }
}

/// Why a request has no answer.
#[derive(Debug)]
pub enum Failure {
    /// Nothing came at all.
    Silent,
    /// Bytes came, but no valid answer.
    Garbled {
        /// How many.
        bytes: u64,
        /// The nearest miss.
        why: AnswerError,
    },
    /// The probe refused with this code.
    Exception(u8),
    /// The device itself failed: unplugged, or an error of the driver.
    Device(io::Error),
}

impl Failure {
    /// For the statistics of the device.
    pub const fn ended(&self) -> Ended {
        match self {
            Self::Silent | Self::Device(_) => Ended::TimedOut,
            Self::Exception(_) => Ended::Refused,
            Self::Garbled { why: AnswerError::Crc { .. }, .. } => Ended::Checksum,
            Self::Garbled { why: AnswerError::OtherUnit { .. }, .. } => Ended::OtherAddress,
            Self::Garbled { .. } => Ended::Garbled,
        }
    }
}

/// What the line has seen, for the reports.
#[derive(Debug, Clone, Copy, Default, PartialEq, Eq)]
pub struct Counts {
    /// Bytes that came when nobody had asked: late answers, noise.
    pub unasked_bytes: u64,
    /// Bytes passed over in front of an answer: echo, noise, another unit's late answer.
    pub skipped_bytes: u64,
}

/// An open line.
#[derive(Debug)]
pub struct Line<P> {
    inner: Arc<Mutex<Inner<P>>>,
    timing: Timing,
    exact: Exact,
    last_traffic: Option<Instant>,
    /// Whether the adapter hears its own requests; `None` while nothing has been read.
    echoes: Option<bool>,
    /// What became of the requests.
    pub exchanges: Exchanges,
    asked_at: Option<Instant>,
}

#[derive(Debug)]
struct Inner<P> {
    port: P,
    asked: Option<Asked>,
    framing: Framing,
    /// Number of the request, where the framing has one.
    transaction: u16,
    /// What is still to go out of a request that is framed otherwise than the client does it.
    outgoing: Vec<u8>,
    written: usize,
    received: Vec<u8>,
    received_bytes: u64,
    answer: Vec<u8>,
    handed_over: usize,
    exception: Option<u8>,
    /// The request itself came in front of an answer: the adapter hears its own sending.
    heard_itself: bool,
    counts: Counts,
}

/// What came of an exchange: in time, over the line, as the device answered.
type Exchanged<T> =
    Result<Result<Result<Option<T>, ExceptionCode>, tokio_modbus::Error>, tokio::time::error::Elapsed>;

impl<P: AsyncRead + AsyncWrite + Unpin + Send + std::fmt::Debug + 'static> Line<P> {
    /// Around an open port with Modbus RTU.
    pub fn new(port: P, timing: Timing) -> Self {
        Self::with_framing(port, timing, Framing::Rtu)
    }

    /// Around an open port. The client speaks RTU; what goes over the port is framed as told.
    pub fn with_framing(port: P, timing: Timing, framing: Framing) -> Self {
        let inner = Inner {
            port,
            asked: None,
            framing,
            transaction: 0,
            outgoing: Vec::new(),
            written: 0,
            received: Vec::new(),
            received_bytes: 0,
            answer: Vec::new(),
            handed_over: 0,
            exception: None,
            heard_itself: false,
            counts: Counts::default(),
        };
        Self {
            inner: Arc::new(Mutex::new(inner)),
            timing,
            exact: Exact::of_the_runtime(),
            last_traffic: None,
            echoes: None,
            exchanges: Exchanges::default(),
            asked_at: None,
        }
    }

    /// The same with silences that `exact` keeps.
    pub fn kept_by(self, exact: Exact) -> Self {
        Self { exact, ..self }
    }

    /// What the line has seen since it was opened.
    pub fn counts(&self) -> Counts {
        self.lock().counts
    }

    fn lock(&self) -> MutexGuard<'_, Inner<P>> {
        lock(&self.inner)
    }

    /// Sends a request and waits for its answer. `patience` is the probe's own time to answer; the time
    /// that the bytes take on the line is added.
    ///
    /// # Errors
    /// See [`Failure`]. After a time-out the line has been kept silent until a late answer must have
    /// come, so the caller may go on at once.
    pub async fn read(&mut self, request: &ReadRequest, patience: Duration) -> Result<Vec<u16>, Failure> {
        let client = self.prepare(Asked::Read(*request)).await?;
        let exchange = async {
            let mut client = client;
            match request.table {
                Table::Holding => client.read_holding_registers(request.address, request.count).await,
                Table::Input => client.read_input_registers(request.address, request.count).await,
            }
        };
        let outcome = timeout(patience + self.on_the_line(&Asked::Read(*request)), exchange).await;
        let done = outcome.map(|came| {
            came.map(|refused| {
                refused.map(|found| (found.len() == usize::from(request.count)).then_some(found))
            })
        });
        self.conclude(&Asked::Read(*request), done).await
    }

    /// Switches a coil and waits until the relay has confirmed it.
    ///
    /// # Errors
    /// As [`Self::read`]: unless the answer came the coil counts as not switched, though it may be.
    pub async fn write_coil(&mut self, write: &CoilWrite, patience: Duration) -> Result<(), Failure> {
        if self.echoes.is_none() {
            // Whether the adapter hears itself must be known, or its echo would pass for the relay's answer. Any
            // read tells, whatever comes of it.
            let CoilWrite { unit, coil, .. } = *write;
            let look = ReadRequest { unit, table: Table::Holding, address: coil, count: 1 };
            if let Err(Failure::Device(error)) = self.read(&look, patience).await {
                return Err(Failure::Device(error));
            }
        }
        let asked = Asked::Coil(*write, self.echoes == Some(true));
        let client = self.prepare(asked).await?;
        let exchange = async {
            let mut client = client;
            client.write_single_coil(write.coil, write.on).await
        };
        let outcome = timeout(patience + self.on_the_line(&asked), exchange).await;
        self.conclude(&asked, outcome.map(|came| came.map(|refused| refused.map(Some)))).await
    }

    /// Time that the bytes of a request and its answer take.
    fn on_the_line(&self, asked: &Asked) -> Duration {
        let framing = self.lock().framing;
        self.timing.character * (framing.bytes(8) + framing.bytes(asked.answer_bytes())) as u32
    }

    /// Makes the line ready and attaches a fresh client.
    async fn prepare(&mut self, asked: Asked) -> Result<tokio_modbus::client::Context, Failure> {
        self.pause().await;
        self.drain().await.map_err(Failure::Device)?;
        let mut inner = self.lock();
        inner.asked = Some(asked);
        inner.transaction = inner.transaction.wrapping_add(1);
        inner.outgoing = match inner.framing {
            Framing::Rtu => Vec::new(),
            framing => framing.wrap(&asked.encode(), inner.transaction),
        };
        inner.written = 0;
        inner.received.clear();
        inner.received_bytes = 0;
        inner.answer.clear();
        inner.handed_over = 0;
        inner.exception = None;
        inner.heard_itself = false;
        drop(inner);
        self.asked_at = Some(Instant::now());
        Ok(rtu::attach_slave(Guard(Arc::clone(&self.inner)), Slave(asked.unit())))
    }

    /// What came of an exchange; `None` in it is an answer that the client and the guard see differently.
    async fn conclude<T>(&mut self, asked: &Asked, outcome: Exchanged<T>) -> Result<T, Failure> {
        self.last_traffic = Some(Instant::now());
        let (bytes, why, exception, echoed) = {
            let mut inner = self.lock();
            inner.asked = None;
            let why = inner.explain(asked);
            (inner.received_bytes, why, inner.exception, inner.heard_itself)
        };
        // Garbage tells nothing about the adapter.
        if matches!(asked, Asked::Read(_)) && (echoed || bytes == 0 || matches!(outcome, Ok(Ok(_)))) {
            self.echoes = Some(echoed);
        }
        let failure = match outcome {
            Ok(Ok(Ok(Some(found)))) => {
                self.exchanges.answered(self.asked_at.map_or(Duration::ZERO, |at| at.elapsed()));
                return Ok(found);
            }
            Ok(Ok(Err(code))) => Failure::Exception(exception.unwrap_or(code.into())),
            Ok(Err(tokio_modbus::Error::Transport(error))) => return Err(Failure::Device(error)),
            Err(_elapsed) => {
                self.settle(self.timing.after_timeout).await.map_err(Failure::Device)?;
                if bytes == 0 { Failure::Silent } else { Failure::Garbled { bytes, why } }
            }
            // The guard lets neither a short answer nor another header through; if the client ever
            // disagrees with it, its doubt counts.
            Ok(Ok(Ok(None)) | Err(_)) => Failure::Garbled { bytes, why },
        };
        self.exchanges.failed(failure.ended());
        Err(failure)
    }

    /// Keeps the line silent until nothing has come for `silence`, so that what is still under way
    /// cannot be taken for the answer to the next request.
    ///
    /// # Errors
    /// The device failed.
    pub async fn settle(&mut self, silence: Duration) -> io::Result<()> {
        let give_up = Instant::now() + silence * SETTLE_LIMIT;
        loop {
            let quiet = timeout(silence, self.discard()).await;
            match quiet {
                Err(_elapsed) => return Ok(()),
                Ok(result) => result?,
            }
            self.last_traffic = Some(Instant::now());
            if Instant::now() >= give_up {
                return Ok(());
            }
        }
    }

    /// The silence between frames.
    async fn pause(&self) {
        if let Some(last) = self.last_traffic {
            self.exact.wait_until(last + self.timing.before_request).await;
        }
    }

    /// Takes in whatever has already come, until the line has been silent for the end of a frame.
    async fn drain(&mut self) -> io::Result<()> {
        // A first look costs no waiting: only a line that has something to say is waited for.
        let waiting = std::future::poll_fn(|cx| {
            Poll::Ready(match self.lock().poll_discard(cx) {
                Poll::Ready(result) => result.map(|()| true),
                Poll::Pending => Ok(false),
            })
        })
        .await?;
        if waiting {
            self.settle(self.timing.frame_silence.max(Duration::from_millis(2))).await
        } else {
            Ok(())
        }
    }

    /// Waits for bytes and throws them away.
    async fn discard(&self) -> io::Result<()> {
        std::future::poll_fn(|cx| self.lock().poll_discard(cx)).await
    }
}

fn lock<P>(inner: &Mutex<Inner<P>>) -> MutexGuard<'_, Inner<P>> {
    // One task uses a line, so nobody else can have poisoned the lock.
    inner.lock().unwrap_or_else(PoisonError::into_inner)
}

impl<P: AsyncRead + AsyncWrite + Unpin> Inner<P> {
    fn poll_discard(&mut self, cx: &mut Context<'_>) -> Poll<io::Result<()>> {
        let mut bytes = [0; FRAME_BYTES_MAX];
        let mut buffer = ReadBuf::new(&mut bytes);
        ready!(Pin::new(&mut self.port).poll_read(cx, &mut buffer))?;
        match buffer.filled().len() {
            0 => Poll::Ready(Err(hung_up())),
            count => {
                self.counts.unasked_bytes += count as u64;
                Poll::Ready(Ok(()))
            }
        }
    }

    /// What was received, as RTU has it: of other framings the whole frames, one after the other. And how many
    /// bytes were passed over to find them.
    fn sound(&self) -> (std::borrow::Cow<'_, [u8]>, usize) {
        if self.framing == Framing::Rtu {
            return (self.received.as_slice().into(), 0);
        }
        let frames = self.framing.frames(&self.received, self.transaction);
        let whole: usize = frames.iter().map(|frame| frame.end - frame.start).sum();
        let rtu: Vec<u8> = frames.into_iter().flat_map(|frame| frame.rtu).collect();
        (rtu.into(), self.received.len().saturating_sub(whole))
    }

    /// The nearest miss, for people.
    fn explain(&self, asked: &Asked) -> AnswerError {
        let (sound, skipped) = self.sound();
        match asked.explain(&sound) {
            AnswerError::Short { wanted, .. } if self.framing != Framing::Rtu && sound.is_empty() => {
                AnswerError::Short { found: skipped, wanted: self.framing.bytes(wanted) }
            }
            why => why,
        }
    }

    /// Takes in bytes until the answer stands there whole.
    fn poll_answer(&mut self, cx: &mut Context<'_>) -> Poll<io::Result<()>> {
        let Some(asked) = self.asked else {
            return Poll::Ready(Err(io::Error::other("an answer was read before a request was sent")));
        };
        while self.answer.is_empty() {
            let mut bytes = [0; FRAME_BYTES_MAX];
            let mut buffer = ReadBuf::new(&mut bytes);
            ready!(Pin::new(&mut self.port).poll_read(cx, &mut buffer))?;
            let came = buffer.filled();
            if came.is_empty() {
                return Poll::Ready(Err(hung_up()));
            }
            self.received_bytes += came.len() as u64;
            self.received.extend_from_slice(came);
            let (sound, skipped) = self.sound();
            let found = asked.find_answer(&sound);
            let before = sound.get(..found.map_or(sound.len(), |found| found.start));
            let own = asked.encode();
            let heard_itself = before.unwrap_or_default().windows(own.len()).any(|bytes| bytes == own);
            let Some(Answered { start, end, exception }) = found else {
                self.heard_itself |= heard_itself;
                let most = RECEIVED_FRAMES_MAX * self.framing.bytes(FRAME_BYTES_MAX);
                let excess = self.received.len().saturating_sub(most);
                self.received.drain(..excess);
                continue;
            };
            let answer = sound.get(start..end).unwrap_or_default().to_vec();
            self.heard_itself |= heard_itself;
            self.exception = exception;
            self.counts.skipped_bytes += skipped as u64 + start as u64;
            self.answer = answer;
        }
        Poll::Ready(Ok(()))
    }
}

fn hung_up() -> io::Error {
    io::Error::new(io::ErrorKind::BrokenPipe, "the device hung up")
}

/// What the Modbus client takes for its port.
#[derive(Debug)]
struct Guard<P>(Arc<Mutex<Inner<P>>>);

impl<P: AsyncRead + AsyncWrite + Unpin> AsyncRead for Guard<P> {
    fn poll_read(self: Pin<&mut Self>, cx: &mut Context<'_>, buf: &mut ReadBuf<'_>) -> Poll<io::Result<()>> {
        let mut inner = lock(&self.0);
        ready!(inner.poll_answer(cx))?;
        let rest = inner.answer.get(inner.handed_over..).unwrap_or_default();
        if rest.is_empty() {
            // The one answer has been handed over; there is no second one to wait for.
            return Poll::Pending;
        }
        let count = rest.len().min(buf.remaining());
        buf.put_slice(rest.get(..count).unwrap_or_default());
        inner.handed_over += count;
        Poll::Ready(Ok(()))
    }
}

impl<P: AsyncRead + AsyncWrite + Unpin> AsyncWrite for Guard<P> {
    fn poll_write(self: Pin<&mut Self>, cx: &mut Context<'_>, buf: &[u8]) -> Poll<io::Result<usize>> {
        let mut inner = lock(&self.0);
        // Only the very request that is checked against may go out.
        let wanted = inner.asked.map(|asked| asked.encode());
        let rest = wanted.as_ref().and_then(|frame| frame.get(inner.written..)).unwrap_or_default();
        if !rest.starts_with(buf) {
            return Poll::Ready(Err(io::Error::other("the Modbus client sends another request than asked")));
        }
        let count = if inner.outgoing.is_empty() {
            ready!(Pin::new(&mut inner.port).poll_write(cx, buf))?
        } else {
            // Its own framing goes out once the request is there whole.
            buf.len()
        };
        inner.written += count;
        Poll::Ready(Ok(count))
    }

    fn poll_flush(self: Pin<&mut Self>, cx: &mut Context<'_>) -> Poll<io::Result<()>> {
        let mut guard = lock(&self.0);
        let inner = &mut *guard;
        let whole = inner.asked.is_some_and(|asked| asked.encode().len() == inner.written);
        while whole && !inner.outgoing.is_empty() {
            match ready!(Pin::new(&mut inner.port).poll_write(cx, &inner.outgoing))? {
                0 => return Poll::Ready(Err(hung_up())),
                count => drop(inner.outgoing.drain(..count)),
            }
        }
        Pin::new(&mut inner.port).poll_flush(cx)
    }

    fn poll_shutdown(self: Pin<&mut Self>, _cx: &mut Context<'_>) -> Poll<io::Result<()>> {
        // The port outlives the client.
        Poll::Ready(Ok(()))
    }
}
