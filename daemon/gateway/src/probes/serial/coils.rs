//! Coils to be switched on a bus, between the polls of its probes and ahead of them: the horn and the lamp.

use std::io;
use std::time::Duration;

use pondreeve_core::said::said;
use pondreeve_protocol::modbus::{CoilWrite, exception_name};
use tokio::io::{AsyncRead, AsyncWrite};
use tokio::sync::{mpsc, oneshot};

use super::line::{Failure, Line};

/// Writes that wait for a bus: there are two outputs, and each waits for its last write.
const COILS_BOUND: usize = 4;

/// A coil to be switched.
#[derive(Debug)]
pub struct CoilJob {
    /// Which, and how.
    pub write: CoilWrite,
    /// How long to wait for the relay's answer.
    pub patience: Duration,
    /// Attempts before it counts as failed.
    pub attempts: u32,
    /// Answered once the relay has confirmed, or with why it has not.
    pub done: oneshot::Sender<Result<(), String>>,
}

/// Where coils are handed in.
pub type CoilSender = mpsc::Sender<CoilJob>;

/// Where a bus takes them.
#[derive(Debug)]
pub struct Coils(mpsc::Receiver<CoilJob>);

/// A pair of both.
pub fn queue() -> (CoilSender, Coils) {
    let (sender, receiver) = mpsc::channel(COILS_BOUND);
    (sender, Coils(receiver))
}

impl Coils {
    /// One that waits now.
    pub(super) fn waiting(&mut self) -> Option<CoilJob> {
        self.0.try_recv().ok()
    }

    /// The next one; pending for ever once nobody can hand in any. Cancel-safe.
    pub(super) async fn next(&mut self) -> CoilJob {
        match self.0.recv().await {
            Some(job) => job,
            None => std::future::pending().await,
        }
    }

    /// Refuses every one for so long.
    pub(super) async fn refuse_for(&mut self, length: Duration, why: &str) {
        let refuse = async {
            loop {
                // Whoever no longer waits for the answer needs none.
                let _ = self.next().await.done.send(Err(why.to_owned()));
            }
        };
        let _: Result<std::convert::Infallible, _> = tokio::time::timeout(length, refuse).await;
    }
}

/// Switches one coil.
///
/// # Errors
/// The device failed; the one who waits has been told.
pub(super) async fn switch<P>(line: &mut Line<P>, job: CoilJob) -> io::Result<()>
where
    P: AsyncRead + AsyncWrite + Unpin + Send + std::fmt::Debug + 'static,
{
    let CoilJob { write, patience, attempts, done } = job;
    let mut failure = None;
    for _ in 0..attempts.max(1) {
        match line.write_coil(&write, patience).await {
            Ok(()) => {
                failure = None;
                break;
            }
            Err(Failure::Device(error)) => {
                let _ = done.send(Err(port_failed(&error)));
                return Err(error);
            }
            Err(now) => failure = Some(now),
        }
    }
    let outcome = match failure {
        None => Ok(()),
        Some(failure) => Err(words(&failure, patience, attempts)),
    };
    let _ = done.send(outcome);
    Ok(())
}

fn words(failure: &Failure, patience: Duration, attempts: u32) -> String {
    let told = match failure {
        Failure::Silent => {
            said!("trouble-coil-silent", "no answer within {patience}", patience = format!("{patience:?}"))
        }
        Failure::Garbled { bytes, why } => said!(
            "trouble-coil-garbled",
            "{bytes} bytes came, but not its confirmation: {why}",
            bytes = bytes.to_string(),
            why = why.to_string()
        ),
        Failure::Exception(code) => said!(
            "trouble-coil-exception",
            "it refused with Modbus exception {code} ({name})",
            code = code.to_string(),
            name = exception_name(*code)
        ),
        Failure::Device(error) => return port_failed(error),
    };
    let asked_again = attempts > 1 && !matches!(failure, Failure::Exception(_));
    let told = match asked_again {
        true => said!(
            "trouble-coil-attempts",
            "{told} ({attempts} attempts)",
            told = told,
            attempts = attempts.to_string()
        ),
        false => told,
    };
    told.into()
}

fn port_failed(error: &io::Error) -> String {
    said!("trouble-coil-port", "the serial port failed: {error}", error = error.to_string()).into()
}

#[cfg(test)]
mod tests {
    use pondreeve_protocol::modbus::{self, Request};
    use tokio::io::{AsyncReadExt as _, AsyncWriteExt as _, DuplexStream, duplex};

    use super::super::line::Timing;
    use super::*;

    /// What the far end of the line does with a request to switch a coil.
    #[derive(Clone, Copy, PartialEq)]
    enum Relay {
        Works,
        Silent,
        Refuses,
        /// Confirms the other state.
        Contradicts,
    }

    /// A line whose adapter may hear itself, with a relay at its end. Reads are refused, as relays do.
    async fn far_end(mut port: DuplexStream, echoes: bool, relay: Relay) {
        let mut received = Vec::new();
        loop {
            let mut bytes = [0; 64];
            let Ok(count @ 1..) = port.read(&mut bytes).await else { return };
            if echoes {
                port.write_all(&bytes[..count]).await.unwrap();
            }
            received.extend_from_slice(&bytes[..count]);
            while let (Some(request), taken) = modbus::take_request(&received) {
                received.drain(..taken);
                let frame = match (request, relay) {
                    (_, Relay::Silent) => continue,
                    (Request::WriteCoil(write), Relay::Works) => write.confirm(),
                    (Request::WriteCoil(write), Relay::Contradicts) => {
                        CoilWrite { on: !write.on, ..write }.confirm()
                    }
                    (Request::WriteCoil(write), _) => {
                        modbus::encode_exception(write.unit, 5, modbus::Exception::IllegalDataAddress)
                    }
                    (other, _) => modbus::answer(&other, |_, _| None),
                };
                port.write_all(&frame).await.unwrap();
            }
        }
    }

    async fn outcome(echoes: bool, relay: Relay) -> Result<(), String> {
        let (near, far) = duplex(256);
        tokio::spawn(far_end(far, echoes, relay));
        let patience = Duration::from_millis(300);
        let timing = Timing::new(9_600, 10, Duration::from_millis(5), patience, 8);
        let mut line = Line::new(near, timing);
        let (done, answer) = oneshot::channel();
        let write = CoilWrite { unit: 60, coil: 3, on: true };
        switch(&mut line, CoilJob { write, patience, attempts: 2, done }).await.unwrap();
        answer.await.unwrap()
    }

    #[tokio::test(start_paused = true)]
    async fn only_the_relays_own_confirmation_counts() {
        assert_eq!(outcome(false, Relay::Works).await, Ok(()));
        assert_eq!(outcome(true, Relay::Works).await, Ok(()), "behind the adapter's own echo");
        let silent = outcome(false, Relay::Silent).await.unwrap_err();
        assert_eq!(silent, "no answer within 300ms (2 attempts)");
        let fooled = outcome(true, Relay::Silent).await.unwrap_err();
        assert!(fooled.starts_with("8 bytes came, but not its confirmation"), "{fooled}");
        let refused = outcome(false, Relay::Refuses).await.unwrap_err();
        assert_eq!(refused, "it refused with Modbus exception 2 (illegal data address)");
        let contradicted = outcome(false, Relay::Contradicts).await.unwrap_err();
        assert!(contradicted.contains("the other state of this one"), "{contradicted}");
    }
}
