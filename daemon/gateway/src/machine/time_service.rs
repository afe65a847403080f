//! Who keeps the clock, and whether it has had an answer.
//!
//! The service's sandbox lets nobody ask the kernel (adjtimex is among what it forbids), so the time services' own
//! files are read: systemd-timesyncd makes one at its first answer after a start of the machine (systemd-timesyncd(8)),
//! chrony renews its drift file while it is synchronised (chrony.conf(5), driftfile).

use std::path::Path;
use std::time::Duration;

use super::sensors::text;

/// A time service that has set the clock has told so within this long: chrony renews its drift file at most once an
/// hour.
const CHRONY_WITHIN: Duration = Duration::from_secs(3 * 3_600);

/// The service that keeps the machine's clock.
#[derive(Debug, Clone, Copy, PartialEq, Eq, Default)]
pub enum TimeService {
    /// None that is known here.
    #[default]
    Unknown,
    /// It has set the clock.
    Synchronised,
    /// It runs and has had no answer, and the machine has been up for so long.
    Waiting(Duration),
}

impl TimeService {
    /// By the files that begin at `root`.
    pub(super) fn look(root: &Path) -> Self {
        let timesyncd = root.join("run/systemd/timesync");
        let chrony = root.join("run/chrony");
        let up = || Self::Waiting(up(root).unwrap_or_default());
        if timesyncd.join("synchronized").exists() {
            Self::Synchronised
        } else if chrony.is_dir() {
            let drift = std::fs::metadata(root.join("var/lib/chrony/chrony.drift"));
            let renewed = drift.and_then(|about| about.modified()).ok();
            match renewed.and_then(|at| at.elapsed().ok()) {
                Some(age) if age <= CHRONY_WITHIN => Self::Synchronised,
                Some(_) => up(),
                // Not there, or not to be seen from inside the sandbox.
                None => Self::Unknown,
            }
        } else if timesyncd.is_dir() {
            up()
        } else {
            Self::Unknown
        }
    }
}

/// How long the machine has been up. The sandbox hides the file; the clock that counts since then it leaves.
fn up(root: &Path) -> Option<Duration> {
    let Some(told) = text(&root.join("proc/uptime")) else {
        return crate::clock::since_boot();
    };
    Duration::try_from_secs_f64(told.split(' ').next()?.parse().ok()?).ok()
}
