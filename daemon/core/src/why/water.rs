//! The water's conditions explained.

use super::conditions::{limit_rules, stands_at};
use crate::alarm_set::marks::Marks;
use crate::said::{Said, fixed, said, tenth};
use crate::water_limits::{Water, WaterLimits};

/// What raises it and what clears it.
pub(super) fn rules(water: Water, limits: &WaterLimits, marks: Option<&Marks>) -> (Said, Said) {
    let threshold = water.threshold(limits, marks);
    let decimals = water.decimals();
    let set = limits.of(water).limit;
    let salty = if threshold.limit < set {
        let psu = marks.map(|marks| marks.assumed_psu).unwrap_or_default();
        said!(
            "when-salt",
            "; set are {set}, less counts at {psu} PSU",
            set = fixed(set, decimals),
            psu = tenth(psu)
        )
    } else {
        Said::default()
    };
    limit_rules((water.about(), water.unit()), decimals, (threshold, water.is_below()), salty)
}

/// How it stands now, where it is not in alarm.
pub(super) fn stands(water: Water, marks: Option<&Marks>) -> Said {
    let value = marks.and_then(|marks| water.measured(marks));
    value.map_or_else(
        || said!("stands-unknown", "{what}: not known", what = water.about()),
        |value| stands_at((water.about(), water.unit()), fixed(value, water.decimals())),
    )
}
