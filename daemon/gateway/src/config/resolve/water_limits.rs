//! Limits of the water beyond low oxygen, pH and un-ionised ammonia: the defaults, and what a pond changes.

use pondreeve_core::water_limits::{SafeAt, Water, WaterLimits};

use super::super::raw::{RawLimits, RawSafe};
use super::super::reader::{At, Problems};
use super::limits::Own;

impl Own<'_> {
    /// All of them.
    pub(super) fn water(&self, raw: &RawLimits, at: &At<RawLimits>) -> Option<WaterLimits> {
        let base = self.base.map(|base| &base.water);
        let mut limits = base.cloned().unwrap_or_else(WaterLimits::grow_out);
        let mut sound = true;
        for (slot, water) in limits.thresholds.iter_mut().zip(Water::ALL) {
            let set = base.map(|base| base.of(water));
            match self.threshold(raw.water(water.key()), set, at, water.key()) {
                Some(found) => *slot = found,
                None => sound = false,
            }
        }
        let tan = self.safe(raw.tan_safe_mg_l.as_ref(), base.map(|b| &b.tan_safe), at, "tan_safe_mg_l");
        let nitrite =
            self.safe(raw.nitrite_safe_mg_l.as_ref(), base.map(|b| &b.nitrite_safe), at, "nitrite_safe_mg_l");
        limits.tan_safe = tan?;
        limits.nitrite_safe = nitrite?;
        (sound && in_order(&limits, at, self.problems)).then_some(limits)
    }

    fn safe(
        &self,
        raw: Option<&At<RawSafe>>,
        base: Option<&SafeAt>,
        at: &At<RawLimits>,
        key: &str,
    ) -> Option<SafeAt> {
        let Some(raw) = raw else { return self.own_or_base(None, base.cloned(), at, key) };
        let salinity: Vec<f64> = raw.value.salinity_psu.as_ref()?.value.iter().map(|at| at.value).collect();
        let limit: Vec<f64> = raw.value.limit.as_ref()?.value.iter().map(|at| at.value).collect();
        if salinity.len() != limit.len() || !salinity.is_sorted_by(|a, b| a < b) {
            let found = format!("{} salinities and {} limits", salinity.len(), limit.len());
            let accepted = "as many limits as salinities, the salinities rising";
            self.problems.push(self.problems.about(raw, found, accepted));
            return None;
        }
        Some(SafeAt(salinity.into_iter().zip(limit).collect()))
    }
}

/// Reports limits that contradict one another.
fn in_order(limits: &WaterLimits, at: &At<RawLimits>, problems: &Problems) -> bool {
    let mut sound = true;
    let mut refuse = |key: &str, found: String, accepted: &str| {
        let place = At { path: format!("{}.{key}", at.path), ..at.with(()) };
        problems.push(problems.about(&place, found, accepted));
        sound = false;
    };
    for water in Water::ALL {
        let Some(graver) = water.graver() else { continue };
        let (warn, critical) = (limits.of(water).limit, limits.of(graver).limit);
        let key = water.key().split('.').next().unwrap_or_default();
        let ordered = if water.is_below() { warn > critical } else { warn < critical };
        if !ordered {
            let found =
                format!("{key} limits out of order: {warn}, {critical} (with the defaults filled in)");
            let accepted = if water.is_below() {
                "falling values: warn, then critical"
            } else {
                "rising values: warn, then critical"
            };
            refuse(key, found, accepted);
        }
    }
    let pairs = [
        (Water::TemperatureLowWarn, Water::TemperatureHighWarn),
        (Water::AlkalinityLowWarn, Water::AlkalinityHigh),
        (Water::SecchiLow, Water::SecchiHigh),
    ];
    for (low, high) in pairs {
        let (low_at, high_at) = (limits.of(low).limit, limits.of(high).limit);
        if low_at >= high_at {
            let key = low.key().split('.').next().unwrap_or_default();
            let found = format!("low limit {low_at} not below the high limit {high_at}");
            refuse(key, found, "a gap between them, in which no alarm stands");
        }
    }
    sound
}
