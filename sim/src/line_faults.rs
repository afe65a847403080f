//! What a fault does to the bytes of an answer, whatever is spoken on the line.

use std::io::{self, Write};
use std::thread;
use std::time::Duration;

use crate::faults::LineFault;

/// Sends an answer as the fault lets it. `asked` is what an adapter that hears itself repeats, `others` the answer as
/// another address would give it.
pub(crate) fn send(
    port: &mut impl Write,
    fault: Option<LineFault>,
    asked: &[u8],
    mut frame: Vec<u8>,
    others: Vec<u8>,
) -> io::Result<()> {
    match fault {
        Some(LineFault::Silent) => return Ok(()),
        Some(LineFault::BadChecksum) => {
            // The middle byte: data of a normal answer, so that address and function still look right.
            let middle = frame.len() / 2;
            if let Some(byte) = frame.get_mut(middle) {
                *byte ^= 0x10;
            }
        }
        Some(LineFault::Late(ms)) => thread::sleep(Duration::from_millis(ms)),
        Some(LineFault::Stray(bytes)) => port.write_all(&vec![0xFF; bytes])?,
        Some(LineFault::Partial) => frame.truncate(frame.len() / 2),
        Some(LineFault::Echo) => port.write_all(asked)?,
        Some(LineFault::OtherAddress) => frame = others,
        Some(LineFault::Exception(_)) | None => {}
    }
    port.write_all(&frame)
}
