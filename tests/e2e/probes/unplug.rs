//! Adapters unplugged and plugged in again, behind a path that stays the same, as udev keeps it.
//!
//! A few times with the tests; `PONDREEVE_UNPLUG=100` makes it a hundred.

use std::sync::{Arc, Mutex};
use std::time::Duration;

use pondreeve::config::farm::{Bus, LineKind};
use pondreeve_core::Quantity;
use pondreeve_core::input::GatewayPart;
use pondreeve_tests::Scratch;
use sim::pty::Line;
use sim::rtu::{Answer, Part, Server};

use super::bench::{Bench, Engine, farm};
use super::pymodbus::bus;
use super::spoken::{line, sensor, sensors};

const SOON: Duration = Duration::from_secs(60);

fn times() -> u32 {
    std::env::var("PONDREEVE_UNPLUG").ok().and_then(|text| text.parse().ok()).unwrap_or(4)
}

#[tokio::test(flavor = "multi_thread")]
async fn adapters_come_back_as_often_as_they_are_unplugged() {
    let scratch = Scratch::new();
    let (modbus, sdi12) = (scratch.path("modbus"), scratch.path("sdi12"));
    let plain = bus(modbus.clone(), &[("oxygen", 11, "optical-oxygen")], "");
    let map = Arc::clone(&plain.probes[0].map);
    let mut whole = farm(&["oxygen", "sensor"], vec![Bus { id: "bus0".into(), ..plain }], Vec::new());
    whole.lines = vec![line(LineKind::Sdi12, &sdi12, vec![sensor(b'1', "sdi12-oxygen")], 1)];
    let bench = Bench::start(&whole, Engine::Keeps);
    for time in 0..times() {
        let far = (Line::open(&modbus).expect("a pty"), Line::open(&sdi12).expect("a pty"));
        let map = Arc::clone(&map);
        let values = vec![6.42, 28.9];
        let answer = move |unit: u8| {
            let parts = vec![Part { map: Arc::clone(&map), values: values.clone() }];
            (unit == 11).then_some(Answer { parts, fault: None })
        };
        let server = Server::start(&far.0, answer).expect("a server");
        let other = sensors(&far.1, Arc::new(Mutex::new(None)));
        bench
            .until("both plugged in", SOON, |bench| {
                !bench.values(0, Quantity::DoMgL).is_empty() && !bench.values(1, Quantity::DoMgL).is_empty()
            })
            .await;
        for probe in 0..2 {
            let values = bench.values(probe, Quantity::DoMgL);
            assert!(values.iter().all(|value| (value - 6.42).abs() < 1e-6), "time {time}: {values:?}");
        }
        drop((server, other));
        bench.forget();
        drop(far);
        bench
            .until("both lines to be missed", SOON, |bench| {
                bench.part(GatewayPart::Bus).iter().flatten().count() >= 2
            })
            .await;
        bench.forget();
    }
    bench.stop().await;
}
