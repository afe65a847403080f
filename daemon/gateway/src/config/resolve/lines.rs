//! Lines on which probes speak text.

use std::collections::HashMap;
use std::ops::Range;
use std::path::PathBuf;
use std::time::Duration;

use pondreeve_core::site::Node;
use pondreeve_protocol::reported::Reported;

use super::super::farm::{LineKind, LineProbe, Parity, Spoken, TextLine, Wake};
use super::super::profile::Profile;
use super::super::raw::{RawLine, RawLineProbe};
use super::super::reader::At;
use super::super::words::quoted;
use super::{Resolver, span};

const TURNAROUND: Duration = Duration::from_millis(5);
const TIMEOUT: Duration = Duration::from_millis(500);
/// Tries of an SDI-12 command beside the first: three in all.
const RETRIES: u8 = 2;

impl Resolver<'_> {
    /// `ids` and `devices` are those that buses have taken.
    pub(super) fn all_lines(
        &self,
        raw: Option<&At<Vec<At<RawLine>>>>,
        ids: &mut HashMap<String, Range<usize>>,
        devices: &mut HashMap<PathBuf, Range<usize>>,
    ) -> Option<Vec<TextLine>> {
        let lines: Vec<Option<TextLine>> = raw
            .iter()
            .flat_map(|list| &list.value)
            .map(|at| {
                let (id, device) = (at.value.id.as_ref(), at.value.device.as_ref());
                self.claim_line("line or bus", (id, ids), (device, devices));
                self.line(&at.value)
            })
            .collect();
        lines.into_iter().collect()
    }

    fn line(&self, raw: &RawLine) -> Option<TextLine> {
        let kind = raw.kind.as_ref()?.value;
        let is_sdi12 = kind == LineKind::Sdi12;
        let server = self.place_of(raw)?;
        if let Some(wake) = raw.wake.as_ref().filter(|_| !is_sdi12) {
            self.problems.push(self.problems.about(
                wake,
                "`wake` on a line of text",
                "it with `kind = \"sdi12\"` alone",
            ));
            return None;
        }
        let by_server = server.is_some();
        let wake =
            raw.wake.as_ref().map_or(if by_server { Wake::Adapter } else { Wake::Break }, |at| at.value);
        if let Some(at) = raw.wake.as_ref().filter(|at| by_server && at.value == Wake::Break) {
            let accepted = "\"adapter\": what wakes the sensors cannot be sent through a network";
            self.problems.push(self.problems.about(at, "`wake = \"break\"` on a serial server", accepted));
            return None;
        }
        let seven = raw.data_bits.as_ref().map_or(is_sdi12, |at| at.value == 7);
        let settings = TextLine {
            id: raw.id.as_ref().map(|at| at.value.clone()).unwrap_or_default(),
            kind,
            device: raw.device.as_ref().map(|at| self.absolute(&at.value)).unwrap_or_default(),
            server,
            baud: self.serial_speed(raw.baud.as_ref(), if is_sdi12 { 1_200 } else { 9_600 }),
            data_bits: if seven { 7 } else { 8 },
            parity: raw
                .parity
                .as_ref()
                .map_or(if is_sdi12 && seven { Parity::Even } else { Parity::None }, |at| at.value),
            stop_bits: if raw.stop_bits.as_ref().is_some_and(|at| at.value == 2) { 2 } else { 1 },
            wake,
            turnaround: raw.turnaround.as_ref().map_or(TURNAROUND, |at| at.value),
            capture: raw.capture.as_ref().map(|at| self.absolute(&at.value)),
            probes: Vec::new(),
        };
        let list = raw.probe.as_ref()?;
        if list.value.is_empty() {
            let accepted = "at least one `[[line.probe]]`";
            self.problems.push(self.problems.about(list, "a line without probes", accepted));
            return None;
        }
        let on_mains = raw.on_mains.as_ref().is_some_and(|at| at.value);
        let probes: Vec<Option<LineProbe>> =
            list.value.iter().map(|at| self.line_probe(&at.value, &settings, on_mains)).collect();
        self.check_sensors(&list.value, is_sdi12);
        let line = TextLine { probes: probes.into_iter().collect::<Option<_>>()?, ..settings };
        raw.id.is_some().then_some(line)
    }

    /// The serial server of a line, if it has one: `None` on a problem.
    #[expect(clippy::option_option, reason = "outer: sound or not; inner: a server or none")]
    fn place_of(&self, raw: &RawLine) -> Option<Option<(String, u16)>> {
        let refuse = |at: &At<()>, found: &str, accepted: &str| {
            self.problems.push(self.problems.about(at, found, accepted));
            None
        };
        match (&raw.device, &raw.server) {
            (Some(_), None) => Some(None),
            (None, None) => refuse(
                &raw.at,
                "a line without a device",
                "`device` with the adapter, or `server` with a serial server",
            ),
            (Some(_), Some(server)) => refuse(
                &server.with(()),
                "a server beside a device",
                "`device`, or `server` for a line that a serial server has: one of them",
            ),
            (None, Some(server)) => {
                self.refuse_settings(&[
                    raw.parity.as_ref().map(|at| at.with(())),
                    raw.stop_bits.as_ref().map(|at| at.with(())),
                    raw.data_bits.as_ref().map(|at| at.with(())),
                ])?;
                self.server_address(server).map(Some)
            }
        }
    }

    fn line_probe(&self, raw: &RawLineProbe, line: &TextLine, on_mains: bool) -> Option<LineProbe> {
        let pond = self.pond_of(raw.pond.as_ref());
        let profile = raw.profile.as_ref().and_then(|at| self.any_profile(at));
        let (id, poll_every, profile, named) =
            (raw.id.as_ref()?, raw.poll_every.as_ref()?, profile?, raw.profile.as_ref()?);
        let (spoken, values): (Spoken, Vec<&Reported>) = match (&profile, line.kind) {
            (Profile::Sensor(map), LineKind::Sdi12) => {
                let address = self.sensor_address(raw, id)?;
                (Spoken::Sensor(address, map.clone()), map.values.iter().map(|(_, value)| value).collect())
            }
            (Profile::Text(map), LineKind::Text) => {
                if let Some(at) = &raw.address {
                    let accepted = "no address: what a probe is asked with stands in its profile";
                    self.problems.push(self.problems.about(at, "an address on a line of text", accepted));
                    return None;
                }
                (Spoken::Text(map.clone()), map.values.iter().map(|(_, value)| value).collect())
            }
            _ => {
                let kind = if line.kind == LineKind::Sdi12 { "SDI-12" } else { "lines of text" };
                let found = format!("the profile `{}`, which is for {}", named.value, profile.belongs());
                self.problems.push(self.problems.about(named, found, format!("a profile for {kind}")));
                return None;
            }
        };
        let reported = values.iter().map(|value| value.channel.as_str());
        let channels = self.line_channels(reported, raw.aerator.as_ref(), raw.layer.as_ref(), named);
        let node = on_mains.then(|| Node { id: format!("line-{}", line.id), is_on_mains: true });
        let index = self.add_probe(
            id,
            (pond.clone().ok().flatten().as_ref(), &line.id, node),
            poll_every,
            &channels,
            &raw.calibration,
            &raw.quality,
        );
        pond.ok()?;
        // A probe that sends by itself is listened to for as long as it may take.
        let by_itself = matches!(&spoken, Spoken::Text(map) if map.ask.is_none());
        let usual = if by_itself { poll_every.value / 2 } else { TIMEOUT };
        let timeout = raw.timeout.as_ref().map_or(usual, |at| at.value);
        let retries = match raw.retries.as_ref() {
            Some(at) => u8::try_from(at.value).unwrap_or(RETRIES),
            None if by_itself => 0,
            None => RETRIES,
        };
        let worst = timeout * (u32::from(retries) + 1);
        if worst >= poll_every.value {
            let found = format!(
                "a poll each {} that waits for {} when the probe is silent",
                humantime::format_duration(poll_every.value),
                humantime::format_duration(worst)
            );
            let problem =
                self.problems.about(poll_every, found, "a poll interval longer than timeout × (retries + 1)");
            self.problems.push(problem.with_hint("poll less often, or make timeout or retries smaller"));
            return None;
        }
        Some(LineProbe { probe: index?, spoken, poll_every: span(poll_every.value), timeout, retries })
    }

    fn sensor_address(&self, raw: &RawLineProbe, id: &At<String>) -> Option<u8> {
        const ACCEPTED: &str = "one character of 0-9, a-z, A-Z in quotes, such as `address = \"0\"`";
        let Some(at) = &raw.address else {
            self.problems.push(self.problems.about(id, "an SDI-12 sensor without an address", ACCEPTED));
            return None;
        };
        match at.value.as_bytes() {
            [address] if pondreeve_protocol::sdi12::is_address(*address) => Some(*address),
            _ => {
                let found = format!("the address {}", quoted(&at.value));
                self.problems.push(self.problems.about(at, found, ACCEPTED));
                None
            }
        }
    }

    /// Two sensors with one address answer at once; two probes that send by themselves talk into each other.
    fn check_sensors(&self, raw: &[At<RawLineProbe>], is_sdi12: bool) {
        for (index, later) in raw.iter().enumerate() {
            for earlier in raw.iter().take(index) {
                let (one, two) = (&earlier.value, &later.value);
                let same = |a: &Option<At<String>>, b: &Option<At<String>>| match (a, b) {
                    (Some(a), Some(b)) if a.value == b.value => Some(b.clone()),
                    _ => None,
                };
                let address = if is_sdi12 { same(&one.address, &two.address) } else { None };
                // One sensor may be asked for several measurements, each a probe with a profile of its own.
                let at = match (address, same(&one.profile, &two.profile)) {
                    (Some(at), Some(_)) => at,
                    (None, Some(at)) if !is_sdi12 => at,
                    _ => continue,
                };
                let found = if is_sdi12 {
                    format!("address `{}` a second time on this line, with the same profile", at.value)
                } else {
                    format!("the profile `{}` a second time on this line", at.value)
                };
                let accepted = "each probe once: who answers could not be told apart";
                self.problems.push(self.problems.about(&at, found, accepted));
            }
        }
    }
}
