//! Effects as messages.
//!
//! A summary is a SenML pack. Base name `pondreeve/<gateway>/<pond>/`, base time the end of the interval.
//! First `sequence` and `interval` (s), then for each quantity with usable readings `<id>/mean`, `/minimum`,
//! `/maximum`, `/last`, and for each quantity `/usable` and `/doubtful` (readings), then
//! `alarms/critical`, `/high`, `/medium` (alarms standing at the end of the interval).
//!
//! Values carry two decimals more than a person is shown. They are in the unit that the quantity's id names. Where SenML's registry or its secondary units
//! (RFC 8798) have that unit it is given by that code: `Cel`, `pH`, `m`, `cm`, `hPa`, `mV`, `kW`, `NTU`,
//! `/100` for percent. Milligrams per litre are not registered and are given in UCUM, `mg/L`; so are the
//! rest. Practical salinity and on/off have no unit.

use std::collections::BTreeMap;

use bytes::Bytes;
use pondreeve_core::call::Call;
use pondreeve_core::effect::{AlarmChange, QuantitySummary, Summary};
use pondreeve_core::site::PondIndex;
use pondreeve_core::{Effect, Quantity, Site, Timestamp};
use pondreeve_protocol::senml::{Pack, Record};
use serde::Serialize;

use crate::cli::At;

/// One message.
#[derive(Debug, Clone, PartialEq, Eq)]
pub(super) struct Message {
    pub(super) topic: String,
    pub(super) payload: Bytes,
    /// Farm time of the effect it came from.
    pub(super) at: Timestamp,
    /// Whether it makes way first when there is no room: a later summary tells most of an earlier one.
    pub(super) may_be_dropped: bool,
}

/// Topics and names of one farm.
#[derive(Debug)]
pub(super) struct Topics {
    gateway: String,
    ponds: BTreeMap<PondIndex, String>,
}

impl Topics {
    pub(super) fn of(site: &Site) -> Self {
        let ponds = (0..).map(PondIndex).zip(site.ponds.iter().map(|pond| pond.id.clone())).collect();
        Self { gateway: site.gateway.clone(), ponds }
    }

    /// Where the gateway says that it is there.
    pub(super) fn health(&self) -> String {
        format!("pondreeve/{}/health", self.gateway)
    }

    /// The message an effect becomes, if it becomes one.
    pub(super) fn message(&self, effect: &Effect) -> Option<Message> {
        match effect {
            Effect::Summary(summary) => self.summary(summary),
            Effect::AlarmChanged(change) => self.alarm(change),
            Effect::Call(call) => Some(self.call(call)),
            _ => None,
        }
    }

    fn summary(&self, summary: &Summary) -> Option<Message> {
        let base = format!("pondreeve/{}/{}", self.gateway, self.ponds.get(&summary.pond)?);
        let payload = match pack(&base, summary).encode() {
            Ok(text) => text,
            Err(error) => {
                // Ids are checked by the configuration and values by the core; if one slips through
                // the pond is still watched, and the log says what to mend.
                tracing::error!("summary {} of {base} cannot be forwarded: {error}", summary.sequence);
                return None;
            }
        };
        Some(Message {
            topic: format!("{base}/summary"),
            payload: payload.into(),
            at: summary.to,
            may_be_dropped: true,
        })
    }

    fn alarm(&self, change: &AlarmChange) -> Option<Message> {
        let line = AlarmMessage {
            gateway: &self.gateway,
            pond: change.pond.and_then(|pond| self.ponds.get(&pond)).map(String::as_str),
            at: At(change.at),
            id: &change.id,
            name: &change.name,
            priority: change.priority.number(),
            state: change.state.id(),
            previous_state: change.previous_state.id(),
            message: &change.message,
            by: change.by.as_deref(),
            shelved_until: change.shelf.as_ref().map(|shelf| At(shelf.until)),
            reason: change.shelf.as_ref().map(|shelf| shelf.reason.as_str()),
            root: change.root.as_deref(),
        };
        let payload = match serde_json::to_vec(&line) {
            Ok(payload) => payload,
            Err(error) => {
                tracing::error!("alarm {} cannot be forwarded: {error}", change.id);
                return None;
            }
        };
        let topic = format!("pondreeve/{}/alarm", self.gateway);
        Some(Message { topic, payload: payload.into(), at: change.at, may_be_dropped: false })
    }
}

impl Topics {
    fn call(&self, call: &Call) -> Message {
        let pond = |pond| self.ponds.get(&pond).map(String::as_str);
        let payload = crate::annunciate::message::json(&self.gateway, pond, call);
        let topic = format!("pondreeve/{}/call", self.gateway);
        Message { topic, payload: payload.into(), at: call.at, may_be_dropped: false }
    }
}

