//! All quality tests on one reading, beside ioos-qc on the same series, in one run.
//!
//! `cargo bench -p pondreeve-tests --bench cleaning`. Thirty days of oxygen each minute. Ours judges reading by
//! reading, with all it remembers, and amends; the library gets the whole series as an array, which it is made
//! for, and runs gross range, spike, rate of change, flat line, attenuated signal and climatology. Rates are per
//! second of processor time. Python is taken from `PONDREEVE_VENV`, or else `python3`. The aim: 2 µs a reading
//! and 64 KiB a channel.

use std::fmt::Write as _;
use std::io::Write as _;
use std::path::PathBuf;
use std::process::{Command, Stdio};
use std::time::Duration;

use nix::time::{ClockId, clock_gettime};
use pondreeve_core::quality::ChannelState;
use pondreeve_core::quality::watch::Around;
use pondreeve_core::site::{Channel, PondIndex, ProbeIndex};
use pondreeve_core::{Quantity, Span, Timestamp};

const MINUTES: i64 = 30 * 24 * 60;

/// Oxygen of a lively pond: a daily swing, scatter, a stuck hour and some spikes.
fn value(minute: i64) -> f64 {
    let day = std::f64::consts::TAU * (minute % 1_440) as f64 / 1_440.0;
    let scatter = ((minute * 7_919) % 101) as f64 / 2_000.0;
    let clean = 6.5 + 2.5 * day.sin() + scatter;
    match minute {
        10_000..10_060 => 7.0,
        _ if minute % 5_003 == 0 => clean + 3.0,
        _ => (clean * 100.0).round() / 100.0,
    }
}

fn processor_time() -> Duration {
    clock_gettime(ClockId::CLOCK_PROCESS_CPUTIME_ID).map(Duration::from).expect("every Unix has this clock")
}

/// Readings a second of the library, or what is lacking.
fn peer(input: &str) -> Result<f64, String> {
    let python = std::env::var_os("PONDREEVE_VENV")
        .map_or_else(|| PathBuf::from("python3"), |venv| PathBuf::from(venv).join("bin/python"));
    let script = PathBuf::from(env!("CARGO_MANIFEST_DIR")).join("benches/cleaning_peer.py");
    let mut child = Command::new(&python)
        .arg(script)
        .stdin(Stdio::piped())
        .stdout(Stdio::piped())
        .stderr(Stdio::piped())
        .spawn()
        .map_err(|error| format!("{}: {error}", python.display()))?;
    let mut stdin = child.stdin.take().ok_or("no way in to Python")?;
    stdin.write_all(input.as_bytes()).map_err(|error| error.to_string())?;
    drop(stdin);
    let output = child.wait_with_output().map_err(|error| error.to_string())?;
    let said = String::from_utf8_lossy(&output.stdout).trim().to_owned();
    said.parse()
        .map_err(|_| String::from_utf8_lossy(&output.stderr).lines().last().unwrap_or(&said).to_owned())
}

fn main() {
    let channel = Channel::uncorrected(Quantity::DoMgL);
    let whose = (Some(PondIndex(0)), ProbeIndex(0));
    let at = |minute: i64| Timestamp(1_772_341_200_000) + Span::from_minutes(minute);
    let (mut best, mut bytes) = (f64::INFINITY, 0);
    for _ in 0..3 {
        let mut state = ChannelState::new(at(0));
        let mut judged = 0_usize;
        let started = processor_time();
        for minute in 0..MINUTES {
            let now = at(minute);
            let reading =
                state.judge(&channel, whose, value(minute), Some(now), (now, now), &Around::default());
            judged += usize::from(reading.is_ok());
        }
        best = best.min((processor_time() - started).as_secs_f64());
        assert_eq!(judged as i64, MINUTES);
        bytes = size_of::<ChannelState>() + state.window.size_bytes() + state.watch.size_bytes();
    }
    let ours = MINUTES as f64 / best;
    println!(
        "ours: {:.2} µs a reading, {ours:.0} readings/s, {:.1} KiB a channel",
        1e6 / ours,
        bytes as f64 / 1024.0
    );
    let mut input = String::new();
    for minute in 0..MINUTES {
        // Writing to a string cannot fail.
        let _ = writeln!(input, "{},{}", at(minute).as_millis(), value(minute));
    }
    match peer(&input) {
        Ok(theirs) => println!(
            "ioos-qc: {:.2} µs a reading, {theirs:.0} readings/s; ratio {:.1}",
            1e6 / theirs,
            ours / theirs
        ),
        Err(lack) => println!("ioos-qc: not compared: {lack}"),
    }
}
