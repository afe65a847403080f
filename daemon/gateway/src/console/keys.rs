//! Key presses, put together again where a slow line took them apart.
//!
//! An arrow key is several bytes. At 9600 baud they can arrive so far apart that the first, `Esc`, is
//! taken for a key of its own and the rest for typed letters: a press of the up arrow would then leave
//! the page and type `[A`. [`Assembler`] holds an `Esc` back for a moment to see whether it was the
//! start of more.

use std::io;
use std::os::fd::BorrowedFd;
use std::sync::Arc;
use std::sync::atomic::{AtomicBool, Ordering};

use nix::errno::Errno;
use nix::poll::{PollFd, PollFlags, PollTimeout, poll};
use tokio::sync::mpsc;

/// How long an `Esc` is held back, and then each character after it. One character takes 1 ms at 9600
/// baud and 8 ms at 1200; adapters and networks add tens of milliseconds; a person does not feel it.
pub(crate) const ESCAPE_WAIT_MS: u64 = 100;

/// Unread presses kept; a person cannot be further ahead than this of a screen worth reading, and
/// more are dropped.
pub(crate) const PRESSES_BOUND: usize = 64;

/// What a person pressed.
#[derive(Debug, Clone, Copy, PartialEq, Eq)]
pub(crate) enum Key {
    /// A letter, digit or sign.
    Char(char),
    /// Enter or return.
    Enter,
    /// Escape, alone.
    Escape,
    /// Tab.
    Tab,
    /// Shift and tab.
    BackTab,
    /// Deletes the character before the cursor.
    Backspace,
    /// Arrow.
    Up,
    /// Arrow.
    Down,
    /// Arrow.
    Left,
    /// Arrow.
    Right,
    /// A page up.
    PageUp,
    /// A page down.
    PageDown,
    /// Ctrl-C.
    Interrupt,
    /// Ctrl-L.
    Redraw,
    /// The window changed size.
    Resized,
}

/// The key one byte from a terminal in raw mode stands for. Nothing beyond ASCII is a key here, and an
/// `Esc` may be the start of more.
fn translate(byte: u8) -> Option<Key> {
    Some(match byte {
        0x03 => Key::Interrupt,
        0x0c => Key::Redraw,
        b'\r' | b'\n' => Key::Enter,
        b'\t' => Key::Tab,
        0x08 | 0x7f => Key::Backspace,
        0x1b => Key::Escape,
        b' '..=b'~' => Key::Char(char::from(byte)),
        _ => return None,
    })
}

/// Puts key sequences together. Times are milliseconds of any steady clock.
#[derive(Debug, Default)]
pub(crate) struct Assembler {
    /// When the last part of the held sequence came, and what came after its `Esc`.
    held: Option<(u64, String)>,
}

impl Assembler {
    /// Takes one press and gives those that are now certain.
    pub(crate) fn press(&mut self, key: Key, now_ms: u64) -> Vec<Key> {
        let mut certain = self.expire(now_ms);
        let Some((_, mut rest)) = self.held.take() else {
            if key == Key::Escape {
                self.held = Some((now_ms, String::new()));
            } else {
                certain.push(key);
            }
            return certain;
        };
        match key {
            Key::Char(character) if rest.is_empty() && matches!(character, '[' | 'O') => {
                rest.push(character);
                self.held = Some((now_ms, rest));
            }
            // The Linux console sends `Esc [ [ A` for F1.
            Key::Char(character @ ('0'..='9' | ';' | '[')) if !rest.is_empty() => {
                rest.push(character);
                self.held = Some((now_ms, rest));
            }
            Key::Char(character) if !rest.is_empty() => {
                // The end of a sequence. One that is not known is swallowed: typing its letters, of
                // which one may acknowledge, would be worse than ignoring it.
                certain.extend(match (character, rest.as_str()) {
                    (_, "[[") => None,
                    ('A', _) => Some(Key::Up),
                    ('B', _) => Some(Key::Down),
                    ('C', _) => Some(Key::Right),
                    ('D', _) => Some(Key::Left),
                    ('Z', _) => Some(Key::BackTab),
                    ('~', "[5") => Some(Key::PageUp),
                    ('~', "[6") => Some(Key::PageDown),
                    ('~', "[3") => Some(Key::Backspace),
                    _ => None,
                });
            }
            _ => {
                certain.push(Key::Escape);
                certain.extend(self.press(key, now_ms));
            }
        }
        certain
    }

    /// Gives what can wait no longer.
    pub(crate) fn expire(&mut self, now_ms: u64) -> Vec<Key> {
        match &self.held {
            Some((since, rest)) if now_ms.saturating_sub(*since) >= ESCAPE_WAIT_MS => {
                // A sequence that broke off after its first characters was line noise.
                let alone = rest.is_empty();
                self.held = None;
                if alone { vec![Key::Escape] } else { Vec::new() }
            }
            _ => Vec::new(),
        }
    }

    /// Whether something waits for [`Assembler::expire`].
    pub(crate) fn holds(&self) -> bool {
        self.held.is_some()
    }
}

/// Reads the terminal on a thread of its own until dropped.
pub(crate) struct Reader {
    stop: Arc<AtomicBool>,
    thread: Option<std::thread::JoinHandle<()>>,
}

