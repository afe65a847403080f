//! What both stores are asked to do, each in a process of its own.

use std::io::Write as _;
use std::path::Path;
use std::time::{Duration, Instant};

use anyhow::{Context as _, Result, bail};
use nix::time::{ClockId, clock_gettime};
use pondreeve_core::{Span, Timestamp};

use super::readings::{EVERY_MS, PONDS, Poll, START_MS, polls, polls_in};

/// A store under test.
pub trait Contestant: Sized {
    /// Polls as they are handed to the thread that commits, and what makes them so.
    type Group: Send;
    type Clerk: Send;
    /// Opens or makes it, and reads the newest quarter of an hour: then it is ready.
    fn open(folder: &Path) -> Result<Self>;
    fn clerk(&self) -> Self::Clerk;
    fn prepare(clerk: &mut Self::Clerk, polls: Vec<Poll>) -> Self::Group;
    /// Puts a group on disk for good.
    fn keep(&mut self, group: &Self::Group) -> Result<()>;
    /// Count and sum of a pond's oxygen in a stretch of time.
    fn scan(&self, pond: u16, from: Timestamp, to: Timestamp) -> Result<(u64, f64)>;
}

fn processor_time() -> Duration {
    clock_gettime(ClockId::CLOCK_PROCESS_CPUTIME_ID).map(Duration::from).unwrap_or_default()
}

/// A figure of this process's memory, MiB: `VmHWM:` is the most it ever had.
pub fn status_mib(name: &str) -> Result<f64> {
    let status = std::fs::read_to_string("/proc/self/status")?;
    let line = status.lines().find_map(|line| line.strip_prefix(name)).context("a figure")?;
    Ok(line.trim().trim_end_matches(" kB").trim().parse::<f64>()? / 1024.0)
}

/// Does one task and prints what it measured as `name=value` lines.
pub fn work<C: Contestant>(folder: &Path, task: &[String]) -> Result<()> {
    let number = |place: usize| -> Result<f64> { Ok(task.get(place).context("a number")?.parse()?) };
    match task.first().map(String::as_str) {
        // From hour, to hour, seconds a commit.
        Some("fill") => {
            let mut store = C::open(folder)?;
            let (from, to) = (polls_in(number(1)?), polls_in(number(2)?));
            let each = (number(3)? * 1_000.0 / EVERY_MS as f64 * f64::from(PONDS)) as u64;
            let (started, used) = (Instant::now(), processor_time());
            let mut out = std::io::stdout();
            let mut clerk = store.clerk();
            // One group is gathered while the one before it is committed, as in the daemon: the engine gathers,
            // a thread of its own commits. Both stores are fed so.
            let (hand, groups) = std::sync::mpsc::sync_channel(1);
            std::thread::scope(|threads| -> Result<()> {
                threads.spawn(move || {
                    for first in (from..to).step_by(each as usize) {
                        let group = C::prepare(&mut clerk, polls(first, to.min(first + each)).collect());
                        if hand.send((first, group)).is_err() {
                            break;
                        }
                    }
                });
                for (first, group) in groups {
                    store.keep(&group)?;
                    if first % (each * 256) < each {
                        writeln!(out, "at={first}")?;
                    }
                }
                Ok(())
            })?;
            let (wall, cpu) = (started.elapsed(), processor_time() - used);
            drop(store);
            println!("readings={}", (to - from) * 4);
            println!("wall_s={}", wall.as_secs_f64());
            println!("cpu_s={}", cpu.as_secs_f64());
        }
        Some("open") => {
            let started = Instant::now();
            let store = C::open(folder)?;
            println!("open_s={}", started.elapsed().as_secs_f64());
            drop(store);
        }
        // Hours of history, number of scans.
        Some("scan") => {
            let store = C::open(folder)?;
            let (hours, scans) = (number(1)? as i64, number(2)? as i64);
            for n in 0..scans {
                let hour = (n * 7_919 + 13) % (hours - 24).max(1);
                let from = Timestamp(START_MS) + Span::from_hours(hour);
                let started = Instant::now();
                let (count, sum) =
                    store.scan((n % i64::from(PONDS)) as u16, from, from + Span::from_hours(24))?;
                println!("scan_s={}", started.elapsed().as_secs_f64());
                println!("count={count}");
                println!("sum={sum:.1}");
            }
        }
        other => bail!("{other:?}: accepted is fill, open, scan"),
    }
    println!("peak_mib={}", status_mib("VmHWM:")?);
    Ok(())
}
