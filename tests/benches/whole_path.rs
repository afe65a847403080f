//! The whole path side by side with a plain script: MQTT in, JSON decoded, kept durably.
//!
//! Both sides catch up on the same backlog that mosquitto holds for them at QoS 1. Ours also judges each
//! reading, derives saturation and ammonia, runs alarms and forecasts; the script only stores. Run with
//!
//! ```sh
//! cargo build --release -p pondreeve && cargo bench -p pondreeve-tests --bench whole_path
//! ```
//!
//! after `tests/all.sh` has made `.venv`. Figures are ratios of one run on one machine, not promises.

use std::fs;
use std::io::{BufRead, BufReader};
use std::path::{Path, PathBuf};
use std::process::{Command, Stdio};
use std::time::{Duration, Instant};

use nix::sys::resource::{UsageWho, getrusage};
use pondreeve_tests::{Mosquitto, Running, Scratch, wait_for};
use rumqttc::{Client, Event, MqttOptions, Outgoing, Packet, QoS};

const PONDS: usize = 20;
const VALUES: usize = 4;

struct Result {
    seconds: f64,
    cpu_s: f64,
    bytes: u64,
}

fn main() {
    let messages: usize = std::env::args()
        .skip_while(|a| a != "--messages")
        .nth(1)
        .map_or(40_000, |n| n.parse().expect("--messages N"));
    let messages = messages / PONDS * PONDS;
    let readings = (messages * VALUES) as f64;
    println!("{messages} messages of {VALUES} values from {PONDS} ponds, QoS 1, backlog held by mosquitto\n");

    let script = plain_script(messages);
    let ours = daemon(messages);
    println!("{:<34}{:>14}{:>16}{:>10}", "", "plain script", "pondreeve", "ratio");
    let row = |name: &str, theirs: f64, mine: f64, better: f64| {
        println!("{name:<34}{theirs:>14.1}{mine:>16.1}{better:>9.2}x");
    };
    row(
        "readings a second",
        readings / script.seconds,
        readings / ours.seconds,
        script.seconds / ours.seconds,
    );
    let (theirs, mine) = (script.cpu_s / readings * 1e6, ours.cpu_s / readings * 1e6);
    row("CPU seconds per million readings", theirs, mine, theirs / mine);
    let (theirs, mine) = (script.bytes as f64 / readings, ours.bytes as f64 / readings);
    row("bytes on disk per reading", theirs, mine, theirs / mine);
    println!(
        "\nratio above 1: pondreeve does better. The script only stores; pondreeve judges, derives and alarms too."
    );
}

fn mosquitto(folder: &Path) -> Mosquitto {
    Mosquitto::start_with(folder, "max_queued_messages 0\nmax_inflight_messages 1000\n")
}

/// Fills the backlog: every pond in turn, each message one second of the probe's own time after the last.
fn publish(port: u16, messages: usize) {
    let mut options = MqttOptions::new("bench-publisher", "127.0.0.1", port);
    options.set_inflight(500);
    let (client, mut connection) = Client::new(options, 1000);
    let start = jiff::Timestamp::now().as_millisecond() - (messages / PONDS) as i64 * 1000;
    let sender = std::thread::spawn(move || {
        for i in 0..messages {
            let (pond, step) = (i % PONDS, i / PONDS);
            let wave = (step as f64 / 600.0).sin();
            let text = format!(
                "{{\"t\":{},\"do_mg_l\":{:.2},\"temperature_c\":{:.2},\"ph\":{:.2},\"salinity_psu\":{:.2}}}",
                start + step as i64 * 1000,
                6.0 + wave + 0.01 * (i % 7) as f64,
                29.0 + 0.5 * wave,
                8.0 + 0.2 * wave,
                18.0 + 0.01 * (i % 3) as f64
            );
            client.publish(format!("bench/p{pond}"), QoS::AtLeastOnce, false, text).expect("queued");
        }
        client
    });
    let mut confirmed = 0;
    for event in connection.iter() {
        match event.expect("publisher stays connected") {
            Event::Incoming(Packet::PubAck(_)) => confirmed += 1,
            Event::Outgoing(Outgoing::Disconnect) => break,
            _ => {}
        }
        if confirmed == messages {
            break;
        }
    }
    drop(sender.join());
}

fn cpu_of_children() -> f64 {
    let usage = getrusage(UsageWho::RUSAGE_CHILDREN).expect("getrusage");
    let seconds = |t: nix::sys::time::TimeVal| t.tv_sec() as f64 + t.tv_usec() as f64 * 1e-6;
    seconds(usage.user_time()) + seconds(usage.system_time())
}

fn bytes_in(path: &Path) -> u64 {
    let Ok(meta) = fs::metadata(path) else { return 0 };
    if meta.is_dir() {
        let entries = fs::read_dir(path).expect("readable").flatten();
        entries.map(|entry| bytes_in(&entry.path())).sum()
    } else {
        meta.len()
    }
}

