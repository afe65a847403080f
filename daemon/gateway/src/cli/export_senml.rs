//! `export --format senml`: readings and roll-ups as records of SenML (RFC 8428).

use pondreeve_core::Quantity;
use pondreeve_protocol::senml::Record;

use super::export::{Found, time};
use crate::exit_code::Failure;
use crate::forward::message::unit;
use crate::local::protocol::KeptReading;

/// What was found, as SenML has it: a record for each value, and behind it what more there is to say of it.
pub(super) fn records(pond: &str, quantity: Quantity, found: &Found) -> Result<Vec<Record>, Failure> {
    let unit = Some(unit(quantity)).filter(|unit| !unit.is_empty());
    let whole = if pond.is_empty() { quantity.id().to_owned() } else { format!("{pond}/{}", quantity.id()) };
    let mut records = Vec::new();
    let mut put = |at: &str, more: &str, unit: Option<&str>, value: Option<f64>, text: Option<&str>| {
        if value.is_none() && text.is_none() {
            return Ok(());
        }
        let at_ms = time(at, "the daemon's time")?;
        records.push(Record {
            name: Some(format!("{whole}{more}")),
            unit: unit.map(str::to_owned),
            value,
            text: text.map(str::to_owned),
            time: Some(at_ms as f64 / 1_000.0),
            ..Record::default()
        });
        Ok::<(), Failure>(())
    };
    match found {
        Found::Readings(readings) => {
            let mut before = "";
            for KeptReading { at, probe, raw, value, corrected, flag } in readings {
                put(at, "", unit, *value, None)?;
                put(at, "/flag", None, flag.map(f64::from), None)?;
                put(at, "/raw", unit, raw.filter(|_| raw != value), None)?;
                put(at, "/corrected", unit, *corrected, None)?;
                put(at, "/probe", None, None, Some(probe.as_str()).filter(|probe| *probe != before))?;
                before = probe;
            }
        }
        Found::RollUps(roll_ups) => {
            for own in roll_ups {
                let values = [("/minimum", own.minimum), ("/mean", own.mean), ("/maximum", own.maximum)];
                for (name, value) in values {
                    put(&own.from, name, unit, value, None)?;
                }
                let counts = [
                    ("/usable", own.usable),
                    ("/suspect", own.suspect),
                    ("/failed", own.failed),
                    ("/missing", own.missing),
                ];
                for (name, count) in counts {
                    put(&own.from, name, Some("count"), Some(f64::from(count)), None)?;
                }
            }
        }
    }
    Ok(records)
}