#[derive(Serialize)]
struct AlarmMessage<'a> {
    gateway: &'a str,
    pond: Option<&'a str>,
    at: At,
    id: &'a str,
    name: &'a str,
    priority: u8,
    state: &'a str,
    previous_state: &'a str,
    message: &'a str,
    by: Option<&'a str>,
    #[serde(skip_serializing_if = "Option::is_none")]
    shelved_until: Option<At>,
    #[serde(skip_serializing_if = "Option::is_none")]
    reason: Option<&'a str>,
    #[serde(skip_serializing_if = "Option::is_none")]
    root: Option<&'a str>,
}

fn pack(base: &str, summary: &Summary) -> Pack {
    let seconds = |ms: i64| ms as f64 / 1_000.0;
    let mut records = vec![
        Record {
            base_name: Some(format!("{base}/")),
            base_time: Some(seconds(summary.to.as_millis())),
            name: Some("sequence".to_owned()),
            unit: Some("count".to_owned()),
            value: Some(summary.sequence as f64),
            ..Record::default()
        },
        record("interval".to_owned(), "s", seconds((summary.to - summary.from).as_millis())),
    ];
    for quantity in &summary.quantities {
        quantity_records(quantity, &mut records);
    }
    for (name, standing) in ["critical", "high", "medium"].into_iter().zip(summary.alarms_standing) {
        records.push(record(format!("alarms/{name}"), "count", f64::from(standing)));
    }
    Pack(records)
}

fn quantity_records(of: &QuantitySummary, records: &mut Vec<Record>) {
    let (id, unit) = (of.quantity.id(), unit(of.quantity));
    if of.usable > 0 {
        for (statistic, value) in
            [("mean", of.mean), ("minimum", of.minimum), ("maximum", of.maximum), ("last", of.last)]
        {
            records.push(record(format!("{id}/{statistic}"), unit, rounded(of.quantity, value)));
        }
    }
    for (statistic, readings) in [("usable", of.usable), ("doubtful", of.doubtful)] {
        records.push(record(format!("{id}/{statistic}"), "count", f64::from(readings)));
    }
}

/// Two decimals more than a person is shown: below that there is only noise, and noise costs airtime.
fn rounded(quantity: Quantity, value: f64) -> f64 {
    let places = i32::try_from(quantity.decimals() + 2).unwrap_or(0);
    let factor = 10_f64.powi(places);
    let scaled = (value * factor).round() / factor;
    if scaled.is_finite() { scaled } else { value }
}

fn record(name: String, unit: &str, value: f64) -> Record {
    let unit = (!unit.is_empty()).then(|| unit.to_owned());
    Record { name: Some(name), unit, value: Some(value), ..Record::default() }
}

/// The code of the unit that the quantity's id names.
pub(crate) fn unit(quantity: Quantity) -> &'static str {
    match quantity {
        Quantity::TemperatureC => "Cel",
        Quantity::Ph | Quantity::SludgePh | Quantity::PhSwing => "pH",
        Quantity::DoSaturationPercent => "/100",
        Quantity::ParUmolM2S => "umol/m2/s",
        // The rest is spelt the same for people and in SenML or UCUM: mg/L, hPa, m, cm, mV, NTU, kW.
        // Salinity is practical salinity, a number without a unit.
        Quantity::SalinityPsu => "",
        other => other.unit(),
    }
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn values_are_rounded_below_what_can_be_measured() {
        assert_eq!(rounded(Quantity::DoMgL, 6.946_399_569), 6.946_4);
        assert_eq!(rounded(Quantity::DoSaturationPercent, 23.033_515_19), 23.03);
        assert_eq!(rounded(Quantity::Nh3NMgL, 0.069_326_85), 0.069_33);
        assert_eq!(rounded(Quantity::DoMgL, 1e308), 1e308);
    }

    #[test]
    fn every_unit_is_one_that_senml_can_carry() {
        // RFC 8428 section 12.1 and RFC 8798: registered codes in use here. UCUM: the others.
        let registered = ["Cel", "pH", "m", "hPa", "NTU", "mV", "cm", "kW", "/100", ""];
        let ucum = ["mg/L", "mS/cm", "umol/m2/s", "mg/L/h"];
        for &quantity in Quantity::ALL {
            let unit = unit(quantity);
            assert!(registered.contains(&unit) || ucum.contains(&unit), "{}: {unit}", quantity.id());
        }
    }
}
