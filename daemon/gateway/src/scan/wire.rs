//! A question and its answer on a line that is looked over: silences kept, what comes unasked taken in, time bounded.

use std::collections::VecDeque;
use std::io;
use std::time::Duration;

use pondreeve_core::said::said;
use pondreeve_protocol::modbus::Framing;
use tokio::io::{AsyncRead, AsyncReadExt as _, AsyncWrite, AsyncWriteExt as _};
use tokio::time::{Instant, timeout, timeout_at};

use super::Setting;
use super::spoken::shown;

/// Silence before each question beyond the standard's own, for units that are slow to let go of the line.
const TURNAROUND: Duration = Duration::from_millis(4);

/// A line that does not fall silent is given up on after this.
const SETTLE_AT_MOST: Duration = Duration::from_millis(600);

/// Over Modbus TCP the answers to so many earlier questions are known as such, however late they are.
const REMEMBERED: usize = 16;

/// Bytes shown of what came before a serial server hung up.
const SHOWN_BYTES: usize = 24;

/// An open port.
#[derive(Debug)]
pub(super) struct Wire<P> {
    port: P,
    framing: Framing,
    by_server: bool,
    /// The first bytes that came since it was opened.
    first: Vec<u8>,
    /// The numbers of the last questions over Modbus TCP, and which unit each was put to.
    asked: VecDeque<(u16, u8)>,
    character: Duration,
    silence: Duration,
    last: Option<Instant>,
}

/// What came of a question.
#[derive(Debug, Clone, PartialEq, Eq)]
pub(super) struct Heard<T> {
    /// What was found in it.
    pub(super) found: Option<T>,
    /// All bytes of it, as RTU has them: of Modbus ASCII the whole frames, one after the other.
    pub(super) bytes: Vec<u8>,
    /// Bytes that came.
    pub(super) came: usize,
    /// Of these such as belong to no whole frame, where frames have a beginning and an end.
    pub(super) stray: usize,
    /// Time until it was there, the bytes' own time taken off.
    pub(super) after: Duration,
}

impl<P: AsyncRead + AsyncWrite + Unpin> Wire<P> {
    /// Around a port that has this setting.
    pub(super) fn new(port: P, setting: Setting) -> Self {
        let character = setting.character();
        // Serial line guide V1.02, section 2.5.1.1.
        let frame = if setting.baud > 19_200 { Duration::from_micros(1_750) } else { character.mul_f64(3.5) };
        Self {
            port,
            framing: setting.framing,
            by_server: setting.by_server,
            first: Vec::new(),
            asked: VecDeque::new(),
            character,
            silence: frame.max(TURNAROUND),
            last: None,
        }
    }

    /// What came, as RTU has it, and how many bytes belong to no frame. Over Modbus TCP a frame is one that answers one of
    /// the last `questions`, and comes from the unit to which that was put.
    fn as_rtu(&self, received: &[u8], questions: usize) -> (Vec<u8>, usize) {
        let frames = match self.framing {
            Framing::Rtu => return (received.to_vec(), 0),
            Framing::Ascii => self.framing.frames(received, 0),
            Framing::Tcp => {
                let of = |&(number, unit): &(u16, u8)| {
                    let frames = self.framing.frames(received, number).into_iter();
                    frames.filter(move |frame| frame.rtu.first() == Some(&unit))
                };
                let earlier = self.asked.len().saturating_sub(questions);
                self.asked.iter().skip(earlier).flat_map(of).collect()
            }
        };
        let whole: usize = frames.iter().map(|frame| frame.end - frame.start).sum();
        (frames.into_iter().flat_map(|frame| frame.rtu).collect(), received.len().saturating_sub(whole))
    }

    /// Sends a question, an RTU frame, and collects what comes until `find` is content or the patience, to which the time of
    /// the bytes is added, is over. What came before it was sent stands in front of what is searched.
    pub(super) async fn ask<T>(
        &mut self,
        question: &[u8],
        answer_bytes: usize,
        patience: Duration,
        find: impl FnMut(&[u8]) -> Option<T>,
    ) -> io::Result<Heard<T>> {
        self.exchange(question, answer_bytes, patience, (1, find)).await
    }

