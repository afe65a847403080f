//! What Linux tells of the machine in its files below /sys and /run.

use std::fs;
use std::os::unix::fs::MetadataExt as _;
use std::path::{Path, PathBuf};

use pondreeve_core::Timestamp;

use super::Health;
use super::time_service::TimeService;

/// Temperatures outside this are no temperatures: sensors that are switched off tell such.
const BELIEVABLE_C: std::ops::RangeInclusive<f64> = -40.0..=150.0;

/// The supply of the machine.
#[derive(Debug, Clone, PartialEq, Default)]
pub enum Supply {
    /// It is not watched.
    #[default]
    Unknown,
    /// It is high enough.
    Good,
    /// It is too low, as this sensor says.
    Low(String),
}

/// A machine by the files that tell of it.
#[derive(Debug)]
pub struct Machine {
    root: PathBuf,
}

impl Machine {
    /// The machine whose files begin at `root`.
    pub fn at(root: PathBuf) -> Self {
        Self { root }
    }

    /// All that the files tell; `store` is where readings are kept.
    pub fn health(&self, store: &Path) -> Health {
        Health {
            temperature_c: self.temperature_c(),
            supply: self.supply(),
            room_bytes: crate::journal::free_bytes(store).ok(),
            store_bytes: None,
            written_bytes: None,
            rated_bytes: None,
            disk_says_used: self.disk_says_used(store),
            time_service: TimeService::look(&self.root),
            battery_clock: self.battery_clock(),
        }
    }

    /// The hottest of /sys/class/thermal (kernel documentation, thermal/sysfs-api: thousandths of a degree).
    fn temperature_c(&self) -> Option<f64> {
        let zones = entries(&self.root.join("sys/class/thermal"), "thermal_zone");
        let temperatures = zones.iter().filter_map(|zone| number(&zone.join("temp")));
        temperatures.map(|milli| milli / 1_000.0).filter(|c| BELIEVABLE_C.contains(c)).max_by(f64::total_cmp)
    }

    /// The alarm flags and limits of /sys/class/hwmon (kernel documentation, hwmon/sysfs-interface).
    fn supply(&self) -> Supply {
        let mut watched = false;
        for chip in entries(&self.root.join("sys/class/hwmon"), "hwmon") {
            let name = text(&chip.join("name")).unwrap_or_else(|| "hwmon".to_owned());
            for input in 0..16 {
                let of = |what: &str| number(&chip.join(format!("in{input}_{what}")));
                let flag = of("lcrit_alarm").or_else(|| of("min_alarm"));
                let below = of("input").zip(of("min")).map(|(is, least)| is < least);
                watched |= flag.is_some() || below.is_some();
                if flag == Some(1.0) || below == Some(true) {
                    let label =
                        text(&chip.join(format!("in{input}_label"))).unwrap_or_else(|| format!("in{input}"));
                    return Supply::Low(format!("{name} {label}"));
                }
            }
        }
        if watched { Supply::Good } else { Supply::Unknown }
    }

    /// What an eMMC says of its own wear: tenths of its life, the worse of its two kinds of memory (JEDEC JESD84-B51,
    /// DEVICE_LIFE_TIME_EST_TYP_A and B, which Linux shows as `life_time`). SD cards tell nothing.
    fn disk_says_used(&self, store: &Path) -> Option<f64> {
        let device = fs::metadata(store).ok()?.dev();
        let (major, minor) = (nix::sys::stat::major(device), nix::sys::stat::minor(device));
        let entry = self.root.join(format!("sys/dev/block/{major}:{minor}"));
        // A partition lies inside its disk.
        let places = [entry.join("device/life_time"), entry.join("../device/life_time")];
        let told = places.iter().find_map(|path| text(path))?;
        let tenths = told
            .split_whitespace()
            .filter_map(|one| u8::from_str_radix(one.trim_start_matches("0x"), 16).ok());
        tenths.filter(|tenth| (1..=11).contains(tenth)).max().map(|tenth| f64::from(tenth.min(10)) / 10.0)
    }

    fn battery_clock(&self) -> Option<bool> {
        self.battery_clocks().map(|clocks| !clocks.is_empty())
    }

    fn battery_clocks(&self) -> Option<Vec<PathBuf>> {
        let folder = self.root.join("sys/class");
        folder.is_dir().then(|| entries(&folder.join("rtc"), "rtc"))
    }

    /// Whether the wall clock, which says `wall`, may have gone on at the start from where the machine was switched off: no
    /// time server has answered since, and no battery clock says the same (kernel documentation, rtc: `since_epoch`). A
    /// battery clock without a battery is there and says 1970.
    pub(super) fn clock_may_be_behind(&self, wall: Timestamp) -> bool {
        let says_so = |clock: &PathBuf| {
            let told_s: Option<f64> = number(&clock.join("since_epoch"));
            told_s.is_none_or(|told_s| (told_s - wall.as_millis() as f64 / 1_000.0).abs() < 3_600.0)
        };
        let is_backed = self.battery_clocks().is_none_or(|clocks| clocks.iter().any(says_so));
        !is_backed && TimeService::look(&self.root) != TimeService::Synchronised
    }
}

/// Entries of a folder whose names begin so, in order.
fn entries(folder: &Path, begin: &str) -> Vec<PathBuf> {
    let found = fs::read_dir(folder).into_iter().flatten().flatten();
    let named = found.filter(|entry| entry.file_name().to_string_lossy().starts_with(begin));
    let mut paths: Vec<PathBuf> = named.map(|entry| entry.path()).collect();
    paths.sort();
    paths
}

pub(super) fn text(path: &Path) -> Option<String> {
    let text = fs::read_to_string(path).ok()?;
    Some(text.trim().chars().take(100).filter(|c| !c.is_control()).collect())
}

fn number(path: &Path) -> Option<f64> {
    text(path)?.parse().ok().filter(|value: &f64| value.is_finite())
}
