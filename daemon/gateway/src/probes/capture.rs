//! What goes over a line, with times, in a file for a support case: one line of hexadecimal digits for each piece that
//! was sent (`>`) or came (`<`).
//!
//! The file is kept small: at `FILE_BYTES` it is put aside as `FILE.1`, in place of the one before. Writing is left to a
//! thread of its own, so that a slow disk holds up no line; what it cannot keep up with is left out, and that is said.

use std::fmt::Write as _;
use std::fs::{File, OpenOptions, create_dir_all};
use std::io::{self, Write as _};
use std::path::{Path, PathBuf};
use std::pin::Pin;
use std::sync::Arc;
use std::sync::atomic::{AtomicU64, Ordering};
use std::sync::mpsc::{Receiver, SyncSender, sync_channel};
use std::task::{Context, Poll, ready};

use tokio::io::{AsyncRead, AsyncWrite, ReadBuf};
use tracing::warn;

use super::serial::port::Bytes;
use crate::config::farm::{Bus, LineKind, TextLine};

/// A capture and the one before it take twice this at most.
const FILE_BYTES: u64 = 4 * 1_024 * 1_024;

/// Pieces that wait to be written.
const WAITING: usize = 1_024;

/// First words of a capture, before what is spoken on the line.
pub const HEAD: &str = "# pondreeve capture 1";

/// Where the pieces of one line are written.
#[derive(Debug, Clone)]
pub(super) struct Capture {
    pieces: SyncSender<Piece>,
    lost: Arc<AtomicU64>,
}

#[derive(Debug)]
struct Piece {
    at: jiff::Timestamp,
    sent: bool,
    bytes: Vec<u8>,
}

impl Capture {
    /// The capture of a bus, if it is to have one.
    pub(super) fn of_bus(bus: &Bus) -> Option<Self> {
        use pondreeve_protocol::modbus::Framing;
        let speaks = match bus.framing {
            Framing::Rtu => "rtu",
            Framing::Ascii => "ascii",
            Framing::Tcp => "tcp",
        };
        Self::begin(bus.capture.as_deref()?, &bus.id, speaks)
    }

    /// The capture of a line, if it is to have one.
    pub(super) fn of_line(line: &TextLine) -> Option<Self> {
        let speaks = match line.kind {
            LineKind::Sdi12 => "sdi12",
            LineKind::Text => "text",
        };
        Self::begin(line.capture.as_deref()?, &line.id, speaks)
    }

    fn begin(path: &Path, line: &str, speaks: &str) -> Option<Self> {
        let head = format!("{HEAD} {speaks} line {line}\n");
        let writer = Writer::open(path.to_owned(), head);
        let mut writer = match writer {
            Ok(writer) => writer,
            Err(error) => {
                warn!(line, "no capture: {} cannot be written: {error}", path.display());
                return None;
            }
        };
        let (pieces, waiting) = sync_channel(WAITING);
        let lost = Arc::new(AtomicU64::new(0));
        let own_lost = Arc::clone(&lost);
        let name = format!("capture-{line}");
        let id = line.to_owned();
        let begun = std::thread::Builder::new().name(name).spawn(move || {
            if let Err(error) = writer.run(&waiting, &own_lost) {
                warn!(line = id, "the capture of the line ended: {error}");
            }
        });
        begun.ok().map(|_thread| Self { pieces, lost })
    }

    fn put(&self, sent: bool, bytes: &[u8]) {
        if bytes.is_empty() {
            return;
        }
        let piece = Piece { at: jiff::Timestamp::now(), sent, bytes: bytes.to_vec() };
        if self.pieces.try_send(piece).is_err() {
            self.lost.fetch_add(1, Ordering::Relaxed);
        }
    }
}

struct Writer {
    path: PathBuf,
    head: String,
    file: File,
    length: u64,
}