    /// As [`ask`](Self::ask), where a late answer to an earlier question is worth as much: it says who is there.
    pub(super) async fn knock<T>(
        &mut self,
        question: &[u8],
        answer_bytes: usize,
        patience: Duration,
        find: impl FnMut(&[u8]) -> Option<T>,
    ) -> io::Result<Heard<T>> {
        self.exchange(question, answer_bytes, patience, (REMEMBERED, find)).await
    }

    async fn exchange<T>(
        &mut self,
        question: &[u8],
        answer_bytes: usize,
        patience: Duration,
        (questions, mut find): (usize, impl FnMut(&[u8]) -> Option<T>),
    ) -> io::Result<Heard<T>> {
        if let Some(last) = self.last {
            tokio::time::sleep_until(last + self.silence).await;
        }
        let mut bytes = self.waiting().await?;
        let number = self.asked.back().map_or(1, |(last, _)| last.wrapping_add(1));
        if self.asked.len() == REMEMBERED {
            self.asked.pop_front();
        }
        self.asked.push_back((number, question.first().copied().unwrap_or_default()));
        let question = self.framing.wrap(question, number);
        let sent = async {
            self.port.write_all(&question).await?;
            self.port.flush().await
        };
        if let Err(error) = sent.await {
            return Err(self.ended(error));
        }
        let on_the_line = question.len() + self.framing.bytes(answer_bytes);
        let on_the_line = self.character * u32::try_from(on_the_line).unwrap_or(u32::MAX);
        let sent = Instant::now();
        let until = sent + on_the_line + patience;
        let found = loop {
            // What has come counts, whatever the clock says by now.
            match timeout_at(until, self.receive(&mut bytes)).await {
                Err(_elapsed) => break None,
                Ok(received) => received?,
            }
            if let Some(found) = find(&self.as_rtu(&bytes, questions).0) {
                break Some(found);
            }
            if bytes.len() > 4_096 {
                // A line that babbles.
                break None;
            }
        };
        self.last = Some(Instant::now());
        let after = sent.elapsed().saturating_sub(on_the_line);
        let came = bytes.len();
        let (bytes, stray) = self.as_rtu(&bytes, questions);
        Ok(Heard { found, bytes, came, stray, after })
    }

    /// Waits for bytes and adds them.
    async fn receive(&mut self, bytes: &mut Vec<u8>) -> io::Result<()> {
        let mut chunk = [0; 256];
        let received = match self.port.read(&mut chunk).await {
            Ok(0) if self.by_server => {
                Err(io::Error::other(String::from(said!("scan-server-hung-up", "it hung up"))))
            }
            Ok(0) => Err(io::Error::new(io::ErrorKind::BrokenPipe, "the device hung up")),
            received => received,
        };
        let count = received.map_err(|error| self.ended(error))?;
        let received = chunk.get(..count).unwrap_or_default();
        let room = SHOWN_BYTES.saturating_sub(self.first.len());
        self.first.extend(received.iter().take(room));
        bytes.extend_from_slice(received);
        Ok(())
    }

    /// An error of a connection says so, and what came before it.
    fn ended(&self, error: io::Error) -> io::Error {
        if !self.by_server {
            return error;
        }
        let error = error.to_string();
        let told: String = match self.first.as_slice() {
            [] => said!("scan-server-nothing", "{error}; nothing had come", error = error).into(),
            first => said!(
                "scan-server-first",
                "{error}; what came first was \"{first}\"",
                error = error,
                first = shown(first)
            )
            .into(),
        };
        io::Error::new(io::ErrorKind::NotConnected, told)
    }

    /// The first bytes that came, for people.
    pub(super) fn first(&self) -> String {
        shown(&self.first)
    }

