//! Every probe as its line or broker sees it: what became of the requests, how fast it answers, when it last did, and
//! what it reads.

use pondreeve_core::Timestamp;
use pondreeve_core::view::ChannelNow;
use serde::{Deserialize, Serialize};

use super::status::rfc3339;
use crate::config::Farm;
use crate::probes::exchanges::Ended;
use crate::probes::tally::Counts;

/// One probe since the daemon started.
#[derive(Debug, Clone, PartialEq, Serialize, Deserialize)]
pub struct DeviceStatus {
    /// Its id.
    pub probe: String,
    /// Its pond, if it stands in one.
    pub pond: Option<String>,
    /// The bus, line or broker it hangs on.
    pub link: String,
    /// Polls, or messages of a probe that sends by itself.
    pub polls: u64,
    /// Those that gave all that was asked.
    pub good_polls: u64,
    /// Requests that were answered; a poll is one or several.
    pub answers: u64,
    /// Requests without an answer in time.
    pub time_outs: u64,
    /// Answers whose checksum was wrong.
    pub checksum_errors: u64,
    /// Answers of another device.
    pub wrong_addresses: u64,
    /// Refusals.
    pub exceptions: u64,
    /// Other answers that were none.
    pub garbled: u64,
    /// Half of the newest answers took no longer, ms.
    pub latency_p50_ms: Option<f64>,
    /// 95 % of the newest answers took no longer, ms.
    pub latency_p95_ms: Option<f64>,
    /// When a poll last gave all that was asked; RFC 3339, UTC.
    pub last_good: Option<String>,
    /// Newest values: quantity id, value, QARTOD flag, seconds since it was measured.
    pub readings: Vec<(String, Option<f64>, u8, i64)>,
}

/// Every probe of the farm, in the order of the configuration.
pub(super) fn devices(
    farm: &Farm,
    counts: &Counts,
    now: Timestamp,
    channels: &[ChannelNow],
) -> Vec<DeviceStatus> {
    let probes = (0_u16..).map(pondreeve_core::site::ProbeIndex).zip(&farm.site.probes);
    let told = probes.map(|(index, probe)| {
        let device = counts.devices.get(&index);
        let failed = |how| device.map_or(0, |own| own.failed(how));
        let ms = |share| Some(device?.latency(share)?.as_secs_f64() * 1_000.0);
        // A probe that sends by itself is not asked: its messages are its polls.
        let messages = counts.answers.get(&index).copied().unwrap_or_default();
        let wrong: u64 =
            counts.errors.iter().filter(|((own, _), _)| *own == index).map(|(_, count)| count).sum();
        let pond = probe.pond.and_then(|pond| farm.site.ponds.get(usize::from(pond.0)));
        let own = channels.iter().filter(|channel| channel.probe == Some(index));
        DeviceStatus {
            probe: probe.id.clone(),
            pond: pond.map(|pond| pond.id.clone()),
            link: probe.link.clone(),
            polls: device.map_or(messages + wrong, |own| own.polls),
            good_polls: device.map_or(messages, |own| own.good_polls),
            answers: device.map_or(messages, |own| own.answers),
            time_outs: failed(Ended::TimedOut),
            checksum_errors: failed(Ended::Checksum),
            wrong_addresses: failed(Ended::OtherAddress),
            exceptions: failed(Ended::Refused),
            garbled: failed(Ended::Garbled),
            latency_p50_ms: ms(0.5),
            latency_p95_ms: ms(0.95),
            last_good: device.and_then(|own| own.last_good).map(rfc3339),
            readings: own
                .map(|channel| {
                    let age_s = (now - channel.at).as_millis().max(0) / 1_000;
                    (channel.quantity.id().to_owned(), channel.value, channel.flag.code(), age_s)
                })
                .collect(),
        }
    });
    told.collect()
}
