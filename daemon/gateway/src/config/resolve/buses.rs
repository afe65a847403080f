//! Serial buses and the Modbus probes on them.

use std::collections::HashMap;
use std::ops::Range;
use std::path::PathBuf;
use std::sync::Arc;
use std::time::Duration;

use pondreeve_core::Quantity;
use pondreeve_core::site::{Layer, Node};
use pondreeve_protocol::modbus::Framing;
use pondreeve_protocol::register_map::RegisterMap;

use super::super::farm::{Bus, BusProbe, Parity};
use super::super::profile::Profile;
use super::super::raw::{RawBus, RawBusProbe};
use super::super::reader::At;
use super::super::words::{did_you_mean, host_and_port, listed, quoted};
use super::super::{builtin, bus_load, files, profile};
use super::probes::RawChannel;
use super::{Resolver, span};

const BAUD: u32 = 9_600;
/// Speeds that serial devices have, bits/s (common practice, no source).
const SPEEDS: [u32; 15] = [
    300, 600, 1_200, 2_400, 4_800, 9_600, 14_400, 19_200, 28_800, 38_400, 57_600, 115_200, 230_400, 460_800,
    921_600,
];
const TURNAROUND: Duration = Duration::from_millis(5);
/// Twice what slow pond probes need (common practice, no source).
const TIMEOUT: Duration = Duration::from_millis(500);
const RETRIES: u8 = 2;
/// Above this share of its time a line has no room for retries when a probe falls silent.
const BUSY_SHARE: f64 = 0.7;

