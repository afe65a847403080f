//! From the last byte of a probe's answer to the horn: 20 ponds of 8 probes, each polled every second.
//!
//!     cargo build --release -p pondreeve && cargo bench -p pondreeve-tests --bench horn -- --samples 200
//!
//! Prints the time to the whole request that switches the horn's coil, on a line that it shares with 16 of the
//! probes, and to the first word of a program that lights the lamp. Alarms have no on-delay here; everything
//! else is as on a farm: the reading is on disk before anybody hears of the alarm. The lines are
//! pseudo-terminals, on which bytes take no time: a real line adds 10 bits for each byte (8 bytes are 8 ms at
//! 9600 bits/s, 0.7 ms at 115,200), and, where probes are polled on it, the rest of the poll under way.
//! Nothing is asserted.

use std::fs::File;
use std::io::{BufRead as _, BufReader, Read as _, Write as _};
use std::os::fd::AsFd as _;
use std::path::Path;
use std::sync::{Arc, Mutex};
use std::time::{Duration, Instant};

use nix::poll::{PollFd, PollFlags, PollTimeout, poll};
use pondreeve_protocol::modbus::{self, Request};
use pondreeve_tests::{Scratch, wait_for};
use sim::pty::Line;

const BUSES: usize = 10;
const PONDS_EACH: usize = 2;
const PROBES_EACH: usize = 8;
const RELAY: u8 = 200;
const GOOD_MG_L: f32 = 6.4;
const LOW_MG_L: f32 = 2.4;

/// What the far ends of the lines share.
#[derive(Default)]
struct Far {
    /// The pond whose first probe reads low.
    low: Option<usize>,
    /// When the last byte of its first low answer was handed to the line.
    told_at: Option<Instant>,
    /// When the coil was asked to be on, and whether it is.
    coil_at: Option<Instant>,
    coil: bool,
    lamp_at: Option<Instant>,
    lamp: bool,
    polls: u64,
}

type Shared = Arc<Mutex<Far>>;

fn configuration(folder: &Path) -> String {
    let shown = folder.display();
    let mut text = format!(
        "[farm]\nname = \"Bench\"\ngateway = \"g1\"\ntime_zone = \"-05:00\"\nlatitude = -3.4\nlongitude = -80.2\n\
         [store]\npath = \"{shown}/store\"\n[local]\nsocket = \"{shown}/sock\"\nmode = \"600\"\n\
         [annunciation]\nhorn_test = \"never\"\n\
         horn = {{ label = \"siren\", relay = {{ bus = \"b0\", address = {RELAY}, coil = 0 }} }}\n\
         lamp = {{ label = \"lamp\", command = {{ program = \"/bin/sh\", arguments = [\"-c\", \"echo $1 > {shown}/lamp\", \"lamp\"] }} }}\n"
    );
    for pond in 0..BUSES * PONDS_EACH {
        text.push_str(&format!(
            "[[pond]]\nid = \"p{pond}\"\nname = \"Pond {pond}\"\nspecies = \"vannamei\"\nstage = \"grow-out\"\n\
             area_m2 = 5000\ndepth_m = 1.5\nsalinity_psu = 18\n[pond.limits.do_low_mg_l]\n\
             warn = {{ limit = 4.0, on_delay = \"0s\", off_delay = \"0s\", source = \"bench\" }}\n\
             critical = {{ limit = 3.0, on_delay = \"0s\", off_delay = \"0s\", source = \"bench\" }}\n\
             emergency = {{ limit = 2.0, on_delay = \"0s\", off_delay = \"0s\", source = \"bench\" }}\n"
        ));
    }
    for bus in 0..BUSES {
        text.push_str(&format!("[[bus]]\nid = \"b{bus}\"\ndevice = \"{shown}/line{bus}\"\nbaud = 115200\n"));
        for pond in 0..PONDS_EACH {
            for probe in 0..PROBES_EACH {
                let profile = if probe == 0 { "optical-oxygen" } else { "glass-ph" };
                let (unit, pond) = (pond * PROBES_EACH + probe + 1, bus * PONDS_EACH + pond);
                text.push_str(&format!(
                    "[[bus.probe]]\nid = \"p{pond}-{probe}\"\npond = \"p{pond}\"\naddress = {unit}\n\
                     profile = \"{profile}\"\npoll_every = \"1s\"\ntimeout = \"100ms\"\nretries = 1\n"
                ));
            }
        }
    }
    text
}