impl Writer {
    fn open(path: PathBuf, head: String) -> io::Result<Self> {
        if let Some(folder) = path.parent() {
            create_dir_all(folder)?;
        }
        let mut file = OpenOptions::new().create(true).append(true).open(&path)?;
        let mut length = file.metadata()?.len();
        if length == 0 {
            file.write_all(head.as_bytes())?;
            length = head.len() as u64;
        }
        Ok(Self { path, head, file, length })
    }

    fn run(&mut self, waiting: &Receiver<Piece>, lost: &AtomicU64) -> io::Result<()> {
        for piece in waiting {
            let missing = lost.swap(0, Ordering::Relaxed);
            if missing > 0 {
                self.write(&format!("# {missing} pieces left out: the disk was too slow\n"))?;
            }
            let mut text = format!("{:.6} {}", piece.at, if piece.sent { '>' } else { '<' });
            for byte in &piece.bytes {
                // Writing to a string cannot fail.
                let _ = write!(text, " {byte:02X}");
            }
            text.push('\n');
            self.write(&text)?;
        }
        Ok(())
    }

    fn write(&mut self, text: &str) -> io::Result<()> {
        if self.length + text.len() as u64 > FILE_BYTES {
            let mut aside = self.path.clone().into_os_string();
            aside.push(".1");
            std::fs::rename(&self.path, aside)?;
            *self = Self::open(self.path.clone(), self.head.clone())?;
        }
        self.file.write_all(text.as_bytes())?;
        self.length += text.len() as u64;
        Ok(())
    }
}

/// A port whose traffic is written down.
#[derive(Debug)]
pub(super) struct Recorded<P> {
    pub(super) port: P,
    pub(super) capture: Capture,
}

impl<P: Bytes> Bytes for Recorded<P> {
    fn hold_break(&mut self, on: bool) -> io::Result<()> {
        self.port.hold_break(on)
    }
}

impl<P: AsyncRead + Unpin> AsyncRead for Recorded<P> {
    fn poll_read(
        mut self: Pin<&mut Self>,
        cx: &mut Context<'_>,
        buf: &mut ReadBuf<'_>,
    ) -> Poll<io::Result<()>> {
        let before = buf.filled().len();
        ready!(Pin::new(&mut self.port).poll_read(cx, buf))?;
        self.capture.put(false, buf.filled().get(before..).unwrap_or_default());
        Poll::Ready(Ok(()))
    }
}

impl<P: AsyncWrite + Unpin> AsyncWrite for Recorded<P> {
    fn poll_write(mut self: Pin<&mut Self>, cx: &mut Context<'_>, buf: &[u8]) -> Poll<io::Result<usize>> {
        let count = ready!(Pin::new(&mut self.port).poll_write(cx, buf))?;
        self.capture.put(true, buf.get(..count).unwrap_or_default());
        Poll::Ready(Ok(count))
    }

    fn poll_flush(mut self: Pin<&mut Self>, cx: &mut Context<'_>) -> Poll<io::Result<()>> {
        Pin::new(&mut self.port).poll_flush(cx)
    }

    fn poll_shutdown(mut self: Pin<&mut Self>, cx: &mut Context<'_>) -> Poll<io::Result<()>> {
        Pin::new(&mut self.port).poll_shutdown(cx)
    }
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn a_capture_is_put_aside_when_it_is_full_and_stays_small() {
        let folder = tempfile::tempdir().unwrap();
        let folder = folder.path().join("captures");
        let path = folder.join("east.txt");
        let mut writer = Writer::open(path.clone(), format!("{HEAD} rtu line east\n")).unwrap();
        let text = "0".repeat(1_000_000) + "\n";
        for _ in 0..11 {
            writer.write(&text).unwrap();
        }
        let size = |name: &str| std::fs::metadata(folder.join(name)).unwrap().len();
        assert!(size("east.txt") <= FILE_BYTES && size("east.txt.1") <= FILE_BYTES);
        assert_eq!(std::fs::read_dir(&folder).unwrap().count(), 2);
        assert!(
            std::fs::read_to_string(&path).unwrap().starts_with("# pondreeve capture 1 rtu line east\n0")
        );
    }
}
