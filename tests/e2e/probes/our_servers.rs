//! The simulator's Modbus servers against pymodbus as a client, over RTU, ASCII and TCP.

use std::net::TcpListener;
use std::process::Command;
use std::sync::Arc;

use pondreeve::config::profile::Profile;
use pondreeve_protocol::modbus::Framing;
use pondreeve_protocol::register_map::RegisterMap;
use pondreeve_tests::{Scratch, python};
use sim::pty::Line;
use sim::rtu::{Answer, Part, Server};

use super::bench::project;
use super::spoken::built_in;

pub(crate) fn map(name: &str) -> Arc<RegisterMap> {
    match built_in(name) {
        Profile::Registers(map) => map,
        other => panic!("{other:?}"),
    }
}

fn ask(unit: u8) -> Option<Answer> {
    let (name, values) = match unit {
        11 => ("optical-oxygen", vec![6.42, 28.9]),
        12 => ("glass-ph", vec![7.86]),
        _ => return None,
    };
    Some(Answer { parts: vec![Part { map: map(name), values }], fault: None })
}

fn read_by_pymodbus(place: &str, framing: &str) -> String {
    let told = Command::new(python())
        .arg(project("tests/e2e/probes/pymodbus_client.py"))
        .args([place, framing])
        .output()
        .expect("python runs");
    assert!(told.status.success(), "{framing}: {}", String::from_utf8_lossy(&told.stderr));
    String::from_utf8(told.stdout).expect("UTF-8")
}

/// As pymodbus prints it: two floats, pH in hundredths, a refusal, and silence.
const EXPECTED: &str = "6.42 28.90\n786\nexception 2\nsilent\n";

#[test]
fn pymodbus_reads_the_simulated_servers() {
    let scratch = Scratch::new();
    for (framing, name) in [(Framing::Rtu, "rtu"), (Framing::Ascii, "ascii")] {
        let line = Line::open(&scratch.path(name)).expect("a pty");
        let _server = Server::speaking(&line, framing, ask).expect("a server");
        assert_eq!(read_by_pymodbus(&line.path().display().to_string(), name), EXPECTED, "{name}");
    }
    let listener = TcpListener::bind("127.0.0.1:0").expect("loopback");
    let port = listener.local_addr().expect("bound").port();
    let _server = Server::over_tcp(listener, Framing::Tcp, ask).expect("a server");
    assert_eq!(read_by_pymodbus(&port.to_string(), "tcp"), EXPECTED, "tcp");
}
