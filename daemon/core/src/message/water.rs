//! What is said of the water beyond low oxygen, pH and un-ionised ammonia.

use alloc::format;
use alloc::string::String;

use crate::alarm_set::marks::{Layers, Marks};
use crate::quality::Seen;
use crate::water_limits::{Water, WaterLimits};

impl Water {
    /// What it is about, and the unit with a space before it.
    pub const fn subject(self) -> (&'static str, &'static str) {
        match self {
            Self::DoHigh => ("oxygen", " mg/L"),
            Self::DoHighPercent => ("oxygen", " % of saturation"),
            Self::PhSwing => ("pH swing of a day", ""),
            Self::TemperatureLowWarn
            | Self::TemperatureLowCritical
            | Self::TemperatureHighWarn
            | Self::TemperatureHighCritical => ("temperature", " C"),
            Self::TemperatureChangeHour => ("change of temperature in an hour", " C"),
            Self::TemperatureChangeHalfDay => ("change of temperature in 12 h", " C"),
            Self::SalinityLow => ("salinity", " PSU"),
            Self::SalinityChangeWarn | Self::SalinityChangeCritical => {
                ("change of salinity in a day", " PSU")
            }
            Self::Layered => ("salt at the surface less than below by", " PSU"),
            Self::TanWarn | Self::TanCritical => ("total ammonia", " mg/L as N"),
            Self::NitriteWarn | Self::NitriteCritical => ("nitrite", " mg/L as N"),
            Self::AlkalinityLowWarn | Self::AlkalinityLowCritical | Self::AlkalinityHigh => {
                ("alkalinity", " mg/L")
            }
            Self::SecchiLow | Self::SecchiHigh => ("the disc vanishes at", " cm"),
            Self::SecchiChange => ("change of the disc's depth in a day", " cm"),
            Self::PhosphateHigh => ("phosphate", " mg/L as P"),
            Self::IronWarn | Self::IronCritical => ("total iron", " mg/L"),
            Self::H2sWarn | Self::H2sCritical => ("un-ionised hydrogen sulfide", " mg/L as S"),
            Self::SludgePhWarn | Self::SludgePhCritical => ("pH of the sludge", ""),
        }
    }

    /// Decimals worth telling.
    pub const fn decimals(self) -> usize {
        match self {
            Self::H2sWarn | Self::H2sCritical => 3,
            Self::PhSwing
            | Self::TanWarn
            | Self::TanCritical
            | Self::NitriteWarn
            | Self::NitriteCritical
            | Self::PhosphateHigh
            | Self::IronWarn
            | Self::IronCritical
            | Self::SludgePhWarn
            | Self::SludgePhCritical => 2,
            Self::DoHighPercent
            | Self::AlkalinityLowWarn
            | Self::AlkalinityLowCritical
            | Self::AlkalinityHigh
            | Self::SecchiLow
            | Self::SecchiHigh
            | Self::SecchiChange => 0,
            _ => 1,
        }
    }

    const fn todo(self) -> &'static str {
        match self {
            Self::DoHigh | Self::DoHighPercent => {
                "Plankton makes much oxygen: the night may fall deep. Plan aeration, give less feed, dose nothing alkaline."
            }
            Self::PhSwing => {
                "Test alkalinity and look at the plankton; ammonia is most toxic in the afternoon."
            }
            Self::TemperatureLowWarn | Self::TemperatureLowCritical => {
                "Shrimp eat less in cool water: cut feed, do not handle them."
            }
            Self::TemperatureHighWarn | Self::TemperatureHighCritical => {
                "Warm water holds less oxygen and animals use more: aerate early, cut feed, do not handle them."
            }
            Self::TemperatureChangeHour => "Look for rain, inflow, or a probe out of the water.",
            Self::TemperatureChangeHalfDay => "Cut feed, do not handle the animals, watch for moulting.",
            Self::SalinityLow => "Nitrite is more toxic in fresher water: test it, and alkalinity.",
            Self::SalinityChangeWarn | Self::SalinityChangeCritical => {
                "Look for rain and inflow; let surface water off, check alkalinity, cut feed."
            }
            Self::Layered => {
                "Start aerators to mix, let surface water off, do not feed; check alkalinity. If in doubt, start aerators and look."
            }
            Self::TanWarn | Self::TanCritical => {
                "Cut feed, keep oxygen high, dose nothing alkaline; test pH, and TAN again tomorrow."
            }
            Self::NitriteWarn | Self::NitriteCritical => {
                "Keep oxygen high, cut feed, exchange water if there is saltier; test again tomorrow."
            }
            Self::AlkalinityLowWarn | Self::AlkalinityLowCritical => {
                "pH may swing or sink: plan a dose with the adviser, test again after it."
            }
            Self::AlkalinityHigh => "Dose nothing alkaline; test again.",
            Self::SecchiLow => "Plankton is dense: the night may fall deep. Give less feed, plan aeration.",
            Self::SecchiHigh => "There is little plankton: look at the colour, test TAN.",
            Self::SecchiChange => "Look at the colour.",
            Self::PhosphateHigh => "Plankton may bloom: give less feed, drain sludge.",
            Self::IronWarn => {
                "Rust may settle on gills and probes: test the water you let in, let it stand and aerate it before it goes into the pond."
            }
            Self::IronCritical => {
                "Rust clogs gills and takes oxygen: let no more of this water in, aerate, look at gills and caps of probes, test again today."
            }
            Self::H2sWarn | Self::H2sCritical => {
                "Keep oxygen at the bottom, do not stir the sludge, let pH not sink. Never enter a pit alone: smell is no guide."
            }
            Self::SludgePhWarn | Self::SludgePhCritical => {
                "Check the electrode in buffers, then a second sample; keep oxygen at the bottom, do not stir the sludge."
            }
        }
    }
}

