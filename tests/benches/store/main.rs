//! The journal beside SQLite, in one run: wear, size, speed, memory, start and reading back.
//!
//! `cargo bench -p pondreeve-tests --bench store [-- --days 7] [--scratch FOLDER]`
//!
//! 160 series every ten seconds, forty polls of four values. SQLite (bundled) in WAL mode with synchronous=FULL:
//! a row a reading, keyed by time and series, a transaction a commit. Ours: an input a poll with its flags, as the
//! daemon hands them in. Each works in processes of its own, on an ext4 file system of its own on a loop
//! device, whose counters say what reached the device (as root; otherwise wear is not measured). In both one thread
//! makes the readings ready and another commits, as in the daemon. The history is filled at ten minutes of readings
//! (9,600) a commit; catching up is measured by itself ([`catch_up`]), in commits of several sizes; `--catch-up`
//! prints that alone. The history of the last lines is `--days` long; a
//! year is `--days 365`, for which SQLite needs 20 GB and long (`--ours` leaves it out). `--retention DAYS` instead
//! fills a year of ours with readings aging out after so many days, and prints MiB on disk and in memory by month.
//! Memory is measured with the allocator's settings of `deploy/systemd/pondreeve.service`, for both. Speeds are of
//! this machine; only ratios mean something.
#![allow(missing_docs, unreachable_pub, reason = "a program, not a library")]

mod catch_up;
mod contestant;
mod disk;
mod ours;
mod readings;
mod rows;
mod year;

use std::io::{BufRead as _, BufReader};
use std::path::{Path, PathBuf};
use std::process::{Command, Stdio};

use anyhow::{Context as _, Result, bail, ensure};

use disk::Disk;

/// What one contestant was measured to do.
#[derive(Debug, Default)]
struct Measured {
    written_1s: Option<f64>,
    written_5s: Option<f64>,
    on_disk: f64,
    peak_mib: f64,
    open_after_kill_s: f64,
    open_after_close_s: f64,
    scan_p50_s: f64,
    scan_p95_s: f64,
}

/// Runs one task of a contestant; what it printed.
fn task(who: &str, folder: &Path, words: &[String]) -> Result<Vec<(String, f64)>> {
    let output = Command::new(std::env::current_exe()?)
        .args(["--child", who])
        .arg(folder)
        .args(words)
        .envs(allocator()?)
        .stderr(Stdio::inherit())
        .output()?;
    ensure!(output.status.success(), "{who} {words:?} failed");
    let said = String::from_utf8(output.stdout)?;
    let pairs = said.lines().filter_map(|line| line.split_once('='));
    Ok(pairs.filter_map(|(name, value)| Some((name.to_owned(), value.parse().ok()?))).collect())
}

/// The allocator's settings in the service's unit: what the daemon runs with.
fn allocator() -> Result<Vec<(String, String)>> {
    let unit = Path::new(env!("CARGO_MANIFEST_DIR")).join("../deploy/systemd/pondreeve.service");
    let text = std::fs::read_to_string(&unit).with_context(|| unit.display().to_string())?;
    let settings = text.lines().filter_map(|line| line.strip_prefix("Environment=")?.split_once('='));
    Ok(settings.map(|(name, value)| (name.to_owned(), value.to_owned())).collect())
}

fn words(text: &str) -> Vec<String> {
    text.split(' ').map(str::to_owned).collect()
}

fn of(said: &[(String, f64)], name: &str) -> Result<f64> {
    said.iter()
        .rev()
        .find(|(known, _)| known == name)
        .map(|(_, value)| *value)
        .with_context(|| name.to_owned())
}

/// Fills on from an hour and is killed in the midst of it.
fn kill_while_filling(who: &str, folder: &Path, hours: f64) -> Result<()> {
    let mut child = Command::new(std::env::current_exe()?)
        .args(["--child", who])
        .arg(folder)
        .args(words(&format!("fill {hours} {} 5", hours + 48.0)))
        .envs(allocator()?)
        .stdout(Stdio::piped())
        .spawn()?;
    let lines = BufReader::new(child.stdout.take().context("piped")?).lines();
    // A few hundred commits are in by then.
    let said = lines.take(3).count();
    child.kill()?;
    child.wait()?;
    ensure!(said == 3, "{who} ended before it could be killed");
    Ok(())
}

