//! An MQTT broker within this process, so that the demo needs nothing installed.
//!
//! The embedded broker can neither be stopped nor asked for its port, and says nothing when the port
//! is taken: hence a port is chosen first, and the broker's thread is watched until it answers. It
//! ends with the process.

use std::collections::HashMap;
use std::io;
use std::net::{Ipv4Addr, SocketAddr, TcpListener, TcpStream};
use std::thread;
use std::time::{Duration, Instant};

use rumqttd::{ConnectionSettings, RouterConfig, ServerSettings};

/// A port can be lost to another process between choosing and binding; three in a row would be
/// something else.
const ATTEMPTS: u32 = 3;
/// Starting takes a few milliseconds; a loaded machine gets this long.
const START_WITHIN: Duration = Duration::from_secs(10);

/// Starts a broker on the loopback interface and returns its port once it accepts connections.
pub fn start() -> io::Result<u16> {
    let mut last = io::Error::other("no port tried");
    for _ in 0..ATTEMPTS {
        let port = TcpListener::bind((Ipv4Addr::LOCALHOST, 0))?.local_addr()?.port();
        match start_on(port) {
            Ok(()) => return Ok(port),
            Err(error) => last = error,
        }
    }
    Err(io::Error::new(last.kind(), format!("the demo's MQTT broker did not start: {last}")))
}

/// Starts a broker on a given loopback port.
///
/// # Errors
/// When the port is taken, or nothing answers on it within ten seconds.
pub fn start_on(port: u16) -> io::Result<()> {
    let address = SocketAddr::from((Ipv4Addr::LOCALHOST, port));
    let server = ServerSettings {
        name: "demo".to_owned(),
        listen: address,
        tls: None,
        next_connection_delay_ms: 1,
        connections: ConnectionSettings {
            connection_timeout_ms: 10_000,
            max_payload_size: 1 << 20,
            max_inflight_count: 200,
            auth: None,
            external_auth: None,
            dynamic_filters: true,
        },
    };
    let config = rumqttd::Config {
        id: 0,
        router: RouterConfig {
            max_connections: 64,
            max_outgoing_packet_count: 200,
            max_segment_size: 1 << 20,
            max_segment_count: 10,
            ..RouterConfig::default()
        },
        v4: Some(HashMap::from([("demo".to_owned(), server)])),
        ..rumqttd::Config::default()
    };
    // `start` returns as soon as its listener has failed, and never otherwise.
    let running = thread::Builder::new().name("broker".to_owned()).spawn(move || {
        let _ = rumqttd::Broker::new(config).start();
    })?;
    let began = Instant::now();
    loop {
        let answers = TcpStream::connect_timeout(&address, Duration::from_millis(200)).is_ok();
        // Somebody else may be answering there, in which case our own thread ends.
        if answers {
            thread::sleep(Duration::from_millis(30));
        }
        if running.is_finished() {
            return Err(io::Error::new(io::ErrorKind::AddrInUse, format!("port {port} was taken")));
        }
        if answers {
            return Ok(());
        }
        if began.elapsed() > START_WITHIN {
            return Err(io::Error::new(io::ErrorKind::TimedOut, format!("nothing answers on port {port}")));
        }
        thread::sleep(Duration::from_millis(10));
    }
}
