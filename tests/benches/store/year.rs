//! A year during which readings age out: what the store takes on disk and in memory, month by month.

use std::path::Path;

use anyhow::{Context as _, Result};

use super::contestant::{Contestant, status_mib};
use super::disk::size_mib;
use super::ours::Ours;
use super::readings::{EVERY_MS, PONDS, polls, polls_in};

const MONTHS: u32 = 12;
const MONTH_HOURS: f64 = 30.0 * 24.0;

/// Fills a year at ten minutes of readings a commit, keeping so many days of them, and prints a line a month.
pub fn fill(folder: &Path, keep_days: &str) -> Result<()> {
    let mut store = Ours::open(folder)?;
    store.keep_days(keep_days.parse().context("--retention DAYS")?);
    let each = (600_000 / EVERY_MS) as u64 * u64::from(PONDS);
    println!("{:>6} {:>9} {:>9} {:>9} {:>9} {:>9}", "month", "all", "days", "database", "memory", "most");
    let mut clerk = store.clerk();
    for month in 0..MONTHS {
        let hours = f64::from(month) * MONTH_HOURS;
        for first in (polls_in(hours)..polls_in(hours + MONTH_HOURS)).step_by(each as usize) {
            let group = Ours::prepare(&mut clerk, polls(first, first + each).collect());
            store.keep(&group)?;
        }
        let place = folder.join("store");
        println!(
            "{:>6} {:>9.1} {:>9.1} {:>9.1} {:>9.1} {:>9.1}",
            month + 1,
            size_mib(&place)?,
            size_mib(&place.join("days")).unwrap_or(0.0),
            size_mib(&place.join("db"))?,
            status_mib("VmRSS:")?,
            status_mib("VmHWM:")?,
        );
    }
    Ok(())
}
