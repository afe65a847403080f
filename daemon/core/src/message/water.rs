//! What is said of the water beyond low oxygen, pH and un-ionised ammonia.

use alloc::string::String;
use alloc::vec::Vec;

use crate::alarm_set::marks::{Layers, Marks};
use crate::quality::Seen;
use crate::said::{Said, fixed, said, tenth};
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

impl Water {
    /// What it is about, for every language.
    pub(crate) fn about(self) -> Said {
        let key = match self {
            Self::DoHigh | Self::DoHighPercent => "water-oxygen",
            Self::PhSwing => "water-ph-swing",
            Self::TemperatureLowWarn
            | Self::TemperatureLowCritical
            | Self::TemperatureHighWarn
            | Self::TemperatureHighCritical => "water-temperature",
            Self::TemperatureChangeHour => "water-temperature-hour",
            Self::TemperatureChangeHalfDay => "water-temperature-half-day",
            Self::SalinityLow => "water-salinity",
            Self::SalinityChangeWarn | Self::SalinityChangeCritical => "water-salinity-change",
            Self::Layered => "water-layered",
            Self::TanWarn | Self::TanCritical => "water-tan",
            Self::NitriteWarn | Self::NitriteCritical => "water-nitrite",
            Self::AlkalinityLowWarn | Self::AlkalinityLowCritical | Self::AlkalinityHigh => {
                "water-alkalinity"
            }
            Self::SecchiLow | Self::SecchiHigh => "water-disc",
            Self::SecchiChange => "water-disc-change",
            Self::PhosphateHigh => "water-phosphate",
            Self::IronWarn | Self::IronCritical => "water-iron",
            Self::H2sWarn | Self::H2sCritical => "water-h2s",
            Self::SludgePhWarn | Self::SludgePhCritical => "water-sludge-ph",
        };
        Said::new(String::from(self.subject().0), key, Vec::new())
    }

    /// Its unit, for every language.
    pub(crate) fn unit(self) -> Said {
        let (_, unit) = self.subject();
        let key = match unit {
            " % of saturation" => "unit-of-saturation",
            " mg/L as N" => "unit-as-n",
            " mg/L as P" => "unit-as-p",
            " mg/L as S" => "unit-as-s",
            _ => return Said::plain(unit),
        };
        Said::new(String::from(unit), key, Vec::new())
    }

    /// What to do, for every language.
    fn act(self) -> Said {
        let key = match self {
            Self::DoHigh | Self::DoHighPercent => "water-do-oxygen",
            Self::PhSwing => "water-do-ph-swing",
            Self::TemperatureLowWarn | Self::TemperatureLowCritical => "water-do-cool",
            Self::TemperatureHighWarn | Self::TemperatureHighCritical => "water-do-warm",
            Self::TemperatureChangeHour => "water-do-temperature-hour",
            Self::TemperatureChangeHalfDay => "water-do-temperature-half-day",
            Self::SalinityLow => "water-do-salinity",
            Self::SalinityChangeWarn | Self::SalinityChangeCritical => "water-do-salinity-change",
            Self::Layered => "water-do-layered",
            Self::TanWarn | Self::TanCritical => "water-do-tan",
            Self::NitriteWarn | Self::NitriteCritical => "water-do-nitrite",
            Self::AlkalinityLowWarn | Self::AlkalinityLowCritical => "water-do-alkalinity-low",
            Self::AlkalinityHigh => "water-do-alkalinity-high",
            Self::SecchiLow => "water-do-green",
            Self::SecchiHigh => "water-do-clear",
            Self::SecchiChange => "water-do-colour",
            Self::PhosphateHigh => "water-do-phosphate",
            Self::IronWarn => "water-do-iron",
            Self::IronCritical => "water-do-iron-critical",
            Self::H2sWarn | Self::H2sCritical => "water-do-h2s",
            Self::SludgePhWarn | Self::SludgePhCritical => "water-do-sludge",
        };
        Said::new(String::from(self.todo()), key, Vec::new())
    }
}