/// The message while the condition holds.
pub(super) fn holds(
    place: &str,
    water: Water,
    limits: &WaterLimits,
    marks: Option<&Marks>,
    oxygen: Option<Seen>,
) -> String {
    let (what, unit) = water.subject();
    let decimals = water.decimals();
    let threshold = water.threshold(limits, marks);
    let limit = threshold.limit;
    let todo = water.todo();
    let Some((marks, value)) = marks.and_then(|marks| Some((marks, water.measured(marks)?))) else {
        let side = if water.is_below() { "below" } else { "above" };
        return format!("{place}: {what} was {side} {limit:.decimals$}{unit} when last known. {todo}");
    };
    let doubt = if water.is_doubted(marks) { " The value is suspect: test again." } else { "" };
    let (what, detail) = match water {
        Water::TemperatureChangeHour | Water::TemperatureChangeHalfDay => {
            let (change, span) = match water {
                Water::TemperatureChangeHour => (marks.temperature_hour_c, "in an hour"),
                _ => (marks.temperature_half_day_c, "in 12 h"),
            };
            let change = change.unwrap_or_default();
            return format!(
                "{place}: temperature changed by {change:+.1} C {span} (limit {limit:.1}).{doubt} {todo}"
            );
        }
        Water::SalinityChangeWarn | Water::SalinityChangeCritical => {
            let change = marks.salinity_change_psu.unwrap_or_default();
            let now = marks.salinity_psu.map(|now| format!(", now {now:.1}")).unwrap_or_default();
            return format!(
                "{place}: salinity changed by {change:+.1} PSU against half a day ago and more{now} (limit {limit:.1}).{doubt} {todo}"
            );
        }
        Water::Layered => return layered(place, marks.layers, limit, oxygen, todo),
        Water::SecchiChange => return disc(place, marks, limit, todo),
        // The limit is what the table sets, or what is safe at this salinity.
        _ if limit < limits.of(water).limit => {
            (what, format!(", what counts at {:.1} PSU", marks.assumed_psu))
        }
        _ => (what, String::new()),
    };
    let side = if water.is_below() { "below" } else { "above" };
    format!("{place}: {what} {value:.decimals$}{unit}, {side} {limit:.decimals$}{detail}.{doubt} {todo}")
}

fn layered(place: &str, layers: Option<Layers>, limit: f64, oxygen: Option<Seen>, todo: &str) -> String {
    let Some(layers) = layers else { return format!("{place}: fresh water lay on top. {todo}") };
    let below = if layers.is_measured_below { "at the bottom" } else { "before" };
    let cooler = layers
        .cooler_c
        .filter(|cooler| *cooler >= 0.3)
        .map(|cooler| format!(", {cooler:.1} C cooler than the bottom"))
        .unwrap_or_default();
    let oxygen = oxygen.map(|seen| format!("; lowest oxygen {:.1} mg/L", seen.value)).unwrap_or_default();
    format!(
        "{place}: fresh water lies on top: surface {:.1} PSU{cooler}, {:.1} {below} (limit {limit:.1} less){oxygen}. {todo}",
        layers.surface_psu, layers.below_psu,
    )
}

fn disc(place: &str, marks: &Marks, limit: f64, todo: &str) -> String {
    let Some(disc) = marks.disc else { return format!("{place}: the water's clearness changed. {todo}") };
    let meaning = if disc.now_cm > disc.before_cm {
        "If the water cleared or browned, the plankton may have crashed: all aerators, cut feed, exchange part of the water, test TAN. Do not lime or fertilise at once."
    } else {
        "If it is greener, the plankton blooms: give less feed, plan more aeration for the night."
    };
    format!(
        "{place}: the disc vanished at {:.0} cm the day before and at {:.0} cm now (limit {limit:.0} apart). {todo} {meaning}",
        disc.before_cm, disc.now_cm,
    )
}

/// The message when it has cleared.
pub(super) fn over(place: &str, water: Water, marks: Option<&Marks>) -> String {
    let (what, unit) = water.subject();
    let decimals = water.decimals();
    match water {
        Water::Layered => format!("{place}: surface and deep water are mixed again."),
        Water::SecchiChange => {
            format!("{place}: the disc is read as the day before again, or a day has passed.")
        }
        _ => {
            let now = marks.and_then(|marks| water.measured(marks));
            let now = now.map(|value| format!(", now {value:.decimals$}{unit}")).unwrap_or_default();
            format!("{place}: {what} is back within its limit{now}.")
        }
    }
}