impl Resolver<'_> {
    /// `taken` are ids and `devices` paths; lines go on with them.
    pub(super) fn all_buses(
        &self,
        raw: Option<&At<Vec<At<RawBus>>>>,
        taken: &mut HashMap<String, Range<usize>>,
        devices: &mut HashMap<PathBuf, Range<usize>>,
    ) -> Option<Vec<Bus>> {
        let buses: Vec<Option<Bus>> = raw
            .iter()
            .flat_map(|list| &list.value)
            .map(|at| {
                let (id, device) = (at.value.id.as_ref(), at.value.device.as_ref());
                self.claim_line("bus", (id, taken), (device, devices));
                self.bus(&at.value)
            })
            .collect();
        buses.into_iter().collect()
    }

    /// Sees to it that each id and each device is a line's own.
    pub(super) fn claim_line(
        &self,
        what: &'static str,
        (id, ids): (Option<&At<String>>, &mut HashMap<String, Range<usize>>),
        (device, devices): (Option<&At<PathBuf>>, &mut HashMap<PathBuf, Range<usize>>),
    ) {
        if let Some(id) = id {
            self.claim(ids, id, what);
        }
        let Some(device) = device else { return };
        let path = self.absolute(&device.value);
        if let Some(first) = devices.insert(path, device.span.clone()) {
            let found = format!("the device {} a second time", device.value.display());
            let problem = self.problems.about(device, found, "one bus or line for each device");
            self.problems.push(problem.with_also(first, "first used here"));
        }
    }

    fn bus(&self, raw: &RawBus) -> Option<Bus> {
        let framing = raw.framing.as_ref().map_or(Framing::Rtu, |at| at.value);
        let is_ascii = framing == Framing::Ascii;
        let server = self.server_of(raw, framing)?;
        let settings = Bus {
            server,
            framing,
            id: raw.id.as_ref().map(|at| at.value.clone()).unwrap_or_default(),
            device: raw.device.as_ref().map(|at| self.absolute(&at.value)).unwrap_or_default(),
            baud: self.serial_speed(raw.baud.as_ref(), BAUD),
            // Modbus ASCII by default as its specification has it: seven bits, even parity.
            data_bits: match raw.data_bits.as_ref().map(|at| at.value) {
                Some(7) => 7,
                Some(_) => 8,
                None if is_ascii => 7,
                None => 8,
            },
            parity: match raw.parity.as_ref().map(|at| at.value) {
                Some(parity) => parity,
                None if is_ascii => Parity::Even,
                None => Parity::None,
            },
            stop_bits: if raw.stop_bits.as_ref().is_some_and(|at| at.value == 2) { 2 } else { 1 },
            turnaround: raw.turnaround.as_ref().map_or(TURNAROUND, |at| at.value),
            capture: raw.capture.as_ref().map(|at| self.absolute(&at.value)),
            probes: Vec::new(),
        };
        let list = raw.probe.as_ref()?;
        if list.value.is_empty() {
            self.problems.push(self.problems.about(
                list,
                "a bus without probes",
                "at least one `[[bus.probe]]`",
            ));
            return None;
        }
        let on_mains = raw.on_mains.as_ref().is_some_and(|at| at.value);
        let probes: Vec<Option<BusProbe>> =
            list.value.iter().map(|at| self.bus_probe(&at.value, &settings, on_mains)).collect();
        self.check_addresses(&list.value);
        let bus = Bus { probes: probes.into_iter().collect::<Option<_>>()?, ..settings };
        self.check_load(raw, &bus);
        raw.id.is_some().then_some(bus)
    }

    /// The serial server of a line, if it has one: `None` on a problem.
    #[expect(clippy::option_option, reason = "outer: sound or not; inner: a server or none")]
    fn server_of(&self, raw: &RawBus, framing: Framing) -> Option<Option<(String, u16)>> {
        let refuse = |at: &At<()>, found: &str, accepted: &str| {
            self.problems.push(self.problems.about(at, found, accepted));
            None
        };
        if let Some(bits) = raw.data_bits.as_ref().filter(|at| at.value == 7 && framing != Framing::Ascii) {
            return refuse(&bits.with(()), "7 data bits", "8, or 7 with `framing = \"ascii\"`");
        }
        let server = match (&raw.device, &raw.server) {
            (Some(_), None) if framing == Framing::Tcp => {
                let at = raw.framing.as_ref().map_or_else(|| raw.at.clone(), |at| at.with(()));
                return refuse(
                    &at,
                    "Modbus TCP on a device",
                    "`server` with the host and port of a serial server",
                );
            }
            (Some(_), None) => return Some(None),
            (None, None) => {
                let accepted = "`device` with the adapter, or `server` with a serial server";
                return refuse(&raw.at, "a bus without a device", accepted);
            }
            (Some(_), Some(server)) => {
                let accepted = "`device`, or `server` for a line that a serial server has: one of them";
                return refuse(&server.with(()), "a server beside a device", accepted);
            }
            (None, Some(server)) => server,
        };
        self.refuse_settings(&[
            raw.parity.as_ref().map(|at| at.with(())),
            raw.stop_bits.as_ref().map(|at| at.with(())),
            raw.data_bits.as_ref().map(|at| at.with(())),
        ])?;
        self.server_address(server).map(Some)
    }

    /// A serial server is set at itself: settings beside it are refused.
    pub(super) fn refuse_settings(&self, settings: &[Option<At<()>>; 3]) -> Option<()> {
        let Some(at) = settings.iter().flatten().next() else { return Some(()) };
        let accepted = "no `data_bits`, `parity` and `stop_bits`: they are set on the serial server itself";
        self.problems.push(self.problems.about(at, "a line setting beside `server`", accepted));
        None
    }

    /// Host and port of a serial server.
    pub(super) fn server_address(&self, server: &At<String>) -> Option<(String, u16)> {
        let parts = host_and_port(&server.value);
        if parts.is_none() {
            let found = format!("the server {}", quoted(&server.value));
            let accepted = "host and port, such as \"192.168.1.50:502\"";
            self.problems.push(self.problems.about(server, found, accepted));
        }
        parts
    }

    fn bus_probe(&self, raw: &RawBusProbe, bus: &Bus, on_mains: bool) -> Option<BusProbe> {
        let pond = self.pond_of(raw.pond.as_ref());
        let map = raw.profile.as_ref().and_then(|at| self.profile(at));
        let poll_every = raw.poll_every.as_ref();
        let timeout = raw.timeout.as_ref().map_or(TIMEOUT, |at| at.value);
        let retries = raw.retries.as_ref().map_or(RETRIES, |at| u8::try_from(at.value).unwrap_or(RETRIES));
        let (id, address, poll_every, map, profile) =
            (raw.id.as_ref()?, raw.address.as_ref()?, poll_every?, map?, raw.profile.as_ref()?);

        let reported = map.registers.iter().map(|register| register.channel.as_str());
        let channels = self.line_channels(reported, raw.aerator.as_ref(), raw.layer.as_ref(), profile);
        // A line whose probes have a battery each is no device that they are lost with.
        let node = on_mains.then(|| Node { id: format!("line-{}", bus.id), is_on_mains: true });
        let index = self.add_probe(
            id,
            (pond.clone().ok().flatten().as_ref(), &bus.id, node),
            poll_every,
            &channels,
            &raw.calibration,
            &raw.quality,
        );
        pond.ok()?;
        let probe = BusProbe {
            probe: index?,
            unit: u8::try_from(address.value).ok()?,
            map,
            poll_every: span(poll_every.value),
            timeout,
            retries,
        };
        let worst = (timeout + bus_load::transaction(bus, &probe)) * (u32::from(retries) + 1);
        if worst >= poll_every.value {
            let found = format!(
                "a poll each {} that can take {} when the probe is silent (timeout {}, {} attempts)",
                humantime::format_duration(poll_every.value),
                humantime::format_duration(rounded(worst)),
                humantime::format_duration(timeout),
                u32::from(retries) + 1
            );
            let problem =
                self.problems.about(poll_every, found, "a poll interval longer than timeout × (retries + 1)");
            self.problems.push(problem.with_hint("poll less often, or make timeout or retries smaller"));
            return None;
        }
        Some(probe)
    }

    /// What a probe on a line reports, by the channels of its profile. An aerator that none of them tells about is
    /// refused.
    pub(super) fn line_channels<'r, 'p>(
        &self,
        reported: impl Iterator<Item = &'p str>,
        aerator: Option<&'r At<String>>,
        layer: Option<&At<Layer>>,
        profile: &At<String>,
    ) -> Vec<RawChannel<'r>> {
        let channel = |id: &str| {
            let quantity = Quantity::from_id(id)?;
            let for_aerator = matches!(quantity, Quantity::AeratorOn | Quantity::AeratorKw);
            let aerator = aerator.filter(|_| for_aerator);
            Some(RawChannel { quantity, aerator, layer: layer.map(|at| at.value), place: profile.with(()) })
        };
        let channels: Vec<RawChannel<'r>> = reported.filter_map(channel).collect();
        if let Some(aerator) = aerator
            && channels.iter().all(|channel| channel.aerator.is_none())
        {
            let found = format!("an aerator on a probe whose profile `{}` reports none", profile.value);
            let accepted = "a profile with `aerator_on` or `aerator_kw`, or no `aerator`";
            self.problems.push(self.problems.about(aerator, found, accepted));
        }
        channels
    }

    /// A register map by name.
    fn profile(&self, at: &At<String>) -> Option<Arc<RegisterMap>> {
        match self.any_profile(at)? {
            Profile::Registers(map) => Some(map),
            other => {
                let found = format!("the profile `{}`, which is for {}", at.value, other.belongs());
                let accepted = "a profile for Modbus; others belong to probes of a `[[line]]`";
                self.problems.push(self.problems.about(at, found, accepted));
                None
            }
        }
    }

    /// A profile by name: from the folder `probes` beside the configuration, or built in.
    pub(super) fn any_profile(&self, at: &At<String>) -> Option<Profile> {
        if let Some(known) = self.profiles.borrow().get(&at.value) {
            return known.clone();
        }
        let read = self.read_profile(at);
        self.profiles.borrow_mut().insert(at.value.clone(), read.clone());
        read
    }

    fn read_profile(&self, at: &At<String>) -> Option<Profile> {
        let file = self.folder.join("probes").join(format!("{}.toml", at.value));
        let text = if file.exists() {
            files::read(&file).map_err(|problem| self.elsewhere.borrow_mut().push(*problem)).ok()?
        } else if let Some(text) = builtin::profile(&at.value) {
            text.to_owned()
        } else {
            let mut known = builtin::profile_names();
            known.extend(files::names_in(&self.folder.join("probes")));
            known.sort();
            known.dedup();
            let names = || known.iter().map(String::as_str);
            let problem = self.problems.about(
                at,
                format!("the profile `{}`, which does not exist", at.value),
                format!(
                    "a profile built in or in {}: {}",
                    self.folder.join("probes").display(),
                    listed(names())
                ),
            );
            let hint = did_you_mean(&at.value, names())
                .unwrap_or_else(|| format!("or write it as {}", file.display()));
            self.problems.push(problem.with_hint(hint));
            return None;
        };
        match profile::parse_any(&text, &file.display().to_string()) {
            Ok(found) if found.id() != at.value => {
                let found = format!("the profile `{}`, whose file calls itself `{}`", at.value, found.id());
                let accepted = format!("`id = \"{}\"` in {}", at.value, file.display());
                self.problems.push(self.problems.about(at, found, accepted));
                None
            }
            Ok(found) => Some(found),
            Err(problems) => {
                self.elsewhere.borrow_mut().extend(problems);
                None
            }
        }
    }

    /// Two devices with one address answer at once and garble each other. Two probes of the configuration
    /// may share one address only as parts of one device: with different registers.
    fn check_addresses(&self, raw: &[At<RawBusProbe>]) {
        let profiles = self.profiles.borrow();
        let map = |probe: &RawBusProbe| match profiles.get(&probe.profile.as_ref()?.value)?.as_ref()? {
            Profile::Registers(map) => Some(Arc::clone(map)),
            _ => None,
        };
        for (index, later) in raw.iter().enumerate() {
            let Some(address) = &later.value.address else { continue };
            for earlier in raw.iter().take(index) {
                let first = earlier.value.address.as_ref().filter(|first| first.value == address.value);
                if let (Some(first), Some(one), Some(two)) = (first, map(&earlier.value), map(&later.value))
                    && shared_register(&one, &two)
                {
                    let problem = self.problems.about(
                        address,
                        format!("address {} a second time on this bus, with the same registers", address.value),
                        "one probe for each address; several only with profiles that read different registers of \
                         one device",
                    );
                    self.problems.push(problem.with_also(first.span.clone(), "first used here"));
                    break;
                }
            }
        }
    }

    /// The speed of a serial line. One that no adapter is set to by habit is most likely mistyped, and a wrong speed
    /// looks like a dead probe.
    pub(super) fn serial_speed(&self, baud: Option<&At<i64>>, usual: u32) -> u32 {
        let Some((at, speed)) = baud.and_then(|at| Some((at, u32::try_from(at.value).ok()?))) else {
            return usual;
        };
        if !SPEEDS.contains(&speed) {
            let nearest = SPEEDS.into_iter().min_by_key(|known| known.abs_diff(speed)).unwrap_or(usual);
            let known: Vec<String> = SPEEDS.iter().map(u32::to_string).collect();
            let accepted = format!("what the probe's manual says, mostly one of {}", known.join(", "));
            let found = format!("{speed} bits/s, which hardly any probe has");
            let problem =
                self.problems.about(at, found, accepted).with_hint(format!("did you mean {nearest}?"));
            self.problems.push(problem.as_warning());
        }
        speed
    }

    fn check_load(&self, raw: &RawBus, bus: &Bus) {
        let share = bus_load::share(bus);
        let place = raw.baud.as_ref().map_or_else(|| raw.at.clone(), |at| at.with(()));
        let percent = share * 100.0;
        let found = format!("polls that need {percent:.0} % of the line's time at {} bits/s", bus.baud);
        if share >= 1.0 {
            let problem = self.problems.about(&place, found, "polls that fit: less than 100 %");
            self.problems.push(
                problem.with_hint("poll less often, raise the baud rate on every probe, or add a second bus"),
            );
        } else if share > BUSY_SHARE {
            let accepted =
                format!("at most {:.0} %, so that retries fit when a probe falls silent", BUSY_SHARE * 100.0);
            self.problems.push(self.problems.about(&place, found, accepted).as_warning());
        }
    }
}

fn shared_register(one: &RegisterMap, two: &RegisterMap) -> bool {
    let spans = |map: &RegisterMap| -> Vec<_> {
        map.registers
            .iter()
            .map(|register| {
                (
                    register.table,
                    register.address,
                    u32::from(register.address) + u32::from(register.number.registers()),
                )
            })
            .collect()
    };
    let others = spans(two);
    spans(one).iter().any(|(table, from, to)| {
        others
            .iter()
            .any(|(other, start, end)| table == other && u32::from(*from) < *end && u32::from(*start) < *to)
    })
}

fn rounded(length: Duration) -> Duration {
    Duration::from_millis(u64::try_from(length.as_millis()).unwrap_or(u64::MAX))
}
