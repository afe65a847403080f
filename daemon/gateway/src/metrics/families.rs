//! The metric families, in OpenMetrics by the `prometheus-client` crate.
//!
//! Names: `pondreeve_`, what it is, the unit last. A quantity is a label, since its id names its unit.

use std::collections::BTreeSet;
use std::fmt;

use pondreeve_core::effect::{AlarmState, Priority};
use pondreeve_core::site::{PondIndex, ProbeIndex};
use pondreeve_core::view::ChannelNow;
use prometheus_client::collector::Collector;
use prometheus_client::encoding::{DescriptorEncoder, EncodeMetric as _};
use prometheus_client::metrics::MetricType;
use prometheus_client::metrics::counter::ConstCounter;
use prometheus_client::metrics::gauge::ConstGauge;
use prometheus_client::registry::Registry;

use super::gather::Found;
use crate::outbox::queue::Standing;
use crate::probes::exchanges::Ended;

/// Everything as text.
pub(super) fn text(found: Found) -> Result<String, fmt::Error> {
    let mut registry = Registry::default();
    registry.register_collector(Box::new(found));
    let mut text = String::new();
    prometheus_client::encoding::text::encode(&mut text, &registry)?;
    Ok(text)
}

type Labels<'a> = Vec<(&'static str, &'a str)>;

/// Name, what it is.
type About = (&'static str, &'static str);

pub(super) fn gauges<'a>(
    encoder: &mut DescriptorEncoder<'_>,
    (name, help): About,
    values: impl IntoIterator<Item = (Labels<'a>, f64)>,
) -> fmt::Result {
    let mut family = encoder.encode_descriptor(name, help, None, MetricType::Gauge)?;
    for (labels, value) in values {
        ConstGauge::new(value).encode(family.encode_family(&labels)?)?;
    }
    Ok(())
}

fn counters<'a>(
    encoder: &mut DescriptorEncoder<'_>,
    (name, help): About,
    values: impl IntoIterator<Item = (Labels<'a>, u64)>,
) -> fmt::Result {
    let mut family = encoder.encode_descriptor(name, help, None, MetricType::Counter)?;
    for (labels, value) in values {
        ConstCounter::new(value).encode(family.encode_family(&labels)?)?;
    }
    Ok(())
}

const PRIORITIES: [(Priority, &str); 3] =
    [(Priority::Critical, "critical"), (Priority::High, "high"), (Priority::Medium, "medium")];

/// All but normal.
const STATES: [AlarmState; 8] = [
    AlarmState::Unacknowledged,
    AlarmState::Acknowledged,
    AlarmState::ReturnedUnacknowledged,
    AlarmState::LatchedUnacknowledged,
    AlarmState::LatchedAcknowledged,
    AlarmState::Shelved,
    AlarmState::Suppressed,
    AlarmState::OutOfService,
];

impl Collector for Found {
    fn encode(&self, mut encoder: DescriptorEncoder<'_>) -> fmt::Result {
        let encoder = &mut encoder;
        let version = [("version", env!("CARGO_PKG_VERSION")), ("gateway", self.farm.site.gateway.as_str())];
        let about = ("pondreeve_build", "The program that runs and the gateway it runs on");
        encoder
            .encode_descriptor(about.0, about.1, None, MetricType::Info)?
            .encode_info(&version.as_slice())?;
        self.readings(encoder)?;
        self.water(encoder)?;
        self.alarms(encoder)?;
        self.lines(encoder)?;
        self.forwarding(encoder)?;
        self.store(encoder)?;
        super::machine::families(encoder, self.machine.as_ref())
    }
}

impl Found {
    fn pond(&self, pond: Option<PondIndex>) -> &str {
        pond.and_then(|pond| self.farm.site.ponds.get(usize::from(pond.0))).map_or("", |pond| &pond.id)
    }

    /// Id of a probe and of the bus or broker it hangs on; empty for what a person entered.
    fn probe(&self, probe: Option<ProbeIndex>) -> (&str, &str) {
        let probe = probe.and_then(|probe| self.farm.site.probes.get(usize::from(probe.0)));
        probe.map_or(("", ""), |probe| (&probe.id, &probe.link))
    }