impl Reader {
    /// Starts reading standard input. The channel closes when the terminal is hung up.
    pub(crate) fn start() -> io::Result<(Self, mpsc::Receiver<Key>)> {
        let (out, keys) = mpsc::channel(PRESSES_BOUND);
        let stop = Arc::new(AtomicBool::new(false));
        let stopped = Arc::clone(&stop);
        let thread = std::thread::Builder::new().name("console-keys".to_owned()).spawn(move || {
            use std::os::fd::AsFd as _;
            let input = io::stdin();
            while !stopped.load(Ordering::Relaxed) {
                let Ok(bytes) = some_bytes(input.as_fd()) else { break };
                for key in bytes.into_iter().filter_map(translate) {
                    if matches!(out.try_send(key), Err(mpsc::error::TrySendError::Closed(_))) {
                        return;
                    }
                }
            }
        })?;
        Ok((Self { stop, thread: Some(thread) }, keys))
    }
}

/// Bytes that came, perhaps none within a tenth of a second: short enough that leaving the console is
/// not felt to hang. An error once nothing can come any more.
fn some_bytes(input: BorrowedFd<'_>) -> io::Result<Vec<u8>> {
    let mut ready = [PollFd::new(input, PollFlags::POLLIN)];
    match poll(&mut ready, PollTimeout::from(100_u8)) {
        Ok(0) | Err(Errno::EINTR) => return Ok(Vec::new()),
        Ok(_) => {}
        Err(error) => return Err(error.into()),
    }
    let mut bytes = vec![0; PRESSES_BOUND];
    match nix::unistd::read(input, &mut bytes) {
        // A terminal that was hung up is readable for ever, with nothing in it.
        Ok(0) => Err(io::ErrorKind::UnexpectedEof.into()),
        Ok(count) => {
            bytes.truncate(count);
            Ok(bytes)
        }
        Err(Errno::EINTR | Errno::EAGAIN) => Ok(Vec::new()),
        Err(error) => Err(error.into()),
    }
}

impl Drop for Reader {
    fn drop(&mut self) {
        self.stop.store(true, Ordering::Relaxed);
        if let Some(thread) = self.thread.take() {
            // A panic in it has been kept by the hook; there is nothing else to do about it here.
            drop(thread.join());
        }
    }
}

#[cfg(test)]
mod tests {
    use super::*;

    fn typed(presses: &[(Key, u64)], end_ms: u64) -> Vec<Key> {
        let mut assembler = Assembler::default();
        let mut keys = Vec::new();
        for (key, at) in presses {
            keys.extend(assembler.press(*key, *at));
        }
        keys.extend(assembler.expire(end_ms));
        keys
    }

    #[test]
    fn an_arrow_taken_apart_by_a_slow_line_is_still_an_arrow() {
        use Key::{Char, Escape};
        assert_eq!(typed(&[(Escape, 0), (Char('['), 80), (Char('A'), 160)], 300), [Key::Up]);
        assert_eq!(typed(&[(Escape, 0), (Char('O'), 8), (Char('B'), 16)], 100), [Key::Down]);
        assert_eq!(
            typed(&[(Escape, 0), (Char('['), 1), (Char('5'), 2), (Char('~'), 3), (Char('a'), 9)], 100),
            [Key::PageUp, Char('a')]
        );
    }

    #[test]
    fn bytes_of_a_raw_terminal_become_keys() {
        let mut assembler = Assembler::default();
        let mut pressed = |bytes: &[u8]| -> Vec<Key> {
            let keys = bytes.iter().filter_map(|byte| translate(*byte));
            keys.flat_map(|key| assembler.press(key, 0)).collect()
        };
        assert_eq!(
            pressed(b"a1\r\t\x7f"),
            [Key::Char('a'), Key::Char('1'), Key::Enter, Key::Tab, Key::Backspace]
        );
        assert_eq!(pressed(b"\x1b[A\x1bOB\x1b[Z\x1b[6~"), [Key::Up, Key::Down, Key::BackTab, Key::PageDown]);
        assert_eq!(pressed(b"\x1b[[A\x1b[15~\x1bOP"), [], "function keys");
        assert_eq!(pressed("ñ\u{9b}".as_bytes()), []);
        assert_eq!(pressed(b"\x03"), [Key::Interrupt]);
    }

    #[test]
    fn a_terminal_hung_up_ends_the_reading() {
        use std::os::fd::AsFd as _;
        let (read, write) = nix::unistd::pipe().unwrap();
        assert!(some_bytes(read.as_fd()).unwrap().is_empty());
        nix::unistd::write(&write, b"q").unwrap();
        assert_eq!(some_bytes(read.as_fd()).unwrap(), b"q");
        drop(write);
        assert!(some_bytes(read.as_fd()).is_err());
    }

    #[test]
    fn an_unknown_or_broken_sequence_types_nothing() {
        use Key::{Char, Escape};
        assert_eq!(typed(&[(Escape, 0), (Char('['), 1), (Char('a'), 2)], 100), []);
        assert_eq!(typed(&[(Escape, 0), (Char('['), 1)], 101), []);
    }

    #[test]
    fn escape_alone_is_escape() {
        use Key::{Char, Escape};
        assert_eq!(typed(&[(Escape, 0)], 99), []);
        assert_eq!(typed(&[(Escape, 0)], 100), [Escape]);
        assert_eq!(typed(&[(Escape, 0), (Char('a'), 160)], 300), [Escape, Char('a')]);
        assert_eq!(typed(&[(Escape, 0), (Char('a'), 10)], 100), [Escape, Char('a')]);
        assert_eq!(typed(&[(Escape, 0), (Escape, 10)], 110), [Escape, Escape]);
    }
}
