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

use std::collections::BTreeMap;
use std::fmt::Write as _;

use pondreeve_core::Quantity;
use pondreeve_protocol::senml::{Label, Numbers, Pack, Record, SenmlError};
use serde_json::Value;

use crate::config::farm::Encoding;
use crate::outbox::{Body, Outgoing, PondSummary};

/// Version of the form of all payloads. A field may be added without a new one; none changes its meaning.
const FORMAT: u32 = 1;

/// Topics of one gateway.
#[derive(Debug)]
pub(super) struct Topics {
    gateway: String,
    labels: Result<Labels, SenmlError>,
}

/// Names and units of all records of summaries.
#[derive(Debug)]
struct Labels {
    sequence: Label,
    interval: Label,
    format: Label,
    /// Of each quantity: mean, minimum, maximum, last, usable, doubtful.
    quantities: BTreeMap<Quantity, [Label; 6]>,
    /// Critical, high, medium.
    alarms: [Label; 3],
    merged: Label,
}

impl Labels {
    fn all() -> Result<Self, SenmlError> {
        let mut quantities = BTreeMap::new();
        for &quantity in Quantity::ALL {
            let (id, unit) = (quantity.id(), unit(quantity));
            let value = |statistic: &str| Label::new(&format!("{id}/{statistic}"), unit);
            let count = |readings: &str| Label::new(&format!("{id}/{readings}"), "count");
            let labels = [
                value("mean")?,
                value("minimum")?,
                value("maximum")?,
                value("last")?,
                count("usable")?,
                count("doubtful")?,
            ];
            quantities.insert(quantity, labels);
        }
        let standing = |name: &str| Label::new(&format!("alarms/{name}"), "count");
        Ok(Self {
            sequence: Label::new("sequence", "count")?,
            interval: Label::new("interval", "s")?,
            format: Label::new("format", "")?,
            quantities,
            alarms: [standing("critical")?, standing("high")?, standing("medium")?],
            merged: Label::new("merged", "count")?,
        })
    }
}

/// A message ready to be sent, in room that the next one uses again.
#[derive(Debug, Clone, PartialEq, Eq, Default)]
pub(super) struct Ready {
    pub(super) topic: String,
    pub(super) payload: Vec<u8>,
}

impl Topics {
    pub(super) fn of(gateway: &str) -> Self {
        Self { gateway: gateway.to_owned(), labels: Labels::all() }
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
                let labels = self.labels.as_ref().map_err(SenmlError::to_string)?;
                match encoding {
                    Encoding::Json => write_json(payload, topic, number, summary, labels),
                    Encoding::Cbor => {
                        pack(topic, number, summary, labels).encode_cbor().map(|cbor| *payload = cbor)
                    }
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

/// Calls `put` for each record of a summary.
fn records<E>(
    number: u64,
    summary: &PondSummary,
    labels: &Labels,
    mut put: impl FnMut(&Label, f64) -> Result<(), E>,
) -> Result<(), E> {
    put(&labels.sequence, number as f64)?;
    put(&labels.interval, seconds((summary.to - summary.from).as_millis()))?;
    put(&labels.format, f64::from(FORMAT))?;
    for of in &summary.quantities {
        let Some([mean, minimum, maximum, last, usable, doubtful]) = labels.quantities.get(&of.quantity)
        else {
            continue;
        };
        if of.usable > 0 {
            let factor = factor(of.quantity);
            for (label, value) in
                [(mean, of.mean), (minimum, of.minimum), (maximum, of.maximum), (last, of.last)]
            {
                put(label, rounded(factor, value))?;
            }
        }
        put(usable, f64::from(of.usable))?;
        put(doubtful, f64::from(of.doubtful))?;
    }
    for (label, standing) in labels.alarms.iter().zip(summary.alarms_standing) {
        put(label, f64::from(standing))?;
    }
    if summary.merged > 1 {
        put(&labels.merged, f64::from(summary.merged))?;
    }
    Ok(())
}

fn write_json(
    out: &mut Vec<u8>,
    base: &str,
    number: u64,
    summary: &PondSummary,
    labels: &Labels,
) -> Result<(), SenmlError> {
    let mut numbers = Numbers::begin(out, base, seconds(summary.to.as_millis()))?;
    records(number, summary, labels, |label, value| numbers.put(label, value))?;
    numbers.end();
    Ok(())
}

fn pack(base: &str, number: u64, summary: &PondSummary, labels: &Labels) -> Pack {
    let mut all = Vec::new();
    let Ok(()) = records(number, summary, labels, |label, value| {
        all.push(Record {
            name: Some(label.name().to_owned()),
            unit: label.unit().map(str::to_owned),
            value: Some(value),
            ..Record::default()
        });
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
