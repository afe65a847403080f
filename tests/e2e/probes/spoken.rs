//! SDI-12 sensors and lines of text on pseudo-terminals, as the simulator serves them, read by the daemon's own tasks.

use std::path::Path;
use std::sync::atomic::{AtomicU8, Ordering};
use std::sync::{Arc, Mutex};
use std::time::Duration;

use pondreeve::config::farm::{LineKind, LineProbe, Parity, Spoken, TextLine, Wake};
use pondreeve::config::profile::{self, Profile};
use pondreeve::frames;
use pondreeve_core::input::{GatewayPart, ProbeFault};
use pondreeve_core::site::ProbeIndex;
use pondreeve_core::{Quantity, Span};
use pondreeve_protocol::sdi12::SensorMap;
use pondreeve_protocol::text_line::LineMap;
use pondreeve_tests::Scratch;
use sim::faults::LineFault;
use sim::pty::Line;
use sim::rtu::Server;
use sim::spoken::{Sensor, Speaker, sdi12, text};

use super::bench::{Bench, Engine, farm, project};

const SOON: Duration = Duration::from_secs(60);

pub(crate) fn built_in(name: &str) -> Profile {
    let file = project(&format!("config/probes/{name}.toml"));
    let text = std::fs::read_to_string(&file).expect("shipped");
    profile::parse_any(&text, name).unwrap_or_else(|problems| panic!("{problems:?}"))
}

pub(crate) fn line(kind: LineKind, device: &Path, spoken: Vec<Spoken>, first: u16) -> TextLine {
    let probe = |(index, spoken): (u16, Spoken)| LineProbe {
        probe: ProbeIndex(index),
        spoken,
        poll_every: Span::from_millis(500),
        timeout: Duration::from_millis(if kind == LineKind::Sdi12 { 150 } else { 400 }),
        retries: 1,
    };
    TextLine {
        id: if kind == LineKind::Sdi12 { "west" } else { "mast" }.into(),
        kind,
        device: device.to_owned(),
        server: None,
        baud: if kind == LineKind::Sdi12 { 1_200 } else { 9_600 },
        data_bits: if kind == LineKind::Sdi12 { 7 } else { 8 },
        parity: if kind == LineKind::Sdi12 { Parity::Even } else { Parity::None },
        stop_bits: 1,
        wake: Wake::Break,
        turnaround: Duration::from_millis(5),
        capture: None,
        probes: (first..).zip(spoken).map(probe).collect(),
    }
}

pub(crate) fn sensor(address: u8, name: &str) -> Spoken {
    match built_in(name) {
        Profile::Sensor(map) => Spoken::Sensor(address, map),
        other => panic!("{other:?}"),
    }
}

pub(crate) fn lines_of(name: &str) -> Arc<LineMap> {
    match built_in(name) {
        Profile::Text(map) => map,
        other => panic!("{other:?}"),
    }
}

/// A meter that is asked for a line of oxygen and temperature.
pub(crate) fn asked_oxygen(
    line: &Line,
    mut fault: impl FnMut() -> Option<LineFault> + Send + 'static,
) -> Server {
    let map = lines_of("text-oxygen");
    text(line, Duration::from_secs(9), move || {
        let values = vec![("do_mg_l".to_owned(), 6.42), ("temperature_c".to_owned(), 28.9)];
        vec![Speaker { map: Arc::clone(&map), values, fault: fault() }]
    })
    .expect("a line")
}

/// A mast that sends pressure and light by itself.
pub(crate) fn listened_weather(line: &Line) -> Server {
    let map = lines_of("text-weather");
    text(line, Duration::from_millis(120), move || {
        let values = vec![("pressure_hpa".to_owned(), 1_011.3), ("par_umol_m2_s".to_owned(), 1_450.0)];
        vec![Speaker { map: Arc::clone(&map), values, fault: None }]
    })
    .expect("a line")
}