    fn channel(&self, channel: &ChannelNow) -> Labels<'_> {
        let mut labels = vec![
            ("pond", self.pond(channel.pond)),
            ("probe", self.probe(channel.probe).0),
            ("quantity", channel.quantity.id()),
        ];
        let pond = channel.pond.and_then(|pond| self.farm.site.ponds.get(usize::from(pond.0)));
        let group = pond.zip(channel.aerator).and_then(|(pond, group)| pond.aerators.get(usize::from(group)));
        labels.extend(group.map(|group| ("aerator", group.id.as_str())));
        labels
    }

    fn readings(&self, encoder: &mut DescriptorEncoder<'_>) -> fmt::Result {
        // No two of one name may have the same labels, whatever the configuration lets through.
        let mut seen = BTreeSet::new();
        let channels: Vec<(Labels<'_>, &ChannelNow)> = self
            .channels
            .iter()
            .map(|channel| (self.channel(channel), channel))
            .filter(|(labels, _)| seen.insert(labels.clone()))
            .collect();
        gauges(
            encoder,
            (
                "pondreeve_reading",
                "Newest corrected value, in the unit that the quantity names, where its flag is 1, 2 or 3",
            ),
            channels.iter().filter_map(|(labels, channel)| Some((labels.clone(), channel.value?))),
        )?;
        gauges(
            encoder,
            ("pondreeve_reading_flag", "QARTOD flag: 1 pass, 2 not evaluated, 3 suspect, 4 fail, 9 missing"),
            channels.iter().map(|(labels, channel)| (labels.clone(), f64::from(channel.flag.code()))),
        )?;
        let age = |channel: &ChannelNow| (self.now - channel.at).as_millis().max(0) as f64 / 1_000.0;
        gauges(
            encoder,
            ("pondreeve_reading_age_seconds", "Time since it was measured, or since one is awaited"),
            channels.iter().map(|(labels, channel)| (labels.clone(), age(channel))),
        )
    }

    fn water(&self, encoder: &mut DescriptorEncoder<'_>) -> fmt::Result {
        let ponds = || self.view.iter().flat_map(|view| &view.ponds);
        let derived = || ponds().flat_map(|pond| &pond.derived);
        let labels = |pond, quantity| vec![("pond", self.pond(Some(pond))), ("quantity", quantity)];
        gauges(
            encoder,
            ("pondreeve_derived", "Newest derived value, in the unit that the quantity names"),
            derived().map(|own| (labels(own.pond, own.quantity.id()), own.value)),
        )?;
        gauges(
            encoder,
            ("pondreeve_derived_flag", "Worst QARTOD flag of what the derived value rests on"),
            derived().map(|own| (labels(own.pond, own.quantity.id()), f64::from(own.flag.code()))),
        )?;
        let forecasts = ponds().filter_map(|pond| Some((pond.pond, pond.forecast.as_ref()?)));
        gauges(
            encoder,
            ("pondreeve_forecast_do_min_mg_l", "Tonight's lowest oxygen as forecast, with its 80 % interval"),
            forecasts.flat_map(|(pond, forecast)| {
                let bounds = [
                    ("expected", forecast.do_min_mg_l),
                    ("low_80", forecast.low_80),
                    ("high_80", forecast.high_80),
                ];
                bounds.map(|(bound, value)| (vec![("pond", self.pond(Some(pond))), ("bound", bound)], value))
            }),
        )?;
        let scores = || ponds().filter_map(|pond| Some((pond.pond, pond.forecast_score?)));
        let of_pond = |pond| vec![("pond", self.pond(Some(pond)))];
        gauges(
            encoder,
            (
                "pondreeve_forecast_error_mg_l",
                "Mean absolute error of the last nights' forecasts of the lowest oxygen",
            ),
            scores().map(|(pond, score)| (of_pond(pond), score.mean_error_mg_l)),
        )?;
        gauges(
            encoder,
            ("pondreeve_forecast_bias_mg_l", "Mean error of the same, with its sign"),
            scores().map(|(pond, score)| (of_pond(pond), score.bias_mg_l)),
        )?;
        gauges(
            encoder,
            ("pondreeve_forecast_nights", "Nights that the error and the bias are of"),
            scores().map(|(pond, score)| (of_pond(pond), score.nights as f64)),
        )
    }

    fn alarms(&self, encoder: &mut DescriptorEncoder<'_>) -> fmt::Result {
        let all = self.view.iter().flat_map(|view| {
            PRIORITIES.into_iter().flat_map(|(priority, name)| {
                STATES.map(|state| {
                    let same = view.alarms.iter().filter(|a| a.priority == priority && a.state == state);
                    (vec![("priority", name), ("state", state.id())], same.count() as f64)
                })
            })
        });
        gauges(encoder, ("pondreeve_alarms", "Alarms by priority and state, as ISA-18.2 names them"), all)?;
        let one = |yes: bool| if yes { 1.0 } else { 0.0 };
        let view = || self.view.iter();
        gauges(
            encoder,
            ("pondreeve_horn_sounding", "1 while the horn should sound"),
            view().map(|view| (Vec::new(), one(view.horn))),
        )?;
        gauges(
            encoder,
            ("pondreeve_alarm_flood", "1 while more alarms come than anybody can read"),
            view().map(|view| (Vec::new(), one(view.flood_since.is_some()))),
        )?;
        gauges(
            encoder,
            ("pondreeve_gateway_faults", "Faults of the gateway itself that stand"),
            view().map(|view| (Vec::new(), view.faults.len() as f64)),
        )
    }

    fn lines(&self, encoder: &mut DescriptorEncoder<'_>) -> fmt::Result {
        let labels = |probe| {
            let (id, link) = self.probe(Some(probe));
            vec![("link", link), ("probe", id)]
        };
        counters(
            encoder,
            ("pondreeve_probe_answers", "Polls and messages that gave all that was asked of them"),
            self.counts.answers.iter().map(|(probe, count)| (labels(*probe), *count)),
        )?;
        counters(
            encoder,
            (
                "pondreeve_probe_errors",
                "Polls and messages that did not: silent, garbled, exception, undecodable, unreachable",
            ),
            self.counts.errors.iter().map(|((probe, kind), count)| {
                let mut labels = labels(*probe);
                labels.push(("kind", kind));
                (labels, *count)
            }),
        )?;
        let devices = || self.counts.devices.iter().map(|(probe, own)| (labels(*probe), own));
        counters(
            encoder,
            ("pondreeve_probe_requests_answered", "Requests to probes on lines that were answered"),
            devices().map(|(labels, own)| (labels, own.answers)),
        )?;
        counters(
            encoder,
            (
                "pondreeve_probe_requests_failed",
                "Requests to probes on lines that were not: time_out, checksum, wrong_address, exception, garbled",
            ),
            devices().flat_map(|(labels, own)| {
                Ended::ALL.map(|how| {
                    let mut labels = labels.clone();
                    labels.push(("ended", how.id()));
                    (labels, own.failed(how))
                })
            }),
        )?;
        gauges(
            encoder,
            ("pondreeve_probe_latency_seconds", "What half and 95 % of the newest answers did not exceed"),
            devices().flat_map(|(labels, own)| {
                [("0.5", 0.5), ("0.95", 0.95)].into_iter().filter_map(move |(name, share)| {
                    let mut labels = labels.clone();
                    labels.push(("share", name));
                    Some((labels, own.latency(share)?.as_secs_f64()))
                })
            }),
        )?;
        gauges(
            encoder,
            ("pondreeve_probe_last_good_age_seconds", "Time since a poll last gave all that was asked"),
            devices().filter_map(|(labels, own)| {
                Some((labels, (self.now - own.last_good?).as_millis().max(0) as f64 / 1_000.0))
            }),
        )?;
        counters(
            encoder,
            ("pondreeve_link_failures", "How often a bus or a broker failed as a whole"),
            self.counts
                .link_failures
                .iter()
                .map(|((part, link), count)| (vec![("part", *part), ("link", link.as_str())], *count)),
        )
    }

    fn forwarding(&self, encoder: &mut DescriptorEncoder<'_>) -> fmt::Result {
        let of = |id| vec![("destination", id)];
        let all = || self.destinations.iter().map(|own| (of(own.id.as_str()), own));
        gauges(
            encoder,
            ("pondreeve_forward_waiting", "Messages that the destination has not confirmed yet"),
            all().map(|(labels, own)| (labels, own.waiting as f64)),
        )?;
        gauges(
            encoder,
            ("pondreeve_forward_connected", "1 while the destination is connected"),
            all().map(|(labels, own)| (labels, if own.connected { 1.0 } else { 0.0 })),
        )?;
        counters(
            encoder,
            ("pondreeve_forward_confirmed", "Messages that the destination confirmed since the start"),
            all().map(|(labels, own)| (labels, own.confirmed)),
        )?;
        let late =
            |own: &Standing| own.oldest_at.map(|at| (self.now - at).as_millis().max(0) as f64 / 1_000.0);
        gauges(
            encoder,
            (
                "pondreeve_forward_oldest_age_seconds",
                "Age of the oldest message that is not confirmed; 0 for none",
            ),
            all().map(|(labels, own)| (labels, late(own).unwrap_or(0.0))),
        )?;
        gauges(
            encoder,
            ("pondreeve_outbox_bytes", "Room that all messages take that some destination has not confirmed"),
            [(Vec::new(), self.outbox_bytes as f64)],
        )?;
        counters(
            encoder,
            (
                "pondreeve_outbox_thinned",
                "Messages merged into others or given up for want of room, since the start",
            ),
            [(Vec::new(), self.thinned)],
        )
    }

    fn store(&self, encoder: &mut DescriptorEncoder<'_>) -> fmt::Result {
        gauges(
            encoder,
            ("pondreeve_store_size_bytes", "Size of all files of the store"),
            self.store_bytes.map(|bytes| (Vec::new(), bytes as f64)),
        )?;
        counters(
            encoder,
            ("pondreeve_store_written_bytes", "Bytes written to the store's disk in its life, as counted"),
            self.store_written_bytes.map(|bytes| (Vec::new(), bytes)),
        )
    }
}