fn plain_script(messages: usize) -> Result {
    let scratch = Scratch::new();
    let broker = mosquitto(scratch.folder.path());
    let database = scratch.path("readings.sqlite");
    let python = std::env::var_os("PONDREEVE_VENV")
        .map_or_else(|| Path::new(env!("CARGO_MANIFEST_DIR")).join("../.venv"), PathBuf::from)
        .join("bin/python");
    let script = Path::new(env!("CARGO_MANIFEST_DIR")).join("benches/plain_peer.py");
    let start = |wanted: usize| {
        let mut child = Command::new(&python)
            .arg(&script)
            .arg(broker.port.to_string())
            .arg(&database)
            .arg(wanted.to_string())
            .stdout(Stdio::piped())
            .spawn()
            .unwrap_or_else(|e| panic!("{}: {e}; run tests/all.sh once", python.display()));
        let lines = BufReader::new(child.stdout.take().expect("piped")).lines();
        (Running(child), lines)
    };
    // Once to leave a session behind, then again for the backlog.
    let (mut first, mut lines) = start(usize::MAX);
    assert_eq!(lines.next().expect("a line").expect("UTF-8"), "ready");
    first.kill_hard();
    fs::remove_file(&database).expect("fresh database");
    publish(broker.port, messages);
    let before = cpu_of_children();
    let begun = Instant::now();
    let (mut second, lines) = start(messages * (VALUES + 1));
    let last = lines.last().expect("a line").expect("UTF-8");
    second.0.wait().expect("ended");
    let seconds = begun.elapsed().as_secs_f64();
    assert!(last.contains("rows"), "{last}");
    Result { seconds, cpu_s: cpu_of_children() - before, bytes: bytes_in(&database) }
}

fn daemon(messages: usize) -> Result {
    let scratch = Scratch::new();
    let broker = mosquitto(scratch.folder.path());
    let folder = scratch.folder.path().display().to_string();
    let mut text = format!(
        "[farm]\nname = \"Bench\"\ngateway = \"bench\"\ntime_zone = \"-05:00\"\nlatitude = -3.4\nlongitude = -80.2\n\
         [store]\npath = \"{folder}/store\"\ndurable_within = \"1s\"\n[local]\nsocket = \"{folder}/sock\"\nmode = \"600\"\n"
    );
    for pond in 0..PONDS {
        text += &format!(
            "[[pond]]\nid = \"p{pond}\"\nname = \"Pond {pond}\"\nspecies = \"vannamei\"\nstage = \"grow-out\"\n\
             area_m2 = 5000\ndepth_m = 1.5\nsalinity_psu = 18\n"
        );
    }
    text += &format!("[[broker]]\nid = \"local\"\nhost = \"127.0.0.1\"\nport = {}\n", broker.port);
    for pond in 0..PONDS {
        text += &format!(
            "[[broker.probe]]\nid = \"n{pond}\"\npond = \"p{pond}\"\ntopic = \"bench/p{pond}\"\nqos = 1\n\
             sends_every = \"1m\"\ntime = \"/t\"\nvalue = [\n"
        );
        for quantity in ["do_mg_l", "temperature_c", "ph", "salinity_psu"] {
            text += &format!("  {{ quantity = \"{quantity}\", json = \"/{quantity}\" }},\n");
        }
        text += "]\n";
    }
    scratch.write("farm.toml", &text);
    let mut first = scratch.run_daemon();
    std::thread::sleep(Duration::from_secs(2)); // let it subscribe
    assert!(first.stop(Duration::from_secs(20)).success());
    fs::remove_dir_all(scratch.path("store")).expect("fresh store");
    publish(broker.port, messages);
    // The last message is told by a value no other has.
    broker.publish(
        "bench/p0",
        &format!(
            "{{\"t\":{},\"do_mg_l\":9.87,\"temperature_c\":29.0,\"ph\":8.0,\"salinity_psu\":18.0}}",
            jiff::Timestamp::now().as_millisecond()
        ),
        1,
    );
    let before = cpu_of_children();
    let begun = Instant::now();
    let mut second = scratch.run_daemon();
    wait_for("the backlog to be through", Duration::from_secs(600), || {
        std::thread::sleep(Duration::from_millis(250));
        let status = scratch.pondreeve(&["status", "--json"]);
        String::from_utf8_lossy(&status.stdout).contains("9.87").then_some(())
    });
    assert!(second.stop(Duration::from_secs(60)).success());
    let seconds = begun.elapsed().as_secs_f64();
    // What `status` itself cost is in the figure: a few milliseconds an ask, against us.
    Result { seconds, cpu_s: cpu_of_children() - before, bytes: bytes_in(&scratch.path("store")) }
}
