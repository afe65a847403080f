//! A connection to a broker: bytes out, bytes in, a ping when it is quiet.
//!
//! Written for one who only publishes, since that is where the processor's time goes after a week without a link: what is
//! due at one moment goes out in one write, and confirmations are read some hundred times a second at most. The
//! client library writes each message by itself and wakes its user for each confirmation. Everything happens where
//! [`Link::exchange`] is awaited: no task of its own, and an exchange that is given up loses nothing.

use std::future::poll_fn;
use std::io;
use std::pin::Pin;
use std::task::{Context, Poll, ready};
use std::time::Duration;

use bytes::{Buf as _, BytesMut};
use rumqttc::tokio_rustls::TlsConnector;
use rustls::pki_types::ServerName;
use tokio::io::{AsyncRead, AsyncWrite, ReadBuf};
use tokio::net::TcpStream;
use tokio::time::{Instant, Sleep, sleep, timeout};

use super::packets::{self, Greeting, Heard, LARGEST_TAKEN_BYTES, Publish, Terms};
use super::trouble;
use crate::clock::Clock;
use crate::config::farm::{Destination, Version};
use crate::mqtt_link;

/// After messages went or confirmations came, the next confirmations are let gather for so long. Three
/// times as long was tried: the processor then rests between bursts, and waking it costs more than was saved.
const GATHER: Duration = Duration::from_millis(1);

/// Room for what waits to be written is given back above this.
const ROOM_KEPT_BYTES: usize = 256 * 1024;

trait Stream: AsyncRead + AsyncWrite + Send + Unpin {}
impl<T: AsyncRead + AsyncWrite + Send + Unpin> Stream for T {}

/// An open connection.
pub(super) struct Link {
    stream: Box<dyn Stream>,
    version: Version,
    incoming: BytesMut,
    outgoing: BytesMut,
    /// What TLS has taken may still be with it.
    unflushed: bool,
    /// While confirmations gather; looked at only then.
    gathering: Option<Pin<Box<Sleep>>>,
    keep_alive: Duration,
    /// Something was heard, or the connection began.
    heard_at: Instant,
    /// A ping went out then and nothing was heard since.
    pinged_at: Option<Instant>,
    terms: Terms,
}

impl Link {
    /// Connects, is greeted, and may publish, `within` so long.
    ///
    /// # Errors
    /// Why not, in words a technician can act on.
    pub(super) async fn open(
        destination: &Destination,
        health: &str,
        within: Duration,
        clock: &Clock,
    ) -> Result<Self, String> {
        match timeout(within, Self::greeted(destination, health, clock)).await {
            Ok(opened) => opened,
            Err(_) => Err(trouble::no_answer()),
        }
    }

    async fn greeted(destination: &Destination, health: &str, clock: &Clock) -> Result<Self, String> {
        let address = &destination.address;
        let login = mqtt_link::login(address).map_err(|error| error.to_string())?;
        let tls = mqtt_link::tls(address, clock).map_err(|error| error.to_string())?;
        let at = format!("{}:{}", address.host, address.port);
        let plain = TcpStream::connect(at).await.map_err(|error| trouble::plain_io(&error))?;
        plain.set_nodelay(true).map_err(|error| trouble::plain_io(&error))?;
        let stream: Box<dyn Stream> = match tls {
            None => Box::new(plain),
            Some(config) => {
                let name = ServerName::try_from(address.host.clone());
                let name = name.map_err(|error| trouble::tls_failed(&error))?;
                let secured = TlsConnector::from(config).connect(name, plain).await;
                Box::new(secured.map_err(|error| trouble::tls_failed(&error))?)
            }
        };
        let keep_alive = address.keep_alive.max(Duration::from_secs(1));
        let mut link = Self::over(stream, destination.version, keep_alive);
        let greeting = Greeting {
            version: destination.version,
            client_id: &address.client_id,
            login,
            keep_alive,
            health,
        };
        if !greeting.put(&mut link.outgoing) {
            return Err(trouble::bad_client(address));
        }
        // One at a time: what comes behind the greeting stays for later.
        loop {
            match packets::take(&mut link.incoming, link.version) {
                Ok(Some(Heard::Welcome(terms))) => {
                    if let Some(seconds) = terms.keep_alive_s.filter(|seconds| *seconds > 0) {
                        link.keep_alive = Duration::from_secs(u64::from(seconds));
                    }
                    link.terms = terms;
                    return Ok(link);
                }
                Ok(Some(Heard::Refused(code))) => {
                    return Err(trouble::refused(code, destination.version, address));
                }
                Ok(Some(other)) => return Err(trouble::greeting(&format!("{other:?}"))),
                Ok(None) => {
                    let unwelcome = |error: io::Error| trouble::unwelcome(&error, address);
                    poll_fn(|context| link.poll_written(context)).await.map_err(unwelcome)?;
                    link.gathering = None;
                    poll_fn(|context| link.poll_bytes(context)).await.map_err(unwelcome)?;
                }
                Err(error) => return Err(trouble::greeting(&error.to_string())),
            }
        }
    }

    fn over(stream: Box<dyn Stream>, version: Version, keep_alive: Duration) -> Self {
        let now = Instant::now();
        Self {
            stream,
            version,
            incoming: BytesMut::new(),
            outgoing: BytesMut::new(),
            unflushed: false,
            gathering: None,
            keep_alive,
            heard_at: now,
            pinged_at: None,
            terms: Terms::default(),
        }
    }

