//! Adapters unplugged and plugged in again, behind a path that stays the same, as udev keeps it.
//!
//! A few times with the tests; `PONDREEVE_UNPLUG=100` makes it a hundred.

use std::sync::Arc;
use std::time::Duration;

use pondreeve::config::farm::{Bus, LineKind, Spoken, TextLine};
use pondreeve_core::Quantity;
use pondreeve_core::input::GatewayPart;
use pondreeve_tests::Scratch;
use sim::pty::Line;
use sim::rtu::{Answer, Part, Server};

use super::bench::{Bench, Engine, farm};
use super::pymodbus::bus;
use super::spoken::{asked_oxygen, line, lines_of, listened_weather, sensor, sensors};

const SOON: Duration = Duration::from_secs(60);

fn times() -> u32 {
    std::env::var("PONDREEVE_UNPLUG").ok().and_then(|text| text.parse().ok()).unwrap_or(4)
}

#[tokio::test(flavor = "multi_thread")]
async fn adapters_come_back_as_often_as_they_are_unplugged() {
    let scratch = Scratch::new();
    let places = ["modbus", "sdi12", "asked", "listened"].map(|name| scratch.path(name));
    let [modbus, sdi12, asked, listened] = &places;
    let plain = bus(modbus.clone(), &[("oxygen", 11, "optical-oxygen")], "");
    let map = Arc::clone(&plain.probes[0].map);
    let mut whole =
        farm(&["oxygen", "sensor", "meter", "mast"], vec![Bus { id: "bus0".into(), ..plain }], Vec::new());
    let text = |device, name, first| line(LineKind::Text, device, vec![Spoken::Text(lines_of(name))], first);
    whole.lines = vec![
        line(LineKind::Sdi12, sdi12, vec![sensor(b'1', "sdi12-oxygen")], 1),
        TextLine { id: "meter".into(), ..text(asked, "text-oxygen", 2) },
        text(listened, "text-weather", 3),
    ];
    let truth = [
        (0, Quantity::DoMgL, 6.42),
        (1, Quantity::DoMgL, 6.42),
        (2, Quantity::DoMgL, 6.42),
        (3, Quantity::PressureHpa, 1_011.3),
    ];
    let bench = Bench::start(&whole, Engine::Keeps);
    for time in 0..times() {
        let far = places.each_ref().map(|place| Line::open(place).expect("a pty"));
        let map = Arc::clone(&map);
        let values = vec![6.42, 28.9];
        let answer = move |unit: u8| {
            let parts = vec![Part { map: Arc::clone(&map), values: values.clone() }];
            (unit == 11).then_some(Answer { parts, fault: None })
        };
        let server = Server::start(&far[0], answer).expect("a server");
        let others =
            [sensors(&far[1], Arc::default()), asked_oxygen(&far[2], || None), listened_weather(&far[3])];
        bench
            .until("all plugged in", SOON, |bench| {
                truth.iter().all(|(probe, quantity, _)| !bench.values(*probe, *quantity).is_empty())
            })
            .await;
        for (probe, quantity, value) in truth {
            let values = bench.values(probe, quantity);
            assert!(values.iter().all(|own| (own - value).abs() < 1e-6), "time {time}: {values:?}");
        }
        drop((server, others));
        bench.forget();
        drop(far);
        bench
            .until("all lines to be missed", SOON, |bench| {
                bench.part(GatewayPart::Bus).iter().flatten().count() > whole.lines.len()
            })
            .await;
        bench.forget();
    }
    bench.stop().await;
}