/// The message while the condition holds.
pub(super) fn holds(
    place: &str,
    water: Water,
    limits: &WaterLimits,
    marks: Option<&Marks>,
    oxygen: Option<Seen>,
) -> Said {
    let (what, unit, todo) = (water.about(), water.unit(), water.act());
    let decimals = water.decimals();
    let threshold = water.threshold(limits, marks);
    let limit = threshold.limit;
    let side = super::side(water.is_below());
    let Some((marks, value)) = marks.and_then(|marks| Some((marks, water.measured(marks)?))) else {
        return said!(
            "said-water-unseen",
            "{place}: {what} was {side} {limit}{unit} when last known. {todo}",
            place = place,
            what = what,
            side = side,
            limit = fixed(limit, decimals),
            unit = unit,
            todo = todo
        );
    };
    let doubt = if water.is_doubted(marks) {
        said!("water-doubt", " The value is suspect: test again.")
    } else {
        Said::default()
    };
    let detail = match water {
        Water::TemperatureChangeHour | Water::TemperatureChangeHalfDay => {
            let (change, span) = match water {
                Water::TemperatureChangeHour => (marks.temperature_hour_c, said!("span-hour", "in an hour")),
                _ => (marks.temperature_half_day_c, said!("span-half-day", "in 12 h")),
            };
            let change = change.unwrap_or_default();
            return said!(
                "said-temperature-change",
                "{place}: temperature changed by {change} C {span} (limit {limit}).{doubt} {todo}",
                place = place,
                change = alloc::format!("{change:+.1}"),
                span = span,
                limit = tenth(limit),
                doubt = doubt,
                todo = todo
            );
        }
        Water::SalinityChangeWarn | Water::SalinityChangeCritical => {
            let change = marks.salinity_change_psu.unwrap_or_default();
            let now = marks.salinity_psu.map(|now| super::now_at(now, "")).unwrap_or_default();
            return said!(
                "said-salinity-change",
                "{place}: salinity changed by {change} PSU against half a day ago and more{now} (limit {limit}).{doubt} {todo}",
                place = place,
                change = alloc::format!("{change:+.1}"),
                now = now,
                limit = tenth(limit),
                doubt = doubt,
                todo = todo
            );
        }
        Water::Layered => return layered(place, marks.layers, limit, oxygen, todo),
        Water::SecchiChange => return disc(place, marks, limit, todo),
        // The limit is what the table sets, or what is safe at this salinity.
        _ if limit < limits.of(water).limit => {
            said!("water-at-salt", ", what counts at {psu} PSU", psu = tenth(marks.assumed_psu))
        }
        _ => Said::default(),
    };
    said!(
        "said-water",
        "{place}: {what} {value}{unit}, {side} {limit}{detail}.{doubt} {todo}",
        place = place,
        what = what,
        value = fixed(value, decimals),
        unit = unit,
        side = side,
        limit = fixed(limit, decimals),
        detail = detail,
        doubt = doubt,
        todo = todo
    )
}

fn layered(place: &str, layers: Option<Layers>, limit: f64, oxygen: Option<Seen>, todo: Said) -> Said {
    let Some(layers) = layers else {
        return said!(
            "said-layers-unseen",
            "{place}: fresh water lay on top. {todo}",
            place = place,
            todo = todo
        );
    };
    let below = if layers.is_measured_below {
        said!("layers-bottom", "at the bottom")
    } else {
        said!("layers-before", "before")
    };
    let cooler = layers.cooler_c.filter(|cooler| *cooler >= 0.3);
    let cooler = cooler
        .map(|cooler| said!("layers-cooler", ", {by} C cooler than the bottom", by = tenth(cooler)))
        .unwrap_or_default();
    let oxygen = oxygen
        .map(|seen| said!("layers-oxygen", "; lowest oxygen {value} mg/L", value = tenth(seen.value)))
        .unwrap_or_default();
    said!(
        "said-layers",
        "{place}: fresh water lies on top: surface {surface} PSU{cooler}, {deep} {below} (limit {limit} less){oxygen}. {todo}",
        place = place,
        surface = tenth(layers.surface_psu),
        cooler = cooler,
        deep = tenth(layers.below_psu),
        below = below,
        limit = tenth(limit),
        oxygen = oxygen,
        todo = todo
    )
}

fn disc(place: &str, marks: &Marks, limit: f64, todo: Said) -> Said {
    let Some(disc) = marks.disc else {
        return said!(
            "said-disc-unseen",
            "{place}: the water's clearness changed. {todo}",
            place = place,
            todo = todo
        );
    };
    let meaning = if disc.now_cm > disc.before_cm {
        said!(
            "disc-clearer",
            "If the water cleared or browned, the plankton may have crashed: all aerators, cut feed, exchange part of the water, test TAN. Do not lime or fertilise at once."
        )
    } else {
        said!(
            "disc-greener",
            "If it is greener, the plankton blooms: give less feed, plan more aeration for the night."
        )
    };
    said!(
        "said-disc",
        "{place}: the disc vanished at {before} cm the day before and at {now} cm now (limit {limit} apart). {todo} {meaning}",
        place = place,
        before = fixed(disc.before_cm, 0),
        now = fixed(disc.now_cm, 0),
        limit = fixed(limit, 0),
        todo = todo,
        meaning = meaning
    )
}

/// The message when it has cleared.
pub(super) fn over(place: &str, water: Water, marks: Option<&Marks>) -> Said {
    let decimals = water.decimals();
    match water {
        Water::Layered => {
            said!("over-layers", "{place}: surface and deep water are mixed again.", place = place)
        }
        Water::SecchiChange => said!(
            "over-disc",
            "{place}: the disc is read as the day before again, or a day has passed.",
            place = place
        ),
        _ => {
            let now = marks.and_then(|marks| water.measured(marks)).map(|value| {
                let (value, unit) = (fixed(value, decimals), water.unit());
                said!("now-at", ", now {value}{unit}", value = value, unit = unit)
            });
            said!(
                "over-water",
                "{place}: {what} is back within its limit{now}.",
                place = place,
                what = water.about(),
                now = now.unwrap_or_default()
            )
        }
    }
}