/// Sensors `1`, oxygen, and `2`, a level that is measured while others are; the fault is of both.
pub(crate) fn sensors(line: &Line, fault: Arc<Mutex<Option<LineFault>>>) -> Server {
    sdi12(line, move |address| {
        let (name, values) = match address {
            b'1' => ("sdi12-oxygen", vec![6.42, 28.9]),
            b'2' => ("sdi12-level", vec![1.25]),
            _ => return None,
        };
        let Profile::Sensor(map) = built_in(name) else { return None };
        let further = Vec::new();
        let takes_s = u16::from(address == b'2');
        Some(Sensor { map, values, further, takes_s, fault: *fault.lock().unwrap() })
    })
    .expect("a line")
}

#[tokio::test(flavor = "multi_thread")]
async fn sdi12_sensors_are_read_through_every_fault_of_their_line() {
    // Side by side, each on a line of its own: it is mostly waiting.
    let mut lines = tokio::task::JoinSet::new();
    for fault in [
        LineFault::Silent,
        LineFault::BadChecksum,
        LineFault::Exception(0),
        LineFault::Partial,
        LineFault::OtherAddress,
        LineFault::Late(1_200),
        LineFault::Stray(40),
        LineFault::Echo,
    ] {
        lines.spawn(sensors_are_read_through(fault));
    }
    while let Some(ended) = lines.join_next().await {
        ended.expect("each line is read through");
    }
}

async fn sensors_are_read_through(now: LineFault) {
    let scratch = Scratch::new();
    let device = scratch.path("sdi12");
    let far = Line::open(&device).expect("a pseudo-terminal");
    let fault = Arc::new(Mutex::new(None));
    let _server = sensors(&far, Arc::clone(&fault));
    let spoken =
        vec![sensor(b'1', "sdi12-oxygen"), sensor(b'2', "sdi12-level"), sensor(b'7', "sdi12-oxygen")];
    let mut plain = farm(&["oxygen", "level", "dead"], Vec::new(), Vec::new());
    let capture = scratch.path("west.txt");
    plain.lines =
        vec![TextLine { capture: Some(capture.clone()), ..line(LineKind::Sdi12, &device, spoken, 0) }];
    let bench = Bench::start(&plain, Engine::Keeps);
    let truth = [(0, Quantity::DoMgL, 6.42), (0, Quantity::TemperatureC, 28.9), (1, Quantity::DepthM, 1.25)];
    let all_true = |bench: &Bench| {
        for (probe, quantity, value) in truth {
            let found = bench.values(probe, quantity);
            assert!(found.iter().all(|own| (own - value).abs() < 1e-9), "{}: {found:?}", quantity.id());
        }
    };
    let heard = |bench: &Bench, times: usize| {
        truth.iter().all(|(probe, quantity, _)| bench.values(*probe, *quantity).len() >= times)
    };
    bench.until("three sweeps of both", SOON, |bench| heard(bench, 3)).await;
    bench.until("the dead one", SOON, |bench| bench.probe_faults(2) == [ProbeFault::Silent]).await;
    assert_eq!(bench.part(GatewayPart::Bus), [None]);
    *fault.lock().unwrap() = Some(now);
    tokio::time::sleep(Duration::from_secs(2)).await;
    *fault.lock().unwrap() = None;
    // What was asked before the fault ended may still be under way.
    tokio::time::sleep(Duration::from_secs(2)).await;
    bench.forget();
    bench.until("both again", SOON, |bench| heard(bench, 1)).await;
    all_true(&bench);
    bench.stop().await;
    // What went over the line is in the capture, and a profile reads it again.
    let captured = frames::parse(&std::fs::read_to_string(&capture).expect("a capture")).expect("sound");
    let reads = frames::read(&captured, &built_in("sdi12-oxygen"), Some(b'1')).expect("its kind");
    let good: Vec<_> = reads.iter().filter_map(|own| own.outcome.as_ref().ok()).collect();
    assert!(good.len() >= 3, "{reads:#?}");
    assert!(good.iter().all(|(values, _)| values[0] == ("do_mg_l".to_owned(), 6.42)), "{good:?}");
}

/// A profile of a level gauge, its value in another measurement.
pub(crate) fn level_by(measurement: &str) -> Arc<SensorMap> {
    let file = project("config/probes/sdi12-level.toml");
    let text = std::fs::read_to_string(file).expect("shipped").replace("measurement = \"C\"", measurement);
    match profile::parse_any(&text, "level").unwrap_or_else(|problems| panic!("{problems:?}")) {
        Profile::Sensor(map) => map,
        other => panic!("{other:?}"),
    }
}

