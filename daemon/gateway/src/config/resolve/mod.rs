//! From the configuration as written to a [`Farm`]: defaults filled in, names looked up, contradictions
//! reported. After this nothing is unchecked.

mod annunciation;
mod brokers;
mod buses;
mod commands;
mod compensation;
mod connection;
mod credential;
mod limits;
mod lines;
mod machine;
mod metrics;
mod outbox;
mod ponds;
mod probes;
mod products;
mod rights;
mod sources;
mod texts;
mod water_limits;

use std::cell::RefCell;
use std::collections::HashMap;
use std::ops::Range;
use std::path::{Path, PathBuf};
use std::time::Duration;

use pondreeve_core::call::CallPlan;
use pondreeve_core::site::{EnergyPrice, PondIndex, Probe};
use pondreeve_core::{Site, Span};

#[cfg(test)]
pub(super) use ponds::limits_file;

use crate::journal::Limits;

use super::farm::{Farm, LocalSettings, StoreSettings};
use super::files;
use super::problem::Problem;
use super::profile::Profile;
use super::raw::{RawFarm, RawFarmTable, RawLocal, RawStore};
use super::reader::{At, Problems};

/// Longest path of a Unix socket: the kernel's `sun_path` holds 108 bytes with the closing zero.
const LONGEST_SOCKET_PATH: usize = 107;
/// Readings are safe within this long where the configuration says nothing.
const DURABLE_WITHIN: Duration = Duration::from_secs(5);
const SUMMARY_EVERY: Duration = Duration::from_secs(15 * 60);
/// Pressure of the standard atmosphere at sea level.
const PRESSURE_HPA: f64 = 1013.25;

/// Resolves a configuration. Problems go to `problems` and, those of other files, to the list that comes
/// back; the farm is there only if none of them is an error.
pub(super) fn resolve(raw: &RawFarm, folder: &Path, problems: &Problems) -> (Option<Farm>, Vec<Problem>) {
    let resolver = Resolver {
        folder,
        problems,
        elsewhere: RefCell::default(),
        limit_sources: RefCell::default(),
        about_ponds: RefCell::default(),
        ponds: RefCell::default(),
        probes: RefCell::default(),
        without_salt: RefCell::default(),
        probe_ids: RefCell::default(),
        aerators_told: RefCell::default(),
        oxygen_every: RefCell::default(),
        ponds_unread: raw
            .pond
            .as_ref()
            .is_none_or(|list| list.value.iter().any(|pond| pond.value.id.is_none())),
        profiles: RefCell::default(),
        clients: RefCell::default(),
        standard_offset_s: raw
            .farm
            .as_ref()
            .and_then(|farm| farm.value.time_zone.as_ref())
            .and_then(|zone| standard_offset_s(&zone.value))
            .unwrap_or(0),
    };
    let farm = resolver.farm(raw);
    (farm, resolver.elsewhere.into_inner())
}

/// Pond, aerator group and quantity.
type ToldAerator = (u16, u16, &'static str);

/// What later parts need to know of a pond.
#[derive(Debug, Clone)]
struct KnownPond {
    index: PondIndex,
    id: At<String>,
    aerators: Vec<String>,
}

struct Resolver<'a> {
    folder: &'a Path,
    problems: &'a Problems,
    /// Problems of other files: limits, probe profiles.
    elsewhere: RefCell<Vec<Problem>>,
    /// Where the limits of each pond come from, in the order of the ponds.
    limit_sources: RefCell<Vec<super::farm::LimitSources>>,
    about_ponds: RefCell<Vec<super::farm::AboutPond>>,
    ponds: RefCell<Vec<KnownPond>>,
    /// Per pond, how often each of its oxygen probes reports.
    oxygen_every: RefCell<HashMap<PondIndex, Vec<At<Duration>>>>,
    /// Whether some pond has no readable id: a probe may then mean that one.
    ponds_unread: bool,
    probes: RefCell<Vec<Probe>>,
    /// Oxygen probes that do not follow salt: their ponds, and where that is said.
    without_salt: RefCell<Vec<(KnownPond, At<f64>)>>,
    probe_ids: RefCell<HashMap<String, Range<usize>>>,
    /// Pond, aerator and quantity that a probe already tells about.
    aerators_told: RefCell<HashMap<ToldAerator, Range<usize>>>,
    /// Profiles read so far; `None` for one that has problems.
    profiles: RefCell<HashMap<String, Option<Profile>>>,
    /// From UTC to farm time without summer time, seconds.
    standard_offset_s: i32,
    /// Host, port and client id of connections so far.
    clients: RefCell<HashMap<(String, i64, String), Range<usize>>>,
}

