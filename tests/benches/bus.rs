//! A full line of 32 probes: how much of the line's time the polls use, and the processor time of a poll, beside a plain
//! pymodbus poller on the same line. Run with
//!
//! ```sh
//! cargo bench -p pondreeve-tests --bench bus
//! ```
//!
//! after `tests/all.sh` has made `.venv`. The far end keeps the line's pace: a request takes the time of its characters,
//! an answer that of its own, and each frame is followed by the silence that the standard asks for. What is left out of
//! that is what the poller adds. Figures are ratios of one run on one machine, not promises.

use std::io::{Read as _, Write as _};
use std::path::Path;
use std::process::Command;
use std::sync::Arc;
use std::sync::atomic::{AtomicBool, AtomicU64, Ordering};
use std::time::{Duration, Instant};

use nix::sys::resource::{UsageWho, getrusage};
use pondreeve::clock::Clock;
use pondreeve::config::farm::{Bus, BusProbe, Parity};
use pondreeve::config::profile;
use pondreeve::inbox::INBOX_BOUND;
use pondreeve::probes::tally::Tally;
use pondreeve_core::site::ProbeIndex;
use pondreeve_core::{Event, Span};
use pondreeve_protocol::modbus::{self, Framing};
use pondreeve_tests::{Scratch, python};
use sim::pty::Line;
use tokio_util::sync::CancellationToken;

#[path = "../e2e/probes/bare_farm.rs"]
mod bare_farm;

const PROBES: u8 = 32;
/// Bits of a character: start, eight, stop.
const BITS: f64 = 10.0;

fn character(baud: u32) -> Duration {
    Duration::from_secs_f64(BITS / f64::from(baud))
}

/// The silence that ends a frame (serial line guide V1.02, section 2.5.1.1).
fn silence(baud: u32) -> Duration {
    if baud > 19_200 { Duration::from_micros(1_750) } else { character(baud).mul_f64(3.5) }
}

fn main() {
    let arguments: Vec<String> = std::env::args().collect();
    if let Some(place) = arguments.iter().position(|own| own == "--poll") {
        poll(
            Path::new(&arguments[place + 1]),
            arguments[place + 2].parse().expect("a rate"),
            seconds(&arguments),
        );
        return;
    }
    println!("{PROBES} probes of four registers on one line, {} s each\n", seconds(&arguments));
    println!(
        "{:<8}{:>14}{:>14}{:>12}{:>14}{:>14}",
        "baud", "polls/s", "of the line", "pymodbus", "CPU us/poll", "pymodbus"
    );
    for baud in [9_600, 115_200] {
        let ours = measure(baud, &arguments, true);
        let theirs = measure(baud, &arguments, false);
        let limit = 1.0 / (character(baud) * (8 + 13) + silence(baud) * 2).as_secs_f64();
        println!(
            "{baud:<8}{:>14.1}{:>13.1}%{:>11.1}%{:>14.0}{:>14.0}",
            ours.0,
            100.0 * ours.0 / limit,
            100.0 * theirs.0 / limit,
            ours.1,
            theirs.1
        );
    }
    println!("\nof the line: polls a second as a share of what the line can carry at all.");
}

fn seconds(arguments: &[String]) -> u64 {
    let own = arguments.iter().skip_while(|own| *own != "--seconds").nth(1);
    own.map_or(20, |text| text.parse().expect("--seconds N"))
}

/// Processor time that this process, or its children that have ended, have taken, s.
fn cpu_s(whose: UsageWho) -> f64 {
    let usage = getrusage(whose).expect("getrusage");
    let seconds = |t: nix::sys::time::TimeVal| t.tv_sec() as f64 + t.tv_usec() as f64 * 1e-6;
    seconds(usage.user_time()) + seconds(usage.system_time())
}

/// Polls a second, and microseconds of processor time a poll.
fn measure(baud: u32, arguments: &[String], ours: bool) -> (f64, f64) {
    let scratch = Scratch::new();
    let line = Line::open(&scratch.path("line")).expect("a pty");
    let (stop, answered) = (Arc::new(AtomicBool::new(false)), Arc::new(AtomicU64::new(0)));
    let mut port = line.probes.try_clone().expect("a second handle");
    let (stopped, count) = (Arc::clone(&stop), Arc::clone(&answered));
    let far = std::thread::spawn(move || far_end(&mut port, baud, &stopped, &count));
    let length = seconds(arguments).to_string();
    let mut poller = if ours {
        let mut command = Command::new(std::env::current_exe().expect("a path"));
        command.arg("--poll").arg(line.path()).arg(baud.to_string()).args(["--seconds", &length]);
        command
    } else {
        let script = Path::new(env!("CARGO_MANIFEST_DIR")).join("benches/bus_peer.py");
        let mut command = Command::new(python());
        command.arg(script).arg(line.path()).arg(baud.to_string()).arg(&length);
        command
    };
    let before = cpu_s(UsageWho::RUSAGE_CHILDREN);
    let told = poller.output().expect("the poller runs");
    assert!(told.status.success(), "{}", String::from_utf8_lossy(&told.stderr));
    let cpu_s = cpu_s(UsageWho::RUSAGE_CHILDREN) - before;
    stop.store(true, Ordering::Relaxed);
    far.join().expect("the far end ends");
    let text = String::from_utf8(told.stdout).expect("UTF-8");
    let (polls, took, start_cpu) = {
        let mut words = text.split_whitespace().map(|word| word.parse::<f64>().expect("a number"));
        (words.next().expect("polls"), words.next().expect("seconds"), words.next().expect("CPU before"))
    };
    assert!(polls <= answered.load(Ordering::Relaxed) as f64, "more was read than answered");
    // What a program needs to start is not a poll's.
    (polls / took, (cpu_s - start_cpu) / polls * 1e6)
}

