//! Alarms about the gateway itself.

use alloc::format;
use alloc::string::String;
use alloc::vec::Vec;

use crate::alarm::{Alarm, Cause, Delays, Sight};
use crate::effect::{AlarmState, Effect, PartFault, Priority};
use crate::input::GatewayPart;
use crate::power;
use crate::said::said;
use crate::time::Timestamp;

/// At most so many parts are remembered: far more buses, brokers and paths than a gateway has, so
/// that a name that changes with every fault cannot fill the memory.
const MAX_PARTS: usize = 64;

/// Gateway faults are announced at once: whoever reports them has already tried again.
const AT_ONCE: Delays = Delays::minutes(0, 0);

/// The part in ids.
const fn word(part: GatewayPart) -> &'static str {
    match part {
        GatewayPart::Store => "store",
        GatewayPart::Bus => "bus",
        GatewayPart::Broker => "broker",
        GatewayPart::Forward => "forward",
        GatewayPart::Clock => "clock",
        GatewayPart::Quarantine => "quarantine",
        GatewayPart::Horn => "horn",
        GatewayPart::Call => "call",
        GatewayPart::Machine => "machine",
    }
}

/// What a person calls the part, and how urgent its loss is. Without its store the gateway forgets on
/// the next power cut; after a quarantined input it may be wrong; a lost bus or broker blinds probes,
/// which raises alarms of its own at night. Without horn or calls nobody learns of any alarm.
const fn meaning(part: GatewayPart) -> (&'static str, Priority) {
    match part {
        GatewayPart::Store => ("Readings store", Priority::High),
        GatewayPart::Bus => ("Serial bus", Priority::Medium),
        GatewayPart::Broker => ("Broker of readings", Priority::Medium),
        GatewayPart::Forward => ("Forwarding", Priority::Medium),
        GatewayPart::Clock => ("Clock", Priority::Medium),
        GatewayPart::Quarantine => ("Monitoring program", Priority::High),
        GatewayPart::Horn => ("Horn", Priority::High),
        GatewayPart::Call => ("Calling people", Priority::High),
        GatewayPart::Machine => ("Computer", Priority::Medium),
    }
}

/// The alarm's id: `gateway.store`, `gateway.bus.east`.
pub fn id(part: GatewayPart, which: &str) -> String {
    let part = word(part);
    if which.is_empty() { format!("gateway.{part}") } else { format!("gateway.{part}.{which}") }
}

/// The part's alarm in the normal state.
pub fn alarm(part: GatewayPart, which: &str) -> Alarm {
    let (name, priority) = meaning(part);
    let name = if which.is_empty() { format!("{name} faulty") } else { format!("{name} {which} faulty") };
    Alarm::new(id(part, which), name, None, priority)
}

/// Notes that a part has failed or is well again.
pub fn note(
    faults: &mut Vec<PartFault>,
    part: GatewayPart,
    which: &str,
    detail: Option<&str>,
    now: Timestamp,
) {
    let known = faults.iter().position(|fault| fault.part == part && fault.which == which);
    match (known, detail) {
        (Some(place), None) => {
            faults.remove(place);
        }
        (Some(place), Some(detail)) => {
            if let Some(fault) = faults.get_mut(place) {
                fault.detail = String::from(detail);
            }
        }
        (None, Some(detail)) if faults.len() < MAX_PARTS => {
            faults.push(PartFault {
                part,
                which: String::from(which),
                detail: String::from(detail),
                since: now,
            });
        }
        (None, _) => {}
    }
}

/// Makes room for one more alarm by forgetting one that is normal. `false` if all are in use.
pub fn make_room(alarms: &mut Vec<Alarm>) -> bool {
    if alarms.len() < MAX_PARTS {
        return true;
    }
    match alarms.iter().position(|alarm| alarm.state == AlarmState::Normal) {
        Some(place) => {
            alarms.remove(place);
            true
        }
        None => false,
    }
}

/// Judges one part's alarm. Lines and links that went with the farm's power are counted in its alarm.
pub fn settle(
    alarm: &mut Alarm,
    faults: &[PartFault],
    (now, power_lost): (Timestamp, Option<Timestamp>),
    effects: &mut Vec<Effect>,
) {
    let fault = faults.iter().find(|fault| id(fault.part, &fault.which) == alarm.id);
    let sight = if fault.is_some() { Sight::Beyond } else { Sight::Clear };
    let root = fault
        .filter(|fault| matches!(fault.part, GatewayPart::Bus | GatewayPart::Broker | GatewayPart::Forward))
        .filter(|fault| power_lost.is_some_and(|lost| fault.since >= lost))
        .map(|_| power::ID);
    if let Some(cause) = alarm.judge(now, sight, AT_ONCE, root) {
        let message = match (fault, cause) {
            (Some(fault), _) => Some(said!(
                "said-gateway",
                "Gateway: {name}: {detail}",
                name = &alarm.name,
                detail = &fault.detail
            )),
            (None, Cause::Clears) => {
                Some(said!("over-gateway", "Gateway: {name}: over.", name = &alarm.name))
            }
            (None, _) => None,
        };
        effects.extend(alarm.apply(now, cause, None, message).map(Effect::AlarmChanged));
    }
}
