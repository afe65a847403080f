//! How a probe's bytes become numbers, in a line for the trail: whoever changes a factor changes every reading.

use std::fmt::Write as _;

use pondreeve_protocol::payload::{Pick, PickFrom};
use pondreeve_protocol::register_map::RegisterMap;
use pondreeve_protocol::reported::Reported;

use crate::config::farm::Spoken;

/// Registers of a Modbus probe.
pub(super) fn registers(map: &RegisterMap) -> String {
    let each = map.registers.iter().map(|own| {
        let place = format!("{:?} {} {:?} {:?}", own.table, own.address, own.number, own.order);
        value(&own.channel, &place, (own.scale, own.offset), &own.no_value, own.range)
    });
    listed(&map.id, each)
}

/// A probe on a line of text.
pub(super) fn spoken(spoken: &Spoken) -> String {
    let reported = |place: String, own: &Reported| {
        value(&own.channel, &place, (own.scale, own.offset), &own.no_value, own.range)
    };
    match spoken {
        Spoken::Sensor(address, map) => {
            let each = map.values.iter().map(|(place, own)| reported(place.to_string(), own));
            listed(&format!("{} {} {:?}", char::from(*address), map.id, map.measurement), each)
        }
        Spoken::Text(map) => {
            let each = map.values.iter().map(|(capture, own)| reported(capture.clone(), own));
            listed(&format!("{} {:?} {:?}", map.id, map.pattern, map.checksum), each)
        }
    }
}

/// What is read out of a message.
pub(super) fn picks(filter: &str, picks: &[Pick]) -> String {
    let each = picks.iter().map(|own| {
        let place = match &own.from {
            PickFrom::Bare => "number".to_owned(),
            PickFrom::Json { pointer, time: None } => format!("json {pointer}"),
            PickFrom::Json { pointer, time: Some(time) } => format!("json {pointer} time {time}"),
            PickFrom::Senml { name } => format!("senml {name}"),
        };
        value(&own.channel, &place, (own.scale, own.offset), &[], None)
    });
    listed(filter, each)
}

fn listed(head: &str, each: impl Iterator<Item = String>) -> String {
    format!("{head}: {}", each.collect::<Vec<_>>().join("; "))
}

fn value(
    channel: &str,
    place: &str,
    (scale, offset): (f64, f64),
    no_value: &[f64],
    range: Option<(f64, f64)>,
) -> String {
    let mut told = format!("{channel} {place}");
    if (scale, offset) != (1.0, 0.0) {
        let _ = write!(told, " x {scale} + {offset}");
    }
    for none in no_value {
        let _ = write!(told, " none {none}");
    }
    if let Some((low, high)) = range {
        let _ = write!(told, " within {low} to {high}");
    }
    told
}