    /// Most messages that the broker wants on their way at once.
    pub(super) fn in_flight(&self) -> usize {
        self.terms.in_flight.map_or(usize::MAX, |most| usize::from(most.max(1)))
    }

    /// Puts a message in with what goes out next.
    ///
    /// # Errors
    /// Its size as a packet and the broker's bound, where it is above that.
    pub(super) fn publish(
        &mut self,
        id: u16,
        topic: &str,
        retain: bool,
        payload: &[u8],
    ) -> Result<(), (usize, u32)> {
        let publish = Publish { version: self.version, id, topic, retain, payload };
        match self.terms.largest {
            Some(largest) if publish.size() > largest as usize => Err((publish.size(), largest)),
            _ => {
                publish.put(&mut self.outgoing);
                Ok(())
            }
        }
    }

    /// Takes leave, behind everything that was put in.
    pub(super) fn leave(&mut self) {
        packets::put_leave(&mut self.outgoing);
    }

    /// When [`Link::exchange`] wants to be asked again though nothing came.
    pub(super) fn wakes_at(&self) -> Instant {
        match self.pinged_at {
            Some(pinged_at) => pinged_at + self.answer_within(),
            None => self.heard_at + self.keep_alive,
        }
    }

    /// A broker answers a ping at once; a distant one behind a link that is full may take some seconds.
    fn answer_within(&self) -> Duration {
        self.keep_alive.min(mqtt_link::CONNECT_WITHIN)
    }

    /// Writes what waits and hears what comes, into `heard`; returns when something was heard. Pings where it is quiet.
    ///
    /// # Errors
    /// Why the connection ended.
    pub(super) async fn exchange(&mut self, heard: &mut Vec<Heard>) -> Result<(), String> {
        let now = Instant::now();
        match self.pinged_at {
            None if now >= self.heard_at + self.keep_alive => {
                packets::put_ping(&mut self.outgoing);
                self.pinged_at = Some(now);
            }
            Some(pinged_at) if now >= pinged_at + self.answer_within() => {
                return Err(trouble::no_answer());
            }
            _ => {}
        }
        loop {
            while let Some(own) =
                packets::take(&mut self.incoming, self.version).map_err(|error| error.to_string())?
            {
                match own {
                    Heard::TakesNone(reason) => return Err(trouble::takes_none(reason)),
                    Heard::Leaves(reason) => return Err(trouble::leaves(reason)),
                    Heard::Welcome(_) | Heard::Refused(_) => {
                        return Err(trouble::greeting(&format!("{own:?}")));
                    }
                    Heard::Confirmed(_) | Heard::There => heard.push(own),
                }
            }
            if !heard.is_empty() {
                return Ok(());
            }
            let read = poll_fn(|context| self.poll_bytes(context)).await;
            read.map_err(|error| trouble::plain_io(&error))?;
            self.heard_at = Instant::now();
            self.pinged_at = None;
            self.gather();
        }
    }

    /// Writes what waits until it is with the system. Says nothing where that fails: the connection ends anyway.
    pub(super) async fn flush(&mut self) {
        let _ = poll_fn(|context| self.poll_written(context)).await;
    }

    /// Closes it in order.
    pub(super) async fn close(mut self) {
        let _ = poll_fn(|context| Pin::new(&mut self.stream).poll_shutdown(context)).await;
    }

    fn gather(&mut self) {
        match &mut self.gathering {
            Some(gathering) => gathering.as_mut().reset(Instant::now() + GATHER),
            None => self.gathering = Some(Box::pin(sleep(GATHER))),
        }
    }

    /// Writes what can be written; ready when something was read.
    fn poll_bytes(&mut self, context: &mut Context<'_>) -> Poll<io::Result<()>> {
        if let Poll::Ready(Err(error)) = self.poll_written(context) {
            return Poll::Ready(Err(error));
        }
        if let Some(gathering) = &mut self.gathering {
            ready!(gathering.as_mut().poll(context));
            self.gathering = None;
        }
        let mut room = [std::mem::MaybeUninit::uninit(); LARGEST_TAKEN_BYTES];
        let mut room = ReadBuf::uninit(&mut room);
        ready!(Pin::new(&mut self.stream).poll_read(context, &mut room))?;
        if room.filled().is_empty() {
            return Poll::Ready(Err(io::ErrorKind::UnexpectedEof.into()));
        }
        self.incoming.extend_from_slice(room.filled());
        Poll::Ready(Ok(()))
    }

    fn poll_written(&mut self, context: &mut Context<'_>) -> Poll<io::Result<()>> {
        while !self.outgoing.is_empty() {
            let written = ready!(Pin::new(&mut self.stream).poll_write(context, &self.outgoing))?;
            if written == 0 {
                return Poll::Ready(Err(io::ErrorKind::WriteZero.into()));
            }
            self.outgoing.advance(written);
            self.unflushed = true;
        }
        if self.unflushed {
            ready!(Pin::new(&mut self.stream).poll_flush(context))?;
            self.unflushed = false;
            self.gather();
            // Begins anew at the front of its room.
            self.outgoing.clear();
            if self.outgoing.capacity() > ROOM_KEPT_BYTES {
                self.outgoing = BytesMut::new();
            }
        }
        Poll::Ready(Ok(()))
    }
}