impl Resolver<'_> {
    fn farm(&self, raw: &RawFarm) -> Option<Farm> {
        // Everything is looked at before the first `?`, so that all problems are found together.
        let gateway =
            raw.farm.as_ref().and_then(|farm| farm.value.gateway.as_ref()).map(|at| at.value.clone());
        let farm = raw.farm.as_ref().and_then(|at| self.farm_table(&at.value));
        let store = raw.store.as_ref().and_then(|at| self.store(&at.value));
        let local = raw.local.as_ref().and_then(|at| self.local(&at.value));
        let ponds = self.all_ponds(raw);
        let gateway_id = gateway.as_deref().unwrap_or("gateway");
        let (mut ids, mut devices) = (HashMap::new(), HashMap::new());
        let buses = self.all_buses(raw.bus.as_ref(), &mut ids, &mut devices);
        let lines = self.all_lines(raw.line.as_ref(), &mut ids, &mut devices);
        let brokers = self.all_brokers(raw.broker.as_ref(), gateway_id);
        let destinations = self.all_destinations(raw.destination.as_ref(), gateway_id);
        let products = self.all_products(raw.product.as_ref());
        let has_destination = raw.destination.as_ref().is_some_and(|list| !list.value.is_empty());
        let annunciation = self.annunciation(
            raw.annunciation.as_ref(),
            buses.as_deref().unwrap_or_default(),
            has_destination,
        );
        let metrics = raw.metrics.as_ref().map(|at| self.metrics(&at.value));
        let known = destinations.as_deref().unwrap_or_default();
        let commands = raw.commands.as_ref().map(|at| self.commands(&at.value, known, gateway_id));
        self.check_oxygen_intervals(ponds.as_deref().unwrap_or_default());
        // With an oxygen probe that could not be read, the warning would be wrong.
        if !self.problems.any_error() && self.elsewhere.borrow().is_empty() {
            self.warn_of_unwatched_ponds();
            self.warn_of_unmeasured_salt();
        }

        let (site, name, time_zone) = farm?;
        let (annunciation, calls) = annunciation?;
        Some(Farm {
            site: Site { ponds: ponds?, probes: self.probes.borrow().clone(), calls, ..site },
            name,
            time_zone,
            store: store?,
            local: local?,
            buses: buses?,
            lines: lines?,
            brokers: brokers?,
            destinations: destinations?,
            products: products?,
            annunciation,
            outbox: Self::outbox(raw.outbox.as_ref().map(|at| &at.value)),
            machine: Self::machine(raw.machine.as_ref().map(|at| &at.value)),
            metrics: metrics.map_or(Some(None), |address| address.map(Some))?,
            commands: commands.map_or(Some(None), |settings| settings.map(Some))?,
            limit_sources: self.limit_sources.take(),
            about_ponds: self.about_ponds.take(),
        })
    }

    fn farm_table(&self, raw: &RawFarmTable) -> Option<(Site, String, jiff::tz::TimeZone)> {
        let time_zone = raw.time_zone.as_ref().and_then(|at| self.time_zone(at));
        if let (Some((_, Some(offset_s))), Some(longitude)) = (&time_zone, &raw.longitude) {
            self.check_longitude(longitude, *offset_s);
        }
        let site = Site {
            gateway: raw.gateway.as_ref()?.value.clone(),
            latitude_deg: raw.latitude.as_ref()?.value,
            longitude_deg: raw.longitude.as_ref()?.value,
            pressure_hpa: raw.pressure_hpa.as_ref().map_or(PRESSURE_HPA, |at| at.value),
            ponds: Vec::new(),
            probes: Vec::new(),
            summary_every: span(raw.summary_every.as_ref().map_or(SUMMARY_EVERY, |at| at.value)),
            energy_price: raw.energy_price_per_kwh.as_ref().map(|price| EnergyPrice {
                per_kwh: price.value,
                currency: raw.currency.as_ref().map_or_else(String::new, |at| at.value.clone()),
            }),
            calls: CallPlan::default(),
        };
        Some((site, raw.name.as_ref()?.value.clone(), time_zone?.0))
    }

    /// A fixed offset or a name of the time-zone database, and its present offset from UTC in seconds.
    fn time_zone(&self, at: &At<String>) -> Option<(jiff::tz::TimeZone, Option<i32>)> {
        let text = at.value.as_str();
        if let Some(seconds) = fixed_offset_s(text) {
            let offset = jiff::tz::Offset::from_seconds(seconds).ok()?;
            return Some((jiff::tz::TimeZone::fixed(offset), Some(seconds)));
        }
        match jiff::tz::TimeZone::get(text) {
            Ok(zone) => {
                // A date in a fixed year: the check of the longitude must not change with the day.
                let standard =
                    jiff::Timestamp::from_second(1_767_225_600).ok().map(|at| zone.to_offset(at).seconds());
                Some((zone, standard))
            }
            Err(_) => {
                let problem = self.problems.about(
                    at,
                    format!("the time zone {}", super::words::quoted(text)),
                    "an offset from UTC such as \"-05:00\", or a name of this machine's time-zone database such as \
                     \"Asia/Bangkok\"",
                );
                let hint = "use the offset if the machine has no time-zone database";
                self.problems.push(problem.with_hint(hint));
                None
            }
        }
    }

    /// A lost minus sign puts sunset half a day off, and with it every night alarm.
    fn check_longitude(&self, longitude: &At<f64>, offset_s: i32) {
        let by_clock_h = f64::from(offset_s) / 3_600.0;
        let apart_h = hours_apart(longitude.value, offset_s);
        // The widest gap between clock and sun on land is a little over three hours.
        if apart_h.abs() > 4.5 {
            let accepted =
                format!("a longitude near {:.0} degrees, to which that time zone belongs", by_clock_h * 15.0);
            let problem = self.problems.about(
                longitude,
                format!(
                    "{} degrees, where the sun is {:.0} hours from farm time",
                    longitude.value,
                    apart_h.abs()
                ),
                accepted,
            );
            let hint = if (by_clock_h * 15.0 + longitude.value).abs() < 67.5 {
                "west is negative: is the sign wrong?"
            } else {
                "check longitude and time_zone: sunset and all night alarms follow from the longitude"
            };
            self.problems.push(problem.with_hint(hint));
        }
    }

    fn store(&self, raw: &RawStore) -> Option<StoreSettings> {
        Some(StoreSettings {
            path: self.absolute(&raw.path.as_ref()?.value),
            durable_within: raw.durable_within.as_ref().map_or(DURABLE_WITHIN, |at| at.value),
            limits: self.store_limits(raw),
            daily_files: raw.daily_files.as_ref().map(|at| self.absolute(&at.value)),
        })
    }

    fn store_limits(&self, raw: &RawStore) -> Limits {
        let usual = Limits::default();
        let whole = |at: &At<i64>| u64::try_from(at.value).unwrap_or(0);
        Limits {
            raw_days: raw
                .raw_days
                .as_ref()
                .map_or(usual.raw_days, |at| u32::try_from(at.value).unwrap_or(u32::MAX)),
            most_bytes: raw.max_megabytes.as_ref().map_or(usual.most_bytes, |at| whole(at) * 1_000_000),
            card_life_bytes: raw.card_life_terabytes.as_ref().map(|at| (at.value * 1e12) as u64),
        }
    }

    fn local(&self, raw: &RawLocal) -> Option<LocalSettings> {
        let socket = raw.socket.as_ref().and_then(|at| {
            let path = self.absolute(&at.value);
            let length = path.as_os_str().len();
            if length > LONGEST_SOCKET_PATH {
                let found = format!("a socket path of {length} bytes: {}", path.display());
                let accepted =
                    format!("a path of at most {LONGEST_SOCKET_PATH} bytes; the system takes no longer one");
                let problem = self.problems.about(at, found, accepted);
                self.problems.push(problem.with_hint("for example /run/pondreeve/pondreeve.sock"));
                return None;
            }
            Some(path)
        });
        let mode = match &raw.mode {
            None => Some(0o660),
            Some(at) => self.mode(at),
        };
        if let Some(group) = &raw.group
            && matches!(nix::unistd::Group::from_name(&group.value), Ok(None))
        {
            self.problems.push(
                self.problems
                    .about(
                        group,
                        format!("the group `{}`, which this machine does not know", group.value),
                        "a group of the gateway",
                    )
                    .with_hint(format!("on the gateway: groupadd --system {}", group.value))
                    .as_warning(),
            );
        }
        Some(LocalSettings {
            socket: socket?,
            mode: mode?,
            group: raw.group.as_ref().map(|at| at.value.clone()),
            rights: self.rights(raw),
            texts: self.texts(raw),
        })
    }

    fn mode(&self, at: &At<String>) -> Option<u32> {
        let mode =
            u32::from_str_radix(at.value.trim_start_matches("0o"), 8).ok().filter(|mode| *mode <= 0o777);
        match mode {
            Some(mode) if mode & 0o600 == 0o600 => {
                if mode & 0o002 != 0 {
                    let found =
                        format!("the mode {}: anybody on this machine can acknowledge alarms", at.value);
                    self.problems.push(
                        self.problems.about(at, found, "\"660\" with a group of technicians").as_warning(),
                    );
                }
                Some(mode)
            }
            _ => {
                let found = format!("the mode {}", super::words::quoted(&at.value));
                let accepted = "an octal file mode that lets the owner read and write, such as \"660\"";
                self.problems.push(self.problems.about(at, found, accepted));
                None
            }
        }
    }

    /// A relative path counts from the folder of the configuration.
    fn absolute(&self, path: &Path) -> PathBuf {
        self.folder.join(path)
    }

    /// Reports an id that was already taken; `true` if it was free.
    fn claim(&self, taken: &mut HashMap<String, Range<usize>>, id: &At<String>, what: &str) -> bool {
        if let Some(first) = taken.get(&id.value) {
            let problem = self.problems.about(
                id,
                format!("the id `{}` a second time", id.value),
                format!("another {what} id: each is used once"),
            );
            self.problems.push(problem.with_also(first.clone(), "first used here"));
            return false;
        }
        taken.insert(id.value.clone(), id.span.clone());
        true
    }

    /// A file the daemon will need: told now if it is not there, though it may come later.
    fn warn_if_unreadable(&self, at: &At<PathBuf>, path: &Path, what: &str) {
        if let Err(error) = std::fs::File::open(path) {
            let found = format!("{}, which cannot be read now ({error})", path.display());
            self.problems.push(
                self.problems
                    .about(at, found, format!("a file with {what}, readable by the daemon"))
                    .as_warning(),
            );
        } else if what.contains("password") && files::readable_by_others(path) {
            let found = format!("{}, which every user of this machine can read", path.display());
            let problem =
                self.problems.about(at, found, "a file that only the daemon's user can read").as_warning();
            self.problems.push(problem.with_hint(format!("chmod 600 {}", path.display())));
        }
    }
}