/// Serves one line for ever.
fn serve(mut port: File, bus: usize, far: &Shared) {
    let mut received = Vec::new();
    let mut chunk = [0; 256];
    loop {
        let _ = poll(&mut [PollFd::new(port.as_fd(), PollFlags::POLLIN)], PollTimeout::NONE);
        let Ok(count @ 1..) = port.read(&mut chunk) else { return };
        let now = Instant::now();
        received.extend_from_slice(&chunk[..count]);
        while let (Some(request), used) = modbus::take_request(&received) {
            received.drain(..used);
            match request {
                Request::WriteCoil(write) if write.unit == RELAY => {
                    let mut far = far.lock().expect("no panic");
                    if write.on && !far.coil {
                        far.coil_at = Some(now);
                    }
                    far.coil = write.on;
                    port.write_all(&write.confirm()).expect("the daemon's end is open");
                }
                Request::Read(read) if read.unit != RELAY => {
                    let place = usize::from(read.unit - 1);
                    let pond = bus * PONDS_EACH + place / PROBES_EACH;
                    let is_low =
                        place.is_multiple_of(PROBES_EACH) && far.lock().expect("no panic").low == Some(pond);
                    let bits = (if is_low { LOW_MG_L } else { GOOD_MG_L }).to_bits();
                    let registers = |_, address| match address {
                        0 if place.is_multiple_of(PROBES_EACH) => Some((bits >> 16) as u16),
                        0 => Some(786),
                        1 => Some(bits as u16),
                        // 29 degrees.
                        2 => Some(0x41E8),
                        _ => Some(0),
                    };
                    port.write_all(&modbus::answer(&request, registers)).expect("the daemon's end is open");
                    let mut far = far.lock().expect("no panic");
                    far.polls += 1;
                    if is_low && far.told_at.is_none() {
                        far.told_at = Some(Instant::now());
                    }
                }
                other => {
                    let refusal = modbus::answer(&other, |_, _| None);
                    port.write_all(&refusal).expect("the daemon's end is open");
                }
            }
        }
    }
}

/// Reads what the lamp's program writes to a named pipe.
fn lamp(pipe: &Path, far: &Shared) {
    loop {
        // Opens anew for each program; the other end closes when it ends.
        let Ok(file) = File::open(pipe) else { return };
        for line in BufReader::new(file).lines().map_while(Result::ok) {
            let mut far = far.lock().expect("no panic");
            far.lamp = line == "on";
            if far.lamp {
                far.lamp_at = Some(Instant::now());
            }
        }
    }
}

fn percentile(sorted: &[f64], share: f64) -> f64 {
    let place = (share * sorted.len() as f64).ceil() as usize;
    sorted[place.clamp(1, sorted.len()) - 1]
}

fn show(what: &str, mut times_ms: Vec<f64>) {
    times_ms.sort_by(f64::total_cmp);
    let [p50, p99] = [0.5, 0.99].map(|share| percentile(&times_ms, share));
    let most = times_ms.last().copied().unwrap_or_default();
    println!("{what:<38} p50 {p50:6.1} ms   p99 {p99:6.1} ms   most {most:6.1} ms   n {}", times_ms.len());
}

fn main() {
    let arguments: Vec<String> = std::env::args().collect();
    let samples = arguments
        .iter()
        .position(|argument| argument == "--samples")
        .and_then(|place| arguments.get(place + 1)?.parse().ok())
        .unwrap_or(100);
    let limit = Duration::from_secs(30);
    let scratch = Scratch::new();
    let folder = scratch.folder.path();
    let far = Shared::default();
    let lines: Vec<Line> = (0..BUSES)
        .map(|bus| Line::open(&folder.join(format!("line{bus}"))).expect("a pseudo-terminal"))
        .collect();
    for (bus, line) in lines.iter().enumerate() {
        let (port, far) = (line.probes.try_clone().expect("second handle"), Arc::clone(&far));
        std::thread::spawn(move || serve(port, bus, &far));
    }
    let pipe = folder.join("lamp");
    nix::unistd::mkfifo(&pipe, nix::sys::stat::Mode::S_IRWXU).expect("a named pipe");
    let heard = Arc::clone(&far);
    std::thread::spawn(move || lamp(&pipe, &heard));
    scratch.write("farm.toml", &configuration(folder));
    let _daemon = scratch.run_daemon();
    wait_for("every probe to be polled", limit, || (far.lock().expect("no panic").polls > 320).then_some(()));

    let (mut coil_ms, mut lamp_ms) = (Vec::new(), Vec::new());
    let (began, polls) = (Instant::now(), far.lock().expect("no panic").polls);
    for sample in 0..samples {
        {
            let mut far = far.lock().expect("no panic");
            (far.told_at, far.coil_at, far.lamp_at) = (None, None, None);
            // Strides over ponds and lines, so that each rests in between.
            far.low = Some(sample * 7 % (BUSES * PONDS_EACH));
        }
        let (told, coil, lit) = wait_for("horn and lamp", limit, || {
            let far = far.lock().expect("no panic");
            Some((far.told_at?, far.coil_at?, far.lamp_at?))
        });
        coil_ms.push((coil - told).as_secs_f64() * 1_000.0);
        lamp_ms.push((lit - told).as_secs_f64() * 1_000.0);
        far.lock().expect("no panic").low = None;
        wait_for("silence and darkness", limit, || {
            let far = far.lock().expect("no panic");
            (!far.coil && !far.lamp).then_some(())
        });
        // At another moment of the second each time.
        std::thread::sleep(Duration::from_millis(137 * (sample as u64 % 7)));
    }
    let rate = (far.lock().expect("no panic").polls - polls) as f64 / began.elapsed().as_secs_f64();
    println!("{} ponds of {PROBES_EACH} probes, {rate:.0} polls a second", BUSES * PONDS_EACH);
    show("answer to coil, line with 16 probes", coil_ms);
    show("answer to the lamp's program writing", lamp_ms);
}
