//! A campaign of injected line faults with the truth known: no wrong value may ever be accepted.
//!
//! The bus is a pair of in-memory pipes on a clock that the test owns, so that hours of time-outs take
//! no time. Each slave's registers hold a number that says which unit, table and address it is, and how
//! often they were read; whatever comes out must be what was asked for.

use std::sync::Arc;
use std::time::Duration;

use pondreeve_core::Span;
use pondreeve_core::site::ProbeIndex;
use pondreeve_protocol::modbus::{self, Exception, Framing, ReadRequest, Request};
use pondreeve_protocol::register_map::{Number, Register, RegisterMap, Table, WordOrder};
use rand::{RngExt as _, SeedableRng as _};
use rand_chacha::ChaCha8Rng;
use tokio::io::{DuplexStream, duplex};
use tokio::time::sleep;

use super::super::far_end::{ANSWERS_AFTER, behind_noise, serve};
use super::line::{Counts, Failure, Line, Timing};
use super::poll::{Device, Doubts, Reading, read_probe};
use crate::config::farm::{Bus, BusProbe, Parity};

const TIMEOUT: Duration = Duration::from_millis(300);

#[derive(Debug, Clone, Copy, PartialEq)]
enum Fault {
    None,
    /// No answer.
    Silent,
    /// The answer comes this much later.
    Late(Duration),
    /// Noise in front, and the answer behind it.
    Noise(usize),
    /// The end is missing.
    Cut,
    /// One bit is wrong.
    Flipped,
    /// A frame of another unit comes first.
    OtherUnit,
    /// Only a frame of another unit comes.
    OnlyOtherUnit,
    /// The adapter repeats what we sent.
    Echo,
    /// The slave is busy.
    Busy,
    /// Sound frame, but fewer registers than asked.
    TooFew,
    /// The answer, and once more a little later.
    Twice,
}

/// What a register of a slave holds.
fn truth(unit: u8, table: Table, address: u16) -> u16 {
    let table = u16::from(table == Table::Input);
    (u16::from(unit) << 8) | (table << 7) | (address & 0x7F)
}

/// Answers requests in order, each with the fault that `next` gives.
async fn slaves(port: DuplexStream, framing: Framing, mut next: impl FnMut(&ReadRequest) -> Fault) {
    let take = |received: &[u8]| match framing.frames(received, 0).first() {
        Some(first) => (modbus::decode_request(&first.rtu), first.end),
        None if framing == Framing::Rtu => modbus::take_request(received),
        None => (None, 0),
    };
    let answers = |received: &mut Vec<u8>| {
        let mut answers = Vec::new();
        while let (Some(Request::Read(request)), taken) = take(received) {
            received.drain(..taken);
            let fault = next(&request);
            let frame = modbus::answer(&Request::Read(request), |table, address| {
                Some(truth(request.unit, table, address))
            });
            let other = ReadRequest { unit: request.unit % 247 + 1, ..request };
            let others = modbus::answer(&Request::Read(other), |table, address| {
                Some(truth(other.unit, table, address))
            });
            // Faults of the line come to what is on the line.
            let (frame, others) = (framing.wrap(&frame, 0), framing.wrap(&others, 0));
            let delay = ANSWERS_AFTER;
            let (frame, delay) = match fault {
                Fault::None => (frame, delay),
                Fault::Silent => continue,
                Fault::Late(by) => (frame, by),
                Fault::Noise(count) => (behind_noise(count, frame), delay),
                Fault::Cut => (frame[..frame.len() - 2].to_vec(), delay),
                Fault::Flipped => {
                    let mut frame = frame;
                    frame[4] ^= 0x08;
                    (frame, delay)
                }
                Fault::OtherUnit => ([others, frame].concat(), delay),
                Fault::OnlyOtherUnit => (others, delay),
                Fault::Echo => ([framing.wrap(&request.encode(), 0), frame].concat(), delay),
                Fault::Busy => {
                    let function = modbus::function_of(request.table);
                    let busy = modbus::encode_exception(request.unit, function, Exception::ServerDeviceBusy);
                    (framing.wrap(&busy, 0), delay)
                }
                Fault::TooFew => {
                    let fewer = ReadRequest { count: request.count.saturating_sub(1).max(1), ..request };
                    let frame = modbus::answer(&Request::Read(fewer), |_, _| Some(0xBAD));
                    if fewer.count == request.count { continue } else { (framing.wrap(&frame, 0), delay) }
                }
                Fault::Twice => ([frame.clone(), frame].concat(), delay),
            };
            answers.push((frame, delay));
        }
        answers
    };
    serve(port, answers).await;
}

