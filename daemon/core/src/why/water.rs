//! The water's conditions explained.

use alloc::format;
use alloc::string::String;

use crate::alarm_set::marks::Marks;
use crate::message::length;
use crate::time::Span;
use crate::water_limits::{Water, WaterLimits};

/// What raises it and what clears it.
pub(super) fn rules(water: Water, limits: &WaterLimits, marks: Option<&Marks>) -> (String, String) {
    let threshold = water.threshold(limits, marks);
    let (what, unit) = water.subject();
    let decimals = water.decimals();
    let (beyond, back, edge) = if water.is_below() {
        ("below", "at or above", threshold.limit + threshold.deadband)
    } else {
        ("above", "at or below", threshold.limit - threshold.deadband)
    };
    let after = |span: Span| {
        if span.as_millis() == 0 { String::new() } else { format!(" for {}", length(span)) }
    };
    let set = limits.of(water).limit;
    let salty = if threshold.limit < set {
        let psu = marks.map(|marks| marks.assumed_psu).unwrap_or_default();
        format!("; set are {set:.decimals$}, less counts at {psu:.1} PSU")
    } else {
        String::new()
    };
    (
        format!("{what} {beyond} {:.decimals$}{unit}{}{salty}", threshold.limit, after(threshold.on_delay)),
        format!("{what} {back} {edge:.decimals$}{unit}{}", after(threshold.off_delay)),
    )
}

/// How it stands now, where it is not in alarm.
pub(super) fn stands(water: Water, marks: Option<&Marks>) -> String {
    let (what, unit) = water.subject();
    let decimals = water.decimals();
    marks
        .and_then(|marks| water.measured(marks))
        .map_or_else(|| format!("{what}: not known"), |value| format!("{what} {value:.decimals$}{unit}"))
}
