//! The far end of a line in tests of line faults: a device that answers one question after the other, each after its
//! time, so that nothing overtakes.

use std::time::Duration;

use tokio::io::{AsyncReadExt as _, AsyncWriteExt as _, DuplexStream};
use tokio::time::{Instant, sleep_until};

/// How long a device takes that nothing is wrong with.
pub(super) const ANSWERS_AFTER: Duration = Duration::from_millis(20);

/// Answers until the line is closed. `answers` takes whole questions out of what was received and gives what goes back,
/// and after how long.
pub(super) async fn serve(
    mut port: DuplexStream,
    mut answers: impl FnMut(&mut Vec<u8>) -> Vec<(Vec<u8>, Duration)>,
) {
    let mut received = Vec::new();
    let mut free_at = Instant::now();
    let mut queue: Vec<(Instant, Vec<u8>)> = Vec::new();
    loop {
        let due = queue.first().map(|(at, _)| *at);
        let mut bytes = [0; 64];
        tokio::select! {
            count = port.read(&mut bytes) => {
                let Ok(count @ 1..) = count else { return };
                received.extend_from_slice(&bytes[..count]);
            }
            () = sleep_until(due.unwrap_or_else(Instant::now)), if due.is_some() => {
                let (_, frame) = queue.remove(0);
                if port.write_all(&frame).await.is_err() {
                    return;
                }
            }
        }
        for (frame, delay) in answers(&mut received) {
            free_at = free_at.max(Instant::now() + delay);
            queue.push((free_at, frame));
        }
    }
}

/// So many bytes of noise in front of an answer.
pub(super) fn behind_noise(count: usize, frame: Vec<u8>) -> Vec<u8> {
    let noise = (0..count).map(|i| (i as u8).wrapping_mul(37) ^ 0xA5);
    noise.chain(frame).collect()
}
