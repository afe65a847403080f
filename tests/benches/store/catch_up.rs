//! A backlog taken in as fast as it goes, in commits of several sizes.
//!
//! Both stores get the same backlog, two days of all series, in a process and on a disk of their own, one after the
//! other and three times over, so that what else the machine does meets both alike. "Same windows" means that both
//! commit after the same readings: five seconds of the farm (80 readings), ten minutes (9,600), an hour (57,600, of
//! which ours are about a megabyte on their way to disk). "At its best" is the shortest time of each, whichever size
//! gave it. An input counts as taken in only once it is synced, in both.

use std::path::Path;

use anyhow::Result;

use super::disk::Disk;
use super::{median, of, task, words};

/// Seconds of the farm's time in a commit, what it is called, and hours of backlog.
const SIZES: [(u32, &str, f64); 3] = [(5, "5 s", 6.0), (600, "10 min", 48.0), (3_600, "1 h", 48.0)];
const ROUNDS: usize = 3;

/// Seconds a million readings, wall and processor, ours and SQLite's.
pub fn print(scratch: &Path, alone: bool) -> Result<()> {
    println!("\ncatching up, s a million readings (processor's in brackets)");
    println!("{:38} {:>16} {:>16} {:>8}", "", "pondreeve", "SQLite", "ratio");
    let mut best = [f64::NAN; 2];
    for (seconds, name, hours) in SIZES {
        let mut walls = [const { Vec::new() }; 2];
        let mut processors = [const { Vec::new() }; 2];
        for _ in 0..ROUNDS {
            for (place, who) in ["ours", "rows"].into_iter().enumerate().take(if alone { 1 } else { 2 }) {
                let folder = tempfile::tempdir_in(scratch)?;
                let disk = Disk::make(folder.path(), 2)?;
                // So that files which are made once are there, as where wear is measured: after two hours three of four
                // tail files were still to be made.
                task(who, &disk.folder, &words(&format!("fill 0 8.1 {seconds}")))?;
                let said = task(who, &disk.folder, &words(&format!("fill 8.1 {} {seconds}", 8.1 + hours)))?;
                let millions = of(&said, "readings")? / 1e6;
                walls[place].push(of(&said, "wall_s")? / millions);
                processors[place].push(of(&said, "cpu_s")? / millions);
            }
        }
        let middle =
            |all: &[Vec<f64>; 2]| all.clone().map(|all| if all.is_empty() { f64::NAN } else { median(all) });
        let (wall, processor) = (middle(&walls), middle(&processors));
        best.iter_mut().zip(wall).for_each(|(best, wall)| *best = best.min(wall));
        let figure = |place: usize| format!("{:.3} ({:.3})", wall[place], processor[place]);
        println!(
            "{:38} {:>16} {:>16} {:>8.3}",
            format!("same windows: commits of {name}"),
            figure(0),
            figure(1),
            wall[0] / wall[1]
        );
    }
    let [ours, rows] = best;
    let ratio = ours / rows;
    println!(
        "{:38} {ours:>16.3} {rows:>16.3} {ratio:>8.3}  at most 0.2 of SQLite: {}",
        "each at its best",
        if alone {
            "not compared"
        } else if ratio <= 0.2 {
            "met"
        } else {
            "MISSED"
        }
    );
    Ok(())
}