/// Answers at the line's pace.
fn far_end(port: &mut std::fs::File, baud: u32, stop: &AtomicBool, answered: &AtomicU64) {
    // The kernel may end a sleep 50 us late so that others end with it; a device on a line has no such excuse.
    nix::sys::prctl::set_timerslack(1).expect("a thread may set its own");
    let mut received = Vec::new();
    let mut chunk = [0; 64];
    while !stop.load(Ordering::Relaxed) {
        let mut ready =
            [nix::poll::PollFd::new(std::os::fd::AsFd::as_fd(port), nix::poll::PollFlags::POLLIN)];
        if nix::poll::poll(&mut ready, nix::poll::PollTimeout::from(50_u8)).expect("poll") == 0 {
            continue;
        }
        let began = Instant::now();
        let count = port.read(&mut chunk).expect("readable");
        received.extend_from_slice(&chunk[..count]);
        let (request, used) = modbus::take_request(&received);
        received.drain(..used);
        let Some(request) = request else { continue };
        let frame = modbus::answer(&request, |_, address| Some(0x4000 | address));
        let length = character(baud) * (used + frame.len()) as u32 + silence(baud);
        std::thread::sleep(length.saturating_sub(began.elapsed()));
        answered.fetch_add(1, Ordering::Relaxed);
        port.write_all(&frame).expect("writable");
    }
}

/// Polls as the daemon does, and prints how often, in how long, and what the start took.
fn poll(device: &Path, baud: u32, seconds: u64) {
    let text = "id = \"bench\"\ndescription = \"four registers\"\n".to_owned()
        + &(0..4)
            .map(|address| {
                let channel = ["do_mg_l", "temperature_c", "ph", "salinity_psu"][address];
                let unit = ["mg/L", "Cel", "pH", "PSU"][address];
                format!(
                    "[[register]]\nchannel = \"{channel}\"\ntable = \"input\"\naddress = {address}\nnumber = \"u16\"\n\
                     scale = 0.0001\nunit = \"{unit}\"\n"
                )
            })
            .collect::<String>();
    let map = Arc::new(profile::parse(&text, "bench.toml").expect("sound"));
    let probe = |index: u8| BusProbe {
        probe: ProbeIndex(u16::from(index)),
        unit: index + 1,
        map: Arc::clone(&map),
        poll_every: Span::from_millis(1),
        timeout: Duration::from_millis(500),
        retries: 1,
    };
    let bus = Bus {
        id: "bench".into(),
        device: device.to_owned(),
        server: None,
        framing: Framing::Rtu,
        baud,
        data_bits: 8,
        parity: Parity::None,
        stop_bits: 1,
        turnaround: Duration::from_micros(100),
        capture: None,
        probes: (0..PROBES).map(probe).collect(),
    };
    let ids: Vec<String> = (0..PROBES).map(|id| format!("p{id}")).collect();
    let ids: Vec<&str> = ids.iter().map(String::as_str).collect();
    let farm = bare_farm::farm(&ids, vec![bus], Vec::new());
    let runtime = tokio::runtime::Builder::new_multi_thread().enable_all().build().expect("a runtime");
    let (polls, took, start_cpu) = runtime.block_on(async {
        let (inbox, mut incoming) = tokio::sync::mpsc::channel(INBOX_BOUND);
        let stop = CancellationToken::new();
        let start_cpu = cpu_s(UsageWho::RUSAGE_SELF);
        let (mut tasks, _coils, _loans) =
            pondreeve::probes::start(Arc::new(farm), Clock::system(), inbox, stop.clone(), &Tally::default());
        let began = tokio::time::Instant::now();
        let until = began + Duration::from_secs(seconds);
        let mut polls = 0_u64;
        while let Ok(Some(own)) = tokio::time::timeout_at(until, incoming.recv()).await {
            polls += u64::from(matches!(own.event, Event::Sweep { .. }));
        }
        stop.cancel();
        tasks.shutdown().await;
        (polls, began.elapsed().as_secs_f64(), start_cpu)
    });
    println!("{polls} {took} {start_cpu}");
}