/// Whole milliseconds of a length of time; the rules keep it far below the end of the range.
fn span(length: Duration) -> Span {
    Span::from_millis(i64::try_from(length.as_millis()).unwrap_or(i64::MAX))
}

/// By how many hours the clock is ahead of the sun, −12 to 12.
fn hours_apart(longitude_deg: f64, offset_s: i32) -> f64 {
    let by_sun_h = longitude_deg / 15.0;
    let by_clock_h = f64::from(offset_s) / 3_600.0;
    (by_clock_h - by_sun_h + 36.0).rem_euclid(24.0) - 12.0
}

/// Seconds of an offset such as `-05:00`, `+05:30` or `UTC`; `None` if it is none.
fn fixed_offset_s(text: &str) -> Option<i32> {
    if matches!(text, "UTC" | "Z") {
        return Some(0);
    }
    let (sign, rest) = match text.strip_prefix('-') {
        Some(rest) => (-1, rest),
        None => (1, text.strip_prefix('+')?),
    };
    let (hours, minutes) = rest.split_once(':')?;
    if hours.len() != 2
        || minutes.len() != 2
        || !(hours.bytes().chain(minutes.bytes()).all(|byte| byte.is_ascii_digit()))
    {
        return None;
    }
    let (hours, minutes): (i32, i32) = (hours.parse().ok()?, minutes.parse().ok()?);
    (hours <= 14 && minutes < 60).then_some(sign * (hours * 3_600 + minutes * 60))
}

