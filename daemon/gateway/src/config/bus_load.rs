//! How much of a serial line's time its polls take.

use std::time::Duration;

use super::farm::{Bus, BusProbe, Parity};

/// Time a probe takes before it answers, where nothing better is known (common practice, no source: pond
/// probes take 5 to 50 ms).
pub const ANSWER_DELAY: Duration = Duration::from_millis(20);

/// Request of a read: address, function, register, count, checksum.
const REQUEST_BYTES: u32 = 8;
/// Answer without its registers: address, function, byte count, checksum.
const ANSWER_BYTES: u32 = 5;

/// Seconds of one character: start bit, data, parity, stop.
fn character_s(bus: &Bus) -> f64 {
    let parity = if bus.parity == Parity::None { 0 } else { 1 };
    f64::from(1 + u32::from(bus.data_bits) + parity + u32::from(bus.stop_bits)) / f64::from(bus.baud.max(1))
}

/// Time of one poll of a probe that answers at once: requests, answers, and the silences that the Modbus
/// serial line specification V1.02 asks for (3.5 characters, at least 1.75 ms above 19200 bits/s).
pub fn transaction(bus: &Bus, probe: &BusProbe) -> Duration {
    let character = character_s(bus);
    let silence = if bus.baud > 19_200 { 0.001_75 } else { 3.5 * character };
    let blocks = probe.map.plan().unwrap_or_default();
    let seconds: f64 = blocks
        .iter()
        .map(|block| {
            let characters = REQUEST_BYTES + ANSWER_BYTES + 2 * u32::from(block.count);
            f64::from(characters) * character + 2.0 * silence
        })
        .sum();
    let per_block = ANSWER_DELAY + bus.turnaround;
    Duration::from_secs_f64(seconds) + per_block * u32::try_from(blocks.len()).unwrap_or(u32::MAX)
}

/// Share of the line's time that all polls take together; 1 is all of it.
pub fn share(bus: &Bus) -> f64 {
    bus.probes
        .iter()
        .map(|probe| {
            transaction(bus, probe).as_secs_f64() * 1_000.0 / (probe.poll_every.as_millis().max(1) as f64)
        })
        .sum()
}

#[cfg(test)]
mod tests {
    use std::sync::Arc;
    use std::time::Duration;

    use pondreeve_core::Span;
    use pondreeve_core::site::ProbeIndex;

    use super::super::farm::{Bus, BusProbe, Parity};
    use super::{share, transaction};

    fn bus(baud: u32, parity: Parity) -> Bus {
        let text = super::super::builtin::profile("optical-oxygen").expect("built in");
        let mut map = super::super::profile::parse(text, "optical-oxygen.toml").expect("sound");
        // Two floats side by side, so that the sum below can be done by hand.
        map.registers.truncate(2);
        map.registers[0].address = 0;
        map.registers[1].address = 2;
        let probe = BusProbe {
            probe: ProbeIndex(0),
            unit: 1,
            map: Arc::new(map),
            poll_every: Span::from_secs(1),
            timeout: Duration::from_millis(300),
            retries: 0,
        };
        Bus {
            id: "line".into(),
            device: "/dev/null".into(),
            server: None,
            framing: pondreeve_protocol::modbus::Framing::Rtu,
            baud,
            data_bits: 8,
            parity,
            stop_bits: 1,
            turnaround: Duration::from_millis(5),
            capture: None,
            probes: vec![probe],
        }
    }

    /// By hand from the Modbus serial line specification: 8 bytes asked, 5 + 8 answered, two silences of 3.5
    /// characters, and the 25 ms of a probe that thinks and a line that rests.
    #[test]
    fn a_transaction_takes_what_its_characters_take() {
        for (baud, parity, ms) in [
            // 10 bits a character: 21 × 1.0417 + 7 × 1.0417 + 25.
            (9_600, Parity::None, 54.17),
            // 11 bits a character: 28 × 1.1458 + 25.
            (9_600, Parity::Even, 57.08),
            // Above 19200 the silence is 1.75 ms: 21 × 0.086806 + 3.5 + 25.
            (115_200, Parity::None, 30.32),
        ] {
            let bus = bus(baud, parity);
            let found = transaction(&bus, &bus.probes[0]).as_secs_f64() * 1_000.0;
            assert!((found - ms).abs() < 0.01, "{baud} {parity:?}: {found}");
            assert!((share(&bus) - ms / 1_000.0).abs() < 1e-5, "{}", share(&bus));
        }
    }
}
