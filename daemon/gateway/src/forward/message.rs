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

use bytes::Bytes;
use pondreeve_core::Quantity;
use pondreeve_core::effect::QuantitySummary;
use pondreeve_protocol::senml::{Pack, Record};
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

/// A message ready to be sent.
#[derive(Debug, Clone, PartialEq, Eq)]
pub(super) struct Ready {
    pub(super) topic: String,
    pub(super) payload: Bytes,
}

impl Topics {
    pub(super) fn of(gateway: &str) -> Self {
        Self { gateway: gateway.to_owned() }
    }

    /// Where the gateway says that it is there.
    pub(super) fn health(&self) -> String {
        format!("pondreeve/{}/health", self.gateway)
    }

    /// Topic and payload of a message.
    ///
    /// # Errors
    /// What of it cannot be encoded. Ids are checked by the configuration and values by the core, so this does not
    /// happen; if it does the pond is still watched, and the log says what to mend.
    pub(super) fn ready(&self, outgoing: &Outgoing, encoding: Encoding) -> Result<Ready, String> {
        let number = outgoing.number;
        match &outgoing.body {
            Body::Summary(summary) => {
                let base = format!("pondreeve/{}/{}", self.gateway, summary.pond);
                let pack = pack(&base, number, summary);
                let payload = match encoding {
                    Encoding::Json => pack.encode().map(String::into_bytes),
                    Encoding::Cbor => pack.encode_cbor(),
                };
                let payload = payload.map_err(|error| error.to_string())?.into();
                Ok(Ready { topic: format!("{base}/summary"), payload })
            }
            Body::Alarm(json) => self.object("alarm", number, json, encoding),
            Body::Call(json) => self.object("call", number, json, encoding),
        }
    }

    /// A JSON object with its number and form in front, or the same in CBOR.
    fn object(&self, topic: &str, number: u64, json: &str, encoding: Encoding) -> Result<Ready, String> {
        let rest = json.strip_prefix('{').ok_or("it is no JSON object")?;
        let text = format!("{{\"sequence\":{number},\"format\":{FORMAT},{rest}");
        let payload = match encoding {
            Encoding::Json => text.into_bytes(),
            Encoding::Cbor => {
                let value: Value = serde_json::from_str(&text).map_err(|error| error.to_string())?;
                let mut bytes = Vec::new();
                ciborium::into_writer(&value, &mut bytes).map_err(|error| error.to_string())?;
                bytes
            }
        };
        Ok(Ready { topic: format!("pondreeve/{}/{topic}", self.gateway), payload: payload.into() })
    }
}

fn pack(base: &str, number: u64, summary: &PondSummary) -> Pack {
    let seconds = |ms: i64| ms as f64 / 1_000.0;
    let mut records = vec![
        Record {
            base_name: Some(format!("{base}/")),
            base_time: Some(seconds(summary.to.as_millis())),
            name: Some("sequence".to_owned()),
            unit: Some("count".to_owned()),
            value: Some(number as f64),
            ..Record::default()
        },
        record("interval".to_owned(), "s", seconds((summary.to - summary.from).as_millis())),
        record("format".to_owned(), "", f64::from(FORMAT)),
    ];
    for quantity in &summary.quantities {
        quantity_records(quantity, &mut records);
    }
    for (name, standing) in ["critical", "high", "medium"].into_iter().zip(summary.alarms_standing) {
        records.push(record(format!("alarms/{name}"), "count", f64::from(standing)));
    }
    if summary.merged > 1 {
        records.push(record("merged".to_owned(), "count", f64::from(summary.merged)));
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