/// From UTC to a zone's standard time, seconds: of January and July the one that has no summer time. In a fixed
/// year, so that a configuration does not mean something else on another day.
fn standard_offset_s(text: &str) -> Option<i32> {
    const JANUARY_AND_JULY: [i64; 2] = [1_767_225_600, 1_782_864_000];
    fixed_offset_s(text).or_else(|| {
        let zone = jiff::tz::TimeZone::get(text).ok()?;
        let offsets = JANUARY_AND_JULY.iter().filter_map(|&second| jiff::Timestamp::from_second(second).ok());
        offsets.map(|at| zone.to_offset(at).seconds()).min()
    })
}

#[cfg(test)]
mod tests {
    use super::{fixed_offset_s, hours_apart, standard_offset_s};

    /// Places whose clock is far from the sun, by an atlas (from memory).
    #[test]
    fn clocks_far_from_the_sun_are_still_clocks() {
        // Kashgar by Beijing time; Kiritimati, a day ahead; Chatham Islands; Apia.
        for (longitude, offset_min, ahead_h) in
            [(76.0, 480, 2.9), (-157.4, 840, 0.5), (-176.5, 765, 0.5), (-171.8, 780, 0.5)]
        {
            let apart = hours_apart(longitude, offset_min * 60);
            assert!((apart - ahead_h).abs() < 0.1, "{longitude}: {apart}");
        }
        // Guayaquil with a lost minus sign.
        assert!(hours_apart(79.9, -5 * 3_600).abs() > 10.0);
    }

    /// Standard offsets as almanacs tell them (from memory).
    #[test]
    fn standard_time_knows_of_no_summer_on_either_half_of_the_earth() {
        for (zone, hours) in [
            ("-05:00", -5),
            ("Asia/Bangkok", 7),
            ("America/Los_Angeles", -8),
            ("America/Santiago", -4),
            ("Australia/Sydney", 10),
        ] {
            assert_eq!(standard_offset_s(zone), Some(hours * 3_600), "{zone}");
        }
        assert_eq!(standard_offset_s("Corvane/Tidewick"), None);
    }

    #[test]
    fn fixed_offsets_are_told_from_names() {
        assert_eq!(fixed_offset_s("-05:00"), Some(-18_000));
        assert_eq!(fixed_offset_s("+05:30"), Some(19_800));
        assert_eq!(fixed_offset_s("UTC"), Some(0));
        for other in ["05:00", "-5:00", "-05", "+15:00", "+05:60", "+é:00", "Asia/Bangkok", ""] {
            assert_eq!(fixed_offset_s(other), None, "{other}");
        }
    }
}
