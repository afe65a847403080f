//! `pondreeve calc` beside the same work in Python, in one run.
//!
//! `cargo bench -p pondreeve-tests --bench calculator`. Both read the same JSON lines and answer each with
//! one. The Python side computes as a careful person would write it: ammonia in plain arithmetic, oxygen with
//! gsw, carbonate and dose with PyCO2SYS, all lines as arrays at once, which it is made for. It leaves its
//! start-up and imports out. Rates are per second of processor time, so that a busy machine shows the same.
//! Python is taken from `PONDREEVE_VENV`, or else `python3`; what is not installed there is said and left out
//! (tests/reference/generate/requirements.txt has the versions). The aim: 200,000 lines a second.

use std::fmt::Write as _;
use std::io::Write as _;
use std::path::PathBuf;
use std::process::{Command, Stdio};
use std::time::Duration;

use nix::time::{ClockId, clock_gettime};

/// Compute, how many lines ours gets, and how many of those the Python side gets.
const WORK: [(&str, usize, usize); 4] = [
    ("un_ionised_ammonia", 400_000, 100_000),
    ("oxygen_saturation", 400_000, 50_000),
    ("carbonate", 200_000, 20_000),
    ("dose", 100_000, 10_000),
];

fn lines(compute: &str, count: usize) -> String {
    let part = |index: usize, step: usize| (index * step % 9973) as f64 / 9973.0;
    let mut text = String::new();
    for index in 0..count {
        let water = format!(
            r#""temperature_c":{:.2},"salinity_psu":{:.2}"#,
            20.0 + 14.0 * part(index, 101),
            1.0 + 38.0 * part(index, 211)
        );
        let ph = format!(r#""ph":{:.3}"#, 7.2 + 1.6 * part(index, 307));
        let alkalinity = format!(r#""alkalinity_mg_l":{:.1}"#, 90.0 + 100.0 * part(index, 601));
        let rest = match compute {
            "un_ionised_ammonia" => format!(r#"{ph},"tan_mg_l":{:.3}"#, 0.1 + 3.0 * part(index, 701)),
            "oxygen_saturation" => format!(r#""pressure_hpa":{:.1}"#, 980.0 + 50.0 * part(index, 401)),
            "carbonate" => format!(r#"{ph},{alkalinity},"ph_scale":"total""#),
            _ => format!(
                r#"{ph},{alkalinity},"tan_mg_l":1,"ph_scale":"total","volume_m3":7500,"dose":4,"basis":"slurry_mass","solids_percent":60,"slurry_density_kg_l":1.53"#
            ),
        };
        // Writing to a string cannot fail.
        let _ = writeln!(text, r#"{{"compute":"{compute}",{water},{rest}}}"#);
    }
    text
}

/// Lines a second of the Python side, or what it lacks.
fn peer(input: &str) -> Result<f64, String> {
    let python = std::env::var_os("PONDREEVE_VENV")
        .map_or_else(|| PathBuf::from("python3"), |venv| PathBuf::from(venv).join("bin/python"));
    let script = PathBuf::from(env!("CARGO_MANIFEST_DIR")).join("benches/calculator_peer.py");
    let mut child = Command::new(&python)
        .arg(script)
        .stdin(Stdio::piped())
        .stdout(Stdio::null())
        .stderr(Stdio::piped())
        .spawn()
        .map_err(|error| format!("{}: {error}", python.display()))?;
    let mut stdin = child.stdin.take().ok_or("no way in to Python")?;
    stdin.write_all(input.as_bytes()).map_err(|error| error.to_string())?;
    drop(stdin);
    let output = child.wait_with_output().map_err(|error| error.to_string())?;
    let said = String::from_utf8_lossy(&output.stderr).trim().to_owned();
    let last = said.lines().last().unwrap_or_default();
    last.strip_prefix("lines/s ").and_then(|rate| rate.parse().ok()).ok_or_else(|| last.to_owned())
}

/// Processor time this process has used.
fn processor_time() -> Duration {
    clock_gettime(ClockId::CLOCK_PROCESS_CPUTIME_ID).map(Duration::from).expect("every Unix has this clock")
}

fn main() {
    println!("{:<20} {:>14} {:>16} {:>8}", "compute", "ours, lines/s", "Python, lines/s", "ratio");
    for (compute, count, for_peer) in WORK {
        let input = lines(compute, count);
        let mut answers = Vec::with_capacity(input.len() * 2);
        let mut best = f64::INFINITY;
        for _ in 0..3 {
            answers.clear();
            let started = processor_time();
            let good = pondreeve::cli::calc::run(input.as_bytes(), &mut answers).expect("writing to memory");
            best = best.min((processor_time() - started).as_secs_f64());
            assert!(good, "{compute}: a line was refused");
        }
        assert_eq!(answers.iter().filter(|&&byte| byte == b'\n').count(), count);
        let ours = count as f64 / best;
        let few: String = input.split_inclusive('\n').take(for_peer).collect();
        match peer(&few) {
            Ok(theirs) => println!("{compute:<20} {ours:>14.0} {theirs:>16.0} {:>8.1}", ours / theirs),
            Err(lack) => println!("{compute:<20} {ours:>14.0}   not compared: {lack}"),
        }
    }
}