/// One sensor, two of its measurements, both made while others are: neither is asked for while the other is made, or it
/// would be aborted and the data of one be taken for those of the other.
#[tokio::test(flavor = "multi_thread")]
async fn two_measurements_of_one_sensor_never_mix() {
    let scratch = Scratch::new();
    let device = scratch.path("sdi12");
    let far = Line::open(&device).expect("a pseudo-terminal");
    let (first, second) = (level_by("measurement = \"C\""), level_by("measurement = \"C\"\nnumber = 3"));
    let maps = (Arc::clone(&first), Arc::clone(&second));
    let _server = sdi12(&far, move |address| {
        let (map, further) = (Arc::clone(&maps.0), vec![(Arc::clone(&maps.1), vec![0.75])]);
        let sensor = Sensor { map, values: vec![1.25], further, takes_s: 1, fault: None };
        (address == b'2').then_some(sensor)
    })
    .expect("a line");
    let mut plain = farm(&["level", "other-level"], Vec::new(), Vec::new());
    let spoken = vec![Spoken::Sensor(b'2', first), Spoken::Sensor(b'2', second)];
    plain.lines = vec![line(LineKind::Sdi12, &device, spoken, 0)];
    let bench = Bench::start(&plain, Engine::Keeps);
    let of = |bench: &Bench, probe| bench.values(probe, Quantity::DepthM);
    bench.until("three sweeps of both", SOON, |bench| (0..2).all(|probe| of(bench, probe).len() >= 3)).await;
    for (probe, value) in [(0, 1.25), (1, 0.75)] {
        let found = of(&bench, probe);
        assert!(found.iter().all(|own| (own - value).abs() < 1e-9), "probe {probe}: {found:?}");
        assert_eq!(bench.probe_faults(probe), []);
    }
    bench.stop().await;
}

#[tokio::test(flavor = "multi_thread")]
async fn lines_of_text_are_asked_and_listened_to() {
    let scratch = Scratch::new();
    let (asked, listened) = (scratch.path("asked"), scratch.path("listened"));
    let (asked_far, listened_far) =
        (Line::open(&asked).expect("a pty"), Line::open(&listened).expect("a pty"));
    let fault = Arc::new(AtomicU8::new(0));
    let now = Arc::clone(&fault);
    let _asked_server = asked_oxygen(&asked_far, move || match now.load(Ordering::SeqCst) {
        1 => Some(LineFault::Partial),
        2 => Some(LineFault::Echo),
        3 => Some(LineFault::Late(900)),
        4 => Some(LineFault::OtherAddress),
        _ => None,
    });
    let _listened_server = listened_weather(&listened_far);
    let mut plain = farm(&["oxygen", "mast"], Vec::new(), Vec::new());
    plain.lines = vec![
        TextLine {
            id: "asked".into(),
            ..line(LineKind::Text, &asked, vec![Spoken::Text(lines_of("text-oxygen"))], 0)
        },
        line(LineKind::Text, &listened, vec![Spoken::Text(lines_of("text-weather"))], 1),
    ];
    let bench = Bench::start(&plain, Engine::Keeps);
    for now in 0..5 {
        fault.store(now, Ordering::SeqCst);
        tokio::time::sleep(Duration::from_secs(if now == 0 { 0 } else { 2 })).await;
        fault.store(0, Ordering::SeqCst);
        bench.forget();
        bench
            .until("both lines", SOON, |bench| {
                bench.values(0, Quantity::DoMgL).len() >= 2
                    && bench.values(1, Quantity::PressureHpa).len() >= 2
            })
            .await;
        assert!(bench.values(0, Quantity::DoMgL).iter().all(|value| *value == 6.42));
        assert!(bench.values(0, Quantity::TemperatureC).iter().all(|value| *value == 28.9));
        assert!(bench.values(1, Quantity::PressureHpa).iter().all(|value| *value == 1_011.3));
        assert!(bench.values(1, Quantity::ParUmolM2S).iter().all(|value| *value == 1_450.0));
    }
    bench.stop().await;
}