fn register(table: Table, address: u16) -> Register {
    Register {
        channel: format!("{table:?}-{address}"),
        table,
        address,
        number: Number::U16,
        order: WordOrder::Abcd,
        scale: 1.0,
        offset: 0.0,
        unit: String::new(),
        no_value: Vec::new(),
        range: None,
    }
}

fn bus_probe(unit: u8, registers: &[(Table, u16)]) -> BusProbe {
    let registers = registers.iter().map(|&(table, address)| register(table, address)).collect();
    BusProbe {
        probe: ProbeIndex(u16::from(unit)),
        unit,
        map: Arc::new(RegisterMap { id: "campaign".into(), description: String::new(), registers, gap: 0 }),
        poll_every: Span::from_secs(1),
        timeout: TIMEOUT,
        retries: 2,
    }
}

/// Two oxygen probes of one block, three clamps on one meter, and one with blocks of one register each.
fn bus() -> Bus {
    use Table::{Holding, Input};
    let probes = vec![
        bus_probe(11, &[(Input, 0), (Input, 1), (Input, 2), (Input, 3)]),
        bus_probe(12, &[(Input, 0), (Input, 1), (Input, 2), (Input, 3)]),
        bus_probe(51, &[(Input, 0), (Input, 1)]),
        bus_probe(51, &[(Input, 10), (Input, 11)]),
        bus_probe(51, &[(Input, 20), (Input, 21)]),
        bus_probe(60, &[(Holding, 0), (Holding, 8), (Holding, 16)]),
    ];
    Bus {
        id: "campaign".into(),
        device: "/dev/null".into(),
        server: None,
        framing: Framing::Rtu,
        baud: 9_600,
        data_bits: 8,
        parity: Parity::None,
        stop_bits: 1,
        turnaround: Duration::from_millis(5),
        capture: None,
        probes,
    }
}

struct Bench {
    line: Line<DuplexStream>,
    bus: Bus,
    devices: Vec<Device>,
    doubts: Doubts,
}

impl Bench {
    fn new(next: impl FnMut(&ReadRequest) -> Fault + Send + 'static) -> Self {
        Self::speaking(Framing::Rtu, next)
    }

    fn speaking(framing: Framing, next: impl FnMut(&ReadRequest) -> Fault + Send + 'static) -> Self {
        let (ours, theirs) = duplex(4_096);
        tokio::spawn(slaves(theirs, framing, next));
        let bus = bus();
        let timing = Timing::new(bus.baud, 10, bus.turnaround, TIMEOUT, 13);
        let devices = bus.probes.iter().map(|probe| Device::new(&bus, probe, "bench")).collect();
        Self { line: Line::with_framing(ours, timing, framing), bus, devices, doubts: Doubts::default() }
    }

    /// Polls one probe; whatever it gives must be true.
    async fn poll(&mut self, index: usize, attempts: u32) -> Result<Reading, Failure> {
        let probe = &self.bus.probes[index];
        let reading =
            read_probe(&mut self.line, probe, &self.devices[index], attempts, &mut self.doubts).await?;
        assert_eq!((reading.values.len(), reading.problems.len()), (probe.map.registers.len(), 0));
        for ((channel, value), register) in reading.values.iter().zip(&probe.map.registers) {
            let expected = f64::from(truth(probe.unit, register.table, register.address));
            assert_eq!(*value, expected, "unit {} {channel}: a wrong value was accepted", probe.unit);
        }
        Ok(reading)
    }
}

async fn one(index: usize, fault: Fault) -> (Result<Reading, Failure>, Counts) {
    let mut first = true;
    let mut bench = Bench::new(move |_| if std::mem::take(&mut first) { fault } else { Fault::None });
    let outcome = bench.poll(index, 1).await;
    (outcome, bench.line.counts())
}

