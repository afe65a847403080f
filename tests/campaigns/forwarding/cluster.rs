//! Three nodes with the configuration of `deploy/fleet`.

use std::fs;
use std::net::{TcpListener, TcpStream};
use std::path::{Path, PathBuf};
use std::process::Command;
use std::time::Duration;

use pondreeve_tests::{Running, wait_for};

const NAMES: [&str; 3] = ["one", "two", "three"];

pub struct Cluster {
    folder: PathBuf,
    routes: [u16; 3],
    pub mqtt: [u16; 3],
    in_flight: u32,
    nodes: [Option<Running>; 3],
}

/// Nine ports that are free and that the system does not give to outgoing connections, so that a node finds its own again
/// when it comes back.
fn ports() -> [[u16; 3]; 3] {
    let mut candidate = 10_000 + u16::try_from(std::process::id() % 1_000).unwrap_or(0) * 20;
    let mut held = Vec::new();
    [[(); 3]; 3].map(|row| {
        row.map(|()| {
            loop {
                candidate += 1;
                if let Ok(listener) = TcpListener::bind(("127.0.0.1", candidate)) {
                    held.push(listener);
                    break candidate;
                }
            }
        })
    })
}

impl Cluster {
    /// So many messages are on their way to a consumer at most.
    pub fn start(folder: &Path, in_flight: u32) -> Self {
        let [routes, mqtt, clients] = ports();
        let shipped = concat!(env!("CARGO_MANIFEST_DIR"), "/../deploy/fleet/nats-server.conf");
        for ((name, port), client) in NAMES.iter().zip(routes).zip(clients) {
            let own = folder.join(name);
            fs::create_dir(&own).expect("folder");
            fs::copy(shipped, own.join("nats-server.conf")).expect("the shipped configuration");
            let all = routes.map(|port| format!("\"nats://127.0.0.1:{port}\"")).join(", ");
            let site = format!(
                "host: 127.0.0.1\nport: {client}\ncluster {{ name: farms, host: 127.0.0.1, port: {port}, routes: [ {all} ] }}\n"
            );
            fs::write(own.join("site.conf"), site).expect("written");
            // On loopback without TLS.
            fs::write(own.join("tls.conf"), "").expect("written");
        }
        let mut cluster =
            Self { folder: folder.to_owned(), routes, mqtt, in_flight, nodes: [None, None, None] };
        (0..3).for_each(|node| cluster.revive(node));
        for port in mqtt {
            wait_for("a node to listen", Duration::from_secs(30), || {
                TcpStream::connect(("127.0.0.1", port)).ok()
            });
        }
        cluster
    }

    pub fn kill(&mut self, node: usize) {
        if let Some(mut running) = self.nodes[node].take() {
            running.kill_hard();
        }
    }

    pub fn revive(&mut self, node: usize) {
        let own = self.folder.join(NAMES[node]);
        let mut command = Command::new("nats-server");
        command
            .arg("-c")
            .arg(own.join("nats-server.conf"))
            .env("NODE", NAMES[node])
            .env("STORE", own.join("store"))
            // With one at a time the order is the gateway's own also after the consumer has lost its connection.
            .env("ACK_WAIT", "2s")
            .env("IN_FLIGHT", self.in_flight.to_string())
            .env("MQTT_HOST", "127.0.0.1")
            .env("MQTT_PORT", self.mqtt[node].to_string());
        debug_assert!(self.routes[node] > 0);
        self.nodes[node] =
            Some(Running::start(&mut command, &self.folder.join(format!("{}.log", NAMES[node]))));
    }
}
