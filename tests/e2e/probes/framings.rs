//! The same probes over Modbus ASCII and Modbus TCP, served by pymodbus.

use std::time::Duration;

use pondreeve::config::farm::{Bus, BusProbe};
use pondreeve_core::Quantity;
use pondreeve_core::input::{GatewayPart, ProbeFault};
use pondreeve_protocol::modbus::Framing;
use pondreeve_tests::{Scratch, free_port};

use super::bench::{Bench, Engine, farm};
use super::pymodbus::{FarEnd, bus, close};

const SOON: Duration = Duration::from_secs(30);

const PROBES: &[(&str, u8, &str)] = &[
    ("oxygen", 11, "optical-oxygen"),
    ("wrong-profile", 14, "optical-oxygen"),
    ("clamp-1", 51, "motor-1"),
    ("clamp-3", 51, "motor-3"),
];

fn over(scratch: &Scratch, framing: Framing, server: Option<u16>) -> Bus {
    let plain = bus(scratch.path("near"), PROBES, "");
    let timeout = Duration::from_millis(400);
    let probes = plain.probes.iter().map(|probe| BusProbe { timeout, ..probe.clone() }).collect();
    Bus { probes, framing, server: server.map(|port| ("127.0.0.1".to_owned(), port)), ..plain }
}

async fn is_read(bench: &Bench) {
    let expected = [
        (0, Quantity::DoMgL, 6.42),
        (0, Quantity::TemperatureC, 28.9),
        (2, Quantity::AeratorKw, 4.41),
        (3, Quantity::AeratorKw, 2.15),
    ];
    bench
        .until("three sweeps of every probe", SOON, |bench| {
            expected.iter().all(|(probe, quantity, _)| bench.values(*probe, *quantity).len() >= 3)
        })
        .await;
    for (probe, quantity, value) in expected {
        assert!(close(&bench.values(probe, quantity), value), "{} {}", PROBES[probe].0, quantity.id());
    }
    // A refusal is understood as well.
    let refused =
        |fault: &ProbeFault| matches!(fault, ProbeFault::Undecodable(why) if why.contains("exception 2"));
    assert!(bench.probe_faults(1).iter().any(refused), "{:?}", bench.probe_faults(1));
    assert_eq!(bench.part(GatewayPart::Bus).last(), Some(&None));
}

#[tokio::test(flavor = "multi_thread")]
async fn modbus_ascii_is_read() {
    let scratch = Scratch::new();
    let _far_end = FarEnd::speaking(scratch.folder.path(), "ascii");
    let names: Vec<&str> = PROBES.iter().map(|(name, ..)| *name).collect();
    let farm = farm(&names, vec![over(&scratch, Framing::Ascii, None)], Vec::new());
    let bench = Bench::start(&farm, Engine::Keeps);
    is_read(&bench).await;
    bench.stop().await;
}

#[tokio::test(flavor = "multi_thread")]
async fn modbus_tcp_is_read_and_connected_to_again() {
    let scratch = Scratch::new();
    let port = free_port();
    let far_end = FarEnd::over_tcp(scratch.folder.path(), port);
    let names: Vec<&str> = PROBES.iter().map(|(name, ..)| *name).collect();
    let farm = farm(&names, vec![over(&scratch, Framing::Tcp, Some(port))], Vec::new());
    let bench = Bench::start(&farm, Engine::Keeps);
    is_read(&bench).await;
    // The serial server goes, and comes back.
    drop(far_end);
    bench
        .until("the lost server", SOON, |bench| {
            bench.part(GatewayPart::Bus).iter().flatten().any(|why| why.contains("cannot be reached"))
        })
        .await;
    bench.forget();
    let _far_end = FarEnd::over_tcp(scratch.folder.path(), port);
    bench.until("oxygen again", SOON, |bench| bench.values(0, Quantity::DoMgL).len() >= 2).await;
    assert!(close(&bench.values(0, Quantity::DoMgL), 6.42));
    bench.stop().await;
}
