//! What people did besides entries of the diary, in one line each.

use std::collections::BTreeMap;

use pondreeve_core::message::quantity_said;
use pondreeve_core::said::{Said, said};
use pondreeve_core::service::Step;
use pondreeve_core::{Event, Quantity, Span};
use serde_json::{Value, json};

use super::words::{amount, typed};
use crate::console::text::number;
use crate::console::words::quantity_name;
use crate::texts::english;

/// Their kinds, as lists and files name them.
#[cfg(test)]
pub(crate) const KINDS: [&str; 6] = [READING, ACKNOWLEDGEMENT, SHELVING, RESET, SERVICE, LIMIT];

const READING: &str = "reading";
const ACKNOWLEDGEMENT: &str = "acknowledgement";
const SHELVING: &str = "shelving";
const RESET: &str = "reset";
const SERVICE: &str = "service";
const LIMIT: &str = "limit";

/// Kind and line of what is no entry of the diary.
pub(super) fn other_words(event: &Event, probe: Option<&str>) -> Option<(&'static str, Said)> {
    Some(match event {
        Event::ManualSample { quantity, value, .. } => {
            let value = number(*value, quantity.decimals());
            let name = quantity_name(english(), quantity.id());
            // Other languages make theirs from the value.
            (READING, Said::plain(format!("{name} {value} {} by hand", quantity.unit()).replace("  ", " ")))
        }
        Event::LimitChange { key, value, reason, .. } => {
            let value = value
                .map_or_else(|| said!("deed-as-configured", "as configured"), |own| Said::plain(typed(own)));
            (
                LIMIT,
                said!(
                    "deed-limit",
                    "limit {key} set to {value}: {reason}",
                    key = key,
                    value = value,
                    reason = reason
                ),
            )
        }
        Event::Acknowledge { alarm, .. } => {
            (ACKNOWLEDGEMENT, said!("deed-acknowledged", "acknowledged {alarm}", alarm = alarm))
        }
        Event::Shelve { alarm, length, reason, .. } => (
            SHELVING,
            said!(
                "deed-shelved",
                "{alarm} put aside for {minutes} min: {reason}",
                alarm = alarm,
                minutes = minutes(*length),
                reason = reason
            ),
        ),
        Event::Unshelve { alarm, .. } => {
            (SHELVING, said!("deed-unshelved", "{alarm} taken back", alarm = alarm))
        }
        Event::Reset { alarm, .. } => (RESET, said!("deed-reset", "{alarm} checked off", alarm = alarm)),
        Event::Service { step, .. } => {
            let probe = probe.map_or_else(|| said!("deed-probe-gone", "a probe that is gone"), Said::plain);
            (SERVICE, said!("deed-service", "probe {probe}: {what}", probe = probe, what = service(step)))
        }
        _ => return None,
    })
}

fn minutes(length: Span) -> String {
    format!("{:.0}", length.as_hours() * 60.0)
}

fn service(step: &Step) -> Said {
    match step {
        Step::Begin { length } => {
            said!("deed-out", "out of service for {minutes} min", minutes = minutes(*length))
        }
        Step::Before { quantity, .. } => {
            said!("deed-before", "{what} read before cleaning", what = named(*quantity))
        }
        Step::Cleaned => said!("deed-cleaned", "cleaned"),
        Step::After { quantity, .. } => {
            said!("deed-after", "{what} read after cleaning", what = named(*quantity))
        }
        Step::Standard { quantity, expected, .. } => said!(
            "deed-standard",
            "{what} read in a standard of {expected}",
            what = named(*quantity),
            expected = amount(*expected)
        ),
        Step::Adopt => said!("deed-adopted", "adjustment taken"),
        Step::End => said!("deed-back", "back in service"),
    }
}

/// A quantity within a sentence.
fn named(quantity: Quantity) -> Said {
    quantity_said(quantity, quantity_name(english(), quantity.id()).to_lowercase())
}

/// The values of a reading by hand.
pub(super) fn reading_values(quantity: Quantity, value: f64) -> BTreeMap<String, Value> {
    BTreeMap::from([(quantity.id().to_owned(), json!(value))])
}
