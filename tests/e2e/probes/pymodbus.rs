//! Polling a bus whose probes are served by pymodbus, over a pair of pseudo-terminals.

use std::io::{BufRead as _, BufReader};
use std::path::{Path, PathBuf};
use std::process::{Command, Stdio};
use std::sync::Arc;
use std::time::Duration;

use pondreeve::config::farm::{Bus, BusProbe, Parity};
use pondreeve::config::profile;
use pondreeve_core::input::{GatewayPart, ProbeFault};
use pondreeve_core::site::ProbeIndex;
use pondreeve_core::{Event, Quantity, Span};
use pondreeve_protocol::modbus::Framing;
use pondreeve_tests::{Running, Scratch, python, wait_for};

use super::bench::{Bench, Engine, farm, project};

const SOON: Duration = Duration::from_secs(30);

/// Both ends of the line and the server on the far one.
pub(crate) struct FarEnd {
    _server: Running,
    _lines: Vec<Running>,
}

impl FarEnd {
    pub(crate) fn start(folder: &Path) -> Self {
        Self::speaking(folder, "rtu")
    }

    /// A line with another framing.
    pub(crate) fn speaking(folder: &Path, framing: &str) -> Self {
        let end = |name: &str| format!("pty,raw,echo=0,link={}", folder.join(name).display());
        let line =
            Running::start(Command::new("socat").arg(end("far")).arg(end("near")), &folder.join("socat.log"));
        wait_for("socat's pseudo-terminals", SOON, || {
            (folder.join("far").exists() && folder.join("near").exists()).then_some(())
        });
        let far = folder.join("far").display().to_string();
        Self { _server: Self::serve(folder, &far, framing), _lines: vec![line] }
    }

    /// A line whose bytes socat takes to a port on loopback, as many serial servers do.
    pub(crate) fn behind_bytes(folder: &Path, framing: &str, port: u16) -> Self {
        let mut far_end = Self::speaking(folder, framing);
        let listen = format!("tcp-listen:{port},bind=127.0.0.1,reuseaddr,fork");
        let line = format!("file:{},raw,echo=0", folder.join("near").display());
        let log = folder.join("port.log");
        far_end
            ._lines
            .push(Running::start(Command::new("socat").args(["-d", "-d"]).arg(listen).arg(line), &log));
        wait_for("socat's port", SOON, || {
            std::fs::read_to_string(&log).is_ok_and(|said| said.contains("listening on")).then_some(())
        });
        far_end
    }

    /// A serial server on loopback.
    pub(crate) fn over_tcp(folder: &Path, port: u16) -> Self {
        Self { _server: Self::serve(folder, &port.to_string(), "tcp"), _lines: Vec::new() }
    }

    fn serve(folder: &Path, port: &str, framing: &str) -> Running {
        let log = std::fs::File::create(folder.join("pymodbus.log")).unwrap();
        let mut server = Command::new(python())
            .arg(project("tests/e2e/probes/pymodbus_server.py"))
            .args([port, framing])
            .stdout(Stdio::piped())
            .stderr(log)
            .spawn()
            .unwrap();
        let mut line_read = String::new();
        BufReader::new(server.stdout.take().unwrap()).read_line(&mut line_read).unwrap();
        let server = Running(server);
        assert_eq!(line_read, "ready\n", "pymodbus did not start; see its log");
        server
    }
}

const PROBES: &[(&str, u8, &str)] = &[
    ("oxygen", 11, "optical-oxygen"),
    ("ph", 12, "glass-ph"),
    ("salinity", 13, "salinity"),
    ("wrong-profile", 14, "optical-oxygen"),
    ("not-a-number", 15, "optical-oxygen"),
    ("mast", 40, "weather-mast"),
    ("clamp-1", 51, "motor-1"),
    ("clamp-2", 51, "motor-2"),
    ("clamp-3", 51, "motor-3"),
    ("meter", 52, "energy-meter"),
    ("dead", 90, "optical-oxygen"),
];

/// Probes with a register more than the profile has.
pub(crate) fn bus(device: PathBuf, probes: &[(&str, u8, &str)], more: &str) -> Bus {
    let probe = |(index, (_, unit, profile)): (usize, &(&str, u8, &str))| {
        let file = project(&format!("config/probes/{profile}.toml"));
        let text = std::fs::read_to_string(&file).unwrap() + more;
        BusProbe {
            probe: ProbeIndex(u16::try_from(index).unwrap()),
            unit: *unit,
            map: Arc::new(profile::parse(&text, &file.display().to_string()).unwrap()),
            poll_every: Span::from_millis(500),
            timeout: Duration::from_millis(150),
            retries: 1,
        }
    };
    Bus {
        id: "bus0".into(),
        device,
        server: None,
        framing: Framing::Rtu,
        baud: 9_600,
        data_bits: 8,
        parity: Parity::None,
        stop_bits: 1,
        turnaround: Duration::from_millis(5),
        capture: None,
        probes: probes.iter().enumerate().map(probe).collect(),
    }
}

pub(crate) fn close(values: &[f64], expected: f64) -> bool {
    // Single precision over the line.
    !values.is_empty() && values.iter().all(|value| (value - expected).abs() < 1e-5 * expected.abs().max(1.0))
}