fn measure(who: &str, scratch: &Path, days: f64) -> Result<(Measured, Vec<f64>)> {
    let mut measured = Measured::default();
    for (seconds, hours) in [(1.0, 4.0), (5.0, 12.0)] {
        let place = tempfile::tempdir_in(scratch)?;
        let disk = Disk::make(place.path(), 2)?;
        // The first hours, in which files are made that are used again and again later, are not counted.
        task(who, &disk.folder, &words(&format!("fill 0 8.1 {seconds}")))?;
        let before = disk.written();
        let said = task(who, &disk.folder, &words(&format!("fill 8.1 {} {seconds}", 8.1 + hours)))?;
        let written = before.zip(disk.written()).map(|(before, after)| (after - before) as f64);
        let per_reading = written.zip(of(&said, "readings").ok()).map(|(bytes, count)| bytes / count);
        if seconds == 1.0 { measured.written_1s = per_reading } else { measured.written_5s = per_reading }
    }
    let place = tempfile::tempdir_in(scratch)?;
    let gigabytes = if who == "ours" { 2 + days as u64 / 50 } else { 2 + days as u64 / 10 };
    let disk = Disk::make(place.path(), gigabytes)?;
    let hours = days * 24.0;
    let said = task(who, &disk.folder, &words(&format!("fill 0 {hours} 600")))?;
    measured.peak_mib = of(&said, "peak_mib")?;
    measured.on_disk = disk.used()? as f64 / of(&said, "readings")?;
    let opened: Result<Vec<f64>> =
        (0..5).map(|_| of(&task(who, &disk.folder, &words("open"))?, "open_s")).collect();
    measured.open_after_close_s = median(opened?);
    let scans = task(who, &disk.folder, &words(&format!("scan {hours} 200")))?;
    measured.peak_mib = measured.peak_mib.max(of(&scans, "peak_mib")?);
    let mut times: Vec<f64> =
        scans.iter().filter(|(name, _)| name == "scan_s").map(|(_, value)| *value).collect();
    times.sort_by(f64::total_cmp);
    measured.scan_p50_s = times[times.len() / 2];
    measured.scan_p95_s = times[times.len() * 95 / 100];
    let mut killed = Vec::new();
    for round in 0..3 {
        kill_while_filling(who, &disk.folder, hours + 48.0 * f64::from(round))?;
        let said = task(who, &disk.folder, &words("open"))?;
        measured.peak_mib = measured.peak_mib.max(of(&said, "peak_mib")?);
        killed.push(of(&said, "open_s")?);
    }
    measured.open_after_kill_s = median(killed);
    let answers = scans.iter().filter(|(name, _)| name == "count" || name == "sum");
    Ok((measured, answers.map(|(_, value)| *value).collect()))
}

fn median(mut values: Vec<f64>) -> f64 {
    values.sort_by(f64::total_cmp);
    values[values.len() / 2]
}

