//! Messages as they are sent: topic and payload.
//!
//! A summary is a SenML pack. Base name `pondreeve/<gateway>/<pond>/`, base time the end of the interval.
//! First `sequence` (its number on this gateway), `interval` (s) and `format`, then for each quantity with usable
//! readings `<id>/mean`, `/minimum`, `/maximum`, `/last`, and for each quantity `/usable` and `/doubtful` (readings),
//! then `alarms/critical`, `/high`, `/medium` (alarms standing at the end of the interval), and where several summaries
//! were merged for want of room `merged`, how many. JSON Schemas are in `deploy/schema`.
//!
//! Values carry two decimals more than a person is shown. They are in the unit that the quantity's id names. Where SenML's registry or its secondary units
//! (RFC 8798) have that unit it is given by that code: `Cel`, `pH`, `m`, `cm`, `hPa`, `mV`, `kW`, `NTU`,
//! `/100` for percent. Milligrams per litre are not registered and are given in UCUM, `mg/L`; so are the
//! rest. Practical salinity and on/off have no unit.

use std::fmt::Write as _;

use pondreeve_core::Quantity;
use pondreeve_protocol::senml::{Numbers, Pack, Record, SenmlError};
use serde_json::Value;

use crate::config::farm::Encoding;
use crate::outbox::{Body, Outgoing, PondSummary};

/// Version of the form of all payloads. A field may be added without a new one; none changes its meaning.
const FORMAT: u32 = 1;

/// Topics of one gateway.
#[derive(Debug)]
pub(super) struct Topics {
    gateway: String,
}

/// A message ready to be sent, in room that the next one uses again.
#[derive(Debug, Clone, PartialEq, Eq, Default)]
pub(super) struct Ready {
    pub(super) topic: String,
    pub(super) payload: Vec<u8>,
}

impl Topics {
    pub(super) fn of(gateway: &str) -> Self {
        Self { gateway: gateway.to_owned() }
    }

    /// Where the gateway says that it is there.
    pub(super) fn health(&self) -> String {
        format!("pondreeve/{}/health", self.gateway)
    }

    /// Makes topic and payload of a message.
    ///
    /// # Errors
    /// What of it cannot be encoded. Ids are checked by the configuration and values by the core, so this does not
    /// happen; if it does the pond is still watched, and the log says what to mend.
    pub(super) fn make(
        &self,
        outgoing: &Outgoing,
        encoding: Encoding,
        ready: &mut Ready,
    ) -> Result<(), String> {
        let number = outgoing.number;
        let Ready { topic, payload } = ready;
        topic.clear();
        payload.clear();
        match &outgoing.body {
            Body::Summary(summary) => {
                // Writing into a string does not fail.
                let _ = write!(topic, "pondreeve/{}/{}/", self.gateway, summary.pond);
                match encoding {
                    Encoding::Json => write_json(payload, topic, number, summary),
                    Encoding::Cbor => pack(topic, number, summary).encode_cbor().map(|cbor| *payload = cbor),
                }
                .map_err(|error| error.to_string())?;
                topic.push_str("summary");
                Ok(())
            }
            Body::Alarm(json) => self.object("alarm", number, json, encoding, ready),
            Body::Call(json) => self.object("call", number, json, encoding, ready),
        }
    }

    /// A JSON object with its number and form in front, or the same in CBOR.
    fn object(
        &self,
        kind: &str,
        number: u64,
        json: &str,
        encoding: Encoding,
        Ready { topic, payload }: &mut Ready,
    ) -> Result<(), String> {
        let rest = json.strip_prefix('{').ok_or("it is no JSON object")?;
        let text = format!("{{\"sequence\":{number},\"format\":{FORMAT},{rest}");
        match encoding {
            Encoding::Json => payload.extend_from_slice(text.as_bytes()),
            Encoding::Cbor => {
                let value: Value = serde_json::from_str(&text).map_err(|error| error.to_string())?;
                ciborium::into_writer(&value, payload).map_err(|error| error.to_string())?;
            }
        }
        let _ = write!(topic, "pondreeve/{}/{kind}", self.gateway);
        Ok(())
    }
}

fn seconds(ms: i64) -> f64 {
    ms as f64 / 1_000.0
}

/// Calls `put` for each record of a summary: group, name, unit, value.
fn records<E>(
    number: u64,
    summary: &PondSummary,
    mut put: impl FnMut(&str, &str, &str, f64) -> Result<(), E>,
) -> Result<(), E> {
    put("", "sequence", "count", number as f64)?;
    put("", "interval", "s", seconds((summary.to - summary.from).as_millis()))?;
    put("", "format", "", f64::from(FORMAT))?;
    for of in &summary.quantities {
        let (id, unit) = (of.quantity.id(), unit(of.quantity));
        if of.usable > 0 {
            let factor = factor(of.quantity);
            for (statistic, value) in
                [("mean", of.mean), ("minimum", of.minimum), ("maximum", of.maximum), ("last", of.last)]
            {
                put(id, statistic, unit, rounded(factor, value))?;
            }
        }
        for (statistic, readings) in [("usable", of.usable), ("doubtful", of.doubtful)] {
            put(id, statistic, "count", f64::from(readings))?;
        }
    }
    for (name, standing) in ["critical", "high", "medium"].into_iter().zip(summary.alarms_standing) {
        put("alarms", name, "count", f64::from(standing))?;
    }
    if summary.merged > 1 {
        put("", "merged", "count", f64::from(summary.merged))?;
    }
    Ok(())
}

fn write_json(out: &mut Vec<u8>, base: &str, number: u64, summary: &PondSummary) -> Result<(), SenmlError> {
    let mut numbers = Numbers::begin(out, base, seconds(summary.to.as_millis()))?;
    records(number, summary, |group, name, unit, value| numbers.put(group, name, unit, value))?;
    numbers.end();
    Ok(())
}

fn pack(base: &str, number: u64, summary: &PondSummary) -> Pack {
    let mut all = Vec::new();
    let Ok(()) = records(number, summary, |group, name, unit, value| {
        let name = if group.is_empty() { name.to_owned() } else { format!("{group}/{name}") };
        let unit = (!unit.is_empty()).then(|| unit.to_owned());
        all.push(Record { name: Some(name), unit, value: Some(value), ..Record::default() });
        Ok::<(), std::convert::Infallible>(())
    });
    if let Some(first) = all.first_mut() {
        first.base_name = Some(base.to_owned());
        first.base_time = Some(seconds(summary.to.as_millis()));
    }
    Pack(all)
}

/// Two decimals more than a person is shown: below that there is only noise, and noise costs airtime.
fn factor(quantity: Quantity) -> f64 {
    10_f64.powi(i32::try_from(quantity.decimals() + 2).unwrap_or(0))
}

fn rounded(factor: f64, value: f64) -> f64 {
    let scaled = (value * factor).round() / factor;
    if scaled.is_finite() { scaled } else { value }
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

    fn rounded_of(quantity: Quantity, value: f64) -> f64 {
        rounded(factor(quantity), value)
    }

    #[test]
    fn values_are_rounded_below_what_can_be_measured() {
        assert_eq!(rounded_of(Quantity::DoMgL, 6.946_399_569), 6.946_4);
        assert_eq!(rounded_of(Quantity::DoSaturationPercent, 23.033_515_19), 23.03);
        assert_eq!(rounded_of(Quantity::Nh3NMgL, 0.069_326_85), 0.069_33);
        assert_eq!(rounded_of(Quantity::DoMgL, 1e308), 1e308);
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