#[tokio::test(start_paused = true)]
async fn each_fault_is_told_for_what_it_is() {
    assert!(one(0, Fault::None).await.0.is_ok());
    assert!(matches!(one(0, Fault::Silent).await.0, Err(Failure::Silent)));
    assert!(matches!(one(0, Fault::Late(Duration::from_millis(500))).await.0, Err(Failure::Silent)));
    assert!(matches!(one(0, Fault::Busy).await.0, Err(Failure::Exception(6))));
    for fault in [Fault::Cut, Fault::Flipped, Fault::OnlyOtherUnit, Fault::TooFew] {
        let outcome = one(0, fault).await.0;
        assert!(matches!(outcome, Err(Failure::Garbled { bytes: 5.., .. })), "{fault:?}: {outcome:?}");
    }
}

#[tokio::test(start_paused = true)]
async fn what_can_be_read_through_is_read_through() {
    for (fault, skipped) in [(Fault::Noise(40), 40), (Fault::OtherUnit, 13), (Fault::Echo, 8)] {
        let (outcome, counts) = one(0, fault).await;
        assert!(outcome.is_ok(), "{fault:?}: {outcome:?}");
        assert_eq!(counts.skipped_bytes, skipped, "{fault:?}");
    }
}

#[tokio::test(start_paused = true)]
async fn a_late_answer_is_never_taken_for_another_clamps() {
    // The first clamp's answer comes during the poll of the second, which has the very same shape.
    for late_ms in (330..4_000).step_by(70) {
        let mut first = true;
        let late = Fault::Late(Duration::from_millis(late_ms));
        let mut bench = Bench::new(move |_| if std::mem::take(&mut first) { late } else { Fault::None });
        assert!(bench.poll(2, 1).await.is_err(), "{late_ms} ms is too late");
        let mut recovered = false;
        for _ in 0..12 {
            for index in [3, 4, 2] {
                recovered |= bench.poll(index, 1).await.is_ok();
            }
        }
        assert!(recovered, "{late_ms} ms late once, and never heard again");
    }
}

#[tokio::test(start_paused = true)]
async fn a_dead_unit_that_comes_back_is_heard_within_two_polls() {
    let mut requests = 0;
    let mut bench = Bench::new(move |_| {
        requests += 1;
        if requests <= 3 { Fault::Silent } else { Fault::None }
    });
    for index in [2, 3, 4] {
        assert!(bench.poll(index, 1).await.is_err());
    }
    assert!(bench.poll(2, 1).await.is_ok());
}

#[tokio::test(start_paused = true)]
async fn no_wrong_value_is_ever_accepted() {
    for (seed, framing) in
        (0..40).map(|seed| (seed, Framing::Rtu)).chain((40..60).map(|s| (s, Framing::Ascii)))
    {
        let mut rng = ChaCha8Rng::seed_from_u64(seed);
        let mut slave_rng = ChaCha8Rng::seed_from_u64(seed + 1_000);
        // The last fifth of each run is free of faults: everything must be heard again.
        let calm = Arc::new(std::sync::atomic::AtomicBool::new(false));
        let calm_there = Arc::clone(&calm);
        let mut bench = Bench::speaking(framing, move |_| {
            if calm_there.load(std::sync::atomic::Ordering::Relaxed) {
                return Fault::None;
            }
            match slave_rng.random_range(0..24) {
                0 | 1 => Fault::Silent,
                2 | 3 => Fault::Late(Duration::from_millis(slave_rng.random_range(250..2_500))),
                4 => Fault::Noise(slave_rng.random_range(1..200)),
                5 => Fault::Cut,
                6 => Fault::Flipped,
                7 => Fault::OtherUnit,
                8 => Fault::OnlyOtherUnit,
                9 => Fault::Echo,
                10 => Fault::Busy,
                11 => Fault::TooFew,
                12 => Fault::Twice,
                _ => Fault::None,
            }
        });
        let mut answered = 0;
        for _ in 0..400 {
            let index = rng.random_range(0..bench.bus.probes.len());
            answered += u32::from(bench.poll(index, rng.random_range(1..4)).await.is_ok());
            if rng.random_range(0..4) == 0 {
                sleep(Duration::from_millis(rng.random_range(0..1_000))).await;
            }
        }
        assert!(answered > 200, "seed {seed} {framing:?}: only {answered} of 400 polls were answered");
        calm.store(true, std::sync::atomic::Ordering::Relaxed);
        // The answers still under way come while nobody asks.
        sleep(Duration::from_secs(30)).await;
        for index in 0..bench.bus.probes.len() {
            let heard = bench.poll(index, 1).await;
            assert!(heard.is_ok(), "seed {seed}, probe {index}: {heard:?}");
        }
    }
}