    /// What has come unasked, without waiting for more.
    async fn waiting(&mut self) -> io::Result<Vec<u8>> {
        let mut bytes = Vec::new();
        while bytes.len() < 4_096 {
            match timeout(Duration::ZERO, self.receive(&mut bytes)).await {
                Err(_elapsed) => break,
                Ok(received) => received?,
            }
        }
        Ok(bytes)
    }

    /// Listens for so long without asking anything.
    pub(super) async fn listen(&mut self, length: Duration) -> io::Result<Vec<u8>> {
        let until = Instant::now() + length;
        let mut bytes = Vec::new();
        while let Ok(received) = timeout_at(until, self.receive(&mut bytes)).await {
            received?;
            bytes.truncate(65_536);
        }
        Ok(bytes)
    }

    /// Waits until nothing has come for `silence`, so that nothing late is taken for another answer.
    pub(super) async fn settle(&mut self, silence: Duration) -> io::Result<()> {
        let give_up = Instant::now() + silence.max(SETTLE_AT_MOST);
        while Instant::now() < give_up && !self.listen(silence).await?.is_empty() {}
        self.last = Some(Instant::now());
        Ok(())
    }
}

#[cfg(test)]
mod tests {
    use tokio::io::{AsyncReadExt as _, AsyncWriteExt as _, duplex};

    use super::*;

    #[tokio::test(start_paused = true)]
    async fn a_question_of_modbus_ascii_travels_as_text() {
        let setting = super::super::Speed::parse("9600").unwrap().setting(Framing::Ascii);
        let (near, mut far) = duplex(1_024);
        let mut wire = Wire::new(near, setting);
        tokio::spawn(async move {
            let mut request = [0; 17];
            far.read_exact(&mut request).await.unwrap();
            // The specification's frame for the read of holding registers 107 to 109 of unit 6.
            assert_eq!(&request, b":0603006B000389\r\n");
            far.write_all(b"?:06030241B7FD\r\n:0603").await.unwrap();
            std::future::pending::<()>().await;
        });
        let question = [6, 3, 0, 0x6B, 0, 3, 0, 0];
        let heard = wire.ask(&question, 7, Duration::from_millis(100), |_| None::<()>).await.unwrap();
        // 06 + 03 + 02 + 41 + B7 = 103, its two's complement FD.
        assert_eq!(heard.bytes.get(..5), Some(&[6, 3, 2, 0x41, 0xB7][..]));
        assert_eq!((heard.came, heard.stray), (21, 6));
    }

    #[tokio::test(start_paused = true)]
    async fn a_question_takes_its_time_and_no_more() {
        let (near, mut far) = duplex(1_024);
        let mut wire = Wire::new(near, Setting::parse("9600").unwrap());
        let began = Instant::now();
        let silent = wire.ask(&[0; 8], 7, Duration::from_millis(100), |_| None::<()>).await.unwrap();
        assert_eq!((silent.found, silent.bytes.len()), (None, 0));
        // 15 characters of 10 bits at 9600 bits/s, and the patience; timers here tick by the millisecond.
        let expected = Duration::from_secs_f64(150.0 / 9_600.0) + Duration::from_millis(100);
        assert!(began.elapsed().abs_diff(expected) <= Duration::from_millis(2), "{:?}", began.elapsed());
        // A unit that answers in time, behind bytes that came unasked.
        far.write_all(&[9]).await.unwrap();
        tokio::spawn(async move {
            let mut request = [0; 16];
            far.read_exact(&mut request).await.unwrap();
            tokio::time::sleep(Duration::from_millis(60)).await;
            far.write_all(&[1, 2]).await.unwrap();
            std::future::pending::<()>().await;
        });
        let find = |bytes: &[u8]| bytes.ends_with(&[1, 2]).then_some(bytes.len());
        let heard = wire.ask(&[0; 8], 2, Duration::from_millis(100), find).await.unwrap();
        assert_eq!((heard.found, heard.bytes), (Some(3), vec![9, 1, 2]));
        assert!(
            heard.after < Duration::from_millis(60) && heard.after > Duration::from_millis(45),
            "{:?}",
            heard.after
        );
    }
}
