//! Where each limit of a pond comes from, to be told by `why`.

use pondreeve_core::water_limits::Water;

use super::super::farm::LimitSources;
use super::super::raw::{RawLimits, RawThreshold};

/// Said of a limit that the farm sets without naming a source.
const OWN: &str = "set in this farm's configuration, which names no source";

/// The sources a table of limits names. With `own`, also of those it sets without naming one.
fn named(raw: &RawLimits, own: bool) -> LimitSources {
    let mut found = LimitSources::new();
    let mut note = |key: &'static str, is_set: bool, source: Option<&String>| {
        if let Some(source) = source {
            found.insert(key, source.clone());
        } else if own && is_set {
            found.insert(key, OWN.to_owned());
        }
    };
    macro_rules! thresholds {
        ($($field:ident: $($level:ident)+;)+) => { $( $(
            if let Some(level) = raw.$field.as_ref().and_then(|at| at.value.$level.as_ref()) {
                let parts = level.value.parts();
                note(
                    concat!(stringify!($field), ".", stringify!($level)),
                    parts.limit.is_some(),
                    parts.source.map(|at| &at.value),
                );
            }
        )+ )+ };
    }
    thresholds! {
        do_low_mg_l: warn critical emergency;
        ph_low: warn critical;
        ph_high: warn critical;
        nh3_mean_mg_l: warn critical;
        nh3_peak_mg_l: warn critical;
    }
    for water in Water::ALL {
        if let Some(parts) = raw.water(water.key()) {
            note(water.key(), parts.limit.is_some(), parts.source.map(|at| &at.value));
        }
    }
    for (key, safe) in [("tan_safe_mg_l", &raw.tan_safe_mg_l), ("nitrite_safe_mg_l", &raw.nitrite_safe_mg_l)]
    {
        if let Some(safe) = safe {
            note(key, true, safe.value.source.as_ref().map(|at| &at.value));
        }
    }
    if let Some(forecast) = raw.do_forecast.as_ref().map(|at| &at.value) {
        let is_set = forecast.warn_mg_l.is_some() || forecast.critical_mg_l.is_some();
        note("do_forecast", is_set, forecast.source.as_ref().map(|at| &at.value));
    }
    if let Some(fall) = raw.do_fall_30min_mg_l.as_ref().map(|at| &at.value) {
        note("do_fall_30min_mg_l", fall.limit.is_some(), fall.source.as_ref().map(|at| &at.value));
    }
    if let Some(blind) = raw.do_blind.as_ref().map(|at| &at.value) {
        let is_set = blind.high_after.is_some() || blind.critical_after.is_some();
        note("do_blind", is_set, blind.source.as_ref().map(|at| &at.value));
    }
    found
}

/// Those of a file of defaults.
pub(super) fn of_defaults(raw: &RawLimits) -> LimitSources {
    named(raw, false)
}

/// The defaults' with what a pond changes.
pub(super) fn of_pond(mut defaults: LimitSources, pond: Option<&RawLimits>) -> LimitSources {
    if let Some(pond) = pond {
        defaults.extend(named(pond, true));
    }
    defaults
}
