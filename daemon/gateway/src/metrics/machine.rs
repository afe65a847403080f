//! The families of the gateway computer itself.

use std::fmt;

use prometheus_client::encoding::DescriptorEncoder;

use super::families::gauges;
use crate::machine::{Health, Supply, TimeService};

/// Name and help of each, and its value where the machine tells it.
pub(super) fn families(encoder: &mut DescriptorEncoder<'_>, health: Option<&Health>) -> fmt::Result {
    let one = |yes: bool| if yes { 1.0 } else { 0.0 };
    let bytes = |bytes: u64| bytes as f64;
    let supply = |health: &Health| match health.supply {
        Supply::Unknown => None,
        Supply::Good => Some(0.0),
        Supply::Low(_) => Some(1.0),
    };
    let clock = |health: &Health| match health.time_service {
        TimeService::Unknown => None,
        TimeService::Synchronised => Some(1.0),
        TimeService::Waiting(_) => Some(0.0),
    };
    let values: [(&str, &str, Option<f64>); 7] = [
        (
            "pondreeve_machine_temperature_celsius",
            "The hottest place that the gateway computer measures",
            health.and_then(|own| own.temperature_c),
        ),
        ("pondreeve_machine_supply_low", "1 while its supply voltage is too low", health.and_then(supply)),
        (
            "pondreeve_machine_room_bytes",
            "Room on the store's disk",
            health.and_then(|own| own.room_bytes).map(bytes),
        ),
        (
            "pondreeve_machine_card_rated_bytes",
            "What the disk's maker rates it for, as configured",
            health.and_then(|own| own.rated_bytes).map(bytes),
        ),
        (
            "pondreeve_machine_card_used_ratio",
            "Share of its life that the disk says it has used",
            health.and_then(|own| own.disk_says_used),
        ),
        (
            "pondreeve_machine_clock_synchronised",
            "1 where a time server has set the clock since the machine was started",
            health.and_then(clock),
        ),
        (
            "pondreeve_machine_battery_clock",
            "1 where there is a battery clock",
            health.and_then(|own| own.battery_clock).map(one),
        ),
    ];
    for (name, help, value) in values {
        gauges(encoder, (name, help), value.map(|value| (Vec::new(), value)))?;
    }
    Ok(())
}