fn print(ours: &Measured, rows: Option<&Measured>) {
    type Pick = fn(&Measured) -> Option<f64>;
    // Name, unit's factor, figure, aim of ours, aim as a share of SQLite's.
    type Line = (&'static str, f64, Pick, Option<f64>, Option<f64>);
    let lines: [Line; 8] = [
        ("written, commits of 1 s, B a reading", 1.0, |m| m.written_1s, None, None),
        ("written, commits of 5 s, B a reading", 1.0, |m| m.written_5s, Some(65.0), None),
        ("on disk, B a reading", 1.0, |m| Some(m.on_disk), Some(2.0), None),
        ("most memory, MiB", 1.0, |m| Some(m.peak_mib), Some(24.0), None),
        ("ready after a kill, ms", 1e3, |m| Some(m.open_after_kill_s), Some(1_000.0), None),
        ("ready after a clean close, ms", 1e3, |m| Some(m.open_after_close_s), None, None),
        ("24 h of one series, p50, ms", 1e3, |m| Some(m.scan_p50_s), None, Some(0.2)),
        ("24 h of one series, p95, ms", 1e3, |m| Some(m.scan_p95_s), None, None),
    ];
    println!("{:38} {:>10} {:>10} {:>8}  aim", "", "pondreeve", "SQLite", "ratio");
    for (name, factor, pick, most, share) in lines {
        let figure = |measured: Option<f64>| {
            measured.map_or_else(|| "-".to_owned(), |value| format!("{:.2}", value * factor))
        };
        let (own, other) = (pick(ours), rows.and_then(pick));
        let ratio = own.zip(other).map(|(own, other)| own / other);
        let met =
            |good: Option<bool>| good.map_or("not compared", |good| if good { "met" } else { "MISSED" });
        let aim = match (most, share) {
            (Some(most), _) => format!("at most {most}: {}", met(own.map(|own| own * factor <= most))),
            (_, Some(share)) => {
                format!("at most {share} of SQLite: {}", met(ratio.map(|ratio| ratio <= share)))
            }
            _ => String::new(),
        };
        let ratio = ratio.map_or_else(|| "-".to_owned(), |ratio| format!("{ratio:.3}"));
        println!("{name:38} {:>10} {:>10} {ratio:>8}  {aim}", figure(own), figure(other));
    }
}

fn main() -> Result<()> {
    let arguments: Vec<String> = std::env::args().skip(1).filter(|word| word != "--bench").collect();
    if arguments.first().is_some_and(|word| word == "--child") {
        let [_, who, folder, rest @ ..] = &arguments[..] else { bail!("--child WHO FOLDER TASK") };
        return match who.as_str() {
            "year" => year::fill(Path::new(folder), rest.first().map_or("", String::as_str)),
            "ours" => contestant::work::<ours::Ours>(Path::new(folder), rest),
            _ => contestant::work::<rows::Rows>(Path::new(folder), rest),
        };
    }
    let (mut days, mut alone, mut scratch) = (7.0, false, std::env::temp_dir());
    let mut only_catch_up = false;
    let mut keep_days = None;
    let mut words = arguments.iter();
    while let Some(word) = words.next() {
        match word.as_str() {
            "--ours" => alone = true,
            "--catch-up" => only_catch_up = true,
            "--days" => days = words.next().context("--days N")?.parse().context("--days N")?,
            "--scratch" => scratch = PathBuf::from(words.next().context("--scratch FOLDER")?),
            "--retention" => keep_days = Some(words.next().context("--retention DAYS")?.clone()),
            other => {
                bail!("{other}: accepted is --days N, --ours, --catch-up, --retention DAYS, --scratch FOLDER")
            }
        }
    }
    if let Some(keep_days) = keep_days {
        println!("{} series every 10 s, a year, readings kept {keep_days} days; MiB\n", readings::SERIES);
        let place = tempfile::tempdir_in(&scratch)?;
        let mut year = Command::new(std::env::current_exe()?);
        year.args(["--child", "year"]).arg(place.path()).arg(&keep_days).envs(allocator()?);
        ensure!(year.status()?.success(), "the year failed");
        return Ok(());
    }
    if only_catch_up {
        return catch_up::print(&scratch, alone);
    }
    println!("{} series every 10 s, {days} days of history\n", readings::SERIES);
    let (ours, found) = measure("ours", &scratch, days)?;
    let rows = if alone { None } else { Some(measure("rows", &scratch, days)?) };
    if let Some((_, other)) = &rows {
        ensure!(found == *other, "the two stores do not answer alike");
    }
    print(&ours, rows.as_ref().map(|(measured, _)| measured));
    catch_up::print(&scratch, alone)
}
