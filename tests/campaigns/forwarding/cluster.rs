//! Three nodes with the configuration of `deploy/fleet`.

use std::fs;
use std::net::TcpStream;
use std::path::{Path, PathBuf};
use std::process::Command;
use std::time::Duration;

use pondreeve_tests::{Running, free_port, wait_for};

const NAMES: [&str; 3] = ["one", "two", "three"];

pub struct Cluster {
    folder: PathBuf,
    routes: [u16; 3],
    pub mqtt: [u16; 3],
    nodes: [Option<Running>; 3],
}

impl Cluster {
    pub fn start(folder: &Path) -> Self {
        let (routes, mqtt) = ([(); 3].map(|()| free_port()), [(); 3].map(|()| free_port()));
        let shipped = concat!(env!("CARGO_MANIFEST_DIR"), "/../deploy/fleet/nats-server.conf");
        for (name, port) in NAMES.iter().zip(routes) {
            let own = folder.join(name);
            fs::create_dir(&own).expect("folder");
            fs::copy(shipped, own.join("nats-server.conf")).expect("the shipped configuration");
            let all = routes.map(|port| format!("\"nats://127.0.0.1:{port}\"")).join(", ");
            let site = format!(
                "host: 127.0.0.1\nport: {}\ncluster {{ name: farms, host: 127.0.0.1, port: {port}, routes: [ {all} ] }}\n",
                free_port()
            );
            fs::write(own.join("site.conf"), site).expect("written");
        }
        let mut cluster = Self { folder: folder.to_owned(), routes, mqtt, nodes: [None, None, None] };
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
            .env("MQTT_HOST", "127.0.0.1")
            .env("MQTT_PORT", self.mqtt[node].to_string());
        debug_assert!(self.routes[node] > 0);
        self.nodes[node] =
            Some(Running::start(&mut command, &self.folder.join(format!("{}.log", NAMES[node]))));
    }
}