#[tokio::test(flavor = "multi_thread")]
async fn a_bus_served_by_pymodbus_is_read_and_survives_being_unplugged() {
    use Quantity::{
        AeratorKw, AeratorOn, ConductivityMsCm, DoMgL, ParUmolM2S, Ph, PressureHpa, SalinityPsu, TemperatureC,
    };
    let scratch = Scratch::new();
    let folder = scratch.folder.path();
    let far_end = FarEnd::start(folder);
    let names: Vec<&str> = PROBES.iter().map(|(name, ..)| *name).collect();
    let bench =
        Bench::start(&farm(&names, vec![bus(folder.join("near"), PROBES, "")], Vec::new()), Engine::Keeps);

    let expected = [
        (0, DoMgL, 6.42),
        (0, TemperatureC, 28.9),
        (1, Ph, 7.86),
        (2, ConductivityMsCm, 29.3),
        (2, SalinityPsu, 18.2),
        (4, TemperatureC, 27.5),
        (5, ParUmolM2S, 1_450.0),
        (5, PressureHpa, 1_011.32),
        (6, AeratorOn, 1.0),
        (6, AeratorKw, 4.41),
        (7, AeratorOn, 0.0),
        (7, AeratorKw, 0.0),
        (8, AeratorOn, 1.0),
        (8, AeratorKw, 2.15),
        (9, AeratorKw, -4.4),
    ];
    // Three sweeps of each, beside a probe that is dead, one that refuses and one that sends NaN.
    bench
        .until("three sweeps of every probe", SOON, |bench| {
            expected.iter().all(|(probe, quantity, _)| bench.values(*probe, *quantity).len() >= 3)
        })
        .await;
    for (probe, quantity, value) in expected {
        let values = bench.values(probe, quantity);
        assert!(close(&values, value), "{} {}: {values:?}, not {value}", PROBES[probe].0, quantity.id());
    }
    assert_eq!(bench.values(4, DoMgL), [0.0; 0], "NaN is no oxygen");
    assert_eq!(bench.probe_faults(10), [ProbeFault::Silent], "told once, not at each poll");
    match &bench.probe_faults(3)[..] {
        [ProbeFault::Undecodable(why)] => assert!(
            why.contains("exception 2")
                && why.contains("input registers 0 to 3")
                && why.contains("`optical-oxygen`"),
            "{why}"
        ),
        other => panic!("{other:?}"),
    }
    match &bench.probe_faults(4)[..] {
        [ProbeFault::Undecodable(why)] => assert!(why.starts_with("do_mg_l") && why.contains("NaN"), "{why}"),
        other => panic!("{other:?}"),
    }
    assert_eq!(bench.part(GatewayPart::Bus), [None]);

    // Unplugged: said, with the probes that go blind; plugged in again: said, and read again.
    bench.forget();
    drop(far_end);
    bench
        .until("the lost bus", SOON, |bench| {
            bench.part(GatewayPart::Bus).iter().flatten().any(|why| why.contains("cannot be opened"))
                && (0..PROBES.len()).all(|probe| bench.probe_faults(probe).contains(&ProbeFault::Unreachable))
        })
        .await;
    let _far_end = FarEnd::start(folder);
    bench
        .until("the bus to be back", SOON, |bench| {
            bench.part(GatewayPart::Bus).last() == Some(&None) && bench.values(0, DoMgL).len() >= 2
        })
        .await;
    assert!(close(&bench.values(0, DoMgL), 6.42), "{:?}", bench.values(0, DoMgL));
    bench.stop().await;
}

/// The setting of the one is told once; the other refuses the register, and its readings come all the same.
#[tokio::test(flavor = "multi_thread")]
async fn a_salinity_setting_is_read_beside_the_polls() {
    let probes = [("set", 16, "optical-oxygen"), ("no-such-register", 11, "optical-oxygen")];
    let setting = "[[register]]\nchannel = \"set_salinity_psu\"\ntable = \"holding\"\naddress = 30\n\
                   number = \"u16\"\nscale = 0.1\nunit = \"PSU\"\n";
    let scratch = Scratch::new();
    let folder = scratch.folder.path();
    let _far_end = FarEnd::start(folder);
    let names: Vec<&str> = probes.iter().map(|(name, ..)| *name).collect();
    let buses = vec![bus(folder.join("near"), &probes, setting)];
    let bench = Bench::start(&farm(&names, buses, Vec::new()), Engine::Keeps);
    bench
        .until("eight sweeps of both", SOON, |bench| {
            (0..2).all(|probe| bench.values(probe, Quantity::DoMgL).len() >= 8)
        })
        .await;
    let settings: Vec<(u16, f64)> = bench
        .events()
        .into_iter()
        .filter_map(|event| match event {
            Event::ProbeSetting { probe, salinity_psu } => Some((probe.0, salinity_psu)),
            _ => None,
        })
        .collect();
    assert!(matches!(settings[..], [(0, psu)] if (psu - 20.5).abs() < 1e-9), "{settings:?}");
    assert!(close(&bench.values(0, Quantity::DoMgL), 6.1) && close(&bench.values(1, Quantity::DoMgL), 6.42));
    assert_eq!((bench.probe_faults(0), bench.probe_faults(1)), (Vec::new(), Vec::new()));
    bench.stop().await;
}
